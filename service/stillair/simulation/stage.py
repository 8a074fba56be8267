"""The empty box as a camera sees it: where things come to lie, what walls reflect, how it is lit.

Everything is laid out in a frame of 640 x 480; a `Lens` maps the frame to the
picture. Reflectances are `(height, width, 3) uint8, BGR`, linear, 255 for all
light; light is `(height, width, 3) float32`, 1 for a white wall just not washed out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.simulation.look import PARTS, WALLS, Look
from stillair.simulation.view import Bgr

Picture = NDArray[np.uint8]
Light = NDArray[np.float32]
Canvas = Picture | Light
Point = tuple[float, float]

FRAME_WIDTH, FRAME_HEIGHT = 640, 480
BACK: Final = (90, 50, 520, 350)  # left, top, right, bottom of the back wall
BED: Final = ((150.0, 398.0), (480.0, 398.0), (450.0, 350.0), (180.0, 350.0))
BED_MIDDLE: Final = (315.0, 374.0)
PANE: Final = ((548.0, 90.0), (640.0, 60.0), (640.0, 420.0), (548.0, 372.0))
DRAWERS: Final = (8.0, 120.0, 78.0, 400.0)
FAR: Final = 500.0  # how far walls go on beyond the frame
_SHIFT: Final = 4  # bits below the pixel, so that slow things move smoothly


class Lens:
    """Where a point of the frame lies in the picture."""

    def __init__(self, look: Look, width_px: int, height_px: int) -> None:
        self.width_px, self.height_px = width_px, height_px
        to_picture = np.diag((width_px / FRAME_WIDTH, height_px / FRAME_HEIGHT, 1.0))
        self._matrix = to_picture @ np.array(look.view, float).reshape(3, 3)
        self._numbers = tuple(float(number) for number in self._matrix.ravel())
        back = np.linalg.inv(self._matrix)
        y, x = np.mgrid[0:height_px, 0:width_px].astype(np.float64)
        depth = back[2, 0] * x + back[2, 1] * y + back[2, 2]
        self.frame_x = ((back[0, 0] * x + back[0, 1] * y + back[0, 2]) / depth).astype(np.float32)
        self.frame_y = ((back[1, 0] * x + back[1, 1] * y + back[1, 2]) / depth).astype(np.float32)
        self.scale = math.sqrt(abs(float(np.linalg.det(self._matrix[:2, :2]))))

    def points(self, points: Sequence[Point]) -> list[Point]:
        """Pixels of points of the frame. A shape has few: numpy would take longer."""
        a, b, c, d, e, f, g, h, i = self._numbers
        found = []
        for x, y in points:
            depth = g * x + h * y + i
            found.append(((a * x + b * y + c) / depth, (d * x + e * y + f) / depth))
        return found

    def point(self, x: float, y: float) -> Point:
        return self.points(((x, y),))[0]


class Brush:
    """Draws shapes of the frame on a canvas of reflectance or of light."""

    def __init__(self, lens: Lens) -> None:
        self.lens = lens

    def _at(self, points: Sequence[Point]) -> NDArray[np.int32]:
        one = 1 << _SHIFT
        return np.array([(x * one, y * one) for x, y in self.lens.points(points)], np.int32)

    def area(self, canvas: Canvas, colour: Bgr, points: Sequence[Point]) -> None:
        """A convex shape."""
        cv2.fillConvexPoly(canvas, self._at(points), _ink(canvas, colour), _edge(canvas), _SHIFT)

    def block(
        self,
        canvas: Canvas,
        colour: Bgr,
        left: float,
        top: float,
        right: float,
        bottom: float,
    ) -> None:
        corners = ((left, top), (right, top), (right, bottom), (left, bottom))
        self.area(canvas, colour, corners)

    def line(self, canvas: Canvas, colour: Bgr, points: Sequence[Point], wide: float) -> None:
        width_px = max(1, round(wide * self.lens.scale))
        cv2.polylines(
            canvas, [self._at(points)], False, _ink(canvas, colour), width_px, _edge(canvas), _SHIFT
        )

    def disc(
        self,
        canvas: Canvas,
        colour: Bgr,
        x: float,
        y: float,
        wide: float,
        high: float | None = None,
    ) -> None:
        """An ellipse by its half-axes."""
        at = self._at(((x, y),))[0]
        one = self.lens.scale * (1 << _SHIFT)
        axes = round(wide * one), round((wide if high is None else high) * one)
        cv2.ellipse(
            canvas,
            (int(at[0]), int(at[1])),
            axes,
            0.0,
            0.0,
            360.0,
            _ink(canvas, colour),
            -1,
            _edge(canvas),
            _SHIFT,
        )


def _ink(canvas: Canvas, colour: Bgr) -> tuple[float, float, float]:
    if canvas.dtype == np.uint8:
        return tuple(min(255.0, 255.0 * part) for part in colour)  # type: ignore[return-value]
    return colour


def _edge(canvas: Canvas) -> int:
    return int(cv2.LINE_AA if canvas.dtype == np.uint8 else cv2.LINE_8)


class Stage:
    """What stands still: reflectance of the empty box, and each lamp's light on it."""

    def __init__(self, seed: int, look: Look, lens: Lens) -> None:
        rng = np.random.default_rng((seed, 0x57A6E))
        self.look, self.lens, self.brush = look, lens, Brush(lens)
        self.reflectance = self._walls(rng)
        x, y = lens.frame_x, lens.frame_y
        away = np.hypot((x - 320.0) / 400.0, (y - 240.0) / 300.0)
        vignette = 1.0 - look.vignette * np.minimum(1.0, away) ** 2
        in_pane = self._pane_mask()
        lamp = self._lamp(x, y)
        self.lamp = threefold(lamp * vignette * (1.0 - in_pane))
        ambient = look.ambient * (0.6 + 0.4 * x / FRAME_WIDTH)
        self.day = threefold((ambient * (1.0 - in_pane) + 0.8 * in_pane) * vignette)
        self.door = threefold((0.05 + 0.85 * np.clip(x / FRAME_WIDTH, 0.0, 1.2) ** 2) * vignette)

    def _walls(self, rng: np.random.Generator) -> Picture:
        look, brush = self.look, self.brush
        shape = (self.lens.height_px, self.lens.width_px)
        colour, depth = WALLS[look.wall]
        canvas = np.zeros((*shape, 3), np.uint8)
        left, top, right, bottom = (float(edge) for edge in BACK)
        far_l, far_r, far_t, far_b = -FAR, FRAME_WIDTH + FAR, -FAR, FRAME_HEIGHT + FAR
        quads: tuple[tuple[float, tuple[Point, ...]], ...] = (
            (0.90, ((far_l, far_t), (left, top), (left, bottom), (far_l, far_b))),
            (0.86, ((far_r, far_t), (right, top), (right, bottom), (far_r, far_b))),
            (0.76, ((far_l, far_t), (far_r, far_t), (right, top), (left, top))),
            (0.60, ((far_l, far_b), (left, bottom), (right, bottom), (far_r, far_b))),
            (1.00, ((left, top), (right, top), (right, bottom), (left, bottom))),
        )
        for share, corners in quads:
            brush.area(canvas, _times(colour, share), corners)
        canvas = np.clip(canvas * _grain(rng, shape, look.wall, depth)[:, :, None], 0, 255)
        canvas = np.ascontiguousarray(canvas.astype(np.uint8))
        dark = _times(colour, 0.45)
        for a, b in (
            ((0.0, 0.0), (left, top)),
            ((640.0, 0.0), (right, top)),
            ((0.0, 480.0), (left, bottom)),
            ((640.0, 480.0), (right, bottom)),
        ):
            brush.line(canvas, dark, (a, b), 2.0)
        edges = ((left, top), (right, top), (right, bottom), (left, bottom), (left, top))
        brush.line(canvas, dark, edges, 2.0)
        self._fittings(canvas, rng)
        return canvas

    def _fittings(self, canvas: Picture, rng: np.random.Generator) -> None:
        """What people put on walls: drawers, a pane, screws, a label, an electronics case."""
        look, brush = self.look, self.brush
        if look.drawers:
            left, top, right, bottom = DRAWERS
            high = (bottom - top) / len(look.drawers)
            for n, name in enumerate(look.drawers):
                at = top + n * high
                brush.block(canvas, PARTS[name], left, at + 3, right, at + high - 3)
                brush.block(
                    canvas,
                    (0.1, 0.1, 0.1),
                    left + 25,
                    at + 0.4 * high,
                    right - 25,
                    at + 0.4 * high + 6,
                )
        if look.pane:
            brush.area(canvas, (0.42, 0.46, 0.48), PANE)
            brush.block(canvas, (0.18, 0.28, 0.36), 560.0, 260.0, 640.0, 330.0)
            brush.line(canvas, (0.12, 0.12, 0.12), (*PANE, PANE[0]), 5.0)
        for _ in range(int(rng.integers(3, 12))):
            x, y = rng.uniform(100, 510), rng.uniform(60, 340)
            brush.disc(canvas, (0.2, 0.2, 0.2), x, y, rng.uniform(2.0, 4.0))
        if rng.random() < 0.5:
            x, y = rng.uniform(120, 420), rng.uniform(80, 200)
            brush.block(canvas, (0.7, 0.72, 0.72), x, y, x + 60, y + 34)
            for line in range(3):
                at = y + 8 + 9 * line
                brush.line(canvas, (0.1, 0.1, 0.1), ((x + 6, at), (x + 52, at)), 2.0)
        if rng.random() < 0.5:  # the electronics
            brush.block(canvas, (0.05, 0.05, 0.05), 96.0, 270.0, 150.0, 345.0)
            brush.block(canvas, (0.05, 0.12, 0.04), 104.0, 280.0, 142.0, 330.0)
        left, top, right, _ = BACK
        x = look.lamp_x
        brush.block(canvas, (0.95, 0.95, 0.95), x - 155, look.lamp_y - 8, x + 155, look.lamp_y)

    def _lamp(self, x: Light, y: Light) -> Light:
        """Brightness by place under the strip, and of the strip itself."""
        look = self.look
        across = np.maximum(0.0, np.abs(x - look.lamp_x) - 155.0)
        down = y - look.lamp_y
        away = np.hypot(across, np.maximum(0.0, down) * 0.8 + np.maximum(0.0, -down))
        light = look.lamp * (0.30 + 0.75 / (1.0 + (away / 190.0) ** 2))
        strip = (across <= 0.0) & (down <= 0.0) & (down >= -8.0)
        return np.asarray(np.where(strip, 3.0, light), np.float32)

    def _pane_mask(self) -> Light:
        mask = np.zeros(self.reflectance.shape[:2], np.float32)
        if self.look.pane:
            self.brush.area(mask, (1.0, 1.0, 1.0), PANE)
        return mask


