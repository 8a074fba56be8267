"""When each layer of a job was laid: its toolpath's clock fitted to the job's own.

Theory of operation. A toolpath says how long after its first motion each layer is
laid by a machine that does exactly as it is told. A real one begins when it is hot,
is a little slower all along, and dawdles here and there. So the job's own clock (real
seconds since its start, less its pauses) is taken as a walk along the toolpath's:

    u(0) = heat-up,   du = rate * d tau + each * d n + dawdling * dW

with n the layers begun, a heat-up, a rate and a loss at each layer that are known only
roughly, and W a Wiener process: a Gaussian process. Where more than a few of the
heights that were told are at odds, the machine is taken to dawdle more. What is known
of single moments (heights that the machine posts, pins that a person sets, the end of
the job, stops of the toolpath that were pauses of the job) are observations of u, each
with its own standard deviation. Its regression gives the most likely u for every layer,
and how uncertain that is: little beside an observation, more between two, most where
nothing is known.

A height that is posted whenever a layer begins says more than one that is asked for now
and then. Which of both it is shows in the times themselves: `_late_s`. Of pieces built one
after the other each has every height, so a pin may mean any of them: those are taken that
go best with each other and with the rest.

A posted height that nothing else agrees with is left out and counted; a pin is a
person's word, counts in any case, and is named if the rest contradicts it.

References
----------
Rasmussen, C. E. and Williams, C. K. I. (2006). Gaussian Processes for Machine Learning,
sections 2.2 and 5.4.2. The figures below are our choice.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from stillair.jobs.toolpath.layers import Layers

HEAT_UP_S = (1200.0, 1200.0)  # from "begun" to the first motion: mean and standard deviation
RATE = (1.03, 0.08)  # seconds of the machine for one of the toolpath
EACH_S = (0.3, 0.7)  # and for each layer begun: to rise, to draw back and forth
DAWDLING_S = (0.5, 1.5, 4.5)  # after one second; after an hour half a minute, or some
MOST_ODD = 0.1  # of the posts; where more are at odds, the machine dawdles more
FINISH_SD_S = 300.0  # of a person who presses a button
POST_SD_S = 1.0  # least, of a height that the machine posts
PIN_SD_S = 5.0  # least, of a pin
STOP_SD_S = 10.0  # of a stop in the toolpath that was a pause of the job
ODD_SD = 5.0  # a post so far from all else is left out
PASSES = 12  # of leaving out
LEAST_STEPS = 5  # between told layers, to say how late they are told
TAIL = 0.1  # of those steps at either end may be anything
MOST_WEIGHED = 24  # pins whose pieces are weighed against each other
WAYS = 8  # kept of all the ways to lay them onto pieces
EVEN = 0.05  # of a step
BESIDE = 40  # observations of other kinds that such a way is held against
MOST_POSTS = 20_000  # looked at; more are thinned evenly
MOST_SEEN = 400  # of those that tell something; between two of them the clock hardly strays

Floats = NDArray[np.float64]
Span = tuple[float, float]
Each = TypeVar("Each")


class Origin(StrEnum):
    """Where an observation is from."""

    POST = "post"
    PIN = "pin"
    FINISH = "finish"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class HeightSeen:
    """That the part had a height at a moment of the chamber's time, told to `within_s`."""

    t_s: float
    height_mm: float
    within_s: float = 0.0


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
    left_out: int  # and those that nothing else agrees with
    doubtful_pins: tuple[int, ...]  # by their place among the pins

    def when(self, height_mm: float) -> tuple[Crossing, ...]:
        """The layers in which this height lies: one, or one of each piece built in turn."""
        within = (height_mm > self.height_mm - self.thickness_mm - 1e-6) & (
            height_mm <= self.height_mm + 1e-6
        )
        found: dict[int, int] = {}  # of a piece's layers the one that ends it closest
        for index in np.flatnonzero(within):
            piece = int(self.piece[index])
            if piece not in found or self.height_mm[index] < self.height_mm[found[piece]]:
                found[piece] = int(index)
        return tuple(self.crossing(index) for index in found.values())

    def at(self, t_s: float) -> Crossing | None:
        """The layer that was laid at a moment; None before the first and after the last."""
        if not len(self.start_s) or not self.start_s[0] <= t_s <= self.end_s[-1]:
            return None
        return self.crossing(int(np.searchsorted(self.start_s, t_s, side="right")) - 1)

    def crossing(self, layer: int) -> Crossing:
        """One layer."""
        return Crossing(
            layer,
            int(self.piece[layer]),
            float(self.height_mm[layer]),
            float(self.start_s[layer]),
            float(self.end_s[layer]),
            float(self.uncertainty_s[layer]),
        )


