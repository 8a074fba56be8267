"""Open a SQLite file so that what is kept in it survives, or say in one sentence why not.

A store may also lie on a server (`server`), and who reads need not know (`Reads`).

The rooms that keep something (`storage`, `access`) each own a file and the
versions of its tables; what holds for every such file is here: the pragmas,
one writer at a time, the check for damage, setting a damaged file aside, and
bringing tables up to date.

References
----------
SQLite documentation: "Write-Ahead Logging", "PRAGMA synchronous",
"PRAGMA quick_check", "Result and Error Codes".
"""

from __future__ import annotations

import logging
import os
import re
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

from sqlalchemy import URL, Engine, MetaData, create_engine, event, inspect, text
from sqlalchemy.engine import Connection
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from stillair.errors import StoreError

log = logging.getLogger(__name__)

PAGE_BYTES = 4096  # SQLite's own
BUSY_MS = 2_000  # another process may hold the file this long before we say so
WAL_LIMIT_BYTES = 4 * 2**20  # what is left of a write-ahead log once it has been written back
DAMAGED = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
# Alembic keeps the file that it works on in module variables: a second one at the same time,
# from another thread, would meet half of the first one's, with a KeyError or worse.
_ONE_AT_A_TIME = threading.Lock()
# As libpq words it: where it sought a server, and what came of that.
_UNREACHED = re.compile(
    r'connection to server at "([^"]{1,255})"(?: \([^)]*\))?, port (\d+) failed: '
    r"(?:FATAL: +)?([^\n]{1,200})"
)
# As alembic makes it.
_VERSION = (
    "CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL,"
    " CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num))"
)


@dataclass(frozen=True, slots=True)
class Versions:
    """Where the versions of a store's tables lie, and the newest of them.

    A new file is made from `tables`, where they are given, with pages of `page_bytes`.
    """

    folder: Path
    head: str
    tables: MetaData | None = None
    page_bytes: int = PAGE_BYTES


def _connect(path: Path, pragmas: tuple[str, ...], begin: str, pool_size: int) -> Engine:
    engine = create_engine(
        URL.create("sqlite", database=str(path)),
        pool_size=pool_size,
        max_overflow=0,
        pool_timeout=5.0,
        connect_args={"timeout": BUSY_MS / 1000},
        hide_parameters=True,  # an error is logged, and a row may hold a name or a hash
    )

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _record: object) -> None:
        # The driver's own transaction handling begins too late and commits before DDL.
        connection.isolation_level = None
        cursor = connection.cursor()
        for pragma in pragmas:
            cursor.execute(f"PRAGMA {pragma}")
        cursor.close()

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql(begin)

    return engine


def writer_engine(path: Path, *, synchronous: str = "FULL", page_bytes: int = PAGE_BYTES) -> Engine:
    """One connection that writes; its transactions take the file's write lock at once."""
    pragmas = (
        f"busy_timeout={BUSY_MS}",
        f"page_size={page_bytes}",  # this and the next count only for a new file
        "auto_vacuum=INCREMENTAL",
        "journal_mode=WAL",
        f"synchronous={synchronous}",
        f"journal_size_limit={WAL_LIMIT_BYTES}",
        "foreign_keys=ON",
        "cache_size=-1000",
    )
    return _connect(path, pragmas, "BEGIN IMMEDIATE", 1)


def reader_engine(path: Path, *, pool_size: int = 4) -> Engine:
    """A bounded pool of connections that can't change anything."""
    pragmas = (f"busy_timeout={BUSY_MS}", "query_only=ON", "cache_size=-1000")
    return _connect(path, pragmas, "BEGIN", pool_size)


def _sqlite_code(error: BaseException) -> int:
    """SQLite's primary result code of an error from any layer, or 0."""
    original: BaseException | None = error.orig if isinstance(error, DBAPIError) else error
    code = getattr(original, "sqlite_errorcode", 0)
    return int(code) & 0xFF if isinstance(code, int) else 0


def is_damage(error: BaseException) -> bool:
    """Whether an error says that the file itself is broken, as opposed to busy or full."""
    return _sqlite_code(error) in DAMAGED


class DamagedStoreError(StoreError):
    """The file itself is broken; asking again can't help, setting it aside can."""


@contextmanager
def store_errors(doing: str, of: type[StoreError] = StoreError) -> Iterator[None]:
    """Turn every error of the layers below into a `StoreError` of one sentence."""
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error, OSError) as error:
        original = error.orig if isinstance(error, DBAPIError) else error
        kind = DamagedStoreError if is_damage(error) else of
        raise kind(f"{doing}: {_reason(original)}") from error


