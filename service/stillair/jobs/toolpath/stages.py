"""Road as it is laid, gathered into stages: stretches of the program at one height.

A road is where the filament moves forward and the nozzle sideways; travel, however
high it is lifted, is none. A stage goes on while road is laid at its height. Heights
that waver a little, as where a bed's unevenness is followed, belong to one stage.
Where the height grows while road is laid (a wall as one spiral), each whole turn of
the road's direction is a stage.

What a stage means, a layer, a line beside the part, another piece, is told from all of
them together when the file is over; see `pieces`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import atan2, inf, nan
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stillair.errors import ToolpathError
from stillair.jobs.toolpath.grid import Grid, Sheet, Strokes
from stillair.jobs.toolpath.moves import Moves

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

SHORTEST_ROAD_MM: Final = 1e-3
LEAST_FILAMENT_MM: Final = 1e-5
STEEPEST: Final = 0.9  # rise over way; steeper, it is no road but a pillar
CHAIN_MM: Final = 0.012  # by which the height may change from one road to the next
SAME_MM: Final = 0.02  # heights that differ by less are one
CLIMBS_MM: Final = 0.1  # by which one road may rise at its height
WAVER_MM: Final = 0.005  # flat road wavers by less
RISES_MM: Final = 0.03  # by which a wall has to rise to be a spiral
STRAIGHT_COS: Final = 0.9997  # 1.4 degrees between two roads of one straight run
FARTHEST_BELOW_MM: Final = 1.5  # thicker, no layer is
REMEMBERED: Final = 4  # sheets of stages that are over, to find the one below


@dataclass(slots=True)
class Stage:
    """One stretch of the program at one height. Seconds of the toolpath's clock."""

    line: int
    z_mm: float
    low_mm: float
    high_mm: float
    begin_s: float
    nozzle_c: float
    bed_c: float
    spiral: bool
    flat: bool
    end_s: float = 0.0
    length_mm: float = 0.0
    volume_mm3: float = 0.0
    laid_s: float = 0.0
    fan_s: float = 0.0  # the fan's word, times the seconds
    moment_mm2: float = 0.0  # height times length
    longest_mm: float = 0.0
    box: tuple[float, float, float, float] = (inf, inf, -inf, -inf)
    kept: int = -1  # number of its cells in the grid
    least_s: float = inf  # until something is laid over a spot of it


@dataclass(slots=True)
class _Run:
    """What is known of the stretch of road that a piece of the file ended in."""

    end_mm: float = nan
    rise_mm: float = 0.0
    way_mm: float = 0.0  # all its changes of height
    turned_rad: float = 0.0
    most_rad: float = 0.0
    turns: int = 0
    rising: bool = False
    heading_rad: float = nan  # of its last road, nan if travel followed


@dataclass(frozen=True, slots=True, eq=False)
class _Roads:
    """The roads among some moves; `at` where they stand there."""

    moves: Moves
    at: NDArray[np.int64]
    begin_s: Floats
    end_s: Floats
    low: Floats  # height at the beginning
    high: Floats  # height at the end
    joined: Flags  # begins where the road before ended, without travel
    of: int  # how many moves there are

    def __len__(self) -> int:
        return len(self.at)


@dataclass(frozen=True, slots=True)
class _Group:
    """Consecutive roads at one height: figures of theirs."""

    first: int
    z_mm: float
    low_mm: float
    high_mm: float
    spiral: bool
    goes_on: bool  # with the road and the turn of the moves before


