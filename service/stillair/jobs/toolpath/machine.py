"""A machine that reads a file: words in, moves out.

Keeps where it is and what is in force from one piece to the next: absolute or
relative (G90 G91, of the filament M82 M83; G90 and G91 count for both), inches, the
plane, the last feed. G92 names the place where it stands anew, G28 finds home. The
axes' values of thousands of lines are worked out together: a value that is set holds
until the next, and what is added in between is summed up.
"""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from dataclasses import dataclass, replace
from math import inf
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stillair.errors import ToolpathError
from stillair.jobs.toolpath.arcs import PLANES, arcs_of
from stillair.jobs.toolpath.limits import MotionLimits
from stillair.jobs.toolpath.modes import in_force, tracked
from stillair.jobs.toolpath.moves import ARC, HALT, STRAIGHT, WAIT, Moves
from stillair.jobs.toolpath.orders import Changes, Orders, Said
from stillair.jobs.toolpath.words import Words

Floats = NDArray[np.float64]
Lines = NDArray[np.int64]
Flags = NDArray[np.bool_]

INCH_MM: Final = 25.4
FARTHEST_MM: Final = 10_000.0
LONGEST_WAIT_S: Final = 100_000.0
SHORTEST_MM: Final = 1e-6
LEAST_FIGURES: Final = 20  # of filament, to judge by
FALLING_SHARE: Final = 0.2  # of absolute ones only those behind a G92 fall

# G words in tenths, as some have a digit behind the point.
LINE, CLOCKWISE, ANTICLOCKWISE, CURVE = 10, 20, 30, 50
MOTION: Final = (0, LINE, CLOCKWISE, ANTICLOCKWISE, CURVE)
UNITS: Final = {200: INCH_MM, 210: 1.0}
ABSOLUTE: Final = {900: 1.0, 910: 0.0}
ABSOLUTE_CENTRE: Final = {901: 1.0, 911: 0.0}
PLANE: Final = {170: 17.0, 180: 18.0, 190: 19.0}
# Others that may stand before a motion on its line.
HARMLESS: Final = (400, *range(530, 600, 10), 591, 592, 593, 610, 640, 930, 940, 950)
MODES: Final = (*UNITS, *ABSOLUTE, *ABSOLUTE_CENTRE, *PLANE, *HARMLESS)
DWELL, DRAW_BACK, PUSH_FORTH, HOME, NAME_PLACE, BY_TIME = 40, 100, 110, 280, 920, 930
MACROS: Final = (650, 660)


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    """The lines of one piece, and what is in force on each."""

    words: Words
    g_lines: Lines
    code: NDArray[np.int64]  # of each G word, in tenths
    present: frozenset[int]
    axes: Mapping[str, Floats]  # X Y Z E, as written
    motion: NDArray[np.int64]
    is_move: Flags
    unit: Floats

    @property
    def count(self) -> int:
        return self.words.lines

    def with_code(self, code: int) -> Lines:
        """The lines that have this G."""
        found: Lines = self.g_lines[self.code == code]
        return found

    def number(self, line: int) -> int:
        """A line's number in the file."""
        return self.words.first_line + line


@dataclass(frozen=True, slots=True)
class _Place:
    """That an axis is given a value without a move; `home`: the value is the machine's own."""

    line: int
    to: float
    home: bool


