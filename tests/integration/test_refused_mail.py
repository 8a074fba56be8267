"""A mail server that refuses the password: it is said, and not asked by each message of that."""

from __future__ import annotations

import time
from pathlib import Path

from running import RunningService, wait_until
from servers import TOLD_BY_MAIL, MailServer

CHAMBER = """
[chamber]
name = "North bench"
enclosure = ["plywood"]

[[sensor]]
name = "top"
driver = "simulated"
"""
# The second of two trials comes right after the first, and not a minute later.
TWICE = """
from stillair.runtime import ways_tried
ways_tried.AGAIN_S = 0.0
look = ways_tried.WaysTried.look
ways_tried.WaysTried.look = lambda self: (look(self), look(self))
"""


def test_a_refused_password_is_said_and_heard_no_more_often_for_that(tmp_path: Path) -> None:
    mail = MailServer(password="three oars in water")
    mail.start()
    told = TOLD_BY_MAIL.format(host=mail.host, port=mail.port)
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(f'{CHAMBER}{told}username = "shed"\npassword = "not this one"\n')
    service = RunningService(
        tmp_path / "data", "--chamber", str(chamber), before=TWICE, loaded=True
    )
    try:
        with service:
            (alarm,) = wait_until(
                lambda: [a for a in service.now()["alarms"] if a["kind"] == "delivery_fault"],
                within_s=60,
            )
            assert "Messages by mail don't get through" in alarm["text"]
            time.sleep(1.0)
            refused = [line for line in service.log.read_text().splitlines() if "refused" in line]
            assert len(refused) == 1, "by the trial alone: nobody is told of it by mail"
        chamber.write_text(f'{CHAMBER}{told}username = "shed"\npassword = "three oars in water"\n')
        with RunningService(
            tmp_path / "data", "--chamber", str(chamber), before=TWICE, loaded=True
        ) as mended:
            wait_until(
                lambda: (
                    not any(
                        alarm["condition"]
                        for alarm in mended.now()["alarms"]
                        if alarm["kind"] == "delivery_fault"
                    )
                ),
                within_s=60,
            )
    finally:
        mail.stop()
