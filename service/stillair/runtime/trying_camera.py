"""A look through a camera before it is written into a chamber file: one at a time, and short.

    owner's page -> CameraTrials.begin -> look_through, a program of its own
    owner's page <- state, newest picture <- its lines

It ends once nobody has asked for some seconds, after a minute and a half, and with the service.
What may be looked through is what a page may write into the chamber file, devices and streams
alone; and as each change of that file costs a start of the service, looks are counted as well:
nobody goes through a network with them. All of it runs in the loop of the web.
"""

from __future__ import annotations

import asyncio
import json
import logging
import secrets
from asyncio.subprocess import Process
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from stillair.clock import Clock, SystemClock
from stillair.config.inputs import CameraKind, CameraTable
from stillair.errors import CommandRefused, Refusal
from stillair.runtime import programs
from stillair.runtime.found import CAMERA_REMEDY
from stillair.runtime.tries import Tries
from stillair.runtime.viewing import FIRST_S, SPARE_S
from stillair.sensing.cameras import USUAL_PORTS

log = logging.getLogger(__name__)

MODULE = "stillair.runtime.look_through"
BEGINS_S = 30.0  # a small board takes some seconds to load what looks at pictures
LONGEST_S = 90.0
UNASKED_S = 8.0
LINE_BYTES = 1 << 16
PICTURE_BYTES = 1 << 20  # of 640 x 480

REMEDY = CAMERA_REMEDY | {
    CameraKind.DEVICE: "plug it in, and choose it among those that are plugged in"
}
BUSY = "Somebody else looks through a camera just now. It ends within a minute and a half."
GONE = "This look is over."
TIME_UP = "A look takes a minute and a half at most."
UNASKED = "It was closed, because nobody looked any more."
FAILED = "the program that looks through it failed"


class TrialState(StrEnum):
    OPENING = "opening"
    SHOWING = "showing"
    FAILED = "failed"  # it can't be watched by as it is; `told` and `todo` say why
    OVER = "over"


@dataclass(slots=True)
class CameraTrial:
    """One look through one camera, as far as it has come. Holds no address."""

    id: str
    by: str
    until_s: float
    asked_s: float
    remedy: str  # where the driver knows no better one
    state: TrialState = TrialState.OPENING
    told: str = ""
    todo: str = ""
    pictures: int = 0
    frames_per_s: float | None = None
    is_settling: bool = False
    view: Mapping[str, Any] | None = None
    jpeg: bytes | None = field(default=None, repr=False)
    heard: asyncio.Event = field(default_factory=asyncio.Event, repr=False)  # of its program

    @property
    def runs(self) -> bool:
        return self.state in (TrialState.OPENING, TrialState.SHOWING)

    def end(self, state: TrialState, told: str, todo: str = "") -> None:
        """No picture is kept of what is over."""
        if self.runs:
            self.state, self.told, self.todo, self.jpeg = state, told, todo, None


