"""The file of people: opened when needed, written by one at a time, with a record of all acts."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Engine, delete, func, insert, select
from sqlalchemy.engine import Connection
from sqlmodel import col

from stillair.access.migrations import PEOPLE
from stillair.access.tables import Audit
from stillair.access.throttle import Throttle
from stillair.access.trail import Act, Trail
from stillair.database import Reader, inode_of, open_store, plain, store_errors
from stillair.errors import StoreError

MOST_AUDIT = 10_000


@dataclass(frozen=True, slots=True)
class AuditEntry:
    """Something that somebody did, or tried to."""

    seq: int
    at: datetime
    what: str
    subject: str
    by: str
    address: str


class Store:
    """The file, and what was done. Thread-safe.

    Parameters
    ----------
    path : Path
        The file of people.
    mend : bool
        Set a damaged file aside.
    wall, monotonic_s : callable
        Wall clock for the age of sessions, monotonic seconds for pauses.
    """

    def __init__(
        self,
        path: Path,
        *,
        mend: bool = False,
        wall: Callable[[], datetime] = lambda: datetime.now(UTC),
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.path = path
        self._mend = mend
        self._wall = wall
        self._throttle = Throttle(monotonic_s)
        self._refusals = Throttle(monotonic_s)
        self._lock = threading.RLock()
        self._reader = Reader(path)
        self._engine: Engine | None = None
        self._inode: int | None = None
        self._trail = Trail(self._keep_acts)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def ready(self) -> None:
        """Open the file unless it is open."""
        with self._lock:
            if self._engine is not None and self._inode != inode_of(self.path):
                self._let_go()
            if self._engine is None:
                self._engine, _repaired = open_store(
                    self.path, PEOPLE, mend=self._mend, wall=self._wall
                )
                self._inode = inode_of(self.path)

    def close(self) -> None:
        """Keep what waits and let the file go; it is opened again when needed. Harmless twice."""
        self._trail.flush()
        self._let_go()

    # --- record ------------------------------------------------------------------------

    def act(self, what: str, subject: str, *, by: str, address: str) -> None:
        """Put an act on record soon; never blocks, for nobody who answers an alarm waits for it."""
        self._trail.take(Act(self._now_us(), what, plain(subject[:200]), by, address[:64]))

    def refused(self, what: str, *, by: str, address: str) -> None:
        """Put on record now and then that somebody known asked for what they may not."""
        times = self._refusals.failed(by, address)
        if is_told(times):
            self.act(f"refused ({times})", what, by=by, address=address)

    def audit(self, limit: int = 100, *, after: int | None = None) -> list[AuditEntry]:
        """The newest entries, or the first of those `after` a number; newest last."""
        self._trail.flush()
        query = select(Audit).limit(min(max(limit, 1), 1_000))
        if after is None:
            query = query.order_by(col(Audit.id).desc())
        else:
            query = query.where(col(Audit.id) > after).order_by(col(Audit.id))
        with self._reading() as connection:
            rows = connection.execute(query).mappings().all()
        return [
            AuditEntry(
                row["id"],
                datetime.fromtimestamp(row["at_us"] / 1e6, UTC),
                row["what"],
                row["subject"],
                row["by"],
                row["address"],
            )
            for row in (rows if after is not None else reversed(rows))
        ]

    # --- inside ------------------------------------------------------------------------

    def _let_go(self) -> None:
        self._reader.close()
        with self._lock:
            if self._engine is not None:
                self._engine.dispose()
                self._engine = None

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        if self._engine is None:
            self.ready()
        with self._reader.connection("the file of people can't be read") as connection:
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with self._lock:
            self.ready()
            assert self._engine is not None
            with (
                store_errors("the file of people can't be written"),
                self._engine.begin() as connection,
            ):
                yield connection

    def _is_unused(self) -> bool:
        """Whether there certainly is no file, or one into which nothing was ever written."""
        try:
            return self.path.stat().st_size == 0
        except FileNotFoundError:
            return True
        except OSError:
            return False

    def _now_us(self) -> int:
        return round(self._wall().timestamp() * 1e6)

    def _note(
        self, connection: Connection, what: str, subject: str, by: str, address: str = ""
    ) -> None:
        self._add(connection, [Act(self._now_us(), what, plain(subject), by, address)])

    def _keep_acts(self, acts: list[Act]) -> bool:
        """Write acts down; False if they can't be kept just now."""
        try:
            with self._writing() as connection:
                self._add(connection, acts)
        except StoreError:
            return False
        return True

    @staticmethod
    def _add(connection: Connection, acts: list[Act]) -> None:
        rows: list[dict[str, Any]] = [
            {
                "at_us": act.at_us,
                "what": act.what,
                "subject": act.subject,
                "by": act.by,
                "address": act.address,
            }
            for act in acts
        ]
        connection.execute(insert(Audit), rows)
        newest = connection.execute(select(func.max(col(Audit.id)))).scalar() or 0
        connection.execute(delete(Audit).where(col(Audit.id) <= newest - MOST_AUDIT))


def is_told(times: int) -> bool:
    """Whether a failure that comes again and again goes on record this time.

    Not each one: a stranger must not be able to wear out the card.
    """
    return times in (1, 5) or times % 50 == 0
