"""A chamber file on the disk: read, and replaced so that there is always the old or the new.

The file keeps its owner and its mode, and a link that leads to it stays. What somebody has
changed meanwhile is never written over.
"""

from __future__ import annotations

import hashlib
import os
import stat
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from stillair.config.reading import text_of
from stillair.database import sync
from stillair.errors import CommandRefused, Refusal

OWN = "chamber.toml"  # in the data directory: made by the page where no file was named
MOST_BOXES = 8  # that one board watches
CHANGED = (
    "{file} was changed meanwhile, by hand or from another page. Nothing was written: "
    "look at it anew and make your change again."
)


def watched_files(
    files: tuple[Path, ...], folder: Path, *, simulated: bool = False
) -> tuple[Path, ...]:
    """The chamber files to watch by: those named, else those that the page has made, or none.

    With `simulated` only what is named counts.
    """
    if files or simulated:
        return files
    return tuple(own for own in own_files(folder) if own.is_file())


def own_files(folder: Path) -> tuple[Path, ...]:
    """Where the page may make chamber files, there or not, in the order of making them."""
    stem, suffix = OWN.split(".")
    more = (folder / f"{stem}-{number}.{suffix}" for number in range(2, MOST_BOXES + 1))
    return (folder / OWN, *more)


@dataclass(frozen=True, slots=True)
class ChamberText:
    """A file's text and what it is known by; "" and "" for a file that isn't there."""

    text: str
    digest: str


def digest_of(text: str) -> str:
    """What a text is known by."""
    return hashlib.sha256(text.encode()).hexdigest()[:16] if text else ""


class ChamberFile:
    """One chamber file."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def read(self) -> ChamberText:
        """What is there now. Raises `SettingsError` for what is no chamber file's text."""
        if not self.path.exists():
            return ChamberText("", "")
        text = text_of(self.path)
        return ChamberText(text, digest_of(text))

    def read_as(self, base: str) -> ChamberText:
        """What is there, if it is still what `base` is the digest of.

        Raises `CommandRefused`, and `SettingsError` as `read` does.
        """
        there = self.read()
        if there.digest != base:
            raise CommandRefused(Refusal.CONFLICT, CHANGED.format(file=self._real()))
        return there

    def why_fixed(self) -> tuple[str, str] | None:
        """Why it can't be written, and what to do; None where it can."""
        path = self._real()
        folder = path.parent
        if not path.exists():
            # The data directory: made with the first start, and the service's own.
            return None if os.access(folder, os.W_OK) else (f"{folder} can't be written", MAKE_ROOM)
        told = path.stat()
        foreign = told.st_uid != os.geteuid() and os.geteuid() != 0
        if foreign or not os.access(folder, os.W_OK):
            return (
                f"{path} can't be written by this service: it, or its folder, is another user's"
                " or read-only",
                f"copy it to {OWN} in the data directory, make it the service's own with chown,"
                " and start without --chamber; or change it by hand and start anew",
            )
        return None

    def write(self, text: str, base: str) -> None:
        """Put `text` in its place, if it is still what `base` is the digest of.

        With "" it is taken away. Raises `CommandRefused` and `SettingsError`; then the
        file is as it was.
        """
        fixed = self.why_fixed()
        if fixed is not None:
            why, todo = fixed
            raise CommandRefused(Refusal.CONFLICT, f"{why}: {todo}.")
        path = self._real()
        self.read_as(base)
        part = path.with_name(f".{path.name}.part")
        try:
            if not text:
                path.unlink(missing_ok=True)
            else:
                _write(part, text, path)
                self.read_as(base)  # again, after the moment that it took
                part.rename(path)
            sync(path.parent)
        except OSError as error:
            raise CommandRefused(
                Refusal.CONFLICT, f"{path} can't be written: {error.strerror}. It is as it was."
            ) from error
        finally:
            with suppress(OSError):
                part.unlink()

    def _real(self) -> Path:
        """Where it lies: a link to it stays, and leads to the new one."""
        return Path(os.path.realpath(self.path))


MAKE_ROOM = "give the service's user the right to write there"


def _write(part: Path, text: str, like: Path) -> None:
    with suppress(FileNotFoundError):
        part.unlink()
    # Anew: what somebody else has put there would be theirs to read.
    descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        with suppress(FileNotFoundError):
            old = like.stat()
            made = os.fstat(file.fileno())
            if (old.st_uid, old.st_gid) != (made.st_uid, made.st_gid):
                os.fchown(file.fileno(), old.st_uid, old.st_gid)
            os.fchmod(file.fileno(), stat.S_IMODE(old.st_mode))
        file.write(text.encode())
        file.flush()
        os.fsync(file.fileno())
