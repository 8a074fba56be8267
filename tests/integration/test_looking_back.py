"""Jobs that are over, looked back on by the running service: diagnosis, outcome, comparison."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from running import RunningService, stillair, wait_until
from warm_starts import warm_run

SPEED = 400
CYCLE_S = 12_000

CHAMBER = f"""
[chamber]
name = "North bench"
enclosure = ["plywood", "foam"]
target_c = 45

[[sensor]]
name = "top"
driver = "simulated"

[[sensor]]
name = "low"
driver = "simulated"

[[sensor]]
name = "room"
place = "room"
driver = "simulated"

[simulation]
scenario = "days.toml"
speed = {SPEED}
"""

SCENARIO = f"""
summary = "One small job after the other"
repeat_s = {CYCLE_S}

[enclosure]
walls = ["plywood"]
width_m = 0.5
depth_m = 0.5
height_m = 0.5
leak_per_h = 4
machine_kg = 4
machine_area_m2 = 0.4

[room]
mean_c = 18.0
swing_k = 0.0

[bed]
power_w = 200
mass_kg = 0.4

[heater]
power_w = 220
capacity_j_per_k = 80
conductance_w_per_k = 4
hysteresis_k = 0.3
thermostat_tau_s = 8

[[sensor]]
name = "top"
height = 0.9

[[sensor]]
name = "low"
height = 0.2

[[sensor]]
name = "room"
place = "room"

[[step]]
at_s = 60
do = "heater_to"
target_c = 46

[[step]]
at_s = 60
do = "job_start"
name = "Six rigger spacers"
material = "PA"
machine = "the right bench"
height_mm = 20
build_s = 3600
pieces = 6

[[step]]
at_s = 3700
do = "heater_to"
target_c = 0
"""


def jobs(service: RunningService) -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = service.get("/api/jobs")["items"]
    return items


def first_with(service: RunningService, key: str) -> dict[str, Any] | None:
    return next((job for job in jobs(service) if job[key]), None)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("looking-back")
    (made / "days.toml").write_text(SCENARIO)
    (made / "chamber.toml").write_text(CHAMBER)
    return made


@pytest.fixture(scope="module")
def service(folder: Path) -> Iterator[RunningService]:
    with RunningService(folder / "data", "--chamber", str(folder / "chamber.toml")) as running:
        yield running


def test_a_job_is_diagnosed_judged_and_held_against(service: RunningService, folder: Path) -> None:
    job = wait_until(lambda: service.now()["job"], within_s=60)
    refused = service.web.post(f"/api/jobs/{job['id']}/outcome", json={"outcome": "sound"})
    assert refused.status_code == 409
    assert "finish it first" in refused.json()["detail"]

    # A stop between a job's end and its diagnosis loses nothing.
    wait_until(lambda: service.get(f"/api/jobs/{job['id']}")["finished_at"], within_s=60)
    assert service.get(f"/api/jobs/{job['id']}")["diagnosis"] is None
    service.stop()
    service.start()
    first = wait_until(lambda: first_with(service, "diagnosis"), within_s=90)
    assert first["id"] == job["id"]
    diagnosis = first["diagnosis"]
    assert (diagnosis["text"], diagnosis["compared"]) == ("", 0)
    assert diagnosis["figures"]
    assert diagnosis["excess_k"] > 20.0
    assert set(diagnosis["offsets"]) == {"top", "low"}
    assert first["origin"] == "simulated"

    for body in ({"outcome": "perfect"}, {}, {"outcome": "sound", "by": "me"}):
        assert service.web.post(f"/api/jobs/{job['id']}/outcome", json=body).status_code == 422
    unknown = service.web.post("/api/jobs/north-bench-99/outcome", json={"outcome": "sound"})
    assert unknown.status_code == 404
    assert service.now()["last_sound"] is None
    for outcome in ("failed", None, "sound", "sound"):
        service.post(f"/api/jobs/{job['id']}/outcome", {"outcome": outcome})
        assert service.get(f"/api/jobs/{job['id']}")["outcome"] == outcome
    kept = service.get(f"/api/jobs/{job['id']}")
    assert kept["outcome_by"] == "this computer"

    told = wait_until(lambda: service.now()["last_sound"], within_s=90)
    assert told["job"] == job["id"]
    assert abs(told["difference_k"]) < 6.0
    assert "the last sound job of this part at the same point" in told["text"]
    assert f"{told['here_c']:.1f} °C here, {told['then_c']:.1f} °C then" in told["text"]

    columns = service.get("/api/last-sound", chamber="north-bench")
    assert set(columns["sensors"]) == {"top", "low"}
    assert any(value is not None for value in columns["sensors"]["top"])
    assert all(len(c) == len(columns["time_s"]) for c in columns["sensors"].values())
    assert service.web.get("/api/last-sound?chamber=moon").status_code == 404

    # What is no longer said to be sound is no longer held against.
    service.post(f"/api/jobs/{job['id']}/outcome", {"outcome": "flawed"})
    wait_until(lambda: service.now()["last_sound"] is None, within_s=60)

    words = stillair("jobs", "--data-dir", str(folder / "data"))
    listed = warm_run(words).stdout
    assert "Six rigger spacers, PA, the right bench" in listed
    assert "Flawed, said this computer." in listed
    assert "Simulated: nothing of it is real." in listed
    assert diagnosis["figures"] in listed
    as_json = warm_run([*words, "--json", "--last", "1"])
    assert json.loads(as_json.stdout)["id"] == jobs(service)[-1]["id"]
    assert "Traceback" not in service.log.read_text()


def test_how_far_other_settings_are_is_told(service: RunningService) -> None:
    # Only of a job that is over is it known how far its end is.
    job = wait_until(lambda: first_with(service, "finished_at"), within_s=120)["id"]
    path = f"/api/jobs/{job}/what-if"
    assert service.get(path) == {"share": None}
    shares: list[float] = []
    answers: list[httpx.Response] = []

    def ask() -> None:
        with httpx.Client(base_url=str(service.web.base_url), timeout=90) as other:
            answers.append(other.post(path, json={"limit_c": 48, "material": "PC"}))

    asking = threading.Thread(target=ask)
    asking.start()
    while asking.is_alive():
        if (share := service.get(path)["share"]) is not None:
            shares.append(share)
        asking.join(0.02)
    assert answers[0].status_code == 200, answers[0].text
    assert shares == sorted(shares)
    assert shares[0] < 0.5 < shares[-1] <= 1.0
    assert service.get(path) == {"share": None}
    told = {item["after"]["kind"] for item in answers[0].json()["items"] if item["after"]}
    assert "over_temperature" in told


def test_a_chamber_that_cools_after_its_job_has_not_lost_its_heat(
    service: RunningService,
) -> None:
    done = wait_until(
        lambda: next((j for j in jobs(service)[1:] if j["finished_at"]), None), within_s=60
    )
    wait_until(lambda: service.now()["phase"] in ("cold", "warming"), within_s=60)
    assert done["id"] in {event["job"] for event in service.events(kind="cool_enough")}
    for kind in ("heat_lost", "below_target"):
        assert service.events(kind=kind) == [], kind


def test_no_history_is_told(tmp_path: Path) -> None:
    done = warm_run(stillair("jobs", "--data-dir", str(tmp_path)))
    assert done.returncode == 1
    assert "there is no history" in done.stderr
