"""What a view is worth: the smallest flame and thinnest smoke that it could show, and its faults.

A test for who sets a camera up, of some seconds of pictures in which nothing burns; no part
of the watch. It foretells what `flame` and `smoke` would do from what they need of a picture;
`tests/bench/fire_fitness.py` burns in simulated views what is foretold, and counts. Who
changes those two runs it, and sets `TOLD_PLACES` and `MEASURED` anew by its even seeds.

Smallest flame. A place is followed from `LEAST_SPOTS` spots on which change, from one picture
to the next, by more than `CHANGE`. A flame w pixels wide has about 2.2 w^2 such spots, so

    width = sqrt(TOLD_PLACES * LEAST_SPOTS / 2.2) / (width of the picture in pixels)

with `TOLD_PLACES` because evidence on so few spots isn't enough: most are told that are so
many times as large. Fewer than `FULL_RATE` pictures a second show less of how a flame lives:
it has to have as many times more spots as the rate is short of that. Where the picture is
within `CHANGE` of white a flame can't change it: the rest is the share in which it is seen.

Thinnest smoke. Smoke is seen by the contrast that it hides. How well the contrast of a cell, a
sixteenth by a twelfth of the picture, is known follows from the structure in it: with a standard
error of

    e = 2 * (noise of two smoothed neighbours) / sqrt(sum of the structure's squares)

A cell tells nothing where e is more than `MOST_ERROR`; else it is weighed by
1 / (e^2 + MODEL_ERROR^2). Over a window of a tenth of the picture smoke can be told that hides
at least the greatest of

    LEAST_HIDDEN                                    what comes and goes without any smoke
    LEAST_SIGMAS / sqrt(sum of weights)             it stands out from the noise
    2 * 1.04 * sqrt(e^2 / 4 + MODEL_ERROR^2)        85 % of the cells show half of it

the last with e^2 weighted as the cells are, and a quarter of it because the median of two
seconds, which is compared, has about half the noise of a picture (1.04: of a normal distribution
85 % are above the mean less 1.04 standard deviations). All of it by `MEASURED`: of such veils 8
in 10 are told, and 4 in 10 of those that hide 0.6 of it. What is said is the median over all
windows in which enough cells have a weight, and which share of all windows those are: nobody
knows where it will smoke. It is for smoke that lies evenly over at least one window, and is about
as bright as what it hides; black smoke takes light and contrast alike, and shows later, pale
smoke before black sooner.

Sharpness is judged as by the watch, of out-of-focus views by `edges`, but at once.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.fire import flame
from stillair.fire.compared import BRIGHTEST, DARKEST, LEAST_PIXELS, MODEL_ERROR, NOISE_LEFT
from stillair.fire.detail import detail_of
from stillair.fire.edges import SOFT, edges, is_soft
from stillair.fire.grid import SIZE, middle, middles, slopes, smoothed, sums
from stillair.fire.light import FLICKER_FROM, cell_sums
from stillair.fire.veil import COARSE_PX, FINE_PX, SAMPLE_EVERY_S, SAMPLES
from stillair.fire.view import ViewCheck
from stillair.model import CameraCondition

C = CameraCondition
Gray = NDArray[np.uint8]

LOOK_S = 4.5  # a picture that stands still is known as such after 4 s
SEEN_S = 2.0  # what all looks of so long have seen is told, though the watch waits longer

SPOTS_PER_SQUARE = 2.2  # active spots of a flame, by the square of its width in pixels
TOLD_PLACES = 36.0
FULL_RATE = 12.0  # pictures a second
LEAST_RATE = 1.0 / flame.GAP_S  # fewer show no flame at all

STILL_RANGE = 14.0  # of 255: a pixel that varies more within two seconds isn't still
MOST_ERROR = 0.12
WINDOWS = ((5, 4), (4, 5), (10, 2), (3, 7))  # cells across, down: a tenth of the picture
LEAST_CELLS = 0.08  # of the picture, in a window
LEAST_HIDDEN = 0.05
LEAST_SIGMAS = 5.0
LOW_MOST = 1.04  # standard deviations: 85 % of a normal distribution are above less of them
MEASURED = 0.3  # of what is hidden: so much less than that most of what is foretold is told

ENOUGH_RATE = 8.0
MOST_BLACK, MOST_WHITE, MOST_GLARE = 0.6, 0.6, 0.2  # shares of the picture
LEAST_PLACES = 0.4  # share of those in which smoke would be told
LESS_NOISE = 0.4  # of what it is, with a good lamp
LEAST_NOISE, LEAST_FINE = 4.0, 1.0  # of 255: so much noise may hide so much that is there
SMALL_WIDTH, SMALL_HEIGHT = 280, 210  # a smaller picture shows only large flames

CLEAR_STEP = 16.0  # of 255: the median part of an unsharp scene, not of a hand before the lens


class Fault(StrEnum):
    """What ails a view, in the order in which it is to be mended."""

    FROZEN = "frozen"
    SLOW = "slow"
    DARK = "dark"
    WHITE = "white"
    GLARE = "glare"
    FLICKER = "flicker"
    COVERED = "covered"
    MOVED = "moved"
    BLUR = "blur"
    NOISE = "noise"
    BARE = "bare"
    SMALL = "small"


@dataclass(frozen=True, slots=True)
class Fitness:
    """What some seconds of pictures were like, and what such pictures could show.

    Attributes
    ----------
    frames_per_s, size : how fast the pictures came, and how large they are (width, height)
    brightness : mean, 0 to 1
    black_share, white_share : of the picture, too dark and too bright to tell anything apart
    flicker : root mean square of the light's swing, as a share of it
    sharpness : ratio of fine to coarser structure; None where there is too little to tell
    edge_width : of the sharpest parts' edges, share of the picture's width; None likewise
    noise : standard deviation of a pixel at 160x120, of 255
    texture : share of the cells with enough structure above the noise to see smoke by
    condition, reason : what the watch says of the view, or would a little later
    flame_width : the smallest flame, share of the picture's width; None: none would be told
    flame_share : share of the picture that is not too bright for it
    smoke_hidden : the thinnest smoke over a tenth, share of contrast; None: none would be told
    smoke_share : of the places for a tenth of the picture, those where it would be told
    faults : what to mend, first things first
    """

    frames_per_s: float
    size: tuple[int, int]
    brightness: float
    black_share: float
    white_share: float
    flicker: float
    sharpness: float | None
    edge_width: float | None
    noise: float
    texture: float
    condition: CameraCondition
    reason: str
    flame_width: float | None
    flame_share: float
    smoke_hidden: float | None
    smoke_share: float
    faults: tuple[Fault, ...]


class ViewTest:
    """Look at the pictures of some seconds, about `LOOK_S`; say what the view is worth.

    Parameters
    ----------
    own_pace : bool
        Whether the pictures come as fast as the camera gives them. If not, as from a
        simulated one, few pictures are no fault, and foretell as much as enough of them.
    """

    def __init__(self, *, own_pace: bool = True) -> None:
        self._own_pace = own_pace
        self._check = ViewCheck()
        self._condition: tuple[CameraCondition, str] = (C.FIT, "")
        self._times_s: list[float] = []
        self._cells: list[NDArray[np.float32]] = []
        self._samples: deque[Gray] = deque(maxlen=SAMPLES)
        self._sampled_s = -math.inf
        self._last: Gray | None = None
        self._sharpness: float | None = None
        self._unfit_s: float | None = None  # since when no look was fit

    @property
    def pictures(self) -> int:
        """How many pictures it has seen."""
        return len(self._times_s)

    def update(self, t_s: float, picture: NDArray[np.uint8]) -> None:
        """Take the next picture, `(height, width, 3) uint8, BGR`, at most 320x240."""
        gray = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), np.uint8)
        self._condition = self._check.update(t_s, gray)
        if self._check.seen[0] is C.FIT:
            self._unfit_s = None
        elif self._unfit_s is None:
            self._unfit_s = t_s
        if self._last is not None and gray.shape == self._last.shape:
            detail = detail_of(gray, self._last)
            self._sharpness = detail.sharpness(detail.visible())
        elif self._last is not None:
            self._cells.clear()
            self._samples.clear()
            self._sampled_s = -math.inf
        self._last = gray
        self._times_s.append(t_s)
        light = cell_sums(gray)
        self._cells.append((light * (light.size / gray.size)).astype(np.float32))
        if t_s - self._sampled_s >= SAMPLE_EVERY_S - 1e-6:
            self._sampled_s = t_s
            small = cv2.resize(gray, SIZE, interpolation=cv2.INTER_AREA)
            self._samples.append(np.asarray(small, np.uint8))

    def result(self) -> Fitness:
        """What the pictures were worth. Raises `ValueError` before the first."""
        if self._last is None:
            raise ValueError("no picture was looked at")
        high, wide = self._last.shape
        seconds = self._times_s[-1] - self._times_s[0]
        rate = (self.pictures - 1) / seconds if seconds > 0.0 else 0.0
        foretold_rate = rate if self._own_pace else max(rate, ENOUGH_RATE)
        scene = _Scene(self._samples)
        errors = scene.errors(1.0)
        edge, step = edges(scene.middle, scene.noise)
        slow = self._condition[0] is C.SLOW
        condition, reason = self._judged()
        unsharp = condition in (C.FIT, C.SLOW) or (condition is C.COVERED and step >= CLEAR_STEP)
        if is_soft(edge, wide) and unsharp:
            condition, reason = C.OUT_OF_FOCUS, SOFT
        blind = condition not in (C.FIT, C.SLOW)
        hidden, share = (None, 0.0) if blind else thinnest_smoke(errors)
        fitness = Fitness(
            frames_per_s=rate,
            size=(wide, high),
            brightness=float(scene.middle.mean()) / 255.0,
            black_share=float(np.mean(scene.middle <= DARKEST)),
            white_share=float(np.mean(scene.middle >= BRIGHTEST)),
            flicker=_swing(self._cells),
            sharpness=self._sharpness,
            edge_width=edge,
            noise=scene.noise,
            texture=float(np.mean(np.isfinite(errors))),
            condition=condition,
            reason=reason,
            flame_width=None if blind else smallest_flame(foretold_rate, wide),
            flame_share=float(np.mean(scene.middle <= 255.0 - flame.CHANGE)),
            smoke_hidden=hidden,
            smoke_share=share,
            faults=(),
        )
        faults = _faults(fitness, scene.lacks(condition), slow, own_pace=self._own_pace)
        return replace(fitness, faults=tuple(faults))

    def _judged(self) -> tuple[CameraCondition, str]:
        """What the watch says, or sees and is about to say."""
        lasted = self._unfit_s is not None and self._times_s[-1] - self._unfit_s >= SEEN_S
        if self._condition[0] in (C.FIT, C.SLOW) and lasted:
            return self._check.seen
        if self._condition[0] is C.SLOW and not self._own_pace:
            return C.FIT, ""
        return self._condition


def smallest_flame(frames_per_s: float, width_px: int) -> float | None:
    """The width of the smallest flame that is mostly told, as a share of the picture's."""
    if frames_per_s < LEAST_RATE:
        return None
    short = max(1.0, FULL_RATE / frames_per_s)
    spots = TOLD_PLACES * flame.LEAST_SPOTS * short
    width = math.sqrt(spots / SPOTS_PER_SQUARE) / width_px
    return width if width < 1.0 else None