class CameraTrials:
    """At most one camera on trial.

    Methods are called in one loop. Raise `CommandRefused`, and `begin` `TooManyTriesError`.
    """

    def __init__(self, *, clock: Clock | None = None) -> None:
        self._clock = clock or SystemClock()
        self._trial: CameraTrial | None = None
        self._task: asyncio.Task[None] | None = None
        self._begins = asyncio.Lock()
        self._tries = Tries()

    async def begin(self, of: CameraTable, by: str, *, width_mm: float | None) -> CameraTrial:
        """Begin to look through a camera; another look of the same person ends first."""
        async with self._begins:
            if self._trial is not None and self._trial.runs and self._trial.by != by:
                raise CommandRefused(Refusal.CONFLICT, BUSY)
            now_s = self._clock.now_s()
            self._tries.check(now_s)
            await self.stop()
            self._tries.begin(now_s)
            self._trial = CameraTrial(
                secrets.token_hex(16), by, now_s + LONGEST_S, now_s, REMEDY[of.kind]
            )
            question = {
                "source": of.source,
                "width": of.width,
                "height": of.height,
                "frames_per_s": of.frames_per_s,
                "lock": of.lock,
                "width_mm": width_mm,
            }
            self._task = asyncio.create_task(
                self._run(self._trial, json.dumps(question).encode() + b"\n"),
                name="a look through a camera",
            )
            return self._trial

    def asked(self, trial: str) -> CameraTrial:
        """How a look is; asking keeps it going."""
        found = self._trial
        if found is None or not secrets.compare_digest(found.id.encode(), trial.encode()):
            raise CommandRefused(Refusal.UNKNOWN, GONE)
        found.asked_s = self._clock.now_s()
        return found

    async def end(self, trial: str) -> None:
        """Close the camera; returns when it is closed. Harmless if it is over."""
        with suppress(CommandRefused):
            self.asked(trial).end(TrialState.OVER, GONE)
            await self.stop()

    async def stop(self) -> None:
        """Let go of whatever is looked through; returns when it is closed."""
        task, trial = self._task, self._trial
        if task is not None:
            if not task.cancelling():  # a second time, it would be torn from its closing
                task.cancel()
            await asyncio.wait([task])
        if trial is not None:
            trial.end(TrialState.OVER, GONE)

    # --- the program -----------------------------------------------------------

    async def _run(self, trial: CameraTrial, question: bytes) -> None:
        process: Process | None = None
        try:
            process = await programs.begun(MODULE, longest_line_bytes=LINE_BYTES, quiet=True)
            await self._follow(trial, process, question)
        except OSError as error:
            log.warning("no look through a camera: %s", error)
            trial.end(TrialState.FAILED, FAILED)
        except (ValueError, KeyError, TypeError, AttributeError, EOFError, RecursionError) as error:
            log.warning("a look through a camera failed: %s", type(error).__name__)
            trial.end(TrialState.FAILED, FAILED, trial.remedy)
        finally:
            if process is not None:
                await programs.ended(process)

    async def _follow(self, trial: CameraTrial, process: Process, question: bytes) -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(question)  # and it stays open: its end would be the end
        await process.stdin.drain()
        told_s, patience_s, hung = trial.until_s - LONGEST_S, BEGINS_S, FAILED
        reading = asyncio.ensure_future(_told(process.stdout))
        try:
            while trial.runs:
                await asyncio.wait([reading], timeout=0.5)
                now_s = self._clock.now_s()
                if reading.done():
                    told, jpeg = reading.result()
                    reading = asyncio.ensure_future(_told(process.stdout))
                    _take(trial, told, jpeg)
                    told_s = now_s
                    if trial.pictures:
                        patience_s, hung = SPARE_S, "it gave pictures, and then hung"
                    else:
                        patience_s, hung = FIRST_S, f"no picture within {FIRST_S:g} s"
                if now_s > trial.until_s:
                    trial.end(TrialState.OVER, TIME_UP)
                elif now_s - trial.asked_s > UNASKED_S:
                    trial.end(TrialState.OVER, UNASKED)
                elif now_s - told_s > patience_s:
                    trial.end(TrialState.FAILED, hung, trial.remedy)
        finally:
            reading.cancel()
            await asyncio.wait([reading])


async def _told(stream: asyncio.StreamReader) -> tuple[Mapping[str, Any], bytes]:
    """The next line, and the picture that belongs to it. Raises `ValueError`, `EOFError`."""
    line = await stream.readline()
    if not line:
        raise EOFError
    told = json.loads(line)
    length = int(told.get("picture_bytes", 0))
    if not 0 <= length <= PICTURE_BYTES:
        raise ValueError("too large a picture")
    return told, await stream.readexactly(length)


def _take(trial: CameraTrial, told: Mapping[str, Any], jpeg: bytes) -> None:
    trial.heard.set()
    if "failed" in told:
        trial.end(TrialState.FAILED, str(told["failed"]), str(told["todo"]) or trial.remedy)
    elif "view" in told:
        trial.view = told["view"]
    elif jpeg:
        trial.state, trial.jpeg = TrialState.SHOWING, jpeg
        trial.pictures += 1
        trial.frames_per_s, trial.is_settling = told["frames_per_s"], told["settling"]


def same_camera(one: str, other: str) -> bool:
    """Whether two sources are one camera, however they are written."""
    return _identity(one) == _identity(other)


def _identity(source: str) -> tuple[object, ...]:
    if "://" not in source:
        return (str(Path(source).resolve()),)
    parts = urlsplit(source)
    scheme = parts.scheme.lower()
    # Whoever signs in with another name looks through the same one.
    port = parts.port or USUAL_PORTS.get(scheme)
    return scheme, (parts.hostname or "").lower(), port, parts.path or "/", parts.query