def _grain(
    rng: np.random.Generator, shape: tuple[int, int], wall: str, depth: float
) -> NDArray[np.float32]:
    """The texture of a wall as a factor about 1."""
    along, across = {"plywood": (9.0, 0.8), "foil": (2.5, 2.5), "fabric": (0.6, 0.6)}.get(
        wall, (1.2, 1.2)
    )
    fine = cv2.GaussianBlur(rng.normal(0.0, 1.0, shape), (0, 0), along, sigmaY=across)
    broad = cv2.GaussianBlur(rng.normal(0.0, 1.0, shape), (0, 0), 30.0)
    fine, broad = fine / fine.std(), broad / broad.std()
    return np.asarray(np.clip(1.0 + 0.5 * depth * fine + 0.06 * broad, 0.05, 3.0), np.float32)


def overlap(light: Light, own: Light, left: int, top: int) -> tuple[Light, Light]:
    """The parts of a picture and of something laid on it there that lie on each other."""
    x0, y0 = max(0, left), max(0, top)
    x1 = max(x0, min(light.shape[1], left + own.shape[1]))
    y1 = max(y0, min(light.shape[0], top + own.shape[0]))
    return light[y0:y1, x0:x1], own[y0 - top : y1 - top, x0 - left : x1 - left]


def threefold(light: NDArray[np.floating]) -> Light:
    """Light of one channel as white light."""
    return np.asarray(cv2.merge((light,) * 3), np.float32)


def tinted(light: Light, colour: Sequence[float]) -> Light:
    """Light through a coloured glass (or brighter: shares may be above 1)."""
    glass = np.diag(np.asarray(colour, np.float32))
    return np.asarray(cv2.transform(light, glass), np.float32)


def _times(colour: Bgr, share: float) -> Bgr:
    return colour[0] * share, colour[1] * share, colour[2] * share
