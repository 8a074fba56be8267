"""Films of events and of jobs, kept by a real service over simulated and real cameras."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from films import opened_film
from integration.mjpeg_server import MjpegServer, drawn_frames, frames_of_video
from pictured import CHAMBER, KEY, build, watched
from running import RunningService, wait_until
from smoke_seen import running_with_smoke
from stillair.media import cutting
from stillair.media.files import new_id
from stillair.model import (
    KIND_CLASS,
    Change,
    EventChange,
    FinishJob,
    Kind,
    Outcome,
    StartJob,
    Timeline,
)
from stillair.runtime import clips, filming
from stillair.runtime.service import Service
from stillair.storage import clips as rows
from stillair.storage.clips import Clip, Shown
from stillair.storage.items import label

ENOUGH_S = 100.0  # films are made with what time a busy computer has left


def fast(speed: float) -> str:
    """The chamber at so many times life's speed, with some dozen pictures in a second of ours."""
    few = f'"simulated"\nframes_per_s = {12.0 / speed:g}'
    return CHAMBER.replace('"simulated"\n[simulation]', f"{few}\n[simulation]") + f"speed = {speed}"


STREAM = """
[chamber]
name = "north"
[[sensor]]
name = "top"
driver = "max31855"
device = "/dev/null"
[camera]
source = "{source}"
"""


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with watched(build(tmp_path, fast(12.0)), ENOUGH_S) as made:
        yield made


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    """Films reach from 3 s before to 3 s after."""
    monkeypatch.setattr(cutting, "BEFORE_S", 3.0)
    monkeypatch.setattr(cutting, "AFTER_S", 3.0)
    monkeypatch.setattr(clips, "LATE_S", 1.0)


def now_s(service: Service) -> float:
    return service.chambers()[0].clock.now_s()


def ring_reaches(service: Service, back_s: float) -> None:
    ring = service.pictures._eyes[KEY].ring
    wait_until(
        lambda: (shots := ring.shots()) and ring.newest_s() - shots[0].t_s > back_s,
        within_s=ENOUGH_S,
    )


def happens(
    service: Service, kind: Kind, number: int, job: str | None = None, at_s: float | None = None
) -> float:
    """An event of that kind and number, just now or then, as the watch would conclude it."""
    signal_class, priority = KIND_CLASS[kind]
    at_s = now_s(service) if at_s is None else at_s
    change = EventChange(
        event=number,
        change=Change.RAISED,
        at_s=at_s,
        kind=kind,
        signal_class=signal_class,
        priority=priority,
        onset_s=at_s,
        sensors=(),
        detail={},
        job=job,
    )
    service.clips.happened(KEY, Outcome(KEY, at_s, events=(change,)))
    return at_s


def every_film(service: Service) -> list[dict[str, Any]]:
    return [dict(item) for item in service.history.clips().of_chamber(KEY, 0, 100)[0]]


def films(service: Service) -> list[dict[str, Any]]:
    """All films but those of what happens in the simulated box by itself."""
    every = every_film(service)
    return [film for film in every if not film["events"] or min(film["events"]) > 4000]


def film_of(service: Service, event: int, *states: str) -> dict[str, Any]:
    """The film of an event once it is in one of those states."""

    def ask() -> dict[str, Any] | None:
        found = (f for f in films(service) if event in f["events"] and f["state"] in states)
        return next(found, None)

    return wait_until(ask, within_s=ENOUGH_S)


def shown_in(path: Path) -> list[Any]:
    """All pictures of a film."""
    reader = opened_film(path)
    found = []
    while True:
        done, pixels = reader.read()
        if not done:
            break
        found.append(pixels)
    reader.release()
    return found


def files_of(service: Service) -> list[str]:
    """The files of those films, whatever else there is."""
    others = {film["id"] for film in every_film(service)} - {f["id"] for f in films(service)}
    folder = service.clips._files._folder
    names = [path.name for path in folder.iterdir()]
    return sorted(name for name in names if name.partition(".")[0] not in others)


# --- films of events -------------------------------------------------------------------


