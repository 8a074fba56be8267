"""What the service says of itself, written by a thread that nothing waits for.

A log goes to a disk in the end, its own or that of the service manager. When
that one hangs, whoever writes a line hangs with it; the watch says a thing
now and then, so it must not be the one who writes.
"""

from __future__ import annotations

import logging
import logging.handlers
import os
import queue
import threading
from contextlib import suppress
from typing import Self

LINES = 2_000  # wait in memory while nobody takes them, some 400 kB
CLOSE_S = 0.5  # what the last lines get when the service ends


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
    def begin(cls, form: str, level: int = logging.INFO) -> Self:
        """Let everything that is logged in this process come here."""
        log = cls(form)
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
