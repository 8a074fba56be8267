"""Have two sensors changed places?

Two have, where within two minutes each comes to show what the other showed:
air that is mixed brings sensors together, but never past each other by just as
much. Or where the order in which they stood in like conditions before the
chamber was cold is turned round after it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

SWAP_K = 1.5  # sensors nearer to each other can't be told apart
SWAP_OFF_K, SWAP_OFF_SHARE = 0.4, 0.15
ORDER_K, ORDER_BLOCKS = 2.0, 3
TURNED = (0.6, 1.5)  # of the old distance, the other way round
KEPT_BLOCKS = 12

Pair = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Apart:
    """One finding: who (first the one that is told), since when, what is said."""

    sensors: tuple[str, ...]
    since_s: float
    reason: str


class PlaceWatch:
    """Notice that two sensors have changed places; `swapped` is the pair that has.

    Parameters
    ----------
    names : sequence of str
        All sensors, of any place.
    air : sequence of str
        Those in the chamber's air, whose order is remembered.
    usual : mapping
        What `usual` gave at the end of an earlier job.
    """

    def __init__(
        self, names: Sequence[str], air: Sequence[str], usual: Mapping[Pair, float] | None = None
    ) -> None:
        self._pairs = [(a, b) for i, a in enumerate(names) for b in names[i + 1 :]]
        self._air = frozenset(air)
        self._minutes: deque[tuple[float, dict[str, float]]] = deque(maxlen=3)
        self._order: dict[Pair, list[float]] = {}  # shares of the excess
        self._usual = dict(usual or {})  # before the chamber was cold
        self.swapped: Apart | None = None

    @property
    def usual(self) -> dict[Pair, float]:
        """How far sensors stand apart, as a share of the excess: what the next job is held to."""
        known = dict(self._usual)
        for pair, shares in self._order.items():
            if len(shares) >= ORDER_BLOCKS:
                known[pair] = median(shares)
        return known

    def push(self, t_s: float, values_c: Mapping[str, float]) -> None:
        """Take the means of a minute, whatever the conditions."""
        self._minutes.append((t_s, dict(values_c)))
        if len(self._minutes) < 3 or t_s - self._minutes[0][0] > 4 * 60.0:
            return
        then = self._minutes[0][1]
        for a, b in self._pairs:
            if a not in then or b not in then or a not in values_c or b not in values_c:
                continue
            apart_k = abs(then[a] - then[b])
            if apart_k < SWAP_K:
                continue
            near_k = max(SWAP_OFF_K, SWAP_OFF_SHARE * apart_k) if apart_k > 2.0 else 0.2 * apart_k
            if abs(values_c[a] - then[b]) < near_k and abs(values_c[b] - then[a]) < near_k:
                known = self.swapped
                back = known is not None and set(known.sensors) == {a, b}
                self.swapped = None if back else _swapped(a, b, t_s - 60.0)
                self._minutes.clear()
                return

    def settled(self, t_s: float, values_c: Mapping[str, float], excess_k: float) -> None:
        """Take the means of ten minutes in like conditions, to know the usual order."""
        for a, b in self._pairs:
            if self.swapped is not None and {a, b} == set(self.swapped.sensors):
                continue  # what they show now is not their usual order
            if a in self._air and b in self._air and a in values_c and b in values_c:
                share = (values_c[a] - values_c[b]) / max(excess_k, 1.0)
                found = self._order.setdefault((a, b), [])
                found.append(share)
                del found[:-KEPT_BLOCKS]
                usual = self._usual.get((a, b))
                if usual is None or len(found) != ORDER_BLOCKS or self.swapped is not None:
                    continue
                turned = -median(found) / usual
                if abs(usual) * excess_k >= ORDER_K and TURNED[0] <= turned <= TURNED[1]:
                    self.swapped = _swapped(a, b, t_s)
                    found.clear()

    def cold(self) -> None:
        """The chamber is cold, when wires are changed: what was usual is to be held against."""
        self._usual = self.usual
        self._order.clear()


def _swapped(a: str, b: str, t_s: float) -> Apart:
    return Apart((a, b), t_s, f"seems to have changed places with {b}")
