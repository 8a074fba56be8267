"""Jobs that a machine tells of on a topic, and those that are corrected afterwards."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from running import RunningService, wait_until
from servers import Broker
from stillair.model import Job, JobPhase, Outcome, Timeline
from stillair.runtime.comparing import pauses_of
from stillair.storage.history import History
from stillair.storage.journal import Journal

CHAMBER = """
[chamber]
name = "north bench"
[[sensor]]
name = "top"
driver = "simulated"
[mqtt]
host = "{host}"
port = {port}
[jobs]
topic = "shed/north/job"
"""


def told(running: RunningService) -> dict[str, Any] | None:
    job: dict[str, Any] | None = running.now()["job"]
    return job


def test_a_machine_tells_of_its_job_on_a_topic(tmp_path: Path, own_broker: Broker) -> None:
    import paho.mqtt.publish as publish

    def say(payload: str, *, retain: bool = False) -> None:
        publish.single(
            "shed/north/job",
            payload,
            hostname=own_broker.host,
            port=own_broker.port,
            qos=1,
            retain=retain,
        )

    say("start last week's job", retain=True)
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(CHAMBER.format(host=own_broker.host, port=own_broker.port))
    with RunningService(tmp_path / "data", "--chamber", str(chamber)) as running:
        wait_until(lambda: "connected" in running.log.read_text(), within_s=60)
        say("nonsense")
        say('{"start": {"name": "Oarlock bushings", "material": "ASA"}}')
        job = wait_until(lambda: told(running), within_s=60)
        assert (job["name"], job["material"], job["guessed"]) == ("Oarlock bushings", "ASA", False)
        say('{"start": {"name": "Oarlock bushings", "material": "ASA"}}')  # handed on twice
        say("height 12.4")
        wait_until(lambda: (told(running) or {}).get("height_mm") == 12.4, within_s=60)
        say("pause")
        wait_until(lambda: (told(running) or {}).get("state") == "paused", within_s=60)
        say("resume")
        say("finish")
        kept = wait_until(
            lambda: (
                item
                if (item := running.get(f"/api/jobs/{job['id']}"))["finished_at"] is not None
                else None
            ),
            within_s=60,
        )
        assert len(running.get("/api/jobs")["items"]) == 1
        assert "says nothing of a job" in running.log.read_text()

        # Days later somebody says what it really was.
        path = f"http://127.0.0.1:{running.port}/api/jobs/{job['id']}"
        began_at = datetime.fromisoformat(kept["started_at"]) - timedelta(minutes=20)
        body = {"name": "Fin box", "started_at": began_at.isoformat()}
        assert httpx.patch(path, json=body).status_code == 200
        mended = running.get(f"/api/jobs/{job['id']}")
        assert (mended["name"], mended["material"]) == ("Fin box", "ASA")
        assert datetime.fromisoformat(mended["started_at"]) == began_at
        assert mended["finished_at"] == kept["finished_at"]
        running.stop()
        running.start()
        assert running.get(f"/api/jobs/{job['id']}")["name"] == "Fin box"


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    folder = tmp_path_factory.mktemp("corrected")
    chamber = folder / "chamber.toml"
    chamber.write_text(CHAMBER.partition("[mqtt]")[0] + "[simulation]\nspeed = 60\n")
    with RunningService(folder / "data", "--chamber", str(chamber)) as running:
        yield running


@pytest.mark.parametrize(
    ("body", "status"),
    [
        pytest.param({"finished_at": "2001-01-01T00:00:00Z"}, 403, id="ends before it begins"),
        pytest.param({"started_at": "yesterday"}, 422, id="no moment"),
        pytest.param({"state": "finished"}, 422, id="what can't be corrected"),
        pytest.param({"name": "a\u0007"}, 403, id="a bell in its name"),
    ],
)
def test_what_can_not_be_is_refused(
    service: RunningService, body: dict[str, str], status: int
) -> None:
    job = wait_until(lambda: told(service), within_s=60)  # the simulated machine's own
    path = f"http://127.0.0.1:{service.port}/api/jobs/{job['id']}"
    assert httpx.patch(path, json=body).status_code == status
    assert service.get(f"/api/jobs/{job['id']}")["name"] == job["name"]
    assert httpx.patch(f"{path}0", json=body).status_code in (404, 422)


def test_a_job_that_went_on_was_paused_meanwhile(journal: Journal, history: History) -> None:
    """Both words on it come in one second, and the pause is known from the first."""
    line = Timeline("boot", time.time() - 9000.0)
    ran = Job("shed-1", "shed", "", "", "", "", JobPhase.RUNNING, 100.0, guessed=True)
    over = replace(ran, state=JobPhase.COOLING, finished_s=5000.0)
    stood = replace(ran, state=JobPhase.PAUSED, paused_since_s=5000.0)
    went_on = replace(ran, paused_s=3000.0)
    for at_s, jobs in ((100.0, (ran,)), (6800.0, (over,)), (8900.0, (stood, went_on))):
        journal.commit(Outcome("shed", at_s, jobs=jobs), line)
    kept = history.job("shed-1")
    assert kept is not None
    assert (kept["state"], kept["finished_at"]) == ("running", None)
    ((from_s, to_s),) = pauses_of(history, "shed-1")
    assert from_s - line.wall_at_zero_s == pytest.approx(5000.0, abs=0.01)
    assert to_s - line.wall_at_zero_s == pytest.approx(8000.0, abs=0.01)
