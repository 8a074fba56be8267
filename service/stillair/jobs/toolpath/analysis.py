"""From a stream of bytes to layers and figures, in one pass and with bounded memory."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from math import isinf, isnan

import numpy as np
from numpy.typing import NDArray

from stillair.errors import ToolpathError
from stillair.jobs.toolpath.layers import Layers, Toolpath, Whole
from stillair.jobs.toolpath.limits import Bounds, MotionLimits
from stillair.jobs.toolpath.lines import Piece, pieces
from stillair.jobs.toolpath.machine import Machine
from stillair.jobs.toolpath.motion import Planner
from stillair.jobs.toolpath.moves import HALT, Moves
from stillair.jobs.toolpath.pieces import Box, LayerStages, box_of, layers_of
from stillair.jobs.toolpath.stages import Stage, Stages
from stillair.jobs.toolpath.words import words_of

Floats = NDArray[np.float64]

FIRST_LAYERS = 3
MOST_STOPS = 1000
LONGEST_S = 90 * 86_400.0
BRIM_MM = 12.0  # wider than anybody lays one
STAGES_A_LAYER = 2  # borne on the mean; lines beside the part are stages too


def analyse(
    blocks: Iterable[bytes],
    limits: MotionLimits | None = None,
    bounds: Bounds | None = None,
    told: Callable[[int], None] = lambda _: None,
) -> Toolpath:
    """What a toolpath builds, and when.

    Parameters
    ----------
    blocks : iterable of bytes
        The file from its beginning, cut anywhere; an endless one is refused in time.
    limits : MotionLimits
        Those of the machine, where the file doesn't name its own.
    bounds : Bounds
        How much is read.
    told : callable
        Told again and again how many bytes have been worked on.

    Raises `ToolpathError` for the first line that can't be understood, and at the last
    where no road is laid at all.
    """
    limits, bounds = limits or MotionLimits(), bounds or Bounds()
    machine = Machine(limits)
    planner = Planner(machine.orders.regimes)
    clock = _Clock()
    stages = Stages(STAGES_A_LAYER * bounds.layers)
    line = done = 0
    for piece in pieces(blocks, bounds):
        settled, seconds = planner.plan(_moves(machine, piece))
        stages.take(settled, *clock.take(settled, seconds))
        line = piece.first_line + piece.text.count(b"\n") - 1
        done += len(piece.text)
        told(done)
    if (held := planner.finish()) is not None:
        settled, seconds = held
        stages.take(settled, *clock.take(settled, seconds))
    stages.close()
    found = layers_of(stages.stages)
    if not found:
        raise ToolpathError(
            max(line, 1), "to the end no road is laid: no line moves sideways and pushes filament"
        )
    if len(found) > bounds.layers:
        over = stages.stages[found[bounds.layers].stages[0]]
        raise ToolpathError(over.line, f"more than {bounds.layers:,} layers by here")
    return _toolpath(machine, clock, stages, found)


def _moves(machine: Machine, piece: Piece) -> Moves:
    """The moves of a piece. Raises `ToolpathError` for its first line that is wrong."""
    before = machine.copy()
    try:
        return machine.moves(words_of(piece))
    except ToolpathError as error:
        first = error
    # Each thing that can be wrong is looked for in all lines at once, so an earlier line
    # may have another: what lies before is read again until nothing is found.
    while first.line > piece.first_line:
        try:
            before.copy().moves(words_of(piece.before(first.line)))
        except ToolpathError as error:
            first = error
        else:
            break
    raise first


class _Clock:
    """The toolpath's own clock: from its first motion, standing at halts."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.filament_mm = 0.0
        self.stops_s: list[float] = []
        self._begun = False

    def take(self, moves: Moves, seconds: Floats) -> tuple[Floats, Floats]:
        """When each move begins and ends."""
        if not self._begun and len(moves):
            going = np.flatnonzero(moves.length > 0)
            before = int(going[0]) if going.size else len(moves)
            seconds = seconds.copy()
            seconds[:before] = 0.0
            self._begun = bool(going.size)
        ends = self.now_s + np.cumsum(seconds)
        if len(moves):
            if ends[-1] > LONGEST_S:
                line = int(moves.line[int(np.argmax(ends > LONGEST_S))])
                raise ToolpathError(
                    line,
                    f"more than {LONGEST_S / 86_400:g} days of motion by here; is a feed wrong?",
                )
            self.now_s = float(ends[-1])
            self.filament_mm += float(moves.filament.sum())
            if self._begun and len(self.stops_s) < MOST_STOPS:
                self.stops_s += ends[moves.kind == HALT].tolist()
        return ends - seconds, ends