def thinnest_smoke(errors: NDArray[np.float64]) -> tuple[float | None, float]:
    """The least share of contrast that is told where it is hidden over a tenth of the picture.

    With it the share of places for such a tenth in which it is told. `errors` are those of
    the cells, `(12, 16)`, infinite where a cell tells nothing; see the module.
    """
    known = np.isfinite(errors)
    weights = np.where(known, 1.0 / (errors**2 + MODEL_ERROR**2), 0.0)
    squares = np.where(known, errors, 0.0) ** 2 * weights
    told: list[float] = []
    places = 0
    for wide, high in WINDOWS:
        cells, total, spread = (_window_sums(p, wide, high) for p in (known, weights, squares))
        places += total.size
        enough = cells >= LEAST_CELLS * errors.size
        stands_out = LEAST_SIGMAS / np.sqrt(total[enough])
        cell = np.sqrt(0.25 * spread[enough] / total[enough] + MODEL_ERROR**2)
        agrees = 2.0 * LOW_MOST * cell
        told += (np.maximum(LEAST_HIDDEN, np.maximum(stands_out, agrees)) / MEASURED).tolist()
    return (statistics.median(told) if told else None), len(told) / places


def _window_sums(
    plane: NDArray[np.bool_] | NDArray[np.float64], wide: int, high: int
) -> NDArray[np.float64]:
    windows = np.lib.stride_tricks.sliding_window_view(plane, (high, wide))
    return np.asarray(windows.sum(axis=(2, 3)), np.float64)


