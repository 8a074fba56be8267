"""Everything that is kept, as one file, and back again.

    data directory ──> snapshot of each store ──> tar: stores, pictures, ..., manifest.json

A backup is made while the service runs and holds nobody up: SQLite's own
backup reads each store as it is at one instant. The tail of the archive is
copied behind its store, which names it; where a new tail was begun in between,
both are taken again. Other files, pictures above all, never change.

The manifest comes last and has every file's size and SHA-256, so that a file
that was cut off or changed is never restored. A restore puts everything beside
what is there, tries it, and only then moves it into place.
"""

from __future__ import annotations

import fcntl
import hashlib
import io
import json
import os
import re
import shutil
import sqlite3
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import closing, contextmanager, nullcontext, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from stillair import __version__
from stillair.access.answers import FILE_NAME as ANSWER_KEY
from stillair.access.migrations import PEOPLE
from stillair.access.people import FILE_NAME as ACCESS
from stillair.database import BUSY_MS, Versions, check_soundness, hand_over, store_errors, sync
from stillair.errors import StillairError
from stillair.late import Late
from stillair.runtime.chamber_trial import FILE as CHANGES
from stillair.storage.migrations import ARCHIVE as ARCHIVE_VERSIONS
from stillair.storage.migrations import JOURNAL as JOURNAL_VERSIONS

if TYPE_CHECKING:
    import tarfile
else:
    tarfile = Late("tarfile")  # which a night needs, or who looks

JOURNAL, ARCHIVE = "journal.db", "archive.db"
STORES: dict[str, Versions] = {
    ARCHIVE: ARCHIVE_VERSIONS,
    ACCESS: PEOPLE,
    JOURNAL: JOURNAL_VERSIONS,  # last: its pictures are in what is copied behind it
}
FOLDER = "backups"
IN_USE = "in-use"
MANIFEST = "manifest.json"
COMING = "restoring"  # what is on its way in
BRINGING_IN = "bringing-in"  # the same of an archive
FORM = 1
KEEP = 3  # in the data directory itself, the newest of them
FREE_BYTES = 300 * 10**6  # have to be left: the journal and the readings come first
TRIES = 5
CHUNK_BYTES = 2**20
NAME = re.compile(r"backup-\d{8}T\d{6}Z\.tar")
MANIFEST_BYTES = 50 * 10**6  # of some 250,000 pictures
TAIL = re.compile(rf"{re.escape(ARCHIVE)}-tail-\d{{1,18}}")
MEMBER = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]{0,120}(?:/[A-Za-z0-9_][A-Za-z0-9._-]{0,120}){0,4}")
# Tars are backups that somebody has put there: each night's would hold all of those before.
# Without the key of links in messages: alarms that came after the backup are counted once more
# when it is brought back, and a link to one of those would answer another.
# Nor earlier chamber files: what could be undone was on another day.
_LEFT_OUT = re.compile(
    rf"{re.escape(ANSWER_KEY)}|{re.escape(CHANGES)}|in-use|.*\.damaged-.*|.*\.part|.*\.tar|.*\.log|.*\.db(?:-wal|-shm|-tail-\d+)?"
)
# Toolpaths lie there until they have been read; what they build is in the journal.
_FOLDERS_LEFT_OUT = re.compile(
    rf"{FOLDER}|{COMING}|replaced-.*|toolpaths|{BRINGING_IN}|moving|simulated-before"
)


class BackupError(StillairError):
    """A backup can't be made or restored; the message says what to do."""


@dataclass(frozen=True, slots=True)
class Made:
    """A backup that has been made."""

    path: Path
    files: int
    size_bytes: int


# --- making one -------------------------------------------------------------------------


def make(folder: Path, to: Path | None, at: datetime) -> Made:
    """Back a data directory up into the file `to`, or into its own folder of backups.

    There the oldest are given up. Raises `BackupError` and `StoreError`; then no
    half a backup is left.
    """
    if not (folder / JOURNAL).is_file():
        raise BackupError(f"{folder} holds no history to be backed up; name another --data-dir")
    own = to is None
    if to is None:
        to = folder / FOLDER / _name(at)
    if to.exists():
        raise BackupError(f"{to} is there already; name another file")
    with store_errors(f"{to} can't be written"):
        to.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        if own:
            hand_over(folder, to.parent)
        with _alone(to.parent) if own else nullcontext():
            if own:
                _need_room(folder, at)
            made = _make(folder, to, at)
            if own:
                hand_over(folder, to)
                _give_up_old(to.parent, at)
            return made


