"""The camera's picture of the simulated chamber: drawn, never photographed.

The inside of the box seen from the front: back wall, side walls, floor, lamp
strip, two uprights with a cross beam, bed plate, the growing pieces, the tool
head on its raster. The door is at the right; open, it lets in daylight.

Drawn in light rather than in bytes: what things reflect times what falls on
them, plus what shines by itself, through the smoke, into the camera. So a lamp
that is dimmed, a flame's glow and a veil of smoke are what they are to a real
one. Deterministic: the same seed, look and state give the same bytes. Every
picture has its own fresh noise, as every camera's has, in the dark as well.
"""

from __future__ import annotations

import math
import threading
from typing import Final

import cv2
import numpy as np

from stillair.simulation import flames
from stillair.simulation.chance import wobble
from stillair.simulation.exposure import Camera
from stillair.simulation.guests import draw_guests, shine_guests
from stillair.simulation.look import Look
from stillair.simulation.plume import Field, Plume, Source
from stillair.simulation.stage import Brush, Lens, Light, Picture, Stage, overlap, threefold, tinted
from stillair.simulation.view import WHITE, Flame, SceneState, Smoke
from stillair.simulation.works import Machine, draw_machine, machine_at

__all__ = ["Picture", "Scene"]

WIDTH_PX: Final = 640
HEIGHT_PX: Final = 480
FLAME_WIDTH_M: Final = 0.08
BOX_WIDE_M: Final = 0.6  # what the picture's width shows


