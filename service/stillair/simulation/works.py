"""The machine in the box: parts that grow, the head on its raster, beam, bed, cables, fan.

Shapes go on a canvas of reflectances, in the order from back to front; what
shines by itself and what throws a shadow is told in `Machine`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from stillair.simulation.chance import even, mixed, wobble
from stillair.simulation.look import PARTS, Look
from stillair.simulation.stage import BED, BED_MIDDLE, Brush, Picture, Point
from stillair.simulation.view import Bgr, SceneState

PX_PER_MM: Final = 1.5
TALLEST_PX: Final = 270.0
LONGEST_PX: Final = 270.0  # so that it stays on the bed
LONG_DEEP_PX: Final = 14.0
VISIT_S: Final = 4.0  # on one piece, then on to another
TRAVEL_S: Final = 0.4


@dataclass(frozen=True, slots=True)
class Machine:
    """Where the head is, in the frame."""

    tip_x: float
    tip_y: float
    bed_x: float
    bed_y: float

    @property
    def head_y(self) -> float:
        return self.tip_y - 34.0


def machine_at(state: SceneState, look: Look, seed: int) -> Machine:
    """Where the nozzle's tip and the bed are: at work over a piece, or parked at the left."""
    drop = 90.0 * state.passing.bed_drop
    rise_px = min(TALLEST_PX, state.height_mm * PX_PER_MM)
    if state.parked or state.pieces == 0:
        return Machine(160.0, max(112.0, 352.0 - rise_px), 0.0, drop)
    places = pieces(state.pieces, state.wide_mm)
    # A few seconds on each piece, line after line, there and back some times a second.
    visit = int(state.built_s // VISIT_S)
    x, y, wide = places[mixed(seed, visit) % len(places)]
    way = (state.built_s % VISIT_S) / TRAVEL_S
    if way < 1.0:
        from_x, from_y, _ = places[mixed(seed, visit - 1) % len(places)]
        x, y = from_x + way * (x - from_x), from_y + way * (y - from_y)
    low, high = look.strokes_per_s
    strokes_per_s = low + even(seed + 7, visit) * (high - low)
    phase = (state.t_s * strokes_per_s) % 1.0
    stroke = 4.0 * abs(phase - 0.5) - 1.0
    reach = wide * 0.5 / max(1.0, strokes_per_s / 3.0)
    creep = ((state.built_s / VISIT_S) % 1.0 - 0.5) * wide * 0.5
    if even(seed + 8, visit) < 0.25:  # a long way across
        reach = 110.0 / max(1.0, strokes_per_s)
        stroke = math.sin(math.tau * phase)
    tip_y = y - rise_px * 0.95 + 0.15 * creep
    if look.moving_bed:
        return Machine(x + 0.4 * stroke * reach + creep, tip_y, 0.0, drop + 0.35 * stroke * reach)
    return Machine(x + stroke * reach + 0.2 * creep, tip_y + drop, 0.0, drop)


def draw_machine(
    canvas: Picture, brush: Brush, state: SceneState, look: Look, seed: int, machine: Machine
) -> None:
    """Bed, pieces, beam, cables and head."""
    passing = state.passing
    bed = [(x + machine.bed_x, y + machine.bed_y) for x, y in BED]
    brush.area(canvas, (0.045, 0.05, 0.055), bed)
    brush.line(canvas, (0.20, 0.22, 0.22), (*bed, bed[0]), 2.0)
    left, right = bed[0][0], bed[1][0]
    brush.block(canvas, (0.03, 0.03, 0.03), left, bed[0][1], right, bed[0][1] + 10.0)
    tallest_px = min(TALLEST_PX, state.height_mm * PX_PER_MM)
    for n, (x, y, wide) in enumerate(pieces(state.pieces, state.wide_mm)):
        if state.height_mm <= 0.0:
            continue
        at_x, at_y = x + machine.bed_x, y + machine.bed_y
        tall = tallest_px * (0.85 + 0.15 * (y - 356.0) / 32.0)
        if n == 0 and passing.loose > 0.0:  # lies down, and is pushed about by the head
            at_x += 40.0 * passing.loose + 4.0 * wobble(seed + 5, state.t_s, 4.0)
            tall *= max(0.25, 1.0 - 0.75 * passing.loose)
        colour = PARTS[look.parts[n % len(look.parts)]]
        draw = _long_piece if state.wide_mm > 0.0 else _round_piece
        draw(canvas, brush, at_x, at_y, wide, tall, colour, look)
    if passing.tangle > 0.0:
        _tangle(canvas, brush, state, look, seed, machine)
    _beam(canvas, brush, machine)
    _cables(canvas, brush, state, look, seed, machine)
    _head(canvas, brush, state, look, machine)
    if passing.purge > 0.0:
        x, y = machine.tip_x, machine.tip_y
        colour = PARTS[look.parts[0]]
        sway = 3.0 * wobble(seed + 9, state.t_s, 2.0)
        end = y + 60.0 * min(1.0, passing.purge)
        brush.line(canvas, colour, ((x, y), (x + sway, end)), 3.0)
        brush.disc(canvas, colour, x + sway, end, 4.0 + 6.0 * passing.purge)


def _round_piece(
    canvas: Picture,
    brush: Brush,
    x: float,
    y: float,
    wide: float,
    tall: float,
    colour: Bgr,
    look: Look,
) -> None:
    """One round piece, standing."""
    half, flat, top = wide / 2.0, max(2.0, wide / 7.0), y - tall
    side = _times(colour, 0.55)
    brush.block(canvas, colour, x - half, top, x + half, y)
    brush.block(canvas, side, x + half / 2.0, top, x + half, y)
    brush.disc(canvas, side, x, y, half, flat)
    if look.collar and tall > 12.0:
        brush.block(canvas, (0.78, 0.80, 0.80), x - half, y - 9.0, x + half, y - 5.0)
    brush.disc(canvas, _times(colour, 1.15), x, top, half, flat)
    brush.disc(canvas, _times(colour, 0.3), x, top, half / 2.0, max(1.0, flat / 2.0))


def _long_piece(
    canvas: Picture,
    brush: Brush,
    x: float,
    y: float,
    wide: float,
    tall: float,
    colour: Bgr,
    _: Look,
) -> None:
    """One long, square piece with an open slot along it, seen from the front and a little above."""
    half, deep, top = wide / 2.0, LONG_DEEP_PX, y - tall

    def level(narrower: float, down: float) -> list[Point]:
        """What lies flat at its top, so much within its rim."""
        front, back = half - narrower, half - narrower - 0.5 * deep
        near, far = top - down, top - deep + down
        return [(x - front, near), (x + front, near), (x + back, far), (x - back, far)]

    brush.block(canvas, _times(colour, 0.75), x - half, top, x + half, y)
    brush.area(canvas, _times(colour, 1.15), level(0.0, 0.0))
    if tall > 3.0:
        brush.area(canvas, _times(colour, 0.3), level(10.0, 3.0))


def _tangle(
    canvas: Picture, brush: Brush, state: SceneState, look: Look, seed: int, machine: Machine
) -> None:
    """String where a part should be: it grows, and trembles with the head."""
    count = 2 + int(40.0 * min(1.0, state.passing.tangle))
    colour = PARTS[look.parts[0]]
    shiver = 2.0 * wobble(seed + 6, state.t_s, 9.0)
    points: list[Point] = []
    for n in range(count):
        x = BED_MIDDLE[0] + machine.bed_x + 90.0 * (even(seed + 60, n) - 0.5) + shiver
        y = BED_MIDDLE[1] + machine.bed_y - 45.0 * even(seed + 61, n) * state.passing.tangle
        points.append((x, y + shiver))
    brush.line(canvas, colour, points, 2.0)


def _beam(canvas: Picture, brush: Brush, machine: Machine) -> None:
    left, right, foot = 118.0, 512.0, 396.0
    beam_y = max(64.0, machine.tip_y - 46.0)
    brush.block(canvas, (0.10, 0.11, 0.12), left, beam_y, right, beam_y + 12.0)
    brush.line(canvas, (0.28, 0.30, 0.32), ((left, beam_y), (right, beam_y)), 1.5)
    for x in (left - 6.0, right - 2.0):
        brush.block(canvas, (0.065, 0.07, 0.075), x, 56.0, x + 12.0, foot)


def _cables(
    canvas: Picture, brush: Brush, state: SceneState, look: Look, seed: int, machine: Machine
) -> None:
    colours: tuple[Bgr, ...] = ((0.02, 0.02, 0.02), (0.6, 0.6, 0.6), (0.05, 0.05, 0.5))
    for n in range(look.cables):
        from_x = 140.0 + 170.0 * n
        sway = 5.0 * wobble(seed + 70 + n, state.t_s, 1.5) if not state.parked else 0.0
        middle = (0.5 * (from_x + machine.tip_x) + sway, 90.0 + 12.0 * n + abs(sway))
        points = [
            _bend((from_x, 20.0), middle, (machine.tip_x, machine.head_y - 16.0), k / 8.0)
            for k in range(9)
        ]
        brush.line(canvas, colours[n % 3], points, 3.0)


def _bend(a: Point, b: Point, c: Point, share: float) -> Point:
    p, q, r = (1.0 - share) ** 2, 2.0 * share * (1.0 - share), share**2
    return p * a[0] + q * b[0] + r * c[0], p * a[1] + q * b[1] + r * c[1]


def _head(canvas: Picture, brush: Brush, state: SceneState, look: Look, machine: Machine) -> None:
    x, y = machine.tip_x, machine.tip_y
    brush.block(canvas, look.head, x - 21.0, y - 52.0, x + 21.0, y - 12.0)
    brush.disc(canvas, _times(look.head, 1.9), x, y - 34.0, 12.0)
    if look.fan and not state.parked:
        turn = state.t_s * 311.0  # faster than any camera: what is seen is chance
        for blade in range(3):
            angle = turn + blade * math.tau / 3.0
            tip = (x + 11.0 * math.cos(angle), y - 34.0 + 11.0 * math.sin(angle))
            brush.line(canvas, _times(look.head, 0.6), ((x, y - 34.0), tip), 4.0)
    nozzle = ((x - 8.0, y - 12.0), (x + 8.0, y - 12.0), (x, y))
    brush.area(canvas, (0.12, 0.35, 0.50), nozzle)


def pieces(count: int, wide_mm: float = 0.0) -> list[tuple[float, float, float]]:
    """Foot points and widths of the pieces on the bed, far row first."""
    if count <= 0:
        return []
    if wide_mm > 0.0:  # one behind the other
        wide = min(LONGEST_PX, wide_mm * PX_PER_MM)
        rows_y = (374.0 - 14.0 * (count - 1) / 2.0 + 14.0 * n for n in range(count))
        return [(BED_MIDDLE[0], y, wide) for y in rows_y]
    rows = 1 if count <= 3 else 2 if count <= 8 else 3
    places: list[tuple[float, float, float]] = []
    for row in range(rows):
        in_row = count // rows + (1 if row < count % rows else 0)
        y = 374.0 if rows == 1 else 358.0 + row * (28 // max(1, rows - 1))
        gap = (240.0 + 20.0 * row) / max(1, in_row)
        wide = min(44.0, gap * 0.6)
        places.extend(
            (BED_MIDDLE[0] + (n - (in_row - 1) / 2) * gap, y, wide) for n in range(in_row)
        )
    return places


def _times(colour: Bgr, share: float) -> Bgr:
    return tuple(min(1.0, part * share) for part in colour)  # type: ignore[return-value]