def _make(folder: Path, to: Path, at: datetime) -> Made:
    """Write the backup beside its name, and give it that once it is whole."""
    part = to.with_name(f"{to.name}.part")
    try:
        part.unlink(missing_ok=True)
        # Anew: what somebody else has put there would be theirs to read.
        descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with open(descriptor, "wb") as file:  # noqa: PTH123 - a path would be open to others
            count = _write(folder, file, to.parent, at)
            file.flush()
            os.fsync(file.fileno())
        part.rename(to)
        sync(to.parent)
    except BaseException:
        with suppress(OSError):
            part.unlink()
        raise
    return Made(to, count, to.stat().st_size)


def _need_room(folder: Path, at: datetime) -> None:
    """Give up older backups until there is room for one more. Raises `BackupError`."""
    sizes = [path.stat().st_size for path in _everything(folder)]
    # Beside the backup lies a copy of one file at a time.
    needed_bytes = FREE_BYTES + sum(sizes) + max(sizes)
    if not make_room(folder, at, needed_bytes):
        raise BackupError(
            f"no room for a backup: {needed_bytes // 10**6} MB have to be free; "
            "make some, or write it to another disk with --to"
        )


def make_room(folder: Path, at: datetime, free_bytes: int = 2 * FREE_BYTES) -> bool:
    """Give up older backups of a data directory until so much is free; True if it is.

    By itself before pictures and readings are in need; the newest backup stays.
    """
    with store_errors("backups can't be given up"):
        old = _backups(folder / FOLDER, at)
        while shutil.disk_usage(folder).free < free_bytes:
            if len(old) < 2:
                return False
            old.pop(0).unlink(missing_ok=True)
    return True


@contextmanager
def _alone(backups: Path) -> Iterator[None]:
    """Be the only one who writes there; what one that was killed left half written goes."""
    descriptor = os.open(backups, os.O_RDONLY)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise BackupError("another backup is just being made") from None
        for left in backups.glob("backup-*.part"):
            if left.is_dir():
                shutil.rmtree(left, ignore_errors=True)
            else:
                left.unlink(missing_ok=True)
        yield
    finally:
        os.close(descriptor)


def _name(at: datetime) -> str:
    return f"backup-{at.astimezone(UTC):%Y%m%dT%H%M%SZ}.tar"


def _backups(folder: Path, at: datetime) -> list[Path]:
    """The backups in a folder, oldest first.

    Those of a clock that was ahead come before all others: as the newest they
    would stay, and each one made from then on would go at once.
    """
    found = (path for path in folder.glob("backup-*.tar") if NAME.fullmatch(path.name))
    return sorted(found, key=lambda path: (path.name <= _name(at), path.name))


def newest_backup(folder: Path, at: datetime) -> tuple[datetime, int] | None:
    """When the newest of the nightly backups was made, and its bytes; None without any."""
    try:
        *_, newest = _backups(folder / FOLDER, at)
        stamp = newest.name.removeprefix("backup-").removesuffix(".tar")
        return datetime.strptime(f"{stamp[:-1]}+0000", "%Y%m%dT%H%M%S%z"), newest.stat().st_size
    except (OSError, ValueError):
        return None


def _give_up_old(folder: Path, at: datetime) -> None:
    for path in _backups(folder, at)[:-KEEP]:
        path.unlink(missing_ok=True)


def _everything(folder: Path) -> Iterator[Path]:
    """Every file that is backed up, and the stores."""
    yield from (folder / name for name in STORES if (folder / name).is_file())
    yield from (path for path, _ in _others(folder))


def _others(folder: Path) -> Iterator[tuple[Path, str]]:
    """Files that are no store, with their names in the backup: pictures, keys, what waits."""
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if _is_other(name) and path.is_file() and not path.is_symlink():
            yield path, name


def _is_other(name: str) -> bool:
    """Whether a backup takes along what is called so, beside the stores."""
    return (
        MEMBER.fullmatch(name) is not None
        and not _FOLDERS_LEFT_OUT.fullmatch(name.partition("/")[0])
        and not _LEFT_OUT.fullmatch(name.rpartition("/")[2])
    )