@dataclass(frozen=True, slots=True)
class _Seen:
    """An observation: at this second of the toolpath the job's own clock showed `own_s`."""

    tau_s: float
    begun: float  # layers by then
    own_s: float
    sd_s: float
    origin: Origin
    number: int = 0


class OwnClock:
    """A job's own clock: seconds since its start, less those it stood paused.

    Parameters
    ----------
    started_s : float
        In the chamber's time.
    pauses : sequence of (start, end)
        In the chamber's time, in order, not overlapping.
    """

    def __init__(self, started_s: float, pauses: Sequence[Span] = ()) -> None:
        self._started_s = started_s
        kept = [(max(a, started_s), b) for a, b in pauses if b > max(a, started_s)]
        self._starts = np.array([a for a, _ in kept], dtype=float)
        self._lasting = np.array([b - a for a, b in kept], dtype=float)
        before = np.concatenate(([0.0], np.cumsum(self._lasting)))
        self._paused_s = before
        self._own = self._starts - started_s - before[:-1]

    @property
    def pauses_s(self) -> Floats:
        """What this clock showed in each pause."""
        return self._own

    def own_s(self, t_s: float) -> float:
        """What it shows at a moment."""
        running = np.clip(t_s - self._starts, 0.0, self._lasting)
        return float(t_s - self._started_s - running.sum())

    def at_s(self, own_s: Floats) -> Floats:
        """The moments at which it shows this; of a pause its beginning."""
        passed = np.searchsorted(self._own, own_s, side="left")
        return np.asarray(self._started_s + own_s + self._paused_s[passed], dtype=float)


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
    clock = OwnClock(started_s, pauses)
    posted = _thinned(list(posts), MOST_POSTS)
    seen = [
        *_thinned(list(_posts(layers, clock, posted)), MOST_SEEN),
        *_stops(layers, clock, stops_s),
    ]
    if finished_s is not None:
        end_s = clock.own_s(finished_s)
        seen.append(_Seen(duration_s, len(layers), end_s, finish_sd_s, Origin.FINISH))
    seen += _pins(layers, clock, pins, seen)
    count = len(layers)
    number = np.arange(count, dtype=float)
    edges = np.stack(
        (
            np.concatenate((layers.start_s, layers.end_s)),
            np.concatenate((number, number + 1)),
        ),
        axis=1,
    )
    own_s, sd_s, used, odd = _agreed(edges, seen)
    # A later layer is never laid sooner, however little is known of either.
    interleaved = np.empty(2 * count)
    interleaved[0::2], interleaved[1::2] = own_s[:count], own_s[count:]
    interleaved = np.maximum.accumulate(np.maximum(interleaved, 0.0))
    return HeightTimes(
        height_mm=layers.height_mm,
        thickness_mm=layers.thickness_mm,
        piece=layers.piece,
        start_s=clock.at_s(interleaved[0::2]),
        end_s=clock.at_s(interleaved[1::2]),
        uncertainty_s=2.0 * np.maximum(sd_s[:count], sd_s[count:]),
        posts=sum(each.origin is Origin.POST for each in used),
        left_out=sum(each.origin is Origin.POST for each in odd),
        doubtful_pins=tuple(each.number for each in odd if each.origin is Origin.PIN),
    )


