"""Has a sensor drifted away from its neighbours?

A drifting sensor moves little by little, steadily, and alone. Everything else
that moves the differences between sensors does it otherwise: a part fan or a
bed's step within minutes, a chamber that still warms up less and less, a room
or a heater in proportion to the whole excess, and layers of air at all sensors
together. So means over ten minutes in which no cold air came in and no heat
was lost are kept for seven hours, and each sensor's distance from the mean of
the others is asked for its trend beside all that (`trend`), over the last two
to seven hours.

Drift is told where the trend has changed the distance by 0.75 K at least and
by many times its uncertainty, about as much in either half of the time,
explains more than any single step would, and, with three sensors or more,
where the others have kept their distances and each is left behind alike. Of
two sensors it can't be said which one drifts: both are named, and more must be
sure, since layers move them apart as well.

Without any excess all sensors show the same air, so that what they differ by
is their own (`cold_k`); warm, the rest of it goes with the excess. Kept from
job to job, it also shows what has changed since.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

from stillair.thermal.places import Apart
from stillair.thermal.trend import Course, Trend, trend

BLOCK_S = 600.0
LEAST_MINUTES = 7  # of a block that must have been calm
MOVED_K = 2.0  # a block within which the air went further is none
LONGEST_S = 7 * 3600.0
SHORTEST_BLOCKS = 12
WINDOWS_S = (2.5 * 3600.0, 4 * 3600.0, 5.5 * 3600.0, LONGEST_S)
COVERED = 0.6  # share of a window that must have been comparable
DRIFT_K = 0.75
HALF_SHARE = 0.3  # of the change, that each half must have brought
SURE = 5.0  # times the uncertainty
LAYERS_SHARE, PAIR_LAYERS_SHARE = 0.2, 0.35  # of the distance, that layers may come and go by
HEAT_UP_S, HEAT_UP_SHARE = 3600.0, 0.6  # so long after that share of the excess, walls lag behind
PAIR_BLOCKS = 18
JUMPED_SHARE = 0.5  # of the change, that may have come at once
STEP_SHARE, STEPS_SHARE = 0.75, 1.2  # of what one or two steps leave, that a trend may leave
OTHERS_SHARE, LEFT_SHARE = 0.4, 0.5
RIVAL_SHARE = 0.75  # of the change, that another of three may have gone the other way
FASTEST_K_PER_S = 1.0 / 3600.0  # what is faster isn't ageing
ANOTHER_K = 0.5  # a sensor that stands elsewhere after a fault is another one
COLD_EXCESS_K, COLD_MOVED_K, COLD_MINUTES = 1.0, 0.15, 4
AGED_K = 1.0  # since an earlier job
MEMORY_WEIGHT = 0.2


@dataclass(frozen=True, slots=True)
class _Block:
    t_s: float
    values_c: Mapping[str, float]
    excess_k: float
    rate_k_per_min: float

    def apart_k(self, name: str, others: Sequence[str]) -> float:
        """How far a sensor stands above the mean of others."""
        values_c = self.values_c
        return values_c[name] - sum(values_c[other] for other in others) / len(others)


class DriftWatch:
    """Compare the sensors of one chamber's air, minute by minute, in calm air.

    Parameters
    ----------
    names : sequence of str
        The sensors of the chamber's air.
    cold_k : mapping
        What `cold_k` gave at the end of an earlier job.
    """

    def __init__(self, names: Sequence[str], cold_k: Mapping[str, float] | None = None) -> None:
        self._names = tuple(names)
        self._remembered_k = dict(cold_k or {})
        self._cold_k: dict[str, float] = {}  # seen this time
        self._blocks: deque[_Block] = deque(maxlen=int(LONGEST_S / BLOCK_S) + 1)
        self._minutes: list[tuple[Mapping[str, float], float]] = []
        self._block_s = 0.0
        self._suspect = False
        self.drifted: Apart | None = None

    @property
    def newest(self) -> tuple[Mapping[str, float], float]:
        """The means of the block judged last, by sensor, and its excess over the room."""
        block = self._blocks[-1]
        return block.values_c, block.excess_k

    @property
    def cold_k(self) -> dict[str, float]:
        """How far each sensor stood above the mean of all in a cold chamber, K.

        It follows slowly from job to job, or drift would be taken in with it;
        what has been told is taken in.
        """
        known = dict(self._remembered_k)
        told = self.drifted.sensors if self.drifted is not None else ()
        for name, own_k in self._cold_k.items():
            old_k = known.get(name)
            weight = MEMORY_WEIGHT if old_k is not None and name not in told else 1.0
            known[name] = own_k if old_k is None else old_k + weight * (own_k - old_k)
        return {name: round(own_k, 3) for name, own_k in known.items()}

    def push(self, t_s: float, values_c: Mapping[str, float], room_c: float) -> bool:
        """Take the means of a calm minute; return whether a block of them was judged.

        `values_c` are those of the sensors that can be trusted, by name.
        """
        judged = False
        if t_s - self._block_s >= BLOCK_S:
            judged = self._close(t_s)
            self._block_s = t_s
        if len(values_c) > 1:
            self._minutes.append((dict(values_c), sum(values_c.values()) / len(values_c) - room_c))
            if self._minutes[-1][1] < COLD_EXCESS_K and len(self._minutes) >= COLD_MINUTES:
                self._see_cold(t_s)
        return judged

    def suspect(self) -> None:
        """A sensor has had a fault: it may be another one now."""
        self._suspect = True

    def forget(self) -> None:
        """Begin anew: what comes next is not to be compared with the past."""
        self._blocks.clear()
        self._minutes.clear()
        self.drifted = None

    # --- blocks --------------------------------------------------------------

    def _close(self, t_s: float) -> bool:
        minutes, self._minutes = self._minutes, []
        lists: dict[str, list[float]] = {}
        for values_c, _ in minutes:
            for name, value_c in values_c.items():
                lists.setdefault(name, []).append(value_c)
        means_c = {n: sum(v) / len(v) for n, v in lists.items() if len(v) >= LEAST_MINUTES}
        if len(means_c) < 2:
            return False
        excesses = [excess_k for _, excess_k in minutes]
        third = max(1, len(excesses) // 3)
        moved_k = median(excesses[-third:]) - median(excesses[:third])
        if abs(moved_k) > MOVED_K:
            return False
        rate = moved_k / (len(excesses) - third) if len(excesses) > third else 0.0
        block = _Block(t_s, means_c, sum(excesses) / len(excesses), rate)
        if self._suspect and self._blocks:
            self._suspect = False
            if self._is_another(block):
                self.forget()
        self._blocks.append(block)
        while self._blocks[0].t_s < t_s - LONGEST_S:
            self._blocks.popleft()
        if self.drifted is None and block.excess_k >= COLD_EXCESS_K:
            self.drifted = self._judge()
        return True

    def _is_another(self, block: _Block) -> bool:
        before = self._blocks[-1]
        names = [name for name in block.values_c if name in before.values_c]
        for name in names:
            others = [other for other in names if other != name]
            if others and abs(block.apart_k(name, others) - before.apart_k(name, others)) > max(
                ANOTHER_K, 0.3 * abs(block.excess_k - before.excess_k)
            ):
                return True
        return False

    def _see_cold(self, t_s: float) -> None:
        """Learn what the sensors differ by where there is but one air, and hold it to memory."""
        minutes = self._minutes[-COLD_MINUTES:]
        excesses = [excess_k for _, excess_k in minutes]
        if max(excesses) - min(excesses) > COLD_MOVED_K or min(excesses) < -COLD_EXCESS_K:
            return
        if any(name not in values_c for values_c, _ in minutes for name in self._names):
            return
        means_c = {name: sum(m[0][name] for m in minutes) / len(minutes) for name in self._names}
        mean_c = sum(means_c.values()) / len(means_c)
        self._cold_k = {name: value_c - mean_c for name, value_c in means_c.items()}
        if self.drifted is not None or any(n not in self._remembered_k for n in self._names):
            return
        off_k = {name: own_k - self._remembered_k[name] for name, own_k in self._cold_k.items()}
        middle_k = median(off_k.values())
        worst = max(self._names, key=lambda name: abs(off_k[name] - middle_k))
        if len(self._names) == 2:
            change_k = off_k[self._names[0]] - off_k[self._names[1]]
            if abs(change_k) >= AGED_K:
                self.drifted = _of_two(*self._names, change_k, t_s, "since an earlier job")
            return
        change_k = off_k[worst] - middle_k
        others = [n for n in self._names if n != worst]
        if abs(change_k) >= AGED_K and all(
            abs(off_k[n] - middle_k) <= OTHERS_SHARE * abs(change_k) for n in others
        ):
            self.drifted = _of_many(worst, change_k, t_s, " since an earlier job")

    # --- judging ---------------------------------------------------------------

    def _judge(self) -> Apart | None:
        newest_s, excess_k = self._blocks[-1].t_s, self._blocks[-1].excess_k
        least_k = HEAT_UP_SHARE * excess_k if excess_k > 0.0 else excess_k
        warm_s = next(b.t_s for b in self._blocks if b.excess_k >= least_k)
        blocks = [block for block in self._blocks if block.t_s >= warm_s + HEAT_UP_S]
        for window_s in WINDOWS_S:
            window = [block for block in blocks if block.t_s > newest_s - window_s]
            if len(window) < SHORTEST_BLOCKS:
                continue
            names = [
                name
                for name in self._names
                if name in window[-1].values_c
                and sum(name in b.values_c for b in window) >= 0.7 * len(window)
            ]
            window = [b for b in window if all(name in b.values_c for name in names)]
            length_s = window[-1].t_s - window[0].t_s + BLOCK_S
            least = PAIR_BLOCKS if len(names) == 2 else SHORTEST_BLOCKS
            if len(names) < 2 or len(window) < max(least, COVERED * length_s / BLOCK_S):
                continue
            found = self._judge_window(window, names)
            if found is not None:
                return found
            if len(window) == len(blocks):
                break
        return None

    def _judge_window(self, window: Sequence[_Block], names: Sequence[str]) -> Apart | None:
        course = Course(
            [block.t_s for block in window],
            [block.excess_k for block in window],
            [block.rate_k_per_min for block in window],
        )
        best: tuple[float, str, list[str], Trend] | None = None
        for name in names[:1] if len(names) == 2 else names:
            others = [other for other in names if other != name]
            found = self._trend(_layered(course, window, others), window, name, others)
            if found is not None and (best is None or abs(found.change_k) > best[0]):
                best = abs(found.change_k), name, others, found
        if best is None:
            return None
        size_k, name, others, found = best
        course = _layered(course, window, others)
        if size_k > FASTEST_K_PER_S * (window[-1].t_s - window[0].t_s):
            return None
        apart_k = [block.apart_k(name, others) for block in window]
        cold_k = self._cold_apart_k(name, others)
        layers = PAIR_LAYERS_SHARE if len(names) == 2 else LAYERS_SHARE
        if size_k < max(SURE * found.u_k, layers * abs(median(apart_k) - (cold_k or 0.0))):
            return None
        if found.jumped_k / found.change_k > JUMPED_SHARE:
            return None
        one_k2, two_k2 = found.step_k2()
        if found.rough_k2 > min(STEP_SHARE * one_k2, STEPS_SHARE * two_k2):
            return None
        since_s = window[0].t_s
        if len(names) == 2:
            return _of_two(name, others[0], found.change_k, since_s, "")
        if len(names) == 3:
            for rival in others:
                if self._rivals(course, window, names, name, rival, found):
                    pair = len(window) >= PAIR_BLOCKS
                    return self._judge_window(window, [name, rival]) if pair else None
        for other in others:
            rest = [one for one in others if one != other]
            apart = _layered(course, window, rest)
            beside = self._trend(apart, window, other, rest, any_size=True)
            behind = self._trend(course, window, name, [other], any_size=True)
            if beside is None or abs(beside.change_k) > OTHERS_SHARE * size_k + beside.u_k:
                return None
            if behind is None or behind.change_k / found.change_k < LEFT_SHARE:
                return None
        return _of_many(name, found.change_k, since_s, "")

    def _rivals(
        self,
        course: Course,
        window: Sequence[_Block],
        names: Sequence[str],
        name: str,
        rival: str,
        of: Trend,
    ) -> bool:
        """Whether another of three sensors may as well be the one, the other way round.

        Where the third is stirred, only what the two others differ by shows how much,
        and that is just what a drift of one of them changes.
        """

        def trend_of(one: str) -> Trend | None:
            others = [other for other in names if other != one]
            return self._trend(_layered(course, window, others), window, one, others, any_size=True)

        (third,) = set(names) - {name, rival}
        found, rest = trend_of(rival), trend_of(third)
        calm_k = OTHERS_SHARE * abs(of.change_k)
        return (
            found is not None
            and found.change_k / of.change_k < -RIVAL_SHARE
            and abs(found.change_k) >= SURE * found.u_k
            and (rest is None or abs(rest.change_k) + rest.u_k > calm_k)
        )

    def _trend(
        self,
        course: Course,
        window: Sequence[_Block],
        name: str,
        others: Sequence[str],
        *,
        any_size: bool = False,
    ) -> Trend | None:
        """The trend of a sensor's distance; None where it is none, or too small to matter."""
        apart_k = [block.apart_k(name, others) for block in window]
        if not any_size and abs(median(apart_k[-5:]) - median(apart_k[:5])) < 0.5 * DRIFT_K:
            return None
        found = trend(course, apart_k, self._cold_apart_k(name, others))
        if found is None or any_size:
            return found
        change_k = found.change_k
        if abs(change_k) < DRIFT_K:
            return None
        least = min(found.first_k / change_k, found.second_k / change_k)
        return found if least >= HALF_SHARE else None

    def _cold_apart_k(self, name: str, others: Sequence[str]) -> float | None:
        known_k = self._cold_k or self._remembered_k
        if name not in known_k or any(other not in known_k for other in others):
            return None
        return known_k[name] - sum(known_k[other] for other in others) / len(others)


def _layered(course: Course, window: Sequence[_Block], others: Sequence[str]) -> Course:
    """The course with what the outermost of other sensors differ by; without, of one alone."""
    if len(others) < 2:
        return replace(course, layers_k=None)
    means = {name: sum(block.values_c[name] for block in window) for name in others}
    high, low = max(others, key=means.__getitem__), min(others, key=means.__getitem__)
    return replace(
        course, layers_k=[block.values_c[high] - block.values_c[low] for block in window]
    )


def _of_two(name: str, other: str, change_k: float, since_s: float, when: str) -> Apart:
    reason = f"has drifted apart from {other} by {abs(change_k):.1f} degrees {when}".rstrip()
    return Apart((name, other), since_s, reason)


def _of_many(name: str, change_k: float, since_s: float, when: str) -> Apart:
    side = "higher" if change_k > 0.0 else "lower"
    reason = f"has drifted {abs(change_k):.1f} degrees {side} than its neighbours{when}"
    return Apart((name,), since_s, reason)
