"""What good jobs had that the others had not: figures of sound jobs against flawed ones.

With few jobs no statistics help: `unlike` names at most three figures in which one
job lay outside of all sound ones, by more than such figures usually differ.

With many, `differences` takes every figure in turn. Its effect is Cliff's delta: of all
pairs of a flawed and a sound job, the share in which the flawed one has more, less the
share in which it has less; 0 is no difference, 1 and -1 are all pairs. Most causes do no
harm until they are large, so beside it the jobs are parted at one value of the figure, where
that parts flawed from sound ones best; the two standard scores together are how strong a
difference is.

How much of that is chance is found by shuffling which jobs were flawed. To look at many
figures is to see a difference in one of them by chance, so each shuffle counts with the
strongest of all its figures: a difference is told if no more than three shuffles in a
hundred have as strong a one anywhere. Where outcomes don't hang on the figures, every
order of them is as likely as the true one, so that bound is exact, with ties and gaps too.
Whoever compares several materials looks at as many seasons, and each is held to so much
less (Šidák: they share no job, so they are independent). It names what goes with flaws,
never why.

Only jobs of one material, and simulated ones never with real ones: whoever calls sees
to that with `alike`. What was recorded somewhere may have been either, so it is held
against nothing.

References
----------
Cliff, N. (1993). Dominance statistics. Psychological Bulletin 114(3).
Westfall, P. H. and Young, S. S. (1993). Resampling-based multiple testing, section 2.6
(single-step maxT). Lausen, B. and Schumacher, M. (1992). Maximally selected rank
statistics. Biometrics 48. Šidák, Z. (1967), J. Am. Stat. Assoc. 62. Mann, H. B. and
Whitney, D. R. (1947), Ann. Math. Statist. 18(1).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median

import numpy as np
from numpy.typing import NDArray

from stillair.model import JobOutcome

SHUFFLES = 2000
CHANCE = 0.03  # that a season without a cause names one; at most 0.05 may be measured
COMPARED = ("real", "simulated")  # each with its own
LEAST_BUILT_S = 600.0  # of less no figure of the air is measured: see `figures.LEAST_ROWS`
LEAST_EACH = 4  # sound jobs, and flawed ones, before a difference is looked for
LEAST_KNOWN = 3  # of either, that have a figure
MOST_CUTS = 15  # of one figure
MOST_UNLIKE = 3
OUTSIDE = 2.0  # robust standard deviations from the median of the sound jobs
ROBUST_SD = 1.4826  # times the median absolute deviation


@dataclass(frozen=True, slots=True)
class Measure:
    """One figure of a job: how it is called, in what it is given, and what is no difference."""

    name: str
    said: str
    unit: str
    least: float  # two jobs alike differ by so much


MEASURES: tuple[Measure, ...] = (
    Measure(
        "below_target_share", "share of the time that the air's mean was below the target", "%", 3.0
    ),
    Measure(
        "deepest_drop_k",
        "deepest drop of the air's mean below the half hour before",
        "degrees",
        1.0,
    ),
    Measure(
        "longest_drop_s",
        "longest time that the air's mean stayed 2 degrees below the half hour before",
        "s",
        60.0,
    ),
    Measure("soak_s", "soak before the first layer", "s", 300.0),
    Measure("spread_k", "spread from the warmest to the coldest sensor of the air", "degrees", 1.0),
    Measure("hottest_c", "hottest that a sensor of the air was", "°C", 2.0),
    Measure("air_c", "air's mean while it was built", "°C", 1.5),
    Measure("room_c", "room's mean while it was built", "°C", 2.0),
    Measure("cooling_k_per_min", "steepest cooling after the end", "degrees a minute", 0.2),
    Measure("layer_s", "shortest layer", "s", 2.0),
    Measure("fan_share", "fan of the part", "%", 5.0),
    Measure("drying_h", "drying of the filament", "h", 1.0),
    Measure("humidity_share", "humidity of the room", "%", 5.0),
)


@dataclass(frozen=True, slots=True)
class JudgedJob:
    """A job that is over, how it came out, and its figures; None where that isn't known.

    `origin` is "real", "recorded" or "simulated", "" where that isn't known.
    """

    job: str
    material: str
    origin: str
    outcome: JobOutcome | None
    figures: Mapping[str, float | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Difference:
    """How a figure differs between flawed and sound jobs.

    `effect` is Cliff's delta, positive where flawed jobs have more; `chance` is what the
    largest effect of all figures stays below in 97 of 100 shuffles, for as many jobs as
    have this figure; `p` is corrected for all figures, and both for all materials.
    """

    measure: Measure
    effect: float
    chance: float
    p: float
    flawed_median: float
    sound_median: float
    flawed: int
    sound: int

    @property
    def told(self) -> bool:
        """Whether it is more than chance explains."""
        return self.p <= CHANCE


@dataclass(frozen=True, slots=True)
class Unlike:
    """A figure in which one job lay outside of all sound ones."""

    measure: Measure
    value: float
    median: float
    lowest: float
    highest: float
    sound: int


def is_built(lasted_s: float | None) -> bool:
    """Whether a job that lasted so long, less its pauses, can be held against others.

    One that was over within ten minutes built nothing: its machine failed, or its name was
    wrong. How it came out says nothing of what a chamber did. None: it goes on, or that isn't
    known.
    """
    return lasted_s is None or lasted_s >= LEAST_BUILT_S


def alike(job: JudgedJob, others: Iterable[JudgedJob]) -> list[JudgedJob]:
    """The others of the same material and origin; none where either isn't known."""
    if job.origin not in COMPARED or not _plain(job.material):
        return []
    return [
        other
        for other in others
        if other.job != job.job
        and other.origin == job.origin
        and _plain(other.material) == _plain(job.material)
    ]


