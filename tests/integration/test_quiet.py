"""What is to be quiet, through the real service: the door on purpose, what is switched off."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from running import RunningService

CHAMBER = """
[chamber]
name = "Boat shed"
enclosure = ["metal"]

[[sensor]]
name = "top"
driver = "simulated"
"""
BASE = "/api/chambers/boat-shed"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "chamber.toml").write_text(CHAMBER)
    return tmp_path


@pytest.fixture
def service(folder: Path) -> Iterator[RunningService]:
    with run(folder) as running:
        yield running


def run(folder: Path) -> RunningService:
    return RunningService(folder / "data", "--chamber", str(folder / "chamber.toml"))


def test_an_opening_is_on_view_until_it_is_ended(service: RunningService) -> None:
    answer = service.web.post(f"{BASE}/opening", json={"minutes": 3, "reason": "a look inside"})
    assert answer.status_code == 200 and answer.json() == {"done": True, "stored": True}
    opening = service.get("/api/now")["chambers"][0]["opening"]
    assert (opening["by"], opening["reason"]) == ("this computer", "a look inside")
    assert opening["until_at"] > opening["changed_at"]
    for _ in range(2):
        assert service.web.post(f"{BASE}/opening/end").status_code == 200
    assert service.get("/api/now")["chambers"][0]["opening"] is None


@pytest.mark.parametrize(
    ("path", "body", "status"),
    [
        pytest.param("opening", {"minutes": 31}, 422, id="too long"),
        pytest.param("opening", {"minutes": 0}, 422, id="no time"),
        pytest.param("opening", {"minutes": "3"}, 422, id="a text"),
        pytest.param("opening", {"minutes": 3, "reason": "a\nb"}, 403, id="two lines"),
        pytest.param("out-of-service", {"kind": "draft"}, 422, id="no reason"),
        pytest.param("out-of-service", {"kind": "draft", "reason": " "}, 403, id="blanks"),
        pytest.param("out-of-service", {"kind": "fire", "reason": "x"}, 403, id="fire"),
        pytest.param("out-of-service", {"kind": "smoke", "reason": "x"}, 403, id="smoke"),
        pytest.param(
            "out-of-service", {"kind": "attendance_overdue", "reason": "x"}, 403, id="attendance"
        ),
        pytest.param("out-of-service", {"kind": "ice", "reason": "x"}, 422, id="no such kind"),
        pytest.param("in-service", {"kind": "draft"}, 200, id="it is on"),
    ],
)
def test_what_is_refused(
    service: RunningService, path: str, body: dict[str, object], status: int
) -> None:
    assert service.web.post(f"{BASE}/{path}", json=body).status_code == status
    assert service.get("/api/now")["chambers"][0]["out_of_service"] == []


def test_another_chamber_is_unknown(service: RunningService) -> None:
    answer = service.web.post("/api/chambers/jetty/opening", json={"minutes": 3})
    assert answer.status_code == 404


def test_what_is_switched_off_stays_so_over_a_restart(folder: Path) -> None:
    with run(folder) as service:
        body = {"kind": "sensor_fault", "subject": "top", "reason": "its wire is cut"}
        assert service.web.post(f"{BASE}/out-of-service", json=body).json()["stored"]
        (before,) = service.get("/api/now")["chambers"][0]["out_of_service"]
        service.web.post(f"{BASE}/opening", json={"minutes": 30})
    with run(folder) as service:
        chamber = service.get("/api/now")["chambers"][0]
        (after,) = chamber["out_of_service"]
        assert after == before
        assert (after["title"], after["by"]) == ("Sensor fault", "this computer")
        assert chamber["opening"] is None, "shelving ends with a restart"
        assert "Switched off: sensor fault (top)." in chamber["sub"]
        service.web.post(f"{BASE}/in-service", json={"kind": "sensor_fault", "subject": "top"})
        assert service.get("/api/now")["chambers"][0]["out_of_service"] == []
