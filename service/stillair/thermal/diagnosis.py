"""What a job's readings say of the box itself, against its own earlier jobs.

Figures of one job, from the mean x of the chamber's sensors over the room:

loss_per_h
    How fast the shut box cools once the heat is off: ln 2 over the time in
    which x falls from 80 % to 40 % of what it was then. Air, bed and walls
    cool with time constants of their own; the same stretch of the way compares
    like with like. It grows with a leak or a seal that has got worse.
early_loss_per_h
    The same from 95 % to 80 %, for who opens the door as soon as the part is
    cool enough. A thermostat's to and fro spreads it more (6 % against 3 % over
    jobs of a simulated box), so it is told only from 25 % on.
time_constant_s
    The same as a time, 3,600 / loss_per_h.
warm_k_per_min
    The rise from 20 % to 60 % of the job's excess over the time that took.
    It grows with heat input and falls with losses.
offsets
    How far each sensor stood from the mean of the others, while warm, as a
    share of x: where a sensor sits decides it.

A figure is told when it differs from the median of the earlier jobs by more
than 3.5 robust standard deviations (1.4826 times the median absolute
deviation; Iglewicz, B. and Hoaglin, D. C. (1993) How to detect and handle
outliers, 11 f.), no less than 4 % each, and by 15 % at least. The fill of the
box differs from job to job: fewer than three earlier jobs say nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median

GRID_S = 30.0
LEAST_EXCESS_K = 8.0  # a job that was no warmer over its room says nothing
COOL_FROM, COOL_TO = 0.8, 0.4
EARLY_FROM = 0.95
WARM_FROM, WARM_TO = 0.2, 0.6
OLD_JOBS = 8
LEAST_JOBS = 3
OUTLIER = 3.5
LEAST_SPREAD = 0.04  # of the median: jobs differ by so much at least
LEAST_CHANGE, LEAST_EARLY_CHANGE = 0.15, 0.25
MOVED_SHARE, MOVED_K = 0.06, 1.0
LONGEST_GAP_S = 120.0
LEAST_STEPS = 4  # of GRID_S: no box with a part in it cools so far within two minutes
# Unheated, the first half of a stretch of the way down takes about as long as the
# second, or less, as air cools before walls; a heater that is set lower holds one up.
FIRST_HALF, SECOND_HALF = 2.0, 4.0  # the longest, in lengths of the other
ROSE_SHARE = 0.04  # of the excess: what only cools doesn't rise by more
STEADY = 0.9  # of the job's excess: it has to have stayed so warm for a while,
STEADY_WAYS = 1.5  # by the time of its way up, or that was not yet all of its warmth

NOTHING_MEASURED = (
    "Neither how fast the box warms up nor how fast it cools could be measured in this job. For "
    "the one the readings have to begin while it is cold and go on until it is steadily warm; for "
    "the other it has to cool, shut and unheated, until more than half of its warmth is gone."
)

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class JobFigures:
    """One job's figures; None where its readings don't give one."""

    loss_per_h: float | None = None
    warm_k_per_min: float | None = None
    excess_k: float | None = None
    offsets: Mapping[str, float] = field(default_factory=dict)
    early_loss_per_h: float | None = None

    @property
    def time_constant_s(self) -> float | None:
        """In which a shut, unheated box loses 63 % of its excess."""
        return None if not self.loss_per_h else 3600.0 / self.loss_per_h


def job_figures(
    time_s: Sequence[float],
    sensors: Mapping[str, Sequence[float | None]],
    room_c: Sequence[float | None] | None,
    *,
    heat_off_s: float | None,
    doors: Sequence[Span] = (),
) -> JobFigures:
    """The figures of one job.

    Parameters
    ----------
    time_s : sequence of float
        Times of the rows, increasing, s.
    sensors : mapping
        For each sensor of the chamber's air one value a row, °C; None for a gap.
    room_c : sequence or None
        The room, one value a row; without it the lowest of the chamber's own stands for it.
    heat_off_s : float or None
        When the heat was switched off; None if that isn't known.
    doors : sequence of (start, end)
        When cold air came in: no cool-down is measured across one.
    """
    grid = _on_grid(time_s, sensors, room_c)
    if len(grid.air_c) < 20:
        return JobFigures()
    room = grid.room_c if grid.room_c is not None else [min(grid.air_c)] * len(grid.air_c)
    excess = [air - out for air, out in zip(grid.air_c, room, strict=True)]
    if max(excess) < LEAST_EXCESS_K:
        return JobFigures()
    off = _index(grid.t_s, heat_off_s) if heat_off_s is not None else _last_high(excess)
    warm = sorted(excess[: off + 1])
    typical_k = warm[int(0.8 * (len(warm) - 1))]
    if typical_k < LEAST_EXCESS_K:
        return JobFigures()
    return JobFigures(
        _loss_per_h(grid.t_s, excess, off, doors, COOL_FROM, COOL_TO),
        _warm_k_per_min(grid.t_s, excess[: off + 1], typical_k, doors),
        round(typical_k, 2),
        _offsets(grid, excess, off, typical_k),
        _loss_per_h(grid.t_s, excess, off, doors, EARLY_FROM, COOL_FROM),
    )


def told(now: JobFigures, earlier: Sequence[JobFigures]) -> str:
    """What of this job differs from the earlier ones (oldest first), in one sentence; or none."""
    for sentence in (_loss_told(now, earlier), _moved_told(now, earlier), _warm_told(now, earlier)):
        if sentence:
            return sentence
    return ""


def spoken(job: JobFigures, compared: int, *, differs: bool) -> str:
    """A job's figures as people read them, and whether they are as in earlier jobs."""
    said = []
    if job.warm_k_per_min is not None:
        said.append(f"warmed up by {job.warm_k_per_min:.1f} degrees a minute")
    if job.loss_per_h is not None and job.loss_per_h > 0.0:
        half_min = 60.0 * math.log(2.0) / job.loss_per_h
        said.append(f"lost half of its warmth in {half_min:.0f} min once the heat was off")
    elif job.early_loss_per_h is not None and job.early_loss_per_h > 0.0:
        half_min = 60.0 * math.log(2.0) / job.early_loss_per_h
        said.append(f"began to cool at a rate that halves its warmth in {half_min:.0f} min")
    if not said:
        return NOTHING_MEASURED
    sentence = f"The box {' and '.join(said)}."
    if differs:
        return sentence
    if compared < LEAST_JOBS:
        return f"{sentence} It takes {LEAST_JOBS} earlier jobs of this box to compare it with."
    return f"{sentence} That is as in the last {compared} jobs."


