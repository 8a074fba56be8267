"""What is known of single moments of a job: that the part was at some layer of its toolpath then.

Each sighting says: at this second of the toolpath's clock the job's own one showed that.

A height that the machine posts says that its layer has begun, and not when. A layer
takes about as long as its toolpath says, so it began no longer ago than that; the layer
of the post before was over no later than after all of its own time; and a machine that
posts at every change of layer, or every few seconds, is never late by more than its
posts scatter about the toolpath. What is between these bounds is equally likely.

In pieces that are built one after the other a height is that of the soonest piece that
it can be of; where heights were silent for so long that another piece explains it, of
that one. Of which piece the first post is only the rest can tell: it may be any, if a
machine began to post late, so who asks says with which piece they begin.

Where more time passed between two posts than their layers can have taken, the machine
stood still, and nobody said so: the job's own clock stands there too.

A pin is a person's word. A height that no layer has (above the part, before the job)
makes it doubtful, and it isn't used. In pieces that are built one after the other it may
lie in any of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stillair.jobs.toolpath.layers import Layers

BROKEN_OFF: Final = 0.1  # of jobs, before anything is known of them
HEAT_UP_S: Final = (1200.0, 1200.0)  # from "begun" to the first motion: mean and deviation
RATE: Final = (1.03, 0.08)  # seconds of the machine for one of the toolpath: mean, deviation
POST_SD_S: Final = 1.0  # least, of a height that the machine posts
PIN_SD_S: Final = 5.0  # least, of a pin
STOOD_S: Final = 300.0  # longer than all layers between two posts: it stood still
STOP_SD_S: Final = 10.0  # of a stop in the toolpath that was a pause of the job
NEAR_MM: Final = 1.0  # a pin so far from any layer is none of the part
FEW_POSTS: Final = 8  # fewer don't say how they scatter
RATE_SD: Final = 2.0  # by which the rate between two posts may be another
BEND: Final = 1.7  # how far posts may lag, for one by which they lie off their neighbours
EVEN: Final = 0.05  # by which it strays in one job
EARLY: Final = 0.1  # of the first piece: a machine that posts then has posted all along
EARLY_SD: Final = 3.0
MOST_BEGINNINGS: Final = 4
SILENT_LAYERS: Final = 3  # skipped, a machine that posts was not heard

Floats = NDArray[np.float64]
Span = tuple[float, float]


class Origin(StrEnum):
    """Where a sighting is from."""

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
class Seen:
    """A sighting: at this second of the toolpath the job's own clock showed `own_s`."""

    tau_s: float
    own_s: float
    sd_s: float
    origin: Origin
    number: int = 0
    post: HeightSeen | None = None  # that says it


@dataclass(frozen=True, slots=True)
class Stood:
    """That a job stood still between the beginnings of two layers, in the chamber's time.

    For how long is known, and where between them isn't: it is taken to be the end.
    """

    first: int
    then: int
    from_s: float
    to_s: float


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


# --- posts --------------------------------------------------------------------------


def broken_off_share(end_s: float, due_s: float, sd_s: float) -> float:
    """How likely a job that ended then was broken off; at any moment, if any was."""
    if not 0.0 <= end_s < due_s:
        return 0.0
    whole = math.exp(-0.5 * ((end_s - due_s) / sd_s) ** 2) / (sd_s * math.sqrt(2.0 * math.pi))
    cut = 1.0 / due_s
    return BROKEN_OFF * cut / (BROKEN_OFF * cut + (1.0 - BROKEN_OFF) * whole)


def of_posts(
    layers: Layers, clock: OwnClock, posts: Iterable[HeightSeen], first: int = 0
) -> tuple[list[Seen], list[HeightSeen]]:
    """What posted heights say, and those that no layer of this toolpath has.

    No post is of a layer before `first`.
    """
    told, unknown = _first_told(layers, clock, posts, first)
    new = [(layer, clock.own_s(post.t_s)) for layer, post in told]
    rates = _rates(layers, new)
    late_s = _latest(layers, new, sum(rates) / 2.0)
    seen: list[Seen] = []
    before: tuple[int, float] | None = None
    for (layer, own_s), (_, post) in zip(new, told, strict=True):
        from_s, to_s = _began_within(layers, layer, own_s, before, rates, late_s)
        sd_s = POST_SD_S + (to_s - from_s) / math.sqrt(12.0)
        tau_s = float(layers.start_s[layer])
        seen.append(Seen(tau_s, (from_s + to_s) / 2.0, sd_s, Origin.POST, post=post))
        before = layer, own_s
    return seen, unknown


