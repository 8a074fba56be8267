"""Smoke in the line of sight: a column that boils up from its source, and the layer under the lid.

The column is a seeded 2-D flow, solved once per seed and then played over and
over: warm smoke rises, drags air with it, rolls up at its edges, runs along the
lid. Velocities are carried along the flow and made free of divergence (Stam, J.
(1999) Stable fluids, SIGGRAPH 99), with small vortices kept alive (Fedkiw, R.
and others (2001) Visual simulation of smoke, SIGGRAPH 01). Light fades by Beer
and Lambert's law.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.simulation.chance import wobble
from stillair.simulation.view import Smoke

Field = NDArray[np.float32]

WIDE: Final = 96
HIGH: Final = 72
PLAYED_PER_S: Final = 12.0
PLAYED_S: Final = 32.0
BLENDED_S: Final = 3.0  # so much of the end goes over into the beginning
SETTLING_S: Final = 8.0
STEPS_A_PICTURE: Final = 2


@dataclass(frozen=True, slots=True)
class Source:
    """Where smoke comes from (shares of the picture), how wide it is and how strongly it rises.

    `lift` is the speed that the column gets to, in heights of the picture per second.
    """

    x: float = 0.55
    y: float = 0.80
    width: float = 0.06
    lift: float = 0.45


class Plume:
    """The smoke of one fire, by its optical depth at any moment."""

    def __init__(self, seed: int, source: Source) -> None:
        self._seed, self._source = seed, source
        self._played = _solved(seed, source)
        rows, columns = np.mgrid[0:HIGH, 0:WIDE].astype(np.float32)
        self._down = (rows + 0.5) / HIGH
        self._columns, self._rows = columns, rows
        billows = cv2.GaussianBlur(
            np.random.default_rng((seed, 0xB111)).normal(size=(3 * HIGH, 3 * WIDE)), (0, 0), 9.0
        )
        self._billows = (billows / billows.std()).astype(np.float32)

    def column(self, t_s: float) -> Field:
        """The column's share of its depth, `(72, 96)`, 1 at about its middle."""
        at = t_s * PLAYED_PER_S
        first, share = math.floor(at), at - math.floor(at)
        a, b = (self._played[(first + n) % len(self._played)] for n in (0, 1))
        return np.asarray(
            cv2.addWeighted(a, (1.0 - share) / 200.0, b, share / 200.0, 0.0, dtype=cv2.CV_32F),
            np.float32,
        )

    def depth(self, smoke: Smoke, t_s: float) -> Field:
        """Optical depth by place, `(72, 96)`."""
        depth = np.zeros((HIGH, WIDE), np.float32)
        if smoke.plume > 0.0:
            column = self.column(t_s)
            if smoke.risen < 1.0:
                front = self._source.y * (1.0 - smoke.risen)
                front += 0.02 * wobble(self._seed, t_s, 1.0)
                column = column * np.clip((self._down - front) / 0.08 + 0.5, 0.0, 1.0)
            depth += smoke.plume * column
        if smoke.layer > 0.0:
            edge = smoke.layer_to + 0.03 * wobble(self._seed + 1, t_s, 0.3)
            below = np.clip((edge - self._down) / 0.16 + 0.5, 0.0, 1.0)
            x, y = int(t_s * 1.7) % (2 * WIDE), int(t_s * 0.6) % (2 * HIGH)
            billow = self._billows[y : y + HIGH, x : x + WIDE]
            depth += smoke.layer * below * np.clip(1.0 + 0.22 * billow, 0.2, 2.0)
        if smoke.haze > 0.0:
            depth += smoke.haze
        return depth


def hidden(depth: Field) -> Field:
    """The share of contrast that smoke of this optical depth hides."""
    return np.asarray(1.0 - np.exp(-depth), np.float32)


