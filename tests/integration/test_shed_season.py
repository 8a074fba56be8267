"""The simulated season in a real service: made, brought in, compared, left alone, removed."""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from running import RunningService, stillair, wait_until
from stillair.config import default_chamber
from stillair.model import JobDiagnosis, JobOutcome
from stillair.runtime import season_file
from stillair.runtime.backup import JOURNAL
from stillair.runtime.made_season import made_jobs
from stillair.simulation.season import shed_jobs
from stillair.storage.journal import Journal
from stillair.storage.packing import UNITS_PER_K, unpack
from stillair.storage.records import Parcel
from warm_starts import warm_run

JOBS = len(shed_jobs())
CHAMBER = """
[chamber]
name = "Boat shed"

[[sensor]]
name = "top"
driver = "simulated"
"""


AGAIN = 4  # the first job in which much happens: a pause, the door, damp filament, flaws


def test_a_job_comes_out_the_same_when_it_is_made_anew(tmp_path: Path) -> None:
    """After those before it, as the season tells of them: what they left standing counts."""
    season = season_file.shipped()
    by_job = {
        number: [p for p in season.parcels if p.timeline.boot_id == f"season {number}"]
        for number in range(1, AGAIN + 1)
    }
    with closing(Journal.open(tmp_path / JOURNAL)) as journal:
        journal.commit_all([p for number in range(1, AGAIN) for p in by_job[number]])

    jobs = list(made_jobs(tmp_path, only=lambda job: job.number == AGAIN))

    assert [made.job.outcome for made in jobs] == [JobOutcome.FLAWED]
    for made in jobs:
        there = by_job[made.job.number]
        assert list(map(_told, made.parcels)) == list(map(_told, there))
        first_ms, last_ms = made.readings[0]["start_ms"], made.readings[-1]["end_ms"]
        rows = [r for r in season.readings if first_ms <= r["start_ms"] <= last_ms]
        found, kept = _units(made.readings), _units(rows)
        assert found.keys() == kept.keys()
        for sensor, units in found.items():
            # Another computer's sines differ in the last bit, and that by a sensor's step.
            assert units == pytest.approx(kept[sensor], abs=0.13 * UNITS_PER_K)


def _told(parcel: Parcel) -> list[object]:
    outcome = parcel.outcome
    return [
        [(job.id, job.state, job.height_mm) for job in outcome.jobs],
        [(event.event, event.kind, event.change, round(event.onset_s)) for event in outcome.events],
        [(word.log, word.piece) for word in outcome.logs],
        [word.outcome for word in outcome.outcomes],
        [note.text for note in outcome.notes],
        [(found.rule, found.over, _figures(found)) for found in outcome.diagnoses],
    ]


def _figures(found: JobDiagnosis) -> dict[str, object]:
    """By a tenth of a degree, and to the half minute that a row of readings is long."""
    return {
        name: pytest.approx(value, abs=30.0 if name.endswith("_s") else 0.1)
        for name, value in found.measured.items()
    }


def _units(rows: Iterable[Mapping[str, Any]]) -> dict[str, np.ndarray[Any, Any]]:
    """All readings of each sensor, into however many rows they were cut."""
    pieces: dict[str, list[np.ndarray[Any, Any]]] = {}
    for row in rows:
        payload = row["payload"]
        data = payload if isinstance(payload, bytes) else season_file.data_of(payload)
        units = unpack(data, row["start_ms"], row["count"])[1]
        pieces.setdefault(row["sensor"], []).append(units)
    return {sensor: np.concatenate(each) for sensor, each in pieces.items()}


def test_a_service_begins_with_the_season_and_removes_it_again(tmp_path: Path) -> None:
    began_s = time.monotonic()
    with RunningService(tmp_path, "--season") as service:
        jobs = service.get("/api/jobs", limit=1000)["items"]
        over = [job for job in jobs if job["state"] == "finished"]

        assert time.monotonic() - began_s < 60.0
        assert "simulated jobs has been brought in" in service.log.read_text()
        assert len(over) == JOBS
        assert {job["origin"] for job in jobs} == {"simulated"}
        _ended_yesterday(over)
        _names_the_causes(service, over)
        _is_calm(service)
        _knows_each_job(service, over[-1])
        assert service.get("/api/season") == {"jobs": JOBS, "offered": False}
        assert service.web.post("/api/season").status_code == 409

        service.stop()
        service.start()

        assert service.log.read_text().count("there is a history already") == 1
        again = service.get("/api/jobs", limit=1000)["items"]
        assert len([job for job in again if job["state"] == "finished"]) == JOBS
        (under,) = service.get(f"/api/jobs/{over[-1]['id']}/settings")["items"]
        assert under["settings"]["target_c"] == default_chamber().chamber.target_c
        service.post(f"/api/jobs/{over[3]['id']}/note", {"text": "mine"})  # goes with it
        wait_until(lambda: _with_the_days_own(service), within_s=60.0)

        assert service.web.delete("/api/season", timeout=60.0).status_code == 200

        assert service.get("/api/season") == {"jobs": 0, "offered": True}
        left = service.get("/api/jobs", limit=1000)["items"]
        assert [job["state"] for job in left] == ["running"]
        assert service.get("/api/toolpaths")["items"] == []
        begun = datetime.fromisoformat(over[0]["started_at"]) - timedelta(hours=1)
        readings = service.get(
            "/api/readings", **{"from": begun.isoformat(), "to": over[-1]["finished_at"]}
        )
        assert readings["time_s"] == []
        since = begun + timedelta(days=1)
        assert [e for e in service.events() if e["at"] < _label(since)] == []


