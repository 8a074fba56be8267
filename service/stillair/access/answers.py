"""Links by which a person answers one message from the telephone, without signing in.

A link's token says what it answers (one alarm, one presence, one alarm test), whom
the message went to and when it was made, signed with a key of this board alone:
HMAC-SHA-256, by itsdangerous. So nothing is kept of links that were sent, whoever
alters one holds nothing, and one for an alarm is of no use for any other. It runs
out after `LASTS`.

    <data directory>/answer-key     32 random bytes, readable for its owner only

Without that file, or with one that others could read, a new key is made and all
earlier links are worthless. Where it can't be kept the key is good until the
process ends: a message doesn't wait for a disk. Nor does an answer, so the file is
looked at by `look`, now and then, and never while somebody asks.
"""

from __future__ import annotations

import hashlib
import logging
import os
import secrets
import stat
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path

from itsdangerous import BadData, URLSafeSerializer

from stillair.access.roles import BY_MESSAGE
from stillair.access.throttle import Throttle
from stillair.database import hand_over, sync
from stillair.errors import AccessError

log = logging.getLogger(__name__)

FILE_NAME = "answer-key"
LASTS = timedelta(hours=12)  # a night's sleep
KEY_BYTES = 32
MOST_CHARACTERS = 1_000  # of a token; one of ours has some 150
_PLACE = "answer link"  # of whoever tries tokens, beside the address


class Purpose(StrEnum):
    """What a link is for, and nothing else."""

    ALARM = "alarm"
    PRESENCE = "presence"
    TEST = "test"


class Refused(StrEnum):
    """Why a token answers nothing."""

    UNKNOWN = "unknown"  # not signed by this key, or nothing that could be
    EXPIRED = "expired"


@dataclass(frozen=True, slots=True)
class Answer:
    """What a link allows: `person` may answer `subject`, an alarm's id say, until `ends_at`."""

    purpose: Purpose
    subject: str
    person: str
    made_at: datetime
    ends_at: datetime

    @property
    def by(self) -> str:
        """How the record calls whoever answers with it."""
        return f"{self.person}{BY_MESSAGE}"


class Answers:
    """Make links' tokens, and know them again. Thread-safe.

    Parameters
    ----------
    folder : Path
        The data directory.
    lasts : timedelta
        For how long a link is good.
    monotonic_s : callable
        Times the pauses of who tries tokens.
    """

    def __init__(
        self,
        folder: Path,
        *,
        lasts: timedelta = LASTS,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._folder = folder
        self._path = folder / FILE_NAME
        self._lasts = lasts
        self._guesses = Throttle(monotonic_s)
        self._lock = threading.Lock()
        self._key: bytes | None = None

    # --- links ----------------------------------------------------------------

    def make(self, purpose: Purpose, subject: str, person: str, at: datetime) -> str:
        """The token of a link that is made at `at`."""
        told = [purpose.value, subject, person, round(at.timestamp())]
        return self._signer().dumps(told)

    def read(self, token: str, at: datetime) -> Answer | Refused:
        """What a token allows at `at`.

        A clock that was set back makes a link last longer, at most twice as long.
        """
        if len(token) > MOST_CHARACTERS or not token.isascii():
            return Refused.UNKNOWN
        try:
            purpose, subject, person, made_s = self._signer().loads(token)
            made_at = datetime.fromtimestamp(made_s, UTC)
            found = Answer(Purpose(purpose), subject, person, made_at, made_at + self._lasts)
        except (BadData, ValueError, TypeError, OverflowError, OSError):
            # Not even its own words: they hold the signature.
            return Refused.UNKNOWN
        if not -self._lasts <= at - made_at < self._lasts:
            return Refused.EXPIRED
        return found

    def guessed(self, address: str) -> tuple[float, int]:
        """Count a token that isn't ours: seconds until this address gets another answer, how many.

        A token that is ours always counts: 256 bits of signature can't be guessed, and
        nobody is to be kept from an alarm by a neighbour who tries.
        """
        pause_s = self._guesses.pause_s(_PLACE, address)
        return pause_s, self._guesses.failed(_PLACE, address)

    # --- the key --------------------------------------------------------------

    @property
    def mark(self) -> str:
        """Changes with the key, and tells nothing of it."""
        with self._lock:
            return hashlib.sha256(b"mark of " + (self._key or b"")).hexdigest()

    def look(self) -> None:
        """Take the key as it lies in its file, or make one; now and then, for it asks a disk."""
        with self._lock:
            self._look()

    def renew(self) -> None:
        """Make a new key: all links so far are worthless. Raises `AccessError`."""
        with self._lock:
            try:
                self._make()
            except OSError as error:
                raise AccessError(f"{self._path} can't be written: {error.strerror}") from error

    def _signer(self) -> URLSafeSerializer:
        with self._lock:
            if self._key is None:
                self._look()
            key = self._key
            assert key is not None
        return URLSafeSerializer(
            key,
            salt=b"stillair answer",
            signer_kwargs={"key_derivation": "hmac", "digest_method": hashlib.sha256},
        )

    def _look(self) -> None:
        try:
            if (found := self._read()) is not None:
                self._key = found
                return
            if self._key is not None:
                log.warning("a new key for answer links: links that were sent are worthless")
            self._make()
        except OSError as error:
            if self._key is None:
                self._key = secrets.token_bytes(KEY_BYTES)
                log.error(
                    "the key of answer links can't be kept (%s): it ends with this run",
                    error.strerror,
                )

    def _read(self) -> bytes | None:
        """The key of the file; None where there is none that is whole and nobody else's."""
        try:
            file = os.open(self._path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        except FileNotFoundError:
            return None
        except OSError:
            if self._path.is_symlink():
                return None
            raise
        try:
            known = os.fstat(file)
            if not stat.S_ISREG(known.st_mode) or known.st_mode & 0o077:
                return None
            secret = os.read(file, KEY_BYTES + 1)
        finally:
            os.close(file)
        return secret if len(secret) == KEY_BYTES else None

    def _make(self) -> None:
        """Write a new key, whole or not at all. Raises `OSError`; then the old one stays."""
        secret = secrets.token_bytes(KEY_BYTES)
        new = self._path.with_name(f"{FILE_NAME}.part")  # a backup leaves such files out
        self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        new.unlink(missing_ok=True)
        try:
            with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
                file.write(secret)
                file.flush()
                os.fsync(file.fileno())
            hand_over(self._folder, new)
            new.replace(self._path)
        except OSError:
            with suppress(OSError):
                new.unlink(missing_ok=True)
            raise
        self._key = secret
        sync(self._folder)
