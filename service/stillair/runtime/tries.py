"""How often an owner may have the board reach for something: nobody searches a network by it."""

from __future__ import annotations

from collections import deque

from stillair.access.people import TooManyTriesError

MOST, WITHIN_S = 20, 300.0


class Tries:
    """Count tries, of which `MOST` may begin within `WITHIN_S`; instants are of one clock, s."""

    def __init__(self) -> None:
        self._begun_s: deque[float] = deque(maxlen=MOST)

    def check(self, now_s: float) -> None:
        """Raise `TooManyTriesError` while no other may begin."""
        if len(self._begun_s) == MOST and now_s - self._begun_s[0] < WITHIN_S:
            raise TooManyTriesError(WITHIN_S - (now_s - self._begun_s[0]))

    def begin(self, now_s: float) -> None:
        """Count one that begins now."""
        self._begun_s.append(now_s)
