"""What was laid where, on a grid that grows with the part.

At most 96 x 96 cells, of which 48 x 48 are kept of the part itself. It begins fine, and
where road is laid beyond its edge the cells become twice as wide and what is known is
drawn together, so that neither the part's place nor its size has to be known beforehand.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from math import floor
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SIDE: Final = 96  # twice what is kept: lines beside the part make it coarser
MOST_KEPT: Final = 48
CELLS: Final = SIDE * SIDE
PACKED_BYTES: Final = CELLS // 8
ROWS: Final = 256  # sheets that are packed together
AT_ONCE: Final = 8
QUICKLY: Final = 1  # of zlib; outlines hardly differ from layer to layer
FINEST_MM: Final = 0.5  # about the width of a road
STEP_SHARE: Final = 0.7  # of a cell, between two samples of a road
STEP_RAD: Final = 0.3
MOST_SAMPLES: Final = 1 << 17  # at a time


@dataclass(frozen=True, slots=True, eq=False)
class Outlines:
    """Which cells of a grid have road in them, layer by layer.

    `bits` has (height * width + 7) // 8 bytes a layer, of that layer's rows from low to
    high Y, in each the cells from low to high X, the first in the highest bit. The
    first cell's corner lies at `x_mm`, `y_mm`.
    """

    cell_mm: float
    x_mm: float
    y_mm: float
    width: int
    height: int
    bits: bytes

    def layer(self, number: int) -> NDArray[np.bool_]:
        """One layer, (height, width) bool."""
        size = (self.width * self.height + 7) // 8
        row = np.frombuffer(self.bits, np.uint8, size, number * size)
        flags = np.unpackbits(row, count=self.width * self.height).astype(np.bool_)
        return flags.reshape(self.height, self.width)


@dataclass(frozen=True, slots=True, eq=False)
class Strokes:
    """Roads seen from above, one entry each; `sweep` and `centre` where they are arcs."""

    start: Floats  # (n, 2)
    end: Floats  # (n, 2)
    length: Floats
    begin_s: Floats
    end_s: Floats
    centre: Floats  # (n, 2)
    sweep: Floats

    def part(self, which: slice) -> Strokes:
        """Some of them."""
        return Strokes(
            self.start[which],
            self.end[which],
            self.length[which],
            self.begin_s[which],
            self.end_s[which],
            self.centre[which],
            self.sweep[which],
        )


class Sheet:
    """How much road lies in each cell of one layer, and when it was laid, on the mean."""

    def __init__(self) -> None:
        self.length = np.zeros(CELLS)
        self.moment = np.zeros(CELLS)  # seconds, each weighted with its length

    def cells(self) -> NDArray[np.bool_]:
        """Which have road."""
        return self.length > 0

    def mean_s(self) -> Floats:
        """When each cell's road was laid; nan where there is none."""
        mean_s = np.full(CELLS, np.nan)
        np.divide(self.moment, self.length, out=mean_s, where=self.length > 0)
        return mean_s


