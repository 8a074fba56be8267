"""The small picture that smoke is looked for in, its cells, and the plainest sums over them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

Gray = NDArray[np.uint8]
Floats = NDArray[np.float32]
Cells = NDArray[np.float64]  # (12, 16)
Where = NDArray[np.bool_]
P = TypeVar("P", np.uint8, np.float32)

CELLS = (16, 12)  # across, down
CELL_PX = 10
SIZE = (CELLS[0] * CELL_PX, CELLS[1] * CELL_PX)
BLACK = 6.0  # of 255: what a camera may give for no light; taken off, dimmed light is no veil


def smoothed(picture: Floats, px: float) -> Floats:
    """Without what is finer than a standard deviation of so many pixels."""
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), px), np.float32)


def middle(values: NDArray[np.floating]) -> float:
    """The median of all values, none of which is a gap."""
    return float(middles(values.ravel(), 0)[0])


def middles(values: NDArray[np.floating], axis: int) -> NDArray[np.floating]:
    """The medians along an axis, which is kept.

    What numpy's own does beside it takes longer than the sorting, for as few as come here.
    """
    count = values.shape[axis]
    low, high = (count - 1) // 2, count // 2
    ordered = np.partition(values, (low, high) if low != high else low, axis=axis)
    below, above = (ordered.take((n,), axis=axis) for n in (low, high))
    return below if low == high else (below + above) * below.dtype.type(0.5)


def reached(values: NDArray[np.floating], share: float) -> float:
    """The value that such a share of all, 0 to 1, doesn't exceed; between two of them by the way.

    numpy's own loads a part of its library at the first call, from a disk that may hang, while
    the camera is being watched.
    """
    ordered = np.sort(values)
    return float(np.interp(share * (ordered.size - 1), np.arange(ordered.size), ordered))


def ranked(planes: Sequence[NDArray[P]]) -> list[NDArray[P]]:
    """Each pixel's values in ascending order, of a few planes of one shape.

    By comparing whole planes, each with its neighbours in turn (Habermann, A. N. (1972),
    Parallel neighbor-sort, Carnegie Mellon University): in half the time of sorting by pixel.
    """
    found = list(planes)
    for turn in range(len(found)):
        for low in range(turn % 2, len(found) - 1, 2):
            one, other = found[low : low + 2]
            found[low : low + 2] = np.minimum(one, other), np.maximum(one, other)
    return found


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
