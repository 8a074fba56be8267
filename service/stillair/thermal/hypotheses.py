"""Which explanation fits the last minutes best: nothing, door, draft, lost heat, mixing, heat?

Under every one but *nothing* each sensor leaves its straight course at one
instant, common to all, by an amount A of its own, with a rate r common to all,
seen through the lag of that sensor. For air that goes to a new level this is

    y(t) = c + d t - A h(t - t0),   h(u) = 1 - (r' e^-ru - r e^-r'u) / (r' - r),   r' = 1/tau

(step response of two first-order lags in series), and for heat that slowly
fails a ramp through the lag. For each instant, rate and lag of a small grid A,
c and d follow in closed form by least squares, d held near the minute before;
what that takes off the squares is the log-likelihood gained over *nothing*
(generalized likelihood ratio: Willsky, A. S. and Jones, H. L. (1976) IEEE
Trans. Autom. Control 21). Residuals hang together, so a point counts for a
third. Lags are penalised by how well they are known, and each explanation by
how unlikely it holds instants, rates and amounts of that size to be:

- door: one exchange for the whole box, a quarter or more of the excess over
  the room within seconds to half a minute, sensors alike within 1.5;
- draft: less than that, slower, or of different size at the sensors;
- lost heat: nothing falls faster than the losses make it;
- mixing (a fan): some rise while others fall;
- heat: all rise.

Every one pays for its free amounts, ln(n)/2 each (Schwarz, G. (1978) Annals of
Statistics 6), and for the choice of an instant and a rate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from stillair.thermal.air import AirTrack

CLEAR_LEAD = math.log(20.0)
LONGEST = 260  # s of response kept in a table
BEFORE_S = 45
LAGS_S = (2.0, 3.0, 4.5, 6.5, 9.5, 14.0, 20.0, 28.0, 39.0, 55.0)
_WIDTHS = ((20, 2), (60, 4), (LONGEST, 8))  # up to which age readings are averaged, over what
RATES_PER_S = (0.3, 0.12, 0.06, 0.03, 0.015, 0.0)  # 0: a ramp of 1 a minute
TOGETHER = 3.0  # readings that count as one
MODEL_ERROR = 0.2  # no box follows the equations closer than this
LEAST_NOISE_K = 0.02
TREND_SPREAD_K_PER_S = 0.004
CHOICE = math.log(40.0)
LEAST_SHARE = 0.02


class Cause(StrEnum):
    """What may be behind a change of the air."""

    NOTHING = "nothing"
    DOOR = "door_open"
    DRAFT = "draft"
    HEAT_LOST = "heat_lost"
    MIXING = "mixing"
    HEAT = "heat"


# Log-weights of the rates, by cause.
_RATES = {
    Cause.DOOR: (-0.7, 0.0, 0.0, -0.3, -3.5, -12.0),
    Cause.DRAFT: (-1.5, -0.5, 0.0, 0.0, -1.5, -7.0),
    Cause.HEAT_LOST: (-7.0, -4.0, -2.5, -1.0, 0.0, 0.0),
}
_DOOR_SHARE, _DOOR_PER_S, _DOOR_SD, _DOOR_EVEN_SD = 0.36, 0.04, 0.7, 0.28
_DRAFT_SHARE, _DRAFT_PER_S, _DRAFT_SD, _DRAFT_EVEN_SD = 0.14, 0.014, 0.75, 0.9
_LOSS_PER_S, _LOSS_SD = 0.003, 0.45
_LOSS_EVEN_SD = 0.4


@dataclass(frozen=True, slots=True)
class Subject:
    """One sensor under test: its track, lag as far as known, trend before, and reading period."""

    track: AirTrack
    tau_s: float
    tau_spread: float
    trend_k_per_s: float
    period_s: float


@dataclass(slots=True)
class Part:
    """What one sensor has to say under the best explanation."""

    track: AirTrack
    amount_k: float  # by how much its air goes down
    level_c: float  # where it was
    tau_s: float
    gain: float  # log-likelihood over nothing
    excess_k: float = 1.0

    @property
    def share(self) -> float:
        """The part of its excess over the room that goes."""
        return self.amount_k / max(self.excess_k, 1.0)


@dataclass(frozen=True, slots=True)
class Verdict:
    """The explanations with their log-likelihoods over *nothing*, best first, and the best fit."""

    scores: dict[Cause, float]
    ago_s: float
    rate_per_s: float
    parts: tuple[Part, ...]

    @property
    def best(self) -> Cause:
        return next(iter(self.scores))

    @property
    def lead(self) -> float:
        """How far the best is before the second."""
        first, second = list(self.scores.values())[:2]
        return first - second


@lru_cache(maxsize=len(LAGS_S) * len(RATES_PER_S))
def response(lag: int, rate: int) -> tuple[float, ...]:
    """What a sensor shows of a unit change, half a second after its begin, then every second."""
    tau_s, r = LAGS_S[lag], RATES_PER_S[rate]
    times = [second + 0.5 for second in range(LONGEST)]
    if r == 0.0:
        return tuple((u - tau_s * (1.0 - math.exp(-u / tau_s))) / 60.0 for u in times)
    other = 1.0 / tau_s
    if abs(other - r) < 1e-3 * r:
        other *= 1.01
    return tuple(
        1.0 - (other * math.exp(-r * u) - r * math.exp(-other * u)) / (other - r) for u in times
    )


class _Course:
    """One sensor's last minutes as a few points, and their squares about a straight line."""

    def __init__(self, subject: Subject, back_s: int) -> None:
        self.subject = subject
        track = subject.track
        reach = min(back_s, track.seconds - 8, LONGEST - 8)
        points: list[tuple[int, float, float]] = []  # offset of the age, value, weight
        k = 0
        for until, width in _WIDTHS:
            while k + width <= min(until, reach):
                points.append((k + width // 2, track.mean_c(k, k + width), width / 2.0))
                k += width
        self.points = points
        self.base_c = base_c = points[-1][1]
        noise_k = max(0.9 * track.noise_k, LEAST_NOISE_K)
        self.variance = TOGETHER * noise_k * noise_k / 2.0
        spread = TREND_SPREAD_K_PER_S + 0.4 * abs(subject.trend_k_per_s)
        stiff = self.variance / (spread * spread)
        s1 = st = sy = sty = syy = 0.0
        stt, trend = stiff, subject.trend_k_per_s
        for offset, value_c, weight in points:
            t, y = -float(offset), value_c - base_c
            s1 += weight
            st += weight * t
            stt += weight * t * t
            sy += weight * y
            sty += weight * t * y
            syy += weight * y * y
        sty += stiff * trend
        syy += stiff * trend * trend
        self.count = s1
        det = s1 * stt - st * st
        self.i11, self.i12, self.i22 = stt / det, -st / det, s1 / det
        self.sy, self.sty = sy, sty
        self.rss = max(
            syy - (self.i11 * sy * sy + 2.0 * self.i12 * sy * sty + self.i22 * sty * sty), 0.0
        )

    def fit(self, ago: int, table: tuple[float, ...]) -> tuple[float, float, float]:
        """The amount, the level at the onset, and what squares this takes off."""
        sh = sth = shh = shy = 0.0
        base_c = self.base_c
        for offset, value_c, weight in self.points:
            index = ago - offset
            if index < 0:
                break
            if index >= LONGEST:
                index = LONGEST - 1
            h = table[index]
            wh = weight * h
            sh += wh
            sth -= wh * offset
            shh += wh * h
            shy += wh * (value_c - base_c)
        if shh <= 0.0:
            return 0.0, base_c, 0.0
        a, b = self.i11 * sh + self.i12 * sth, self.i12 * sh + self.i22 * sth
        rest = shh - a * sh - b * sth
        if rest < 1e-3 * shh:
            return 0.0, base_c, 0.0
        num = shy - a * self.sy - b * self.sty
        amount_k = -num / rest
        c = self.i11 * self.sy + self.i12 * self.sty + amount_k * a
        d = self.i12 * self.sy + self.i22 * self.sty + amount_k * b
        return amount_k, base_c + c - d * ago, num * num / rest


def weigh(
    subjects: Sequence[Subject],
    agos: Sequence[int],
    room_c: float,
    *,
    door_possible: bool = True,
    loss_per_min: float | None = None,
) -> Verdict | None:
    """Test all explanations for a change that began one of `agos` seconds ago.

    None where no sensor has past enough.
    """
    back_s = max(agos) + BEFORE_S
    courses = [_Course(s, back_s) for s in subjects if s.track.seconds > min(agos) + 20]
    if not courses:
        return None
    fits = [_fits(course, agos) for course in courses]
    cells: dict[Cause, tuple[float, float, tuple[int, int]]] = {}
    made: dict[tuple[int, int], list[Part]] = {}
    for place in range(len(agos)):
        for rate in range(len(RATES_PER_S)):
            parts = [fit[place][rate] for fit in fits]
            for part in parts:
                part.excess_k = max(part.level_c - room_c, 1.0)
            made[place, rate] = parts
            gain = sum(part.gain for part in parts)
            for cause, prior in _priors(parts, rate, door_possible, loss_per_min).items():
                score = gain + prior
                if cause not in cells or score > cells[cause][0]:
                    cells[cause] = (score, gain, (place, rate))
    pays = CHOICE + sum(0.5 * math.log(course.count) for course in courses)
    scores = {cause: cell[0] - pays for cause, cell in cells.items()}
    scores[Cause.NOTHING] = 0.0
    scores = dict(sorted(scores.items(), key=lambda pair: -pair[1]))
    first = next(cause for cause in scores if cause is not Cause.NOTHING)
    place, rate = cells[first][2]
    profile = [
        max(sum(p.gain for p in made[k, r]) for r in range(len(RATES_PER_S)))
        for k in range(len(agos))
    ]
    ago_s = _summit(agos, profile, place)
    return Verdict(scores, ago_s, RATES_PER_S[rate], tuple(made[place, rate]))


def _fits(course: _Course, agos: Sequence[int]) -> list[list[Part]]:
    """For each instant and rate the best lag, with what it gains."""
    subject = course.subject
    centre = min(range(len(LAGS_S)), key=lambda i: abs(math.log(LAGS_S[i] / subject.tau_s)))
    reach = 1 if subject.tau_spread < 0.3 else 2
    lags = sorted({min(max(centre + k, 0), len(LAGS_S) - 1) for k in (-reach, 0, reach)})
    delay = int(subject.period_s / 2.0)
    found: list[list[list[tuple[int, float, float, float]]]] = []
    most = 0.0
    for ago in agos:
        row = []
        for rate in range(len(RATES_PER_S)):
            cell = []
            for lag in lags:
                amount_k, level_c, gain = course.fit(ago - delay, response(lag, rate))
                most = max(most, gain)
                cell.append((lag, amount_k, level_c, gain))
            row.append(cell)
        found.append(row)
    misfit = TOGETHER * (course.rss - most) / max(course.count - 3.0, 1.0)
    model = TOGETHER * MODEL_ERROR**2 * most / course.count
    scale = 0.5 / (max(course.variance, misfit) + model)
    penalties = {
        lag: 0.5 * (math.log(LAGS_S[lag] / subject.tau_s) / subject.tau_spread) ** 2 for lag in lags
    }
    out: list[list[Part]] = []
    for row in found:
        line = []
        for cell in row:
            lag, amount_k, level_c, gain = max(
                cell, key=lambda one: one[3] * scale - penalties[one[0]]
            )
            line.append(
                Part(subject.track, amount_k, level_c, LAGS_S[lag], gain * scale - penalties[lag])
            )
        out.append(line)
    return out


def _priors(
    parts: Sequence[Part], rate: int, door_possible: bool, loss_per_min: float | None
) -> dict[Cause, float]:
    """How likely each cause holds amounts like these at this rate, in logarithms."""
    most_k = max(abs(part.amount_k) for part in parts)
    if most_k <= 0.0:
        return {}
    total = sum(part.amount_k for part in parts) / len(parts) / most_k
    down = max(part.amount_k for part in parts)
    up = -min(part.amount_k for part in parts)
    found: dict[Cause, float] = {}
    if len(parts) > 1 and min(up, down) > 0.15 * max(up, down):
        found[Cause.MIXING] = -0.5 * (total / 0.4) ** 2
    if up > down:
        found[Cause.HEAT] = -8.0 * max(down, 0.0) / most_k
        return found
    shares = [max(part.share, LEAST_SHARE) for part in parts]
    logs = [math.log(share) for share in shares]
    mean = sum(logs) / len(logs)
    spread = sum((log - mean) ** 2 for log in logs)
    free = len(parts) - 1
    worst = max(shares)
    r = RATES_PER_S[rate]
    per_s = worst * r if r > 0.0 else worst / 60.0
    if r == 0.0:
        worst = min(1.0, 2.0 * worst)
    rising = max(up, 0.0) / most_k  # some rise: nothing that only takes heat away does this
    against = -8.0 * rising * rising
    if door_possible:
        off = min(0.0, mean - math.log(_DOOR_SHARE)) / _DOOR_SD
        slow = min(0.0, math.log(math.exp(mean) * max(r, 0.002) / _DOOR_PER_S)) / _DOOR_SD
        found[Cause.DOOR] = (
            _RATES[Cause.DOOR][rate]
            - 0.5 * (off * off + slow * slow)
            - 0.5 * spread / _DOOR_EVEN_SD**2
            - free * math.log(_DOOR_EVEN_SD)
            - math.log(_DOOR_SD)
            + against
        )
    off = max(0.0, mean - math.log(_DRAFT_SHARE)) / _DRAFT_SD
    quick = max(0.0, mean + math.log(max(r, 0.002) / _DRAFT_PER_S)) / _DRAFT_SD
    found[Cause.DRAFT] = (
        _RATES[Cause.DRAFT][rate]
        - 0.5 * (off * off + quick * quick)
        - 0.5 * spread / _DRAFT_EVEN_SD**2
        - free * math.log(_DRAFT_EVEN_SD)
        - math.log(_DRAFT_SD)
        + against
    )
    loss_per_s = max(_LOSS_PER_S, (loss_per_min or 0.0) / 60.0)
    off = max(0.0, math.log(per_s / loss_per_s)) / _LOSS_SD
    found[Cause.HEAT_LOST] = (
        _RATES[Cause.HEAT_LOST][rate]
        - 0.5 * off * off
        - 0.5 * spread / _LOSS_EVEN_SD**2
        - free * math.log(_LOSS_EVEN_SD)
        - math.log(_LOSS_SD)
        + against
    )
    return found


def _summit(agos: Sequence[int], profile: Sequence[float], place: int) -> float:
    """The instant between the grid's, by a parabola through the best and its neighbours."""
    if not 0 < place < len(agos) - 1:
        return float(agos[place])
    x0, x1, x2 = agos[place - 1 : place + 2]
    y0, y1, y2 = profile[place - 1 : place + 2]
    low, high = (y1 - y0) / (x1 - x0), (y2 - y1) / (x2 - x1)
    curve = (high - low) / (x2 - x0)
    if curve >= 0.0:
        return float(x1)
    top = (x0 + x1) / 2.0 - low / (2.0 * curve)
    return min(max(top, float(min(x0, x2))), float(max(x0, x2)))