class Machine:
    """Read the words of a file piece by piece. `limits` are those before it names its own."""

    def __init__(self, limits: MotionLimits) -> None:
        self.orders = Orders(limits)
        self.inches = False
        self.warnings: dict[str, None] = {}  # in the order in which they arose
        self._limits = limits
        self._motion = LINE
        self._unit = 1.0
        self._absolute = 1.0
        self._filament_absolute = 1.0
        self._filament_by_m = 1.0  # as M82 or M83 said last
        self._jumps = False
        self._g_counts = True  # whether G90 and G91 say it too
        self._absolute_centre = 0.0
        self._plane = 17.0
        self._feed_mm_s = 0.0
        self._named = [0.0, 0.0, 0.0, 0.0]  # where X Y Z E are, as the file names it
        self._offset = [0.0, 0.0, 0.0]  # what the machine's own X Y Z are more than that

    def copy(self) -> Machine:
        """Another one that stands where this one does. They share what only grows."""
        other = copy(self)
        other.orders = copy(self.orders)
        other._named, other._offset = self._named[:], self._offset[:]
        return other

    def moves(self, words: Words) -> Moves:
        """The moves, waits and halts of a piece. Raises `ToolpathError`."""
        read, others = self._read(words)
        changes = self.orders.follow(words, set(read.with_code(DRAW_BACK).tolist()))
        absolute = self._mode(read, ABSOLUTE, self._absolute)
        start, end = np.empty((read.count, 3)), np.empty((read.count, 3))
        offset = np.empty((read.count, 3))
        for axis, letter in enumerate("XYZ"):
            before = self._named[axis] + self._offset[axis]
            places = self._places(read, letter)
            named = self._follow(read, axis, letter, absolute, places)
            offset[:, axis] = self._offsets(read, axis, named, places)
            end[:, axis] = named + offset[:, axis]
            start[1:, axis] = end[:-1, axis]
            start[0, axis] = before
            self._named[axis], self._offset[axis] = float(named[-1]), float(offset[-1, axis])
        self._refuse_far(read, end)
        pushed = self._pushed(read)
        wait_s = self._waits(read, changes)
        centre = self._centres(read, start, offset)
        feed = self._feeds(read, others, changes)
        plane = self._mode(read, PLANE, self._plane)
        self._absolute, self._plane = float(absolute[-1]), float(plane[-1])
        self._unit, self._motion = float(read.unit[-1]), int(read.motion[-1])
        return self._built(read, start, end, pushed, wait_s, centre, plane, feed, changes)

    # --- lines ---------------------------------------------------------------------

    def _read(self, words: Words) -> tuple[_Read, Flags]:
        """A piece's lines, and which have an order of their own: G92, M104, T1 ..."""
        g_lines, g_values = words.of("G")
        if bool(np.isnan(g_values).any()):
            line = int(g_lines[np.isnan(g_values)][0])
            raise ToolpathError(words.first_line + line, "a G without its number")
        code = np.rint(np.clip(g_values, -1, 1e6) * 10).astype(np.int64)
        present = frozenset(np.unique(code).tolist())
        is_motion = np.isin(code, MOTION)
        motion = in_force(words.lines, g_lines[is_motion], code[is_motion], self._motion)
        explicit = _flags(words.lines, g_lines[is_motion])
        others = _flags(words.lines, g_lines[~is_motion & ~np.isin(code, MODES)])
        for letter in "MT":
            others[words.of(letter)[0]] = True
        others &= ~explicit
        axes = {letter: words.column(letter) for letter in "XYZE"}
        is_move = np.zeros(words.lines, np.bool_)
        is_arc = np.zeros(words.lines, np.bool_)
        for letter in "XYZEIJKR":
            lines, values = words.of(letter)
            is_move[lines] = True
            if letter in "XYIJKR":
                is_arc[lines] = True
            self._refuse_unclear(words, letter, lines, values, others)
        turning = (motion == CLOCKWISE) | (motion == ANTICLOCKWISE)
        motion[turning & ~is_arc & ~explicit] = LINE  # the filament or Z alone
        is_move &= ~others
        if words.jump or not present.isdisjoint(MACROS):
            self._warn_of_jumps(words, g_lines[np.isin(code, MACROS)])
        if CURVE in present:
            self._warn("Curves (G5) are taken as straight lines.")
        if BY_TIME in present:
            self._warn("Feeds by time (G93) aren't understood; times are wrong after them.")
        read = _Read(words, g_lines, code, present, axes, motion, is_move, np.empty(0))
        unit = self._mode(read, UNITS, self._unit)
        self.inches = self.inches or bool((unit[is_move] != 1.0).any())
        return _Read(words, g_lines, code, present, axes, motion, is_move, unit), others

    @staticmethod
    def _refuse_unclear(
        words: Words, letter: str, lines: Lines, values: Floats, others: Flags
    ) -> None:
        empty = np.isnan(values)
        if bool(empty.any()):
            empty &= ~others[lines]
        if bool(empty.any()):
            line = int(lines[empty][0])
            raise ToolpathError(words.first_line + line, f"{letter} without its number")
        if letter != "E":
            return
        twice = lines[1:][lines[1:] == lines[:-1]]
        twice = twice[~others[twice]]
        if twice.size:  # one of them may be an exponent that isn't spelled as one
            raise ToolpathError(words.first_line + int(twice[0]), "E stands there twice")

    @staticmethod
    def _mode(read: _Read, meanings: Mapping[int, float], before: float) -> Floats:
        """What a group of G words has in force on each line."""
        if read.present.isdisjoint(meanings):
            return np.full(read.count, before)
        which = np.isin(read.code, tuple(meanings))
        values = np.array([meanings[code] for code in read.code[which].tolist()], np.float64)
        return in_force(read.count, read.g_lines[which], values, before)

    def _warn(self, text: str) -> None:
        self.warnings[text] = None

    def _warn_of_jumps(self, words: Words, macros: Lines) -> None:
        if self._jumps:
            return
        self._jumps = True
        lines = [words.jump] if words.jump else []
        lines += (macros + words.first_line).tolist()
        self._warn(
            f"Line {min(lines)} calls another program, or repeats or chooses lines. All are"
            " read once from top to bottom; what that changes is missing from times and layers."
        )

    # --- where the axes are --------------------------------------------------------

    def _places(self, read: _Read, letter: str) -> list[_Place]:
        """The lines on which an axis gets a value by G92 or G28."""
        places: list[_Place] = []
        for line in read.with_code(NAME_PLACE).tolist():
            bare = all(axis[line] != axis[line] for axis in read.axes.values())
            value = 0.0 if bare else float(read.axes[letter][line]) * float(read.unit[line])
            if value == value:
                places.append(_Place(line, value, home=False))
        if letter != "E":
            named = {name: set(read.words.of(name)[0].tolist()) for name in "XYZ"}
            places += [
                _Place(line, 0.0, home=True)
                for line in read.with_code(HOME).tolist()
                if line in named[letter] or not any(line in lines for lines in named.values())
            ]
            places.sort(key=lambda place: place.line)
        return places

    def _follow(
        self, read: _Read, axis: int, letter: str, absolute: Floats, places: list[_Place]
    ) -> Floats:
        """Where an axis is after each line, as the file names it."""
        value = read.axes[letter] * read.unit
        given = read.is_move & ~np.isnan(value)
        added = None
        is_set = given
        if not bool(absolute.all()):
            is_set = given & (absolute > 0)
            relative = given & ~is_set
            if bool(relative.any()):
                added = np.where(relative, value, 0.0)
        at = np.flatnonzero(is_set)
        to = value[at]
        if places:
            at = np.concatenate((at, np.array([place.line for place in places], np.int64)))
            to = np.concatenate((to, np.array([place.to for place in places])))
            order = np.argsort(at, kind="stable")
            at, to = at[order], to[order]
        return tracked(read.count, at, to, added, self._named[axis])

    def _offsets(self, read: _Read, axis: int, named: Floats, places: list[_Place]) -> Floats:
        """What the machine's own value of an axis is more than the one in the file."""
        offset = self._offset[axis]
        said = Said(offset)
        for place in places:
            before = float(named[place.line - 1]) if place.line else self._named[axis]
            offset = 0.0 if place.home else offset + before - place.to
            said.add(place.line, offset)
        return said.on(read.count)

    def _pushed(self, read: _Read) -> Floats:
        """How far each line pushes the filament, below 0 where it draws it back."""
        before = self._named[3]
        absolute = self._filament_mode(read)
        places = self._places(read, "E")
        named = self._follow(read, 3, "E", absolute, places)
        self._named[3] = float(named[-1])
        self._filament_absolute = float(absolute[-1])
        pushed = np.diff(named, prepend=before)
        pushed[~read.is_move] = 0.0
        return pushed

    def _filament_mode(self, read: _Read) -> Floats:
        """Whether E is absolute on each line: by the last of M82, M83, G90 and G91.

        On some machines G90 says nothing of the filament. Where it followed M83 the
        figures tell: absolute ones neither fall nor stay from road to road.
        """
        m_lines, m_values = read.words.of("M")
        which = (m_values == 82) | (m_values == 83)
        by_m = (m_values[which] == 82).astype(np.float64)
        m_lines = m_lines[which]
        alone = in_force(read.count, m_lines, by_m, self._filament_by_m)
        self._filament_by_m = float(alone[-1])
        if not self._g_counts:
            return alone
        by_g = np.isin(read.code, tuple(ABSOLUTE))
        lines = np.concatenate((read.g_lines[by_g], m_lines))
        values = np.concatenate(((read.code[by_g] == 900).astype(np.float64), by_m))
        order = np.argsort(lines, kind="stable")
        mode = in_force(read.count, lines[order], values[order], self._filament_absolute)
        doubtful = read.is_move & (mode > 0) & (alone == 0)
        if bool(doubtful.any()):
            sideways = ~np.isnan(read.axes["X"]) | ~np.isnan(read.axes["Y"])
            pushed = read.axes["E"][doubtful & sideways]
            pushed = pushed[pushed > 0]
            if pushed.size > LEAST_FIGURES and np.mean(np.diff(pushed) <= 0) > FALLING_SHARE:
                self._g_counts = False
                self._warn("M83 is taken to count for the filament also after G90: figures fit it.")
                return alone
        return mode

    @staticmethod
    def _refuse_far(read: _Read, end: Floats) -> None:
        far = np.abs(end) > FARTHEST_MM
        if bool(far.any()):
            line, axis = (int(index) for index in np.argwhere(far)[0])
            raise ToolpathError(
                read.number(line),
                f"{'XYZ'[axis]} at {end[line, axis]:.6g} mm is out of any machine's reach",
            )

    def _centres(self, read: _Read, start: Floats, offset: Floats) -> Floats:
        """From the start of each line to the centre of its arc; nan where it has none."""
        mode = self._mode(read, ABSOLUTE_CENTRE, self._absolute_centre)
        self._absolute_centre = float(mode[-1])
        if read.present.isdisjoint((CLOCKWISE, ANTICLOCKWISE)) and not bool(
            (read.motion == CLOCKWISE).any() or (read.motion == ANTICLOCKWISE).any()
        ):
            return np.empty((0, 3))
        centre = np.stack([read.words.column(letter) for letter in "IJK"], axis=1)
        centre *= read.unit[:, None]
        absolute = mode > 0
        centre[absolute] += offset[absolute] - start[absolute]
        return centre

    # --- time ----------------------------------------------------------------------

    def _waits(self, read: _Read, changes: Changes) -> Floats:
        """Seconds that the machine stands on a line, nan where it doesn't."""
        wait_s = np.full(read.count, np.nan)
        dwells = read.with_code(DWELL)
        if dwells.size:
            in_s, in_ms = read.words.column("S")[dwells], read.words.column("P")[dwells]
            seconds = np.where(np.isnan(in_s), in_ms / 1000, in_s)
            # Without a number it only waits until the machine has stopped.
            wait_s[dwells] = np.where((seconds >= 0) & (seconds <= LONGEST_WAIT_S), seconds, 0.0)
        drawn = read.with_code(DRAW_BACK)
        if drawn.size:
            # With P or L it says something about a tool or a place.
            for letter in "PL":
                drawn = np.setdiff1d(drawn, read.words.of(letter)[0])
            self._tool_temperatures(read, changes)
        for lines in (drawn, read.with_code(PUSH_FORTH)):
            wait_s[lines] = self._limits.retraction_s
        if self._limits.tool_change_s and changes.tool.at:
            wait_s[changes.tool.at] = self._limits.tool_change_s
        return wait_s

    def _tool_temperatures(self, read: _Read, changes: Changes) -> None:
        """G10 P1 S230: the temperature of a tool."""
        told, of_tool = read.words.column("S"), read.words.column("P")
        for line in read.with_code(DRAW_BACK).tolist():
            if of_tool[line] == of_tool[line] and told[line] == told[line]:
                tool, said = int(of_tool[line]), float(told[line])
                self.orders.set_nozzle(tool, said, line, changes)

    def _feeds(self, read: _Read, others: Flags, changes: Changes) -> Floats:
        """The feed of each line in mm/s, with the factor that the file puts on all."""
        lines, values = read.words.of("F")
        counts = ~others[lines] & (values > 0)
        lines, values = lines[counts], values[counts]
        told = values * read.unit[lines] / 60
        feed = in_force(read.count, lines, told, self._feed_mm_s)
        self._feed_mm_s = float(feed[-1])
        if bool((feed[read.is_move] == 0).any()):
            self._warn(
                "It moves before it names a feed;"
                f" {self._limits.feed_mm_s:g} mm/s are taken until then."
            )
            feed[feed == 0] = self._limits.feed_mm_s
        return feed * changes.speed.on(read.count)

    # --- all together --------------------------------------------------------------

    def _built(
        self,
        read: _Read,
        start: Floats,
        end: Floats,
        pushed: Floats,
        wait_s: Floats,
        centre: Floats,
        plane: Floats,
        feed: Floats,
        changes: Changes,
    ) -> Moves:
        way = end - start
        length = np.sqrt(np.einsum("ij,ij->i", way, way))
        turns = read.is_move & ((read.motion == CLOCKWISE) | (read.motion == ANTICLOCKWISE))
        kind = np.full(read.count, STRAIGHT, np.int8)
        kind[turns] = ARC
        kind[~np.isnan(wait_s)] = WAIT
        kind[changes.halts] = HALT
        goes = (length > SHORTEST_MM) | (np.abs(pushed) > SHORTEST_MM)
        rows = np.flatnonzero((kind != STRAIGHT) | (read.is_move & goes))
        kind, start, end, length, way = kind[rows], start[rows], end[rows], length[rows], way[rows]
        stands = kind >= WAIT
        length[stands] = 0.0
        into = np.divide(way, length[:, None], out=np.zeros_like(way), where=length[:, None] > 0)
        moves = Moves(
            kind=kind,
            line=rows + read.words.first_line,
            regime=changes.regime.on(read.count)[rows].astype(np.int32),
            start=start,
            end=end,
            length=length,
            filament=pushed[rows],
            feed=np.where(stands, np.nan_to_num(wait_s[rows]), feed[rows]),
            into=into,
            out=into,
            radius=np.full(rows.size, inf),
            centre=np.zeros((rows.size, 2)),
            sweep=np.zeros(rows.size),
            volume=pushed[rows] * (changes.area.on(read.count) * changes.flow.on(read.count))[rows],
            fan=changes.fan.on(read.count)[rows],
            nozzle_c=changes.nozzle_c.on(read.count)[rows],
            bed_c=changes.bed_c.on(read.count)[rows],
            tool=changes.tool.on(read.count)[rows].astype(np.int16),
        )
        if bool((kind == ARC).any()):
            moves = self._with_arcs(read, moves, rows, centre, plane)
        # Where E is a volume the filament moves by less.
        if changes.area.at or changes.area.before != self.orders.filament_mm2:
            by_volume = changes.area.on(read.count)[rows] == 1.0
            moves.filament[by_volume] /= self.orders.filament_mm2
        return moves

    @staticmethod
    def _with_arcs(read: _Read, moves: Moves, rows: Lines, centre: Floats, plane: Floats) -> Moves:
        """The moves with what is round in them. Raises `ToolpathError`."""
        out, into = moves.out.copy(), moves.into.copy()
        named = read.words.column("R") * read.unit
        for number in PLANES:
            which = np.flatnonzero((moves.kind == ARC) & (plane[rows] == number))
            if not which.size:
                continue
            on = rows[which]
            arcs = arcs_of(
                moves.start[which],
                moves.end[which],
                centre[on],
                named[on],
                read.motion[on] == CLOCKWISE,
                number,
                moves.line[which],
            )
            moves.length[which], moves.radius[which] = arcs.length, arcs.radius
            into[which], out[which] = arcs.into, arcs.out
            if number == 17:
                moves.centre[which], moves.sweep[which] = arcs.centre, arcs.sweep
        return replace(moves, into=into, out=out)


def _flags(count: int, lines: Lines) -> Flags:
    flags = np.zeros(count, np.bool_)
    flags[lines] = True
    return flags
