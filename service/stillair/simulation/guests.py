"""What comes and goes in the view and is no fire: people, hands, insects, dust, small lights.

What is lit like the box goes on the canvas of reflectances; what has a light
of its own is added to the light.
"""

from __future__ import annotations

import math
from typing import Final

import cv2
import numpy as np

from stillair.simulation.chance import even, wobble
from stillair.simulation.look import Look
from stillair.simulation.stage import (
    FRAME_HEIGHT,
    FRAME_WIDTH,
    PANE,
    Brush,
    Light,
    Picture,
    overlap,
)
from stillair.simulation.view import Bgr, SceneState
from stillair.simulation.works import Machine

STATUS_LIGHTS: Final[tuple[tuple[float, float, Bgr], ...]] = (
    (112.0, 276.0, (0.05, 0.08, 1.5)),
    (124.0, 276.0, (0.05, 0.6, 1.5)),
    (136.0, 276.0, (1.2, 1.2, 1.2)),
    (500.0, 70.0, (0.05, 0.08, 1.5)),
)


def draw_guests(canvas: Picture, brush: Brush, state: SceneState, look: Look) -> None:
    """What is lit by the lamp, or by the room behind the pane."""
    passing = state.passing
    if passing.person is not None and look.pane:
        _person(canvas, brush, passing.person, passing.shirt, state.t_s)
    if state.hand > 0.0:
        _hand(canvas, brush, state)
    if passing.insect is not None:
        x, y = passing.insect[0] * FRAME_WIDTH, passing.insect[1] * FRAME_HEIGHT
        brush.disc(canvas, (0.03, 0.03, 0.03), x, y, 3.0, 2.2)


def _person(canvas: Picture, brush: Brush, place: float, shirt: Bgr, t_s: float) -> None:
    """Somebody who walks past behind the pane, and is seen through nothing else."""
    left, right = PANE[0][0], PANE[1][0]
    x = left + place * (right - left)
    bob = 4.0 * math.sin(t_s * 9.0)
    whole = canvas.copy()
    brush.block(whole, (0.10, 0.07, 0.05), x - 24.0, 330.0 + bob, x + 24.0, 470.0)
    brush.block(whole, shirt, x - 34.0, 190.0 + bob, x + 34.0, 340.0 + bob)
    arm = 30.0 * math.sin(t_s * 4.5)
    brush.line(whole, shirt, ((x, 215.0 + bob), (x + arm, 310.0 + bob)), 22.0)
    brush.disc(whole, (0.30, 0.38, 0.55), x, 160.0 + bob, 20.0, 26.0)
    mask = np.zeros(canvas.shape[:2], np.uint8)
    brush.area(mask, (1.0, 1.0, 1.0), PANE)
    cv2.copyTo(whole, mask, canvas)


def _hand(canvas: Picture, brush: Brush, state: SceneState) -> None:
    """A sleeve and a hand that comes in at the door."""
    skin: Bgr = (0.28, 0.42, 0.66)
    sleeve = state.passing.shirt if state.passing.person is not None else (0.20, 0.10, 0.05)
    sway = 5.0 * math.sin(state.t_s * 2.1)
    x = 660.0 - state.hand * 260.0 + sway
    y = 330.0 - 40.0 * state.hand + sway
    brush.line(canvas, sleeve, ((700.0, 400.0), (x + 90.0, y + 24.0)), 58.0)
    brush.line(canvas, skin, ((x + 90.0, y + 24.0), (x + 40.0, y + 10.0)), 34.0)
    brush.disc(canvas, skin, x + 28.0, y + 6.0, 30.0, 20.0)
    for n in range(4):
        end = (x - 14.0, y - 14.0 + n * 12.0)
        brush.line(canvas, skin, ((x + 18.0, y - 6.0 + n * 8.0), end), 9.0)


def shine_guests(
    light: Light, brush: Brush, state: SceneState, look: Look, seed: int, machine: Machine
) -> None:
    """What has a light of its own, or is lit from the room: added to the light in place."""
    passing = state.passing
    for n, bright in enumerate(passing.status[: min(look.status_lights + 1, len(STATUS_LIGHTS))]):
        if bright > 0.0:
            x, y, colour = STATUS_LIGHTS[n]
            shown = (colour[0] * bright, colour[1] * bright, colour[2] * bright)
            brush.disc(light, shown, x, y, 3.0)
    if passing.display is not None:
        _display(light, brush, passing.display, seed)
    if passing.steam > 0.0:
        _steam(light, brush, state, seed, machine)
    for n in range(passing.dust):
        _mote(light, n, state.t_s, seed)
    if state.door_fraction > 0.0:
        _door(light, brush, state)


