"""The camera's picture of the simulated chamber: 640 x 480, drawn, never photographed.

The inside of the box seen from the front: back wall, side walls, floor, lamp
strip, two uprights with a cross beam, bed plate, the growing pieces, the tool
head on its raster. The door is at the right; open, it lets in daylight.

Deterministic: the same seed and state give the same bytes. Every picture has
a little fresh noise, as every camera's has, in the dark as well.

*Smoke* thins light by Beer and Lambert's law, thicker towards the lid, with
slow billows. *Flame* stands at the Heskestad height that the fire gives, and
flickers at `1.5 / sqrt(D)` per second (Pagni, P. J. (1990) Pool vortex
shedding frequencies, Applied Mechanics Reviews 43).
"""

from __future__ import annotations

import math
import threading
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.simulation.view import SceneState

Picture = NDArray[np.uint8]
Colour = tuple[int, int, int]

WIDTH_PX: Final = 640
HEIGHT_PX: Final = 480
BACK: Final = (90, 50, 520, 350)  # left, top, right, bottom of the back wall
BED: Final = ((150, 398), (480, 398), (450, 350), (180, 350))
BED_MIDDLE: Final = (315, 374)
PX_PER_MM: Final = 1.5
TALLEST_PX: Final = 270.0
NOISE_TILES: Final = 48
FLAME_WIDTH_M: Final = 0.08