def _reason(error: BaseException | None) -> str:
    """Why, on one line; a server that can't be reached in few words, and where it was sought."""
    told = str(error)
    if (found := _UNREACHED.search(told)) is not None:
        host, port, why = found.groups()
        return f"{why[:1].lower()}{why[1:]} at {host}:{port}"
    return told.splitlines()[0] if told else type(error).__name__


def inode_of(path: Path) -> int | None:
    """Which file a path names now, None if none: to notice that it has been replaced."""
    try:
        return path.stat().st_ino
    except OSError:
        return None


def inodes_of(path: Path) -> tuple[int | None, int | None]:
    """Which files a store consists of now: without its log what is committed next is lost."""
    return inode_of(path), inode_of(siblings(path)[1])


def plain(words: str) -> str:
    """Text that every store takes: no half of a character pair, no zero byte."""
    return words.encode("utf-8", "replace").decode("utf-8").replace("\0", " ")


def siblings(path: Path) -> tuple[Path, ...]:
    """A SQLite file and the two that SQLite keeps beside it."""
    return (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm"))


def set_aside(path: Path, now_at: datetime) -> Path:
    """Move a damaged file out of the way under a dated name; returns that name."""
    stamp = now_at.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    aside = path.with_name(f"{path.name}.damaged-{stamp}")
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}.damaged-{stamp}-{number}")
    for old, new in zip(siblings(path), siblings(aside), strict=True):
        with suppress(FileNotFoundError):
            old.rename(new)
    return aside