@dataclass(slots=True)
class Stages:
    """Gather moves into stages. `most` stages are borne."""

    most: int
    stages: list[Stage] = field(default_factory=list)
    grid: Grid = field(default_factory=Grid)
    tools: set[int] = field(default_factory=set)
    _run: _Run = field(default_factory=_Run)
    _thickness_mm: float = 0.2
    _sheet: Sheet = field(default_factory=Sheet)
    _drawn: int = -1  # number of the stage that the sheet shows
    _below: list[tuple[int, Sheet]] = field(default_factory=list)

    def take(self, moves: Moves, begin_s: Floats, end_s: Floats) -> None:
        """Some moves that follow those before. Raises `ToolpathError` at too many stages."""
        roads = _roads_of(moves, begin_s, end_s)
        if not len(roads):
            return
        self.tools.update(np.unique(roads.moves.tool).tolist())
        starts: list[int] = []
        for group in self._groups(roads):
            begins = self._begins(group)
            if begins:
                self._open(roads, group)
            if begins or not starts:
                starts.append(group.first)
            stage = self.stages[-1]
            stage.low_mm = min(stage.low_mm, group.z_mm)
            stage.high_mm = max(stage.high_mm, group.z_mm)
            stage.flat = stage.flat and group.high_mm - group.low_mm < WAVER_MM
        self._add_up(roads, np.array(starts))

    def close(self) -> None:
        """Nothing follows."""
        if self.stages:
            self._close()

    # --- where a stage begins --------------------------------------------------------

    def _groups(self, roads: _Roads) -> list[_Group]:
        """Consecutive roads of one height or of one turn of a spiral."""
        count = len(roads)
        before = np.concatenate(([self._run.end_mm], roads.high[:-1]))
        begins = ~(np.abs(roads.low - before) <= CHAIN_MM)
        goes_on = not bool(begins[0])
        begins[0] = True
        starts = np.flatnonzero(begins)
        change = roads.high - roads.low
        stepped = np.abs(roads.low - before)
        stepped[begins] = 0.0
        rise = roads.high[np.append(starts[1:], count) - 1] - roads.low[starts]
        way = np.add.reduceat(np.abs(change) + stepped, starts)
        if goes_on:
            rise[0] += self._run.rise_mm
            way[0] += self._run.way_mm
        spiral = (rise > RISES_MM) & (way < 1.2 * rise)
        of_run = np.cumsum(begins) - 1
        # Road that climbs to the next layer leaves the height of the one before.
        climbs = (np.abs(change) > CLIMBS_MM) & ~spiral[of_run]
        begins |= climbs
        begins[1:] |= climbs[:-1]
        if bool(spiral.any()):
            turns = self._turns(roads, starts, spiral, goes_on=goes_on)
            begins, goes_on = begins | turns, goes_on and not bool(turns[0])
        elif not goes_on or starts.size > 1:
            self._run = _Run()
        self._run.end_mm = float(roads.high[-1])
        x, y = roads.moves.out[-1, :2].tolist()
        self._run.heading_rad = atan2(y, x) if roads.at[-1] == roads.of - 1 else nan
        self._run.rise_mm, self._run.way_mm = float(rise[-1]), float(way[-1])
        starts = np.flatnonzero(begins)
        length = roads.moves.length
        weight = np.add.reduceat(length, starts)
        mean = np.add.reduceat((roads.low + roads.high) / 2 * length, starts) / weight
        low = np.minimum.reduceat(np.minimum(roads.low, roads.high), starts)
        high = np.maximum.reduceat(np.maximum(roads.low, roads.high), starts)
        same = goes_on & (starts == 0)
        columns = (starts, mean, low, high, spiral[of_run[starts]], same)
        return [_Group(*row) for row in zip(*(c.tolist() for c in columns), strict=True)]

    def _turns(
        self,
        roads: _Roads,
        starts: NDArray[np.int64],
        spiral: Flags,
        *,
        goes_on: bool,
    ) -> Flags:
        """Where a spiral has come round once more."""
        out, into = roads.moves.out, roads.moves.into
        angle = np.arctan2(into[:, 1], into[:, 0])
        turn = np.empty(len(roads))
        turn[0] = angle[0] - self._run.heading_rad if roads.at[0] == 0 else nan
        turn[1:] = angle[1:] - np.arctan2(out[:-1, 1], out[:-1, 0])
        turn = (turn + np.pi) % (2 * np.pi) - np.pi
        turn[1:][~roads.joined[1:]] = 0.0
        turn[0] = np.nan_to_num(turn[0])
        turn += roads.moves.sweep
        begins = np.zeros(len(roads), np.bool_)
        rising = roads.high > roads.low
        run = _Run()
        for number in np.flatnonzero(spiral).tolist():
            first = int(starts[number])
            until = int(starts[number + 1]) if number + 1 < len(starts) else len(roads)
            run = self._run if number == 0 and goes_on else _Run()
            if not run.rising:
                # What was laid before it began to rise is a layer of its own.
                rises = first + int(np.argmax(rising[first:until]))
                begins[rises] = rises > first
                turn[first : rises + 1] = 0.0
                run.rising = True
            # A turn begins where the last one is whole: what a concave corner takes back
            # doesn't begin it again.
            turned = run.turned_rad + np.cumsum(turn[first:until])
            most = np.maximum.accumulate(np.maximum(np.abs(turned), run.most_rad))
            turns = ((most + 1e-3) / (2 * np.pi)).astype(np.int64)
            begins[first:until] |= np.diff(turns, prepend=run.turns) > 0
            run.turned_rad, run.most_rad = float(turned[-1]), float(most[-1])
            run.turns = int(turns[-1])
        self._run = run if spiral[-1] else _Run()
        return begins

    def _begins(self, group: _Group) -> bool:
        """Whether roads at this height are a stage of their own."""
        if not self.stages:
            return True
        stage = self.stages[-1]
        rise_mm, fall_mm = group.z_mm - stage.high_mm, stage.low_mm - group.z_mm
        if group.spiral:
            return not group.goes_on and (rise_mm > SAME_MM or fall_mm > self._thickness_mm)
        if stage.flat and group.high_mm - group.low_mm < WAVER_MM:
            return rise_mm > SAME_MM or fall_mm > SAME_MM
        slack_mm = min(max(0.5 * self._thickness_mm, SAME_MM), 0.15)
        return rise_mm > slack_mm or fall_mm > 1.2 * slack_mm

    def _open(self, roads: _Roads, group: _Group) -> None:
        line = int(roads.moves.line[group.first])
        if len(self.stages) >= self.most:
            raise ToolpathError(
                line, f"the road has changed its height more than {self.most:,} times by here"
            )
        if self.stages:
            step_mm = group.z_mm - self.stages[-1].high_mm
            if SAME_MM < step_mm < 1.0:
                self._thickness_mm = step_mm
        self.stages.append(
            Stage(
                line=line,
                z_mm=group.z_mm,
                low_mm=group.z_mm,
                high_mm=group.z_mm,
                begin_s=float(roads.begin_s[group.first]),
                nozzle_c=float(roads.moves.nozzle_c[group.first]),
                bed_c=float(roads.moves.bed_c[group.first]),
                spiral=group.spiral,
                flat=True,
            )
        )

    # --- figures ---------------------------------------------------------------------

    def _add_up(self, roads: _Roads, starts: NDArray[np.int64]) -> None:
        """Add roads to the last stages, one for each start."""
        moves = roads.moves
        seconds = roads.end_s - roads.begin_s
        strokes = Strokes(
            moves.start[:, :2],
            moves.end[:, :2],
            moves.length,
            roads.begin_s,
            roads.end_s,
            moves.centre,
            moves.sweep,
        )
        low, high = _corners(moves)
        sums = [
            np.add.reduceat(column, starts).tolist()
            for column in (
                moves.length,
                moves.volume,
                seconds,
                seconds * moves.fan,
                (roads.low + roads.high) / 2 * moves.length,
            )
        ]
        lows = np.minimum.reduceat(low, starts).tolist()
        highs = np.maximum.reduceat(high, starts).tolist()
        longest = _straight(roads, starts).tolist()
        ends = [*starts[1:].tolist(), len(roads)]
        first_stage = len(self.stages) - len(starts)
        for number, (start, end) in enumerate(zip(starts.tolist(), ends, strict=True)):
            if first_stage + number > self._drawn:
                if self._drawn >= 0:
                    self._close()
                self._drawn = first_stage + number
            stage = self.stages[self._drawn]
            stage.length_mm += sums[0][number]
            stage.volume_mm3 += sums[1][number]
            stage.laid_s += sums[2][number]
            stage.fan_s += sums[3][number]
            stage.moment_mm2 += sums[4][number]
            stage.z_mm = stage.moment_mm2 / stage.length_mm
            stage.longest_mm = max(stage.longest_mm, longest[number])
            stage.end_s = float(roads.end_s[end - 1])
            (x0, y0), (x1, y1) = lows[number], highs[number]
            self.grid.reach(x0, y0, x1, y1, [self._sheet, *(sheet for _, sheet in self._below)])
            old = stage.box
            stage.box = (min(x0, old[0]), min(y0, old[1]), max(x1, old[2]), max(y1, old[3]))
            self.grid.draw(strokes.part(slice(start, end)), self._sheet)

    def _close(self) -> None:
        """The stage that is drawn is over: keep its cells, and tell the one below how long."""
        stage, sheet = self.stages[self._drawn], self._sheet
        stage.kept = self.grid.keep(sheet)
        mean_s = sheet.mean_s()
        for number, other in reversed(self._below):
            below = self.stages[number]
            if SAME_MM < stage.z_mm - below.z_mm < FARTHEST_BELOW_MM:
                later_s = mean_s - other.mean_s()
                later_s = np.sort(later_s[later_s > 0])
                if later_s.size:
                    # A cell in which one of the two has hardly any road says little.
                    least_s = float(later_s[later_s.size // 20])
                    below.least_s = min(below.least_s, least_s)
                break
        self._below = [*self._below, (self._drawn, sheet)][-REMEMBERED:]
        self._sheet = Sheet()


def _roads_of(moves: Moves, begin_s: Floats, end_s: Floats) -> _Roads:
    sideways = moves.length * np.hypot(moves.into[:, 0], moves.into[:, 1])
    at = np.flatnonzero(
        (moves.filament > LEAST_FILAMENT_MM)
        & (sideways > SHORTEST_ROAD_MM)
        & (np.abs(moves.into[:, 2]) < STEEPEST)
    )
    joined = np.diff(at, prepend=-2) == 1
    found = moves.part(at)
    return _Roads(
        found, at, begin_s[at], end_s[at], found.start[:, 2], found.end[:, 2], joined, len(moves)
    )


def _corners(moves: Moves) -> tuple[Floats, Floats]:
    """Lowest and highest X and Y of each road, (n, 2) each."""
    low = np.minimum(moves.start[:, :2], moves.end[:, :2])
    high = np.maximum(moves.start[:, :2], moves.end[:, :2])
    arcs = np.flatnonzero(moves.sweep)
    if arcs.size:
        centre = moves.centre[arcs]
        from_centre = moves.start[arcs, :2] - centre
        begin = np.arctan2(from_centre[:, 1], from_centre[:, 0])
        for share in np.linspace(0, 1, 17)[1:-1].tolist():
            angle = begin + moves.sweep[arcs] * share
            round_ = np.stack((np.cos(angle), np.sin(angle)), axis=1)
            at = centre + moves.radius[arcs][:, None] * round_
            low[arcs] = np.minimum(low[arcs], at)
            high[arcs] = np.maximum(high[arcs], at)
    return low, high


def _straight(roads: _Roads, starts: NDArray[np.int64]) -> Floats:
    """The longest straight run of road from each start to the next, mm.

    Roads that go on from each other in nearly the same direction are one run; so long as
    its ends lie apart, as a finely divided arc is none.
    """
    moves = roads.moves
    begins = ~roads.joined
    begins[1:] |= np.einsum("ij,ij->i", moves.out[:-1], moves.into[1:]) < STRAIGHT_COS
    round_ = np.isfinite(moves.radius)
    begins |= round_
    begins[1:] |= round_[:-1]
    begins[starts] = True
    first = np.flatnonzero(begins)
    last = np.append(first[1:], len(roads)) - 1
    way = moves.end[last] - moves.start[first]
    apart = np.sqrt(np.einsum("ij,ij->i", way, way))
    apart[round_[first]] = 0.0
    return np.asarray(np.maximum.reduceat(apart, np.searchsorted(first, starts)))
