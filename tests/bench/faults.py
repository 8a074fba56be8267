"""Faults by the hand of chance, one after the other, for the bench of hours."""

from __future__ import annotations

import os
import signal
import sqlite3
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from random import Random
from subprocess import TimeoutExpired

from disks import LoopDisk
from managing import Manager
from running import RunningService
from servers import MailServer

THREADS = ("watch", "sounder", "journal writer", "archive", "camera", "pictures", "sensor top")


def say(text: str) -> None:
    print(f"{time.strftime('%H:%M:%S')} {text}", file=sys.stderr, flush=True)


class Faults:
    """One fault after the other, begun and ended by the hand of chance."""

    def __init__(
        self,
        folder: Path,
        service: RunningService,
        manager: Manager,
        mail: MailServer,
        disk: LoopDisk | None,
        chance: Random,
    ) -> None:
        self._folder, self._service, self._manager = folder, service, manager
        self._mail, self._disk, self._chance = mail, disk, chance
        self.counts: Counter[str] = Counter()
        self.harmful = True
        self._end: Callable[[], None] | None = None
        self._until_s = time.monotonic() + 10.0

    def go_on(self) -> None:
        """End a fault or begin the next when it is time."""
        if time.monotonic() < self._until_s:
            return
        if self._end is not None:
            self.end()
            self._until_s = time.monotonic() + self._chance.uniform(5.0, 40.0)
            return
        kinds = dict(self._lasting())
        if self.harmful:
            kinds |= dict(self._ending())
        name = self._chance.choice(sorted(kinds))
        self.counts[name] += 1
        say(f"fault: {name}")
        self._end = kinds[name]() or (lambda: None)
        self._until_s = time.monotonic() + self._chance.uniform(3.0, 20.0)

    def end(self) -> None:
        """All is well again."""
        end, self._end = self._end, None
        if end is not None:
            end()

    def _lasting(self) -> Iterator[tuple[str, Callable[[], Callable[[], None] | None]]]:
        yield "the bus hangs", lambda: self._hang("SimulatedSensor")
        yield "the camera hangs", lambda: self._hang("SimulatedCamera")
        yield "the mail server is gone", self._no_mail
        yield "the journal is locked", self._lock
        if self._disk is not None:
            yield "the disk is full", self._fill
            yield "the disk hangs", self._freeze

    def _ending(self) -> Iterator[tuple[str, Callable[[], Callable[[], None] | None]]]:
        yield "a kill", lambda: self._signal(signal.SIGKILL)
        yield "the pages are held up", lambda: self._signal(signal.SIGUSR1)
        yield "everything is held up", lambda: self._signal(signal.SIGUSR2)
        yield "a thread dies", self._end_thread
        if self._disk is not None:
            yield "the power is cut", self._cut_power
            yield "the disk turns read-only", self._read_only

    def _hang(self, twin: str) -> Callable[[], None]:
        (self._folder / "hang").write_text(twin)
        return (self._folder / "hang").unlink

    def _no_mail(self) -> Callable[[], None]:
        self._mail.stop()
        return self._mail.start

    def _lock(self) -> Callable[[], None]:
        other = sqlite3.connect(
            self._service.folder / "journal.db", timeout=10.0, isolation_level=None
        )
        other.execute("BEGIN IMMEDIATE")
        return other.close

    def _fill(self) -> Callable[[], None]:
        assert self._disk is not None
        self._disk.fill()
        return self._disk.make_room

    def _freeze(self) -> Callable[[], None]:
        assert self._disk is not None
        self._disk.freeze()
        return self._disk.thaw

    def _signal(self, number: signal.Signals | int) -> None:
        with suppress(ProcessLookupError):
            os.kill(self._service.pid, number)

    def _end_thread(self) -> None:
        name = self._chance.choice(THREADS)
        say(f"  {name}")
        (self._folder / "end").write_text(name)
        self._signal(signal.SIGRTMIN)

    @contextmanager
    def _by_hand(self) -> Iterator[None]:
        """The disk is taken out and put in again, and whoever works on it ends and begins."""
        assert self._disk is not None
        self._manager.by_hand.set()
        yield
        self._disk.unmount()
        self._disk.power_on()
        self._service.start()
        self._manager.restarts += 1
        self._manager.by_hand.clear()

    def _cut_power(self) -> None:
        assert self._disk is not None
        with self._by_hand():
            self._disk.cut_power()
            self._service.kill()

    def _read_only(self) -> Callable[[], None]:
        assert self._disk is not None
        self._disk.turn_read_only()

        def renew() -> None:
            with self._by_hand(), suppress(TimeoutExpired):
                self._service.stop()

        return renew
