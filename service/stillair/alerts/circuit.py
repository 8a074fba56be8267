"""When an address that failed may be tried again: a circuit breaker, pure, told the time.

    closed ── opens_after failures in a row ──> open ── a pause is over ──> half-open
      ^                                          ^                            │
      └──────────── a message arrives ───────────┼────────────────────────────┤
                                                 └──── the one try fails ─────┘

Failures double the pause up to `longest_pause_s`. What presses has a pause of its own,
never longer than `pressing_pause_s`, because a dead server is worth one try more when
the box burns; neither kind's failures put off the other's next try.

References
----------
Nygard, M. T. (2018). Release It!, 2nd edition, chapter 5 (circuit breaker).
RFC 9110, 10.2.3 (Retry-After).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


class CircuitState(StrEnum):
    """Closed: messages flow. Open: nothing is tried. Half-open: one try shows which it is."""

    CLOSED = "closed"
    OPEN = "open"
    HALF_OPEN = "half_open"


@dataclass(frozen=True, slots=True)
class Patience:
    """How long is waited between two tries.

    5, 10, 20 ... 600 s, each shortened by chance by up to a quarter, so that
    what failed together isn't tried together.
    """

    first_pause_s: float = 5.0
    longest_pause_s: float = 600.0
    pressing_pause_s: float = 30.0  # the longest for what presses, whatever a server asks for
    longest_asked_s: float = 1800.0  # as long as that a server may ask to be left alone
    opens_after: int = 3  # failures in a row

    def pause_s(self, failures: int, chance: float, *, pressing: bool = False) -> float:
        """The pause after so many failures in a row; `chance` is from 0 to 1."""
        longest_s = min(self.longest_pause_s, self.pressing_pause_s if pressing else math.inf)
        doubled_s = self.first_pause_s * 2.0 ** min(max(failures - 1, 0), 30)
        return float(min(doubled_s, longest_s) * (1.0 - 0.25 * chance))

    def asked_s(self, wait_s: float | None, *, pressing: bool = False) -> float:
        """How much of the wait that a server asks for it gets; 0 where it asks for none."""
        if wait_s is None or not wait_s > 0.0:  # nor for what is no number
            return 0.0
        return min(wait_s, self.pressing_pause_s if pressing else self.longest_asked_s)


class Circuit:
    """Whether one address is worth a try."""

    def __init__(self, patience: Patience) -> None:
        self._patience = patience
        self._again_s = {False: -math.inf, True: -math.inf}  # by whether the message presses
        self.failures = 0  # in a row

    @property
    def is_open(self) -> bool:
        """Whether the address counts as dead: open or half-open."""
        return self.failures >= self._patience.opens_after

    def state(self, now_s: float, *, pressing: bool = False) -> CircuitState:
        """What it is for a message that presses, or doesn't."""
        if not self.is_open:
            return CircuitState.CLOSED
        waits = now_s < self._again_s[pressing]
        return CircuitState.OPEN if waits else CircuitState.HALF_OPEN

    def again_s(self, *, pressing: bool) -> float:
        """From when on a message may be tried."""
        return self._again_s[pressing]

    def worked(self) -> bool:
        """A message has arrived; True if the address had counted as dead."""
        was_open = self.is_open
        self.failures = 0
        self._again_s = {False: -math.inf, True: -math.inf}
        return was_open

    def failed(
        self, now_s: float, *, pressing: bool, chance: float, wait_s: float | None = None
    ) -> None:
        """A try has failed; `wait_s` is how long the other side asks to be left alone."""
        self.failures += 1
        # Another message that presses has not been tried yet: it needn't wait for this one's turn.
        failures = 1 if pressing else self.failures
        pause_s = self._patience.pause_s(failures, chance, pressing=pressing)
        self._again_s[pressing] = now_s + pause_s
        for of in (False, True):
            asked_s = now_s + self._patience.asked_s(wait_s, pressing=of)
            self._again_s[of] = max(self._again_s[of], asked_s)
