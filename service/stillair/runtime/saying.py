"""What the service says, written by a thread that nothing waits for; others' words, a few of them.

A log goes to a disk in the end, its own or that of the service manager. When
that one hangs, whoever writes a line hangs with it; the watch says a thing
now and then, so it must not be the one who writes.

Libraries and programs that were started write to standard error by themselves:
that of JPEG says a line of each damaged picture, and a camera with a bad cable
sends fifteen a second for years. So standard error leads into a pipe here, and
of what comes out of that a few lines a minute are passed on.
"""

from __future__ import annotations

import logging
import logging.handlers
import os
import queue
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import NoReturn, Self

log = logging.getLogger(__name__)

LINES = 2_000  # wait in memory while nobody takes them, some 400 kB
CLOSE_S = 0.5  # what the last lines get when the service ends
OTHERS_LINES, OTHERS_S = 10, 60.0  # so many lines of others in that time
OTHERS_LETTERS = 300


class UnhurriedLog(logging.handlers.QueueHandler):
    """Take a record without waiting; its thread writes one line for it to a file descriptor.

    While the descriptor takes nothing further lines are counted and left out,
    and their number is said once it does.
    """

    def __init__(self, form: str, *, descriptor: int = 2, lines: int = LINES) -> None:
        # Its formatter works in `prepare`, in the thread that says something: what a
        # record is about may change afterwards.
        self._lines: queue.Queue[logging.LogRecord] = queue.Queue(lines)
        super().__init__(self._lines)
        self.setFormatter(logging.Formatter(form))
        self._descriptor = descriptor
        self._left_out = 0  # in all; counted by whoever has the handler's lock
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)

    @classmethod
    def begin(cls, form: str, level: int = logging.INFO, *, descriptor: int = 2) -> Self:
        """Let everything that is logged in this process come here."""
        log = cls(form, descriptor=descriptor)
        log.start()
        logging.basicConfig(level=level, handlers=[log], force=True)
        return log

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def enqueue(self, record: logging.LogRecord) -> None:
        """Never waits."""
        try:
            self._lines.put_nowait(record)
        except queue.Full:
            self._left_out += 1

    def close(self) -> None:
        """Write what waits, for half a second at most; harmless twice."""
        if not self._closing.is_set():
            self._closing.set()
            with suppress(queue.Full):  # it doesn't wait for a line then
                self._lines.put_nowait(logging.makeLogRecord({}))
            if self._thread.ident is not None:
                self._thread.join(CLOSE_S)
        super().close()

    def _run(self) -> None:
        told = 0
        while True:
            record = self._lines.get()
            # Not through sys.stderr: a thread that hangs in it would not let the process end.
            self._write(record.getMessage())
            left_out = self._left_out - told
            if left_out:
                told += left_out
                self._write(f"WARNING {__name__}: {left_out} lines of this log were left out")
            if self._closing.is_set() and self._lines.empty():
                return

    def _write(self, line: str) -> None:
        data = f"{line}\n".encode("utf-8", "backslashreplace") if line else b""
        while data:
            try:
                data = data[os.write(self._descriptor, data) :]
            except OSError:
                return  # a full disk, or nobody reads any more


def set_others_apart() -> int:
    """Lead what others write to standard error through a pipe, and pass on a few lines of it.

    Returns a descriptor of standard error itself, for the service's own words. Python's go
    there as well, so that the last ones of a process that dies are not lost.
    """
    own = os.dup(2)
    reading, writing = os.pipe()
    os.dup2(writing, 2)
    os.close(writing)
    sys.stderr = os.fdopen(own, "w", buffering=1, errors="backslashreplace", closefd=False)
    threading.Thread(target=pass_on, args=(reading,), name="others' words", daemon=True).start()
    return own


def begin_anew(words: Sequence[str]) -> NoReturn:
    """Put this program, as Python is given it in `words`, in place of this process."""
    logging.shutdown()
    os.dup2(sys.stderr.fileno(), 2)  # the pipe of others' words ends with this process
    os.execv(sys.executable, [sys.executable, *words])  # noqa: S606 - itself, and no shell


def pass_on(
    descriptor: int,
    say: Callable[[str], None] = log.warning,
    monotonic_s: Callable[[], float] = time.monotonic,
) -> None:
    """Say a few of the lines that come, and how many were left out, until there are no more."""
    since_s, told, left_out, begun = monotonic_s(), 0, 0, b""
    while data := os.read(descriptor, 65_536):
        *lines, begun = (begun + data).split(b"\n")
        begun = begun[:OTHERS_LETTERS]  # of a line without an end
        if monotonic_s() - since_s >= OTHERS_S:
            if left_out:
                say(f"{left_out} lines that libraries wrote were left out")
            since_s, told, left_out = monotonic_s(), 0, 0
        for line in lines:
            if told < OTHERS_LINES:
                told += 1
                say(line[:OTHERS_LETTERS].decode("utf-8", "replace"))
            else:
                left_out += 1
