"""A real service with an owner whose messages have links: what it mails, and who opens them.

with shed(folder, mail) as running:
    running.order("contact_on", contact="smoke detector")
    link = running.link("cox@shed.example")
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx

import ordered
from running import RunningService, stillair, wait_until
from servers import MailServer
from warm_starts import warm_run

OWNER, PASSWORD = "captain", "a long row to the weir"
SCENARIO = """
summary = "A warm chamber"
warm_start_s = 7200

[enclosure]
walls = ["plywood"]
width_m = 0.6
depth_m = 0.6
height_m = 0.65
door_width_m = 0.5
door_height_m = 0.55

[room]
mean_c = 17.0

[bed]
power_w = 350
target_c = 95

[[sensor]]
name = "top"
height = 0.9

[[sensor]]
name = "low"
height = 0.2

[[sensor]]
name = "bed"
place = "bed"
kind = "bead"

[[contact]]
name = "door"
kind = "door"

[[contact]]
name = "smoke detector"
kind = "detector"

[[step]]
at_s = 2
do = "job_start"
name = "Twelve oarlock bushings"
material = "ASA"
machine = "the left bench"
height_mm = 60
build_s = 7200
pieces = 12
"""
CHAMBER = """
[chamber]
name = "North bench"
enclosure = ["plywood"]

[simulation]
scenario = "day.toml"
speed = {speed}

{camera}
{page}

[[sensor]]
name = "top"
driver = "simulated"

[[sensor]]
name = "low"
driver = "simulated"

[[sensor]]
name = "bed"
place = "bed"
driver = "simulated"

[[contact]]
name = "door"
kind = "door"
driver = "simulated"

[[contact]]
name = "smoke detector"
kind = "detector"
driver = "simulated"

[[person]]
name = "cox"
routes = ["mailto:cox@shed.example"]

[[person]]
name = "bench captain"
routes = ["mailto:captain@shed.example"]

[mail]
host = "{host}"
port = {mail_port}
security = "none"
"""
CAMERA = """
[camera]
source = "simulated"
frames_per_s = 1
"""
LINK = re.compile(r"^(https?://[\w.:-]+)(/answer/[\w.-]+)$", re.MULTILINE)
PAGE = '[page]\naddress = "http://127.0.0.1:{port}"'


class Shed:
    """The service, its mail, and a sign-in of the owner's beside it."""

    def __init__(self, folder: Path, service: RunningService, mail: MailServer) -> None:
        self.folder = folder
        self.service = service
        self.mail = mail
        self.base = ""  # what stood before the path of the newest link
        self.owner = httpx.Client(base_url=str(service.web.base_url), timeout=20.0)

    @property
    def data(self) -> Path:
        return self.service.folder

    @property
    def web(self) -> httpx.Client:
        """A telephone that nobody has signed in with."""
        return self.service.web

    def order(self, do: str, **values: object) -> None:
        """Have a step carried out in the chamber's next second."""
        ordered.order(self.folder, do, **values)

    def mails(self, to: str) -> list[str]:
        """The texts of all mail to an address."""
        found = []
        for mail in list(self.mail.messages):
            body = mail.get_body(("plain",))
            if mail["To"] == to and body is not None:
                found.append(body.get_content().replace("\r\n", "\n"))
        return found

    def link(self, to: str, about: str = "") -> str:
        """The path of the newest link that was mailed to somebody in a message about something."""

        def found() -> str | None:
            links = [LINK.search(text) for text in self.mails(to) if about in text]
            return next((link[0] for link in reversed(links) if link), None)

        whole = LINK.fullmatch(wait_until(found, within_s=60.0))
        assert whole is not None
        self.base = whole[1]
        return whole[2]

    def ask(self, path: str) -> Any:
        """What the owner is told."""
        answer = self.owner.get(path)
        assert answer.status_code == 200, (path, answer.text)
        return answer.json()

    def alarm(self, kind: str) -> dict[str, Any]:
        """The newest alarm of a kind, as the owner sees it."""

        def found() -> dict[str, Any] | None:
            items = self.ask("/api/alarms")["items"]
            return next((item for item in reversed(items) if item["kind"] == kind), None)

        return wait_until(found, within_s=60.0)


@contextmanager
def shed(
    folder: Path,
    mail: MailServer,
    *words: str,
    speed: float = 1.0,
    page: str = PAGE,
    camera: str = CAMERA,
) -> Iterator[Shed]:
    """A service over a warm chamber in which a job runs and nothing is the matter.

    `words` are options of its own, `page` and `camera` stand in its chamber file: at 15 times
    life's speed pictures cost a hundred times what all the rest does.
    """
    data = folder / "data"
    done = warm_run(stillair("owner", "add", OWNER, "--data-dir", str(data)), typed=PASSWORD)
    assert done.returncode == 0, done.stderr
    chamber = folder / "chamber.toml"
    service = RunningService(
        data,
        "--chamber",
        str(chamber),
        *words,
        before=ordered.BEFORE,
        loaded=True,
        environment=ordered.environment(folder),
    )
    (folder / "day.toml").write_text(SCENARIO)
    chamber.write_text(
        CHAMBER.format(
            speed=speed,
            camera=camera,
            page=page.format(port=service.port),
            host=mail.host,
            mail_port=mail.port,
        )
    )
    with service:
        running = Shed(folder, service, mail)
        with running.owner as owner:
            asked = {"name": OWNER, "password": PASSWORD}
            assert owner.post("/api/session", json=asked).status_code == 201
            wait_until(lambda: running.ask("/api/now")["chambers"][0]["job"], within_s=60.0)
            yield running
