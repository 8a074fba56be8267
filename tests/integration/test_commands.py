"""`inspect` and `export` as a person calls them."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from running import RunningService, stillair, wait_until
from servers import MailServer, free_loopback_port
from warm_starts import warm_run


def command(*words: str) -> subprocess.CompletedProcess[str]:
    return warm_run(stillair(*words), timeout_s=90)


def test_everything_of_the_built_in_chamber_is_fit(tmp_path: Path) -> None:
    done = command("inspect", "--data-dir", str(tmp_path))
    assert done.returncode == 0, done.stdout
    assert all(line.startswith(("fit ", "none ")) for line in done.stdout.splitlines())
    things = done.stdout
    assert all(word in things for word in ("sensor top", "switch door", "camera", "clock", "disk"))


def test_a_paused_camera_is_not_opened(tmp_path: Path) -> None:
    used = tmp_path / "opened"
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(
        '[chamber]\nname = "North bench"\n'
        '[[sensor]]\nname = "top"\ndriver = "onewire"\naddress = "28-0000075c2f11"\n'
        f'[camera]\nsource = "command:touch {used}"\n'
    )
    inspect = ("inspect", "--chamber", str(chamber), "--data-dir", str(tmp_path), "--json")
    paused = tmp_path / "camera-paused.json"
    for until_s in (4e9, 1e9):
        paused.write_text(json.dumps({"north-bench": [until_s, "the cox"]}))
        lines = [json.loads(line) for line in command(*inspect).stdout.splitlines()]
        [camera] = [line for line in lines if line["thing"] == "camera"]
        assert (camera["state"] == "not tried") is (until_s == 4e9), camera
        assert ("paused by the cox" in str(camera)) is (until_s == 4e9)
        assert used.exists() is (until_s != 4e9)


def test_what_is_unfit_is_told_with_one_remedy_each(
    tmp_path: Path, mail_server: MailServer
) -> None:
    bus = tmp_path / "w1"
    bus.mkdir()
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(
        f"""
[chamber]
name = "North bench"
enclosure = ["metal"]

[[sensor]]
name = "top"
driver = "onewire"
address = "28-0000075c2f11"
bus_dir = "{bus}"

[[sensor]]
name = "low"
driver = "max31855"
device = "/dev/spidev9.9"

[[sensor]]
name = "far"
driver = "mqtt"
topic = "shed/far"

[[contact]]
name = "door"
kind = "door"
driver = "gpio"
pin = 17

[[particles]]
name = "exhaust"
driver = "serial"
port = "/dev/ttyUSB99"

[camera]
source = "/dev/video99"

[sounder]
driver = "command"
command = "no-such-program"

[[person]]
name = "bench captain"
routes = ["mailto:captain@example.org"]

[mail]
host = "{mail_server.host}"
port = {mail_server.port}
security = "none"

