"""The log of a job over HTTP: told, corrected, kept over a restart, refused, offered again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields
from typing import Any

import pytest

from running import RunningService, wait_until
from stillair.model import JobLog

CHAMBER = """
[chamber]
name = "North bench"
enclosure = ["metal"]
target_c = 45

[[sensor]]
name = "top"
driver = "simulated"

[[sensor]]
name = "room"
place = "room"
driver = "simulated"

[simulation]
scenario = "idle.toml"
"""
IDLE = """
summary = "A cold box in which nothing is built"

[enclosure]
walls = ["metal"]
width_m = 0.5
depth_m = 0.5
height_m = 0.5

[[sensor]]
name = "top"
height = 0.9

[[sensor]]
name = "room"
place = "room"
"""
FIN_BOX = {"name": "Fin box", "material": "ASA"}
NOTHING = dict.fromkeys(field.name for field in fields(JobLog))


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    folder = tmp_path_factory.mktemp("job-logs")
    (folder / "chamber.toml").write_text(CHAMBER)
    (folder / "idle.toml").write_text(IDLE)
    chamber = str(folder / "chamber.toml")
    with RunningService(folder / "data", "--chamber", chamber) as running:
        yield running


def begun(service: RunningService) -> str:
    """A job that has just begun; one that went on is over."""
    if (before := service.now()["job"]) is not None:
        service.post(f"/api/jobs/{before['id']}/finish")
    job: str = service.post("/api/jobs", FIN_BOX)["id"]
    return job


def tell(service: RunningService, job: str, **said: object) -> None:
    answer = service.web.patch(f"/api/jobs/{job}/log", json=said)
    assert (answer.status_code, answer.json()) == (200, {"done": True, "stored": True}), answer.text


def tell_piece(service: RunningService, job: str, number: int, **said: object) -> None:
    answer = service.web.put(f"/api/jobs/{job}/pieces/{number}", json=said)
    assert (answer.status_code, answer.json()) == (200, {"done": True, "stored": True}), answer.text


def log_of(service: RunningService, job: str) -> dict[str, Any]:
    found: dict[str, Any] = service.get(f"/api/jobs/{job}/log")
    return found


def test_a_log_is_told_bit_by_bit_and_outlives_a_restart(service: RunningService) -> None:
    job = begun(service)
    assert log_of(service, job) == {
        "job": job,
        "by": None,
        "log": NOTHING,
        "pieces": [],
        "worst": None,
        "last_time": None,
        "words": [],
    }
    tell(service, job, batch="ASA 4", dried_h=6, hold="glue stick", held_since="2026-11-01")
    tell(service, job, dried_c=80.5, brim="corner discs", batch=None)
    crack = {"kind": "crack between layers", "height_mm": 30.2}
    tell_piece(service, job, 2, place="back left", flaws=[crack])
    tell_piece(service, job, 1, outcome="sound")
    assert service.get(f"/api/jobs/{job}")["outcome"] is None  # it isn't over yet
    service.post(f"/api/jobs/{job}/finish")
    item = service.get(f"/api/jobs/{job}")
    assert (item["outcome"], item["outcome_from"]) == ("flawed", "pieces")

    service.stop()
    service.start()
    tell(service, job, humidity_percent=55)
    tell_piece(service, job, 2, outcome="failed")
    found = log_of(service, job)
    assert found["log"] == NOTHING | {
        "dried_h": 6,
        "dried_c": 80.5,
        "hold": "glue stick",
        "held_since": "2026-11-01",
        "brim": "corner discs",
        "humidity_percent": 55,
    }
    assert found["pieces"] == [
        {"number": 1, "place": None, "outcome": "sound", "flaws": []},
        {
            "number": 2,
            "place": "back left",
            "outcome": "failed",
            "flaws": [crack | {"place": None, "text": ""}],
        },
    ]
    assert found["worst"] == "failed"
    said = [word["said"] for word in found["words"]]
    assert said[0]["batch"] == "ASA 4"
    assert said[1] == {"batch": None, "dried_c": 80.5, "brim": "corner discs"}
    assert all(word["by"] and word["at"] for word in found["words"])

    assert service.web.delete(f"/api/jobs/{job}/pieces/2").status_code == 200
    assert [piece["number"] for piece in log_of(service, job)["pieces"]] == [1]
    assert service.get(f"/api/jobs/{job}")["outcome"] == "sound"
    service.post(f"/api/jobs/{job}/outcome", {"outcome": "flawed"})  # the whole, told itself
    assert service.get(f"/api/jobs/{job}")["outcome"] == "flawed"
    jobs = {each["id"]: each["outcome"] for each in service.get("/api/jobs")["items"]}
    assert jobs[job] == "flawed"


def test_the_next_job_of_the_material_is_offered_what_is_still_open(
    service: RunningService,
) -> None:
    first = begun(service)
    tell(service, first, batch="ASA 9", nozzle_c=255, bed_c=105, humidity_percent=40)
    second = begun(service)
    tell(service, second, bed_c=110)
    assert log_of(service, second)["last_time"] == {
        "job": first,
        "name": "Fin box",
        "log": {"batch": "ASA 9", "nozzle_c": 255},
    }


@pytest.mark.parametrize(
    ("method", "path", "body", "status", "says"),
    [
        pytest.param("GET", "north-bench-99/log", None, 404, "no such job", id="log of none"),
        pytest.param("PATCH", "north-bench-99/log", {"dried_h": 1}, 404, "no such", id="to none"),
        pytest.param("PATCH", "moon-1/log", {"dried_h": 1}, 404, "no such job", id="no chamber"),
        pytest.param("PATCH", "{job}/log", {}, 403, "say something", id="nothing"),
        pytest.param("PATCH", "{job}/log", {"colour": "red"}, 422, "not known", id="no field"),
        pytest.param("PATCH", "{job}/log", {"dried_h": 201}, 422, "200 h or less", id="too long"),
        pytest.param("PATCH", "{job}/log", {"dried_h": "6"}, 422, "a number", id="no number"),
        pytest.param("PATCH", "{job}/log", {"hold": "nails"}, 422, "one of 'bare", id="nails"),
        pytest.param("PATCH", "{job}/log", {"brim": 3}, 422, "one of 'none'", id="no brim"),
        pytest.param("PATCH", "{job}/log", {"batch": "x" * 61}, 422, "60 characters", id="batch"),
        pytest.param("PATCH", "{job}/log", {"batch": "a\u202eb"}, 403, "control", id="turned"),
        pytest.param(
            "PATCH", "{job}/log", {"held_since": "2026-13-01"}, 403, "2026-11-03", id="no day"
        ),
        pytest.param(
            "PATCH", "{job}/log", {"held_since": "9999-12-31"}, 403, "still to come", id="to come"
        ),
        pytest.param("PUT", "{job}/pieces/61", {}, 422, "60 or less", id="a piece too many"),
        pytest.param("PUT", "{job}/pieces/x", {}, 422, "whole number", id="no number of a piece"),
        pytest.param("PUT", "{job}/pieces/1", {"outcome": "good"}, 422, "'sound'", id="good"),
        pytest.param("PUT", "{job}/pieces/1", {"place": "attic"}, 422, "'front left'", id="attic"),
        pytest.param(
            "PUT", "{job}/pieces/1", {"flaws": [{"kind": "ugly"}]}, 422, "'corner", id="ugly"
        ),
        pytest.param(
            "PUT",
            "{job}/pieces/1",
            {"flaws": [{"kind": "layer shifted", "height_mm": 2001}]},
            422,
            "2000 mm or less",
            id="too high",
        ),
        pytest.param(
            "PUT",
            "{job}/pieces/1",
            {"flaws": [{"kind": "layer shifted"}] * 13},
            422,
            "12 entries",
            id="flaws too many",
        ),
        pytest.param(
            "PUT",
            "{job}/pieces/1",
            {"outcome": "sound", "flaws": [{"kind": "layer shifted"}]},
            403,
            "sound piece has no flaws",
            id="sound and flawed",
        ),
        pytest.param("DELETE", "{job}/pieces/7", None, 404, "no piece 7", id="no such piece"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(
    service: RunningService, method: str, path: str, body: object, status: int, says: str
) -> None:
    jobs = service.get("/api/jobs")["items"]
    job = jobs[-1]["id"] if jobs else begun(service)
    before = log_of(service, job)
    answer = service.web.request(method, f"/api/jobs/{path.format(job=job)}", json=body)
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert says in answer.json()["detail"]
    assert log_of(service, job) == before


def test_a_word_comes_down_the_stream(service: RunningService) -> None:
    job = begun(service)
    with service.web.stream("GET", "/api/live") as live:
        lines = live.iter_lines()
        next(line for line in lines if line.startswith("event:"))
        tell(service, job, batch="ASA 12")
        found = next(line for line in lines if "ASA 12" in line)
    assert '"said": {"batch": "ASA 12"}' in found or '"said":{"batch":"ASA 12"}' in found


def test_the_first_page_asks_about_a_job_that_is_over_until_somebody_says(
    service: RunningService,
) -> None:
    job = begun(service)
    service.post(f"/api/jobs/{job}/finish")
    # A job that was over a moment before may still be asked about until the next look.
    wait_until(lambda: (service.now()["unsaid"] or {}).get("id") == job, within_s=60)
    asked = service.now()["unsaid"]
    assert asked["name"] == "Fin box"
    assert asked["finished_at"] == service.get(f"/api/jobs/{job}")["finished_at"]
    tell(service, job, batch="ASA 4")
    assert service.now()["unsaid"] == asked
    tell_piece(service, job, 1, outcome="flawed")
    wait_until(lambda: service.now()["unsaid"] is None, within_s=60)
    service.web.delete(f"/api/jobs/{job}/pieces/1")
    wait_until(lambda: service.now()["unsaid"], within_s=60)
    assert service.web.delete(f"/api/jobs/{job}").status_code == 200
    assert service.now()["unsaid"] is None