class Scene:
    """Draws pictures; safe to use from several threads.

    Parameters
    ----------
    look : Look
        How the place looks; by default a box of plywood seen from the front.
    size : tuple[int, int]
        Width and height of the pictures.
    source : Source
        Where smoke comes from.
    """

    def __init__(
        self,
        seed: int,
        look: Look | None = None,
        size: tuple[int, int] = (WIDTH_PX, HEIGHT_PX),
        source: Source | None = None,
    ) -> None:
        self._seed, self._look, self._size = seed, look or Look(), size
        self._source = source or Source()
        self._lock = threading.Lock()
        self._ready = False
        self._plume: Plume | None = None

    def _prepare(self) -> None:
        """Make what all pictures share, at the first one: a service without a camera needs none."""
        look = self._look
        lens = Lens(look, *self._size)
        self._stage = Stage(self._seed, look, lens)
        self._brush = Brush(lens)
        self._camera = Camera(self._seed, *self._size, look.noise, look.grain_px)
        self._rows = np.linspace(0.0, 1.0, self._size[1], dtype=np.float32)[:, None, None]
        self._ready = True

    def draw(self, state: SceneState) -> Picture:
        """The picture of this state, `(height, width, 3) uint8, BGR`."""
        with self._lock:
            light = self._light(state)
            return self._camera.develop(light, state.t_s, state.optics)

    def light(self, state: SceneState) -> Light:
        """The light that gets into the camera, `(height, width, 3) float32`, without its noise."""
        with self._lock:
            return self._light(state)

    def smoke_depth(self, state: SceneState) -> Field:
        """Optical depth of the smoke by place, `(72, 96) float32`: the truth about it."""
        with self._lock:
            smoke = _smoke_of(state)
            if smoke is None:
                return np.zeros((1, 1), np.float32)
            return self._plume_now().depth(smoke, state.t_s)

    def _plume_now(self) -> Plume:
        if self._plume is None:
            self._plume = Plume(self._seed, self._source)
        return self._plume

    def _light(self, state: SceneState) -> Light:
        if not self._ready:
            self._prepare()
        machine = machine_at(state, self._look, self._seed)
        fires = (*state.flames, *_flames_of(state))
        canvas = self._stage.reflectance.copy()
        draw_machine(canvas, self._brush, state, self._look, self._seed, machine)
        draw_guests(canvas, self._brush, state, self._look)
        wide, high = self._size
        for b in state.blocks:
            corners = (
                (round(b.left * wide), round(b.top * high)),
                (
                    round(b.right * wide),
                    round(b.bottom * high),
                ),
            )
            cv2.rectangle(canvas, *corners, tuple(255.0 * part for part in b.colour), -1)
        fall = self._falling(state, machine)
        burning = np.zeros_like(fall) if fires else None
        for n, fire in enumerate(fires):
            assert burning is not None
            strength = flames.place(burning, fire, self._seed + n, state.t_s)
            spread, amount = flames.glow(fire, strength, self._size)
            tint = tuple(part * amount for part in flames.GLOW)
            cv2.add(fall, tinted(threefold(spread), tint), dst=fall)
        light = np.asarray(
            cv2.multiply(fall, canvas, scale=1.0 / 255.0, dtype=cv2.CV_32F), np.float32
        )
        if burning is not None:
            cv2.add(light, burning, dst=light)
        if self._look.gloss > 0.0:
            self._mirror(light)
        shine_guests(light, self._brush, state, self._look, self._seed, machine)
        smoke = _smoke_of(state)
        if smoke is not None:
            light = self._through(light, fall, self._plume_now().depth(smoke, state.t_s), smoke)
        return self._seen(light, state)

    # --- light ---

    def _falling(self, state: SceneState, machine: Machine) -> Light:
        """The light that falls on every place."""
        look, t_s, stage = self._look, state.t_s, self._stage
        level = state.lamp_level if state.lamp else 0.0
        level *= 1.0 + look.flicker * wobble(self._seed + 201, t_s, 20.0)
        tint = tuple(a * b * level for a, b in zip(look.lamp_tint, state.lamp_colour, strict=True))
        fall = tinted(stage.lamp, tint)
        bands = look.bands if state.bands is None else state.bands
        if bands > 0.0 and level > 0.0:
            turn = math.tau * (look.band_per_s * t_s + 0.1 * wobble(self._seed + 202, t_s, 0.2))
            fall *= 1.0 + bands * np.sin(math.tau * look.band_count * self._rows + turn)
        self._shadow(fall, machine)
        day = (0.1 + 0.9 * state.daylight) * (0.25 if look.pane else 0.12) + 0.02
        colour = state.passing.screen or WHITE
        cv2.add(fall, tinted(stage.day, tuple(4.0 * day * c for c in colour)), dst=fall)
        through_door = state.daylight * state.door_fraction
        if through_door > 0.0:
            fall = np.asarray(cv2.scaleAdd(stage.door, through_door, fall), np.float32)
        if state.passing.sun is not None:
            self._sun(fall, *state.passing.sun)
        if look.head_light > 0.0 and not state.parked:
            self._spot(fall, machine)
        return fall

    def _shadow(self, fall: Light, machine: Machine) -> None:
        """What the head takes of the lamp's light below it."""
        x, y = self._brush.lens.point(machine.tip_x, machine.tip_y + 10.0)
        self._patch(fall, x, y, 70.0 * self._brush.lens.scale, -0.35, None)

    def _spot(self, fall: Light, machine: Machine) -> None:
        x, y = self._brush.lens.point(machine.tip_x, machine.tip_y + 6.0)
        self._patch(fall, x, y, 60.0 * self._brush.lens.scale, 0.0, self._look.head_light)

    def _patch(
        self, fall: Light, x: float, y: float, reach: float, factor: float, add: float | None
    ) -> None:
        size = max(2, round(reach))
        part, soft = overlap(fall, _soft_disc(size), round(x) - size, round(y) - size)
        if add is None:
            part *= 1.0 + factor * soft
        else:
            part += add * soft

    def _sun(self, fall: Light, x: float, y: float, strength: float) -> None:
        """A patch of sun with soft edges, aslant as a window throws it."""
        wide, high = self._size[0] // 4, self._size[1] // 4
        small = np.zeros((high, wide), np.uint8)
        corners = ((-0.12, -0.2), (0.10, -0.17), (0.16, 0.2), (-0.06, 0.17))
        at = [(round((x + a) * wide * 16), round((y + b) * high * 16)) for a, b in corners]
        cv2.fillConvexPoly(small, np.array(at, np.int32), 255, cv2.LINE_AA, 4)
        soft = cv2.resize(cv2.GaussianBlur(small, (0, 0), 2.0), self._size)
        bright = soft.astype(np.float32) * (strength / 255.0)
        cv2.add(fall, tinted(threefold(bright), (0.8, 0.95, 1.05)), dst=fall)

    def _mirror(self, light: Light) -> None:
        """A glossy panel at the left shows the middle of the box, weakly, mirrored."""
        wide = self._size[0] * 9 // 64
        shown = light[:, wide : 3 * wide][:, ::-2][:, :wide]
        panel = light[:, :wide]
        panel += self._look.gloss * shown

    # --- between the box and the camera ---

    def _through(self, light: Light, fall: Light, depth: Field, smoke: Smoke) -> Light:
        """Each ray keeps the share that gets through, and gains smoke's own share of light."""
        through = cv2.resize(np.exp(-depth), self._size, interpolation=cv2.INTER_LINEAR)
        kept3 = threefold(np.asarray(through, np.float32))
        # Light is scattered many times in smoke, so its own is far more even than what falls.
        broad = cv2.resize(fall, (20, 15), interpolation=cv2.INTER_AREA)
        broad = 0.35 * cv2.GaussianBlur(broad, (0, 0), 2.0) + 0.65 * broad.mean(axis=(0, 1))
        own = cv2.resize(tinted(broad, smoke.colour), self._size)
        cv2.subtract(light, own, dst=light)
        cv2.multiply(light, kept3, dst=light)
        cv2.add(light, own, dst=light)
        return light

    def _seen(self, light: Light, state: SceneState) -> Light:
        """A camera that shakes, has been turned, or has something before it."""
        optics = state.optics
        scale = self._size[0] / 320.0
        x = optics.shift_px[0] * scale + optics.turned[0] * self._size[0]
        y = optics.shift_px[1] * scale + optics.turned[1] * self._size[1]
        if x or y:
            moved = np.array([[1.0, 0.0, x], [0.0, 1.0, y]])
            light = np.asarray(
                cv2.warpAffine(
                    light, moved, self._size, None, cv2.INTER_LINEAR, cv2.BORDER_REFLECT_101
                ),
                np.float32,
            )
        if optics.cover > 0.0:
            edge = round(self._size[1] * optics.cover)
            light[:edge] = 0.02 + 0.03 * self._rows[:edge]
        return light