def put_back(engine: Engine, path: Path, inode: int | None) -> str:
    """Write a file that somebody has removed anew, from the connection that still holds it.

    What a name led to stays readable for who has it open, its write-ahead log
    included. `inode` is that of the file that was opened. Closes the engine.
    Returns one sentence that says what was found and done, also where another
    file lies there now: that one is left alone.
    """
    part = path.with_name(f"{path.name}.part")
    try:
        present = inode_of(path)
        if present is not None and present == inode:
            with (
                store_errors("its log can't be written back"),
                closing(engine.raw_connection()) as raw,
            ):
                raw.cursor().execute("PRAGMA wal_checkpoint(FULL)")
            return f"the log of {path.name} was removed while it was in use; nothing is lost by it"
        if present is not None:
            return f"{path.name} was replaced by another file while it was in use"
        with store_errors("it can't be written anew"):
            part.unlink(missing_ok=True)
            os.close(os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
            with closing(engine.raw_connection()) as held, closing(sqlite3.connect(part)) as copy:
                source: Any = held.driver_connection
                source.backup(copy)
        # Closing takes away the old log, which must not lie beside the new file.
        engine.dispose()
        with store_errors("it can't be written anew"):
            for old in siblings(path)[1:]:
                old.unlink(missing_ok=True)
            sync(part)
            part.rename(path)
            sync(path.parent)
    except StoreError as error:
        with suppress(OSError):
            part.unlink()
        log.warning("%s was removed, and %s", path.name, error)
        return f"{path.name} was removed while it was in use, and a new one begun"
    finally:
        engine.dispose()
    return f"{path.name} was removed while it was in use; what was in it has been written anew"


def hand_over(folder: Path, path: Path) -> None:
    """Give what root makes to whom the data directory belongs: the service has to use it."""
    if os.geteuid() == 0:
        owner = folder.stat()
        # Whoever it belongs to may have put a link there.
        os.chown(path, owner.st_uid, owner.st_gid, follow_symlinks=False)


def sync(path: Path) -> None:
    """Bring a file, or the names in a folder, to the disk."""
    file = os.open(path, os.O_RDONLY)
    try:
        os.fsync(file)
    finally:
        os.close(file)


def check_soundness(path: Path) -> None:
    """Read the whole file once. Raises `DamagedStoreError` if any of it is broken."""
    if not path.exists() or path.stat().st_size == 0:
        return
    with store_errors(f"{path.name} can't be read"):
        connection = sqlite3.connect(path, timeout=BUSY_MS / 1000)
        try:
            (verdict,) = connection.execute("PRAGMA quick_check(1)").fetchone()
        finally:
            connection.close()
    if verdict != "ok":
        raise DamagedStoreError(f"{path.name} is damaged: {str(verdict).splitlines()[0]}")


def version_of(connection: Connection) -> str | None:
    """The version of the tables in a store, or None in a new one."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    row = connection.execute(text("SELECT version_num FROM alembic_version")).first()
    return str(row[0]) if row else None


def bring_up_to_date(engine: Engine, versions: Versions, *, target: str = "head") -> None:
    """Change the tables to the newest version in one transaction, or leave them untouched.

    Raises `StoreError`, also for a file that a newer program has written.
    """
    with store_errors("tables can't be brought up to date"), engine.begin() as connection:
        bring_tables_up_to_date(connection, versions, target=target)


def bring_tables_up_to_date(
    connection: Connection, versions: Versions, *, target: str = "head"
) -> None:
    """The same within a transaction that somebody else has begun."""
    present = version_of(connection)
    if present == (versions.head if target == "head" else target):
        return
    if versions.tables is not None and target == "head" and _is_new_file(connection):
        versions.tables.create_all(connection)
        connection.exec_driver_sql(_VERSION)
        connection.execute(
            text("INSERT INTO alembic_version VALUES (:head)"), {"head": versions.head}
        )
        return
    with _ONE_AT_A_TIME:
        _upgrade(connection, versions, target, present)


def _is_new_file(connection: Connection) -> bool:
    return (
        connection.dialect.name == "sqlite"
        and connection.exec_driver_sql("SELECT 1 FROM sqlite_master").first() is None
    )


def _upgrade(connection: Connection, versions: Versions, target: str, present: str | None) -> None:
    # 12 MB of memory and 0.1 s that a file which is new or up to date never needs.
    from alembic import command
    from alembic.config import Config
    from alembic.util.exc import CommandError

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent))
    config.set_main_option("version_locations", str(versions.folder))
    config.set_main_option("path_separator", "newline")
    config.attributes["connection"] = connection
    try:
        command.upgrade(config, target)
    except CommandError as error:
        raise StoreError(
            f"its tables have version {present}, which this program does not know; "
            "was it written by a newer one?"
        ) from error


def open_store(
    path: Path,
    versions: Versions,
    *,
    synchronous: str = "FULL",
    check: bool = True,
    mend: bool = True,
    rescue: Callable[[Path, Engine], int] | None = None,
    wall: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> tuple[Engine, str | None]:
    """Open a file for writing, up to date; a damaged one is set aside and a new one begun.

    Returns the engine and, if a file was set aside, one sentence saying so;
    `rescue` may copy what can still be read from that file into the new one.
    Raises `StoreError` if the file can't be used now: no right, no room, busy;
    and `DamagedStoreError` for a damaged one that must stay, without `mend`.
    """
    repaired: str | None = None
    aside: Path | None = None
    with store_errors(f"{path.parent} can't be used"):
        if not path.parent.is_dir():
            path.parent.mkdir(parents=True, mode=0o700)
        if not path.exists():
            os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o600))
            hand_over(path.parent, path)
    for _attempt in range(2):
        engine: Engine | None = None
        try:
            if check:
                check_soundness(path)
            engine = writer_engine(path, synchronous=synchronous, page_bytes=versions.page_bytes)
            bring_up_to_date(engine, versions)
            if aside is not None and rescue is not None:
                repaired = f"{repaired}; {rescue(aside, engine)} rows of it could be saved"
            return engine, repaired
        except DamagedStoreError as damage:
            if engine is not None:
                engine.dispose()
            if not mend:
                raise
            with store_errors(f"{path.name} is damaged and can't be set aside"):
                aside = set_aside(path, wall())
            repaired = f"{damage}; it was set aside as {aside.name} and a new one begun"
        except BaseException:
            if engine is not None:
                engine.dispose()
            raise
    raise StoreError(f"{path.name} is damaged, and so is the new one begun in its place")


class Reads(Protocol):
    """Short reads of a store that can't change anything. Thread-safe."""

    def connection(self, doing: str) -> AbstractContextManager[Connection]:
        """A connection in a read transaction. Raises `StoreError`."""

    def close(self) -> None:
        """Let the store go; harmless twice."""


def reads_of(store: Path | Reads, *, pool_size: int = 4) -> Reads:
    """Who reads a file, or who reads already."""
    return Reader(store, pool_size=pool_size) if isinstance(store, Path) else store


class Reader:
    """Short reads of a file through a bounded pool that can't change anything. Thread-safe.

    A file that has been replaced (a damaged one set aside, say) is noticed
    and the new one read.
    """

    def __init__(self, path: Path, *, pool_size: int = 4) -> None:
        self.path = path
        self._pool_size = pool_size
        self._lock = threading.Lock()
        self._engine: Engine | None = None
        self._inode: int | None = None

    @contextmanager
    def connection(self, doing: str) -> Iterator[Connection]:
        """A connection in a read transaction. Raises `StoreError`."""
        with store_errors(doing):
            # Opening a file that isn't there would make an empty one.
            engine = self._for(self.path.stat().st_ino)
            with engine.begin() as connection:
                yield connection

    def close(self) -> None:
        """Let the file go; harmless twice."""
        with self._lock:
            if self._engine is not None:
                self._engine.dispose()
                self._engine = None

    def _for(self, inode: int) -> Engine:
        with self._lock:
            if self._engine is not None and self._inode != inode:
                self._engine.dispose()
                self._engine = None
            if self._engine is None:
                self._engine = reader_engine(self.path, pool_size=self._pool_size)
                self._inode = inode
            return self._engine
