"""Has a sensor drifted away from its neighbours, or have two changed places?

A drifting sensor moves little by little, steadily, and alone. Everything else
that moves the differences between sensors does it otherwise: a part fan or a
bed's step within minutes, a chamber that still warms up less and less, a room
or a heater in proportion to the whole excess, and layers of air at all sensors
together. So the sensors are compared only in like conditions (air steady or
soaking, no cold air let in, heat not lost), by means over ten minutes, each
with the mean of the others, less what its usual share of the excess explains:

    e(t) = d(t) - d(0) x(t) / x(0)     d: own less the others', x: excess over the room

Drift is told where over the last two to seven hours e has changed by at least
0.75 K along a straight line: the line's slope (the median of all slopes: Sen,
P. K. (1968) Estimates of the regression coefficient based on Kendall's tau,
JASA 63) explains the change, nothing about it is a step, it hasn't slowed down,
and with three sensors or more the others have kept their distances. Of two
sensors it can't be said which one drifts; both are named.

Two sensors have changed places (`PlaceWatch`) where within two minutes each
comes to show what the other showed: air that is mixed brings sensors together,
but never past each other by just as much. Or where the order in which they
stood in like conditions before the chamber was cold is turned round after it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

BLOCK_S = 600.0
LEAST_MINUTES = 8  # of like conditions in a block
LONGEST_S = 7 * 3600.0
SHORTEST_BLOCKS = 12
DRIFT_K = 0.75
LITTLE_K, LITTLE = 0.1, 2.5  # a block's change, and how many times the line's own; more is a step
SLOW_SHARE = 0.6  # of the change, that must have come little by little
ROUGH_SHARE = 0.06  # of the change, that the residuals of the line may have
LATE_SHARE = 0.36  # of the change, that must come in the later half
OTHERS_SHARE = 0.4
NOISE_K = 0.03
FASTEST_K_PER_S = 1.0 / 3600.0  # what is faster isn't ageing
PAIR_BLOCKS, PAIR_EXCESS_SHARE = 18, 0.2  # of two sensors alone more must be sure
COVERED = 0.7  # share of a window that must have been comparable


SWAP_K = 1.5  # sensors nearer to each other can't be told apart
SWAP_OFF_K, SWAP_OFF_SHARE = 0.4, 0.15
ORDER_K, ORDER_BLOCKS = 2.0, 3
TURNED = (0.6, 1.5)  # of the old distance, the other way round


@dataclass(frozen=True, slots=True)
class Apart:
    """One finding: who (first the one that is told), since when, what is said."""

    sensors: tuple[str, ...]
    since_s: float
    reason: str


@dataclass(frozen=True, slots=True)
class _Block:
    t_s: float
    values_c: tuple[float, ...]
    excess_k: float


class DriftWatch:
    """Compare the sensors of one chamber's air, minute by minute, in like conditions."""

    def __init__(self, names: Sequence[str]) -> None:
        self._names = tuple(names)
        self._blocks: deque[_Block] = deque(maxlen=int(LONGEST_S / BLOCK_S) + 1)
        self._minutes: list[tuple[tuple[float, ...], float]] = []
        self._block_s = 0.0
        self.drifted: Apart | None = None

    @property
    def newest(self) -> tuple[dict[str, float], float]:
        """The means of the block judged last, by sensor, and its excess over the room."""
        block = self._blocks[-1]
        return dict(zip(self._names, block.values_c, strict=True)), block.excess_k

    def push(self, t_s: float, values_c: Mapping[str, float], room_c: float) -> bool:
        """Take the means of a minute in like conditions; return whether a block was judged.

        A minute in which a sensor is missing is passed over.
        """
        if len(self._names) < 2 or any(name not in values_c for name in self._names):
            return False
        judged = False
        if t_s - self._block_s >= BLOCK_S:
            judged = self._close(t_s)
            self._block_s = t_s
        values = tuple(values_c[name] for name in self._names)
        self._minutes.append((values, sum(values) / len(values) - room_c))
        return judged

    def restart(self) -> None:
        """Forget the past: what comes next is not to be compared with it."""
        self._blocks.clear()
        self._minutes.clear()
        self.drifted = None

    def _close(self, t_s: float) -> bool:
        minutes, self._minutes = self._minutes, []
        if len(minutes) < LEAST_MINUTES:
            return False
        count = len(minutes)
        values = tuple(sum(m[0][i] for m in minutes) / count for i in range(len(self._names)))
        self._blocks.append(_Block(t_s, values, sum(m[1] for m in minutes) / count))
        while self._blocks[0].t_s < t_s - LONGEST_S:
            self._blocks.popleft()
        if self.drifted is None:
            self.drifted = self._judge()
        return True

    def _judge(self) -> Apart | None:
        blocks = list(self._blocks)
        for start in range(0, len(blocks) - SHORTEST_BLOCKS + 1, 3):
            window = blocks[start:]
            if len(window) * BLOCK_S < COVERED * (window[-1].t_s - window[0].t_s):
                continue
            found = self._judge_window(window)
            if found is not None:
                return found
        return None

    def _judge_window(self, window: list[_Block]) -> Apart | None:
        ways = [_deviations(window, index) for index in range(len(self._names))]
        changes = [_end(way) - _start(way) for way in ways]
        worst = max(range(len(ways)), key=lambda index: abs(changes[index]))
        change_k = changes[worst]
        if abs(change_k) < DRIFT_K or not _is_line([b.t_s for b in window], ways[worst], change_k):
            return None
        if abs(change_k) > FASTEST_K_PER_S * (window[-1].t_s - window[0].t_s):
            return None
        names = self._names
        if len(names) == 2:
            if len(window) < PAIR_BLOCKS or _varied(window) > PAIR_EXCESS_SHARE:
                return None
            other = names[1 - worst]
            reason = f"has drifted apart from {other} by {abs(change_k):.1f} degrees"
            return Apart((names[worst], other), window[0].t_s, reason)
        rest = [index for index in range(len(names)) if index != worst]
        for index in rest:
            beside = _deviations(window, index, rest)
            if abs(_end(beside) - _start(beside)) > OTHERS_SHARE * abs(change_k):
                return None
        side = "higher" if change_k > 0.0 else "lower"
        reason = f"has drifted {abs(change_k):.1f} degrees {side} than its neighbours"
        return Apart((names[worst],), window[0].t_s, reason)


