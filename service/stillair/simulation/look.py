"""How one simulated place looks: walls, lamp, camera, machine and parts, drawn by lot from a seed.

Colours are reflectances or light (blue, green, red). A place is drawn in a
frame of 640 x 480, whatever the size of the picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from stillair.simulation.view import Bgr

WALLS: Final[dict[str, tuple[Bgr, float]]] = {  # colour, depth of the grain
    "plywood": ((0.30, 0.47, 0.62), 0.25),
    "cardboard": ((0.22, 0.38, 0.52), 0.10),
    "foam": ((0.45, 0.45, 0.44), 0.12),
    "fabric": ((0.035, 0.034, 0.034), 0.30),
    "white": ((0.78, 0.80, 0.80), 0.03),
    "foil": ((0.55, 0.56, 0.56), 0.40),
}
PARTS: Final[dict[str, Bgr]] = {
    "orange": (0.04, 0.22, 0.80),
    "red": (0.05, 0.06, 0.62),
    "white": (0.80, 0.82, 0.82),
    "black": (0.03, 0.03, 0.03),
    "natural": (0.50, 0.62, 0.68),
    "yellow": (0.05, 0.55, 0.80),
    "blue": (0.55, 0.22, 0.08),
}
LIKELY_PARTS: Final = ("orange", "orange", "red", "white", "black", "natural", "yellow", "blue")


@dataclass(frozen=True, slots=True)
class Look:
    """What stays as it is while a place is watched.

    `view` turns the frame of 640 x 480 into the picture (a homography of nine
    numbers, row by row); `bands` is the depth of the lamp's rolling bands,
    `band_count` how many cross the picture, `band_per_s` how fast they drift.
    `noise` scales the sensor's, `grain_px` is how wide its grains are.
    """

    wall: str = "plywood"
    parts: tuple[str, ...] = ("orange",)
    collar: bool = True
    head: Bgr = (0.16, 0.17, 0.18)
    head_light: float = 0.0
    fan: bool = False
    moving_bed: bool = False
    cables: int = 1
    drawers: tuple[str, ...] = ()
    pane: bool = False
    gloss: float = 0.0
    lamp: float = 1.0
    lamp_x: float = 305.0
    lamp_y: float = 44.0
    lamp_tint: Bgr = (1.0, 1.0, 1.0)
    ambient: float = 0.02
    flicker: float = 0.005
    bands: float = 0.012
    band_count: float = 2.0
    band_per_s: float = 0.7
    view: tuple[float, ...] = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
    vignette: float = 0.15
    noise: float = 1.0
    grain_px: float = 0.6
    strokes_per_s: tuple[float, float] = (1.0, 8.0)
    status_lights: int = 0
    display: bool = False

    @classmethod
    def by_lot(cls, seed: int) -> Look:
        """A place as chance has it, the same for the same seed."""
        rng = np.random.default_rng((seed, 0x100C))

        def chance(share: float) -> bool:
            return bool(rng.random() < share)

        def between(low: float, high: float) -> float:
            return float(rng.uniform(low, high))

        def some(names: tuple[str, ...], count: int) -> tuple[str, ...]:
            return tuple(str(name) for name in rng.choice(names, count))

        wall = str(rng.choice(tuple(WALLS)))
        warm = between(-0.25, 0.25)  # colour temperature of the lamp
        heads: tuple[Bgr, ...] = ((0.05, 0.05, 0.05), (0.3, 0.3, 0.3), (0.7, 0.7, 0.7))
        heads = (*heads, PARTS["red"], PARTS["orange"], (0.3, 0.15, 0.05))
        return cls(
            wall=wall,
            parts=some(LIKELY_PARTS, int(rng.integers(1, 4))),
            collar=chance(0.3),
            head=heads[int(rng.integers(len(heads)))],
            head_light=between(0.2, 1.2) if chance(0.4) else 0.0,
            fan=chance(0.5),
            moving_bed=chance(0.3),
            cables=int(rng.integers(0, 4)),
            drawers=some(("orange", "red", "white"), int(rng.integers(3, 9)))
            if chance(0.4)
            else (),
            pane=chance(0.5),
            gloss=between(0.05, 0.3) if chance(0.4) else 0.0,
            lamp=between(0.5, 1.3),
            lamp_x=between(120.0, 520.0),
            lamp_y=between(20.0, 120.0),
            lamp_tint=(1.0 - warm, 1.0, 1.0 + warm),
            ambient=between(0.01, 0.15),
            flicker=between(0.001, 0.01),
            bands=between(0.01, 0.10) if chance(0.5) else 0.0,
            band_count=between(0.8, 4.0),
            band_per_s=between(-3.0, 3.0),
            view=_view(rng),
            vignette=between(0.0, 0.45),
            noise=between(0.5, 2.0),
            grain_px=between(0.0, 1.0),
            strokes_per_s=(between(0.5, 2.0), between(4.0, 8.0)),
            status_lights=int(rng.integers(0, 4)),
            display=chance(0.3),
        )


def _view(rng: np.random.Generator) -> tuple[float, ...]:
    """Where the camera stands: turned, nearer or further, aslant, sometimes mirrored."""
    turned, zoom = math.radians(rng.uniform(-7.0, 7.0)), rng.uniform(0.9, 1.35)
    shift = rng.uniform(-40.0, 40.0, 2)
    slant = rng.uniform(-4e-4, 4e-4, 2)
    mirror = -1.0 if rng.random() < 0.5 else 1.0
    to_middle = np.array([[1, 0, -320.0], [0, 1, -240.0], [0, 0, 1]])
    turn = np.array(
        [
            [mirror * zoom * math.cos(turned), -zoom * math.sin(turned), 0.0],
            [mirror * zoom * math.sin(turned), zoom * math.cos(turned), 0.0],
            [slant[0], slant[1], 1.0],
        ]
    )
    back = np.array([[1, 0, 320.0 + shift[0]], [0, 1, 240.0 + shift[1]], [0, 0, 1]])
    return tuple(float(n) for n in (back @ turn @ to_middle).ravel())
