"""Names, passwords and tokens: what is allowed, and what is kept of them.

References
----------
RFC 9106 (2021), Argon2. OWASP Password Storage Cheat Sheet: Argon2id with
19 MiB, two passes and one lane, which takes 38 ms here and about 0.2 s on a
small board. NIST SP 800-63B (2017), 5.1.1, and OWASP ASVS 4.0.3, 2.1: length
counts, rules of composition don't; passwords that everybody knows are refused.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
import unicodedata
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from stillair.access.roles import BY_MESSAGE, COMMAND_LINE, CONSOLE, THIS_COMPUTER
from stillair.database import plain
from stillair.errors import UnfitError

if TYPE_CHECKING:
    from argon2 import PasswordHasher

SHORTEST, LONGEST = 12, 128
LONGEST_TRIED = 1_000  # more than was ever allowed, so that nothing is cut off and fits
LONGEST_NAME = 40
FEWEST_LETTERS = 5  # different ones
COMMON_DIGITS = 16  # of the SHA-256 in common.txt
TOKEN_BYTES = 32
MARK_BYTES = 16
MARK = "stillair_"  # begins a program's token, so that one that got into a text is recognized
AT_ONCE = 2  # hashes computed at the same time: 38 MiB, and the watch keeps its processor

_slots = threading.BoundedSemaphore(AT_ONCE)


def clean_name(name: str) -> str:
    """A name fit to be kept and shown. Raises `UnfitError`."""
    cleaned = _one_form(name)
    if not 1 <= len(cleaned) <= LONGEST_NAME:
        raise UnfitError(f"a name has 1 to {LONGEST_NAME} characters")
    if not cleaned.isprintable():
        raise UnfitError("a name has characters that can be printed")
    key = name_key(cleaned)
    if key in (COMMAND_LINE, CONSOLE, THIS_COMPUTER) or key.endswith(BY_MESSAGE):
        raise UnfitError(f"the record calls somebody else {cleaned}; choose another name")
    return cleaned


def name_key(name: str) -> str:
    """By this two names are the same, whatever their capitals."""
    return _one_form(name).casefold()


def check_password(name: str, password: str) -> None:
    """Refuse a password that is easy to guess. Raises `UnfitError`."""
    plain = _normal(password)
    words = " ".join(plain.split())
    if len(words) < SHORTEST:
        raise UnfitError(f"a password has at least {SHORTEST} characters; a few words do well")
    if len(plain) > LONGEST:
        raise UnfitError(f"a password has at most {LONGEST} characters")
    if "\0" in plain:
        raise UnfitError("a password has no zero characters")
    lower = words.casefold()
    if _is_common(lower) or len(set(lower)) < FEWEST_LETTERS or _mostly(name_key(name), lower):
        raise UnfitError("this password would be guessed at once; a few words do well")


def hash_password(password: str) -> str:
    """The Argon2id hash of a password, with its parameters and salt."""
    with _slots:
        return _hasher().hash(_normal(password))


def is_password(password_hash: str | None, password: str) -> bool:
    """Whether a password belongs to a hash; without one it takes as long, and is False."""
    from argon2.exceptions import Argon2Error, InvalidHashError

    plain = _normal(password[:LONGEST_TRIED])
    with _slots:
        nobody = _nobody()
        try:
            _hasher().verify(password_hash or nobody, plain)
        except (Argon2Error, InvalidHashError):
            return False
    return password_hash is not None


def is_outdated(password_hash: str) -> bool:
    """Whether a hash was made with other parameters than today's."""
    return _hasher().check_needs_rehash(password_hash)


def new_token(prefix: str = "") -> str:
    """A secret of 256 random bits."""
    return prefix + secrets.token_urlsafe(TOKEN_BYTES)


def token_hash(token: str) -> str:
    """What is kept of a token. It is random itself, so one plain hash is enough."""
    return hashlib.sha256(token[:200].encode("utf-8", "replace")).hexdigest()


def new_mark(password_hash: str) -> str:
    """What a browser is known by in which somebody has signed in; opens nothing.

    It fits as long as the password stays, for it is keyed with its hash.
    """
    nonce = secrets.token_urlsafe(MARK_BYTES)
    return f"{nonce}.{_mac(password_hash, nonce)}"


def marked(password_hash: str, mark: str) -> str | None:
    """What tells this mark from others, if it was given to who has this password."""
    nonce, _, mac = mark[:200].partition(".")
    fits = hmac.compare_digest(_mac(password_hash, nonce).encode(), mac.encode("utf-8", "replace"))
    return nonce if fits else None


def _mac(password_hash: str, nonce: str) -> str:
    told = f"mark {nonce}".encode("utf-8", "replace")
    return hmac.new(password_hash.encode(), told, hashlib.sha256).hexdigest()


@cache
def _common() -> frozenset[str]:
    lines = Path(__file__).with_name("common.txt").read_text("utf-8").splitlines()
    return frozenset(line for line in lines if not line.startswith("#"))


def _is_common(lower: str) -> bool:
    return hashlib.sha256(lower.encode()).hexdigest()[:COMMON_DIGITS] in _common()


def _mostly(name: str, lower: str) -> bool:
    """Whether a password is a name with hardly anything added, or a short piece repeated."""
    rest = lower.replace(name, "", 1) if name else lower
    pieces = (lower[:length] for length in range(1, min(len(lower) // 3 + 1, SHORTEST)))
    return len(rest) < FEWEST_LETTERS or any(
        (piece * len(lower))[: len(lower)] == lower for piece in pieces
    )


def _normal(password: str) -> str:
    # The same letters typed on another keyboard may arrive in another form.
    return unicodedata.normalize("NFKC", password).encode("utf-8", "replace").decode()


def _one_form(name: str) -> str:
    return " ".join(plain(unicodedata.normalize("NFKC", name)).split())


def _hasher() -> PasswordHasher:
    from argon2 import PasswordHasher

    return PasswordHasher(time_cost=2, memory_cost=19 * 1024, parallelism=1)


_nobody_hash: str | None = None


def _nobody() -> str:
    """A hash that no password belongs to, made once."""
    global _nobody_hash
    if _nobody_hash is None:
        _nobody_hash = _hasher().hash(secrets.token_urlsafe(TOKEN_BYTES))
    return _nobody_hash
