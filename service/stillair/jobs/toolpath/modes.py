"""What stays in force until something else is said, for many lines at once."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Lines = NDArray[np.int64]
T = TypeVar("T", np.float64, np.int64, np.int32)


def in_force(count: int, at: Lines, values: NDArray[T], before: float) -> NDArray[T]:
    """The value on each of `count` lines: that said last, on the line itself or earlier.

    `at` doesn't fall; of several on a line the last counts. `before` is what was in force
    when the first line began.
    """
    if at.size == 0:
        return np.full(count, before, values.dtype)
    said = np.empty(at.size + 1, values.dtype)
    said[0] = before
    said[1:] = values
    edges = np.empty(at.size + 2, np.int64)
    edges[0], edges[1:-1], edges[-1] = 0, at, count
    return np.repeat(said, np.diff(edges))


def tracked(
    count: int, set_at: Lines, set_to: Floats, added: Floats | None, before: float
) -> Floats:
    """Where an axis is after each line: set to a value on some lines, moved by some on others."""
    if added is None:
        return in_force(count, set_at, set_to, before)
    moved = np.cumsum(added)
    return in_force(count, set_at, set_to - moved[set_at], before) + moved
