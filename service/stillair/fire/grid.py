"""The small picture that smoke is looked for in, its cells, and the plainest sums over them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Gray = NDArray[np.uint8]
Floats = NDArray[np.float32]
Cells = NDArray[np.float64]  # (12, 16)
Where = NDArray[np.bool_]

CELLS = (16, 12)  # across, down
CELL_PX = 10
SIZE = (CELLS[0] * CELL_PX, CELLS[1] * CELL_PX)
BLACK = 6.0  # of 255: what a camera may give for no light; taken off, dimmed light is no veil


def smoothed(picture: Floats, px: float) -> Floats:
    """Without what is finer than a standard deviation of so many pixels."""
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), px), np.float32)


def shares(picture: NDArray[np.generic]) -> Cells:
    """Means over each cell."""
    means = cv2.resize(picture.astype(np.float32), CELLS, interpolation=cv2.INTER_AREA)
    return np.asarray(means, np.float64)


def sums(picture: Floats) -> Cells:
    """Sums over each cell."""
    return shares(picture) * (CELL_PX * CELL_PX)


def log_light(level: Cells) -> Cells:
    """Light by its logarithm, without the camera's black and flat near it."""
    return np.asarray(np.log(np.maximum(level - BLACK, 1.0) + 4.0), np.float64)


def slopes(picture: Floats) -> tuple[Floats, Floats]:
    """The differences of each pixel's neighbours, across and down; 0 at the edges."""
    across, down = np.zeros_like(picture), np.zeros_like(picture)
    across[:, 1:-1] = picture[:, 2:] - picture[:, :-2]
    down[1:-1] = picture[2:] - picture[:-2]
    return across, down