def test_an_event_has_a_film_from_30_s_before_to_60_s_after(service: Service) -> None:
    ring_reaches(service, 31.0)
    at_s = happens(service, Kind.SMOKE, 4711)
    begun = film_of(service, 4711, "making", "kept")
    assert begun["kind"] == "smoke"
    film = film_of(service, 4711, "kept")
    assert film["part"] == "clip"
    assert film["length_s"] == pytest.approx(90.0, abs=0.3)
    (moment,) = film["moments"]
    assert (moment["event"], moment["kind"]) == (4711, "smoke")
    assert moment["film_s"] == pytest.approx(30.0, abs=0.1)
    assert moment["at"] == label(service.chambers()[0].labels.timeline().epoch_s(at_s)), (
        "the row is labelled by the clock of now"
    )
    path = service.clips.path(film["id"])
    assert len(shown_in(path)) == pytest.approx(film["length_s"] * 4.0, abs=1.0)
    assert film["size_bytes"] == path.stat().st_size
    assert files_of(service) == [path.name], "its pictures are gone"
    assert film["origin"] == "simulated"


@pytest.mark.usefixtures("short")
def test_what_follows_within_a_film_is_in_it(service: Service) -> None:
    at_s = happens(service, Kind.DOOR_OPEN, 4711)
    happens(service, Kind.RAPID_RISE, 4712, at_s=at_s + 1.0)
    happens(service, Kind.STORE_FAULT, 4713, at_s=at_s + 2.0)
    film = film_of(service, 4712, "kept")
    assert film["events"] == [4711, 4712]
    assert (film["kind"], film["event"]) == ("rapid_rise", 4712), "called by the danger in it"
    assert [each["id"] for each in films(service)] == [film["id"]]


def video_file(path: Path) -> Path:
    """A video whose pictures grow brighter from second to second, 25 s of it."""
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), 10.0, (640, 480))
    for number in range(250):
        writer.write(np.full((480, 640, 3), number, np.uint8))
    writer.release()
    return path


@pytest.mark.usefixtures("short")
def test_of_a_stream_the_film_shows_the_moment_at_its_time(tmp_path: Path) -> None:
    frames = frames_of_video(video_file(tmp_path / "brighter.avi"), 250)
    assert len(frames) == 250
    with MjpegServer(frames, frames_per_s=10.0) as server:
        made = build(tmp_path, STREAM.format(source=server.address))
        with watched(made, ENOUGH_S):
            ring_reaches(made, 3.5)
            at_s = happens(made, Kind.FLAME, 4711)
            then = wait_until(
                lambda: made.pictures._eyes[KEY].ring.shots(at_s, at_s + 1.0), within_s=ENOUGH_S
            )[0]
            film = film_of(made, 4711, "kept")
            assert film["length_s"] == pytest.approx(6.0, abs=0.3)
            assert film["moments"][0]["film_s"] == pytest.approx(3.0, abs=0.1)
            assert film["origin"] == "real"
            means = [
                float(pixels[100:300].mean()) for pixels in shown_in(made.clips.path(film["id"]))
            ]
            pixels = cv2.imdecode(np.frombuffer(then.jpeg, np.uint8), cv2.IMREAD_COLOR)
            assert pixels is not None
            grey = float(pixels[100:300].mean())  # ten more each second
            shown = means[round((film["moments"][0]["film_s"] + then.t_s - at_s) * 4.0)]
            assert shown == pytest.approx(grey, abs=6.0), "half a second and what a codec adds"
            assert means[-1] - means[0] == pytest.approx(55.0, abs=10.0), "as fast as it happened"