class _Scene:
    """The last two seconds at 160x120."""

    def __init__(self, samples: Sequence[Gray]) -> None:
        self._stack = np.stack(samples).astype(np.float32)
        stack = np.sort(self._stack, axis=0)
        self.middle: NDArray[np.float32] = middles(stack, 0)[0]
        low, high = (1, -2) if len(stack) >= SAMPLES else (0, -1)
        spread = stack[high] - stack[low]
        self.noise = middle(spread) / 2.0
        noise = self.noise + 0.3  # rounding
        still = (spread < STILL_RANGE + 3.0 * noise) & (self.middle > DARKEST)
        still &= self.middle < BRIGHTEST
        around = np.ones((5, 5), np.uint8)
        valid = np.asarray(cv2.erode(still.astype(np.float32), around), np.float32)
        across, down = slopes(smoothed(self.middle, COARSE_PX))
        self._count = sums(valid)
        self._structure = sums(valid * (across**2 + down**2))
        self._level = sums(valid * self.middle) / np.maximum(self._count, 1e-6)

    def errors(self, noise_share: float) -> NDArray[np.float64]:
        """Each cell's standard error, if the noise were this share of what it is; else inf."""
        noise = NOISE_LEFT * (noise_share * self.noise + 0.3)
        bias = 2.0 * self._count * noise**2
        error = 2.0 * noise / np.sqrt(np.maximum(self._structure - bias, 1e-6))
        known = (self._count >= LEAST_PIXELS) & (error <= MOST_ERROR)
        known &= (self._structure > 3.0 * bias) & (self._level > DARKEST)
        return np.where(known, error, np.inf)

    def lacks(self, condition: CameraCondition) -> Fault:
        """What keeps it from showing detail: noise, a bare place, or what covers the lens."""
        if condition is not C.COVERED:
            _, share = thinnest_smoke(self.errors(LESS_NOISE))
            return Fault.NOISE if share >= LEAST_PLACES else Fault.BARE
        if self._fine() < LEAST_FINE:  # light falls off slowly through a hand, but has no detail
            return Fault.COVERED
        return Fault.NOISE if self.noise >= LEAST_NOISE else Fault.BARE

    def _fine(self) -> float:
        """The standard deviation of the fine structure that two halves of the pictures share."""
        if len(self._stack) < 2:
            return 0.0
        halves = [np.asarray(self._stack[n::2].mean(axis=0), np.float32) for n in (0, 1)]
        one, other = (smoothed(h, FINE_PX) - smoothed(h, 4.0 * FINE_PX) for h in halves)
        return math.sqrt(max(0.0, float(np.mean(one * other))))


