"""Whether the picture still shows the scene that it showed before.

The scene is remembered as the structure that stays: what moves to and fro wears away in
the mean, and where it often shows something else it is no landmark. So a moving tool head,
a moving bed and passers-by are no part of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.fire.detail import STRUCTURE_VARIANCE, Detail, Plane, block_means
from stillair.fire.grid import middle
from stillair.fire.light import WHITE_LEVEL

LEARNING_S = 120.0  # the scene follows what changes in it with this time constant
TRYING_S = 15.0  # and so do the landmarks with what is kept of them
STRUCTURE_KEPT_S = 3600.0  # so slowly is forgotten how much structure there was
LEAST_LOOKS = 4  # so many looks make a scene
LEAST_BLOCKS = 8  # of 80: with fewer landmarks no scene can be known again
ALIKE = 0.5  # correlation from which on a block shows what it did
TRUSTED = 0.8  # of the looks that a block is alike in, to be a landmark
KNOCKED_SHARE = 0.0125  # of the picture's width, the least shift that is told
FARTHEST_SHARE = 0.25
SHIFT_GAIN = 0.25  # so much more of the scene is known again once it is shifted back
SHIFT_KEPT = 0.6


@dataclass(frozen=True, slots=True)
class Likeness:
    """How much of the scene is still there.

    Attributes
    ----------
    kept : share of the landmarks that show what they did, from 0 to 1
    contrast : median of what is left of the landmarks' contrast, the light's dimming allowed for
    left : blocks in which structure is to be seen, as a share of those that had some
    outline : correlation of the whole picture, so coarse that no blur takes it away
    sharp_instead, white_instead : shares of the lost landmarks that show sharp structure
        of another kind, and nothing but white
    moved_share : by how much the whole scene seems shifted, in widths of the picture; 0 if not
    """

    kept: float
    contrast: float
    left: float
    outline: float
    sharp_instead: float = 0.0
    white_instead: float = 0.0
    moved_share: float = 0.0


class Landmarks:
    """Remember the scene's structure; say how much of it a picture shows.

    Each of 80 blocks is compared by its correlation, which neither brightness nor contrast
    changes. A landmark is a block with structure that was alike in 80 % of the looks of the
    last quarter minute.

    Parameters
    ----------
    sharp_ratio : float
        Ratio of fine to coarser structure from which on a block counts as sharp.
    """

    def __init__(self, *, sharp_ratio: float) -> None:
        self._sharp_ratio = sharp_ratio
        self._structure: Plane | None = None
        self._outline: Plane | None = None
        self._trust: Plane | None = None
        self._level = 0.0
        self._looks = 0
        self._most_blocks = 0.0
        self._window: Plane | None = None

    def forget(self) -> None:
        """Take the next picture for the beginning of a new scene."""
        self._structure, self._most_blocks = None, 0.0

    def learn(self, detail: Detail, since_last_s: float) -> None:
        """Take a picture of the scene into the memory of it."""
        outline = _outline(detail)
        if self._structure is None or self._structure.shape != detail.structure.shape:
            self._structure, self._outline = detail.structure.copy(), outline
            self._trust = np.ones(outline.shape, np.float32)
            self._level, self._looks = detail.brightness, 1
            self._most_blocks = float(detail.visible().sum())
            return
        assert self._outline is not None and self._trust is not None
        self._looks += 1
        alike = _correlation(self._structure, detail.structure) >= ALIKE
        self._trust += np.float32(self._share(since_last_s, TRYING_S)) * (alike - self._trust)
        share = np.float32(self._share(since_last_s, LEARNING_S))
        self._structure += share * (detail.structure - self._structure)
        self._outline += share * (outline - self._outline)
        self._level += float(share) * (detail.brightness - self._level)
        faded = self._most_blocks * math.exp(-since_last_s / STRUCTURE_KEPT_S)
        self._most_blocks = max(float(detail.visible().sum()), faded)

    def _share(self, since_last_s: float, time_constant_s: float) -> float:
        return max(1.0 / self._looks, 1.0 - math.exp(-since_last_s / time_constant_s))

    def likeness(self, detail: Detail) -> Likeness | None:
        """How much of the scene this picture shows; None where no scene can be known again."""
        structure = self._structure
        if structure is None or self._looks < LEAST_LOOKS:
            return None
        if structure.shape != detail.structure.shape:
            return None
        assert self._outline is not None and self._trust is not None
        dimming = min(1.0, detail.brightness / max(self._level, 1.0))
        variance = block_means(structure * structure)
        known = (variance >= STRUCTURE_VARIANCE) & (self._trust >= TRUSTED)
        # what is too dim to stand above the noise says nothing
        known &= variance * dimming**2 >= 2.0 * detail.noise
        if known.sum() < LEAST_BLOCKS:
            return None
        correlation, slope = _regression(structure, detail.structure)
        alike = correlation >= ALIKE
        contrast = middle(slope[known]) / max(dimming, 0.05)
        kept = float(alike[known].mean())
        visible = detail.visible(dimming)
        left = float(visible.sum()) / max(self._most_blocks, 1.0)
        outline = _alike(self._outline.ravel(), _outline(detail).ravel())
        lost = known & ~alike
        if not lost.any():
            return Likeness(kept, contrast, left, outline)
        sharp = visible & (detail.fine_ratio >= self._sharp_ratio)
        white = (detail.level >= WHITE_LEVEL) & ~visible
        return Likeness(
            kept,
            contrast,
            left,
            outline,
            float(sharp[lost].mean()),
            float(white[lost].mean()),
            self._shift(structure, detail, known, kept) if kept < SHIFT_KEPT else 0.0,
        )

    def _shift(
        self, structure: Plane, detail: Detail, known: NDArray[np.bool_], kept: float
    ) -> float:
        """By how much the picture is shifted, where that explains what is not kept."""
        high, wide = structure.shape
        if self._window is None or self._window.shape != structure.shape:
            self._window = np.asarray(cv2.createHanningWindow((wide, high), cv2.CV_32F), np.float32)
        # copies, because OpenCV 5 lays the window over what it is given
        (right, down), _ = cv2.phaseCorrelate(
            structure.copy(), detail.structure.copy(), self._window
        )
        share = float(np.hypot(right, down)) / wide
        if not KNOCKED_SHARE <= share <= FARTHEST_SHARE:
            return 0.0
        by = np.array([[1.0, 0.0, right], [0.0, 1.0, down]], np.float32)
        shifted = np.asarray(cv2.warpAffine(structure, by, (wide, high)), np.float32)
        again = float((_correlation(shifted, detail.structure)[known] >= ALIKE).mean())
        return share if again >= max(SHIFT_KEPT, kept + SHIFT_GAIN) else 0.0


def _alike(a: Plane, b: Plane) -> float:
    """The correlation of two outlines; 0 where one is flat."""
    if min(float(a.std()), float(b.std())) < 1e-6:
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])


def _outline(detail: Detail) -> Plane:
    return detail.level.copy()


def _correlation(a: Plane, b: Plane) -> Plane:
    """The correlation within each block, `(8, 10) float32`, from -1 to 1."""
    return _regression(a, b)[0]


def _regression(a: Plane, b: Plane) -> tuple[Plane, Plane]:
    """Within each block: the correlation, and how many times `a` is in `b`."""
    mean_a, mean_b = block_means(a), block_means(b)
    both = block_means(a * b) - mean_a * mean_b
    spread_a = block_means(a * a) - mean_a * mean_a
    spread_b = block_means(b * b) - mean_b * mean_b
    correlation = both / np.sqrt(np.maximum(spread_a * spread_b, 1e-6))
    slope = both / np.maximum(spread_a, 1e-6)
    return np.asarray(correlation, np.float32), np.asarray(slope, np.float32)