def _display(light: Light, brush: Brush, number: int, seed: int) -> None:
    brush.block(light, (0.35, 0.18, 0.06), 30.0, 410.0, 110.0, 460.0)
    for line in range(3):
        long = 20.0 + 45.0 * even(seed + 80 + line, number)
        at = 420.0 + 13.0 * line
        brush.line(light, (0.9, 0.9, 0.9), ((38.0, at), (38.0 + long, at)), 4.0)


def _steam(light: Light, brush: Brush, state: SceneState, seed: int, machine: Machine) -> None:
    """A wisp of damp at the nozzle: pale, thin, gone a few centimetres up."""
    x, y = brush.lens.point(machine.tip_x, machine.tip_y)
    wide, high = round(44 * brush.lens.scale), round(110 * brush.lens.scale)
    left, top = round(x) - wide // 2, round(y) - high
    if left < 0 or top < 0 or left + wide > light.shape[1] or top + high > light.shape[0]:
        return
    rows = np.linspace(1.0, 0.0, high, dtype=np.float32)[:, None]
    columns = np.linspace(-1.0, 1.0, wide, dtype=np.float32)[None, :]
    swing = np.array(
        [wobble(seed + 90, state.t_s - 0.8 * float(up), 2.2) for up in rows[:, 0]], np.float32
    )[:, None]
    body = np.exp(-(((columns - 0.5 * swing * rows) / (0.12 + 0.3 * rows)) ** 2))
    thick = _wisp_depth(state, seed) * body * (1.0 - rows) * np.minimum(1.0, 8.0 * rows)
    part = light[top : top + high, left : left + wide]
    through = np.exp(-thick)[:, :, None]
    part *= through
    part += 0.45 * (1.0 - through)


def _wisp_depth(state: SceneState, seed: int) -> float:
    """Optical depth of the wisp in its middle; it comes in spurts."""
    return state.passing.steam * 0.5 * (1.0 + wobble(seed + 91, state.t_s, 1.1))


def _mote(light: Light, n: int, t_s: float, seed: int) -> None:
    """Dust near the lens, in the lamp's light: a pale disc out of focus, adrift."""
    high, wide = light.shape[:2]
    size = max(1, round(wide * (0.004 + 0.012 * even(seed + 100, n))))
    x = (even(seed + 101, n) + 0.03 * t_s * (even(seed + 102, n) - 0.5)) % 1.0 * wide
    y = (even(seed + 103, n) + 0.05 * t_s * (even(seed + 104, n) - 0.3)) % 1.0 * high
    x += 0.02 * wide * wobble(seed + 105 + n, t_s, 0.7)
    left, top = int(x) - size, int(y) - size
    pale = np.zeros((2 * size + 1, 2 * size + 1, 1), np.float32)
    cv2.circle(pale, (size, size), size, 0.05 + 0.1 * even(seed + 106, n), -1)
    part, own = overlap(light, pale, left, top)
    part += own


def _door(light: Light, brush: Brush, state: SceneState) -> None:
    """The strip of room beside the open door."""
    bright = 0.10 + 0.85 * state.daylight
    edge = FRAME_WIDTH - 8.0 - 100.0 * state.door_fraction
    far = FRAME_WIDTH + 300.0

    def lit(colour: Bgr) -> Bgr:
        return colour[0] * bright, colour[1] * bright, colour[2] * bright

    brush.block(light, lit((0.92, 0.88, 0.80)), edge, -200.0, far, 700.0)
    brush.block(light, lit((0.55, 0.46, 0.34)), edge + 30.0, 190.0, far, 300.0)
    if state.passing.person is not None:
        x = edge + (far - edge) * 0.3 * state.passing.person
        brush.block(light, lit(state.passing.shirt), max(edge, x - 34.0), 200.0, x + 34.0, 345.0)
    brush.block(light, lit((0.10, 0.15, 0.20)), edge, -200.0, edge + 5.0, 700.0)
