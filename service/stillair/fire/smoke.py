"""Smoke: a veil before a scene that is otherwise as it was.

Theory of operation. Where smoke of transmission a hangs before a scene R, the picture is

    I = a R + c,   a < 1,  c > 0

with c the light that the smoke scatters. Light that changes instead, by lamp, sun, shadow
or the camera's exposure, multiplies: I = g R, and with it brightness and contrast change
alike. So the *share of contrast hidden* in a part of the picture is

    hidden = 1 - (slope of I's structure on R's) / (mean of I / mean of R)

which is 0 for every change of light, whatever its pattern, and about 1 - a for smoke about
as bright as what it hides. Structure is taken as differences between neighbouring pixels
of a picture that has been smoothed, so that a lens that hunts for focus changes little;
where I's structure is no longer R's (low correlation: something was moved, the part has
grown), nothing is said.

The picture is 16 x 12 cells. Once a second the median of the last two seconds stands for
the present, so that what merely passes leaves no trace, and is held against the same of
8, 30, 120, 600 and 1800 s ago: thin and slow smoke is not learned away. A veil is told
where, in a window of at least a tenth of the picture, the cells' mean is beyond what their
noise explains and nearly all of them agree, for some seconds, and not come about at a
stroke everywhere, as a camera's own tone curve does.

References
----------
Koschmieder, H. (1924). Theorie der horizontalen Sichtweite. Beitraege zur Physik der
freien Atmosphaere 12 (the law of contrast through haze).
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.fire.regions import Region, pixels_of

Gray = NDArray[np.uint8]
Floats = NDArray[np.float32]

CELLS = (16, 12)  # across, down
CELL_PX = 10
SIZE = (CELLS[0] * CELL_PX, CELLS[1] * CELL_PX)
SAMPLE_EVERY_S = 0.25
SAMPLES = 8
GAP_S = 1.0  # the eight have to be from about two seconds
JUDGE_EVERY_S = 1.0
AGES_S = (8.0, 30.0, 120.0, 600.0, 1800.0)
KEPT = ((1.0, 12), (5.0, 30), (60.0, 32))  # every so many seconds, so many
STILL_RANGE = 14.0  # of 255: a pixel that varied more within the two seconds isn't still
BLACK = 6.0  # of 255: what a camera may give for no light; taken off, dimmed light is no veil
DARKEST, BRIGHTEST = 16, 238  # of 255; beyond, the camera's ends hide contrast
FINE_PX, COARSE_PX = 1.0, 2.0  # by so much the two scales are smoothed (standard deviation)
NOISE_LEFT = 0.25  # of a pixel's noise, in a difference of smoothed neighbours
LEAST_PIXELS = 30  # of the 100 of a cell
LEAST_LIKENESS = 0.9
MOST_ERROR = 0.12  # of a cell's slope, standard error
MODEL_ERROR = 0.03  # what no model of a cell explains (vibration, codecs)
LEAST_HIDDEN = 0.05  # share of contrast
HIDDEN_STEP = 0.03
LEAST_STEP, MOST_STEP = -1.0, 1.5
TOLD_SUM = 3.0  # evidence at which the strength is a half
MOST_SUM = 12.0
LEAST_SIGMAS = 5.0
LEAST_AGREEING = 0.85
LEAST_SHARE = 0.08  # of the picture: cells in the window that can be compared
STROKE = 0.04  # of contrast or light, from one picture to the next and everywhere
LONGEST_S = 1800.0  # after so long what was held for smoke is the scene
WINDOWS = ((5, 4), (4, 5), (10, 2), (3, 7), (16, 12))  # cells across, down


@dataclass(frozen=True, slots=True)
class Still:
    """Two seconds of a scene: its median and where it stood still."""

    t_s: float
    fine: Floats
    coarse: Floats
    still: NDArray[np.bool_]
    noise: float
    tone: float = 1.0  # contrast by the camera's own curve, beside that of the first picture


@dataclass(frozen=True, slots=True)
class Veil:
    """What is hidden of the scene: by share of contrast and of the picture, and where."""

    hidden: float
    sigmas: float
    agreeing: float
    share: float
    everywhere: float
    age_s: float
    region: Region


class SmokeWatch:
    """Hold the picture against what it was; see the module.

    The evidence is a sum that grows or shrinks once a second, by how far the plainest veil
    is above `LEAST_HIDDEN`, in steps of `HIDDEN_STEP` between `LEAST_STEP` and `MOST_STEP`:
    a log-likelihood ratio with floor and ceiling, in a one-sided CUSUM (Page, E. S. (1954)
    Continuous inspection schemes, Biometrika 41).
    """

    def __init__(self, ignore: Sequence[Region] = ()) -> None:
        self._seen = np.ones((SIZE[1], SIZE[0]), bool)
        for region in ignore:
            self._seen[pixels_of(region, SIZE[1], SIZE[0])] = False
        self._sampled_s = -math.inf
        self._judged_s = -math.inf
        self._samples: deque[Gray] = deque(maxlen=SAMPLES)
        self._kept: tuple[deque[Still], ...] = tuple(deque(maxlen=n) for _, n in KEPT)
        self._tone = 1.0
        self._sum = 0.0
        self._since_s: float | None = None
        self._veil: Veil | None = None

    @property
    def strength(self) -> float:
        """How surely there is smoke, 0 to 1."""
        return 1.0 - math.exp2(-self._sum / TOLD_SUM)

    @property
    def since_s(self) -> float | None:
        """When what is held for smoke was first seen."""
        return self._since_s

    @property
    def veil(self) -> Veil | None:
        """The plainest veil of the last second."""
        return self._veil

    def begin_anew(self) -> None:
        """Forget the scene: the camera looks elsewhere."""
        self._samples.clear()
        for kept in self._kept:
            kept.clear()
        self._sum, self._since_s, self._veil = 0.0, None, None

    def pause(self) -> None:
        """The view is unfit: take nothing up of it."""
        self._samples.clear()

    def update(self, t_s: float, gray: Gray) -> bool:
        """Take the next picture, `(height, width) uint8`; whether it was judged."""
        if t_s - self._sampled_s < SAMPLE_EVERY_S - 1e-6:
            return False
        if t_s - self._sampled_s > GAP_S:
            self._samples.clear()
        self._sampled_s = t_s
        self._take(np.asarray(cv2.resize(gray, SIZE, interpolation=cv2.INTER_AREA), np.uint8))
        if t_s - self._judged_s < JUDGE_EVERY_S - 1e-6 or len(self._samples) < SAMPLES:
            return False
        self._judged_s = t_s
        now = self._present(t_s)
        # while smoke is suspected the picture is held against what was before it
        before_s = t_s if self._since_s is None else self._since_s
        references = self._references(before_s)
        veils = [veil for old in references if (veil := _veil_between(now, old)) is not None]
        self._judge(t_s, veils)
        self._keep(t_s, now)
        return True

    def _judge(self, t_s: float, veils: list[Veil]) -> None:
        self._veil = max(veils, key=_step, default=None)
        step = LEAST_STEP if self._veil is None else _step(self._veil)
        self._sum = min(MOST_SUM, max(0.0, self._sum + step))
        if self._sum == 0.0:
            self._since_s = None
        elif self._since_s is None:
            self._since_s = t_s

    def _keep(self, t_s: float, now: Still) -> None:
        """A scene that may have smoke in it is no reference, or thin smoke would be learned."""
        if self._since_s is not None and t_s - self._since_s < LONGEST_S:
            return
        if self._since_s is not None:
            self.begin_anew()
        for (every_s, _), kept in zip(KEPT, self._kept, strict=True):
            if not kept or t_s - kept[-1].t_s >= every_s - 1e-6:
                kept.append(now)

    def _present(self, t_s: float) -> Still:
        stack = np.stack(self._samples)
        stack.sort(axis=0)
        middle = 0.5 * (stack[3].astype(np.float32) + stack[4])
        spread = stack[-2].astype(np.float32) - stack[1]
        noise = float(np.median(spread)) / 2.0 + 0.3
        fine, coarse = (_smoothed(middle, px) for px in (FINE_PX, COARSE_PX))
        good = (spread < STILL_RANGE + 3.0 * noise) & (middle > DARKEST) & (middle < BRIGHTEST)
        still = (cv2.erode(good.astype(np.uint8), _AROUND) > 0) & self._seen
        return Still(t_s, fine, coarse, still, noise, self._tone)

    def _take(self, sample: Gray) -> None:
        """Keep a picture; what changed at a stroke in all of it begins the two seconds anew."""
        if self._samples:
            before = self._samples[-1]
            brighter = (float(sample.mean()) + 1.0) / (float(before.mean()) + 1.0)
            lost = _stroke(sample, before)
            if lost or abs(brighter - 1.0) > STROKE:
                self._tone *= 1.0 - lost
                self._samples.clear()
        self._samples.append(sample)

    def _references(self, t_s: float) -> list[Still]:
        """The newest picture of each age and older."""
        found: list[Still] = []
        every = [still for kept in self._kept for still in kept]
        for age_s in AGES_S:
            old = [s for s in every if t_s - s.t_s >= age_s - 0.5]
            if old:
                newest = max(old, key=lambda s: s.t_s)
                if all(newest is not f for f in found):
                    found.append(newest)
        return found


def _step(veil: Veil) -> float:
    """What a veil adds to the evidence in a second."""
    if veil.sigmas < LEAST_SIGMAS or veil.agreeing < LEAST_AGREEING or veil.share < LEAST_SHARE:
        return LEAST_STEP
    return min(MOST_STEP, max(LEAST_STEP, (veil.hidden - LEAST_HIDDEN) / HIDDEN_STEP))


def _stroke(now: Gray, before: Gray) -> float:
    """What all of the picture lost of its contrast from one picture to the next; 0: nothing.

    Smoke takes seconds; a camera that draws another tone curve does it at once.
    """
    hidden, weight = _hidden(_at_once(now), _at_once(before))
    if np.count_nonzero(weight) < 0.2 * CELLS[0] * CELLS[1]:
        return 0.0
    mean = float((weight * hidden).sum() / weight.sum())
    alike = float(weight[np.abs(hidden - mean) < 0.5 * abs(mean)].sum() / weight.sum())
    return mean if abs(mean) > STROKE and alike > LEAST_AGREEING else 0.0


def _at_once(picture: Gray) -> Still:
    """A single picture as `Still`, at the coarse scale alone."""
    smooth = _smoothed(picture.astype(np.float32), COARSE_PX)
    return Still(0.0, smooth, smooth, (picture > DARKEST) & (picture < BRIGHTEST), 1.0)


def _smoothed(picture: Floats, px: float) -> Floats:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), px), np.float32)


def _veil_between(now: Still, old: Still) -> Veil | None:
    """The plainest veil in `now` that `old` doesn't have; None where nothing can be compared."""
    hidden, weight = _hidden(now, old)
    total = float(weight.sum())
    if total <= 0.0:
        return None
    everywhere = float((weight * hidden).sum() / total)
    best: Veil | None = None
    sums = [
        np.asarray(cv2.integral(a.astype(np.float64)), np.float64)
        for a in (weight, weight * hidden)
    ]
    for wide, high in WINDOWS:
        w, wh = (_boxes(s, wide, high) for s in sums)
        with np.errstate(invalid="ignore", divide="ignore"):
            means = np.where(w > 0, wh / w, 0.0)
            scores = means * np.sqrt(w)
        row, column = np.unravel_index(int(np.argmax(scores)), scores.shape)
        mean, sigmas = float(means[row, column]), float(scores[row, column])
        cells = (slice(row, row + high), slice(column, column + wide))
        there = weight[cells]
        agreeing = float((there * (hidden[cells] > 0.5 * mean)).sum() / max(there.sum(), 1e-9))
        informed = float(np.count_nonzero(there)) / (CELLS[0] * CELLS[1])
        veil = Veil(
            mean,
            sigmas,
            agreeing,
            informed,
            everywhere,
            now.t_s - old.t_s,
            (
                column / CELLS[0],
                row / CELLS[1],
                (column + wide) / CELLS[0],
                (row + high) / CELLS[1],
            ),
        )
        if best is None or veil.sigmas > best.sigmas:
            best = veil
    return best