def _solved(seed: int, source: Source) -> NDArray[np.uint8]:
    """The flow as pictures of smoke, 200 for what the column has in its middle, seamless."""
    flow = _Flow(seed, source)
    step_s = 1.0 / (PLAYED_PER_S * STEPS_A_PICTURE)
    for _ in range(int(SETTLING_S / step_s)):
        flow.step(step_s)
    blended = int(BLENDED_S * PLAYED_PER_S)
    count = int(PLAYED_S * PLAYED_PER_S)
    pictures = np.empty((count + blended, HIGH, WIDE), np.float32)
    for n in range(count + blended):
        for _ in range(STEPS_A_PICTURE):
            flow.step(step_s)
        pictures[n] = flow.smoke
    for n in range(blended):
        share = (n + 1) / (blended + 1)
        pictures[n] = share * pictures[n] + (1.0 - share) * pictures[count + n]
    middle = float(np.percentile(pictures[:count].mean(axis=0), 96))
    shown = np.clip(pictures[:count] * (200.0 / max(middle, 1e-6)), 0, 255)
    return np.asarray(shown, np.uint8)


class _Flow:
    """Two-dimensional flow in a box of 96 x 72 cells, closed on all sides."""

    LINGERS_S: Final = 4.0  # how long smoke stays before it has thinned away
    SWIRL: Final = 0.35

    def __init__(self, seed: int, source: Source) -> None:
        self._seed, self._source, self._t_s = seed, source, 0.0
        self._rows, self._columns = np.mgrid[0:HIGH, 0:WIDE].astype(np.float32)
        self.smoke: Field = np.zeros((HIGH, WIDE), np.float32)
        self._right: Field = np.zeros((HIGH, WIDE), np.float32)
        self._down: Field = np.zeros((HIGH, WIDE), np.float32)
        y = 2.0 * np.cos(np.pi * np.arange(HIGH) / HIGH) - 2.0
        x = 2.0 * np.cos(np.pi * np.arange(WIDE) / WIDE) - 2.0
        waves = y[:, None] + x[None, :]
        waves[0, 0] = 1.0
        self._waves = waves.astype(np.float32)

    def step(self, step_s: float) -> None:
        source, t_s = self._source, self._t_s
        spread = max(1.2, source.width * WIDE / 2.0)
        x = source.x * WIDE + 0.5 * spread * wobble(self._seed + 1, t_s, 1.5)
        near = np.exp(
            -(
                ((self._columns - x) / spread) ** 2
                + ((self._rows - source.y * HIGH) / (0.7 * spread)) ** 2
            )
        )
        rate = 1.0 + 0.35 * wobble(self._seed + 2, t_s, 2.0)
        self.smoke += np.asarray(6.0 * rate * step_s * near, np.float32)
        # A column of heat b over its height h gets to about sqrt(2 b h): solved for its lift.
        lift = source.lift * HIGH
        warm = lift * lift / (2.0 * source.y * HIGH) * 2.2
        self._down -= step_s * warm * np.minimum(self.smoke, 1.5)
        self._keep_swirls(step_s)
        self._carry(step_s)
        self._free_of_divergence()
        self.smoke *= math.exp(-step_s / self.LINGERS_S)
        self._t_s += step_s

    def _keep_swirls(self, step_s: float) -> None:
        curl = np.gradient(self._down, axis=1) - np.gradient(self._right, axis=0)
        rise_y, rise_x = np.gradient(np.abs(curl))
        size = np.hypot(rise_x, rise_y) + 1e-3
        push = self.SWIRL * 8.0 * step_s
        self._right += push * (rise_y / size) * curl
        self._down -= push * (rise_x / size) * curl

    def _carry(self, step_s: float) -> None:
        x = self._columns - step_s * self._right
        y = self._rows - step_s * self._down

        def carried(field: Field) -> Field:
            moved = cv2.remap(field, x, y, cv2.INTER_LINEAR, None, cv2.BORDER_REPLICATE)
            return np.asarray(moved, np.float32)

        self.smoke, self._right, self._down = map(carried, (self.smoke, self._right, self._down))

    def _free_of_divergence(self) -> None:
        right, down = self._right, self._down
        right[:, 0] = right[:, -1] = 0.0
        down[0] = down[-1] = 0.0
        spread = np.zeros_like(right)
        spread[:, 1:-1] += 0.5 * (right[:, 2:] - right[:, :-2])
        spread[1:-1] += 0.5 * (down[2:] - down[:-2])
        waves = np.asarray(cv2.dct(spread), np.float32)
        waves /= self._waves
        waves[0, 0] = 0.0
        pressure = np.asarray(cv2.idct(waves), np.float32)
        right[:, 1:-1] -= 0.5 * (pressure[:, 2:] - pressure[:, :-2])
        down[1:-1] -= 0.5 * (pressure[2:] - pressure[:-2])
