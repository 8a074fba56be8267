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
third. Lags are penalised by how well they are known.

What tells the causes apart is the exchange of air that would explain the fall.
Where the well-stirred air, excess x over the room, loses L x by exchange and
is drawn back by walls, bed and part at the rate k, it goes to x k / (k + L)
at the rate r = k + L; so L = r A / x, whatever k is. Each cause is penalised by
how unlikely it holds exchanges, amounts, rates and differences between sensors
of that size to be:

- door: some 100 changes an hour or more (0.4 m square on 0.25 m3 at 35 K: 276 by
  the usual orifice formula), all sensors alike within 1.4;
- draft: some 10 to 50, or of different size at the sensors;
- lost heat: nothing falls faster than the losses make it, which is as if up to
  some 8 changes an hour were let in (3 K/min of 30 K were measured at most on a
  heated box: 6), or what this chamber does by habit;
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

import numpy as np
from numpy.typing import NDArray

from stillair.thermal.air import AirTrack

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CLEAR_LEAD = math.log(20.0)
RAMP_PER_S = 1e-4
LONGEST_S = 300  # of response kept in the table
BEFORE_S, LEAST_BEFORE_S = 70, 12  # of the course before the earliest instant
MOST_S = LONGEST_S - 20
LAGS_S = np.array((2.0, 3.0, 4.5, 6.5, 9.5, 14.0, 20.0, 28.0, 39.0, 55.0, 75.0))
# Shapes: the rate at which the air goes to its new level, 1/s, and the lag of what heats it,
# s, which makes lost heat begin softly. Rate 0 stands for a ramp of 1 a minute.
SHAPES = (
    *((rate, 0.0) for rate in (0.5, 0.2, 0.1, 0.05, 0.025, 0.0125, 0.006)),
    *((rate, 30.0) for rate in (0.05, 0.025, 0.0125, 0.0)),
    (0.0, 0.0),
)
RATES_PER_S = np.array([rate for rate, _ in SHAPES])
WIDTHS = ((20, 2), (60, 4), (LONGEST_S, 8))  # up to which age readings are averaged, over what
TOGETHER = 3.0  # readings that count as one
MODEL_ERROR = 0.1  # no box follows the equations closer than this
LEAST_NOISE_K = 0.02
TREND_SPREAD_K_PER_S, TREND_SHARE = 0.004, 0.4
CHOICE = math.log(40.0)
LEAST_SHARE = 0.004
PER_H = np.where(RATES_PER_S > 0.0, 3600.0 * RATES_PER_S, 60.0)  # exchange of a unit share


class Cause(StrEnum):
    """What may be behind a change of the air."""

    NOTHING = "nothing"
    DOOR = "door_open"
    DRAFT = "draft"
    HEAT_LOST = "heat_lost"
    MIXING = "mixing"
    HEAT = "heat"


# Log-weights of the shapes, and what each cause holds likely: exchange, share of the
# excess, and the logarithm's standard deviations of these and between sensors.
NEVER = -np.inf
SOFT = sum(soft_s > 0.0 for _, soft_s in SHAPES)
DOOR_SHAPES = np.array((0.0, 0.0, 0.0, 0.0, 0.0, -1.0, -2.5, *SOFT * (NEVER,), -8.0))
DRAFT_SHAPES = np.array((0.0, 0.0, 0.0, 0.0, 0.0, -1.0, -2.5, *SOFT * (NEVER,), -6.0))
LOSS_SHAPES = np.array((-8.0, -8.0, -7.0, -6.0, -4.0, -3.0, -2.0, -1.0, 0.0, 0.0, 0.0, 0.0))
DOOR_PER_H, DOOR_SD, DOOR_SHARE, DOOR_SHARE_SD, DOOR_EVEN_SD = 50.0, 0.9, 0.3, 0.55, 0.25
DRAFT_PER_H, DRAFT_SD, DRAFT_SHARE, DRAFT_SHARE_SD = 30.0, 0.9, 0.08, 0.55
ONE_SIDED, SIDE_PER_H, SIDE_SHARE, SIDE_EVEN_SD = 0.2, 80.0, 0.2, 0.9  # drafts at one side
LOSS_PER_H, LOSS_SD, LOSS_EVEN_SD = 6.0, 0.6, 0.4
DOORS_TO_DRAFTS = 0.8  # how much more often, as a logarithm
UNKNOWN_LAG = 1.0  # how far unknown lags blur the shares early on


@dataclass(frozen=True, slots=True)
class Subject:
    """One sensor under test: its track, lag as far as known, trend before, and reading period."""

    track: AirTrack
    tau_s: float
    tau_spread: float
    trend_k_per_s: float
    period_s: float


