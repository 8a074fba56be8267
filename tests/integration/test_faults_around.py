"""What the service reads from, sends to or tells the time by fails while a fire develops."""

from __future__ import annotations

import socket
from contextlib import ExitStack
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from burning import ANNOUNCED_S, Stage, burning
from running import wait_until
from servers import MailServer

pytestmark = pytest.mark.timeout(300)  # the computer may do other things as well

# The clock on the wall is as far off as the file FAULT says; what lasts is measured by another.
STEPS = """
import os
from datetime import timedelta
from stillair import clock

right = clock.SystemClock.wall

def wall(self):
    return right(self) + timedelta(seconds=float(open(os.environ["FAULT"]).read()))

clock.SystemClock.wall = wall
"""
# Mail that gets no answer is given up soon, so that the third failure is.
IMPATIENT = """
from dataclasses import replace
from stillair.runtime import reaching

patient = reaching.mail_settings
reaching.mail_settings = lambda *given: replace(patient(*given), timeout_s=2.0)
"""


@pytest.mark.parametrize(
    ("twin", "kind"),
    [
        pytest.param("SimulatedSensor", "sensor_fault", id="sensor bus"),
        pytest.param("SimulatedCamera", "camera_fault", id="camera"),
    ],
)
def test_a_read_that_never_comes_back(
    twin: str, kind: str, tmp_path: Path, mail_server: MailServer
) -> None:
    fault = tmp_path / "hang"
    with burning(tmp_path, mail_server) as stage:
        fault.write_text(twin)
        stage.light()
        stage.fire_is_announced()
        wait_until(lambda: stage.events(kind), within_s=ANNOUNCED_S)
        assert stage.service.get("/api/health")["status"] == "impaired"
        wait_until(lambda: stage.events("detector_contact"), within_s=ANNOUNCED_S)
        fault.unlink()
        wait_until(lambda: stage.events(kind, "cleared"), within_s=ANNOUNCED_S)
        stage.fire_is_kept()


def test_a_network_that_swallows_everything(tmp_path: Path) -> None:
    mail = MailServer()
    with ExitStack() as stack, socket.socket() as swallows:
        stack.callback(mail.stop)  # after the service, which may be sending
        swallows.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        swallows.bind((mail.host, mail.port))
        swallows.listen(100)
        with burning(tmp_path, mail, before=IMPATIENT) as stage:
            stage.light()
            stage.fire_is_heard()
            stage.fire_is_kept()
            wait_until(lambda: stage.events("delivery_fault"), within_s=2 * ANNOUNCED_S)
            swallows.close()
            mail.start()
            wait_until(stage.mailed, within_s=2 * ANNOUNCED_S)
            stage.fire_is_announced()
            keys = [each["message-id"] for each in mail.messages]
            assert len(keys) == len(set(keys)), "the same message went out twice"


def labelled_anew(stage: Stage) -> bool:
    """Whether all events are of the last hour, by the clock of now."""
    now_at = datetime.fromisoformat(stage.service.get("/api/now")["at"])
    ages = [now_at - datetime.fromisoformat(event["at"]) for event in stage.service.events()]
    return all(abs(age) < timedelta(hours=1) for age in ages)


@pytest.mark.parametrize("by_s", [-86_400, 86_400], ids=["back a day", "ahead a day"])
def test_a_clock_that_jumps(by_s: int, tmp_path: Path, mail_server: MailServer) -> None:
    fault = tmp_path / "fault"
    fault.write_text("0")
    with burning(
        tmp_path,
        mail_server,
        before=STEPS,
        environment={"FAULT": str(fault)},
        speed=1.0,
    ) as stage:
        kept = {event["seq"] for event in stage.service.events()}
        (tmp_path / "next").write_text(str(by_s))
        (tmp_path / "next").rename(fault)
        stage.light()
        stage.fire_is_announced()
        stage.fire_is_kept()
        wait_until(lambda: stage.events("clock_fault"), within_s=ANNOUNCED_S)
        # All of the story has the label of the new clock, what happened before it as well.
        wait_until(lambda: labelled_anew(stage), within_s=ANNOUNCED_S)
        events = stage.service.events()
        assert kept <= {event["seq"] for event in events}
        stage.service.kill()
        stage.service.start()
        assert [e["seq"] for e in stage.service.events()][: len(events)] == [
            e["seq"] for e in events
        ]
