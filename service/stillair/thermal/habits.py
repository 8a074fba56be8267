"""What the air of a chamber does by itself, time and again, and nobody is to be told of.

A thermostat lets it fall and rise, a part fan or the hot end switches heat on
and off. What has been seen so is no news, unless it goes further.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

from stillair.thermal.air import AirTrack
from stillair.thermal.balance import Balance
from stillair.thermal.hypotheses import Verdict

RISE_EVERY_S, RISES_S = 600.0, 7200.0
ALIKE, APART_S, GAPS_ALIKE, GOOD_FOR_S = 0.6, 900.0, 1.8, 1800.0
EVEN = 0.4


class Rises:
    """How far the air steps up by itself, time and again, within half a minute.

    A part fan, the hot end or a lamp switches heat off as well as on: a fall no
    larger than rises that were seen is its mirror image. One rise is nothing
    yet; it may have been a draft's end.
    """

    def __init__(self) -> None:
        self._buckets: deque[tuple[float, float]] = deque()

    def see(self, t_s: float, tracks: Sequence[AirTrack]) -> None:
        """Look at this second, in which nothing falls."""
        rise_k = max((track.rise_30_k for track in tracks), default=0.0)
        if not self._buckets or t_s - self._buckets[-1][0] >= RISE_EVERY_S:
            self._buckets.append((t_s, rise_k))
            while self._buckets[0][0] < t_s - RISES_S:
                self._buckets.popleft()
        elif rise_k > self._buckets[-1][1]:
            self._buckets[-1] = (self._buckets[-1][0], rise_k)

    @property
    def usual_k(self) -> float:
        """The second largest of the last two hours, K; 0 where there was no more than one."""
        rises_k = sorted(rise_k for _, rise_k in self._buckets)
        return max(0.0, rises_k[-2]) if len(rises_k) > 1 else 0.0


class Returns:
    """Teach the balance how quickly air falls that comes back by itself, twice within half an hour.

    The exchange that would explain such falls is what the chamber loses by habit.
    """

    def __init__(self, balance: Balance) -> None:
        self._balance = balance
        self._last_s, self._last_per_h = -math.inf, 0.0

    def note(self, t_s: float, verdict: Verdict | None) -> None:
        """Take the last verdict on a fall that has come back; one-sided ones teach nothing."""
        if verdict is None or verdict.at_edge:
            return
        shares = [part.share for part in verdict.parts]
        if min(shares) > EVEN * max(shares) > 0.0:
            if t_s - self._last_s < GOOD_FOR_S:
                self._balance.learn_loss(min(verdict.exchange_per_h, self._last_per_h) / 60.0)
            self._last_s, self._last_per_h = t_s, verdict.exchange_per_h


class Swings:
    """Falls that came back by themselves, at like times and to like depths.

    Three such are a habit. People who open a door keep no such time.
    """

    def __init__(self) -> None:
        self._falls: deque[tuple[float, float]] = deque(maxlen=3)  # when, how deep
        self._usual_k = 0.0
        self._seen_s = 0.0

    def note(self, onset_s: float, drop_k: float) -> None:
        """Take one fall that has come back."""
        self._falls.append((onset_s, drop_k))
        if len(self._falls) < 3:
            return
        (first_s, first_k), (second_s, second_k), (third_s, third_k) = self._falls
        gaps_s = sorted((second_s - first_s, third_s - second_s))
        depths_k = sorted((first_k, second_k, third_k))
        if 0.0 < gaps_s[1] < min(APART_S, GAPS_ALIKE * gaps_s[0]) and (
            depths_k[0] >= ALIKE * depths_k[2]
        ):
            self._usual_k, self._seen_s = depths_k[2], onset_s

    def usual_k(self, t_s: float) -> float:
        """How deep such falls have been within half an hour, K; 0 where there were none."""
        return self._usual_k if t_s - self._seen_s < GOOD_FOR_S else 0.0
