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

activity    as above; a cloth or a car is active at its edges and for a moment only
occupancy   how much of the time its spots are flame-coloured; what swings to and fro
            uncovers what is behind it
alike       the share of all change that its spots have in common (first principal
            component): a lamp, a display or an LED changes as a whole, a fire's spots don't
unexplained how much of the change is left once every spot may have moved (dense optical
            flow): whatever is carried through the picture explains itself
size        how many spots there are, in powers of two
settled     the share of pictures in which a spot has its most usual brightness: what is
            passed by something, or by its light, comes back to how it was
foreign     of all change in the place and about it, the share where nothing ever has a
            flame's colour: whatever moves there is more than a flame
core        the share of spots at the upper end of the camera's range in red
rooted      the share of spots that were active a second ago as well
novel       the share of spots brighter than ever in the last minutes, before the last
            twenty seconds; not known where the view is younger

The evidence of a place is a sum of log-likelihood ratios, one a look, each with a floor and
a ceiling, so that none can decide alone; see `likelihood`.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from cv2.typing import MatLike
from numpy.typing import NDArray

from stillair.fire.regions import Region, pixels_of

Gray = NDArray[np.uint8]

LEAST_RED = 160  # of 255
LEAST_RED_OVER_BLUE = 45
MOST_BLUE_OVER_GREEN = 10
CHANGE = 12  # of 255, from one picture to the next
ACTIVITY_TAU_S = 1.0
ACTIVE = 0.2
GAP_S = 0.8  # pictures further apart show no flicker, so it is begun anew
LOOK_EVERY_S = 0.25
KEPT_PICTURES = 16  # on which `alike` is measured: about a second
LEAST_PICTURES = 8
LEAST_SPOTS = 6
MOST_PLACES = 6
MOST_SPOTS = 60
CORE = 235
LEAST_GAIN = 0.02  # of a row's light; less changes nothing by `CHANGE`
REPEATED = 0.1  # of 255: live pictures differ by more than that in the mean
NEAR_PX = 3  # active spots so near to each other belong together
FLOW_MARGIN_PX = 16
MOST_CHANGE = 60  # more is counted as so much
FORGOTTEN_S = 1.5  # a place without activity for longer is given up
USUAL_AFTER_S = 20.0  # so old a brightness has to be to be usual
USUAL_EVERY_S = 1.0
USUAL_FORGETS = 1  # of 255, a minute
DOUBTED = 0.3
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
    features: dict[str, float]
    sum: float = 0.0
    history: deque[dict[str, float]] = field(default_factory=lambda: deque(maxlen=8))

    @property
    def age_s(self) -> float:
        return self.seen_s - self.since_s

    @property
    def strength(self) -> float:
        """How surely it is a flame, 0 to 1."""
        return 1.0 - math.exp2(-self.sum / TOLD_SUM)