_SOFT: dict[int, Light] = {}


def _soft_disc(size: int) -> Light:
    if size not in _SOFT:
        at = np.linspace(-1.0, 1.0, 2 * size + 1, dtype=np.float32)
        away = np.hypot(at[:, None], at[None, :])
        soft = np.clip(1.0 - away, 0.0, 1.0)[:, :, None] ** 1.5
        _SOFT[size] = np.asarray(soft, np.float32)
    return _SOFT[size]


def _flames_of(state: SceneState) -> tuple[Flame, ...]:
    """The flame that the physics of the box has, on the bed."""
    if state.flame_m <= 0.01:
        return ()
    tall_m = min(state.flame_m, 0.9 * state.box_height_m)
    width_m = 0.9 * FLAME_WIDTH_M + 0.15 * tall_m
    width = min(0.25, width_m / (BOX_WIDE_M * 1.2))
    return (Flame(0.555, 0.79, width, FLAME_WIDTH_M, tall=tall_m / width_m),)


def _smoke_of(state: SceneState) -> Smoke | None:
    """The smoke that is told, or else what the physics has in its two layers."""
    if state.smoke is not None:
        return state.smoke
    low, high = state.lower_smoke_per_m, state.upper_smoke_per_m
    if high <= 0.005:
        return None
    way_m = 0.6 * state.box_depth_m
    glow = min(0.5, 2.0 * state.flame_m)
    return Smoke(
        plume=min(3.0, 0.5 * high * way_m),
        layer=max(0.0, high - low) * way_m,
        layer_to=0.5,
        haze=low * way_m,
        colour=(0.38 - 0.1 * glow, 0.38, 0.38 + 0.2 * glow),
    )
