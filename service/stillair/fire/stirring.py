"""How a scene stirs over seconds: smoke boils, and cell after cell it brightens, hides and shows.

Light that flickers does it in all cells after one pattern; that is taken out first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from stillair.fire.compared import DARKEST, LEAST_PIXELS, MODEL_ERROR, NOISE_LEFT
from stillair.fire.grid import BLACK, Cells, Floats, Where, log_light, middles, slopes, sums

LEAST_STIRRED = 12  # samples, of which it can be told


def stirs(cells: Sequence[Floats], fit: Where) -> tuple[float, Cells, float]:
    """Fluctuation of the common light, that of each cell beyond it, and how alike neighbours.

    A camera's noise is of one sample, so what a cell shares with its next sample counts.
    """
    count = len(cells)
    if count < LEAST_STIRRED or not fit.any():
        return 0.0, np.zeros(fit.shape), 0.0
    light = log_light(np.stack(cells).astype(np.float64)).reshape(count, -1)
    light -= light.mean(axis=0)
    ramp = np.arange(count) - (count - 1) / 2.0
    light -= np.outer(ramp, (ramp @ light) / (ramp @ ramp))
    unrest = math.sqrt(float((middles(light[:, fit.ravel()], 1) ** 2).mean()))
    light *= fit.ravel()
    for _ in range(2):  # each cell has its own share of the common light
        common = light.sum(axis=1) / np.count_nonzero(fit)
        light -= np.outer(common, (common @ light) / max(float(common @ common), 1e-9))
    left = light.reshape(count, *fit.shape)
    in_row = np.count_nonzero(fit, axis=1)  # a lamp's bands run in rows
    rows = left.sum(axis=2) / np.maximum(in_row, 1)
    left = left - rows[:, :, None] * (fit & (in_row >= 6)[:, None])
    stir = np.sqrt(np.maximum(0.0, (left[1:] * left[:-1]).mean(axis=0)))
    power = (left**2).mean(axis=0)
    shared = (left[:, :, 1:] * left[:, :, :-1]).mean(axis=0).sum()
    alike = float(shared) / max(0.5 * float((power[:, 1:] + power[:, :-1]).sum()), 1e-9)
    return unrest, stir, alike


def stirs_in_hiding(
    pictures: Sequence[Floats], coarse: Floats, still: Floats, noise: float
) -> tuple[Cells, Cells]:
    """By cell: how what is hidden fluctuates (squared), and the weight of that."""
    across, down = slopes(coarse)
    count = np.maximum(sums(still), 1e-6)
    structure = sums(still * (across**2 + down**2)) - 2.0 * count * (0.5 * NOISE_LEFT * noise) ** 2
    structure = np.maximum(structure, 1e-3)
    level = sums(still * coarse) / count
    hidden = []
    for picture in pictures:
        to_right, downwards = slopes(picture)
        slope = sums(still * (to_right * across + downwards * down)) / structure
        gain = (sums(still * picture) / count - BLACK) / np.maximum(level - BLACK, 1.0)
        hidden.append(np.clip(1.0 - slope / np.maximum(gain, 1e-3), -1.0, 1.0))
    if len(hidden) < 2:
        return np.zeros(count.shape), np.zeros(count.shape)
    series = np.stack(hidden)
    series -= series.mean(axis=0)
    error = math.sqrt(2.0) * 0.3 * noise / np.sqrt(structure)
    known = (count >= LEAST_PIXELS) & (error < 0.15) & (level > DARKEST)
    weight = np.where(known, 1.0 / (error**2 + MODEL_ERROR**2), 0.0)
    return np.where(known, (series[1:] * series[:-1]).mean(axis=0), 0.0), weight