def seasons_of(job: JudgedJob, others: Iterable[JudgedJob]) -> int:
    """How many materials have enough jobs of the same origin to be compared; 1 at least."""
    by_material: dict[str, dict[str, JudgedJob]] = {}
    for each in (job, *others):
        if each.origin == job.origin and each.outcome is not None:
            by_material.setdefault(_plain(each.material), {})[each.job] = each
    by_material.pop("", None)
    return max(1, sum(is_many(list(jobs.values())) for jobs in by_material.values()))


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


def unlike(
    job: JudgedJob, sound: Sequence[JudgedJob], measures: Sequence[Measure] = MEASURES
) -> tuple[Unlike, ...]:
    """In what a job differs most from the sound ones; at most three figures, the most first."""
    found: list[tuple[float, Unlike]] = []
    for measure in measures:
        value = _figure(job, measure)
        known = [v for other in sound if (v := _figure(other, measure)) is not None]
        if value is None or not known:
            continue
        middle = median(known)
        spread = ROBUST_SD * median(abs(each - middle) for each in known)
        sd = max(spread, measure.least)
        lowest, highest = min(known), max(known)
        off = abs(value - middle) / sd
        if off >= OUTSIDE and not lowest <= value <= highest:
            told = Unlike(measure, value, middle, lowest, highest, len(known))
            found.append((off, told))
    found.sort(key=lambda each: -each[0])
    return tuple(each for _, each in found[:MOST_UNLIKE])


def is_many(jobs: Sequence[JudgedJob]) -> bool:
    """Whether there are enough of either for `differences`."""
    sound = sum(job.outcome is JobOutcome.SOUND for job in jobs)
    return min(sound, len(jobs) - sound) >= LEAST_EACH


def differences(
    jobs: Sequence[JudgedJob],
    *,
    chance: np.random.Generator,
    seasons: int = 1,
    shuffles: int = SHUFFLES,
    measures: Sequence[Measure] = MEASURES,
) -> tuple[Difference, ...]:
    """How each figure differs between jobs that were not sound and those that were.

    The one that is least like chance first; none where there are too few jobs. A figure
    that too few have, or that is the same in all, is left out. The same jobs say the same, in
    whatever order they come. `seasons` is of how many materials jobs are compared beside.
    """
    if not is_many(jobs):
        return ()
    jobs = sorted(jobs, key=lambda job: job.job)
    bad = np.array([job.outcome is not JobOutcome.SOUND for job in jobs])
    columns = [
        np.array([math.nan if (v := _figure(job, m)) is None else v for job in jobs])
        for m in measures
    ]
    usable = [
        (measure, column)
        for measure, column in zip(measures, columns, strict=True)
        if np.isfinite(column[bad]).sum() >= LEAST_KNOWN
        and np.isfinite(column[~bad]).sum() >= LEAST_KNOWN
        and np.nanmax(column) > np.nanmin(column)
    ]
    if not usable:
        return ()
    values = np.stack([column for _, column in usable], axis=1)
    ranked = _Ranks(values)
    truly = ranked.of(bad[None, :])
    shuffled = ranked.of(chance.permuted(np.tile(bad, (shuffles, 1)), axis=1))
    largest = shuffled.strength.max(axis=1)
    largest_z = np.abs(shuffled.z).max(axis=1)
    bound_z = float(np.quantile(largest_z, (1.0 - CHANCE) ** (1.0 / seasons)))
    found: list[Difference] = []
    for place, (measure, column) in enumerate(usable):
        strength = float(truly.strength[0, place])
        effect = float(truly.effect[0, place])
        # Phipson & Smyth (2010): the true one counts as a shuffle, so p is never 0.
        p = float((largest >= strength - 1e-9).sum() + 1) / (shuffles + 1)
        found.append(
            Difference(
                measure,
                effect=round(effect, 3),
                chance=round(min(1.0, bound_z * float(truly.effect_per_z[0, place])), 3),
                p=1.0 - (1.0 - p) ** seasons,
                flawed_median=float(np.nanmedian(column[bad])),
                sound_median=float(np.nanmedian(column[~bad])),
                flawed=int(np.isfinite(column[bad]).sum()),
                sound=int(np.isfinite(column[~bad]).sum()),
            )
        )
    order = np.argsort(-truly.strength[0], kind="stable")
    return tuple(found[place] for place in order)