def _write(folder: Path, file: IO[bytes], beside: Path, at: datetime) -> int:
    """Write the whole backup; returns how many files it holds."""
    files: dict[str, dict[str, object]] = {}
    with (
        tarfile.open(fileobj=file, mode="w", format=tarfile.PAX_FORMAT) as tar,
        tempfile.TemporaryDirectory(prefix="backup-", suffix=".part", dir=beside) as made,
    ):
        scratch = Path(made)
        for name in STORES:
            if not (folder / name).is_file():
                continue
            copies = (
                _with_tail(folder, scratch) if name == ARCHIVE else [_copy(folder, name, scratch)]
            )
            for copy in copies:
                files[copy.name] = _add(tar, copy, copy.name)
                copy.unlink()
        for path, name in _others(folder):
            # A picture may be given up meanwhile: it would have been a moment later, too.
            with suppress(FileNotFoundError):
                files[name] = _add(tar, path, name)
        manifest = {
            "form": FORM,
            "made_with": __version__,
            "made_at": at.astimezone(UTC).isoformat(),
            "files": files,
        }
        body = json.dumps(manifest, indent=1).encode()
        tar.addfile(_member(MANIFEST, len(body)), io.BytesIO(body))
    return len(files)


def _copy(folder: Path, name: str, scratch: Path) -> Path:
    """A store as it is at one instant; whoever writes to it goes on."""
    copy = scratch / name
    with (
        store_errors(f"{name} can't be backed up"),
        closing(_open_to_read(folder / name)) as source,
        closing(sqlite3.connect(copy)) as target,
    ):
        source.backup(target)
        # One file, without a log beside it.
        target.execute("PRAGMA journal_mode=DELETE")
    return copy


def _open_to_read(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=BUSY_MS / 1000)


def _with_tail(folder: Path, scratch: Path) -> list[Path]:
    """The archive, and the tail that it names as the one that counts."""
    for _ in range(TRIES):
        copy = _copy(folder, ARCHIVE, scratch)
        with store_errors(f"{ARCHIVE} can't be backed up"), closing(sqlite3.connect(copy)) as made:
            row = made.execute("SELECT generation FROM tail_mark").fetchone()
        if row is None:
            return [copy]
        tail = scratch / f"{ARCHIVE}-tail-{row[0]}"
        try:
            shutil.copyfile(folder / tail.name, tail)
        except FileNotFoundError:
            continue  # it has just been packed
        return [copy, tail]
    raise BackupError(f"{ARCHIVE} changes faster than it can be copied; try again")


def _add(tar: tarfile.TarFile, path: Path, name: str) -> dict[str, object]:
    """Put one file in; returns its row of the manifest."""
    with path.open("rb") as file:
        # What grows behind this is not part of it.
        hashed = _Hashing(file, os.fstat(file.fileno()).st_size)
        tar.addfile(_member(name, hashed.left_bytes), hashed)
    return hashed.row()


def _member(name: str, size_bytes: int) -> tarfile.TarInfo:
    member = tarfile.TarInfo(name)
    member.size = size_bytes
    member.mode = 0o600
    return member


class _Hashing(io.RawIOBase):
    """A file that notes what has been read of it."""

    def __init__(self, file: IO[bytes], size_bytes: int) -> None:
        super().__init__()
        self._file = file
        self._hash = hashlib.sha256()
        self._read_bytes = 0
        self.left_bytes = size_bytes

    def read(self, size: int = -1) -> bytes:
        data = self._file.read(self.left_bytes if size < 0 else min(size, self.left_bytes))
        self.left_bytes -= len(data)
        self._read_bytes += len(data)
        self._hash.update(data)
        return data

    def row(self) -> dict[str, object]:
        """What the manifest says of it."""
        return {"bytes": self._read_bytes, "sha256": self._hash.hexdigest()}


# --- and back ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Restored:
    """What has been restored, and where what was there before lies now."""

    made_at: str
    files: int
    aside: Path | None


def restore(file: Path, folder: Path, at: datetime, *, replace: bool = False) -> Restored:
    """Bring a backup into a data directory.

    Whoever was signed in has to sign in again: a session that was ended since
    must not come back. With `replace` what is there is moved into a folder
    inside it, else a directory that holds something is refused. Raises
    `BackupError` before anything has been changed, and `StoreError`.
    """
    with store_errors(f"{folder} can't be used"):
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        there = sorted(path for path in folder.iterdir() if path.name not in (IN_USE, COMING))
        there = [path for path in there if not _FOLDERS_LEFT_OUT.fullmatch(path.name)]
    with _unused(folder):
        if there and not replace:
            raise BackupError(
                f"{folder} is not empty: {there[0].name} is there; "
                "name another --data-dir, or move it aside with --replace"
            )
        coming = folder / COMING
        try:
            with store_errors(f"{file} can't be restored"):
                shutil.rmtree(coming, ignore_errors=True)
                coming.mkdir(mode=0o700)
                manifest = _unpack(file, coming)
                _try(file, coming)
                aside = _move_aside(folder, there, at)
                _move_in(coming, folder)
        finally:
            shutil.rmtree(coming, ignore_errors=True)
    return Restored(str(manifest["made_at"]), len(manifest["files"]), aside)


