"""How much a picture shows, and how sharply: the structure that smoke would veil.

Structure is what differs within some 10 to 20 of 320 pixels, because that doesn't change
with the lamp: the light may fall slowly across a wall, but an edge stays an edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.fire.grid import middle

Gray = NDArray[np.uint8]
Plane = NDArray[np.float32]

COARSE_WIDTH = 80  # of the picture in which structure is looked for
BLOCKS_WIDE, BLOCKS_HIGH = 10, 8
STRUCTURE_VARIANCE = 1.0  # of 255 squared, in a block, from which on there is something to be seen
ABOVE_NOISE = 6.0  # so many times the noise's own variance, at least

_SQUARED_MEDIAN = 0.455  # of a normal distribution's square, in variances


@dataclass(frozen=True, slots=True)
class Detail:
    """What one picture shows, block by block: `(8, 10) float32` over the whole picture.

    Attributes
    ----------
    coarse : the picture, 80 wide
    structure : what is finer than 8 and coarser than 4 of 320 pixels, 80 wide
    variance : of `structure`, in each block, of 255 squared
    noise : variance that the sensor's noise alone gives there
    fine_ratio : how much finer detail stands beside it, as a ratio of variances
    level : mean brightness of the blocks, 0 to 255
    """

    coarse: Plane
    structure: Plane
    variance: Plane
    noise: float
    fine_ratio: Plane
    level: Plane

    def visible(self, dimming: float = 1.0) -> NDArray[np.bool_]:
        """The blocks that show something, `(8, 10) bool`.

        `dimming`: how bright it is beside the picture to be compared with, so that a lamp
        that is dimmed takes nothing away that stands above the noise.
        """
        least = STRUCTURE_VARIANCE * min(1.0, dimming) ** 2
        return self.variance >= max(least, ABOVE_NOISE * self.noise, 0.05)

    def sharpness(self, where: NDArray[np.bool_]) -> float | None:
        """The median ratio of finer to coarser structure there; None where there is too little."""
        return middle(self.fine_ratio[where]) if where.sum() >= 3 else None

    @property
    def brightness(self) -> float:
        return float(self.level.mean())


def detail_of(gray: Gray, before: Gray | None) -> Detail:
    """Measure a picture; `before` is the one that came just before it, for the noise.

    Two bands of a pyramid: the structure, with periods of some 16 to 32 of 320 pixels, and
    what is half as large. The noise in each is taken from the difference between the two
    pictures, by its median, so that what moves doesn't count.
    """
    fine, structure, coarse = _bands(gray)
    fine_noise, noise = 0.0, 0.0
    if before is not None and before.shape == gray.shape:
        fine_before, structure_before, _ = _bands(before)
        fine_noise = _noise(fine - fine_before)
        noise = _noise(structure - structure_before)
    variance = block_means(structure * structure)
    finer = np.maximum(block_means(fine * fine) - fine_noise, 0.0)
    fine_ratio = finer / np.maximum(variance - noise, 0.01)
    return Detail(coarse, structure, variance, noise, fine_ratio, block_means(coarse))


def block_means(plane: Plane) -> Plane:
    """The mean of each of the 10x8 blocks, `(8, 10) float32`."""
    return _resized(plane, BLOCKS_WIDE, BLOCKS_HIGH)


def _bands(gray: Gray) -> tuple[Plane, Plane, Plane]:
    high, wide = gray.shape
    rows = max(8, round(COARSE_WIDTH * high / wide))
    half = _resized(gray, 2 * COARSE_WIDTH, 2 * rows)
    coarse = _resized(half, COARSE_WIDTH, rows)
    coarsest = _resized(coarse, COARSE_WIDTH // 2, max(1, rows // 2))
    return half - _enlarged(coarse, half), coarse - _enlarged(coarsest, coarse), coarse


def _noise(difference: Plane) -> float:
    return middle(np.square(difference)) / _SQUARED_MEDIAN / 2.0


def _resized(plane: Gray | Plane, wide: int, high: int) -> Plane:
    smaller = cv2.resize(plane, (wide, high), interpolation=cv2.INTER_AREA)
    return np.asarray(smaller, np.float32)


def _enlarged(plane: Plane, like: Plane) -> Plane:
    high, wide = like.shape
    return np.asarray(cv2.resize(plane, (wide, high), interpolation=cv2.INTER_LINEAR), np.float32)