def _ended_yesterday(over: list[dict[str, Any]]) -> None:
    ended = datetime.fromisoformat(over[-1]["finished_at"]).astimezone()
    assert ended.date() == datetime.now().astimezone().date() - timedelta(days=1)
    assert 16 <= ended.hour <= 22
    starts = [job["started_at"] for job in over]
    assert starts == sorted(starts)


def _names_the_causes(service: RunningService, over: list[dict[str, Any]]) -> None:
    """A door that stood open, of ASA; filament that was damp, of PA."""
    for material, causes in (
        ("ASA", {"deepest_drop_k", "longest_drop_s", "below_target_share"}),
        ("PA", {"drying_h"}),
    ):
        last = next(job for job in reversed(over) if job["material"] == material)
        found = service.get(f"/api/jobs/{last['id']}/unlike")
        told = [each["figure"] for each in found["differences"] if each["told"]]

        assert found["many"]
        assert told, material
        assert told[0] in causes


def _is_calm(service: RunningService) -> None:
    """Nothing of the season stands on the first page, and nobody is told of a gap."""
    before = _label(datetime.now(UTC) - timedelta(hours=1))
    old = [a for a in service.get("/api/alarms", limit=1000)["items"] if a["raised_at"] < before]
    assert old
    assert {alarm["annunciation"] for alarm in old} == {"normal"}
    assert [e for e in service.events() if e["kind"] == "watch_gap"] == []


def _knows_each_job(service: RunningService, job: dict[str, Any]) -> None:
    """Its readings, log, heights and layers are there, and it is held against others."""
    path = f"/api/jobs/{job['id']}"
    assert len(service.get(f"{path}/readings", points=500)["time_s"]) > 100
    assert service.get(f"{path}/log")["log"]["dried_h"] is not None
    assert service.get(path)["toolpath"].startswith("season-")
    assert service.get(f"{path}/heights")


def _label(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S")


def test_without_the_option_the_history_stays_empty_until_somebody_fills_it(tmp_path: Path) -> None:
    with RunningService(tmp_path) as service:
        assert service.get("/api/season") == {"jobs": 0, "offered": True}
        assert all(j["state"] != "finished" for j in service.get("/api/jobs")["items"])
        pid = service.pid

        assert service.web.post("/api/season").status_code == 202

        wait_until(lambda: _is_filled(service), within_s=60.0)
        assert service.pid == pid
        assert service.is_alive()
        jobs = wait_until(lambda: _with_the_days_own(service), within_s=60.0)
        assert [job["state"] for job in jobs].count("finished") == JOBS
        assert "simulated" in jobs[-1]["origin"]


def _with_the_days_own(service: RunningService) -> list[dict[str, Any]]:
    """All jobs, once the last of them is one that the day itself has begun."""
    jobs: list[dict[str, Any]] = service.get("/api/jobs", limit=1000)["items"]
    return jobs if jobs[-1]["state"] == "running" else []


def _is_filled(service: RunningService) -> bool:
    """Whether the season is there; no answer while the process begins anew."""
    try:
        return bool(service.web.get("/api/season").json()["jobs"] == JOBS)
    except httpx.TransportError:
        return False


def test_the_season_is_never_mixed_with_a_chamber_of_ones_own(tmp_path: Path) -> None:
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(CHAMBER)
    folder = tmp_path / "data"

    done = warm_run(
        stillair("run", "--data-dir", str(folder), "--chamber", str(chamber), "--season"),
    )

    assert done.returncode == 1
    assert "--season is for the built-in simulated chamber" in done.stderr
    with RunningService(folder, "--chamber", str(chamber)) as service:
        assert service.get("/api/season") == {"jobs": 0, "offered": False}
        assert service.web.post("/api/season").status_code == 409
        wait_until(lambda: service.get("/api/jobs") and service.now()["air_c"], within_s=60)
    with RunningService(folder) as service:  # what was measured there doesn't make room
        assert service.get("/api/season") == {"jobs": 0, "offered": False}
        assert service.web.post("/api/season").status_code == 409
