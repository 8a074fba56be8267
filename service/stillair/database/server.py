"""Use a PostgreSQL that exists: read it from a bounded pool, write it from one connection.

Whatever the network or the server does, nothing here waits without end: a connection is there
within 5 s, for who reads within 3 s, a question is answered within 5 s, a peer that has vanished
is noticed within 10 s, and one that only stands still a second after it should have answered.

References
----------
PostgreSQL 15 documentation: "Database Connection Control Functions", "Client Connection Defaults".
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from sqlalchemy import URL, Engine, create_engine, make_url
from sqlalchemy.engine import Connection
from sqlalchemy.exc import ArgumentError

from stillair.database import store_errors
from stillair.errors import CopyError, StoreError

if TYPE_CHECKING:
    from stillair.database.bounded import Lines

DRIVER = "postgresql+psycopg"
CONNECT_S = 5
READS_S = 3  # before a page is told that there is none; a stop waits as long for one that asks
ANSWER_MS = 5_000
WRITE_MS = 30_000
LOCK_MS = 10_000
GONE_MS = 10_000
SLOW_S = 1.0  # one that can't be asked after so long stands still
REST_S = 10.0  # until it is asked again; longer than who asks waits, also by an old connection
LATE_S = 1.0  # first the server may say itself that it was not done in time
LONGEST_ADDRESS = 2_000


def address_of(address: str, password: str | None = None) -> str:
    """An address with its password in it. Raises `ValueError` with a sentence that has neither."""
    url = _url(address)
    return url.set(password=password or url.password).render_as_string(hide_password=False)


def place_of(address: str) -> str:
    """An address as it may be shown: who, where and which database."""
    url = _url(address)
    user = f"{url.username}@" if url.username else ""
    port = f":{url.port}" if url.port else ""
    return f"the database {user}{url.host or 'localhost'}{port}/{url.database or ''}"


def _url(address: str) -> URL:
    if not address.startswith(("postgresql://", "postgres://")) or len(address) > LONGEST_ADDRESS:
        raise ValueError("an address of PostgreSQL begins with postgresql://")
    try:
        url = make_url(f"{DRIVER}://{address.partition('://')[2]}")
    except (ArgumentError, ValueError):
        # Their words repeat the address, and so a password.
        url = None
    if url is None or not url.database:
        raise ValueError("it should be like postgresql://user@host/database")
    return url


def server_engine(address: str) -> tuple[Engine, Lines]:
    """One connection that writes; what it has committed is on the server's disk.

    Raises `StoreError` for what is no address.
    """
    return _engine(address, 1, CONNECT_S, WRITE_MS, "-c synchronous_commit=on")


def _engine(
    address: str, pool_size: int, connect_s: int, answer_ms: int, more: str
) -> tuple[Engine, Lines]:
    try:
        url = _url(address)
    except ValueError as error:
        raise StoreError(str(error)) from None
    options = (
        f"-c statement_timeout={answer_ms} -c lock_timeout={LOCK_MS}"
        f" -c idle_in_transaction_session_timeout={2 * WRITE_MS} -c timezone=UTC {more}"
    )
    with store_errors("the program for PostgreSQL can't be used"):
        from stillair.database.bounded import Lines

        engine = create_engine(
            url,
            pool_size=pool_size,
            max_overflow=0,
            pool_timeout=5.0,
            pool_pre_ping=pool_size > 1,  # one that a restart of the server has cut is made anew
            hide_parameters=True,
            connect_args={
                "connect_timeout": connect_s,
                "options": options,
                "tcp_user_timeout": GONE_MS,
                "keepalives_idle": 5,
                "keepalives_interval": 2,
                "keepalives_count": 3,
                "application_name": "stillair",
            },
        )
        return engine, Lines(engine, answer_ms / 1000 + LATE_S)


class ServerReader:
    """Short reads of a server's database that can't change anything, as `Reader` of a file.

    Thread-safe; a replica will do. The address is used at the first question. What fails of
    what `is_copy` is a `CopyError`. While the server stands still one question at a time waits
    for it, and all others are told so at once: who asks has other work for its threads.
    """

    def __init__(self, address: str, *, pool_size: int = 4, is_copy: bool = False) -> None:
        self._address = address
        self._error = CopyError if is_copy else StoreError
        self._pool_size = pool_size
        self._lock = threading.Lock()
        self._engine: Engine | None = None
        self._lines: Lines | None = None
        self._stands_still = False
        self._asked_s = 0.0  # when that was last tried

    @contextmanager
    def connection(self, doing: str) -> Iterator[Connection]:
        """A connection in a read transaction. Raises `StoreError`."""
        begun_s = time.monotonic()
        if not self._may_ask(begun_s):
            raise self._error(f"{doing}: it did not answer just now")
        try:
            with store_errors(doing, self._error), self._made().begin() as connection:
                yield connection
        except StoreError as error:
            if time.monotonic() - begun_s >= SLOW_S and _says_nothing(error.__cause__):
                self._stands_still = True
            raise
        self._stands_still = False

    def _may_ask(self, now_s: float) -> bool:
        with self._lock:
            if self._stands_still and now_s - self._asked_s < REST_S:
                return False
            self._asked_s = now_s
            return True

    def close(self) -> None:
        """Let the server go, whoever still waits for an answer; harmless twice."""
        with self._lock:
            if self._engine is not None and self._lines is not None:
                self._engine.dispose()
                self._lines.cut()
                self._engine = None

    def _made(self) -> Engine:
        with self._lock:
            if self._engine is None:
                more = "-c default_transaction_read_only=on"
                made = _engine(self._address, self._pool_size, READS_S, ANSWER_MS, more)
                self._engine, self._lines = made
            return self._engine


def _says_nothing(error: BaseException | None) -> bool:
    """Whether it was the connection that failed, and no answer."""
    from psycopg import OperationalError

    original: Any = getattr(error, "orig", error)
    return isinstance(original, OperationalError) and original.sqlstate is None


def was_refused(error: BaseException | None) -> bool:
    """Whether the server is well and won't take these values."""
    from psycopg import errors

    original: Any = getattr(error, "orig", error)
    return isinstance(original, errors.DataError | errors.IntegrityError)


def took_too_long(error: BaseException | None) -> bool:
    """Whether the server is well and was not done, or not let near it, in time."""
    from psycopg import errors

    original: Any = getattr(error, "orig", error)
    return isinstance(original, errors.QueryCanceled | errors.LockNotAvailable)
