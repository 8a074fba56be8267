"""When each layer of a job was laid: its toolpath's clock fitted to the job's own.

Theory of operation. A toolpath says how long after its first motion each layer is
laid by a machine that does exactly as it is told. A real one begins when it is hot,
is a little slower all along, more so in some parts than in others, and dawdles here and
there. So the job's own clock (real seconds since its start, less its pauses) is taken as
a walk along the toolpath's:

    u(0) = heat-up,   du = (rate + r) * d tau + dawdling * dW

with a heat-up and a rate that are known only roughly, r an Ornstein-Uhlenbeck process
(shapes of which the machine makes more or less than the toolpath's model keep on for a
while), and W a Wiener process: a Gaussian process. What is known of single moments (see
`sightings`) are observations of u, each with its own standard deviation. Its regression
gives the most likely u for every layer, and how uncertain that is: little beside an
observation, more between two, most where nothing is known.

That a job was said to be done doesn't say that all of it was built: one that is done
sooner than its toolpath takes may have been broken off. Both are weighed; of each layer
the likelier is told, and the other is part of its uncertainty.

A posted height that nothing else agrees with is left out and counted. A pin that the
rest contradicts is named: of several the one is left out without which the rest is
likeliest; where one word stands against one other, both are taken to be as uncertain as
they are apart. A toolpath that is another job's shows by heights that it doesn't have,
or by a job far longer or shorter than it; that is told, not mended.

References
----------
Rasmussen, C. E. and Williams, C. K. I. (2006). Gaussian Processes for Machine Learning,
sections 2.2, 2.3 and 5.4.2. Uhlenbeck, G. E. and Ornstein, L. S. (1930). On the theory
of the Brownian motion. Physical Review 36 (the integral of such a process: eq. 9). The
figures below are our choice.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from stillair.jobs.sightings import (
    HEAT_UP_S,
    RATE,
    HeightSeen,
    Origin,
    OwnClock,
    Seen,
    Span,
    Stood,
    beginnings,
    broken_off_share,
    of_pins,
    of_posts,
    of_stops,
    stood,
)
from stillair.jobs.toolpath.layers import Layers

DAWDLING_S: Final = 0.5  # after one second; after an hour half a minute
UNEVEN: Final = (0.03, 3600.0)  # of the rate: deviation, and seconds for which it keeps on
FINISH_SD_S: Final = 300.0  # of a person who presses a button
NEVER: Final = 1e-3  # what is less likely widens nothing
LAGS_ALIKE: Final = 0.5  # of their deviation by which all posts may lag together
ODD_SD: Final = 5.0  # a post so far from all else is left out
AGREE_SD: Final = 2.0  # two words that stand against each other are widened to this
STRANGE: Final = 10.0  # what a word that is left out costs a course, as a logarithm
PASSES: Final = 12  # of leaving out
MOST_POSTS: Final = 20_000  # looked at; more are thinned evenly
MOST_SEEN: Final = 400  # that tell something; between two of them the clock hardly strays
MOST_WAYS: Final = 32  # in which pins may lie in pieces, followed at a time
FEW: Final = 5  # heights that fit no layer say nothing of a toolpath yet
STRANGE_SHARE: Final = 1 / 3

Floats = NDArray[np.float64]
Each = TypeVar("Each")
Doubt = Literal["", "heights", "duration"]


@dataclass(frozen=True, slots=True)
class Crossing:
    """One layer of a job, and when it was laid, in the chamber's time.

    `uncertainty_s` is expanded, k = 2, and holds for both ends.
    """

    layer: int
    piece: int
    height_mm: float
    start_s: float
    end_s: float
    uncertainty_s: float


@dataclass(frozen=True, slots=True, eq=False)
class HeightTimes:
    """When each layer was, or will be, laid; columns with one entry a layer."""

    height_mm: Floats
    thickness_mm: Floats
    piece: NDArray[np.int32]
    start_s: Floats
    end_s: Floats
    uncertainty_s: Floats  # expanded, k = 2
    posts: int  # heights posted by the machine that were used
    odd: tuple[HeightSeen, ...]  # and those that nothing else agrees with: left out
    doubtful_pins: tuple[int, ...]  # by their place among the pins
    doubt: Doubt = ""  # by what the toolpath doesn't seem to be this job's
    finished_s: float = math.inf  # nothing was laid after it
    is_broken_off: bool = False  # likely the job ended before all of its layers were laid

    def when(self, height_mm: float) -> tuple[Crossing, ...]:
        """The layers in which this height lies: one, or one of each piece built in turn."""
        within = (height_mm > self.height_mm - self.thickness_mm - 1e-6) & (
            height_mm <= self.height_mm + 1e-6
        )
        found: dict[int, int] = {}  # of a piece's layers the one that ends it closest
        for index in np.flatnonzero(within & self._laid()):
            piece = int(self.piece[index])
            if piece not in found or self.height_mm[index] < self.height_mm[found[piece]]:
                found[piece] = int(index)
        return tuple(self.crossing(index) for index in found.values())

    def at(self, t_s: float) -> Crossing | None:
        """The layer that was laid at a moment; None before the first and after the last."""
        if not len(self.start_s) or not self.start_s[0] <= t_s <= self.end_s[-1]:
            return None
        if t_s > self.finished_s:
            return None
        return self.crossing(int(np.searchsorted(self.start_s, t_s, side="right")) - 1)

    def laid(self) -> int:
        """How many layers, from the first on, were likely laid before the job was done."""
        cut = np.searchsorted(self.start_s, self.finished_s, side="right")
        return int(cut) if self.is_broken_off else len(self.start_s)

    def _laid(self) -> NDArray[np.bool_]:
        """Which layers the job can have come to before it was done."""
        return np.asarray(self.start_s - self.uncertainty_s <= self.finished_s)

    def crossing(self, layer: int) -> Crossing:
        """One layer."""
        return Crossing(
            layer,
            int(self.piece[layer]),
            float(self.height_mm[layer]),
            min(float(self.start_s[layer]), self.finished_s),
            min(float(self.end_s[layer]), self.finished_s),
            float(self.uncertainty_s[layer]),
        )


def fit(
    layers: Layers,
    *,
    duration_s: float,
    started_s: float,
    finished_s: float | None = None,
    finish_sd_s: float = FINISH_SD_S,
    pauses: Sequence[Span] = (),
    stops_s: Sequence[float] = (),
    posts: Iterable[HeightSeen] = (),
    pins: Sequence[HeightSeen] = (),
) -> HeightTimes:
    """Fit a toolpath to a job.

    Parameters
    ----------
    layers : Layers
        As they are laid; `duration_s` is the toolpath's whole.
    started_s, finished_s : float
        When the job was said to begin and to be done, in the chamber's time; None: it isn't.
    pauses : sequence of (start, end)
        In the chamber's time.
    stops_s : sequence of float
        Where the toolpath waits for a person; used if the job has as many pauses.
    posts, pins : HeightSeen
        Heights that the machine told, in order of time, and those that a person set.

    Returns
    -------
    HeightTimes
        In the chamber's time.
    """
    known = _Known(layers, duration_s, started_s, finished_s, finish_sd_s, pauses, stops_s, pins)
    told = _thinned(list(posts), MOST_POSTS)
    begun = beginnings(layers, OwnClock(started_s, pauses), told)
    courses = sorted((_course(known, told, first) for first in begun), key=lambda each: -each.fits)
    course = courses[0]
    start_s, end_s, sd_s, broken_off = _times(known, course)
    variance = sd_s**2
    shares = np.exp([each.fits - course.fits for each in courses])
    shares /= shares.sum()
    for other, share in zip(courses[1:], shares[1:], strict=True):
        if share >= NEVER:
            other_s, _, other_sd, _ = _times(known, other)
            variance += share * (other_sd**2 + (other_s - start_s) ** 2)
    uncertainty_s = 2.0 * np.sqrt(variance)
    for still in course.stills:
        uncertainty_s[still.first : still.then + 1] += still.to_s - still.from_s
    agreed = course.agreed
    return HeightTimes(
        height_mm=layers.height_mm,
        thickness_mm=layers.thickness_mm,
        piece=layers.piece,
        start_s=start_s,
        end_s=end_s,
        uncertainty_s=uncertainty_s,
        posts=sum(each.origin is Origin.POST for each in agreed.used),
        odd=(*course.unknown, *(each.post for each in agreed.odd if each.post)),
        doubtful_pins=tuple(sorted(course.nowhere | agreed.doubtful_pins)),
        doubt=_doubt(agreed, len(course.unknown), broken_off),
        finished_s=math.inf if finished_s is None else finished_s,
        is_broken_off=broken_off,
    )


@dataclass(frozen=True, slots=True)
class _Known:
    """What `fit` was told but the posts."""

    layers: Layers
    duration_s: float
    started_s: float
    finished_s: float | None
    finish_sd_s: float
    pauses: Sequence[Span]
    stops_s: Sequence[float]
    pins: Sequence[HeightSeen]


@dataclass(frozen=True, slots=True)
class _Course:
    """What follows if the first post is of one piece; `fits` is how well, as a logarithm."""

    clock: OwnClock
    stills: Sequence[Stood]
    agreed: _Agreed
    unknown: Sequence[HeightSeen]
    nowhere: set[int]  # pins that can lie in no piece
    fits: float


def _course(known: _Known, told: Sequence[HeightSeen], first: int) -> _Course:
    layers = known.layers
    clock = OwnClock(known.started_s, known.pauses)
    stills = stood(layers, clock, told, first)
    if stills:
        still_s = ((still.from_s, still.to_s) for still in stills)
        clock = OwnClock(known.started_s, sorted([*known.pauses, *still_s]))
    posted, unknown = of_posts(layers, clock, told, first)
    seen = [*_thinned(posted, MOST_SEEN), *of_stops(clock, known.stops_s)]
    if known.finished_s is not None:
        own_s = clock.own_s(known.finished_s)
        seen.append(Seen(known.duration_s, own_s, known.finish_sd_s, Origin.FINISH))
    ways = of_pins(layers, clock, known.pins)
    agreed = _agreed([*seen, *_placed(seen, [way for way in ways if way])])
    nowhere = {number for number, way in enumerate(ways) if not way}
    strange = len(agreed.odd) + len(unknown)
    return _Course(
        clock, stills, agreed, unknown, nowhere, _likelihood(agreed.used) - STRANGE * strange
    )


def _times(known: _Known, course: _Course) -> tuple[Floats, Floats, Floats, bool]:
    """Each layer's start, end and standard deviation; whether the job was likely broken off."""
    layers, clock = known.layers, course.clock
    taus = np.concatenate((layers.start_s, layers.end_s))
    own_s, sd_s, broken_off = _with_end(taus, course.agreed.used)
    if (cut := course.agreed.cut) is not None:
        due_s, _ = _expected(np.array([cut.tau_s]), course.agreed.used)
        broken_off = cut.own_s < float(due_s[0])
    count = len(layers)
    # A later layer is never laid sooner, however little is known of either.
    interleaved = np.empty(2 * count)
    interleaved[0::2], interleaved[1::2] = own_s[:count], own_s[count:]
    interleaved = np.maximum.accumulate(np.maximum(interleaved, 0.0))
    start_s, end_s = clock.at_s(interleaved[0::2]), clock.at_s(interleaved[1::2])
    return start_s, end_s, np.maximum(sd_s[:count], sd_s[count:]), broken_off


