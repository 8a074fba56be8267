"""Flame: what is coloured as one, stays in its place, and is never twice the same.

Theory of operation. Colour alone finds every orange part, so colour only says where to
look: pixels at least as red as green and as green as blue, bright, and far more red than
blue. What marks a flame among them is that a spot stays flame-coloured and yet changes in
brightness from one picture to the next, several times a second, for as long as it burns:
flames puff at about 1.5 / sqrt(D) per second, D in metres (Cetegen, B. M. and Ahmed, T. A.
(1993) Experiments on the periodic instability of buoyant plumes and pool fires, Combustion
and Flame 93), and their tongues are turbulent. `activity` is the share of the last second's
pictures in which a spot did so.

Places with activity are followed. Of each it is measured, four times a second:

alike       the share of all change that its spots have in common (first principal
            component): a lamp, a display or an LED changes as a whole, a fire's spots don't
near        how much the change of spots is that of the spots two pixels beside: a flame's
            light is soft, a camera's noise and the grain of what moves are not
unexplained how much of the change is left once every spot may have moved (dense optical
            flow): whatever is carried through the picture explains itself
settled     the share of pictures in which a spot has its most usual brightness: what is
            passed by something, or by its light, comes back to how it was
loud        of all great change in the place and about it, the share where nothing has a
            flame's colour, or is hot beside it: whatever moves there is more than a flame
glow        how much what is about it brightens and dims with it: a flame lights it up
top         the brightness (of green) of its brightest fifth: a flame is a source of light,
            yellow to white within, an orange part is no brighter than its lamp makes it
edge        the change of its spots by how steep the picture is there, in powers of two: what
            is shaken by a part of a pixel, or coded anew, changes at its edges only
novel       the share of spots brighter than ever in the last minutes, before the last
            twenty seconds, and how much `brighter` they are; of a younger view neither is known
coloured    how much of the time its spots have a flame's colour, and how much of it they are
            `active`
flares      whether a spot is mostly dim and now and then bright, or the other way round; how
            far it `swing`s, and how many of its changes are `great`
filled      how much of its box is active, how `large` that is, and whether it is `hot`
sways       how much its middle goes to and fro; `bobs`, up and down; `steps`, how its foot
            does: a fire stands where it burns

Spots near a hot middle, which is nearly at the upper end of the camera's range in red and
far up in green, make places of their own, so that a machine at work beside a flame is
measured apart from it.

The evidence of a place is a sum of log-likelihood ratios, one a look, each with a floor and
a ceiling, so that none can decide alone; what the measures say together is a small fitted net,
see `stillair.fire.flame_terms`.

Measured by `tests/bench/fire.py` on seeds and clips that nothing was fitted to: all of 100
flames found (95 % bounds 96 to 100 %), in a median of 2.5 s, 95 % within 5.9 s; no false flame
in 12 h of harmless scenes (0 to 3); of the real clips 4 of 4 flames, none of 7 harmless.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.fire.flame_colour import (
    Light,
    Seen,
    above,
    as_gray,
    in_this_light,
    seen_in,
    where_hot,
)
from stillair.fire.flame_terms import features, likelihood
from stillair.fire.grid import Gray, middle, middles
from stillair.fire.regions import Region

Spots = NDArray[np.intp]

CHANGE = 12  # of 255, from one picture to the next
LOUD = 32  # of 255, likewise
ACTIVITY_TAU_S = 1.0
ACTIVE = 0.2
GAP_S = 0.8  # pictures further apart show no flicker: none is measured from one to the other
LONGEST_GAP_S = 4.0  # over which what is known is kept; after a longer one all begins anew
EVIDENCE_HALVES_S = 2.0  # in a gap
LOOK_EVERY_S = 0.25
KEPT_PICTURES = 16  # on which `alike` is measured: about a second
LEAST_PICTURES = 8
KEPT_LOOKS = 8
RECENT = 8  # pictures: so bright was it just now
LEAST_SPOTS = 6
LEAST_PLAIN = 12
MOST_PLACES = 6
MOST_SPOTS = 60
HOT_NEAR_PX = 6  # active spots so near to a hot one are of its place
SELDOM = 0.02  # of the time: what has a flame's colour no more often only shows its light
LEAST_STIRRED = 3  # of the 64 pixels of a part of the picture: noise alone changes fewer at once
STIRRED_PX = 8  # the width of such a part
STIRRED_LIGHT = 0.07  # of a row's light, in half of them; common lamps' bands change less
REPEATED = 0.1  # of 255: live pictures differ by more than that in the mean
NEAR_PX = 3  # active spots so near to each other belong together
FLOW_MARGIN_PX = 16
MOST_CHANGE = 60  # more is counted as so much
FORGOTTEN_S = 1.5  # a place without activity for longer is given up
USUAL_AFTER_S = 20.0  # so old a brightness has to be to be usual
USUAL_EVERY_S = 1.0
USUAL_FORGETS = 1  # of 255, a minute
DOUBTED = 0.3
# What one look adds to a place's evidence, at least and at most, and when it is told.
LEAST_STEP, MOST_STEP = -0.8, 1.0
SURE = 1.75  # of the log-likelihood ratio: what is only a little likelier than not adds nothing
STEP = 0.3  # of it: looks follow each other and are much alike
NEWBORN_S = 0.5
TOLD_SUM = 4.8
MOST_SUM = 18.0
NOVEL = 20  # of 255, above the usual


@dataclass(slots=True)
class Place:
    """One place that is active: its box in pixels, since when, and what was measured of it."""

    left: int
    top: int
    right: int
    bottom: int
    since_s: float
    seen_s: float
    spots: int
    hot: bool
    features: dict[str, float] = field(default_factory=dict)
    sum: float = 0.0
    history: deque[dict[str, float]] = field(default_factory=lambda: deque(maxlen=KEPT_LOOKS))

    @property
    def age_s(self) -> float:
        return self.seen_s - self.since_s

    @property
    def area(self) -> int:
        return (self.right - self.left) * (self.bottom - self.top)

    @property
    def strength(self) -> float:
        """How surely it is a flame, 0 to 1."""
        return 1.0 - math.exp2(-self.sum / TOLD_SUM)


class FlameWatch:
    """Find places that look like flames, picture by picture; see the module."""

    def __init__(self, ignore: Sequence[Region] = ()) -> None:
        self._ignore = ignore
        self._flow = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_ULTRAFAST)
        self._newest: Seen | None = None  # not yet taken
        self._begin((0, 0))

    def _begin(self, shape: tuple[int, ...]) -> None:
        self._shape = shape
        self._t_s: float | None = None
        self._looked_s = -math.inf
        self._activity = np.zeros(shape, np.float32)
        self._occupancy = np.zeros(shape, np.float32)
        self._loud = np.zeros(shape, np.float32)
        self._loud_foreign = np.zeros(shape, np.float32)
        self._hot: Gray = np.zeros(shape, np.uint8)
        self._coloured: Gray = np.zeros(shape, np.uint8)
        self._flame: Gray = np.zeros(shape, np.uint8)
        self._greens: deque[Gray] = deque(maxlen=KEPT_PICTURES)
        self._light: Light | None = None  # of the last of them
        self._stirs = False
        self._places: list[Place] = []
        self._usual: Gray | None = None
        self._waiting: deque[tuple[float, Gray]] = deque()
        self._brightest: Gray = np.zeros(shape, np.uint8)
        self._kept_s = -math.inf
        self._forgot_s = -math.inf

    @property
    def places(self) -> list[Place]:
        """The places that were active when last looked, largest first."""
        return self._places

    @property
    def stirs(self) -> bool:
        """Whether it follows any place, or may be about to."""
        return self._stirs or bool(self._places)

    def is_stirred_by(self, picture: NDArray[np.uint8]) -> bool:
        """Whether the next picture differs from the last in a flame's colour, or in its light."""
        return self._is_stirred(self._seen_in(picture))

    def _is_stirred(self, seen: Seen) -> bool:
        if not self._greens or seen.green.shape != self._shape:
            return True
        assert self._light is not None
        if middle(np.abs(seen.light / self._light - 1.0)) >= STIRRED_LIGHT:
            return True
        spots = above(self._change_to(seen), CHANGE) & (seen.coloured | self._coloured)
        size = [max(1, side // STIRRED_PX) for side in reversed(self._shape)]
        parts = cv2.resize(spots, size, interpolation=cv2.INTER_AREA)
        return float(parts.max()) >= int(LEAST_STIRRED / STIRRED_PX**2 * 255.0)

    def _seen_in(self, picture: NDArray[np.uint8]) -> Seen:
        """What is measured of a picture by itself, once for whoever asks."""
        if self._newest is None or self._newest.picture is not picture:
            self._newest = seen_in(picture, self._ignore)
        return self._newest

    def _change_to(self, seen: Seen) -> Gray:
        """How much each pixel has changed since the last picture, beside the light."""
        if seen.change is None:
            assert self._light is not None
            before = in_this_light(self._greens[-1], self._light, seen.light)
            seen.change = as_gray(cv2.absdiff(seen.green, before))
        return seen.change

    def update(self, t_s: float, picture: NDArray[np.uint8]) -> list[Place] | None:
        """Take the next picture, `(height, width, 3) uint8, BGR`; None unless it was looked.

        Pictures come about 10 to 16 times a second, fewer while nothing stirs.
        """
        seen = self._seen_in(picture)
        self._newest = None
        green, red, coloured = seen.green, seen.red, seen.coloured
        gap_s = 0.0 if self._t_s is None else t_s - self._t_s
        if green.shape != self._shape or gap_s > LONGEST_GAP_S:
            self._begin(green.shape)
        elif gap_s > GAP_S:
            self._bridge(gap_s)
        if not self._greens:
            self._t_s = t_s
            self._coloured = self._flame = coloured
            self._light = seen.light
            self._greens.append(green)
            return None
        assert self._t_s is not None
        if _repeats(green, self._greens[-1]):
            return None
        weight = 1.0 - math.exp(-(t_s - self._t_s) / ACTIVITY_TAU_S)
        self._t_s = t_s
        change = self._change_to(seen)
        self._stirs = self._is_stirred(seen)
        # the middle of a flame is too bright to have a colour
        flame = coloured | (where_hot(green, red) & as_gray(cv2.dilate(coloured, _NEAR)))
        elsewhere = ~(flame | self._flame)
        self._flame = flame
        both = coloured & self._coloured
        loud = above(change, LOUD)
        for part, share in (
            (above(change, CHANGE) & both, self._activity),
            (loud & both, self._loud),
            (loud & elsewhere, self._loud_foreign),
            (coloured, self._occupancy),
        ):
            cv2.accumulateWeighted(part, share, weight)
        self._coloured, self._light = coloured, seen.light
        self._greens.append(green)
        self._learn_usual(t_s, green)
        if t_s - self._looked_s < LOOK_EVERY_S or len(self._greens) < LEAST_PICTURES:
            return None
        self._looked_s = t_s
        self._places = self._look(t_s, red)
        return self._places

    def _bridge(self, gap_s: float) -> None:
        """No picture came for a moment: keep what is known of the places, and halve it."""
        self._greens.clear()
        for place in self._places:
            place.seen_s += gap_s  # while nothing was seen it wasn't seen to be calm
            place.sum *= 2.0 ** (-gap_s / EVIDENCE_HALVES_S)

    # --- the places ---

    def _look(self, t_s: float, red: Gray) -> list[Place]:
        active = above(self._activity, ACTIVE * 255.0)
        known = [p for p in self._places if t_s - p.seen_s <= FORGOTTEN_S]
        if cv2.countNonZero(active) < LEAST_SPOTS:
            return known
        hot = as_gray(cv2.dilate(where_hot(self._greens[-1], red), _HOT_NEAR))
        hot, self._hot = hot | self._hot, hot
        found: list[Place] = []
        for chosen, is_hot in ((active & hot, True), (active & ~hot, False)):
            for window, spots in _parts(chosen):
                rows, columns = window
                box = (columns.start, rows.start, columns.stop, rows.stop)
                place = Place(*box, t_s, t_s, int(np.count_nonzero(spots)), is_hot)
                self._follow(place, known)
                self._measure(place, window, spots)
                found.append(place)
        seen = [p for p in known if not any(_overlap(p, f) for f in found)]
        return sorted([*found, *seen], key=lambda p: -p.spots)

    def _follow(self, place: Place, known: Sequence[Place]) -> list[Place]:
        """Have a place go on with what is known of those that it was; return them."""
        likeness = {n: _likeness(p, place) for n, p in enumerate(known) if _overlap(p, place)}
        was = [n for n, alike in likeness.items() if known[n].hot == place.hot or alike > 0.3]
        if was:
            nearest = max(was, key=lambda n: likeness[n])
            place.history = deque(known[nearest].history, maxlen=KEPT_LOOKS)
            place.since_s = min(known[n].since_s for n in was)
            place.sum = max(known[n].sum for n in was)
        return [known[n] for n in was]

    def _measure(self, place: Place, window: tuple[slice, slice], spots: NDArray[np.bool_]) -> None:
        rows, columns = np.nonzero(spots)
        every = max(1, len(rows) // MOST_SPOTS)
        rows, columns = rows[::every] + place.top, columns[::every] + place.left
        green = _series(self._greens, rows, columns)
        high, wide = self._shape
        beside = _series(
            self._greens, np.minimum(rows + 2, high - 1), np.minimum(columns + 2, wide - 1)
        )
        changes = np.diff(green, axis=0)
        powers = np.linalg.svd(changes, compute_uv=False) ** 2
        means = np.sort(green.mean(axis=0))
        swing = float(green.std(axis=0).mean())
        least, most = green.min(axis=0), green.max(axis=0)
        novel, brighter = -1.0, 0.0
        if self._usual is not None:
            above = cv2.subtract(self._recent_max(window), self._usual[window])
            novel = float(np.count_nonzero(above[spots] > NOVEL)) / place.spots
            usual = self._usual[rows, columns].astype(np.float32)
            brighter = float((green[-RECENT:].max(axis=0) - usual).mean())
        place.history.append(
            {
                "alike": float(powers[0] / max(1e-6, powers.sum())),
                "near": _correlation(changes, np.diff(beside, axis=0)),
                "unexplained": self._unexplained(place, spots),
                "settled": _settled(green),
                "loud": self._loud_share(place),
                "glow": self._glow(place, green.mean(axis=1)),
                "top": float(means[-max(1, len(means) // 5) :].mean()),
                "edge": self._edge(window, spots, swing),
                "novel": novel,
                "coloured": float(self._occupancy[window][spots].mean()) / 255.0,
                "flares": float(((most - middles(green, 0)[0]) / (most - least + 1.0)).mean()),
                "brighter": brighter,
                "swing": math.log(swing + 1.0),
                "great": float((np.abs(changes) > LOUD).mean()),
                "active": float(self._activity[window][spots].mean()) / 255.0,
                "filled": place.spots / place.area,
                "spots": place.spots,
                "hot": float(place.hot),
                "x": (place.left + place.right) / 2.0,
                "y": (place.top + place.bottom) / 2.0,
                "foot": float(place.bottom),
                "size": math.sqrt(place.area),
            }
        )
        place.features = {"age_s": place.age_s, **features(place.history)}
        newborn = place.age_s < NEWBORN_S
        place.sum = with_look(place.sum, likelihood(place.features), newborn=newborn)

    def _unexplained(self, place: Place, spots: NDArray[np.bool_]) -> float:
        high, wide = self._shape
        left, right = max(0, place.left - FLOW_MARGIN_PX), min(wide, place.right + FLOW_MARGIN_PX)
        top, bottom = max(0, place.top - FLOW_MARGIN_PX), min(high, place.bottom + FLOW_MARGIN_PX)
        if right - left < 16 or bottom - top < 16:
            return 0.5
        now = np.ascontiguousarray(self._greens[-1][top:bottom, left:right])
        then = np.ascontiguousarray(self._greens[-2][top:bottom, left:right])
        start = np.zeros((*now.shape, 2), np.float32)
        flow = np.asarray(self._flow.calc(now, then, start), np.float32)
        flow[:, :, 0] += np.arange(right - left, dtype=np.float32)
        flow[:, :, 1] += np.arange(bottom - top, dtype=np.float32)[:, None]
        across, down = cv2.split(flow)
        moved = cv2.remap(then, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        inner = (
            slice(place.top - top, place.bottom - top),
            slice(place.left - left, place.right - left),
        )
        rest = np.minimum(cv2.absdiff(now, np.asarray(moved, np.uint8))[inner][spots], MOST_CHANGE)
        whole = np.minimum(cv2.absdiff(now, then)[inner][spots], MOST_CHANGE)
        return float(rest.sum()) / (float(whole.sum()) + len(whole))

    def _loud_share(self, place: Place) -> float:
        """Of all great change in and about a place, the share of what has no flame's colour."""
        about = max(6, (place.right - place.left) // 2)
        window = (
            slice(max(0, place.top - about), place.bottom + about // 2),
            slice(max(0, place.left - about), place.right + about),
        )
        own, other = float(self._loud[window].sum()), float(self._loud_foreign[window].sum())
        return other / (own + other + 255.0)

    def _edge(self, window: tuple[slice, slice], spots: NDArray[np.bool_], changes: float) -> float:
        """The usual change of the spots by how steep the usual picture is there."""
        usual = np.mean([green[window] for green in list(self._greens)[::3]], axis=0)
        usual = np.asarray(usual, np.float32)
        across, down = (
            np.asarray(cv2.Sobel(usual, cv2.CV_32F, x, y, scale=0.125)) for x, y in ((1, 0), (0, 1))
        )
        return math.log2((changes + 1.0) / (float(np.hypot(across, down)[spots].mean()) + 1.0))

    def _glow(self, place: Place, own: NDArray[np.float32]) -> float:
        """How much the light on what is about a place goes with its own, -1 to 1."""
        about = max(6, (place.right - place.left) // 2)
        window = (
            slice(max(0, place.top - about), place.bottom + about, 2),
            slice(max(0, place.left - about), place.right + about, 2),
        )
        plain = self._occupancy[window] < SELDOM * 255.0
        if np.count_nonzero(plain) < LEAST_PLAIN:
            return 0.0
        light = np.stack([green[window] for green in self._greens])[:, plain].mean(axis=1)
        return _correlation(np.diff(light), np.diff(own))

    # --- what is usual ---

    def _recent_max(self, window: tuple[slice, slice]) -> Gray:
        recent = list(self._greens)[-RECENT:]
        return np.asarray(np.max([g[window] for g in recent], axis=0), np.uint8)

    def _learn_usual(self, t_s: float, green: Gray) -> None:
        """Keep the brightest that each spot was; it counts once it is twenty seconds old."""
        cv2.max(self._brightest, green, dst=self._brightest)
        if t_s - self._kept_s < USUAL_EVERY_S:
            return
        self._kept_s = t_s
        for place in self._places:  # what may be a flame must not become usual
            if place.strength >= DOUBTED:
                self._brightest[place.top : place.bottom, place.left : place.right] = 0
        self._waiting.append((t_s, as_gray(cv2.dilate(self._brightest, _NEAR))))
        self._brightest = green.copy()
        while self._waiting and t_s - self._waiting[0][0] >= USUAL_AFTER_S:
            _, old = self._waiting.popleft()
            self._usual = old if self._usual is None else np.maximum(self._usual, old)
        if self._usual is not None and t_s - self._forgot_s >= 60.0:
            self._forgot_s = t_s
            self._usual -= np.minimum(self._usual, USUAL_FORGETS)


def with_look(evidence: float, likelihood: float, *, newborn: bool) -> float:
    """The evidence of a place after one more look, in which a flame is so likely."""
    step = min(MOST_STEP, max(LEAST_STEP, STEP * (likelihood - SURE)))
    if newborn:  # what is measured on so little may be anything
        step = min(0.0, step)
    return min(MOST_SUM, max(0.0, evidence + step))


_NEAR = np.ones((2 * NEAR_PX + 1, 2 * NEAR_PX + 1), np.uint8)
_HOT_NEAR = np.ones((2 * HOT_NEAR_PX + 1, 2 * HOT_NEAR_PX + 1), np.uint8)


def _parts(chosen: Gray) -> Iterator[tuple[tuple[slice, slice], NDArray[np.bool_]]]:
    """The largest parts of what is chosen (255, else 0) that are near to each other, by window."""
    if cv2.countNonZero(chosen) < LEAST_SPOTS:
        return
    near = as_gray(cv2.dilate(chosen, _NEAR))
    left, top, wide, high = (int(v) for v in cv2.boundingRect(near))
    # only where there is anything: in all of the picture it takes ten times as long
    near = near[top : top + high, left : left + wide]
    _, labels, stats, _ = cv2.connectedComponentsWithStats(near)
    for label in 1 + np.argsort(-stats[1:, cv2.CC_STAT_AREA])[:MOST_PLACES]:
        x, y, wide, high = (int(v) for v in stats[label, :4])
        window = (slice(top + y, top + y + high), slice(left + x, left + x + wide))
        spots = (labels[y : y + high, x : x + wide] == label) & (chosen[window] > 0)
        if np.count_nonzero(spots) >= LEAST_SPOTS:
            yield window, spots


def _series(planes: Sequence[Gray], rows: Spots, columns: Spots) -> NDArray[np.float32]:
    """The brightness of spots over time, `(pictures, spots)`."""
    return np.stack([plane[rows, columns] for plane in planes]).astype(np.float32)


def _correlation(one: NDArray[np.floating], other: NDArray[np.floating]) -> float:
    """Of changes, that have no mean."""
    power = float((one * one).sum()) * float((other * other).sum())
    return float((one * other).sum()) / math.sqrt(power + 1e-6)


def _settled(series: NDArray[np.float32]) -> float:
    """The share of pictures in which a spot has its most usual brightness, `(pictures, spots)`."""
    ranked = np.sort(series, axis=0)
    near = ranked[None, :, :] <= ranked[:, None, :] + CHANGE
    later = np.tri(len(ranked), dtype=bool).T[:, :, None]
    return float((near & later).sum(axis=1).max(axis=0).mean()) / len(ranked)


def _repeats(green: Gray, before: Gray) -> bool:
    """Whether a picture is the one before once more, as where a source makes up its rate."""
    return float(cv2.absdiff(green[::8, ::8].copy(), before[::8, ::8].copy()).mean()) < REPEATED


def _shared(one: Place, other: Place) -> int:
    wide = min(one.right, other.right) - max(one.left, other.left)
    high = min(one.bottom, other.bottom) - max(one.top, other.top)
    return max(0, wide) * max(0, high)


def _overlap(one: Place, other: Place) -> bool:
    return _shared(one, other) > 0.3 * min(one.area, other.area)


def _likeness(one: Place, other: Place) -> float:
    """What two boxes share of all that they cover."""
    shared = _shared(one, other)
    return shared / (one.area + other.area - shared)