class Grid:
    """The cells, and packed bits of layers that are complete."""

    def __init__(self) -> None:
        self.cell_mm = FINEST_MM
        self._first = (0, 0)  # the cell with the lowest X and Y
        self._used: tuple[int, int, int, int] | None = None
        self._packed: list[bytes] = []  # of each ROWS sheets that are kept
        self._open = np.zeros((ROWS, PACKED_BYTES), np.uint8)  # those after them
        self._count = 0
        self._unpacked: tuple[int, NDArray[np.uint8]] | None = None

    def keep(self, sheet: Sheet) -> int:
        """Keep which cells have road; the number under which they are."""
        self._open[self._count % ROWS] = np.packbits(sheet.cells())
        self._count += 1
        if self._count % ROWS == 0:
            self._packed.append(zlib.compress(self._open.tobytes(), QUICKLY))
        return self._count - 1

    def reach(self, x0: float, y0: float, x1: float, y1: float, sheets: list[Sheet]) -> None:
        """Make room for this rectangle; `sheets` are drawn anew where cells change."""
        new = (self._cell(x0), self._cell(y0), self._cell(x1), self._cell(y1))
        if self._used is not None:
            old = self._used
            new = (*map(min, old[:2], new[:2]), *map(max, old[2:], new[2:]))  # type: ignore[assignment]
        i, j = self._first
        fits = new[0] >= i and new[1] >= j and new[2] < i + SIDE and new[3] < j + SIDE
        if self._used is not None and fits:
            self._used = new
            return
        doublings = 0
        while new[2] - new[0] >= SIDE or new[3] - new[1] >= SIDE:
            new = (new[0] // 2, new[1] // 2, new[2] // 2, new[3] // 2)
            doublings += 1
        first = (
            new[0] - (SIDE - 1 - new[2] + new[0]) // 2,
            new[1] - (SIDE - 1 - new[3] + new[1]) // 2,
        )
        if self._used is not None:
            columns = _drawn(self._first[0], first[0], doublings)
            rows = _drawn(self._first[1], first[1], doublings)
            for sheet in sheets:
                sheet.length = _moved(sheet.length, rows, columns)
                sheet.moment = _moved(sheet.moment, rows, columns)
            for number in range(len(self._packed)):
                moved = _moved_bits(self._block(number), rows, columns)
                self._packed[number] = zlib.compress(moved.tobytes(), QUICKLY)
            self._unpacked = None
            self._open = _moved_bits(self._open, rows, columns)
        self.cell_mm *= 2**doublings
        self._first, self._used = first, new

    def draw(self, strokes: Strokes, sheet: Sheet) -> None:
        """Lay roads on a sheet; they have to be within reach."""
        count = np.ceil(strokes.length / (STEP_SHARE * self.cell_mm))
        count = np.maximum(count, np.ceil(np.abs(strokes.sweep) / STEP_RAD))
        count = np.clip(count, 1, 4 * SIDE).astype(np.int64)
        ends = np.cumsum(count)
        done = 0
        while done < len(count):
            before = int(ends[done - 1]) if done else 0
            until = max(done + 1, int(np.searchsorted(ends, before + MOST_SAMPLES)))
            which = slice(done, until)
            self._draw(strokes.part(which), count[which], sheet)
            done = until

    def outlines(self, groups: list[list[int]], box: tuple[float, float, float, float]) -> Outlines:
        """The bits of layers, each of the kept ones that belong to it, cut to a rectangle."""
        i0, j0 = (max(self._cell(v) - f, 0) for v, f in zip(box[:2], self._first, strict=True))
        i1, j1 = (
            min(self._cell(v) - f + 1, SIDE) for v, f in zip(box[2:], self._first, strict=True)
        )
        cells = 1 if max(i1 - i0, j1 - j0) <= MOST_KEPT else 2
        width, height = -(-(i1 - i0) // cells), -(-(j1 - j0) // cells)
        whole = np.zeros((height * cells, width * cells), np.uint8)
        bits = bytearray()
        for group in groups:
            kept = [self._block(number // ROWS)[number % ROWS] for number in group]
            flags = np.unpackbits(np.bitwise_or.reduce(np.stack(kept), axis=0))
            whole[: j1 - j0, : i1 - i0] = flags.reshape(SIDE, SIDE)[j0:j1, i0:i1]
            drawn = whole.reshape(height, cells, width, cells).max(axis=(1, 3))
            bits += np.packbits(drawn).tobytes()
        i, j = self._first
        x_mm, y_mm = (i + i0) * self.cell_mm, (j + j0) * self.cell_mm
        return Outlines(self.cell_mm * cells, x_mm, y_mm, width, height, bytes(bits))

    def _block(self, number: int) -> NDArray[np.uint8]:
        """So many sheets as bits, (ROWS, PACKED_BYTES)."""
        if number == len(self._packed):
            return self._open
        if self._unpacked is None or self._unpacked[0] != number:
            bits = np.frombuffer(zlib.decompress(self._packed[number]), np.uint8)
            self._unpacked = (number, bits.reshape(ROWS, PACKED_BYTES))
        return self._unpacked[1]

    def _cell(self, value_mm: float) -> int:
        return floor(value_mm / self.cell_mm)

    def _draw(self, strokes: Strokes, count: NDArray[np.int64], sheet: Sheet) -> None:
        start, way = strokes.start, strokes.end - strokes.start
        each = np.repeat(np.arange(len(count)), count)
        first = np.cumsum(count) - count
        share = (np.arange(len(each)) - first[each] + 0.5) / count[each]
        x = start[each, 0] + way[each, 0] * share
        y = start[each, 1] + way[each, 1] * share
        if bool(strokes.sweep.any()):
            arc = np.flatnonzero(strokes.sweep[each])
            of = each[arc]
            centre = strokes.centre[of]
            from_centre = start[of] - centre
            angle = strokes.sweep[of] * share[arc]
            cos, sin = np.cos(angle), np.sin(angle)
            x[arc] = centre[:, 0] + from_centre[:, 0] * cos - from_centre[:, 1] * sin
            y[arc] = centre[:, 1] + from_centre[:, 0] * sin + from_centre[:, 1] * cos
        i = np.clip(np.floor(x / self.cell_mm).astype(np.int64) - self._first[0], 0, SIDE - 1)
        j = np.clip(np.floor(y / self.cell_mm).astype(np.int64) - self._first[1], 0, SIDE - 1)
        cell = j * SIDE + i
        weight = (strokes.length / count)[each]
        moment_s = strokes.begin_s[each] + (strokes.end_s - strokes.begin_s)[each] * share
        sheet.length += np.bincount(cell, weight, CELLS)
        sheet.moment += np.bincount(cell, weight * moment_s, CELLS)


def _drawn(old: int, new: int, doublings: int) -> Floats:
    """Which old cell (column) belongs to which new one (row)."""
    matrix = np.zeros((SIDE, SIDE))
    to = (np.arange(SIDE) + old) // 2**doublings - new
    inside = (to >= 0) & (to < SIDE)
    matrix[to[inside], np.flatnonzero(inside)] = 1
    return matrix


def _moved(cells: Floats, rows: Floats, columns: Floats) -> Floats:
    shape = cells.shape
    moved: Floats = rows @ cells.reshape(-1, SIDE, SIDE) @ columns.T
    return moved.reshape(shape)


def _moved_bits(bits: NDArray[np.uint8], rows: Floats, columns: Floats) -> NDArray[np.uint8]:
    moved = np.empty_like(bits)
    for start in range(0, len(bits), AT_ONCE):  # as numbers they take 64 times the room
        part = slice(start, start + AT_ONCE)
        flags = np.unpackbits(bits[part], axis=1).astype(np.float64)
        moved[part] = np.packbits(_moved(flags, rows, columns) > 0, axis=1)
    return moved
