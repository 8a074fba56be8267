"""A real `stillair run` in a process of its own, and questions to it."""

from __future__ import annotations

import json
import os
import signal
import ssl
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

import httpx

from servers import free_loopback_port
from warm_starts import WarmProcess, warm_start

T = TypeVar("T")

START_S = 120.0  # of a computer that does other things as well
# The built-in chamber, for who names no other, draws not many more pictures than make a fit view:
# drawing takes most of what its service does.
FEW_PICTURES = """
from stillair.config import reading
reading.BUILT_IN += "frames_per_s = 6\\n"
"""
# An answer says after a second that something isn't stored yet, and after two that is an alarm.
# The disk of a computer that does other things as well has half a minute, and what draws the
# simulated pictures too: what is asked for next is there, and no alarm stands that a test knows
# nothing of.
PATIENT = """
from stillair.fire import stillness
from stillair.runtime import hall_service, judging, keeping, service
from stillair.storage import writer
hall_service.STORED_S = judging.STORED_S = service.STORED_S = 30.0
writer.LATE_S = keeping.LATE_S = stillness.SLOW_FROM_S = 30.0
"""


def stillair(*words: str, before: str = "") -> list[str]:
    """The command line of `stillair` in this interpreter; first it does `before`."""
    code = f"{before}\nfrom stillair.cli import main; main()"
    return [sys.executable, "-c", code, *words]


class RunningService:
    """`stillair run` on a free loopback port, or another `command`; ends with its block.

    With `trust` it is asked over HTTPS, by a client that believes nobody else. What its process
    does `before` comes before any of our own modules, unless those are `loaded`: enough for what
    changes a class, or a name where it is used. A `cold` one loads everything itself, as on a
    board: for whoever measures its start or its memory. One that is not `patient` finds disk
    and camera late as soon as a board does: for whoever has them fail.
    """

    def __init__(
        self,
        folder: Path,
        *words: str,
        command: tuple[str, ...] = ("run",),
        environment: dict[str, str] | None = None,
        before: str = "",
        loaded: bool = False,
        cold: bool = False,
        patient: bool = True,
        trust: ssl.SSLContext | None = None,
    ) -> None:
        self.folder = folder
        self.port = free_loopback_port()
        self._command = command
        self._words = words
        self._before = before
        self._loaded = loaded or not before
        self._cold = cold
        if self._loaded and not cold:
            built_in = command == ("run",) and "--chamber" not in words
            few = FEW_PICTURES if built_in else ""
            self._before = (PATIENT if patient else "") + few + before
        # What a killed one leaves in memory goes with the test's other files; a cold one has its
        # newest readings where a board has them, for what is charged to the disk is measured, and
        # is told what the unit tells Python.
        usual = {"PYTHONNODEBUGRANGES": "1"} if cold else {"RUNTIME_DIRECTORY": str(folder.parent)}
        self._environment = {**os.environ, **usual, **(environment or {})}
        self._process: WarmProcess | subprocess.Popen[bytes] | None = None
        self.log = folder / "service.log"
        scheme = "https" if trust else "http"
        self.web = httpx.Client(
            base_url=f"{scheme}://127.0.0.1:{self.port}", timeout=60.0, verify=trust or True
        )

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()
        self.web.close()

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def is_alive(self) -> bool:
        """Whether its process runs."""
        return self._process is not None and self._process.poll() is None

    def start(self) -> None:
        """Begin, and wait until it answers."""
        self.folder.mkdir(parents=True, exist_ok=True)
        words = [
            *self._command,
            "--data-dir",
            str(self.folder),
            "--port",
            str(self.port),
            *self._words,
        ]
        with self.log.open("ab") as output, Path(os.devnull).open("rb") as nothing:
            line = stillair(*words, before=self._before)
            if self._cold:
                self._process = subprocess.Popen(
                    line, stdin=nothing, stdout=output, stderr=output, env=self._environment
                )
            else:
                self._process = warm_start(
                    line,
                    stdin=nothing,
                    stdout=output,
                    stderr=output,
                    environment=self._environment,
                    ours=self._loaded,
                )
        try:
            self._wait_for_answer()
        except BaseException:
            self.kill()
            raise

    def _wait_for_answer(self) -> None:
        assert self._process is not None
        give_up_s = time.monotonic() + START_S
        while True:
            assert self._process.poll() is None, self.log.read_text()
            try:
                self.web.get("/api/health")
            except httpx.TransportError:
                assert time.monotonic() < give_up_s, self.log.read_text()
                time.sleep(0.05)
            else:
                return

    def stop(self, *, within_s: float = 60.0) -> int | None:
        """SIGTERM, and its exit status; harmless twice."""
        process, self._process = self._process, None
        if process is None:
            return None
        process.send_signal(signal.SIGTERM)
        try:
            return process.wait(within_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10.0)
            raise

    def kill(self) -> None:
        """SIGKILL: no time for anything."""
        process, self._process = self._process, None
        assert process is not None
        process.kill()
        process.wait(10.0)

    # --- questions ------------------------------------------------------------

    def get(self, path: str, **parameters: Any) -> Any:
        """The JSON of an answer that must be 200."""
        answer = self.web.get(path, params=parameters)
        assert answer.status_code == 200, (path, answer.status_code, answer.text)
        return answer.json()

    def post(self, path: str, body: object | None = None) -> Any:
        """The JSON of an answer that must be 2xx."""
        answer = self.web.post(path, json=body)
        assert answer.is_success, (path, answer.status_code, answer.text)
        return answer.json()

    def now(self) -> dict[str, Any]:
        """The first chamber of the first page."""
        chamber: dict[str, Any] = self.get("/api/now")["chambers"][0]
        return chamber

    def events(self, **parameters: Any) -> list[dict[str, Any]]:
        """All changes of events."""
        items: list[dict[str, Any]] = self.get("/api/events", limit=1000, **parameters)["items"]
        return items

    @contextmanager
    def live(self, *, last_event_id: str | None = None) -> Iterator[Iterator[LiveEvent]]:
        """The live stream, event by event."""
        headers = {"Last-Event-ID": last_event_id} if last_event_id else {}
        with self.web.stream("GET", "/api/live", headers=headers) as answer:
            assert answer.status_code == 200
            yield _events(answer.iter_lines())


class LiveEvent:
    """One server-sent event."""

    def __init__(self, fields: dict[str, str]) -> None:
        self.kind = fields.get("event", "message")
        self.id = fields.get("id", "")
        self.data = json.loads(fields.get("data", "null"))


def _events(lines: Iterator[str]) -> Iterator[LiveEvent]:
    fields: dict[str, str] = {}
    for line in lines:
        if line == "":
            if fields:
                yield LiveEvent(fields)
            fields = {}
        elif not line.startswith(":"):
            name, _, value = line.partition(": ")
            fields[name] = value


def wait_until(ask: Callable[[], T | None], *, within_s: float, every_s: float = 0.2) -> T:
    """What `ask` gives as soon as that is true; fails the test after `within_s`."""
    give_up_s = time.monotonic() + within_s
    while True:
        given = ask()
        if given:
            return given
        assert time.monotonic() < give_up_s, f"not within {within_s:g} s"
        time.sleep(every_s)
