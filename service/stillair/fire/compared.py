"""Two pictures of one scene at one scale, cell by cell: what share of contrast is hidden.

The measure and where it comes from stand in `veil`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from stillair.fire.grid import BLACK, Cells, Floats, Where, slopes, sums

DARKEST, BRIGHTEST = 16, 238  # of 255; beyond, the camera's ends hide contrast
NOISE_LEFT = 0.25  # of a pixel's noise, in a difference of smoothed neighbours
LEAST_PIXELS = 30  # of the 100 of a cell
MOST_ERROR = 0.2  # of a cell's slope, standard error
MODEL_ERROR = 0.03  # what no model of a cell explains (vibration, codecs)


@dataclass(frozen=True, slots=True)
class Compared:
    """Two pictures at one scale, by cell."""

    hidden: Cells
    likeness: Cells
    contrast: Cells  # beside that of the old one, beyond the change of light
    error: Cells
    known: Where


def compare(
    now: Floats, old: Floats, valid: Floats, noise: float, noise_then: float, tone: float
) -> Compared:
    """What a picture hides of an older one where both are `valid` (0 or 1), by cell.

    `noise` and `noise_then` are the standard deviations of a pixel's noise, of 255; `tone` is the
    common change of light that the camera's own tone curve makes.
    """
    across_now, down_now = slopes(now)
    across_old, down_old = slopes(old)
    count = sums(valid)
    product = sums(valid * (across_now * across_old + down_now * down_old))
    own = sums(valid * (across_old**2 + down_old**2))
    theirs = sums(valid * (across_now**2 + down_now**2))
    structure = np.maximum(own - 2.0 * count * (NOISE_LEFT * noise_then) ** 2, 1e-6)
    left = np.maximum(theirs - 2.0 * count * (NOISE_LEFT * noise) ** 2, 1e-6)
    error = math.sqrt(2.0) * NOISE_LEFT * math.hypot(noise, noise_then) / np.sqrt(structure)
    enough = np.maximum(count, 1e-6)
    mean_now, mean_old = sums(valid * now) / enough, sums(valid * old) / enough
    gain = (mean_now - BLACK) / np.maximum(mean_old - BLACK, 1.0) * tone
    gain = np.maximum(gain, 1e-3)
    known = (count >= LEAST_PIXELS) & (error <= MOST_ERROR)
    known &= np.minimum(mean_now, mean_old) > DARKEST
    return Compared(
        np.clip(1.0 - product / structure / gain, -0.5, 1.0),
        product / np.sqrt(structure * left),
        np.sqrt(left / structure) / gain,
        error,
        known,
    )
