"""How sharp a view's sharpest edges are: out of focus is told by it where no detail is left.

`ViewCheck` knows a view out of focus by how little fine structure there is beside coarser; of
a blur so strong that it leaves neither, noise and rounding are all that it sees. So the
steepest edge of each of 60 parts (without the top and bottom, where cameras write) is measured
as well: the difference of brightness within some 30 pixels of 160, slow shading taken out, by
the slope. Of the sharpest 15 % of the parts the widest edge says how sharp a view can be: a
plain box has few edges, but those are. Of 160 pixels it was 2.7 to 3.5 in 42 real and 56
simulated views, noisy and dim ones among them, and 4.9 or more with a blur of 4 of 320 pixels
(standard deviation); `tests/unit/test_fitness.py` has cases.

Who sets a camera up and the watch ask the same question; the watch waits longer for its answer,
because somebody may just stand before the lens.
"""

from __future__ import annotations

import math
from collections import deque

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.fire.grid import SIZE, middle, ranked, reached, slopes, smoothed

Gray = NDArray[np.uint8]
Plane = NDArray[np.float32]

SMOOTHED_PX, BAND_PX = 0.8, 12.0  # of 160
WINDOW_PX = 31  # within which an edge has its two sides
LEAST_STEP, STEP_BY_NOISE = 6.0, 4.0  # of 255, and times the noise: a fainter edge isn't measured
LEAST_EDGES = 8  # of 60 parts of the picture
SHARPEST = 0.15  # of those parts: so many may be sharp by other means, as what a camera writes in
WIDE_EDGE = 5.0 / 160.0  # of the picture's width, or of 160 pixels where it has fewer

SAMPLE_EVERY_S, SAMPLES = 0.5, 5  # two seconds, of which the median is looked at
LOOK_EVERY_S = 2.0
TOLD_AFTER_S = 10.0
SOFT = "even its sharpest edges are wide"


def edges(plane: Plane, noise: float) -> tuple[float | None, float]:
    """How wide edges are in the sharpest parts, of its width, and the median part's contrast.

    `plane` is the median of some pictures, `(120, 160) float32`, and `noise` the standard
    deviation of a pixel. The width is None where fewer than `LEAST_EDGES` parts have an edge.
    """
    light = smoothed(plane, SMOOTHED_PX)
    light = light - smoothed(light, BAND_PX)
    around = np.ones((WINDOW_PX, WINDOW_PX), np.uint8)
    step = np.asarray(cv2.dilate(light, around) - cv2.erode(light, around), np.float32)
    slope = np.asarray(0.5 * np.hypot(*slopes(light)), np.float32)
    steepest = _parts(slope).argmax(axis=1)[:, None]
    steps = np.take_along_axis(_parts(step), steepest, axis=1)
    widths = steps / np.maximum(np.take_along_axis(_parts(slope), steepest, axis=1), 1e-3)
    measured = steps >= max(LEAST_STEP, STEP_BY_NOISE * noise)
    contrast = middle(steps)
    if measured.sum() < LEAST_EDGES:
        return None, contrast
    return reached(widths[measured], SHARPEST) / SIZE[0], contrast


def is_soft(edge: float | None, width_px: int) -> bool:
    """Whether a picture so many pixels wide, with such edges, is out of focus."""
    return edge is not None and edge >= WIDE_EDGE * max(1.0, SIZE[0] / width_px)


class Softness:
    """Tell since when even the sharpest edges of a view have been wide."""

    def __init__(self) -> None:
        self._samples: deque[Gray] = deque(maxlen=SAMPLES)
        self._sampled_s = -math.inf
        self._looked_s = -math.inf
        self._since_s: float | None = None

    def update(self, t_s: float, gray: Gray, *, fit: bool) -> float | None:
        """Take the next picture, `(height, width) uint8`; `fit`: nothing else ails the view.

        Since when it has been out of focus, once it has been for `TOLD_AFTER_S`; else None.
        """
        if not fit:
            self._samples.clear()
            self._since_s = None
            return None
        if t_s - self._sampled_s >= SAMPLE_EVERY_S - 1e-6:
            self._sampled_s = t_s
            small = cv2.resize(gray, SIZE, interpolation=cv2.INTER_AREA)
            self._samples.append(np.asarray(small, np.uint8))
            if len(self._samples) == SAMPLES and t_s - self._looked_s >= LOOK_EVERY_S:
                self._looked_s = t_s
                self._look(t_s, gray.shape[1])
        lasted = self._since_s is not None and t_s - self._since_s >= TOLD_AFTER_S
        return self._since_s if lasted else None

    def _look(self, t_s: float, width_px: int) -> None:
        planes = [plane.astype(np.float32) for plane in ranked(self._samples)]
        edge, _ = edges(planes[SAMPLES // 2], middle(planes[-1] - planes[0]) / 2.0)
        if not is_soft(edge, width_px):
            self._since_s = None
        elif self._since_s is None:
            self._since_s = t_s


def _parts(plane: Plane) -> Plane:
    """The pixels of each of 10x6 parts, `(60, 240)`, without the top and the bottom eighth."""
    high, wide = plane.shape[0] // 8, plane.shape[1] // 10
    middle = plane[high:-high].reshape(6, high, 10, wide)
    return middle.transpose(0, 2, 1, 3).reshape(60, high * wide)
