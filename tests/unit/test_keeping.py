"""Flushing readings: what fails or hangs is told, once, and so is its end."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import cast

import pytest

from stillair.clock import ManualClock
from stillair.errors import StoreError
from stillair.runtime import keeping
from stillair.runtime.keeping import LATE_S, ArchiveLoop
from stillair.storage.archive import Archive

ENOUGH_S = 20.0


class Files:
    """An archive whose disk does what the test says."""

    repaired = None
    lost = 0

    def __init__(self) -> None:
        self.answers = threading.Event()
        self.asked = threading.Event()
        self.error: Exception | None = None

    def flush(self) -> None:
        self.asked.set()
        assert self.answers.wait(ENOUGH_S)
        if self.error is not None:
            raise self.error

    def close(self) -> None:
        pass


class Told:
    """Who listens, and fails at it when the test says so."""

    def __init__(self) -> None:
        self.troubles: list[tuple[bool, str]] = []
        self.broken = False

    def __call__(self, failing: bool, reason: str) -> None:
        self.troubles.append((failing, reason))
        if self.broken:
            raise RuntimeError("nobody is there")


def until(ask: Callable[[], bool]) -> None:
    give_up_s = time.monotonic() + ENOUGH_S
    while not ask():
        assert time.monotonic() < give_up_s
        time.sleep(0.002)


@pytest.fixture(autouse=True)
def often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeping, "FLUSH_EVERY_S", 0.002)


def test_a_flush_that_hangs_is_told_until_it_ends() -> None:
    files, told, clock = Files(), Told(), ManualClock()
    loop = ArchiveLoop(cast("Archive", files), told, monotonic_s=clock.now_s)
    loop.start()
    assert files.asked.wait(ENOUGH_S)
    loop.check()
    assert told.troubles == []
    clock.advance(LATE_S + 1.0)
    for _ in range(3):
        loop.check()
    ((failing, reason),) = told.troubles
    assert failing
    assert "answer" in reason
    files.answers.set()
    until(lambda: told.troubles[-1] == (False, ""))
    assert loop.alive
    loop.stop()
    assert loop.alive, "it was told to end"


@pytest.mark.parametrize(
    ("error", "reason"),
    [(StoreError("the disk is full"), "the disk is full"), (KeyError("row"), "stumbled")],
    ids=["a store that fails", "a defect"],
)
def test_what_fails_is_told_once_even_if_who_is_told_fails(error: Exception, reason: str) -> None:
    files, told = Files(), Told()
    files.answers.set()
    files.error, told.broken = error, True
    loop = ArchiveLoop(cast("Archive", files), told)
    loop.start()
    until(lambda: bool(told.troubles))
    files.error = None
    until(lambda: told.troubles[-1] == (False, ""))
    assert len(told.troubles) == 2
    assert reason in told.troubles[0][1]
    assert loop.alive
    loop.stop()


# Its end is the fault that is injected.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_thread_that_ended_by_itself_is_missed() -> None:
    class Fatal(Files):
        def flush(self) -> None:
            raise SystemExit

    loop = ArchiveLoop(cast("Archive", Fatal()), Told())
    assert loop.alive, "not begun yet"
    loop.start()
    until(lambda: not loop.alive)
    loop.stop()
