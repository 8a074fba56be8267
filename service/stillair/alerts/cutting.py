"""An end to a conversation with a server that never ends it: by the clock, or when we stop.

The timeouts of libraries count from byte to byte, so whoever sends one now and then
holds the thread for ever. Here the connection is cut under the library instead.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress


class Line:
    """One conversation; its sockets are given to `watch` as soon as they are there.

    `due` says whether it is wanted still: what one is about may change while it is begun.
    """

    def __init__(self, due: Callable[[], bool] = lambda: True) -> None:
        self.overdue = False
        self._due = due
        self._lock = threading.Lock()
        self._cut = False
        self._twins: list[socket.socket] = []

    def watch(self, made: socket.socket) -> None:
        """Cut this socket as well when the time comes, or at once if it has come."""
        # A twin, because TLS takes the socket itself away from whoever holds it.
        twin = made.dup()
        with self._lock:
            self._twins.append(twin)
        if not self.may_tell():
            _shut(twin)

    def may_tell(self) -> bool:
        """Whether what it is about may be said now; what isn't wanted any more is cut."""
        if not self._due():
            self.cut()
        return not self._cut

    def is_cut(self) -> bool:
        """Whether it has been ended, by the clock or by somebody."""
        return self._cut

    def cut(self) -> None:
        """End it under whoever reads or writes, from any thread."""
        with self._lock:
            self._cut = True
            for twin in self._twins:
                _shut(twin)

    def run_out(self) -> None:
        """End it because its time is over."""
        self.overdue = True
        self.cut()

    def close(self) -> None:
        """Let go of the sockets."""
        with self._lock:
            for twin in self._twins:
                twin.close()
            self._twins.clear()


class Lines:
    """The conversations that are under way, to end them all."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._open: set[Line] = set()
        self._closed = False

    @contextmanager
    def line(self, timeout_s: float, due: Callable[[], bool] = lambda: True) -> Iterator[Line]:
        """One of `timeout_s` seconds; after `close` one that is cut already."""
        line = Line(due)
        with self._lock:
            self._open.add(line)
            closed = self._closed
        timer = threading.Timer(timeout_s, line.run_out)
        timer.name = "deadline"
        timer.daemon = True
        timer.start()
        try:
            if closed:
                line.cut()
            yield line
        finally:
            timer.cancel()
            with self._lock:
                self._open.discard(line)
            line.close()

    def close(self) -> None:
        """End all of them, and each that begins later; safe to call twice."""
        with self._lock:
            self._closed = True
            for line in self._open:
                line.cut()


def _shut(made: socket.socket) -> None:
    with suppress(OSError):
        made.shutdown(socket.SHUT_RDWR)
