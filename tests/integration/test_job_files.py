"""A job to take along: the zip of a real service, read back and watched again."""

from __future__ import annotations

import csv
import io
import json
import shutil
import subprocess
import tomllib
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import httpx
import numpy as np
import pytest

from running import RunningService, stillair, wait_until
from stillair.thermal.table import open_table
from warm_starts import warm_run

SECRET, PERSON, HOST = "not-for-anybody-1827", "Bench Captain Imaginary", "mail.boathouse.example"
NAME = "=cmd|'/c calc'!A1 ../../etc/passwd \"Zäher\" gpj.exe Set-Cookie: x=1"
CHAMBER = """
[chamber]
name = "Boat shed"
enclosure = ["metal"]
limit_c = 50
target_c = 44

[[sensor]]
name = "=top"
driver = "recording"
file = "{folder}/warm.csv"
column = "top"
correction_k = 0.5

[[sensor]]
name = "room"
place = "room"
driver = "recording"
file = "{folder}/warm.csv"
column = "room"

[[person]]
name = "{person}"
routes = ["{host_route}"]

[recording]
speed = 60
at_end = "repeat"
"""
ROUTE = f"ntfy://{SECRET}@{HOST}/boats"
SAME_S = 3.0  # as README.txt in the file says
OVER_FROM_S, OVER_TO_S, LAST_S = 120, 240, 560


@dataclass(frozen=True)
class Built:
    """A service whose job is over, and what is in the job's file."""

    service: RunningService
    job: str
    answer: httpx.Response
    packed: zipfile.ZipFile

    def text(self, name: str) -> str:
        return self.packed.read(name).decode()

    def told(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.text("job.json"))
        return found


def recording(folder: Path) -> None:
    """Warm air that is far too hot for two minutes, again and again."""
    with (folder / "warm.csv").open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["time_s", "top", "room"])
        top_c = 46.0
        for t_s in range(LAST_S):
            goal_c = 57.0 if OVER_FROM_S <= t_s < OVER_TO_S else 46.0
            top_c += (goal_c - top_c) / 60.0
            writer.writerow([t_s, f"{top_c:.3f}", "18.0"])


def photograph() -> bytes:
    done, data = cv2.imencode(".jpg", np.full((60, 80, 3), 90, np.uint8))
    assert done
    return bytes(data)


def events_of(service: RunningService, job: str) -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = service.get("/api/events", job=job, limit=1000)["items"]
    return items


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Built]:
    folder = tmp_path_factory.mktemp("job_files")
    recording(folder)
    chamber = folder / "chamber.toml"
    chamber.write_text(CHAMBER.format(folder=folder, person=PERSON, host_route=ROUTE))
    with RunningService(folder / "data", "--chamber", str(chamber)) as service:
        job = service.post("/api/jobs", {"name": NAME, "material": "ASA", "machine": "left"})["id"]
        wait_until(
            lambda: any(
                item["kind"] == "over_temperature" and item["change"] == "cleared"
                for item in events_of(service, job)
            ),
            within_s=60,
        )
        service.post(f"/api/jobs/{job}/note", {"text": "=1+1 compressor on"})
        sent = service.web.post(
            f"/api/jobs/{job}/photographs",
            content=photograph(),
            headers={"content-type": "image/jpeg"},
        )
        assert sent.status_code == 201, sent.text
        service.web.put(
            f"/api/jobs/{job}/pieces/1",
            json={"outcome": "flawed", "flaws": [{"kind": "crack between layers", "height_mm": 3}]},
        )
        answer = service.web.get(f"/api/jobs/{job}/file")
        assert answer.status_code == 200, answer.text
        yield Built(service, job, answer, zipfile.ZipFile(io.BytesIO(answer.content)))


def test_the_file_is_whole_and_names_each_of_its_parts(built: Built) -> None:
    assert built.answer.headers["content-type"] == "application/zip"
    assert built.packed.testzip() is None
    names = built.packed.namelist()
    assert {"readings.csv", "events.jsonl", "settings.toml", "job.json", "README.txt"} <= set(names)
    pictures = [name for name in names if name.startswith("pictures/")]
    assert pictures == ["pictures/0001-photograph.jpg"]
    assert built.packed.read(pictures[0])[:2] == b"\xff\xd8"
    readme = built.text("README.txt")
    for name in {*names, "layers.csv"} - {"README.txt"}:
        assert name.partition("/")[0] in readme, name
    assert "played from a recording" in readme
    assert "The job still ran then" in readme


def test_readings_are_in_the_form_that_replay_takes(built: Built, tmp_path: Path) -> None:
    built.packed.extract("readings.csv", tmp_path)
    with open_table(tmp_path / "readings.csv") as table:
        rows = list(table.rows())
        assert table.sensors == ("'=top", "room"), "no header is a formula"
    assert 0 <= rows[0][0] < 60
    assert max(c for _, (c, _) in rows if c is not None) > 50