# --- figures ------------------------------------------------------------------


@dataclass(slots=True)
class _Grid:
    t_s: list[float] = field(default_factory=list)
    air_c: list[float] = field(default_factory=list)
    room_c: list[float] | None = None
    sensors: dict[str, list[float | None]] = field(default_factory=dict)


def _on_grid(
    time_s: Sequence[float],
    sensors: Mapping[str, Sequence[float | None]],
    room_c: Sequence[float | None] | None,
) -> _Grid:
    """Means over half minutes, of the sensors that were there all the time or nearly so."""
    present = [n for n, v in sensors.items() if sum(c is not None for c in v) * 2 > len(v)]
    grid = _Grid(sensors={name: [] for name in present})
    rooms: list[float] = []
    start = 0
    while start < len(time_s):
        end = start
        while end < len(time_s) and time_s[end] < time_s[start] + GRID_S:
            end += 1
        means = {name: _mean(sensors[name][start:end]) for name in present}
        known = [value for value in means.values() if value is not None]
        if present and len(known) == len(present):
            grid.t_s.append(time_s[start])
            grid.air_c.append(sum(known) / len(known))
            for name in present:
                grid.sensors[name].append(means[name])
            outside_c = None if room_c is None else _mean(room_c[start:end])
            rooms.append(outside_c if outside_c is not None else rooms[-1] if rooms else math.nan)
        start = end
    if room_c is not None and rooms and not math.isnan(rooms[-1]):
        first_c = next(c for c in rooms if not math.isnan(c))
        grid.room_c = [first_c if math.isnan(c) else c for c in rooms]
    return grid


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None


def _index(t_s: Sequence[float], when_s: float) -> int:
    for index, then_s in enumerate(t_s):
        if then_s >= when_s:
            return index
    return len(t_s) - 1


def _last_high(excess: Sequence[float]) -> int:
    """The last time at which it was nearly as warm as ever: from there on it only cooled."""
    high_k = 0.93 * max(excess)
    return max(index for index, value in enumerate(excess) if value >= high_k)


def _loss_per_h(
    t_s: Sequence[float],
    excess: Sequence[float],
    off: int,
    doors: Sequence[Span],
    from_share: float,
    to_share: float,
) -> float | None:
    start_k = excess[off]
    if start_k < LEAST_EXCESS_K:
        return None
    begin = _first_below(excess, from_share * start_k, off)
    end = None if begin is None else _first_below(excess, to_share * start_k, begin)
    if begin is None or end is None or not _is_whole(t_s, begin, end, doors):
        return None
    if end - begin < LEAST_STEPS or excess[end] <= 0.0:
        return None  # it didn't cool, it was another box from one moment to the next
    if not _only_cools(t_s, excess, begin, end):
        return None
    lasted_s = t_s[end] - t_s[begin]
    return math.log(excess[begin] / excess[end]) * 3600.0 / lasted_s


def _only_cools(t_s: Sequence[float], excess: Sequence[float], begin: int, end: int) -> bool:
    """Whether a stretch of the way down is a box left to itself, not one that is heated less."""
    lowest_k = excess[begin]
    for value in excess[begin : end + 1]:
        lowest_k = min(lowest_k, value)
        if value > lowest_k + ROSE_SHARE * excess[begin]:
            return False
    middle = _first_below(excess, math.sqrt(excess[begin] * excess[end]), begin)
    assert middle is not None  # it lies above the end's
    first_s, second_s = t_s[middle] - t_s[begin], t_s[end] - t_s[middle]
    return first_s <= FIRST_HALF * (second_s + GRID_S) and second_s <= SECOND_HALF * (
        first_s + GRID_S
    )