class PlaceWatch:
    """Notice that two sensors have changed places; `swapped` is the pair that has.

    Parameters
    ----------
    names : sequence of str
        All sensors, of any place.
    air : sequence of str
        Those in the chamber's air, whose order is remembered.
    """

    def __init__(self, names: Sequence[str], air: Sequence[str]) -> None:
        self._pairs = [(a, b) for i, a in enumerate(names) for b in names[i + 1 :]]
        self._air = frozenset(air)
        self._minutes: deque[tuple[float, dict[str, float]]] = deque(maxlen=3)
        self._order: dict[tuple[str, str], list[float]] = {}  # shares of the excess
        self._usual: dict[tuple[str, str], float] = {}  # before the chamber was cold
        self.swapped: Apart | None = None

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
            if a in self._air and b in self._air and a in values_c and b in values_c:
                share = (values_c[a] - values_c[b]) / max(excess_k, 1.0)
                found = self._order.setdefault((a, b), [])
                found.append(share)
                del found[:-12]
                usual = self._usual.get((a, b))
                if usual is None or len(found) != ORDER_BLOCKS or self.swapped is not None:
                    continue
                turned = -median(found) / usual
                if abs(usual) * excess_k >= ORDER_K and TURNED[0] <= turned <= TURNED[1]:
                    self.swapped = _swapped(a, b, t_s)

    def cold(self) -> None:
        """The chamber is cold, when wires are changed: what was usual is to be held against."""
        for pair, shares in self._order.items():
            if len(shares) >= ORDER_BLOCKS:
                self._usual[pair] = median(shares)
        self._order.clear()


def _swapped(a: str, b: str, t_s: float) -> Apart:
    return Apart((a, b), t_s, f"seems to have changed places with {b}")


def _deviations(
    window: Sequence[_Block], index: int, among: Sequence[int] | None = None
) -> list[float]:
    """The sensor less the mean of the others, less its share of the excess, block by block."""
    members = range(len(window[0].values_c)) if among is None else among
    others = [member for member in members if member != index]
    apart = [
        block.values_c[index] - sum(block.values_c[o] for o in others) / len(others)
        for block in window
    ]
    usual = sum(apart[:3]) / 3.0
    usual_excess_k = max(sum(block.excess_k for block in window[:3]) / 3.0, 1.0)
    return [
        d - usual * block.excess_k / usual_excess_k for d, block in zip(apart, window, strict=True)
    ]


def _varied(window: Sequence[_Block]) -> float:
    """By which share the excess changed within the window."""
    excess = [block.excess_k for block in window]
    return (max(excess) - min(excess)) / max(median(excess), 1.0)


def _start(way: Sequence[float]) -> float:
    return median(way[:3])


def _end(way: Sequence[float]) -> float:
    return median(way[-3:])


def _is_line(times: Sequence[float], way: Sequence[float], change_k: float) -> bool:
    size_k = abs(change_k)
    most_k = max(LITTLE_K, LITTLE * size_k / len(way))
    slow_k = sum(max(-most_k, min(most_k, after - before)) for before, after in pairwise(way))
    if slow_k / change_k < SLOW_SHARE:
        return False
    slopes = [
        (way[j] - way[i]) / (times[j] - times[i])
        for i in range(0, len(way), 2)
        for j in range(i + 3, len(way), 2)
    ]
    slope = median(slopes)
    if slope * (times[-1] - times[0]) / change_k < 0.75:
        return False
    offs = [value - slope * (t_s - times[0]) for t_s, value in zip(times, way, strict=True)]
    level = median(offs)
    if median(abs(off - level) for off in offs) > max(NOISE_K, ROUGH_SHARE * size_k):
        return False
    half = len(way) // 2
    middle = median(way[half - 1 : half + 2])
    return LATE_SHARE <= (_end(way) - middle) / change_k <= 1.0 - LATE_SHARE
