"""Small plain pictures for tests of what looks at them: a wall with structure, and what moves."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Paint = Callable[[NDArray[np.float32], float], NDArray[np.float32] | None]

HEIGHT, WIDTH = 240, 320
ORANGE = (40.0, 130.0, 240.0)
FLAME = (90.0, 200.0, 255.0)


def wall(seed: int = 1) -> NDArray[np.float32]:
    """A pale wall with a grain like that of wood and some edges, `(240, 320, 3)`."""
    rng = np.random.default_rng(seed)
    grain = cv2.GaussianBlur(rng.normal(0.0, 1.0, (HEIGHT, WIDTH)).astype(np.float32), (0, 0), 4.0)
    tone = 130.0 + 250.0 * grain
    picture = np.repeat(np.clip(tone, 50.0, 200.0)[:, :, None], 3, axis=2)
    for x in range(20, WIDTH, 60):
        picture[:, x : x + 6] *= 0.6
    return picture.astype(np.float32)


def film(
    paint: Paint, seconds: float, *, per_s: float = 15.0, seed: int = 1, start_s: float = 0.0
) -> Iterator[tuple[float, Picture]]:
    """Pictures of the wall, each as `paint` leaves it, with a camera's noise."""
    rng = np.random.default_rng(seed)
    scene = wall(seed)
    noise = rng.normal(0.0, 2.0, (8, HEIGHT, WIDTH, 3)).astype(np.float32)
    for number in range(round(seconds * per_s)):
        t_s = start_s + number / per_s
        picture = scene.copy()
        painted = paint(picture, t_s)
        picture = picture if painted is None else painted
        shown = picture + np.roll(noise[number % 8], 7 * number, axis=1)
        yield t_s, np.clip(shown, 0.0, 255.0).astype(np.uint8)


class Burning:
    """A flame of tongues that never come again: noise that rises, cut by a flame's outline."""

    def __init__(self, x: int = 160, y: int = 180, width: int = 24, seed: int = 7) -> None:
        rng = np.random.default_rng(seed)
        raw = rng.normal(0.0, 1.0, (2000, 3 * width)).astype(np.float32)
        noise = np.asarray(cv2.GaussianBlur(raw, (0, 0), width / 8.0), np.float32)
        self._noise = noise / np.float32(noise.std())
        self._x, self._y, self._width = x, y, width

    def __call__(self, picture: NDArray[np.float32], t_s: float) -> None:
        wide, high = 2 * self._width, 2 * self._width
        rise = int(t_s * 6.0 * self._width) % (len(self._noise) - high)
        noise = self._noise[rise : rise + high, :wide]
        down, across = np.mgrid[0:high, 0:wide].astype(np.float32)
        up = 1.0 - down / high
        aside = np.abs(across - self._width) / (0.5 * self._width)
        beat = 0.15 * math.sin(math.tau * 5.0 * t_s)
        heat = np.clip(1.6 - aside - 1.4 * up + 0.5 * noise * (0.3 + up) + beat, 0.0, 1.0)
        window = picture[self._y - high : self._y, self._x - wide // 2 : self._x + wide // 2]
        window += heat[:, :, None] * (np.array(FLAME, np.float32) * 1.3 - window)


def block(
    picture: NDArray[np.float32],
    box: tuple[int, int, int, int],
    colour: tuple[float, float, float],
) -> None:
    left, top, right, bottom = box
    picture[top:bottom, left:right] = colour