@pytest.mark.usefixtures("short")
def test_a_pause_ends_the_film_and_an_event_within_it_has_none(tmp_path: Path) -> None:
    with MjpegServer(drawn_frames(10), frames_per_s=10.0) as server:
        made = build(tmp_path, STREAM.format(source=server.address))
        with watched(made, ENOUGH_S):
            ring_reaches(made, 3.5)
            happens(made, Kind.DOOR_OPEN, 4711)
            film_of(made, 4711, "making")
            wait_until(lambda: made.clips._rolls[KEY].take.spool.count, within_s=ENOUGH_S)  # type: ignore[union-attr]
            made.pausing.pause(KEY, 600.0, by="the cox")
            paused_s = now_s(made)
            happens(made, Kind.DRAFT, 4712)
            film = film_of(made, 4711, "kept")
            timeline = made.chambers()[0].labels.timeline()
            assert film["end_at"] <= label(timeline.epoch_s(paused_s + 0.1))
            assert [pause["end_at"] for pause in film["paused"]] == [None]
            assert film["length_s"] < 6.0 + 2.0, "with a card at its end"
            none = film_of(made, 4712, "paused")
            assert none["length_s"] == 0.0
            assert none["paused"][0]["end_at"] is None
            assert files_of(made) == [f"{film['id']}.webm"]
            made.pausing.go_on(KEY)

            def ended() -> list[Any]:
                known = [each for each in films(made) if each["paused"][0]["end_at"]]
                return known if len(known) == 1 else []

            (over,) = wait_until(ended, within_s=ENOUGH_S)
            assert over["id"] == film["id"]
            assert over["paused"][0]["start_at"] < over["paused"][0]["end_at"]