def test_watching_it_again_finds_the_same_events(built: Built, tmp_path: Path) -> None:
    built.packed.extractall(tmp_path)
    table, settings = tmp_path / "readings.csv", tmp_path / "settings.toml"
    done = warm_run(stillair("replay", str(table), "--chamber", str(settings)), timeout_s=110)
    assert done.returncode == 0, done.stderr

    def raised(lines: str) -> dict[str, dict[str, Any]]:
        found = [json.loads(line) for line in lines.splitlines()]
        return {e["kind"]: e for e in reversed(found) if e["change"] == "raised"}  # the first

    then, again = raised(built.text("events.jsonl")), raised(done.stdout)
    assert "over_temperature" in then
    assert set(then["over_temperature"]) == set(again["over_temperature"])
    for key in ("at_s", "onset_s"):
        assert abs(then["over_temperature"][key] - again["over_temperature"][key]) <= SAME_S, key
    assert then["over_temperature"]["priority"] == again["over_temperature"]["priority"]


def test_settings_are_as_they_were_and_nothing_in_the_file_is_private(built: Built) -> None:
    settings = tomllib.loads(built.text("settings.toml"))
    assert settings["chamber"]["limit_c"] == 50
    assert settings["chamber"]["target_c"] == 44
    (under,) = built.told()["settings"]
    assert under["kept"]
    assert under["settings"]["sensors"][0]["correction_k"] == 0.5
    (asked,) = built.service.get(f"/api/jobs/{built.job}/settings")["items"]
    assert asked == under | {"settings": asked["settings"]}
    for name in built.packed.namelist():
        data = built.packed.read(name)
        for private in (SECRET, PERSON, HOST, "boats", str(built.service.folder)):
            assert private.encode() not in data, (name, private)
    assert '"by"' not in built.text("job.json"), "nor who said it"


def test_what_people_wrote_goes_as_they_wrote_it(built: Built) -> None:
    told = built.told()
    assert told["notes"][0]["text"] == "=1+1 compressor on"
    assert told["pieces"][0]["flaws"][0]["height_mm"] == 3
    assert told["job"]["outcome"] is None, "it still runs"
    assert told["pictures"][0]["file"] in built.packed.namelist()


def test_a_hostile_name_makes_a_harmless_file_name(built: Built) -> None:
    header = built.answer.headers["content-disposition"]
    plain = header.split('filename="')[1].split('"')[0]
    assert plain.isascii()
    assert not set(plain) & set('/\\:*?"<>|=\r\n '), plain
    assert ".." not in plain
    assert "set-cookie" not in built.answer.headers
    assert "filename*=UTF-8''" in header
    assert "Z%C3%A4her" in header
    assert "%2F" not in header


def test_the_command_line_writes_the_same_file(built: Built, tmp_path: Path) -> None:
    def export(*words: str) -> subprocess.CompletedProcess[str]:
        folder = str(built.service.folder)
        return warm_run(stillair("export", *words, "--data-dir", folder), timeout_s=90)

    to = tmp_path / "job.ZIP"
    done = export(built.job, "--to", str(to))
    assert done.returncode == 0, done.stderr
    with zipfile.ZipFile(to) as packed:
        assert set(packed.namelist()) == set(built.packed.namelist())
    assert export(built.job, "--to", str(to)).returncode == 1, "one that is there is kept"
    unknown = export("boat-shed-99", "--to", str(tmp_path / "other.zip"))
    assert unknown.returncode == 1
    assert "there is no job" in unknown.stderr
    assert {path.name for path in tmp_path.iterdir()} == {"job.ZIP"}


def test_of_an_unknown_job_there_is_no_file(built: Built) -> None:
    assert built.service.web.get("/api/jobs/boat-shed-99/file").status_code == 404
    assert built.service.web.get("/api/jobs/boat-shed-99/settings").status_code == 404


def test_a_job_of_a_chamber_that_is_watched_no_more_can_be_taken_along(
    built: Built, tmp_path: Path
) -> None:
    """With all that was kept, and still without the names of who was told."""
    built.service.stop()
    data = shutil.copytree(built.service.folder, tmp_path / "data")
    built.service.start()
    other = tmp_path / "other.toml"
    other.write_text(
        '[chamber]\nname = "South bench"\nenclosure = ["metal"]\n'
        '[[sensor]]\nname = "top"\ndriver = "simulated"\n'
    )
    with RunningService(data, "--chamber", str(other)) as service:
        wait_until(lambda: "boat-shed" in service.get("/api/now")["elsewhere"], within_s=60.0)
        answer = service.web.get(f"/api/jobs/{built.job}/file", timeout=120.0)
        assert answer.status_code == 200, answer.text
    packed = zipfile.ZipFile(io.BytesIO(answer.content))
    assert set(packed.namelist()) == set(built.packed.namelist())
    first = built.packed.read("readings.csv").splitlines()[:100]
    assert packed.read("readings.csv").splitlines()[:100] == first
    for name in packed.namelist():
        assert PERSON.encode() not in packed.read(name), name
