"""What moves in a picture as smoke does: wide and soft, and upwards.

Smoke that is thick and quick changes as much from one sample to the next as a machine does,
so that no pixel stands still. But it has soft edges: what changes is wide beside its own
slopes, where a thing that moves leaves lines as narrow as its outline. And it rises: what a
patch of it was, the patch above will be.

Pictures are `(120, 160)`, cells `(12, 16)`. Changes are shares of the light at their place, so
that exposure doesn't matter, and without what is common to a row, for the bands of a lamp
that flickers run in rows.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stillair.fire.grid import BLACK, Cells, Floats, Where, log_light, middles, shares, slopes

SOFT_PX = 2.2  # from which on a change is wide beside its slopes
LEAST = 0.01  # of light: a cell that changes by so much from sample to sample billows or moves
WIDEST_PX = 12.0
DARK = 10.0  # of 255, added to the light: near black a share says nothing
# of the square of a camera's noise, what is left in a picture smoothed by 2 px: itself, slopes
NOISE, SLOPE_NOISE = 0.02, 0.017


@dataclass(frozen=True, slots=True)
class Billows:
    """What changed within two seconds, by cell: mean squares of it, and of its slopes by pixel.

    `rises` and `falls` are how alike a cell is to the one above and below it a sample later,
    in units of `power`.
    """

    squares: Cells
    slopes: Cells
    rises: Cells
    falls: Cells
    power: Cells

    @property
    def moving(self) -> Where:
        """Cells in which anything moves."""
        return np.asarray(self.squares > LEAST**2, np.bool_)

    @property
    def soft(self) -> Where:
        """Those in which what moves is wide beside its slopes."""
        return np.asarray(self.moving & (self.squares > SOFT_PX**2 * self.slopes), np.bool_)

    @property
    def softly(self) -> Cells:
        """By how much they change."""
        return np.where(self.soft, np.sqrt(self.squares), 0.0)


def billows(
    samples: Sequence[Floats], cells: Sequence[Floats], level: Floats, seen: Where, noise: float
) -> Billows:
    """Of smoothed samples in one light, the means of the cells of as many or more, and the noise.

    `level` is what the samples are about, and `noise` a pixel's, of 255.
    """
    changes = [after - before for before, after in itertools.pairwise(samples)]
    squares, sloping = _squares(changes, level, seen, math.sqrt(2.0) * noise)
    return Billows(squares, sloping, *_rising(cells, shares(seen) > 0.9))


def left_of(
    now: Floats, then: Floats, brighter: float, seen: Where, noise: float
) -> tuple[Cells, Cells]:
    """By cell, the mean squares of what two pictures differ by, and of its slopes.

    `brighter` is the common light, by its logarithm.
    """
    gain, black = np.float32(math.exp(-brighter)), np.float32(BLACK)
    return _squares([(now - black) * gain - (then - black)], then, seen, noise)


def _squares(
    changes: Sequence[Floats], level: Floats, seen: Where, noise: float
) -> tuple[Cells, Cells]:
    """By cell, the mean squares of changes and of their slopes, as shares of light."""
    light = 1.0 / (np.maximum(level - BLACK, 0.0) + DARK)
    squares, sloping = np.zeros_like(level), np.zeros_like(level)
    for change in changes:
        part = change * light
        part -= middles(part[:, ::4], 1)
        across, down = slopes(part)
        squares += part * part
        sloping += across * across + down * down
    expected = light * light * noise**2
    squares = seen * (squares / len(changes) - NOISE * expected)
    sloping = seen * (sloping / len(changes) - SLOPE_NOISE * expected)
    return np.maximum(shares(squares), 0.0), np.maximum(shares(sloping), 0.0)


def width_px(squares: float, sloping: float) -> float:
    """How wide a change is that has such a square and such slopes."""
    return min(WIDEST_PX, math.sqrt(max(squares, 0.0) / max(sloping, 1e-9)))


def _rising(cells: Sequence[Floats], seen: Where) -> tuple[Cells, Cells, Cells]:
    light = log_light(np.stack(cells).astype(np.float64))
    light -= middles(light, 2)
    light -= light.mean(axis=0)
    light *= seen
    rises, falls = np.zeros(seen.shape), np.zeros(seen.shape)
    rises[1:] = (light[:-1, 1:] * light[1:, :-1]).mean(axis=0)
    falls[:-1] = (light[:-1, :-1] * light[1:, 1:]).mean(axis=0)
    return rises, falls, (light**2).mean(axis=0)