class Scene:
    """Draws pictures; safe to use from several threads."""

    def __init__(self, seed: int) -> None:
        self._seed = seed
        self._lock = threading.Lock()
        self._ready = False

    def _prepare(self) -> None:
        """Make what all pictures share, at the first one: a service without a camera needs none."""
        rng = np.random.default_rng(self._seed)
        stage = _stage(rng)
        self._by_lamp = _lit(stage, _lamp_light())
        self._by_day = _lit(stage, _door_light())
        shape = (HEIGHT_PX + NOISE_TILES, WIDTH_PX + NOISE_TILES, 3)
        self._noise = np.clip(rng.normal(4.0, 1.3, shape), 0, 8).astype(np.uint8)
        self._billows = cv2.GaussianBlur(rng.random((120, 320)).astype(np.float32), (0, 0), 6.0)
        span = float(self._billows.max() - self._billows.min())
        self._billows = (self._billows - self._billows.min()) / span
        self._ready = True

    def draw(self, state: SceneState) -> Picture:
        """The picture of this state, `(480, 640, 3) uint8, BGR`."""
        with self._lock:
            if not self._ready:
                self._prepare()
        picture = self._light(state)
        light = (1.0 if state.lamp else 0.03) + 0.6 * state.daylight * state.door_fraction
        light = min(1.2, light + min(0.5, 2.0 * state.flame_m))
        self._machine(picture, state, min(1.0, light))
        if state.hand > 0.0:
            _hand(picture, state, min(1.0, light))
        _door(picture, state)
        if state.flame_m > 0.01:
            self._flame(picture, state)
        if state.upper_smoke_per_m > 0.005:
            picture = self._smoke(picture, state, min(1.0, light))
        return self._sensor_noise(picture, state)

    # --- light ---

    def _light(self, state: SceneState) -> Picture:
        """Walls and floor as lamp, door and flame light them now."""
        flicker = 1.0 + 0.004 * math.sin(state.t_s * 9.1) + 0.003 * math.sin(state.t_s * 2.3)
        lamp = flicker if state.lamp else 0.03
        day = state.daylight * state.door_fraction
        flame = 0.0
        if state.flame_m > 0.01:
            flame = min(0.6, 2.0 * state.flame_m) * (0.85 + 0.15 * _wobble(self._seed, state.t_s))
        picture = cv2.addWeighted(self._by_lamp, lamp, self._by_day, day + 0.4 * flame, -4.0)
        return _picture(picture)

    def _sensor_noise(self, picture: Picture, state: SceneState) -> Picture:
        draw = _hash(self._seed, round(state.t_s * 1000.0))
        y, x = draw % NOISE_TILES, draw // NOISE_TILES % NOISE_TILES
        noise = self._noise[y : y + HEIGHT_PX, x : x + WIDTH_PX]
        return _picture(cv2.add(picture, noise))

    # --- machine ---

    def _machine(self, picture: Picture, state: SceneState, light: float) -> None:
        left, right = 130, 500
        tallest_px = min(TALLEST_PX, state.height_mm * PX_PER_MM)
        base_y = 388
        for x, y, wide in _pieces(state.pieces):
            if state.height_mm > 0.0:
                _piece(picture, x, y, wide, tallest_px * (0.85 + 0.15 * (y - 356) / 32.0), light)
        tip_x, tip_y = self._head_px(state)
        beam_y = round(max(64.0, tip_y - 46.0))
        grey = _shade((92, 88, 84), light)
        cv2.rectangle(picture, (left - 12, beam_y), (right + 12, beam_y + 12), grey, -1)
        cv2.line(
            picture, (left - 12, beam_y), (right + 12, beam_y), _shade((150, 146, 140), light), 1
        )
        for x in (left - 18, right + 10):
            cv2.rectangle(picture, (x, 56), (x + 12, base_y + 8), _shade((70, 68, 66), light), -1)
        head = (round(tip_x), round(tip_y))
        dark = _shade((46, 44, 42), light)
        cv2.rectangle(picture, (head[0] - 21, head[1] - 52), (head[0] + 21, head[1] - 12), dark, -1)
        cv2.circle(
            picture, (head[0], head[1] - 34), 12, _shade((70, 66, 60), light), -1, cv2.LINE_AA
        )
        nozzle = np.array(
            [(head[0] - 8, head[1] - 12), (head[0] + 8, head[1] - 12), (head[0], head[1])], np.int32
        )
        cv2.fillConvexPoly(picture, nozzle, _shade((90, 150, 180), light))

    def _head_px(self, state: SceneState) -> tuple[float, float]:
        """Where the nozzle's tip is: over the part on its raster, or parked at the left."""
        rise_px = min(TALLEST_PX, state.height_mm * PX_PER_MM)
        if state.parked or state.pieces == 0:
            return 160.0, max(112.0, 352.0 - rise_px)
        places = _pieces(state.pieces)
        # A few seconds on each piece, line after line, 1 to 8 lines there and back a second.
        visit = int(state.built_s // 4.0)
        x, y, wide = places[_hash(self._seed, visit) % len(places)]
        strokes_per_s = 1.0 + _hash(self._seed + 7, visit) % 71 / 10.0
        phase = (state.t_s * strokes_per_s) % 1.0
        stroke = 4.0 * abs(phase - 0.5) - 1.0
        reach = wide * 0.5 / max(1.0, strokes_per_s / 3.0)
        creep = ((state.built_s / 4.0) % 1.0 - 0.5) * wide * 0.5
        return x + stroke * reach + 0.2 * creep, y - rise_px * 0.95 + 0.15 * creep

    # --- smoke and flame ---

    def _smoke(self, picture: Picture, state: SceneState, light: float) -> Picture:
        low, high = state.lower_smoke_per_m, state.upper_smoke_per_m
        rows = np.linspace(1.0, 0.0, 60, dtype=np.float32)[:, None]
        share = np.clip((rows - 0.3) / 0.4, 0.0, 1.0)
        thick = (low + (high - low) * share) * (state.box_depth_m * 0.6)
        drift = state.t_s * 3.0
        x, y = int(drift) % 240, int(state.t_s * 1.1) % 60
        billow = self._billows[y : y + 60, x : x + 80]
        through = np.exp(-thick * (0.55 + 0.9 * billow))
        veil = cv2.resize(
            (through * 255.0).astype(np.uint8),
            (WIDTH_PX, HEIGHT_PX),
            interpolation=cv2.INTER_LINEAR,
        )
        veil3 = cv2.cvtColor(veil, cv2.COLOR_GRAY2BGR)
        glow = min(0.5, 2.0 * state.flame_m)
        grey = _shade((150 - int(40 * glow), 152, 152 + int(80 * glow)), 0.9 * light)
        smoke = np.full_like(picture, grey)
        seen = cv2.multiply(picture, veil3, scale=1.0 / 255.0)
        hidden = cv2.multiply(smoke, cv2.bitwise_not(veil3), scale=1.0 / 255.0)
        return _picture(cv2.add(seen, hidden))

    def _flame(self, picture: Picture, state: SceneState) -> None:
        """A flickering flame on the bed, added as light."""
        px_per_m = (BED[1][1] - BACK[1]) / state.box_height_m
        flicker_per_s = 1.5 / math.sqrt(FLAME_WIDTH_M)
        beat = math.tau * flicker_per_s * state.t_s
        wobble = _wobble(self._seed, state.t_s)
        height = state.flame_m * px_per_m * (0.8 + 0.2 * math.sin(beat) + 0.15 * wobble)
        height = min(330.0, max(8.0, height))
        width = min(150.0, max(14.0, 0.9 * FLAME_WIDTH_M * px_per_m + 0.15 * height))
        base_x, base_y = BED_MIDDLE[0] + 40, BED_MIDDLE[1] + 6
        glow = np.zeros((HEIGHT_PX // 4, WIDTH_PX // 4, 3), np.uint8)
        for share, colour in (
            (1.0, (10, 70, 200)),
            (0.72, (30, 130, 255)),
            (0.42, (150, 225, 255)),
        ):
            outline = []
            for side in (-1.0, 1.0):
                steps = range(9) if side < 0 else range(8, -1, -1)
                for n in steps:
                    up = n / 8.0
                    taper = math.sin(math.pi * min(1.0, 0.35 + 0.65 * up)) ** 0.8
                    sway = up * width * 0.25 * math.sin(beat * 0.5 + 5.0 * up)
                    lick = 1.0 + 0.25 * math.sin(beat + 9.0 * up + side)
                    x = base_x + side * 0.5 * width * share * taper * lick + sway
                    outline.append((round(x / 4.0), round((base_y - up * height * share) / 4.0)))
            cv2.fillPoly(glow, [np.array(outline, np.int32)], colour)
        glow = _picture(cv2.GaussianBlur(glow, (0, 0), 1.2))
        big = cv2.resize(glow, (WIDTH_PX, HEIGHT_PX), interpolation=cv2.INTER_LINEAR)
        cv2.add(picture, big, dst=picture)


# --- what stands still ---


def _stage(rng: np.random.Generator) -> NDArray[np.float32]:
    """The empty box as colours under even light."""
    stage = np.zeros((HEIGHT_PX, WIDTH_PX, 3), np.uint8)
    left, top, right, bottom = BACK
    grain = cv2.GaussianBlur(rng.normal(0.0, 1.0, (HEIGHT_PX, WIDTH_PX)), (0, 0), 9.0, sigmaY=0.8)
    stage[:] = (96, 130, 150)
    quads: tuple[tuple[Colour, tuple[tuple[int, int], ...]], ...] = (
        ((104, 146, 172), ((0, 0), (left, top), (left, bottom), (0, HEIGHT_PX))),
        ((100, 140, 166), ((WIDTH_PX, 0), (right, top), (right, bottom), (WIDTH_PX, HEIGHT_PX))),
        ((90, 120, 140), ((0, 0), (WIDTH_PX, 0), (right, top), (left, top))),
        ((70, 92, 108), ((0, HEIGHT_PX), (left, bottom), (right, bottom), (WIDTH_PX, HEIGHT_PX))),
        ((116, 158, 186), ((left, top), (right, top), (right, bottom), (left, bottom))),
    )
    for colour, corners in quads:
        cv2.fillConvexPoly(stage, np.array(corners, np.int32), colour)
    textured = stage.astype(np.float32) * (1.0 + 0.25 * grain[:, :, None].astype(np.float32))
    stage = np.clip(textured, 0, 255).astype(np.uint8)
    for a, b in (
        ((0, 0), (left, top)),
        ((WIDTH_PX, 0), (right, top)),
        ((0, HEIGHT_PX), (left, bottom)),
        ((WIDTH_PX, HEIGHT_PX), (right, bottom)),
    ):
        cv2.line(stage, a, b, (58, 76, 90), 2, cv2.LINE_AA)
    cv2.rectangle(stage, (left, top), (right, bottom), (66, 88, 104), 2)
    cv2.rectangle(stage, (left + 60, top - 14), (right - 60, top - 6), (235, 245, 250), -1)  # lamp
    cv2.fillConvexPoly(stage, np.array(BED, np.int32), (62, 58, 56))
    cv2.polylines(stage, [np.array(BED, np.int32)], True, (120, 116, 112), 2, cv2.LINE_AA)
    cv2.rectangle(stage, (150, 398), (480, 408), (44, 42, 40), -1)
    return stage.astype(np.float32)


def _lamp_light() -> NDArray[np.float32]:
    """Brightness by place under the strip at the top."""
    y, x = np.mgrid[0:HEIGHT_PX, 0:WIDTH_PX].astype(np.float32)
    across = np.maximum(0.0, np.abs(x - 305.0) - 155.0)
    away = np.hypot(across, np.maximum(0.0, y - 44.0) * 0.8)
    return np.asarray(0.45 + 0.6 / (1.0 + (away / 190.0) ** 2), np.float32)


def _door_light() -> NDArray[np.float32]:
    """Brightness by place when the door at the right is open."""
    _, x = np.mgrid[0:HEIGHT_PX, 0:WIDTH_PX].astype(np.float32)
    return np.asarray(0.15 + 0.75 * (x / WIDTH_PX) ** 2, np.float32)


def _lit(stage: NDArray[np.float32], light: NDArray[np.float32]) -> Picture:
    return np.asarray(np.clip(stage * light[:, :, None], 0, 255), np.uint8)


# --- small pieces ---


def _pieces(count: int) -> list[tuple[int, int, int]]:
    """Foot points and widths of the pieces on the bed, far row first."""
    if count <= 0:
        return []
    rows = 1 if count <= 3 else 2 if count <= 8 else 3
    places: list[tuple[int, int, int]] = []
    for row in range(rows):
        in_row = count // rows + (1 if row < count % rows else 0)
        y = 374 if rows == 1 else 358 + row * (28 // max(1, rows - 1))
        gap = (240 + 20 * row) / max(1, in_row)
        wide = min(44, round(gap * 0.6))
        places.extend(
            (round(BED_MIDDLE[0] + (n - (in_row - 1) / 2) * gap), y, wide) for n in range(in_row)
        )
    return places


def _piece(picture: Picture, x: int, y: int, wide: int, tall_px: float, light: float) -> None:
    """One round piece, standing, orange with a white collar."""
    half, flat, top = wide // 2, max(2, wide // 7), round(y - tall_px)
    body, side = _shade((40, 120, 235), light), _shade((24, 84, 180), light)
    cv2.rectangle(picture, (x - half, top), (x + half, y), body, -1)
    cv2.rectangle(picture, (x + half // 2, top), (x + half, y), side, -1)
    cv2.ellipse(picture, (x, y), (half, flat), 0, 0, 180, side, -1)
    if tall_px > 12.0:
        cv2.rectangle(
            picture, (x - half, y - 9), (x + half, y - 5), _shade((225, 230, 232), light), -1
        )
    cv2.ellipse(picture, (x, top), (half, flat), 0, 0, 360, _shade((70, 150, 250), light), -1)
    cv2.ellipse(
        picture,
        (x, top),
        (half // 2, max(1, flat // 2)),
        0,
        0,
        360,
        _shade((20, 60, 130), light),
        -1,
    )


def _hand(picture: Picture, state: SceneState, light: float) -> None:
    """A sleeve and a hand that comes in at the door."""
    skin, sleeve = _shade((130, 160, 205), light), _shade((110, 70, 40), light)
    sway = 5.0 * math.sin(state.t_s * 2.1)
    tip_x = round(660.0 - state.hand * 260.0 + sway)
    tip_y = round(330.0 - 40.0 * state.hand + sway)
    cv2.line(picture, (700, 400), (tip_x + 90, tip_y + 24), sleeve, 58, cv2.LINE_AA)
    cv2.line(picture, (tip_x + 90, tip_y + 24), (tip_x + 40, tip_y + 10), skin, 34, cv2.LINE_AA)
    cv2.ellipse(picture, (tip_x + 28, tip_y + 6), (30, 20), 12, 0, 360, skin, -1, cv2.LINE_AA)
    for n in range(4):
        end = (tip_x - 14, tip_y - 14 + n * 12)
        cv2.line(picture, (tip_x + 18, tip_y - 6 + n * 8), end, skin, 9, cv2.LINE_AA)


def _door(picture: Picture, state: SceneState) -> None:
    """The strip of room beside the open door."""
    if state.door_fraction <= 0.0:
        return
    bright = 0.15 + 0.85 * state.daylight
    edge = round(WIDTH_PX - 8 - 100 * state.door_fraction)
    room = _shade((242, 236, 226), bright)
    cv2.rectangle(picture, (edge, 0), (WIDTH_PX, HEIGHT_PX), room, -1)
    cv2.rectangle(picture, (edge + 30, 190), (WIDTH_PX, 300), _shade((190, 176, 150), bright), -1)
    cv2.rectangle(picture, (edge, 0), (edge + 5, HEIGHT_PX), _shade((80, 100, 116), bright), -1)


def _shade(colour: Colour, light: float) -> Colour:
    return (
        min(255, int(colour[0] * light)),
        min(255, int(colour[1] * light)),
        min(255, int(colour[2] * light)),
    )


def _picture(array: object) -> Picture:
    return np.asarray(array, np.uint8)


def _hash(seed: int, number: int) -> int:
    """A well-mixed number of 31 bits from seed and count (a 64-bit multiply and fold)."""
    mixed = (number * 0x9E3779B97F4A7C15 + seed * 0xBF58476D1CE4E5B9) & 0xFFFFFFFFFFFFFFFF
    mixed ^= mixed >> 31
    mixed = (mixed * 0x94D049BB133111EB) & 0xFFFFFFFFFFFFFFFF
    return (mixed >> 33) & 0x7FFFFFFF


def _wobble(seed: int, t_s: float) -> float:
    """Slow chance from -1 to 1 that changes some eight times a second, smoothly."""
    at = t_s * 8.0
    first = math.floor(at)
    share = at - first
    a, b = (_hash(seed + 3, first + n) / 0x3FFFFFFF - 1.0 for n in (0, 1))
    return a + (b - a) * share