[mqtt]
host = "127.0.0.1"
port = {free_loopback_port()}
"""
    )
    done = command("inspect", "--chamber", str(chamber), "--data-dir", str(tmp_path), "--json")
    assert done.returncode == 1
    assert done.stderr == ""
    found = {f["thing"]: f for f in map(json.loads, done.stdout.splitlines())}
    unfit = {"sensor top", "sensor low", "sensor far", "switch door", "camera", "sounder"}
    unfit.add("particle sensor exhaust")
    assert {thing for thing, f in found.items() if f["state"] == "unfit"} == unfit
    assert all(found[thing]["remedy"] for thing in unfit)
    assert "overlay" in found["sensor top"]["remedy"]
    assert found["particle sensor exhaust"]["told"] == "/dev/ttyUSB99 is gone"
    assert found["particle sensor exhaust"]["remedy"] == "see that it is plugged in"
    assert found["mail to bench captain"]["state"] == "fit"


def test_an_exported_job_can_be_replayed(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(
        '[chamber]\nname = "North bench"\n[[sensor]]\nname = "top"\ndriver = "simulated"\n'
        '[[sensor]]\nname = "low"\ndriver = "simulated"\npoint = "bed side"\n'
        '[simulation]\nscenario = "boat_shed_day"\nspeed = 30\n'
    )
    with RunningService(folder, "--chamber", str(chamber)) as service:
        job = wait_until(lambda: service.now()["job"], within_s=60)["id"]
        wait_until(
            lambda: len(service.get(f"/api/jobs/{job}/readings")["time_s"]) > 150, within_s=60
        )
        file = tmp_path / "job.csv"
        # while the service runs, and again when it doesn't
        done = command("export", job, "--to", str(file), "--data-dir", str(folder))
        assert done.returncode == 0, done.stderr
    words = ("export", job, "--to", str(file), "--data-dir", str(folder))
    kept = file.read_bytes()
    again = command(*words)
    assert (again.returncode, file.read_bytes()) == (1, kept)
    assert "--replace" in again.stderr
    assert command(*words, "--replace").returncode == 0
    rows = file.read_text().splitlines()
    assert rows[0] == "time_s,low,top"
    assert len(rows) > 150
    replayed = command("replay", str(file))
    assert replayed.returncode == 0, replayed.stderr


def test_other_settings_are_tried_on_a_job(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    text = (
        '[chamber]\nname = "North bench"\nlimit_c = 80\n'
        '[[sensor]]\nname = "top"\ndriver = "simulated"\n'
        '[simulation]\nscenario = "boat_shed_day"\nspeed = 60\n'
    )
    chamber, lower = tmp_path / "chamber.toml", tmp_path / "lower.toml"
    chamber.write_text(text)
    lower.write_text(text.replace("limit_c = 80", "limit_c = 30"))
    with RunningService(folder, "--chamber", str(chamber)) as service:
        job = wait_until(lambda: service.now()["job"], within_s=60)["id"]

        def is_long_enough() -> bool:
            # One high reading proves nothing to the watch: it wants some minutes of them.
            columns = service.get(f"/api/jobs/{job}/readings")
            hot = [value for value in columns["sensors"].get("top", []) if value and value > 34.0]
            return len(hot) > 200

        wait_until(is_long_enough, within_s=60)
        asked = service.web.post(f"/api/jobs/{job}/what-if", json={"limit_c": 30}, timeout=60)
        assert asked.status_code == 200, asked.text
        new = [item for item in asked.json()["items"] if item["what"] == "new"]
        assert "over_temperature" in {item["after"]["kind"] for item in new}
        same = service.web.post(f"/api/jobs/{job}/what-if", json={}, timeout=60)
        assert {item["what"] for item in same.json()["items"]} <= {"same"}
        for body, status in (
            ({"limit_c": "hot"}, 422),
            ({"limit_c": 30, "target_c": 40}, 409),
            ({"sensors": {"nowhere": {}}}, 404),
            ({"colour": 1}, 422),
        ):
            refused = service.web.post(f"/api/jobs/{job}/what-if", json=body)
            assert refused.status_code == status, body
            assert refused.headers["content-type"] == "application/problem+json"
        assert service.web.post("/api/jobs/none-1/what-if", json={}).status_code == 404
    words = ("what-if", job, "--chamber", str(lower), "--data-dir", str(folder))
    done = command(*words, "--before", str(chamber), "--json")
    assert done.returncode == 0, done.stderr
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert "over_temperature" in {line["after"]["kind"] for line in lines if line["what"] == "new"}
    told = command(*words)
    assert told.returncode == 0, told.stderr
    assert "over_temperature" in told.stdout
    assert "events differ" in told.stdout
    assert "against what was told at the time" in told.stderr
    alike = command("what-if", job, "--chamber", str(chamber), "--data-dir", str(folder))
    assert (alike.returncode, "Nothing differs" in alike.stdout) == (0, True), alike.stdout
    other = tmp_path / "other.toml"
    other.write_text(text.replace("North", "South"))
    foreign = command("what-if", job, "--chamber", str(other), "--data-dir", str(folder))
    assert (foreign.returncode, foreign.stdout) == (1, "")
    assert "was built in the chamber 'north-bench'" in foreign.stderr
    unknown = command("what-if", "none-1", "--chamber", str(lower), "--data-dir", str(folder))
    assert (unknown.returncode, "Traceback" in unknown.stderr) == (1, False)
    assert "no job" in unknown.stderr


@pytest.mark.parametrize(
    ("job", "said"),
    [
        pytest.param("north-bench-1", "history", id="no history"),
        pytest.param("x", "history", id="x"),
    ],
)
def test_what_cannot_be_exported_is_told(tmp_path: Path, job: str, said: str) -> None:
    target = tmp_path / "out.csv"
    done = command("export", job, "--to", str(target), "--data-dir", str(tmp_path))
    assert done.returncode == 1
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert not target.exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        pytest.param(["run", "--port", "70000"], "a whole number from 1 to 65535", id="port"),
        pytest.param(["run", "--port", "x"], "a whole number from 1 to 65535", id="no port"),
        pytest.param(["jobs", "--last", "0"], "a whole number from 1 to 1000", id="no jobs"),
        pytest.param(["token", "add", "x", "--role", "boss"], "viewer, operator", id="role"),
        pytest.param(["replay", "-", "--video-start-s", "nan"], "number of seconds", id="start"),
    ],
)
def test_a_wrong_option_is_told_in_plain_words(words: list[str], said: str) -> None:
    done = command(*words)
    assert (done.returncode, done.stdout) == (2, "")
    (line,) = (line for line in done.stderr.splitlines() if words[-2] in line)
    assert "has to be" in line and said in line
    assert "Input should" not in done.stderr and "Value error" not in done.stderr


def test_two_services_never_share_a_history(tmp_path: Path) -> None:
    with RunningService(tmp_path / "data"):
        port = str(free_loopback_port())
        done = command("run", "--data-dir", str(tmp_path / "data"), "--port", port)
    assert done.returncode == 1
    assert "another Stillair" in done.stderr


def test_a_port_in_use_is_told(tmp_path: Path) -> None:
    with RunningService(tmp_path / "one") as service:
        done = command("run", "--data-dir", str(tmp_path / "two"), "--port", str(service.port))
    assert done.returncode == 1
    assert "--port" in done.stderr
    assert "Traceback" not in done.stderr


def test_all_faults_of_a_chamber_file_stop_the_start(tmp_path: Path) -> None:
    chamber = tmp_path / "chamber.toml"
    chamber.write_text('[chamber]\nname = 3\nlimit_c = "hot"\ncolour = "red"\n')
    done = command("run", "--chamber", str(chamber), "--data-dir", str(tmp_path))
    assert done.returncode == 1
    assert all(key in done.stderr for key in ("name", "limit_c", "colour"))
    assert "Traceback" not in done.stderr