def _swing(cells: Sequence[NDArray[np.float32]]) -> float:
    """How much the light swings, row by row because a camera reads them one after the other."""
    if len(cells) < 2:
        return 0.0
    stack = np.stack(cells)
    means = stack.mean(axis=0)
    swing = middles(stack / np.maximum(means, 1.0) - 1.0, 2)[:, :, 0]
    return float(np.sqrt(np.square(swing - swing.mean(axis=0)).mean()))


def _faults(of: Fitness, lacks: Fault, slow: bool, *, own_pace: bool) -> Iterator[Fault]:
    """What is to be mended. What hides everything else is told alone.

    `lacks`: why there is little to see, if there is. Of a few pictures (`slow`) noise and
    movement can't be told apart.
    """
    if of.condition in (C.FROZEN, C.TOO_SMALL):
        yield Fault.FROZEN if of.condition is C.FROZEN else Fault.SMALL
        return
    if own_pace and (slow or of.frames_per_s < ENOUGH_RATE):
        yield Fault.SLOW
    if of.condition is C.DARK or of.black_share > MOST_BLACK:
        yield Fault.DARK
        return
    if of.condition is C.WASHED_OUT or of.white_share > MOST_WHITE:
        yield Fault.WHITE
        return
    glare = of.white_share > MOST_GLARE
    if glare:
        yield Fault.GLARE
    if of.condition is C.FLICKERING or of.flicker >= FLICKER_FROM:
        yield Fault.FLICKER
    if of.condition is C.COVERED:
        yield lacks
    elif of.condition is C.MOVED:
        yield Fault.MOVED
    elif of.condition is C.OUT_OF_FOCUS:
        yield Fault.BLUR
    elif of.smoke_share < LEAST_PLACES and not (slow or glare or of.condition is not C.FIT):
        yield lacks
    if of.size[0] < SMALL_WIDTH and of.size[1] < SMALL_HEIGHT:
        yield Fault.SMALL
