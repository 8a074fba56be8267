"""Layers of kept jobs: what each met in the chamber, and a look at a toolpath before it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from running import RunningService, wait_until
from stillair.errors import InputError
from stillair.jobs.before import ChamberFacts
from stillair.jobs.rules import Thresholds
from stillair.runtime import worker
from stillair.runtime.foreseeing import LookedAt
from stillair.runtime.weathering import Weathered, weather_of
from stillair.storage.records import to_record
from weathered_jobs import ASKED, Shed, bushings, whole_file


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Shed]:
    made = Shed(tmp_path)
    yield made
    made.archive.close()
    made.journal.close()


def test_a_quiet_job_has_columns_and_no_stretches(shed: Shed) -> None:
    shed.build()
    shed.follow()
    found = weather_of(shed.folder, ASKED)
    count = shed.path.whole.layers
    columns = {key: value for key, value in found.items() if isinstance(value, list)}
    assert {len(column) for key, column in columns.items() if key != "stretches"} == {count}
    assert found["stretches"] == []
    assert found["air_c"][count // 2] == pytest.approx(55.0)
    assert found["below_low_c"][50] < found["below_c"][50] < found["below_high_c"][50]
    assert found["start_s"] == sorted(found["start_s"])


def test_an_open_door_is_found_at_its_layers(shed: Shed) -> None:
    opened_s = shed.path.whole.duration_s / 2.0
    shed.build(opened_s=opened_s)
    shed.follow()
    found = weather_of(shed.folder, ASKED)
    (stretch,) = found["stretches"]
    assert stretch["side"] == "cold"
    assert stretch["from_mm"] == pytest.approx(15.0, abs=1.5)
    assert any("the chamber's air made" in reason for reason in stretch["because"])
    cold = [n for n, mark in enumerate(found["mark"]) if mark == "cold"]
    assert min(found["lowest_c"][n] for n in cold) == pytest.approx(30.0)
    assert not any(found["is_undisturbed"][n] for n in cold)


@pytest.mark.parametrize(
    ("asked", "follows", "material", "told"),
    [
        pytest.param(ASKED, False, "ASA", "follows no toolpath", id="no toolpath"),
        pytest.param(ASKED, True, "", "names no material", id="no material"),
        pytest.param(ASKED, True, "Unobtainium", "not in the table", id="unknown material"),
        pytest.param(
            replace(ASKED, job="x-1"), True, "ASA", "there is no job", id="a job that never was"
        ),
        pytest.param(replace(ASKED, air=()), True, "ASA", "nobody measured", id="no sensor"),
    ],
)
def test_what_cannot_be_said_is_refused_with_the_reason(
    shed: Shed, asked: Weathered, follows: bool, material: str, told: str
) -> None:
    shed.build(material=material)
    if follows:
        shed.follow()
    with pytest.raises(InputError, match=told):
        weather_of(shed.folder, asked)


def test_both_are_answered_by_the_program_beside_the_watch(shed: Shed) -> None:
    shed.build()
    shed.follow()
    question = {"folder": str(shed.folder), "what": "weather", "asked": to_record(ASKED)}
    assert len(worker.answer(question)["weather"]["below_c"]) == shed.path.whole.layers
    looked = LookedAt(
        "bushings",
        "PETG",
        ChamberFacts(expected_c=75.0, nights=((1320, 420),)),
        "2026-05-04T19:00:00+02:00",
        Thresholds(night_min=0.0),
    )
    question = {"folder": str(shed.folder), "what": "before", "asked": to_record(looked)}
    rules = {item["rule"] for item in worker.answer(question)["before"]["items"]}
    assert {"chamber_unusual", "bed_unusual", "not_firm"} <= rules
    refused = worker.answer({**question, "asked": to_record(replace(looked, toolpath="none"))})
    assert "no toolpath" in refused["refused"]


def test_over_http(tmp_path: Path) -> None:
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(
        '[chamber]\nname = "North bench"\nenclosure = ["plywood"]\ntarget_c = 45\n'
        '[[sensor]]\nname = "top"\ndriver = "simulated"\n'
        '[simulation]\nscenario = "boat_shed_day"\nspeed = 60\n'
        '[before]\noff = ["nobody_awake"]\nbed_k = 40\n'
    )
    with RunningService(tmp_path / "data", "--chamber", str(chamber)) as service:
        web = service.web
        sent = web.post(
            "/api/toolpaths",
            params={"name": "bushings"},
            content=whole_file(),
            headers={"Content-Type": "application/octet-stream"},
        )
        assert sent.status_code == 201, sent.text
        path = f"/api/toolpaths/{sent.json()['id']}"
        wait_until(lambda: service.get(path)["state"] == "ready", within_s=60)
        looked = web.get(f"{path}/before", params={"material": "PC"}, timeout=60)
        assert looked.status_code == 200, looked.text
        found: dict[str, Any] = looked.json()
        assert found["expected_c"] == 45.0
        rules = {item["rule"] for item in found["items"]}
        # The bed of 100 degrees is within 40 of what PC wants; nobody is asked to be awake.
        assert {"chamber_unusual", "nozzle_unusual"} <= rules
        assert not {"bed_unusual", "nobody_awake"} & rules
        assert all(item["text"] and item["helps"] for item in found["items"])
        unnamed = web.get(f"{path}/before", timeout=60).json()
        assert {item["rule"] for item in unnamed["items"]} >= {"material_unknown"}
        for wrong, status in (
            ("/api/toolpaths/none/before", 404),
            (f"{path}/before?chamber=nowhere", 404),
            ("/api/jobs/none-1/weather", 404),
        ):
            assert web.get(wrong).status_code == status, wrong
        job_id = wait_until(lambda: service.now()["job"], within_s=60)["id"]
        refused = web.get(f"/api/jobs/{job_id}/weather", timeout=60)
        assert refused.status_code == 409
        assert "toolpath" in refused.json()["detail"]
        followed = {"toolpath": sent.json()["id"]}
        assert web.post(f"/api/jobs/{job_id}/toolpath", json=followed).status_code == 200
        answered = wait_until(
            lambda: (
                (got := web.get(f"/api/jobs/{job_id}/weather", timeout=60)).status_code == 200
                and got.json()
            ),
            within_s=90,
        )
        assert len(answered["below_c"]) == len(answered["height_mm"]) == bushings().whole.layers
        assert any(value is not None for value in answered["air_c"])