@dataclass(frozen=True, slots=True)
class Part:
    """What one sensor has to say under the best explanation."""

    track: AirTrack
    amount_k: float  # by how much its air goes down
    share: float  # the part of its excess over the room that is
    tau_s: float
    gain: float  # log-likelihood over nothing


@dataclass(frozen=True, slots=True)
class Verdict:
    """The explanations with their log-likelihoods over *nothing*, best first, and the best fit.

    `at_edge`: the best instant is the earliest or latest that was tried.
    """

    scores: dict[Cause, float]
    ago_s: float
    rate_per_s: float
    exchange_per_h: float
    parts: tuple[Part, ...]
    at_edge: bool

    @property
    def share(self) -> float:
        """The part of its excess that the air loses, over all sensors."""
        return sum(part.share for part in self.parts) / len(self.parts)

    @property
    def best(self) -> Cause:
        return next(iter(self.scores))

    @property
    def lead(self) -> float:
        """How far the best is before the second."""
        first, second = list(self.scores.values())[:2]
        return first - second

    def lead_over(self, *others: Cause) -> float:
        """How far the best is before the best of `others`."""
        rivals = [self.scores[cause] for cause in others if cause in self.scores]
        return self.scores[self.best] - max(rivals, default=0.0)


def _responses() -> Floats:
    """What a sensor shows of a unit change, by lag, shape and seconds since; 0 before it.

    Step response of first-order lags in series with the distinct poles p:
    1 - sum over i of exp(-p_i u) prod over j != i of p_j / (p_j - p_i).
    """
    table = np.zeros((len(LAGS_S), len(SHAPES), LONGEST_S + 1))
    u = np.arange(LONGEST_S) + 0.5
    for lag, tau_s in enumerate(LAGS_S):
        for shape, (rate, soft_s) in enumerate(SHAPES):
            poles = [rate or RAMP_PER_S, 1.013 / tau_s]
            if soft_s:
                poles.append(1.0 / (1.021 * soft_s))
            rest = np.zeros(LONGEST_S)
            for i, pole in enumerate(poles):
                weight = math.prod(p / (p - pole) for j, p in enumerate(poles) if j != i)
                rest += weight * np.exp(-pole * u)
            table[lag, shape, 1:] = (1.0 - rest) / (1.0 if rate else 60.0 * RAMP_PER_S)
    return table


_RESPONSES = _responses()
_RATE_INDEX = np.arange(len(RATES_PER_S))[None, None, :, None, None]


def weigh(
    subjects: Sequence[Subject],
    agos: Sequence[int],
    room_c: float,
    *,
    door_possible: bool = True,
    habit_per_h: float = 0.0,
    since_s: float = math.inf,
    fades_s: float = math.inf,
) -> Verdict | None:
    """Test all explanations for a change that began one of `agos` (ascending) seconds ago.

    Nothing older than `since_s` is looked at: it belongs to something else. The
    slope of the course before dies down with the time constant `fades_s`.
    `habit_per_h` is the exchange that would explain the fastest falls of which
    nothing came. None where no sensor has past enough.
    """
    agos = [ago for ago in agos if ago < since_s - LEAST_BEFORE_S] or [agos[0]]
    subjects = [s for s in subjects if s.track.seconds > agos[0] + 20]
    if not subjects:
        return None
    back_s = min(int(min(agos[-1] + BEFORE_S, max(since_s, agos[-1] + LEAST_BEFORE_S))), MOST_S)
    gains, amounts_k, levels_c, lags = _fit(subjects, np.array(agos), back_s, fades_s)
    shares = amounts_k / np.maximum(levels_c - room_c, 1.0)
    total = gains.sum(0)
    scores: dict[Cause, float] = {}
    cells: dict[Cause, tuple[int, int]] = {}
    priors = _priors(amounts_k, shares, subjects, agos, max(LOSS_PER_H, habit_per_h))
    pays = CHOICE + 0.5 * len(subjects) * math.log(back_s)
    for cause, prior in priors.items():
        if cause is Cause.DOOR and not door_possible:
            continue
        score = total + prior
        at = int(score.argmax())
        if math.isfinite(best := float(score.flat[at])):
            scores[cause] = best - pays
            cells[cause] = divmod(at, len(agos))
    scores[Cause.NOTHING] = 0.0
    scores = dict(sorted(scores.items(), key=lambda pair: -pair[1]))
    first = next((cause for cause in scores if cause is not Cause.NOTHING), None)
    if first is None:
        return None
    rate, place = cells[first]
    parts = tuple(
        Part(
            subject.track,
            float(amounts_k[k, rate, place]),
            float(shares[k, rate, place]),
            float(LAGS_S[lags[k, rate, place]]),
            float(gains[k, rate, place]),
        )
        for k, subject in enumerate(subjects)
    )
    mean = sum(part.share for part in parts) / len(parts)
    return Verdict(
        scores,
        _summit(agos, total.max(0), place),
        float(RATES_PER_S[rate]),
        float(mean * PER_H[rate]),
        parts,
        place in (0, len(agos) - 1),
    )