def _warm_k_per_min(
    t_s: Sequence[float], excess: Sequence[float], typical_k: float, doors: Sequence[Span]
) -> float | None:
    if not excess or excess[0] > 0.5 * WARM_FROM * typical_k:
        return None  # it was warm already
    begin = next(i for i, value in enumerate(excess) if value >= WARM_FROM * typical_k)
    end = next(i for i, value in enumerate(excess) if value >= WARM_TO * typical_k)
    if end == begin or not _is_whole(t_s, begin, end, doors):
        return None
    steady = sum(value >= STEADY * typical_k for value in excess)
    if steady < STEADY_WAYS * (end - begin):
        return None  # it was still warming up: nobody knows how warm it would have become
    return (excess[end] - excess[begin]) * 60.0 / (t_s[end] - t_s[begin])


def _first_below(excess: Sequence[float], level_k: float, start: int) -> int | None:
    return next((i for i in range(start, len(excess)) if excess[i] <= level_k), None)


def _is_whole(t_s: Sequence[float], begin: int, end: int, doors: Sequence[Span]) -> bool:
    """Whether a stretch has no long gap and no cold air let in."""
    if any(t_s[i + 1] - t_s[i] > LONGEST_GAP_S for i in range(begin, end)):
        return False
    return not any(start_s < t_s[end] and end_s > t_s[begin] for start_s, end_s in doors)


def _offsets(grid: _Grid, excess: Sequence[float], off: int, typical_k: float) -> dict[str, float]:
    names = list(grid.sensors)
    warm = [i for i in range(off + 1) if excess[i] >= 0.8 * typical_k]
    if len(names) < 2 or len(warm) < 20:
        return {}
    found: dict[str, float] = {}
    for name in names:
        shares = [
            (own_c - grid.air_c[i]) * len(names) / (len(names) - 1) / excess[i]
            for i in warm
            if (own_c := grid.sensors[name][i]) is not None
        ]
        found[name] = round(median(shares), 4)
    return found


# --- against the past -----------------------------------------------------------


def _past(values: Sequence[float | None]) -> tuple[float, float, int] | None:
    """Median, robust standard deviation and number of what the last jobs gave."""
    known = [value for value in values if value is not None][-OLD_JOBS:]
    if len(known) < LEAST_JOBS:
        return None
    middle = median(known)
    return middle, 1.4826 * median(abs(value - middle) for value in known), len(known)


def _change(
    now: float | None, past: tuple[float, float, int] | None, least: float = LEAST_CHANGE
) -> float | None:
    """By which share a figure differs from the past, if it does; more is above 0."""
    if now is None or past is None or past[0] <= 0.0:
        return None
    middle, spread, _ = past
    off = now - middle
    if abs(off) < OUTLIER * max(spread, LEAST_SPREAD * middle) or abs(off) < least * middle:
        return None
    return off / middle


def _loss_told(now: JobFigures, earlier: Sequence[JobFigures]) -> str:
    past = _past([job.loss_per_h for job in earlier])
    change = _change(now.loss_per_h, past)
    if now.loss_per_h is None or past is None:
        past = _past([job.early_loss_per_h for job in earlier])
        change = _change(now.early_loss_per_h, past, LEAST_EARLY_CHANGE)
    if change is None or past is None or change < 0.0:
        return ""
    return (
        f"The box now loses heat {100 * change:.0f} % faster than in the last {past[2]} jobs: "
        "look at door and seals."
    )


def _warm_told(now: JobFigures, earlier: Sequence[JobFigures]) -> str:
    past = _past([job.warm_k_per_min for job in earlier])
    change = _change(now.warm_k_per_min, past)
    if change is None or past is None or change > 0.0:
        return ""
    return (
        f"The box now warms up {-100 * change:.0f} % more slowly than in the last {past[2]} jobs: "
        "look at heater, bed and fan."
    )


def _moved_told(now: JobFigures, earlier: Sequence[JobFigures]) -> str:
    worst, sentence = 1.0, ""
    for name, share in now.offsets.items():
        past = _past([job.offsets.get(name) for job in earlier])
        if past is None or now.excess_k is None:
            continue
        off = share - past[0]
        least = max(OUTLIER * past[1], MOVED_SHARE, MOVED_K / now.excess_k)
        if abs(off) / least > worst:
            worst = abs(off) / least
            side = "higher" if off > 0.0 else "lower"
            sentence = (
                f"Sensor {name} now reads {abs(off) * now.excess_k:.1f} degrees {side}, compared "
                f"with the others, than in the last {past[2]} jobs: it may have moved."
            )
    return sentence