class FlameWatch:
    """Find places that look like flames, picture by picture; see the module."""

    def __init__(self, ignore: Sequence[Region] = ()) -> None:
        self._ignore = ignore
        self._flow = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_ULTRAFAST)
        self._begin((0, 0))

    def _begin(self, shape: tuple[int, ...]) -> None:
        self._shape = shape
        self._t_s: float | None = None
        self._looked_s = -math.inf
        self._activity = np.zeros(shape, np.float32)
        self._occupancy = np.zeros(shape, np.float32)
        self._foreign = np.zeros(shape, np.float32)
        self._coloured: Gray = np.zeros(shape, np.uint8)
        self._greens: deque[Gray] = deque(maxlen=KEPT_PICTURES)
        self._active_before: deque[tuple[float, Gray]] = deque(maxlen=5)
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

    def update(self, t_s: float, picture: NDArray[np.uint8]) -> list[Place] | None:
        """Take the next picture, `(height, width, 3) uint8, BGR`; None unless it was looked.

        Pictures come about 10 to 16 times a second.
        """
        blue, green, red = (_gray(plane) for plane in cv2.split(picture))
        if green.shape != self._shape or (self._t_s is not None and t_s - self._t_s > GAP_S):
            self._begin(green.shape)
        coloured = _coloured(blue, green, red)
        for region in self._ignore:
            coloured[pixels_of(region, *coloured.shape)] = 0
        if self._t_s is None:
            self._t_s = t_s
            self._coloured = coloured
            self._greens.append(green)
            return None
        if _repeats(green, self._greens[-1]):
            return None
        weight = 1.0 - math.exp(-(t_s - self._t_s) / ACTIVITY_TAU_S)
        self._t_s = t_s
        before = _in_this_light(self._greens[-1], green)
        changed = _above(cv2.absdiff(green, before), CHANGE)
        either = coloured | self._coloured
        cv2.accumulateWeighted(changed & ~either, self._foreign, weight)
        changed &= coloured
        changed &= self._coloured
        cv2.accumulateWeighted(changed, self._activity, weight)
        cv2.accumulateWeighted(coloured, self._occupancy, weight)
        self._coloured = coloured
        self._greens.append(green)
        self._learn_usual(t_s, green)
        if t_s - self._looked_s < LOOK_EVERY_S or len(self._greens) < LEAST_PICTURES:
            return None
        self._looked_s = t_s
        self._places = self._look(t_s, red)
        return self._places

    # --- the places ---

    def _look(self, t_s: float, red: Gray) -> list[Place]:
        active = _above(self._activity, ACTIVE * 255.0)
        before = next((a for at_s, a in self._active_before if t_s - at_s <= 1.2), active)
        self._active_before.append((t_s, active))
        known = [p for p in self._places if t_s - p.seen_s <= FORGOTTEN_S]
        if cv2.countNonZero(active) < LEAST_SPOTS:
            return known
        count, labels, stats, _ = cv2.connectedComponentsWithStats(cv2.dilate(active, _NEAR))
        found: list[Place] = []
        order = 1 + np.argsort(-stats[1:, cv2.CC_STAT_AREA])[:MOST_PLACES]
        for label in order if count > 1 else ():
            x, y, wide, high = (int(v) for v in stats[label, :4])
            window = (slice(y, y + high), slice(x, x + wide))
            spots = (labels[window] == label) & (active[window] > 0)
            number = int(np.count_nonzero(spots))
            if number < LEAST_SPOTS:
                continue
            place = Place(x, y, x + wide, y + high, t_s, t_s, number, {})
            parents = [p for p in known if _overlap(p, place)]
            if parents:
                oldest = min(parents, key=lambda p: p.since_s)
                place.since_s, place.history = oldest.since_s, oldest.history
                place.sum = max(p.sum for p in parents)
            self._measure(place, window, spots, red, before)
            found.append(place)
        seen = [p for p in known if not any(_overlap(p, f) for f in found)]
        return sorted([*found, *seen], key=lambda p: -p.spots)

    def _measure(
        self,
        place: Place,
        window: tuple[slice, slice],
        spots: NDArray[np.bool_],
        red: Gray,
        before: Gray,
    ) -> None:
        rows, columns = np.nonzero(spots)
        every = max(1, len(rows) // MOST_SPOTS)
        rows, columns = rows[::every] + place.top, columns[::every] + place.left
        series = np.stack([g[rows, columns] for g in self._greens]).astype(np.float32)
        changes = np.diff(series, axis=0)
        powers = np.linalg.svd(changes, compute_uv=False) ** 2
        usual = self._usual
        novel = -1.0
        if usual is not None:
            brighter = cv2.subtract(self._recent_max(window), usual[window])
            novel = float(np.count_nonzero(brighter[spots] > NOVEL)) / place.spots
        now = {
            "activity": float(self._activity[window][spots].mean()) / 255.0,
            "occupancy": float(self._occupancy[window][spots].mean()) / 255.0,
            "alike": float(powers[0] / max(1e-6, powers.sum())),
            "unexplained": self._unexplained(place, spots),
            "core": float(np.count_nonzero(red[rows, columns] >= CORE)) / len(rows),
            "settled": _settled(series),
            "foreign": self._foreign_share(place),
            "size": math.log2(place.spots),
            "rooted": float(np.count_nonzero(before[window][spots])) / place.spots,
            "novel": novel,
        }
        place.history.append(now)
        means = {k: sum(f[k] for f in place.history) / len(place.history) for k in now}
        place.features = {"age_s": place.age_s, **means}
        step = min(MOST_STEP, max(LEAST_STEP, STEP * (likelihood(place.features) - SURE)))
        if place.age_s < NEWBORN_S:  # what is measured on so little may be anything
            step = min(0.0, step)
        place.sum = min(MOST_SUM, max(0.0, place.sum + step))

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

    def _foreign_share(self, place: Place) -> float:
        """Of all change in and about a place, the share of what never has a flame's colour."""
        about = max(6, (place.right - place.left) // 2)
        window = (
            slice(max(0, place.top - about), place.bottom + about // 2),
            slice(max(0, place.left - about), place.right + about),
        )
        own, foreign = float(self._activity[window].sum()), float(self._foreign[window].sum())
        return foreign / (own + foreign + 1.0)

    # --- what is usual ---

    def _recent_max(self, window: tuple[slice, slice]) -> Gray:
        recent = list(self._greens)[-8:]
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
        self._waiting.append((t_s, _gray(cv2.dilate(self._brightest, _NEAR))))
        self._brightest = green.copy()
        while self._waiting and t_s - self._waiting[0][0] >= USUAL_AFTER_S:
            _, old = self._waiting.popleft()
            self._usual = old if self._usual is None else np.maximum(self._usual, old)
        if self._usual is not None and t_s - self._forgot_s >= 60.0:
            self._forgot_s = t_s
            self._usual -= np.minimum(self._usual, USUAL_FORGETS)


_NEAR = np.ones((2 * NEAR_PX + 1, 2 * NEAR_PX + 1), np.uint8)


def _coloured(blue: Gray, green: Gray, red: Gray) -> Gray:
    """Where a picture has a flame's colour, 255, and 0 elsewhere."""
    coloured = _above(red, LEAST_RED - 1) & _above(cv2.subtract(red, blue), LEAST_RED_OVER_BLUE - 1)
    coloured &= _gray(cv2.compare(green, red, cv2.CMP_LE))
    return coloured & ~_above(cv2.subtract(blue, green), MOST_BLUE_OVER_GREEN)


def _above(picture: MatLike, level: float) -> Gray:
    """255 where a picture is above `level`, and 0 elsewhere."""
    return _gray(cv2.threshold(picture, level, 255, cv2.THRESH_BINARY)[1])


def _gray(picture: MatLike) -> Gray:
    return np.asarray(picture, np.uint8)


def _in_this_light(before: Gray, now: Gray) -> Gray:
    """The picture before as the lamp would show it now, with its flicker and its bands.

    Row by row, because a camera reads its rows one after the other; and of the left, the
    middle and the right third the one that changed least, because light changes in all.
    """
    shape = (3, now.shape[0])
    means = [cv2.resize(g, shape, interpolation=cv2.INTER_AREA) + 1.0 for g in (now, before)]
    gains = means[0] / means[1] - 1.0
    least = np.take_along_axis(gains, np.abs(gains).argmin(axis=1)[:, None], axis=1)
    alike = (np.sign(gains) == np.sign(gains[:, :1])).all(axis=1)[:, None]
    gain = np.where(alike, least, 0.0)
    if float(np.abs(gain).max()) < LEAST_GAIN:
        return before
    return np.asarray(np.clip(before * (1.0 + gain), 0.0, 255.0), np.uint8)


def _settled(series: NDArray[np.float32]) -> float:
    """The share of pictures in which a spot has its most usual brightness, `(pictures, spots)`."""
    ranked = np.sort(series, axis=0)
    near = ranked[None, :, :] <= ranked[:, None, :] + CHANGE
    later = np.tri(len(ranked), dtype=bool).T[:, :, None]
    return float((near & later).sum(axis=1).max(axis=0).mean()) / len(ranked)


def _repeats(green: Gray, before: Gray) -> bool:
    """Whether a picture is the one before once more, as where a source makes up its rate."""
    return float(cv2.absdiff(green[::8, ::8].copy(), before[::8, ::8].copy()).mean()) < REPEATED


def _overlap(one: Place, other: Place) -> bool:
    wide = min(one.right, other.right) - max(one.left, other.left)
    high = min(one.bottom, other.bottom) - max(one.top, other.top)
    if wide <= 0 or high <= 0:
        return False
    smaller = min(
        (one.right - one.left) * (one.bottom - one.top),
        (other.right - other.left) * (other.bottom - other.top),
    )
    return wide * high > 0.3 * smaller


# The log-likelihood ratio of a flame is a first term and, for each measure, its weight times
# by how much the measure is above its floor, up to its ceiling: fitted (logistic regression,
# every recording with the same weight) to simulated scenes of even seeds and to half of the
# real clips (`tests/bench/fire_fit.py`); once for a view that is too young to know what is
# novel, once for one that isn't.
Weights = tuple[float, tuple[tuple[str, float, float, float], ...]]
_YOUNG: Weights = (
    -2.46,
    (
        ("age_s", 0, 3, -0.03),
        ("activity", 0.2, 0.5, -1.34),
        ("occupancy", 0.6, 1, -0.93),
        ("alike", 0.3, 0.95, -5.34),
        ("alike", 0.85, 1, -3.75),
        ("alike", 0.94, 1, -60.0),
        ("size", 3, 5, 1.50),
        ("unexplained", 0.2, 0.8, 6.44),
        ("core", 0, 0.4, 2.75),
        ("settled", 0.35, 0.7, -9.88),
        ("foreign", 0.1, 0.9, -4.05),
        ("size", 3, 9, 0.23),
        ("rooted", 0.3, 0.8, 0.02),
        ("rooted", 0, 0.3, -0.03),
        ("occupancy", 0.4, 0.6, 4.09),
    ),
)
_KNOWN: Weights = (
    -3.78,
    (
        ("age_s", 0, 3, 0.31),
        ("activity", 0.2, 0.5, -4.95),
        ("occupancy", 0.6, 1, -4.58),
        ("alike", 0.3, 0.95, -0.37),
        ("alike", 0.85, 1, -1.36),
        ("alike", 0.94, 1, -60.0),
        ("size", 3, 5, 1.50),
        ("unexplained", 0.2, 0.8, 4.73),
        ("core", 0, 0.4, 4.98),
        ("settled", 0.35, 0.7, -5.63),
        ("foreign", 0.1, 0.9, -6.03),
        ("size", 3, 9, 0.28),
        ("rooted", 0.3, 0.8, -0.14),
        ("rooted", 0, 0.3, 1.87),
        ("occupancy", 0.4, 0.6, -0.39),
        ("novel", 0, 0.5, 6.85),
    ),
)

# What one look adds to a place's evidence, at least and at most, and when it is told.
LEAST_STEP, MOST_STEP = -0.8, 0.8
MACHINE = 4.0  # of the log-likelihood ratio, against a flame
SURE = 0.6  # of the ratio: what is only a little likelier than not adds nothing
STEP = 0.25  # of the log-likelihood ratio: looks follow each other and are much alike
NEWBORN_S = 1.0
TOLD_SUM = 4.2
MOST_SUM = 18.0


def likelihood(features: Mapping[str, float]) -> float:
    """The log-likelihood ratio of a flame in one look, from `Place.features`."""
    total, weights = _KNOWN if features["novel"] >= 0.0 else _YOUNG
    for name, floor, ceiling, weight in weights:
        total += weight * (min(ceiling, max(floor, features[name])) - floor)
    # What moves there beside the flame-coloured, and what comes back to how it was, are a
    # machine's head over its part if both hold; so much else moves about no flame.
    other, rest = features["foreign"], features["settled"]
    total -= MACHINE * _between(other, 0.5, 0.7) * _between(rest, 0.48, 0.54)
    total -= MACHINE * _between(other, 0.74, 0.84)
    return total


def _between(value: float, none: float, full: float) -> float:
    """0 up to `none`, 1 from `full` on, straight between."""
    return min(1.0, max(0.0, (value - none) / (full - none)))