def _hidden(now: Still, old: Still) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """By cell: the share of contrast hidden, and its weight, 0 where nothing can be said.

    A lens out of focus takes more of the fine structure than of the coarse, a veil takes as
    much of both: so what the fine has lost beyond the coarse is taken off.
    """
    valid = (now.still & old.still).astype(np.float32)
    coarse, weight = _compare(now, old, now.coarse, old.coarse, valid)
    if now.fine is now.coarse:
        return coarse, weight
    fine, known = _compare(now, old, now.fine, old.fine, valid)
    blurred = np.where(known > 0, np.maximum(0.0, fine - coarse), 0.0)
    return coarse - blurred, weight


def _compare(
    now: Still, old: Still, picture: Floats, reference: Floats, valid: Floats
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """By cell: the share of contrast hidden at one scale, and its weight."""
    across_now, down_now = _differences(picture)
    across_old, down_old = _differences(reference)
    product = _cells(valid * (across_now * across_old + down_now * down_old))
    own = _cells(valid * (across_old**2 + down_old**2))
    theirs = _cells(valid * (across_now**2 + down_now**2))
    count = _cells(valid)
    bias = 2.0 * count * (NOISE_LEFT * old.noise) ** 2
    bias_now = 2.0 * count * (NOISE_LEFT * now.noise) ** 2
    structure = np.maximum(own - bias, 1e-6)
    slope = product / structure
    likeness = product / np.sqrt(structure * np.maximum(theirs - bias_now, 1e-6))
    error = math.sqrt(2.0) * NOISE_LEFT * math.hypot(now.noise, old.noise) / np.sqrt(structure)
    enough = np.maximum(count, 1e-6)
    mean_now = _cells(valid * picture) / enough
    mean_old = _cells(valid * reference) / enough
    known = (count >= LEAST_PIXELS) & (likeness >= LEAST_LIKENESS) & (error <= MOST_ERROR)
    known &= theirs > 3.0 * bias_now  # else there is no structure left to know the scene by
    known &= np.minimum(mean_now, mean_old) > DARKEST
    brighter = (mean_now - BLACK) / np.maximum(mean_old - BLACK, 1.0) * now.tone / old.tone
    hidden = np.clip(1.0 - slope / np.maximum(brighter, 1e-3), -0.5, 1.0)
    weight = 1.0 / (error**2 + MODEL_ERROR**2)
    return np.where(known, hidden, 0.0), np.where(known, weight, 0.0)


def _differences(picture: Floats) -> tuple[Floats, Floats]:
    across = np.zeros_like(picture)
    down = np.zeros_like(picture)
    across[:, 1:-1] = picture[:, 2:] - picture[:, :-2]
    down[1:-1] = picture[2:] - picture[:-2]
    return across, down


def _cells(picture: Floats) -> NDArray[np.float64]:
    """Sums over each cell."""
    sums = cv2.resize(picture, CELLS, interpolation=cv2.INTER_AREA)
    return np.asarray(sums, np.float64) * (CELL_PX * CELL_PX)


def _boxes(integral: NDArray[np.float64], wide: int, high: int) -> NDArray[np.float64]:
    """Sums over every window of so many cells."""
    return (
        integral[high:, wide:]
        - integral[:-high, wide:]
        - integral[high:, :-wide]
        + integral[:-high, :-wide]
    )


_AROUND = np.ones((5, 5), np.uint8)
