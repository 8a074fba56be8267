"""Changes of chamber files as they were made: for undoing the last, and for new settings on trial.

New settings count once a process that runs by them has watched for some seconds. Until then
they are on trial: if they can't be started with, or the process ends before, the file is put
back as it was, and the next start watches by it and says so. It lies in one small private file.
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, Field, ValidationError

from stillair.alerts import files
from stillair.errors import CommandRefused, Refusal, SettingsError, StillairError, StoreError
from stillair.runtime.chamber_file import ChamberFile, digest_of

log = logging.getLogger(__name__)

FILE = "chamber-changes.json"
MOST = 20  # changes that can be undone, one after the other
BYTES = 4 << 20
PROVEN_S = 5.0  # after which settings that are watched by count
UNDONE = "Undone:"
NOTHING = "There is no change of this file to undo, or it was changed by hand since."
ENDED = "the service ended with them before it had watched for some seconds"


class Done(BaseModel):
    """One change of one file, with the text before it."""

    file: str
    before: str = Field(repr=False)  # it may hold a password
    after: str  # what the text after it is known by
    words: list[str]
    by: str
    at: datetime


class Returned(BaseModel):
    """A change that was taken back by itself, and why."""

    file: str
    words: list[str]
    why: str
    at: datetime


class _Kept(BaseModel):
    done: Annotated[list[Done], Field(max_length=MOST)] = []
    on_trial: bool = False  # the last of them
    starts: int = 0  # with what is on trial
    returned: Returned | None = None
    gap_s: float | None = None  # for which nothing was watched, the last time


class Trial:
    """What was changed in the files of this data directory; every method is quick."""

    def __init__(self, folder: Path, wall: Callable[[], datetime]) -> None:
        self._path = folder / FILE
        self._wall = wall
        self._lock = threading.Lock()
        self._kept = self._read()

    @property
    def pending(self) -> bool:
        """Whether settings are on trial."""
        return self._kept.on_trial

    @property
    def returned(self) -> Returned | None:
        """The last change, if it was taken back by itself and none has come since."""
        return self._kept.returned

    @property
    def gap_s(self) -> float | None:
        """For how long nothing was watched when settings were last taken into use."""
        return self._kept.gap_s

    def took(self, gap_s: float) -> None:
        """For how long nothing was watched just now."""
        with self._lock:
            self._kept.gap_s = gap_s
            self._write(loudly=False)

    def seen(self) -> None:
        """Somebody has read that a change was taken back. Raises `StoreError`."""
        with self._lock:
            self._kept.returned = None
            self._write()

    def last(self, file: Path) -> Done | None:
        """The newest change of a file."""
        return next((d for d in reversed(self._kept.done) if d.file == str(file)), None)

    def begin(self) -> None:
        """A process starts: count it, and put back what an earlier one didn't come up with."""
        if not self.pending:
            return
        done = self._kept.done[-1]
        try:
            now = ChamberFile(Path(done.file)).read().digest
        except SettingsError:
            now = "?"  # somebody has been there
        if now != done.after:
            # It was never written, or changed by hand since, which is nobody's trial.
            with self._lock:
                if now == digest_of(done.before):
                    self._kept.done.pop()
                self._kept.on_trial = False
                self._write()
        elif self._kept.starts > 0:
            try:
                self.give_back(ENDED)
            except StillairError as error:  # then by what is there, which may do
                log.error("%s could not be put back: %s", done.file, error)
        else:
            with self._lock:
                self._kept.starts += 1
                self._write()

    def change(self, file: ChamberFile, base: str, text: str, words: list[str], by: str) -> None:
        """Write a file and put it on trial. Raises `CommandRefused`, `StoreError`."""
        before = file.read()
        done = Done(
            file=str(file.path),
            before=before.text,
            after=digest_of(text),
            words=words,
            by=by,
            at=self._wall(),
        )
        with self._lock:
            kept = self._kept
            # First what was there: after a power cut it can be put back.
            all_done = [*kept.done, done][-MOST:]
            self._kept = _Kept(done=all_done, on_trial=True, gap_s=kept.gap_s)
            try:
                self._write()
                file.write(text, base)
            except StillairError:
                self._kept = kept
                self._write(loudly=False)
                raise

    def undo(self, file: ChamberFile, base: str, by: str) -> Done:
        """Put the text before the newest change back; it goes on trial as any other.

        Raises `CommandRefused`, `StoreError`.
        """
        done = self.last(file.path)
        if done is None or done.after != base:
            raise CommandRefused(Refusal.CONFLICT, NOTHING)
        rest = [each for each in self._kept.done if each is not done]
        self.change(file, base, done.before, [UNDONE, *done.words], by)
        with self._lock:  # two undone are two steps back, not forth and back
            self._kept.done = [*rest[-(MOST - 1) :], self._kept.done[-1]]
            self._write(loudly=False)
        return done

    def passed(self) -> None:
        """The settings on trial have been watched by."""
        if not self.pending:
            return
        with self._lock:
            if self._kept.done and self._kept.done[-1].words[:1] == [UNDONE]:
                self._kept.done.pop()
            self._kept.on_trial, self._kept.starts = False, 0
            self._write(loudly=False)

    def give_back(self, why: str) -> None:
        """Put the file back as it was before what is on trial. Raises `CommandRefused`."""
        with self._lock:
            done = self._kept.done[-1]
            file = ChamberFile(Path(done.file))
            log.error("%s is put back as it was: %s", done.file, why)
            file.write(done.before, done.after)
            at = self._wall()
            returned = Returned(file=done.file, words=done.words, why=why, at=at)
            rest = self._kept.done[:-1]
            self._kept = _Kept(done=rest, returned=returned, gap_s=self._kept.gap_s)
            self._write(loudly=False)

    def _read(self) -> _Kept:
        try:
            content = files.read(self._path, BYTES)
            return _Kept() if content is None else _Kept.model_validate_json(content[:BYTES])
        except (StoreError, ValidationError) as error:
            # What could be undone can't be any more; the files themselves are whole.
            log.warning("%s can't be read: %s", self._path.name, type(error).__name__)
            return _Kept()

    def _write(self, *, loudly: bool = True) -> None:
        try:
            files.write(self._path, json.dumps(self._kept.model_dump(mode="json")).encode())
        except StoreError as error:
            if loudly:
                raise
            log.warning("%s", error)