def _fit(
    subjects: Sequence[Subject], agos: Ints, back_s: int, fades_s: float
) -> tuple[Floats, Floats, Floats, Ints]:
    """For each sensor, rate and instant the best lag: gain, amount, level before, and that lag."""
    ends: list[tuple[int, int]] = []
    newest = 0
    for until_s, width_s in WIDTHS:
        while newest + width_s <= min(until_s, back_s):
            ends.append((newest, newest + width_s))
            newest += width_s
    offsets = np.array([(a + b) // 2 for a, b in ends])
    t = -offsets.astype(float)
    if math.isfinite(fades_s):
        after = np.maximum(t + agos[len(agos) // 2], 0.0)
        t = t - after + fades_s * -np.expm1(-after / fades_s)
    y = np.array(
        [
            [s.track.mean_c(a, b) if b + 8 <= s.track.seconds else s.track.now_c for a, b in ends]
            for s in subjects
        ]
    )
    weight = np.array(
        [[(b - a) / 2.0 if b + 8 <= s.track.seconds else 0.0 for a, b in ends] for s in subjects]
    )
    base_c = y[:, -1].copy()
    y -= base_c[:, None]
    noise_k = np.array([max(0.9 * s.track.noise_k, LEAST_NOISE_K) for s in subjects])
    variance = TOGETHER * noise_k**2 / 2.0
    trend = np.array([s.trend_k_per_s for s in subjects])
    stiff = variance / (TREND_SPREAD_K_PER_S + TREND_SHARE * np.abs(trend)) ** 2
    s1, st = weight.sum(1), weight @ t
    stt = stiff + weight @ (t * t)
    sy, sty = (weight * y).sum(1), (weight * y) @ t + stiff * trend
    syy = (weight * y * y).sum(1) + stiff * trend**2
    det = s1 * stt - st * st
    i11, i12, i22 = stt / det, -st / det, s1 / det
    rss = np.maximum(syy - (i11 * sy * sy + 2.0 * i12 * sy * sty + i22 * sty * sty), 0.0)

    lags = np.array([_near(s) for s in subjects])
    delays = np.array([int(s.period_s / 2.0) for s in subjects])
    index = np.clip(
        agos[None, :, None] - delays[:, None, None] - offsets[None, None, :] + 1, 0, LONGEST_S
    )
    h = _RESPONSES[lags[:, :, None, None, None], _RATE_INDEX, index[:, None, None, :, :]]
    sums = h @ np.stack((weight, weight * t, weight * y), axis=-1)[:, None, None]
    sh, sth, shy = sums[..., 0], sums[..., 1], sums[..., 2]
    shh = ((h * h) @ weight[:, None, None, :, None])[..., 0]

    def wide(values: Floats) -> Floats:
        return values[:, None, None, None]

    a = wide(i11) * sh + wide(i12) * sth
    b = wide(i12) * sh + wide(i22) * sth
    rest = shh - a * sh - b * sth
    known = (shh > 0.0) & (rest > 1e-3 * shh)
    amounts_k = np.where(
        known, (a * wide(sy) + b * wide(sty) - shy) / np.where(known, rest, 1.0), 0.0
    )
    gains = amounts_k * amounts_k * rest * known
    levels_c = (
        wide(base_c + i11 * sy + i12 * sty)
        + amounts_k * a
        - (wide(i12 * sy + i22 * sty) + amounts_k * b) * agos
    )
    most = gains.max((1, 2, 3))
    misfit = TOGETHER * (rss - most) / np.maximum(s1 - 3.0, 1.0)
    scale = 0.5 / (np.maximum(variance, misfit) + TOGETHER * MODEL_ERROR**2 * most / s1)
    tau_s = np.array([s.tau_s for s in subjects])
    spread = np.array([s.tau_spread for s in subjects])
    against = 0.5 * (np.log(LAGS_S[lags] / tau_s[:, None]) / spread[:, None]) ** 2
    gains = gains * wide(scale) - against[:, :, None, None]
    best = gains.argmax(1)[:, None]

    def taken(values: Floats) -> Floats:
        return np.take_along_axis(values, best, 1)[:, 0]

    return (
        taken(gains),
        taken(amounts_k),
        taken(levels_c),
        np.take_along_axis(lags[:, :, None, None], best, 1)[:, 0],
    )


def _near(subject: Subject) -> tuple[int, ...]:
    """The four lags of the table that are tried for a sensor, wide apart while it is unknown."""
    middle = int(np.abs(np.log(LAGS_S / subject.tau_s)).argmin())
    step = 1 if subject.tau_spread < 0.3 else 2
    first = min(max(middle - 2 * step, 0), len(LAGS_S) - 1 - 3 * step)
    return tuple(first + k * step for k in range(4))


def _priors(
    amounts_k: Floats,
    shares: Floats,
    subjects: Sequence[Subject],
    agos: Sequence[int],
    loss_per_h: float,
) -> dict[Cause, Floats]:
    """How likely each cause holds amounts like these at each rate and instant, in logarithms."""
    number = len(subjects)
    down, up = np.maximum(amounts_k.max(0), 0.0), np.maximum(-amounts_k.min(0), 0.0)
    most = np.maximum(np.maximum(down, up), 1e-6)
    falls = down >= up
    found = {Cause.HEAT: np.where(falls, -np.inf, -8.0 * down / most)}
    if number > 1:
        total = amounts_k.mean(0) / most
        mixes = np.minimum(up, down) > 0.15 * most
        found[Cause.MIXING] = np.where(mixes, -0.5 * (total / 0.4) ** 2, -np.inf)
    logs = np.log(np.maximum(shares, LEAST_SHARE))
    mean = logs.mean(0)
    apart = ((logs - mean) ** 2).sum(0)
    log_per_h = mean + np.log(PER_H)[:, None]
    rising = up / most  # some rise: nothing that only takes heat away does this
    against = np.where(falls, -8.0 * rising * rising, -np.inf)
    # While a lag is not over, an unknown lag looks like an uneven share.
    unknown = max(subject.tau_spread * subject.tau_s for subject in subjects)
    blur = UNKNOWN_LAG * unknown / np.maximum(np.array(agos, dtype=float), 4.0)

    def evenness(sd: float) -> Floats:
        wide = np.hypot(sd, blur)
        likely: Floats = -0.5 * apart / wide**2 - (number - 1) * np.log(wide)
        return likely

    def below(value: Floats, middle: float, sd: float) -> Floats:
        return -0.5 * (np.minimum(value - math.log(middle), 0.0) / sd) ** 2

    def above(value: Floats, middle: float, sd: float) -> Floats:
        return -0.5 * (np.maximum(value - math.log(middle), 0.0) / sd) ** 2

    found[Cause.DOOR] = (
        DOORS_TO_DRAFTS
        + DOOR_SHAPES[:, None]
        + below(log_per_h, DOOR_PER_H, DOOR_SD)
        + below(mean, DOOR_SHARE, DOOR_SHARE_SD)
        + evenness(DOOR_EVEN_SD)
        + against
    )
    everywhere = (
        below(log_per_h, DRAFT_PER_H, DRAFT_SD)
        + above(log_per_h, DRAFT_PER_H, DRAFT_SD)
        + above(mean, DRAFT_SHARE, DRAFT_SHARE_SD)
        + evenness(DOOR_EVEN_SD)
    )
    one_sided = (
        below(log_per_h, DRAFT_PER_H, DRAFT_SD)
        + above(log_per_h, SIDE_PER_H, DRAFT_SD)
        + above(mean, SIDE_SHARE, DRAFT_SHARE_SD)
        + evenness(SIDE_EVEN_SD)
    )
    if number > 1:
        everywhere = np.logaddexp(
            everywhere + math.log(1.0 - ONE_SIDED), one_sided + math.log(ONE_SIDED)
        )
    found[Cause.DRAFT] = DRAFT_SHAPES[:, None] + everywhere + against
    found[Cause.HEAT_LOST] = (
        LOSS_SHAPES[:, None]
        + above(log_per_h, loss_per_h, LOSS_SD)
        + evenness(LOSS_EVEN_SD)
        + against
    )
    return found


def _summit(agos: Sequence[int], profile: Floats, place: int) -> float:
    """The instant between the grid's, by a parabola through the best and its neighbours."""
    if not 0 < place < len(agos) - 1:
        return float(agos[place])
    x0, x1, x2 = agos[place - 1 : place + 2]
    y0, y1, y2 = (float(y) for y in profile[place - 1 : place + 2])
    low, high = (y1 - y0) / (x1 - x0), (y2 - y1) / (x2 - x1)
    curve = (high - low) / (x2 - x0)
    if curve >= 0.0:
        return float(x1)
    top = (x0 + x1) / 2.0 - low / (2.0 * curve)
    return min(max(top, float(min(x0, x2))), float(max(x0, x2)))
