"""Toolpaths of the boat shed's parts, written line by line as a program would.

An oarlock bushing is rings, a fin box long walls with filling between them, a rigger
spacer a solid block with a hole. Several copies may stand on a plate, built together
layer by layer, or one after the other.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, cos, hypot, pi, sin, tau
from typing import Final

ROAD_MM: Final = 0.45
FILAMENT_MM2: Final = pi * 1.75**2 / 4
Point = tuple[float, float]
Path = list[Point]


@dataclass(frozen=True, slots=True)
class ShedPart:
    """What is built: half its sizes from above, its height, and how full it is."""

    name: str
    half_x_mm: float
    half_y_mm: float
    height_mm: float
    hole_mm: float = 0.0  # radius; with equal halves the outside is round too
    walls: int = 2
    filling_mm: float = 0.0  # between two lines of filling; 0: none


BUSHING: Final = ShedPart("oarlock bushing", 12.0, 12.0, 30.0, hole_mm=8.0, walls=4)
FIN_BOX: Final = ShedPart("fin box", 90.0, 11.0, 40.0, walls=3, filling_mm=4.0)
SPACER: Final = ShedPart("rigger spacer", 20.0, 15.0, 8.0, hole_mm=5.0, filling_mm=ROAD_MM)
SHED_PARTS: Final = {part.name: part for part in (BUSHING, FIN_BOX, SPACER)}


@dataclass(frozen=True, slots=True)
class Build:
    """How it is built. Speeds in mm/s; `places` are the middles of the copies.

    `stop_at_layers`: before these, counted from 1, the program waits for a person.
    """

    part: ShedPart
    places: tuple[Point, ...] = ((100.0, 100.0),)
    one_by_one: bool = False
    layer_mm: float = 0.2
    wall_mm_s: float = 40.0
    filling_mm_s: float = 70.0
    travel_mm_s: float = 150.0
    first_mm_s: float = 20.0
    nozzle_c: tuple[float, float] = (250.0, 245.0)
    bed_c: float = 100.0
    fan_share: float = 0.0
    fan_from_layer: int = 4
    relative: bool = True
    arcs: bool = False
    lift_mm: float = 0.4
    draw_back_mm: float = 1.0
    purge: bool = True
    stop_at_layers: tuple[int, ...] = ()

    @property
    def layers(self) -> int:
        """Of each copy."""
        return max(1, round(self.part.height_mm / self.layer_mm))


def toolpath_lines(build: Build) -> Iterator[str]:
    """The program, line by line, each with its end."""
    yield from (f"{line}\n" for line in _Pen(build).program())


class _Pen:
    def __init__(self, build: Build) -> None:
        self._build = build
        self._at: tuple[float, float, float] = (0.0, 0.0, 0.0)
        self._pushed_mm = 0.0
        self._feed_mm_s = 0.0

    def program(self) -> Iterator[str]:
        build = self._build
        yield f"; {build.part.name}, {len(build.places)} of it"
        yield from ("G21", "G90", "M83" if build.relative else "M82")
        yield f"M190 S{build.bed_c:g}"
        yield f"M109 S{build.nozzle_c[0]:g}"
        yield from ("G28", "G92 E0", "M107")
        if build.purge:
            yield from self._travel(5.0, 5.0, 0.3, lift=False)
            yield from self._road([(5.0, 5.0), (85.0, 5.0)], 0.3, 20.0)
        if build.one_by_one:
            for place in build.places:
                for layer in range(1, build.layers + 1):
                    yield from self._layer(layer, (place,))
        else:
            for layer in range(1, build.layers + 1):
                yield from self._layer(layer, build.places)
        yield from ("M107", "M104 S0", "M140 S0")
        x, y, z = self._at
        yield from self._travel(x, y, z + 10, lift=False)
        yield "M84"

    def _layer(self, layer: int, places: tuple[Point, ...]) -> Iterator[str]:
        build = self._build
        z_mm = round(layer * build.layer_mm, 4)
        if layer == 2 and build.nozzle_c[1] != build.nozzle_c[0]:
            yield f"M104 S{build.nozzle_c[1]:g}"
        if build.fan_share and layer == build.fan_from_layer:
            yield f"M106 S{build.fan_share * 255:.0f}"
        if layer in build.stop_at_layers:
            yield "M0 empty spool"
        for place in places:
            for closed, points, speed in _paths(build, place, layer):
                if layer == 1:
                    speed = build.first_mm_s
                yield from self._travel(*points[0], z_mm, lift=True)
                if closed and build.arcs and build.part.half_x_mm == build.part.half_y_mm:
                    yield from self._ring(points[0], place, z_mm, speed)
                else:
                    yield from self._road(points, z_mm, speed)

    def _push(self, length_mm: float) -> str:
        self._pushed_mm = round(self._pushed_mm + length_mm, 5)
        return f"E{length_mm if self._build.relative else self._pushed_mm:.5f}"

    def _travel(self, x: float, y: float, z: float, *, lift: bool) -> Iterator[str]:
        build = self._build
        if (x, y, z) == self._at:
            return
        feed = f"F{build.travel_mm_s * 60:g}"
        far = hypot(x - self._at[0], y - self._at[1]) > 3.0
        back = build.draw_back_mm if lift and far else 0.0
        if back:
            yield f"G1 {self._push(-back)} F2100"
        if lift and far and build.lift_mm:
            yield f"G1 Z{max(z, self._at[2]) + build.lift_mm:.3f} F600"
        yield f"G0 X{x:.3f} Y{y:.3f} {feed}"
        yield f"G1 Z{z:.3f} F600"
        if back:
            yield f"G1 {self._push(back)} F2100"
        self._at = (x, y, z)
        self._feed_mm_s = 0.0

    def _road(self, points: Path, z: float, speed_mm_s: float) -> Iterator[str]:
        for (x0, y0), (x, y) in pairwise(points):
            feed = "" if speed_mm_s == self._feed_mm_s else f" F{speed_mm_s * 60:g}"
            self._feed_mm_s = speed_mm_s
            push = self._push(self._filament_mm(hypot(x - x0, y - y0)))
            yield f"G1 X{x:.3f} Y{y:.3f} {push}{feed}"
        self._at = (*points[-1], z)

    def _ring(self, start: Point, middle: Point, z: float, speed_mm_s: float) -> Iterator[str]:
        radius = hypot(start[0] - middle[0], start[1] - middle[1])
        push = self._push(self._filament_mm(tau * radius))
        i, j = middle[0] - start[0], middle[1] - start[1]
        yield f"G3 X{start[0]:.3f} Y{start[1]:.3f} I{i:.3f} J{j:.3f} {push} F{speed_mm_s * 60:g}"
        self._at = (*start, z)
        self._feed_mm_s = speed_mm_s

    def _filament_mm(self, road_mm: float) -> float:
        return road_mm * ROAD_MM * self._build.layer_mm / FILAMENT_MM2


def _paths(build: Build, place: Point, layer: int) -> Iterator[tuple[bool, Path, float]]:
    """What is laid of one copy on a layer: whether it is a closed wall, where, how fast."""
    part = build.part
    for wall in range(part.walls):
        inset = ROAD_MM * (wall + 0.5)
        yield True, _outline(part, place, inset), build.wall_mm_s
        if part.hole_mm:
            yield True, _circle(place, part.hole_mm + inset), build.wall_mm_s
    if part.filling_mm:
        yield False, _filling(part, place, layer), build.filling_mm_s


def _outline(part: ShedPart, place: Point, inset: float) -> Path:
    x, y = place
    a, b = part.half_x_mm - inset, part.half_y_mm - inset
    if part.hole_mm and a == b:
        return _circle(place, a)
    return [(x - a, y - b), (x + a, y - b), (x + a, y + b), (x - a, y + b), (x - a, y - b)]


def _circle(place: Point, radius: float) -> Path:
    count = max(24, ceil(tau * radius / 0.8))
    angles = [tau * number / count for number in range(count)]
    points = [(place[0] + radius * cos(a), place[1] + radius * sin(a)) for a in angles]
    return [*points, points[0]]


def _filling(part: ShedPart, place: Point, layer: int) -> Path:
    """Lines to and fro between the walls, along one side and then along the other.

    A hole is not left out: what it takes away is small, and the walls show it.
    """
    inset = ROAD_MM * (part.walls + 0.5)
    a, b = part.half_x_mm - inset, part.half_y_mm - inset
    along_x = bool(layer % 2)
    far, wide = (a, b) if along_x else (b, a)
    count = max(2, int(2 * wide / part.filling_mm))
    points: Path = []
    for number in range(count + 1):
        across = -wide + 2 * wide * number / count
        ends = (-far, far) if number % 2 == 0 else (far, -far)
        points += [(end, across) if along_x else (across, end) for end in ends]
    return [(place[0] + x, place[1] + y) for x, y in points]