@pytest.mark.usefixtures("short")
def test_a_full_disk_costs_the_film_alone_and_is_told(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (clips, filming):
        monkeypatch.setattr(module, "TRY_AGAIN_S", 0.2)
    files = service.clips._files
    free = files._free_bytes
    files._free_bytes = lambda _: 1000
    happens(service, Kind.SMOKE, 4711)
    chamber = service.chambers()[0]

    def faults() -> list[Any]:
        return [e for e in chamber.supervisor.view.events if e.kind is Kind.STORE_FAULT]

    (fault,) = wait_until(faults, within_s=ENOUGH_S)
    assert fault.subject == "films"
    assert "nearly full" in str(fault.detail["reason"])
    assert service.writer.stored, "everything else is kept"
    assert service.pictures.alive
    film = film_of(service, 4711, "lost")
    assert film["why"] == "No film is kept: the disk is nearly full."
    assert service.clips.lost == 1
    assert files_of(service) == []
    files._free_bytes = free
    wait_until(lambda: not faults(), within_s=ENOUGH_S)
    happens(service, Kind.SMOKE, 4712)
    film_of(service, 4712, "kept")


@pytest.mark.usefixtures("short")
def test_a_program_that_dies_is_begun_again_and_then_given_up(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (clips, filming):
        monkeypatch.setattr(module, "TRY_AGAIN_S", 0.2)
    begun: list[str] = []
    begin = service.clips._queue._maker.begin

    def dies(clip_id: str, wanted: Any) -> None:
        begin(clip_id, wanted)
        begun.append(clip_id)
        process = service.clips._queue._maker._process
        assert process is not None
        process.kill()

    monkeypatch.setattr(service.clips._queue._maker, "begin", dies)
    happens(service, Kind.SMOKE, 4711)
    film = film_of(service, 4711, "lost")
    assert begun == [film["id"]] * filming.TRIES
    assert "ended with -9" in film["why"]
    assert files_of(service) == []


def test_a_disk_that_hangs_holds_up_nobody(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers, begun = threading.Event(), threading.Event()

    def hangs(*_: object, **__: object) -> None:
        begun.set()
        assert answers.wait(ENOUGH_S)

    monkeypatch.setattr(service.clips._files, "need_room", hangs)
    happens(service, Kind.SMOKE, 4711)
    assert begun.wait(ENOUGH_S)
    for number in range(4712, 4712 + 100):
        happens(service, Kind.DOOR_OPEN, number)
    service.clips.pause(KEY)
    chamber = service.chambers()[0]
    seen_s = chamber.supervisor.view.t_s
    wait_until(lambda: chamber.supervisor.view.t_s != seen_s, within_s=ENOUGH_S)
    assert service.clips.lost == 100 - clips.WAITING, "and nothing piles up"
    answers.set()


def kept_film(service: Service, kind: str, number: int, days_ago: float = 0.0) -> str:
    """A film of 4 MB that was kept before, as far as row and file go."""
    clip_id = new_id()
    at_s = service.wall().timestamp() - days_ago * 86_400.0 - 5000.0 + number
    clip = Clip(
        id=clip_id,
        chamber=KEY,
        part="clip",
        state="kept",
        timeline=Timeline("before", at_s),
        start_s=0.0,
        end_s=90.0,
        origin="real",
        kind=kind,
        shown=(Shown(number, kind, 30.0),),
        length_s=90.0,
        size_bytes=4_000_000,
    )
    rows.put(service.journal, clip)
    path = service.clips.path(clip_id)
    path.parent.mkdir(exist_ok=True)
    path.touch()
    return clip_id


def test_small_matters_are_given_up_by_age_and_danger_last(tmp_path: Path) -> None:
    made = build(tmp_path, fast(12.0) + "\n[clips]\nkeep_mb = 10\nkeep_days = 30\n")
    old = kept_film(made, "door_open", 4001, days_ago=31.0)
    old_fire = kept_film(made, "fire", 4002, days_ago=31.0)
    door, later = kept_film(made, "door_open", 4003), kept_film(made, "draft", 4004)
    with watched(made, ENOUGH_S):
        wait_until(lambda: len(films(made)) == 2, within_s=ENOUGH_S)
        assert {film["id"] for film in films(made)} == {old_fire, later}
        assert files_of(made) == sorted(f"{each}.webm" for each in (old_fire, later))
        assert not made.clips.path(old).exists()
        assert not made.clips.path(door).exists()
        # What is brought in keeps to it at once, and not an hour later.
        third = kept_film(made, "draft", 4005)
        made.clips.brought_in()
        wait_until(lambda: len(films(made)) == 2, within_s=ENOUGH_S)
        assert {film["id"] for film in films(made)} == {old_fire, third}


def test_an_erased_film_is_gone_also_while_it_is_being_made(
    service: Service, request: pytest.FixtureRequest
) -> None:
    started = service.chambers()[0].supervisor.submit(
        StartJob(t_s=now_s(service), by="a test", name="Fin box")
    )
    job = started.result(ENOUGH_S).created
    assert job is not None
    happens(service, Kind.DOOR_OPEN, 4711, job)
    film = film_of(service, 4711, "making")
    wait_until(lambda: f"{film['id']}.frames" in files_of(service), within_s=ENOUGH_S)
    service.erasing.pictures_of(job)
    assert not [each for each in films(service) if each["id"] == film["id"]]
    request.getfixturevalue("short")  # from here on: that one had to be long enough to be seen
    happens(service, Kind.SMOKE, 4712)
    kept = film_of(service, 4712, "kept")
    assert kept["id"] != film["id"]
    service.erasing.film(kept["id"])
    assert not [each for each in films(service) if each["part"] == "clip"]
    assert not [name for name in files_of(service) if name.endswith(".webm")]


# --- time-lapses -------------------------------------------------------------------------


def begin_job(service: Service) -> str:
    started = service.chambers()[0].supervisor.submit(
        StartJob(t_s=now_s(service), by="a test", name="Oarlock bushings")
    )
    job = started.result(ENOUGH_S).created
    assert job is not None
    return job


def lapse_of(service: Service, job: str, *states: str) -> dict[str, Any]:
    def ask() -> dict[str, Any] | None:
        items = [dict(item) for item in service.history.clips().of_job(job)]
        found = (f for f in items if f["part"] == "time_lapse" and f["state"] in states)
        return next(found, None)

    return wait_until(ask, within_s=ENOUGH_S)


def lapse_has(service: Service, count: int) -> None:
    lapse = service.clips._rolls[KEY].lapse
    wait_until(lambda: lapse._spool is not None and lapse._spool.count >= count, within_s=ENOUGH_S)


def test_a_job_has_a_time_lapse_through_a_restart_and_a_pause(tmp_path: Path) -> None:
    first = build(tmp_path, fast(48.0))
    with watched(first, ENOUGH_S):
        job = begin_job(first)
        lapse_has(first, 4)
        begun = lapse_of(first, job, "making")
    second = build(tmp_path, fast(48.0))
    with watched(second, ENOUGH_S):
        lapse_has(second, 6)
        second.pausing.pause(KEY, 600.0, by="the cox")
        paused = wait_until(
            lambda: (found := lapse_of(second, job, "making"))["paused"] and found,
            within_s=ENOUGH_S,
        )
        assert paused["paused"][0]["end_at"] is None
        second.pausing.go_on(KEY)
        lapse_has(second, 9)
        second.chambers()[0].supervisor.submit(
            FinishJob(t_s=now_s(second), by="a test", job=job)
        ).result(ENOUGH_S)
        film = lapse_of(second, job, "kept")
        assert film["id"] == begun["id"]
        (pause,) = film["paused"]
        assert pause["start_at"] < pause["end_at"]
        pictures = shown_in(second.clips.path(film["id"]))
        cards = [n for n, pixels in enumerate(pictures) if pixels[60:180].std() < 2.0]
        assert len(cards) == 10, "two seconds of a card at five a second"
        assert len(pictures) - len(cards) >= 9
        assert film["start_at"] < pause["start_at"] < pause["end_at"] < film["end_at"]


def test_a_job_that_is_over_at_once_has_none(service: Service) -> None:
    job = begin_job(service)
    lapse_of(service, job, "making")
    service.chambers()[0].supervisor.submit(
        FinishJob(t_s=now_s(service), by="a test", job=job)
    ).result(ENOUGH_S)
    wait_until(lambda: not service.history.clips().of_job(job), within_s=ENOUGH_S)
    wait_until(lambda: files_of(service) == [], within_s=ENOUGH_S)


# --- through kill -9, and as other programs see them ----------------------------------------


def web_films(web: RunningService) -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = web.get("/api/clips", chamber=KEY)["items"]
    return items


def test_a_kill_in_the_middle_of_an_event_leaves_the_film_of_what_had_come(tmp_path: Path) -> None:
    path = tmp_path / "north.toml"
    path.write_text(CHAMBER.replace("speed = 12.0", "speed = 1.0"))
    with running_with_smoke(tmp_path / "data", "--chamber", str(path)) as web:
        folder = tmp_path / "data" / "clips"
        (film,) = wait_until(lambda: web_films(web), within_s=ENOUGH_S)
        assert film["state"] == "making"
        frames = folder / f"{film['id']}.frames"
        wait_until(lambda: frames.exists() and frames.stat().st_size > 200_000, within_s=ENOUGH_S)
        web.kill()
        with frames.open("ab") as file:
            file.write(b"half a record")
        (folder / f"{film['id']}.99.part").write_bytes(b"half a film")
        web.start()

        def kept() -> list[dict[str, Any]]:
            return [f for f in web_films(web) if f["id"] == film["id"] and f["state"] == "kept"]

        (again,) = wait_until(kept, within_s=ENOUGH_S)
        assert again["why"] == clips.RESTARTED
        assert 1.0 < again["length_s"] < 90.0
        assert not (folder / f"{film['id']}.99.part").exists()
        wait_until(lambda: not frames.exists(), within_s=ENOUGH_S)

        # As a browser asks for it.
        address = f"/api/clips/{film['id']}"
        whole = web.web.get(address)
        assert (whole.status_code, whole.headers["content-type"]) == (200, "video/webm")
        assert whole.headers["accept-ranges"] == "bytes"
        assert whole.headers["cache-control"] == "private, no-cache"
        assert len(whole.content) == again["size_bytes"]
        assert whole.content.startswith(b"\x1aE\xdf\xa3")
        part = web.web.get(address, headers={"Range": "bytes=100-199"})
        assert (part.status_code, part.content) == (206, whole.content[100:200])
        assert part.headers["content-range"] == f"bytes 100-199/{again['size_bytes']}"
        beyond = web.web.get(address, headers={"Range": f"bytes={again['size_bytes']}-"})
        assert beyond.status_code == 416
        same = web.web.get(
            address, headers={"Range": "bytes=0-3", "If-Range": whole.headers["etag"]}
        )
        assert same.status_code == 206
        for unknown in ("0" * 32, "..%2Fjournal.db", "x"):
            assert web.web.get(f"/api/clips/{unknown}").status_code == 404
        assert "media-src 'self'" in web.web.get("/").headers["content-security-policy"]
        assert web.web.delete(address).status_code == 200
        assert web.web.get(address).status_code == 404
        assert web.web.delete(address).status_code == 404
