"""What people may wish: that a camera looks away, and that what is kept of a job goes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from running import RunningService, wait_until

CHAMBER = """
[chamber]
name = "Boat shed"
enclosure = ["metal"]
target_c = 45

[[sensor]]
name = "top"
driver = "simulated"

[camera]
source = "simulated"

[simulation]
scenario = "quiet_job"
"""


@pytest.fixture
def service(tmp_path: Path) -> Iterator[RunningService]:
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(CHAMBER)
    with RunningService(tmp_path / "data", "--chamber", str(chamber)) as running:
        yield running


def shown(service: RunningService) -> Any:
    return service.get("/api/now")["chambers"][0]


def seen_as(service: RunningService, condition: str, sentence: str = "") -> Any:
    told: Any = None

    def told_so() -> bool:
        nonlocal told
        told = shown(service)
        return (
            told["camera"]["condition"] == condition
            and told["air_c"] is not None
            and told["sentence"].startswith(sentence)
        )

    wait_until(told_so, within_s=40)
    return told


def test_a_paused_camera_is_told_and_stays_paused_over_a_restart(service: RunningService) -> None:
    seen_as(service, "fit")
    assert service.web.post("/api/camera/pause", json={"minutes": 481}).status_code == 422
    assert service.post("/api/camera/pause", {"minutes": 30})["stored"]
    for _restart in range(2):
        told = seen_as(service, "paused", "The camera is paused: smoke and flame aren't watched")
        assert told["camera"]["paused_until_at"] > told["at"]
        assert not told["calm"]
        assert "The camera is paused: smoke and flame are not watched for." in told["not_watched"]
        assert told["air_c"] is not None, "heat is watched all the same"
        refused = service.web.get("/api/picture")
        assert refused.status_code == 404
        assert "paused" in refused.json()["detail"]
        service.stop()
        service.start()
        wait_until(lambda: shown(service)["air_c"] is not None, within_s=40)
    service.post("/api/camera/resume")
    assert seen_as(service, "fit")["camera"]["paused_until_at"] is None
    # The page hears of it before the disk does, where events come from.
    changes = {"raised", "cleared"}
    wait_until(
        lambda: changes <= {e["change"] for e in service.events(kind="camera_fault")}, within_s=40
    )


def test_a_job_that_runs_is_not_erased(service: RunningService) -> None:
    job = service.post("/api/jobs", {"name": "oarlock bushings"})["id"]
    assert service.web.delete(f"/api/jobs/{job}").status_code == 409
    assert service.web.delete(f"/api/jobs/{job}/pictures").status_code == 200
    assert service.web.delete("/api/jobs/boat-shed-99").status_code == 404
    done = [item["what"] for item in service.get("/api/audit")["items"]]
    assert done == ["job begun", "pictures of a job erased"], "what was refused was not done"
