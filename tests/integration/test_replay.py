"""`stillair replay` to the contract: lines, causality, bad input, real recordings."""

from __future__ import annotations

import csv
import json
import math
import os
import pty
import resource
import subprocess
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from running import stillair
from stillair.fire.vision import Sight
from stillair.model import CameraCondition, Movement, Outcome, Sense, Sign, Stimulus, Tick
from stillair.runtime.plans import replay_plan
from stillair.runtime.recorded import replay_files
from stillair.runtime.replay import replay as replayed
from stillair.watch import Watch
from warm_starts import warm_run

MEMORY_BYTES = 300_000_000


def replay(*words: str) -> subprocess.CompletedProcess[str]:
    return warm_run(stillair("replay", *words), timeout_s=110)


def replay_in_little_memory(*words: str) -> subprocess.CompletedProcess[str]:
    """In a process that has had no other memory, since it counts."""

    def bounded() -> None:
        resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))

    return subprocess.run(
        stillair("replay", *words),
        capture_output=True,
        text=True,
        timeout=110,
        check=False,
        preexec_fn=bounded,
    )


def lines(done: subprocess.CompletedProcess[str]) -> list[dict[str, Any]]:
    assert done.returncode == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def lid_lifted(path: Path, *, until_s: int = 2400) -> Path:
    """A warm chamber whose lid is lifted at 1200 s for two minutes."""
    top_c, low_c = 46.0, 43.0
    with path.open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["time_s", "top", "low", "room"])
        for t_s in range(-300, until_s):
            goal_c, tau_s = (21.0, 40.0) if 1200 <= t_s < 1320 else (46.0, 300.0)
            top_c += (goal_c - top_c) / tau_s
            low_c += (goal_c - 3 - low_c) / tau_s
            wobble_k = 0.03 * math.sin(t_s * 2.3)
            writer.writerow([t_s, f"{top_c + wobble_k:.4f}", f"{low_c - wobble_k:.4f}", "20.0"])
    return path


def test_lines_are_ordered_linked_and_the_same_each_time(tmp_path: Path) -> None:
    file = lid_lifted(tmp_path / "lid.csv")
    first, second = replay(str(file)), replay(str(file))
    assert first.stdout == second.stdout
    told = lines(first)
    doors = [line for line in told if line["kind"] == "door_open"]
    assert doors[0]["change"] == "raised"
    assert 1200 <= doors[0]["at_s"] <= 1240
    assert abs(doors[0]["onset_s"] - 1200) <= 15
    assert [(line["at_s"], line["event"]) for line in told] == sorted(
        (line["at_s"], line["event"]) for line in told
    )
    assert list(told[0])[:7] == ["event", "change", "at_s", "kind", "class", "priority", "onset_s"]


def test_nothing_uses_what_comes_later(tmp_path: Path) -> None:
    whole = replay(str(lid_lifted(tmp_path / "whole.csv"))).stdout.splitlines()
    cut = replay(str(lid_lifted(tmp_path / "cut.csv", until_s=1290))).stdout.splitlines()
    assert cut
    assert whole[: len(cut)] == cut
    assert all(json.loads(line)["at_s"] > 1289 for line in whole[len(cut) :])


def seldom_read(path: Path, rows: Iterable[tuple[float, float]]) -> list[dict[str, Any]]:
    """What is told of a sensor that was read so seldom."""
    with path.open("w") as stream:
        stream.write("time_s,top\n")
        stream.writelines(f"{t_s:g},{air_c:.2f}\n" for t_s, air_c in rows)
    return [json.loads(line) for line in replay_files(path)]


@pytest.mark.parametrize("step_s", [31, 60, 100, 300])
def test_rows_far_apart_are_no_silence(tmp_path: Path, step_s: int) -> None:
    steps = (n * step_s for n in range(20))
    rows = ((t_s, 25.0 + 0.06 * (t_s % 7)) for t_s in steps)
    assert seldom_read(tmp_path / "seldom.csv", rows) == []


