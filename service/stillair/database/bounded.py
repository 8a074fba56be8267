"""A connection to PostgreSQL on which no answer is waited for without end.

The server bounds its own questions, as long as it runs. One that stands still, stopped or with a
disk that hangs, bounds nothing, while the kernel beneath it goes on confirming each packet: then
neither keepalives nor TCP_USER_TIMEOUT see anything wrong. Imported where a server is first used.
"""

from __future__ import annotations

import os
import socket
import threading
import weakref
from contextlib import suppress
from typing import Any

from psycopg import Connection, OperationalError
from psycopg.errors import _WaitTimeout
from sqlalchemy import Engine, event


class BoundedConnection(Connection[Any]):
    """Lets the server go, with an `OperationalError`, where an answer takes longer than that."""

    answer_s = 60.0

    def wait(self, gen: Any, interval: float = 0.1, timeout: float | None = None) -> Any:
        """Wait for what a question gives; what the driver bounds itself it bounds as before."""
        if timeout is not None:
            return super().wait(gen, interval, timeout)
        try:
            return super().wait(gen, interval, self.answer_s)
        except _WaitTimeout:
            self.pgconn.finish()  # whatever it says later belongs to no question
            raise OperationalError(f"it says nothing within {self.answer_s:g} s") from None


class Lines:
    """The connections of an engine, which another thread may cut.

    Parameters
    ----------
    answer_s : float
        How long each answer is waited for, s.
    """

    def __init__(self, engine: Engine, answer_s: float) -> None:
        self._open: weakref.WeakSet[BoundedConnection] = weakref.WeakSet()
        self._is_cut = threading.Event()
        self._lock = threading.Lock()

        @event.listens_for(engine, "do_connect")
        def _connect(_dialect: object, _record: object, words: Any, named: Any) -> Any:
            if self._is_cut.is_set():
                raise OperationalError("it was let go")
            connection = BoundedConnection.connect(*words, **named)
            connection.answer_s = answer_s
            with self._lock:
                if not self._is_cut.is_set():
                    self._open.add(connection)
                    return connection
            connection.close()  # it was on its way meanwhile
            raise OperationalError("it was let go")

    def cut(self) -> None:
        """From any thread: whoever waits for an answer waits no more. There are no new ones."""
        with self._lock:
            self._is_cut.set()
            found = list(self._open)
        for connection in found:
            # Of a number of its own, so that the driver closes what it has opened.
            with (
                suppress(OSError, OperationalError),
                socket.socket(fileno=os.dup(connection.pgconn.socket)) as line,
            ):
                line.shutdown(socket.SHUT_RDWR)