def _thinned(each: Sequence[Each], most: int) -> Sequence[Each]:
    """About `most` of them, evenly."""
    return each[:: 1 + (len(each) - 1) // most] if each else each


# --- what agrees -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Agreed:
    """What was used of what was seen, and what is at odds with the rest."""

    used: list[Seen]
    odd: list[Seen]

    @property
    def cut(self) -> Seen | None:
        """The end of the job, where all else says that it is not the toolpath's."""
        return next((each for each in self.odd if each.origin is Origin.FINISH), None)

    @property
    def doubtful_pins(self) -> set[int]:
        return {each.number for each in self.odd if each.origin is Origin.PIN}


def _placed(seen: Sequence[Seen], ways: Sequence[Sequence[Seen]]) -> list[Seen]:
    """Pins where they are likeliest, if each may lie in one of several pieces."""
    if all(len(way) == 1 for way in ways):
        return [way[0] for way in ways]
    # In order of time, the likeliest ways so far being followed.
    ways = sorted(ways, key=lambda way: way[0].own_s)
    every = [each for way in ways for each in way]
    numbers = iter(range(len(every)))
    # Without what is odd in itself: the end of a job that was broken off.
    own_s, shared = _known(_taus(every), _agreed(seen).used)
    off_s = _own(every) - own_s
    noise = np.array([each.sd_s**2 for each in every])
    followed: list[tuple[float, list[int]]] = [(0.0, [])]
    for way in ways:
        may = [next(numbers) for _ in way]
        more = []
        for _, chosen in followed:
            for index in may:
                at = [*chosen, index]
                covariance = shared[np.ix_(at, at)] + np.diag(noise[at])
                # All of it anew: pins are few.
                more.append((_log_likelihood(covariance, off_s[at]), at))
        followed = sorted(more, key=lambda each: -each[0])[:MOST_WAYS]
    return [every[index] for index in followed[0][1]]


def _agreed(seen: Sequence[Seen]) -> _Agreed:
    """What fits together; see above."""
    used = list(seen)
    odd: list[Seen] = []
    for _ in range(PASSES):
        off_sd = _off(used)
        worst_sd = float(off_sd.max(initial=0.0))
        if worst_sd <= ODD_SD:
            break
        # The worst first: what stands beside them is often right.
        far = [
            each for each, off in zip(used, off_sd, strict=True) if off > max(ODD_SD, worst_sd / 2)
        ]
        pins = [each for each in used if each.origin is Origin.PIN]
        if not any(each.origin is Origin.PIN for each in far):
            odd += far
            used = [each for each in used if each not in far]
        elif len(used) == 2:
            return _Agreed(_widened(used), [*odd, *pins])
        else:
            out = max(far, key=lambda each: _likelihood([one for one in used if one is not each]))
            odd.append(out)
            used = [each for each in used if each is not out]
    return _Agreed(used, odd)


def _widened(seen: Sequence[Seen]) -> list[Seen]:
    """Both of two words that contradict each other, as uncertain as they are apart."""
    wide = list(seen)
    while float(_off(wide).max()) > AGREE_SD:
        wide = [replace(each, sd_s=1.5 * each.sd_s) for each in wide]
    return wide


def _with_end(taus: Floats, used: Sequence[Seen]) -> tuple[Floats, Floats, bool]:
    """As `_expected`, for a job that may have been broken off; and whether it likely was."""
    own_s, sd_s = _expected(taus, used)
    rest = [each for each in used if each.origin is not Origin.FINISH]
    finish = next((each for each in used if each.origin is Origin.FINISH), None)
    if finish is None:
        return own_s, sd_s, False
    due_s, due_sd = (float(of[0]) for of in _expected(np.array([finish.tau_s]), rest))
    share = broken_off_share(finish.own_s, due_s, math.hypot(due_sd, finish.sd_s))
    if share < NEVER:
        return own_s, sd_s, False
    other_s, other_sd = _expected(taus, rest)
    if share > 0.5:
        own_s, sd_s, other_s, other_sd = other_s, other_sd, own_s, sd_s
    least = min(share, 1.0 - share)
    wide = (1.0 - least) * sd_s**2 + least * (other_sd**2 + (other_s - own_s) ** 2)
    return own_s, np.sqrt(wide), share > 0.5


def _doubt(agreed: _Agreed, unknown: int, broken_off: bool) -> Doubt:
    """By what the toolpath doesn't seem to be this job's."""
    used = [each for each in agreed.used if each.origin in (Origin.POST, Origin.PIN)]
    strange = unknown + sum(each.origin is Origin.POST for each in agreed.odd)
    if strange >= FEW and strange > STRANGE_SHARE * (strange + len(used)):
        return "heights"
    # Heights that fit say that it is this job's, however soon that ended.
    if (agreed.cut and len(used) < 2) or (broken_off and not agreed.cut):
        return "duration"
    known = sorted(agreed.used, key=lambda each: each.tau_s)
    if len(known) < 2:
        return ""
    first, last = known[0], known[-1]
    tau_s = last.tau_s - first.tau_s
    sd_s = math.hypot(first.sd_s, last.sd_s, RATE[1] * tau_s)
    off_s = last.own_s - first.own_s - RATE[0] * tau_s
    return "duration" if abs(off_s) > ODD_SD * sd_s else ""


# --- the process -------------------------------------------------------------------------


def _off(seen: Sequence[Seen]) -> Floats:
    """How far each is from what all others say, in standard deviations of that difference."""
    if not seen:
        return np.empty(0)
    inverse = np.linalg.inv(_covariance(seen))
    # Leaving out one at a time, in closed form: Rasmussen & Williams, section 5.4.2.
    off = inverse @ (_own(seen) - _usual(_taus(seen)))
    return np.asarray(np.abs(off) / np.sqrt(np.diag(inverse)), dtype=float)


def _likelihood(seen: Sequence[Seen]) -> float:
    if not seen:
        return 0.0
    return _log_likelihood(_covariance(seen), _own(seen) - _usual(_taus(seen)))


def _log_likelihood(covariance: Floats, off_s: Floats) -> float:
    """Of such differences, but for a constant of each: Rasmussen & Williams, (2.30)."""
    _, size = np.linalg.slogdet(covariance)
    return float(-0.5 * (off_s @ np.linalg.solve(covariance, off_s) + size))


def _expected(taus: Floats, seen: Sequence[Seen]) -> tuple[Floats, Floats]:
    """The job's own clock at seconds of the toolpath's, and its standard deviation."""
    usual, variance = _usual(taus), _shared(taus, taus, each=True)
    if not seen:
        return usual, np.sqrt(variance)
    shared = _shared(taus, _taus(seen))
    inverse = np.linalg.inv(_covariance(seen))
    own_s = usual + shared @ (inverse @ (_own(seen) - _usual(_taus(seen))))
    left = variance - np.einsum("ij,jk,ik->i", shared, inverse, shared, optimize=True)
    return own_s, np.sqrt(np.maximum(left, 0.0))


def _known(taus: Floats, seen: Sequence[Seen]) -> tuple[Floats, Floats]:
    """The same, and with what these have in common: their whole covariance."""
    usual, between = _usual(taus), _shared(taus, taus)
    if not seen:
        return usual, between
    shared = _shared(taus, _taus(seen))
    solved = np.linalg.solve(_covariance(seen), shared.T)
    return usual + solved.T @ (_own(seen) - _usual(_taus(seen))), between - shared @ solved


def _usual(taus: Floats) -> Floats:
    """What the own clock shows there as far as nothing else is known."""
    return HEAT_UP_S[0] + RATE[0] * taus


def _shared(left: Floats, right: Floats, *, each: bool = False) -> Floats:
    """Covariance of the own clock at seconds of the toolpath's; `each`: with itself alone."""
    a, b = (left, right) if each else (left[:, None], right[None, :])
    soonest = np.maximum(np.minimum(a, b), 0.0)
    part, lasting_s = UNEVEN
    keeps_on = (
        2.0 * soonest / lasting_s
        - 1.0
        + np.exp(-np.maximum(a, 0.0) / lasting_s)
        + np.exp(-np.maximum(b, 0.0) / lasting_s)
        - np.exp(-np.abs(a - b) / lasting_s)
    )
    return np.asarray(
        HEAT_UP_S[1] ** 2
        + RATE[1] ** 2 * a * b
        + DAWDLING_S**2 * soonest
        + (part * lasting_s) ** 2 * keeps_on,
        dtype=float,
    )


def _covariance(seen: Sequence[Seen]) -> Floats:
    taus = _taus(seen)
    sd_s = np.array([each.sd_s for each in seen])
    of_posts = np.array([each.origin is Origin.POST for each in seen])
    alike_s = LAGS_ALIKE * np.median(sd_s[of_posts]) if of_posts.any() else 0.0
    return _shared(taus, taus) + np.diag(sd_s**2) + alike_s**2 * np.outer(of_posts, of_posts)


def _taus(seen: Sequence[Seen]) -> Floats:
    return np.array([each.tau_s for each in seen], dtype=float)


def _own(seen: Sequence[Seen]) -> Floats:
    return np.array([each.own_s for each in seen], dtype=float)
