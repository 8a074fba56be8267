"""What waits while a history is brought in, and how a round that was stopped is ended.

Rows wait in a journal of their own, pictures and films beside it, readings in the archive
under a name that no chamber has.
The transaction of the journal in which a round's token appears decides: see `brought`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

from stillair.database import BUSY_MS, hand_over, store_errors, sync
from stillair.errors import StoreError
from stillair.storage.archive import REMOVE_ROWS
from stillair.storage.summaries import refresh

ROWS = "rows.db"
COMING = "coming "  # begins the name under which readings wait; no chamber's key has a space
WAIT_S = 10.0

Rows = list[tuple[Any, ...]]  # id, chamber, sensor, first and last instant


def connected(path: Path) -> sqlite3.Connection:
    """A connection that writes as the store's own does. Raises `StoreError`."""
    with store_errors(f"{path.name} can't be used"):
        connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=WAIT_S, isolation_level=None
        )
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA cache_size=-8000")
        return connection


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All of what is done meanwhile, or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        with suppress(sqlite3.Error):
            connection.execute("ROLLBACK")
        raise


def reveal(archive: sqlite3.Connection, token: str) -> None:
    """Give readings that wait the names of their chambers, a few at a time."""
    begin = f"{COMING}{token} "

    def name(rows: Rows) -> None:
        ids, chambers, sensors, starts_ms, ends_ms = zip(*rows, strict=True)
        names = [chamber.removeprefix(begin) for chamber in chambers]
        named = "UPDATE stretch SET chamber = ? WHERE id = ?"
        archive.executemany(named, zip(names, ids, strict=True))
        refresh(archive, zip(names, sensors, starts_ms, ends_ms, strict=True))

    _each(archive, begin, name)


def _forget(archive: sqlite3.Connection, begin: str) -> None:
    """Take away readings that wait for what will never come."""

    def forget(rows: Rows) -> None:
        archive.executemany("DELETE FROM stretch WHERE id = ?", [row[:1] for row in rows])

    _each(archive, begin, forget)


def _each(archive: sqlite3.Connection, begin: str, change: Callable[[Rows], None]) -> None:
    """Change rows of chambers whose names begin so, a few at a time, until there are none."""
    few = (
        "SELECT id, chamber, sensor, start_ms, end_ms FROM stretch"
        " WHERE chamber >= ?1 AND chamber < ?1 || '{' LIMIT ?2"
    )
    rows: Rows = [()]
    while rows:
        with store_errors("readings that came can't be sorted in"), transaction(archive):
            rows = archive.execute(few, (begin, REMOVE_ROWS)).fetchall()
            if rows:
                change(rows)


def make_homes(folder: Path, homes: Mapping[str, Path]) -> None:
    """Have the folders there into which files go that wait. Raises `StoreError`."""
    for ending, home in homes.items():
        if not any(folder.glob(f"*{ending}")):
            continue
        if not home.is_dir():
            home.mkdir(mode=0o700, parents=True)
            hand_over(home.parent, home)
        if home.stat().st_dev != folder.stat().st_dev:
            raise StoreError(f"nothing was brought in: {home} lies on another disk")


def bring_home(folder: Path, homes: Mapping[str, Path]) -> None:
    """Put files that wait where they belong. Raises `StoreError`."""
    with store_errors("files that came can't be put in their places"):
        for ending, home in homes.items():
            waiting = list(folder.glob(f"*{ending}"))
            for path in waiting:
                hand_over(home.parent, path)
                path.rename(home / path.name)
            if waiting:
                sync(home)


def clear_up(folder: Path, journal: Path, archive: Path, homes: Mapping[str, Path]) -> None:
    """End what was stopped in the middle: what was committed is completed, the rest taken away.

    `homes` are the folders of files, by what their names end with. Nobody else may bring
    anything in meanwhile. Raises `StoreError`.
    """
    if not folder.is_dir():
        return
    token = _token(folder)
    with (
        store_errors("what was left half brought in can't be cleared up"),
        closing(connected(journal)) as rows,
        closing(connected(archive)) as readings,
    ):
        if (
            token
            and rows.execute("SELECT 1 FROM ledger WHERE parcel = ? LIMIT 1", (token,)).fetchone()
        ):
            bring_home(folder, homes)
            reveal(readings, token)
        _forget(readings, COMING)
        for path in sorted(folder.iterdir(), key=lambda each: each.name == ROWS):
            path.unlink()
        folder.rmdir()


def _token(folder: Path) -> str:
    """By what a round that was stopped is known; "" where it had not come so far."""
    if not (folder / ROWS).is_file():
        return ""
    try:
        with closing(sqlite3.connect(folder / ROWS, timeout=BUSY_MS / 1000)) as rows:
            return str(rows.execute("SELECT word FROM token").fetchone()[0])
    except (sqlite3.Error, TypeError):
        return ""