def _toolpath(
    machine: Machine, clock: _Clock, stages: Stages, found: list[LayerStages]
) -> Toolpath:
    parts = [[stages.stages[number] for number in layer.stages] for layer in found]
    most_fan = 255.0 if machine.orders.most_fan > 1 else 1.0
    layers = _layers(found, parts, most_fan)
    box = _footprint(parts)
    first = [
        number
        for number, layer in enumerate(found)
        if not number or layer.piece != found[number - 1].piece
    ]
    whole = Whole(
        duration_s=clock.now_s,
        height_mm=float(layers.height_mm.max()),
        layers=len(layers),
        nozzle_c=_first_and_rest([part[0].nozzle_c for part in parts]),
        bed_c=_first_and_rest([part[0].bed_c for part in parts]),
        chamber_c=machine.orders.chamber_c,
        filament_mm=clock.filament_mm,
        footprint_mm=box,
        base_area_mm2=float((layers.length_mm * layers.width_mm)[first].sum()),
        longest_run_mm=float(layers.longest_run_mm.max()),
        pieces=found[-1].piece + 1,
        tools=tuple(sorted(stages.tools)),
        fan_first_share=float(layers.fan_share[:FIRST_LAYERS].max()),
        units="inch" if machine.inches else "mm",
        spiral=sum(stage.spiral for part in parts for stage in part) > len(parts) / 2,
        stops_s=tuple(clock.stops_s),
        warnings=tuple(machine.warnings),
        fan_share=_mean_fan_share(parts, most_fan),
        shortest_layer_s=_shortest_s(parts),
    )
    outlines = stages.grid.outlines([[stage.kept for stage in part] for part in parts], box)
    return Toolpath(whole, layers, outlines)


def _mean_fan_share(parts: list[list[Stage]], most_fan: float) -> float | None:
    laid_s = sum(stage.laid_s for part in parts for stage in part)
    fan_s = sum(stage.fan_s for part in parts for stage in part)
    return float(fan_s / (laid_s * most_fan)) if laid_s > 0 else None


def _shortest_s(parts: list[list[Stage]]) -> float | None:
    least_s = min(stage.least_s for part in parts for stage in part)
    return None if isinf(least_s) else float(least_s)


def _footprint(parts: list[list[Stage]]) -> Box:
    """The rectangle that the part takes, with a brim.

    A line that is laid on the first layer to get the nozzle going is as high as the part's
    own, but far from all that comes above.
    """
    x0, y0, x1, y1 = box_of([stage for part in parts for stage in part])
    if len(parts) > 2:
        above = box_of([stage for part in parts[1:] for stage in part])
        x0, y0 = max(x0, above[0] - BRIM_MM), max(y0, above[1] - BRIM_MM)
        x1, y1 = min(x1, above[2] + BRIM_MM), min(y1, above[3] + BRIM_MM)
    return (x0, y0, x1, y1)


def _layers(found: list[LayerStages], parts: list[list[Stage]], most_fan: float) -> Layers:
    def summed(name: str) -> Floats:
        return np.array([sum(getattr(stage, name) for stage in part) for part in parts])

    height = np.array([layer.height_mm for layer in found]).round(4)
    thickness = np.array([layer.thickness_mm for layer in found]).round(4)
    start_s = np.array([part[0].begin_s for part in parts])
    end_s = np.array([part[-1].end_s for part in parts])
    length = summed("length_mm")
    least_s = np.array([min(stage.least_s for stage in part) for part in parts])
    return Layers(
        height_mm=height,
        thickness_mm=thickness,
        start_s=start_s,
        end_s=end_s,
        length_mm=length,
        width_mm=summed("volume_mm3") / (length * np.maximum(thickness, 1e-3)),
        fan_share=np.divide(
            summed("fan_s"),
            summed("laid_s") * most_fan,
            out=np.zeros(len(parts)),
            where=summed("laid_s") > 0,
        ),
        least_time_s=np.where(np.isinf(least_s), end_s - start_s, least_s),
        nozzle_c=np.array([part[0].nozzle_c for part in parts]),
        longest_run_mm=np.array([max(stage.longest_mm for stage in part) for part in parts]),
        piece=np.array([layer.piece for layer in found], np.int32),
    )


def _first_and_rest(set_points: list[float]) -> tuple[float | None, float | None]:
    """What was set on the first layer, and on most of the others."""
    known = [point for point in set_points[1:] if not isnan(point)]
    rest = max(set(known), key=known.count) if len(set(known)) < 100 and known else None
    if known and rest is None:
        rest = sorted(known)[len(known) // 2]
    first = None if isnan(set_points[0]) else set_points[0]
    return (first, rest if len(set_points) > 1 else first)