def _first_told(
    layers: Layers, clock: OwnClock, posts: Iterable[HeightSeen], first: int
) -> tuple[list[tuple[int, HeightSeen]], list[HeightSeen]]:
    """Layers, each as it was first told; and heights that no layer has."""
    new: list[tuple[int, HeightSeen]] = []
    unknown: list[HeightSeen] = []
    told_mm = math.nan
    in_turn = bool((layers.piece > 0).any())
    silent = False  # before the last
    for post in posts:
        if new and not (in_turn and (silent or len(new) == 1)):
            # Lower than the last and not than the one before: the last was a lifted head.
            lower = _next_layer(layers, post.height_mm, new[-2][0] if len(new) > 1 else first)
            if lower is not None and lower < new[-1][0]:
                unknown.append(new.pop()[1])
        found = _next_layer(layers, post.height_mm, new[-1][0] if new else first)
        if found is None:
            unknown += [post] if post.height_mm != told_mm else []
        elif not new:
            new.append((found, post))
        elif found != new[-1][0]:
            before, last = new[-1]
            lasting_s = clock.own_s(post.t_s) - clock.own_s(last.t_s)
            then = _piece_then(layers, post.height_mm, before, found, lasting_s)
            silent = then != found
            new.append((then, post))
        told_mm = post.height_mm
    return new, unknown


def _piece_then(
    layers: Layers, height_mm: float, before: int, soonest: int, lasting_s: float
) -> int:
    """Of the layers of this height in this piece and the later ones the one that fits the time.

    That is the soonest, but where more time passed than it can have taken, and posts were
    silent for layers: then another that fits.
    """

    def off_s(layer: int) -> float:
        return lasting_s - RATE[0] * float(layers.start_s[layer] - layers.start_s[before])

    best = soonest
    if soonest - before <= SILENT_LAYERS or off_s(soonest) <= STOOD_S:
        return soonest
    for piece in range(int(layers.piece[soonest]) + 1, int(layers.piece[-1]) + 1):
        found = _next_layer(layers, height_mm, int(np.argmax(layers.piece == piece)))
        if found is None or abs(off_s(found)) >= abs(off_s(best)):
            break
        best = found
    most_s = STOOD_S + RATE_SD * RATE[1] * lasting_s
    return best if abs(off_s(best)) <= most_s else soonest


def stood(
    layers: Layers, clock: OwnClock, posts: Iterable[HeightSeen], first: int = 0
) -> list[Stood]:
    """Where a job must have stood still though nobody said so, as by an empty spool."""
    found: list[Stood] = []
    told, _ = _first_told(layers, clock, posts, first)
    for (before, last), (then, post) in pairwise(told):
        from_s, to_s = last.t_s, post.t_s
        own_s = clock.own_s(to_s) - clock.own_s(from_s)
        tau_s = float(layers.start_s[then] - layers.start_s[before])
        most_s = (RATE[0] + RATE_SD * RATE[1]) * float(layers.end_s[then] - layers.start_s[before])
        if then > before and own_s - most_s > STOOD_S and to_s - from_s == own_s:
            found.append(Stood(before, then, to_s - own_s + RATE[0] * tau_s, to_s))
    return found


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


def _rates(layers: Layers, new: Sequence[tuple[int, float]]) -> Span:
    """The lowest and the highest rate between two posts."""
    if len(new) >= FEW_POSTS:
        (first, first_s), (last, last_s) = new[0], new[-1]
        rate = (last_s - first_s) / max(float(layers.start_s[last] - layers.start_s[first]), 1.0)
        if abs(rate - RATE[0]) < 4.0 * RATE[1]:
            return rate * (1.0 - EVEN), rate * (1.0 + EVEN)
    return RATE[0] - RATE_SD * RATE[1], RATE[0] + RATE_SD * RATE[1]


def _latest(layers: Layers, new: Sequence[tuple[int, float]], rate: float) -> float:
    """By how much a post may lag behind the beginning of its layer, as far as posts show.

    A lag that is the same for all lies within what a fit can't tell from a later start,
    so only how far each lies off a straight line through both neighbours shows it. Lags
    from 0 to w that are independent lie up to 0.7 w off in 95 of 100; those that grow
    with each post until one layer is skipped lie w / 2 off there and not at all between.
    """
    if len(new) < FEW_POSTS:
        return math.inf
    at = np.array([layer for layer, _ in new])
    if np.median(np.diff(at)) > 1:
        return math.inf  # posts are rarer than layers
    off_s = np.array([own_s for _, own_s in new]) - rate * layers.start_s[at]
    bend_s = off_s[1:-1] - (off_s[:-2] + off_s[2:]) / 2.0
    return 2.0 * POST_SD_S + BEND * float(np.quantile(np.abs(bend_s), 0.95))