def _figure(job: JudgedJob, measure: Measure) -> float | None:
    value = job.figures.get(measure.name)
    return value if value is not None and math.isfinite(value) else None


@dataclass(frozen=True, slots=True)
class _Effects:
    """For each labelling and figure."""

    effect: NDArray[np.float64]
    z: NDArray[np.float64]
    effect_per_z: NDArray[np.float64]
    strength: NDArray[np.float64]


class _Ranks:
    """How far apart flawed and sound jobs are in any labelling of them, for all figures at once.

    By ranks alone: what one wild value is, doesn't matter. `values` is (jobs, figures), nan
    where a job has none.
    """

    def __init__(self, values: NDArray[np.float64]) -> None:
        self._known = np.isfinite(values).astype(np.float32)
        self._total = self._known.sum(axis=0).astype(float)
        self._ranks = np.zeros(values.shape, np.float32)
        self._tied = np.zeros(values.shape[1])
        below: list[NDArray[np.bool_]] = []
        self._begins: list[int] = []  # where each figure's cuts begin
        for place in range(values.shape[1]):
            column = values[:, place]
            known = np.isfinite(column)
            levels, inverse, counts = np.unique(
                column[known], return_inverse=True, return_counts=True
            )
            ends = np.cumsum(counts)
            self._ranks[known, place] = (ends - (counts - 1) / 2.0)[inverse]
            self._tied[place] = float((counts.astype(float) ** 3 - counts).sum())
            self._begins.append(len(below))
            below += [column <= level for level in _cuts(levels, ends)]
        self._of = np.repeat(
            np.arange(values.shape[1]), np.diff([*self._begins, len(below)])
        )  # each cut's figure
        self._below = np.stack(below, axis=1).astype(np.float32)

    def of(self, bad: NDArray[np.bool_]) -> _Effects:
        """Effect and standard score of labellings, (labellings, jobs)."""
        # Sums of less than 2**24 halves: exact, and so alike for the true labelling and others.
        marks = bad.astype(np.float32)
        flawed = (marks @ self._known).astype(float)
        sound = self._total - flawed
        pairs = np.maximum(flawed * sound, 1.0)
        above = (marks @ self._ranks).astype(float) - flawed * (flawed + 1.0) / 2.0
        effect = np.where(flawed * sound > 0.0, 2.0 * above / pairs - 1.0, 0.0)
        # Variance of the rank sum, with ties (Mann & Whitney).
        ties = self._tied / np.maximum(self._total * (self._total - 1.0), 1.0)
        sd = np.sqrt(np.maximum(pairs / 12.0 * (self._total + 1.0 - ties), 1e-12))
        per_z = 2.0 * sd / pairs
        z = effect / per_z
        apart = np.maximum.reduceat(self._apart(marks, pairs, flawed), self._begins, axis=1)
        return _Effects(effect, z, per_z, np.abs(z) + np.maximum(apart, np.abs(z)))

    def _apart(
        self, marks: NDArray[np.float32], pairs: NDArray[np.float64], flawed: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """For each cut, how unlike chance it is that so many flawed jobs are below it."""
        of, below = self._of, self._below.sum(axis=0).astype(float)
        total = self._total[of]
        expected = flawed[:, of] * (below / total)
        # Variance of the hypergeometric distribution.
        share = below * (total - below) / (total**2 * np.maximum(total - 1.0, 1.0))
        sd = np.sqrt(np.maximum(pairs[:, of] * share, 1e-12))
        found: NDArray[np.float64] = np.abs((marks @ self._below).astype(float) - expected) / sd
        return found


def _cuts(levels: NDArray[np.float64], ends: NDArray[np.int64]) -> NDArray[np.float64]:
    """Where jobs are parted in two, with some on either side; evenly spread, 15 at most."""
    last = int(ends[-1])
    least = max(LEAST_KNOWN, last // 10)
    inner = levels[(ends >= least) & (ends <= last - least)]
    if not len(inner):
        inner = levels[-1:]  # all on one side: of no weight
    spread = np.unique(np.linspace(0, len(inner) - 1, MOST_CUTS).round().astype(int))
    found: NDArray[np.float64] = inner[spread]
    return found
