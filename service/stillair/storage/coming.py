"""What waits while a history is brought in, and how a round that was stopped is ended.

Rows wait in a journal of their own, readings in the archive under a name that no chamber has.
The transaction of the journal in which a round's token appears decides: see `brought`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from stillair.database import BUSY_MS, store_errors
from stillair.storage.archive import REMOVE_ROWS

ROWS = "rows.db"
COMING = "coming "  # begins the name under which readings wait; no chamber's key has a space
WAIT_S = 10.0


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
    _each(
        archive,
        "UPDATE stretch SET chamber = substr(chamber, length(?1) + 1) WHERE id IN"
        " (SELECT id FROM stretch WHERE chamber >= ?1 AND chamber < ?1 || '{' LIMIT ?2)",
        begin,
    )


def _forget(archive: sqlite3.Connection, begin: str) -> None:
    """Take away readings that wait for what will never come."""
    _each(
        archive,
        "DELETE FROM stretch WHERE id IN"
        " (SELECT id FROM stretch WHERE chamber >= ?1 AND chamber < ?1 || '{' LIMIT ?2)",
        begin,
    )


def _each(archive: sqlite3.Connection, query: str, begin: str) -> None:
    changed = REMOVE_ROWS
    while changed == REMOVE_ROWS:
        with store_errors("readings that came can't be sorted in"), transaction(archive):
            changed = archive.execute(query, (begin, REMOVE_ROWS)).rowcount


def clear_up(folder: Path, journal: Path, archive: Path, pictures: Path) -> None:
    """End what was stopped in the middle: what was committed is completed, the rest taken away.

    Nobody else may bring anything in meanwhile. Raises `StoreError`.
    """
    if not folder.is_dir():
        return
    token, ids = _left(folder)
    with (
        store_errors("what was left half brought in can't be cleared up"),
        closing(connected(journal)) as rows,
        closing(connected(archive)) as readings,
    ):
        committed = (
            bool(token)
            and rows.execute("SELECT 1 FROM ledger WHERE parcel = ? LIMIT 1", (token,)).fetchone()
        )
        if committed:
            reveal(readings, token)
        else:
            for each in ids:
                if not rows.execute("SELECT 1 FROM picture WHERE id = ?", (each,)).fetchone():
                    (pictures / f"{each}.jpg").unlink(missing_ok=True)
        _forget(readings, COMING)
        for path in sorted(folder.iterdir(), key=lambda each: each.name == ROWS):
            path.unlink()
        folder.rmdir()


def _left(folder: Path) -> tuple[str, list[str]]:
    """By what a round that was stopped is known, and its pictures."""
    if not (folder / ROWS).is_file():
        return "", []
    try:
        with closing(sqlite3.connect(folder / ROWS, timeout=BUSY_MS / 1000)) as rows:
            (token,) = rows.execute("SELECT word FROM token").fetchone()
            return str(token), [row[0] for row in rows.execute("SELECT id FROM picture")]
    except (sqlite3.Error, TypeError):
        return "", []  # it had not come to its pictures yet