def _began_within(
    layers: Layers,
    layer: int,
    own_s: float,
    before: tuple[int, float] | None,
    rates: Span,
    late_s: float,
) -> Span:
    """Between which of its own seconds a job began a layer that was told at `own_s`."""
    slowly = rates[1]
    lasting_s = slowly * float(layers.end_s[layer] - layers.start_s[layer])
    if before is None or before[0] > layer:
        return own_s - min(lasting_s, late_s), own_s
    told, told_s = before
    # What lies between both layers, and all of the earlier one, at the most.
    between_s = rates[0] * float(layers.start_s[layer] - layers.end_s[told])
    with_it_s = slowly * float(layers.start_s[layer] - layers.start_s[told])
    soonest_s = min(told_s + max(between_s, 0.0), own_s)
    from_s = max(soonest_s, own_s - min(lasting_s, late_s))
    to_s = min(own_s, told_s + with_it_s)
    if to_s < from_s:  # it dawdled in one of the two, and nobody knows in which
        return soonest_s, own_s
    return from_s, to_s


def beginnings(layers: Layers, clock: OwnClock, posts: Sequence[HeightSeen]) -> list[int]:
    """The first layers of those pieces of which the first post may be, the likeliest first.

    That is the first piece for a machine that posts from its first layers on.
    """
    pieces = np.unique(layers.piece, return_index=True)[1].tolist()
    post = next((p for p in posts if _next_layer(layers, p.height_mm, 0) is not None), None)
    if len(pieces) == 1 or post is None:
        return [0]
    own_s = clock.own_s(post.t_s)
    far: dict[int, float] = {}
    for first in pieces:
        found = _next_layer(layers, post.height_mm, first)
        if found is not None and layers.piece[found] == layers.piece[first]:
            tau_s = float(layers.start_s[found])
            usual_s = HEAT_UP_S[0] + RATE[0] * tau_s
            far[first] = abs(own_s - usual_s) / math.hypot(HEAT_UP_S[1], RATE[1] * tau_s)
    soonest = min(far)
    of_first = int((layers.piece == layers.piece[soonest]).sum())
    told = _next_layer(layers, post.height_mm, soonest) or 0
    if soonest == 0 and told <= EARLY * of_first and far[0] < EARLY_SD:
        return [0]
    return sorted(far, key=lambda first: far[first])[:MOST_BEGINNINGS]


# --- pins and stops -----------------------------------------------------------------


def of_pins(layers: Layers, clock: OwnClock, pins: Sequence[HeightSeen]) -> list[list[Seen]]:
    """Where each pin may lie, one sighting for each piece; none where it can't be."""
    middle_mm = layers.height_mm - layers.thickness_mm / 2.0
    found: list[list[Seen]] = []
    for number, pin in enumerate(pins):
        own_s = clock.own_s(pin.t_s)
        off_mm = np.abs(middle_mm - pin.height_mm)
        may = off_mm <= layers.thickness_mm / 2.0 + NEAR_MM
        each = []
        for piece in np.unique(layers.piece[may]).tolist() if own_s >= 0.0 else []:
            within = np.flatnonzero(layers.piece == piece)
            near = int(within[np.argmin(off_mm[within])])
            each.append(_within(layers, near, own_s, pin.within_s, number))
        found.append(each)
    return found


def _within(layers: Layers, layer: int, own_s: float, within_s: float, number: int) -> Seen:
    """A pin lies somewhere within its layer, and somewhere within what it is told to."""
    start_s, end_s = float(layers.start_s[layer]), float(layers.end_s[layer])
    sd_s = math.hypot(PIN_SD_S, (end_s - start_s) / math.sqrt(12.0), within_s / math.sqrt(12.0))
    return Seen((start_s + end_s) / 2.0, own_s, sd_s, Origin.PIN, number)


def of_stops(clock: OwnClock, stops_s: Sequence[float]) -> list[Seen]:
    """Stops of the toolpath were the pauses of the job, if there are as many."""
    if len(stops_s) != len(clock.pauses_s):
        return []
    return [
        Seen(float(tau_s), float(own_s), STOP_SD_S, Origin.STOP)
        for tau_s, own_s in zip(stops_s, clock.pauses_s, strict=True)
    ]
