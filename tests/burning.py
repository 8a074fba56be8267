"""A fire in the simulated chamber of a real service, and what has to come of it whatever fails.

with burning(tmp_path, mail) as stage:
    ... put a fault in ...
    stage.light()
    stage.fire_is_announced()   # shown, sounded and mailed
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx

import ordered
from running import RunningService, wait_until
from servers import TOLD_BY_MAIL, MailServer

SPEED = 20
ANNOUNCED_S = 45.0  # generous: for a computer that does other things as well
SCENARIO = """
summary = "A chamber that is warm already, and will burn"
warm_start_s = 3600
starts_at_h = 10.0

[enclosure]
walls = ["plywood"]
width_m = 0.55
depth_m = 0.55
height_m = 0.6
leak_per_h = 1.5
machine_kg = 10
machine_area_m2 = 0.7
door_width_m = 0.5
door_height_m = 0.5

[room]
mean_c = 18.0
swing_k = 2.0

[bed]
power_w = 300
target_c = 95

[[sensor]]
name = "top"
height = 0.9

[[sensor]]
name = "middle"
height = 0.5

[[contact]]
name = "smoke detector"
kind = "detector"

[[contact]]
name = "door"
kind = "door"

[[step]]
at_s = 5
do = "job_start"
name = "Rowlock bushes"
material = "ASA"
machine = "the left bench"
height_mm = 90
mass_g = 260
build_s = 21600
pieces = 2
"""
CHAMBER = (
    """
[chamber]
name = "North bench"
enclosure = ["plywood"]

[simulation]
scenario = "{scenario}"
speed = {speed}

[[sensor]]
name = "top"
driver = "simulated"

[[sensor]]
name = "middle"
driver = "simulated"

[[contact]]
name = "smoke detector"
kind = "detector"
driver = "simulated"

[[contact]]
name = "door"
kind = "door"
driver = "simulated"

[camera]
source = "simulated"
frames_per_s = 0.5

[sounder]
driver = "command"
command = "{ring}"
"""
    + TOLD_BY_MAIL
)
RING = """
import os, sys
with open(sys.argv[1], "a") as heard:
    heard.write(os.environ["STILLAIR_SOUND"] + "\\n")
"""


class Stage:
    """A running service whose chamber is going to burn, and its witnesses.

    The sounder's program, what it wrote and the mail server stand outside of
    the service's own folder, so that no fault of its disk is theirs.
    """

    def __init__(
        self,
        folder: Path,
        service: RunningService,
        mail: MailServer,
        more: str,
        speed: float,
    ) -> None:
        self.folder = folder
        self.service = service
        self.mail = mail
        self.heard = folder / "heard"
        self.chamber = folder / "chamber.toml"
        (folder / "burns.toml").write_text(SCENARIO)
        (folder / "ring.py").write_text(RING)
        self.chamber.write_text(
            CHAMBER.format(
                scenario="burns.toml",
                speed=speed,
                ring=f"{sys.executable} {folder / 'ring.py'} {self.heard}",
                host=mail.host,
                port=mail.port,
            )
            + more
        )

    def light(self) -> None:
        """Let it burn from the chamber's next second on, for each later process as well."""
        ordered.order(self.folder, "fire", growth="fast", peak_kw=8.0, fuel_mj=40.0)

    def put_out(self) -> None:
        """Let it not burn in any later process."""
        ordered.forget(self.folder)

    # --- what has to come of it ---------------------------------------------------

    def sounded(self) -> bool:
        """Whether the sounder has been made to sound for a fire."""
        return self.heard.exists() and "fire" in self.heard.read_text()

    def mailed(self) -> list[Any]:
        """The mails that tell of the fire."""
        return [mail for mail in list(self.mail.messages) if "fire" in str(mail["subject"]).lower()]

    def events(self, kind: str, change: str = "raised") -> list[dict[str, Any]]:
        """What the history has of a kind of event."""
        return [e for e in self.service.events(kind=kind) if e["change"] == change]

    def seconds(self) -> Any:
        """Up to when the chamber has been watched."""
        return self.service.now()["at"]

    def answers(self) -> bool:
        """Whether the service answers just now."""
        try:
            return bool(self.service.now())
        except (httpx.HTTPError, AssertionError):
            return False

    def alarms(self) -> set[str]:
        """The kinds of the alarms that the first page shows; none while nobody answers."""
        try:
            return {alarm["kind"] for alarm in self.service.now()["alarms"]}
        except httpx.HTTPError:
            return set()

    def something_is_kept(self) -> None:
        """Have the history keep an event, which no fault may take away again."""
        ordered.order(self.folder, "contact_broken", contact="door", for_s=600.0)
        wait_until(self.service.events, within_s=ANNOUNCED_S)

    def fire_is_heard(self) -> None:
        """Wait until the sounder sounds for a fire, whatever the service can show."""
        wait_until(self.sounded, within_s=ANNOUNCED_S)

    def fire_is_announced(self) -> None:
        """Wait until the fire has been sounded, mailed and shown."""
        self.fire_is_heard()
        wait_until(self.mailed, within_s=ANNOUNCED_S)
        wait_until(lambda: self.alarms() & {"fire", "detector_contact"}, within_s=ANNOUNCED_S)

    def fire_is_kept(self) -> None:
        """Wait until the history has the fire and nothing waits to be stored.

        Whoever manages the service may begin it anew meanwhile.
        """

        def kept() -> bool:
            try:
                return self.service.get("/api/now")["stored"] and bool(self.events("fire"))
            except httpx.HTTPError:
                return False

        wait_until(kept, within_s=2 * ANNOUNCED_S)


@contextmanager
def burning(
    folder: Path,
    mail: MailServer,
    *,
    data: Path | None = None,
    more: str = "",
    before: str = "",
    environment: dict[str, str] | None = None,
    speed: float = SPEED,
) -> Iterator[Stage]:
    """A service that watches a warm chamber, in which nothing burns yet."""
    service = RunningService(
        data or folder / "data",
        "--chamber",
        str(folder / "chamber.toml"),
        before=ordered.BEFORE + before,
        loaded=True,
        patient=False,
        environment={**ordered.environment(folder), **(environment or {})},
    )
    stage = Stage(folder, service, mail, more, speed)
    with stage.service:
        wait_until(lambda: stage.service.now()["sensors"], within_s=ANNOUNCED_S)
        yield stage
