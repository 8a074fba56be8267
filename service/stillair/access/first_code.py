"""The code by which whoever sees the console makes the first owner on the page.

Only a keyed hash of it is held, it fits for half an hour, and once. It has 40
random bits; tries are slowed down by whoever asks, and after some it fits no more.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
from collections.abc import Callable

LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"  # 32, none that is taken for another
LENGTH = 8
GOOD_FOR_S = 1_800.0
MOST_TRIES = 100


class FirstCode:
    """Make a code and know it again. Thread-safe."""

    def __init__(self, monotonic_s: Callable[[], float]) -> None:
        self._monotonic_s = monotonic_s
        self._key = secrets.token_bytes(32)
        self._lock = threading.Lock()
        self._hash: bytes | None = None
        self._until_s = 0.0
        self._tries = 0

    def make(self) -> str:
        """A new code, for the console and nowhere else; an earlier one fits no more."""
        code = "".join(secrets.choice(LETTERS) for _ in range(LENGTH))
        with self._lock:
            self._hash, self._tries = self._hashed(code), 0
            self._until_s = self._monotonic_s() + GOOD_FOR_S
        return f"{code[:4]}-{code[4:]}"

    def fits(self, code: str) -> bool:
        """Whether this is the code and it still counts."""
        with self._lock:
            if self._hash is None or self._monotonic_s() >= self._until_s:
                return False
            self._tries += 1
            if self._tries > MOST_TRIES:
                self._hash = None
                return False
            return hmac.compare_digest(self._hash, self._hashed(code))

    def use_up(self) -> None:
        """It fits no more."""
        with self._lock:
            self._hash = None

    def _hashed(self, code: str) -> bytes:
        plain = "".join(code[:40].split()).replace("-", "").upper()
        return hmac.digest(self._key, plain.encode("utf-8", "replace"), hashlib.sha256)