@pytest.mark.parametrize("step_s", [1, 20, 60, 100])
def test_a_sensor_that_falls_silent_is_told_by_its_usual_interval(
    tmp_path: Path, step_s: int
) -> None:
    steps = (n * step_s for n in range(3000 // step_s))
    rows = ((t_s, 25.0 + 0.06 * (t_s % 7)) for t_s in steps if not 1000 <= t_s < 2000)
    told = seldom_read(tmp_path / "silent.csv", rows)
    assert [line["kind"] for line in told] == ["sensor_fault"] * 2
    last_s = (999 // step_s) * step_s
    assert told[0]["at_s"] == last_s + max(29, 3 * step_s) + 1


def test_heat_is_fire_however_seldom_it_is_read(tmp_path: Path) -> None:
    """Two readings of 90 degrees are enough, two minutes apart or not."""
    rows = ((t_s, 40.0 if t_s < 3600 else 90.0) for t_s in range(0, 4800, 120))
    told = seldom_read(tmp_path / "fire.csv", rows)
    assert {"fire": 3720.0, "over_temperature": 3720.0}.items() <= {
        line["kind"]: line["at_s"] for line in reversed(told)
    }.items()


def gaps(kind: str, gap_s: float) -> Iterator[tuple[float, tuple[float | None, ...]]]:
    """Half an hour of something, three times, with so much silence before the last."""
    courses: dict[str, Callable[[float], float]] = {
        "cold": lambda _: 25.0,
        "warming": lambda u: min(55.0, 20.0 + u / 30.0),
        "cooling": lambda u: 55.0 - 33.0 * (1.0 - math.exp(-max(0.0, u - 900.0) / 600.0)),
        "a door": lambda u: 50.0 - 15.0 * (1.0 - math.exp(-max(0.0, u - 1700.0) / 20.0)),
        "burning": lambda u: 60.0 + 30.0 * (u > 1700.0),
    }
    t_s = -50.0
    for part in range(3):
        for u_s in range(1800):
            air_c = courses[kind](float(u_s)) + 0.0625 * (u_s * 7 % 5)
            low_c = air_c - 2.0 if u_s < 1500 or part else None
            yield t_s, (air_c, low_c, 21.0 + 0.06 * (u_s % 3))
            t_s += 1.0
        t_s += gap_s * (1.0 if part else 0.3) + 0.25


@pytest.mark.parametrize("kind", ["cold", "warming", "cooling", "a door", "burning"])
def test_days_without_a_row_are_passed_over_and_the_same_is_told(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    columns = ("top", "low", "room")
    ticks = []
    step = Watch.step

    def counted(watch: Watch, stimulus: Stimulus) -> Outcome:
        ticks.append(isinstance(stimulus, Tick))
        return step(watch, stimulus)

    def told(gap_s: float) -> list[str]:
        ticks.clear()
        rows = gaps(kind, gap_s)
        return list(replayed(Watch(replay_plan(columns, None)), columns, rows))

    monkeypatch.setattr(Watch, "step", counted)
    rested = told(20_000.0)
    assert sum(ticks) < 3 * 1800 + 2 * (3600 + 600 + 60)
    with monkeypatch.context() as patch:
        patch.setattr(Watch, "rest", lambda *_: False)
        assert told(20_000.0) == rested
        assert sum(ticks) > 25_000
    told(20.0 * 86400.0)
    assert sum(ticks) < 3 * 1800 + 2 * (3600 + 600 + 60)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        pytest.param("", ["line 1"], id="empty"),
        pytest.param("time_s\n1\n", ["line 1"], id="no sensor"),
        pytest.param("t,top\n1,20\n", ["line 1"], id="no time column"),
        pytest.param("time_s,top,top\n1,2,3\n", ["line 1", "top"], id="a column twice"),
        pytest.param("time_s,top\n1,20\n2,warm\n", ["line 3", "top"], id="a word"),
        pytest.param("time_s,top\n1,20\n2,inf\n", ["line 3", "top"], id="infinite"),
        pytest.param("time_s,top\n1,20\n2,NaN\n", ["line 3", "top"], id="not a number"),
        pytest.param("time_s,top\n1,20\n2,1e99\n", ["line 3", "top"], id="hotter than the sun"),
        pytest.param("time_s,top\n2,20\n1,20\n", ["line 3", "time_s"], id="backwards"),
        pytest.param("time_s,top\n1,20\n1,20\n", ["line 3", "time_s"], id="twice the same time"),
        pytest.param("time_s,top,low\n1,20\n", ["line 2"], id="a row too short"),
        pytest.param("time_s,top\n1,20,3\n", ["line 2"], id="a row too long"),
        pytest.param("time_s,top\n1,2" + "0" * 70_000 + "\n", ["line 2"], id="an endless line"),
    ],
)
def test_a_bad_file_gives_one_line_and_status_2(
    tmp_path: Path, text: str, words: list[str]
) -> None:
    file = tmp_path / "bad.csv"
    file.write_text(text)
    done = replay(str(file))
    assert (done.returncode, done.stdout) == (2, "")
    (line,) = done.stderr.splitlines()
    assert all(word in line for word in words), line


@pytest.mark.parametrize(
    "content",
    [
        pytest.param(os.urandom(4000), id="noise"),
        pytest.param(b"time_s,top\n1,20\n2,\xff\xfe\n", id="no UTF-8"),
        pytest.param(b"time_s,top\n1,20\n\x00\x00\x00", id="zeros at the end, as after a crash"),
    ],
)
def test_bytes_that_are_no_text_give_one_line(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "bad.csv"
    file.write_bytes(content)
    done = replay(str(file))
    assert (done.returncode, done.stdout) == (2, "")
    assert len(done.stderr.splitlines()) == 1


def test_a_file_of_a_gigabyte_is_refused_at_its_fault_in_little_memory(tmp_path: Path) -> None:
    file = tmp_path / "huge.csv"
    with file.open("wb") as stream:
        stream.write(b"time_s,top\n0,20\n")
        stream.truncate(1_000_000_000)  # zeros to the end, which take no room on the disk
    done = replay_in_little_memory(str(file))
    assert (done.returncode, done.stdout) == (2, "")
    assert "line 3" in done.stderr


def test_an_endless_input_is_told_as_it_comes(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    ended = threading.Event()

    def write() -> None:
        try:
            with pipe.open("w") as stream:
                stream.write("time_s,top\n")
                t_s = 0
                while not ended.is_set():
                    for _ in range(1000):
                        stream.write(f"{t_s},{20 + t_s % 2 * 0.0625 + (t_s > 500) * 400}\n")
                        t_s += 1
        except BrokenPipeError:
            return

    writer = threading.Thread(target=write, daemon=True)
    writer.start()
    process = subprocess.Popen(stillair("replay", str(pipe)), stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert json.loads(process.stdout.readline())["change"] == "raised"
    process.stdout.close()
    ended.set()
    process.wait(30)
    writer.join(10)


def test_a_file_that_is_not_there_and_no_input_at_all() -> None:
    for words in (("/nowhere/at/all.csv",), ("-",)):
        done = replay(*words)
        assert done.returncode == 2
        assert len(done.stderr.splitlines()) == 1


def test_all_faults_of_a_chamber_file_are_told(tmp_path: Path) -> None:
    chamber = tmp_path / "chamber.toml"
    chamber.write_text('[chamber]\nname = 3\nenclosure = ["cheese"]\nlimit_c = "hot"\n')
    done = replay(str(lid_lifted(tmp_path / "lid.csv")), "--chamber", str(chamber))
    assert (done.returncode, done.stdout) == (2, "")
    assert all(key in done.stderr for key in ("name", "enclosure", "limit_c"))


def test_a_chamber_file_gives_names_places_and_limits(tmp_path: Path) -> None:
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(
        '[chamber]\nname = "North bench"\nenclosure = ["metal"]\nlimit_c = 40\n'
        '[[sensor]]\nname = "low"\nplace = "bed"\ndriver = "onewire"\naddress = "28-0000075c2f11"\n'
    )
    file = lid_lifted(tmp_path / "lid.csv")
    without = {line["kind"] for line in lines(replay(str(file)))}
    told = lines(replay(str(file), "--chamber", str(chamber)))
    hot = [line for line in told if line["kind"] == "over_temperature"]
    assert "over_temperature" not in without
    assert hot[0]["sensors"] == ["top"]


def test_a_power_on_value_is_known_in_a_recording_of_a_corrected_sensor(tmp_path: Path) -> None:
    """What was recorded is 84.7: the chip's 85.0, corrected."""
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(
        '[chamber]\nname = "North bench"\nenclosure = ["metal"]\nlimit_c = 55\n'
        '[[sensor]]\nname = "top"\ndriver = "onewire"\naddress = "28-0000075c2f11"\n'
        "correction_k = -0.3\n"
    )
    file = tmp_path / "shed.csv"
    rows = (84.7 if 600 <= t < 605 else 44.7 + 0.0625 * (t % 2) for t in range(700))
    file.write_text("time_s,top\n" + "".join(f"{t},{c:.4f}\n" for t, c in enumerate(rows)))
    told = lines(replay(str(file), "--chamber", str(chamber)))
    assert not {"fire", "over_temperature", "rapid_rise"} & {line["kind"] for line in told}
    (fault,) = [e for e in told if (e["kind"], e["change"]) == ("sensor_fault", "raised")]
    assert fault["detail"]["fault"] == "not_converted"


def video(path: Path, *, dark_from_s: float, seconds: int = 40) -> Path:
    """Ten frames a second of a lit, noisy scene whose lamp goes out."""
    noise = np.random.default_rng(3)
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), 10.0, (320, 240))
    for n in range(seconds * 10):
        level = 3 if n / 10 >= dark_from_s else 120
        frame = noise.normal(level, 3, (240, 320, 3)).clip(0, 255).astype(np.uint8)
        frame[60:120, (n * 3) % 260 : (n * 3) % 260 + 40] = min(level * 2, 255)
        writer.write(frame)
    writer.release()
    return path


def test_a_video_is_watched_on_its_own_and_at_its_place(tmp_path: Path) -> None:
    clip = video(tmp_path / "clip.avi", dark_from_s=20.0)
    (alone,) = (e for e in lines(replay("-", "--video", str(clip))) if e["change"] == "raised")
    assert (alone["kind"], alone["detail"]["condition"]) == ("camera_fault", "dark")
    assert 20.0 <= alone["at_s"] <= 30.0
    later = lines(
        replay(
            str(lid_lifted(tmp_path / "lid.csv")),
            "--video",
            str(clip),
            "--video-start-s",
            "100",
        )
    )
    dark = next(e for e in later if e["kind"] == "camera_fault")
    assert dark["at_s"] == pytest.approx(alone["at_s"] + 100.0, abs=0.01)


def test_a_lit_and_quiet_video_tells_nothing_and_the_same_each_time(tmp_path: Path) -> None:
    clip = video(tmp_path / "calm.avi", dark_from_s=math.inf, seconds=20)
    first, second = replay("-", "--video", str(clip)), replay("-", "--video", str(clip))
    assert (first.returncode, first.stdout, first.stderr) == (0, "", "")
    assert first.stdout == second.stdout


def seen(t_s: float, *names: str, condition: CameraCondition = CameraCondition.FIT) -> Sight:
    """What a camera shows at `t_s`."""
    signs = tuple(
        Sign(Sense.CAMERA, name, t_s, t_s, 0.6, ("camera",), detail={"share": 0.02})
        for name in names
    )
    return Sight(t_s, condition, 0.0, "", signs, Movement(t_s, True, t_s))


def watched(sights: Iterable[Sight], rows: Iterable[tuple[float, float]] = ()) -> list[Any]:
    """The lines of a replay in which the camera shows this, beside readings of one sensor."""
    sensors = ("top",) if rows else ()
    plan = replace(replay_plan(sensors, None), camera=True)
    readings = ((t_s, (air_c,)) for t_s, air_c in rows)
    timed = ((sight.t_s, sight) for sight in sights)
    return [json.loads(line) for line in replayed(Watch(plan), sensors, readings, timed)]


def test_a_video_that_ends_before_the_readings_is_no_lost_camera(tmp_path: Path) -> None:
    clip = video(tmp_path / "calm.avi", dark_from_s=math.inf, seconds=20)
    table = tmp_path / "long.csv"
    table.write_text("time_s,top\n" + "".join(f"{t},40.0\n" for t in range(200)))
    done = replay(str(table), "--video", str(clip))
    assert (done.returncode, [e for e in lines(done) if e["kind"] == "camera_fault"]) == (0, [])
    assert "The video shows 0:00:00 to 0:00:20 of the readings' 0:00:00 to 0:03:19" in done.stderr


def test_what_a_video_showed_last_is_not_called_over_when_it_ends() -> None:
    smoke = [seen(float(t), *(["smoke"] if t >= 10 else [])) for t in range(40)]
    told = watched(smoke, [(float(t), 30.0) for t in range(400)])
    assert {(line["kind"], line["change"]) for line in told if line["kind"] == "smoke"} >= {
        ("smoke", "raised"),
        ("smoke", "revised"),  # that nobody can tell its end
    }
    assert not [e for e in told if e["change"] == "cleared" or e["kind"] == "camera_fault"]


def test_what_a_video_shows_is_told_in_lines() -> None:
    smoke = (seen(t / 4, *(["smoke"] if 40 <= t < 80 and t % 4 == 0 else [])) for t in range(400))
    told = watched(smoke)
    assert [(line["kind"], line["change"], line["at_s"]) for line in told] == [
        ("smoke", "raised", 10.0),
        ("smoke", "cleared", 79.0),
    ]
    assert told[0]["sensors"] == ["camera"]
    assert told[0]["detail"]["evidence"][0]["share"] == 0.02
    assert "missing" not in told[0]["detail"]


def test_a_video_and_readings_make_one_verdict() -> None:
    smoke = [seen(float(t), *(["smoke"] if t >= 60 else [])) for t in range(200)]
    rows = [(float(t), 30.0 + 0.06 * (t % 3) + max(0, t - 90) * 0.6) for t in range(200)]
    told = watched(smoke, rows)
    raised = [line for line in told if line["change"] == "raised"]
    assert {"smoke", "fire"} <= {line["kind"] for line in raised}
    fire = next(line for line in raised if line["kind"] == "fire")
    assert {sign["sense"] for sign in fire["detail"]["evidence"]} == {"camera", "heat"}
    assert sorted(told, key=lambda line: (line["at_s"], line["event"])) == told
    later = watched([s for s in smoke if s.t_s < fire["at_s"]], [r for r in rows if r[0] <= 120])
    until_then = [line for line in told if line["at_s"] < fire["at_s"]]
    assert later[: len(until_then)] == until_then, "nothing uses what comes later"


def test_a_video_whose_view_is_unfit_shows_no_smoke() -> None:
    dark = (seen(float(t), "smoke", condition=CameraCondition.DARK) for t in range(60))
    assert [line["kind"] for line in watched(dark)] == ["camera_fault"]


def test_a_video_that_is_none_gives_one_line(tmp_path: Path) -> None:
    clip = tmp_path / "clip.mp4"
    clip.write_bytes(os.urandom(10_000))
    for words in (("-", "--video", str(clip)), ("-", "--video", "/nowhere.mp4")):
        done = replay(*words)
        assert (done.returncode, done.stdout) == (2, "")
        assert len(done.stderr.splitlines()) == 1


SLOWEST_S = 300.0  # an upholstered chair smoulders for minutes before it heats the ceiling


def test_every_ignition_of_the_real_room_fires_is_found(recordings: Path) -> None:
    files = sorted((recordings / "thermal").glob("room_fire_*.csv"))
    files = [file for file in files if not file.name.endswith(".events.csv")]
    assert len(files) >= 40
    missed, false = [], []
    for file in files:
        with Path(str(file).removesuffix(".csv") + ".events.csv").open() as stream:
            fires = [float(r["start_s"]) for r in csv.DictReader(stream) if r["label"] == "fire"]
        alarms = [e for e in lines(replay(str(file))) if e["class"] == "alarm"]
        for start_s in fires:
            raised = [e for e in alarms if e["change"] == "raised"]
            seen = any(start_s <= e["at_s"] <= start_s + SLOWEST_S for e in raised)
            if not seen and not _stands(alarms, start_s):
                missed.append(f"{file.name} at {start_s}")
        false += [f"{file.name} at {e['at_s']}" for e in alarms if e["at_s"] < min(fires)]
    assert (missed, false) == ([], [])


def _stands(alarms: list[dict[str, Any]], at_s: float) -> bool:
    """Whether an alarm raised before `at_s` was still up then: it burns on."""
    up = {e["event"] for e in alarms if e["at_s"] <= at_s and e["change"] != "cleared"}
    return bool(up - {e["event"] for e in alarms if e["at_s"] <= at_s and e["change"] == "cleared"})


def test_at_a_terminal_a_person_is_told_what_was_found(tmp_path: Path) -> None:
    """On standard error; standard output keeps the bytes that a program gets."""
    file = lid_lifted(tmp_path / "lid.csv")
    terminal, end = pty.openpty()
    done = subprocess.run(
        stillair("replay", str(file)), stdout=subprocess.PIPE, stderr=end, timeout=110, check=False
    )
    os.close(end)
    said = b""
    with suppress(OSError):  # how a terminal tells that nobody writes to it any more
        while more := os.read(terminal, 4096):
            said += more
    os.close(terminal)
    assert done.returncode == 0
    assert done.stdout.decode() == replay(str(file)).stdout
    assert "Door open: once, at " in said.decode()
    assert "Look first at event " in said.decode()


def chamber_of(path: Path, **places: str) -> Path:
    """A chamber file with these sensors."""
    text = '[chamber]\nname = "North bench"\n'
    for number, (name, place) in enumerate(places.items()):
        text += f'[[sensor]]\nname = "{name}"\nplace = "{place}"\ndriver = "onewire"\n'
        text += f'address = "28-0000075c2f{number:02}"\n'
    path.write_text(text)
    return path


@pytest.mark.parametrize(
    ("places", "said"),
    [
        pytest.param(
            None,
            ["chamber air: top, bed\n", "outside: Room\n", "--chamber FILE"],
            id="no chamber file",
        ),
        pytest.param({"top": "chamber", "bed": "bed", "Room": "room"}, [], id="it says it all"),
        pytest.param(
            {"top": "chamber", "Room": "room"},
            ["so taken for chamber air: bed."],
            id="a column it doesn't know",
        ),
        pytest.param(
            {"top": "chamber", "bed": "bed", "Room": "room", "low": "chamber"},
            ["but without a column: low."],
            id="a sensor without a column",
        ),
    ],
)
def test_what_was_assumed_of_columns_is_said_beside_the_answer(
    tmp_path: Path, places: dict[str, str] | None, said: list[str]
) -> None:
    file = tmp_path / "shed.csv"
    file.write_text("time_s,top,bed,Room\n0,20,30,20\n1,20,30,20\n")
    words = [str(file)]
    if places is not None:
        words += ["--chamber", str(chamber_of(tmp_path / "chamber.toml", **places))]
    done = replay(*words)
    assert (done.returncode, done.stdout) == (0, "")
    assert bool(done.stderr) == bool(said), done.stderr
    assert all(word in done.stderr for word in said), done.stderr


def test_of_a_pipe_the_rule_is_said_and_a_fault_stays_one_line(tmp_path: Path) -> None:
    def piped(text: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            stillair("replay", "/dev/stdin"),
            input=text,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )

    assert "named ambient or room is outside" in piped("time_s,top\n0,20\n").stderr
    done = piped("time_s,top\n0,20\n1,warm\n")
    (line,) = done.stderr.splitlines()
    assert (done.returncode, "line 3, column top" in line) == (2, True)
