"""A real service asked by schemathesis, as each kind of caller: what it finds, and what may be.

The program `schemathesis run` asks in a process of its own, with its own checks (status, content
type and shape of every answer, rights that are ignored, forms that are wrong) and with those of
`hostile_hooks.py`, which holds every answer against the table of rights.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from integration.test_rights import PASSWORD, RIGHTS, command
from running import RunningService

CHAMBER = """
[chamber]
name = "Boat shed"
enclosure = ["plywood", "foam"]
target_c = 45
limit_c = 70

[[sensor]]
name = "top"
driver = "simulated"

[[sensor]]
name = "room"
place = "room"
driver = "simulated"

[[contact]]
name = "door"
kind = "door"
driver = "simulated"

[camera]
source = "simulated"
frames_per_s = 1

[simulation]
scenario = "door_left_ajar"
"""
PERSON = "captain"
# Nobody else is called so: schemathesis takes words of the OpenAPI for names, and removes those.
PREFIX = "oarlock seventeen "
TOKENS: dict[str, dict[str, object]] = {
    "viewer": {"role": "viewer"},
    "operator": {"role": "operator"},
    "owner": {"role": "owner"},
    "reader": {"role": "viewer", "scopes": ["read"]},
    "height teller": {
        "role": "operator",
        "scopes": ["progress", "pause"],
        "chamber": "boat-shed",
    },
}
EVERYBODY = ("stranger", *TOKENS, PERSON)
# A sensor on trial is refused by rules between its keys, which no schema can say.
BETWEEN_KEYS = """[[operations]]
include-name = "POST /api/finding/trial"
[operations.checks.positive_data_acceptance]
expected-statuses = ["2xx", "401", "403", "409", "422", "429"]

"""
SEND_S = 30.0  # what one answer may take on a busy computer


@dataclass(frozen=True)
class Found:
    """What one run asked, and the words of schemathesis where it found something."""

    requests: int
    findings: int
    words: str


class Attacked:
    """A service that runs, and what each kind of caller shows of itself."""

    def __init__(self, service: RunningService, folder: Path) -> None:
        self.service = service
        self._folder = folder
        self.headers: dict[str, dict[str, str]] = {
            "stranger": {"Authorization": "Bearer stillair_nobody"}
        }
        for who in (PERSON, *TOKENS):
            self.come_back(who)
        self._document = folder / "openapi.json"
        told = service.web.get("/api/openapi.json", headers=self.headers["viewer"])
        self._document.write_text(told.text)

    def come_back(self, who: str) -> None:
        """Sign in, or get a token, perhaps again: somebody may have taken it away."""
        web = self.service.web
        if who == PERSON:
            signed_in = web.post("/api/session", json={"name": PERSON, "password": PASSWORD})
            assert signed_in.status_code == 201, signed_in.text
            cookie = signed_in.cookies["stillair_session"]
            self.headers[who] = {"Cookie": f"stillair_session={cookie}"}
            web.cookies.clear()
            return
        if not self.lets_in(PERSON):
            self.come_back(PERSON)
        asked = {"name": PREFIX + who, **TOKENS[who]}
        web.post("/api/tokens/remove", json={"name": asked["name"]}, headers=self.headers[PERSON])
        made = web.post("/api/tokens", json=asked, headers=self.headers[PERSON])
        assert made.status_code == 201, made.text
        self.headers[who] = {"Authorization": f"Bearer {made.json()['token']}"}

    def run(self, who: str, *words: str, cwd: Path, edges: frozenset[str] | None = None) -> Found:
        """`schemathesis run` as this caller, with these options.

        With `edges` those of every form are tried of these operations alone.
        """
        options = ["--url", str(self.service.web.base_url), "--continue-on-failure"]
        for name, value in self.headers[who].items():
            options += ["--header", f"{name}: {value}"]
        if who == PERSON:
            # Who signed out would ask as a stranger from then on. And the cookie goes with every
            # request, also where schemathesis means to send none.
            options += ["--exclude-operation-id", "sign_out_api_session_delete"]
            options += ["--exclude-checks", "negative_data_rejection,ignored_auth"]
        environment = {
            **os.environ,
            "SCHEMATHESIS_HOOKS": "hostile_hooks",
            "STILLAIR_CALLER": who,
            "PYTHONPATH": os.pathsep.join(sys.path),
        }
        settings = cwd / "schemathesis.toml"
        more = "" if edges is None else _without_edges(sorted(set(RIGHTS) - edges))
        settings.write_text(BETWEEN_KEYS + more)
        done = subprocess.run(
            [
                *(sys.executable, "-m", "schemathesis.cli", "--config-file", str(settings)),
                *("run", str(self._document)),
                *("--request-timeout", str(SEND_S), "--warnings", "off", "--no-color"),
                *options,
                *words,
            ],
            cwd=cwd,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )
        said = done.stdout + done.stderr
        counted = re.search(r"(\d+) generated(?:, (\d+) found)?", said)
        assert done.returncode in (0, 1) and counted, said
        found = int(counted[2] or 0)
        assert (found > 0) == (done.returncode == 1), said
        return Found(int(counted[1]), found, "" if done.returncode == 0 else said)

    def lets_in(self, who: str) -> bool:
        """Whether a caller is still known: else what was asked as that one said nothing."""
        answer = self.service.web.get("/api/jobs", headers=self.headers[who])
        return (answer.status_code == 401) == (who == "stranger")

    def defects(self) -> list[str]:
        """What the service's log says of errors of its own."""
        lines = self.service.log.read_text().splitlines()
        return [line for line in lines if "Traceback" in line or line.startswith("ERROR")]


def _without_edges(operations: list[str]) -> str:
    """Settings of schemathesis by which these operations are asked by chance alone."""
    named = json.dumps(operations)
    return f"[[operations]]\ninclude-name = {named}\nphases.coverage.enabled = false\n"


@contextmanager
def attacked(folder: Path, *, speed: float = 1.0) -> Iterator[Attacked]:
    """A service with an owner, all kinds of sensors simulated, ready to be asked anything."""
    chamber = folder / "chamber.toml"
    chamber.write_text(f"{CHAMBER}speed = {speed:g}\n")
    command("owner", "add", PERSON, "--data-dir", str(folder / "data"), typed=PASSWORD)
    with RunningService(folder / "data", "--chamber", str(chamber)) as service:
        yield Attacked(service, folder)


def protected(body: object) -> object:
    """A body that takes nothing away from those who ask: their names are replaced."""
    if isinstance(body, Mapping) and isinstance(name := body.get("name"), str):
        plain = " ".join(name.split()).casefold()
        if plain.startswith(PREFIX.strip()) or plain == PERSON:
            return {**body, "name": json.dumps(name)}
    return body