def _thinned(each: list[Each], most: int) -> list[Each]:
    """About `most` of them, evenly."""
    return each[:: 1 + (len(each) - 1) // most] if each else each


# --- observations -------------------------------------------------------------------


def _posts(layers: Layers, clock: OwnClock, posts: Sequence[HeightSeen]) -> Iterable[_Seen]:
    """What posted heights say: each new one that a layer began since the post before."""
    layer = -1
    before_s = -math.inf  # of the post before this one
    told: list[tuple[int, float, float | None]] = []  # layer, when, where it follows: since when
    for post in posts:
        own_s = clock.own_s(post.t_s)
        found = _next_layer(layers, post.height_mm, max(layer, 0))
        if found is None:
            continue
        if found != layer:
            told.append((found, own_s, before_s if layer >= 0 and found == layer + 1 else None))
        layer, before_s = found, own_s
    late_s = _late_s(layers, told)
    for found, own_s, since_s in told:
        if since_s is None:
            yield _within(layers, found, own_s, POST_SD_S, Origin.POST)
            continue
        wide_s = min(max(own_s - since_s, 0.0), late_s)
        sd_s = POST_SD_S + wide_s / math.sqrt(12.0)
        yield _Seen(float(layers.start_s[found]), found, own_s - wide_s / 2.0, sd_s, Origin.POST)


def _late_s(layers: Layers, told: Sequence[tuple[int, float, float | None]]) -> float:
    """How long after a layer's beginning it is told at the latest; without end if that isn't known.

    Told when it begins, the steps from one to the next last as long as the toolpath says,
    but for the machine's rate; told when somebody asks, they last longer or shorter by as
    much as that is late. Where somebody asks at even times it may be late by all of one.
    """
    if len(told) <= LEAST_STEPS:
        return math.inf
    own_s = np.array([at_s for _, at_s, _ in told])
    tau_s = layers.start_s[[layer for layer, _, _ in told]]
    rate = (own_s[-1] - own_s[0]) / max(float(tau_s[-1] - tau_s[0]), 1e-6)
    off_s = np.diff(own_s) - rate * np.diff(tau_s)
    if _at_even_times(np.diff(own_s), off_s):
        return math.inf
    off_s.sort()
    cut = int(TAIL * len(off_s))
    # Both ends of a step are late by chance, each by an even share of all that is possible.
    return float(np.std(off_s[cut : len(off_s) - cut])) * math.sqrt(12.0 / 2.0)


def _at_even_times(steps_s: Floats, off_s: Floats) -> bool:
    """Whether steps are multiples of one, also where the layers aren't: by so much they are off."""
    even_s = max(float(np.median(steps_s)), 1e-6)
    is_even = np.abs(steps_s / even_s - np.round(steps_s / even_s)) < EVEN
    return bool(np.mean(is_even) >= 1.0 - TAIL and (np.abs(off_s[is_even]) > even_s / 4.0).any())


def _pins(
    layers: Layers, clock: OwnClock, pins: Sequence[HeightSeen], seen: Sequence[_Seen]
) -> list[_Seen]:
    """What pins say: each lies somewhere within its layer, of the piece that it goes with."""
    beside = _thinned(list(seen), BESIDE)
    ways: list[list[_Seen]] = [[]]
    in_order = sorted(range(len(pins)), key=lambda number: pins[number].t_s)
    for count, number in enumerate(in_order):
        pin, own_s = pins[number], clock.own_s(pins[number].t_s)
        sd_s = math.hypot(PIN_SD_S, pin.within_s / math.sqrt(12.0))
        meant = [
            _within(layers, layer, own_s, sd_s, Origin.PIN, number)
            for layer in _alike(layers, pin.height_mm)
        ]
        ways = [[*way, each] for way in ways for each in meant]
        if len(ways) > 1:
            ways.sort(key=lambda way: -_likely(beside, way[-MOST_WEIGHED:]))
        ways = ways[: WAYS if count < MOST_WEIGHED else 1]
    return ways[0]


def _alike(layers: Layers, height_mm: float) -> list[int]:
    """The layer of each piece in which a height lies, or the nearest of all."""
    off_mm = np.abs(layers.height_mm - layers.thickness_mm / 2.0 - height_mm)
    bound_mm = float(off_mm.min()) + layers.thickness_mm / 2.0
    near = np.flatnonzero(off_mm <= bound_mm)
    best: dict[int, int] = {}
    for layer in near.tolist():
        piece = int(layers.piece[layer])
        if piece not in best or off_mm[layer] < off_mm[best[piece]]:
            best[piece] = layer
    return list(best.values())


def _likely(beside: Sequence[_Seen], way: Sequence[_Seen]) -> float:
    """How well observations go together: the logarithm of their density but for a constant."""
    taus = [each.tau_s for each in way]
    if any(after < before for before, after in pairwise(taus)):
        return -math.inf  # nothing is built backwards
    seen = [*beside, *way]
    covariance, off_s = _covariance(seen, DAWDLING_S[0]), _own(seen) - _usual(_places(seen))
    _, size = np.linalg.slogdet(covariance)
    return -0.5 * float(off_s @ np.linalg.solve(covariance, off_s) + size)


def _stops(layers: Layers, clock: OwnClock, stops_s: Sequence[float]) -> Iterable[_Seen]:
    """Stops of the toolpath were the pauses of the job, if there are as many."""
    if len(stops_s) == len(clock.pauses_s):
        for tau_s, own_s in zip(stops_s, clock.pauses_s, strict=True):
            begun = float(np.searchsorted(layers.start_s, tau_s))
            yield _Seen(float(tau_s), begun, float(own_s), STOP_SD_S, Origin.STOP)


def _within(
    layers: Layers, layer: int, own_s: float, least_sd_s: float, origin: Origin, number: int = 0
) -> _Seen:
    start_s, end_s = float(layers.start_s[layer]), float(layers.end_s[layer])
    sd_s = math.hypot(least_sd_s, (end_s - start_s) / math.sqrt(12.0))
    return _Seen((start_s + end_s) / 2.0, layer + 0.5, own_s, sd_s, origin, number)


def _next_layer(layers: Layers, height_mm: float, first: int) -> int | None:
    """The layer of this height at or after `first`; of pieces built in turn the soonest.

    None where no layer has it to half its thickness: a head that is lifted, or parked.
    """
    heights = layers.height_mm[first:]
    fits = np.flatnonzero(np.abs(heights - height_mm) <= layers.thickness_mm[first:] / 2.0 + 1e-6)
    if not len(fits):
        return None
    apart = int(fits[0])
    # Of neighbours that both fit, the nearer.
    close = fits[fits <= apart + 2]
    return first + int(close[np.argmin(np.abs(heights[close] - height_mm))])


# --- the fit -----------------------------------------------------------------------------


def _agreed(
    edges: Floats, seen: Sequence[_Seen]
) -> tuple[Floats, Floats, list[_Seen], list[_Seen]]:
    """The own clock at the edges and its standard deviation; what was used of what was
    seen, and what is at odds with the rest."""
    posts = sum(each.origin is Origin.POST for each in seen)
    tried = []
    for dawdling_s in DAWDLING_S:
        used, odd = _without_odd(seen, dawdling_s)
        tried.append((dawdling_s, used, odd))
        if sum(each.origin is Origin.POST for each in odd) <= MOST_ODD * posts:
            break
    else:  # no dawdling explains them
        tried = tried[:1]
    dawdling_s, used, odd = tried[-1]
    own_s, sd_s = _expected(edges, used, dawdling_s)
    return own_s, sd_s, used, odd


def _without_odd(seen: Sequence[_Seen], dawdling_s: float) -> tuple[list[_Seen], list[_Seen]]:
    """What goes together of what was seen, and what is at odds with it."""
    used = list(seen)
    odd: list[_Seen] = []
    for _ in range(PASSES):
        off_sd = _off(used, dawdling_s)
        # The worst first: what stands beside them is often right.
        bound_sd = max(ODD_SD, float(off_sd.max(initial=0.0)) / 2.0)
        far = [each for each, off in zip(used, off_sd, strict=True) if off > bound_sd]
        far = [each for each in far if each not in odd]
        if not far:
            break
        odd += far
        used = [each for each in used if each.origin is Origin.PIN or each not in far]
    return used, odd


def _off(seen: Sequence[_Seen], dawdling_s: float) -> Floats:
    """How far each is from what all others say, in standard deviations of that difference."""
    if not seen:
        return np.empty(0)
    inverse = np.linalg.inv(_covariance(seen, dawdling_s))
    # Leaving out one at a time, in closed form: Rasmussen & Williams, section 5.4.2.
    off = inverse @ (_own(seen) - _usual(_places(seen)))
    return np.asarray(np.abs(off) / np.sqrt(np.diag(inverse)), dtype=float)


def _expected(places: Floats, seen: Sequence[_Seen], dawdling_s: float) -> tuple[Floats, Floats]:
    """The job's own clock at such places, and its standard deviation."""
    usual, variance = _usual(places), _shared(places, places, dawdling_s, each=True)
    if not seen:
        return usual, np.sqrt(variance)
    shared = _shared(places, _places(seen), dawdling_s)
    inverse = np.linalg.inv(_covariance(seen, dawdling_s))
    own_s = usual + shared @ (inverse @ (_own(seen) - _usual(_places(seen))))
    left = variance - np.einsum("ij,jk,ik->i", shared, inverse, shared, optimize=True)
    return own_s, np.sqrt(np.maximum(left, 0.0))


def _usual(places: Floats) -> Floats:
    """What the own clock shows there as far as nothing else is known."""
    return np.asarray(HEAT_UP_S[0] + places @ np.array((RATE[0], EACH_S[0])), dtype=float)


def _shared(left: Floats, right: Floats, dawdling_s: float, *, each: bool = False) -> Floats:
    """Covariance of the own clock at such places; `each`: with itself alone."""
    pairs = (left, right) if each else (left[:, None], right[None, :])
    a, b = (places[..., 0] for places in pairs)
    begun_a, begun_b = (places[..., 1] for places in pairs)
    return np.asarray(
        HEAT_UP_S[1] ** 2
        + RATE[1] ** 2 * a * b
        + EACH_S[1] ** 2 * begun_a * begun_b
        + dawdling_s**2 * np.maximum(np.minimum(a, b), 0.0),
        dtype=float,
    )


def _covariance(seen: Sequence[_Seen], dawdling_s: float) -> Floats:
    places = _places(seen)
    return _shared(places, places, dawdling_s) + np.diag([each.sd_s**2 for each in seen])


def _places(seen: Sequence[_Seen]) -> Floats:
    """(n, 2): seconds of the toolpath's clock, and layers begun by then."""
    return np.array([(each.tau_s, each.begun) for each in seen], dtype=float).reshape(-1, 2)


def _own(seen: Sequence[_Seen]) -> Floats:
    return np.array([each.own_s for each in seen], dtype=float)