@contextmanager
def _unused(folder: Path) -> Iterator[None]:
    """Hold the directory as a service does. Raises `BackupError` if one has it."""
    # Whoever the directory belongs to may have put a link there, and this may be root.
    flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW
    with (
        store_errors(f"{folder} can't be used"),
        os.fdopen(os.open(folder / IN_USE, flags, 0o600), "ab") as lock,
    ):
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise BackupError(
                f"a running Stillair is using {folder}; stop it, or name another --data-dir"
            ) from None
        yield


def _is_known(member: tarfile.TarInfo) -> bool:
    """Whether a backup may hold this: a plain file in one piece, of a name that one gives."""
    if member.type not in (tarfile.REGTYPE, tarfile.AREGTYPE) or member.issparse():
        return False
    if member.name == MANIFEST:
        return member.size <= MANIFEST_BYTES
    return member.name in STORES or bool(TAIL.fullmatch(member.name)) or _is_other(member.name)


def _unpack(file: Path, to: Path) -> dict[str, Any]:
    """Write all members under `to` and hold them against the manifest, which is returned."""
    found: dict[str, dict[str, object]] = {}
    manifest: Any = None
    try:
        with tarfile.open(file, "r:") as tar:
            for member in tar:
                if not _is_known(member):
                    raise BackupError(f"{file} holds {member.name[:80]!r}, which no backup does")
                if member.size > shutil.disk_usage(to).free:
                    raise BackupError(f"no room for {member.name}: {member.size // 10**6} MB")
                content = tar.extractfile(member)
                assert content is not None  # it is a file
                hashed = _Hashing(content, member.size)
                if member.name == MANIFEST:
                    manifest = json.loads(hashed.read())
                    continue
                path = to / member.name
                path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
                descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
                with open(descriptor, "wb") as out:  # noqa: PTH123 - a path would be open to others
                    while data := hashed.read(CHUNK_BYTES):
                        out.write(data)
                    out.flush()
                    os.fsync(descriptor)
                found[member.name] = hashed.row()
        whole = manifest["form"] == FORM and manifest["files"] == found and manifest["made_at"]
    except (tarfile.TarError, ValueError, KeyError, TypeError, EOFError, FileExistsError) as error:
        if zipfile.is_zipfile(file):
            raise BackupError(
                f"{file} is a zip file and no backup; what stillair archive has made is brought "
                f"in with: stillair bring-in {file}"
            ) from error
        raise BackupError(f"{file} is no whole backup of Stillair: {error}") from error
    if not whole:
        raise BackupError(f"{file} is no whole backup of Stillair: it differs from its own list")
    return dict(manifest)


def _try(file: Path, coming: Path) -> None:
    """Refuse stores that are damaged or that this program doesn't know; end all sessions."""
    for name, versions in STORES.items():
        path = coming / name
        if not path.is_file():
            continue
        check_soundness(path)
        with closing(sqlite3.connect(path, isolation_level=None)) as store:
            row = store.execute("SELECT version_num FROM alembic_version").fetchone()
            if row is None:
                raise BackupError(f"{file} is no backup of Stillair: {name} has no version")
            version = str(row[0])
            known = {found.stem.partition("_")[0] for found in versions.folder.glob("*.py")}
            if version not in known:
                raise BackupError(
                    f"{file} was made by a newer Stillair ({name} has version {version}); "
                    "install that one first"
                )
            if name == ACCESS:
                store.execute("DELETE FROM session")


def _move_aside(folder: Path, there: list[Path], at: datetime) -> Path | None:
    if not there:
        return None
    aside = folder / f"replaced-{at.astimezone(UTC):%Y%m%dT%H%M%SZ}"
    aside.mkdir(mode=0o700)
    for path in there:
        path.rename(aside / path.name)
    return aside


def _move_in(coming: Path, folder: Path) -> None:
    """Everything to its place, the journal last; the folder's owner owns what is in it."""
    for path in (folder / IN_USE, *coming.rglob("*")):
        hand_over(folder, path)
    for path in sorted(coming.iterdir(), key=lambda each: each.name == JOURNAL):
        path.rename(folder / path.name)
    sync(folder)
