"""Smoke of the plainest makes, drawn before pictures of a scene; and still views that change.

The net of the smoke watch is fitted on these too, so that nothing is learned of the one way
in which the simulated plume boils, and so that a view in which nothing moves is known.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from bench.fire_plot import Burn
from stillair.fire.grid import SIZE

LASTS_S = 150.0
PER_S = 4.0
Frame = tuple[float, NDArray[np.uint8]]


@dataclass(frozen=True, slots=True)
class Veil:
    """Smoke of the plainest make: a shape that thickens, of one brightness, smooth or in waves."""

    onset_s: float
    grows_s: float
    hides: float
    brightness: float
    shape: NDArray[np.float32]
    swing: float
    waves: tuple[tuple[float, float, float, float], ...]  # per pixel across, down, per s, phase

    @classmethod
    def by_lot(cls, seed: int) -> Veil:
        rng = np.random.default_rng(seed)
        down, across = np.mgrid[0 : SIZE[1], 0 : SIZE[0]].astype(np.float32)
        x, y = rng.uniform(20.0, 140.0), rng.uniform(20.0, 100.0)
        match int(rng.integers(4)):
            case 0:
                wide, high = rng.uniform(25.0, 80.0), rng.uniform(25.0, 60.0)
                shape = 1.5 - ((across - x) / wide) ** 2 - ((down - y) / high) ** 2
            case 1:
                shape = (y - down) / rng.uniform(5.0, 30.0) + 0.5
            case 2:
                wide = rng.uniform(10.0, 30.0) + rng.uniform(0.0, 0.3) * (SIZE[1] - down)
                leans = rng.uniform(-0.3, 0.3) * (SIZE[1] - down)
                shape = np.exp(-(((across - x - leans) / wide) ** 2))
            case _:
                shape = 0.8 + 0.2 * (1.0 - down / SIZE[1])
        waves = tuple(
            (
                float(rng.normal(0.0, 0.06)),
                float(rng.normal(0.0, 0.06)),
                float(rng.uniform(-2.0, 2.0)),
                float(rng.uniform(0.0, math.tau)),
            )
            for _ in range(6)
        )
        return cls(
            float(rng.uniform(25.0, 60.0)),
            math.exp(rng.uniform(math.log(2.0), math.log(60.0))),
            float(rng.uniform(0.1, 0.6)),
            float(rng.uniform(10.0, 235.0)),
            np.clip(shape, 0.0, 1.0).astype(np.float32),
            float(rng.choice((0.0, 0.1, 0.3, 0.5))),
            waves,
        )

    def hidden(self, t_s: float) -> NDArray[np.float32]:
        """The share of contrast hidden, by pixel of 160x120."""
        grown = min(1.0, max(0.0, (t_s - self.onset_s) / self.grows_s))
        hidden = self.hides * grown * self.shape
        if self.swing and grown > 0.0:
            down, across = np.mgrid[0 : SIZE[1], 0 : SIZE[0]].astype(np.float32)
            wave = sum(np.sin(a * across + b * down + w * t_s + p) for a, b, w, p in self.waves)
            hidden = hidden * np.clip(1.0 + 0.5 * self.swing * wave, 0.0, 2.0)
        return np.asarray(np.clip(hidden, 0.0, 0.95), np.float32)

    def before(self, t_s: float, picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """A picture `(120, 160)` through it."""
        return drawn(self.over(t_s, picture.astype(np.float32)))

    def over(self, t_s: float, scene: NDArray[np.float32]) -> NDArray[np.float32]:
        """The same, before it is rounded."""
        return np.asarray(scene + self.hidden(t_s) * (self.brightness - scene), np.float32)

    def burn(self) -> Burn:
        """Its label."""
        times = np.arange(0.0, LASTS_S)
        hidden = [float(np.quantile(self.hidden(t_s), 0.9)) for t_s in times]

        def first(least: float) -> float | None:
            return next((t for t, h in zip(times, hidden, strict=True) if h >= least), None)

        curve = tuple((float(t), h, 0.0) for t, h in zip(times, hidden, strict=True))
        return Burn(
            "smoke",
            self.onset_s,
            LASTS_S,
            hidden=max(hidden),
            curve=curve,
            hides_15_s=first(0.15),
            hides_8_s=first(0.08),
        )


@dataclass(frozen=True, slots=True)
class StillView:
    """One picture of a scene again and again, with a camera's noise, and one thing that changes."""

    picture: NDArray[np.uint8]  # (120, 160)
    seed: int

    @property
    def what(self) -> str:
        """`veil`, or a harmless change of `light`, `curve`, `focus`, or nothing."""
        rng = np.random.default_rng((self.seed, 1))
        return str(rng.choice(("veil", "veil", "veil", "light", "curve", "focus", "nothing")))

    def veil(self) -> Veil:
        return Veil.by_lot(self.seed)

    def frames(self) -> Iterator[Frame]:
        rng = np.random.default_rng((self.seed, 2))
        what, veil = self.what, self.veil()
        noise = rng.uniform(0.3, 3.0)
        lasts_s = math.exp(rng.uniform(math.log(1.5), math.log(120.0)))
        if what == "curve":  # a camera draws another one at a stroke
            lasts_s = float(rng.choice((0.2, 0.8)))
        level, curve, blur = rng.uniform(0.45, 1.5), rng.uniform(0.75, 1.3), rng.uniform(0.5, 2.0)
        across, down = rng.uniform(-0.5, 0.5, 2)
        rows, columns = np.mgrid[-1.0 : 1.0 : SIZE[1] * 1j, -1.0 : 1.0 : SIZE[0] * 1j]
        scene = self.picture.astype(np.float32)
        for number in range(round(LASTS_S * PER_S)):
            t_s = number / PER_S
            share = min(1.0, max(0.0, (t_s - veil.onset_s) / lasts_s))
            shown: NDArray[np.generic] = scene
            match what:
                case "veil":
                    shown = veil.over(t_s, scene)
                case "light":
                    aside = 1.0 + across * columns + down * rows
                    shown = scene * (1.0 + share * (level - 1.0) * aside)
                case "curve":
                    shown = 255.0 * (scene / 255.0) ** (1.0 + share * (curve - 1.0))
                case "focus" if share > 0.0:
                    shown = cv2.GaussianBlur(scene, (0, 0), blur * share + 0.01)
            yield t_s, drawn(np.asarray(shown, np.float64) + rng.normal(0.0, noise, shown.shape))


def drawn(picture: NDArray[np.float32] | NDArray[np.float64]) -> NDArray[np.uint8]:
    """As a camera gives it: whole numbers from 0 to 255."""
    return np.asarray(np.clip(picture + 0.5, 0.0, 255.0), np.uint8)
