"""What stages mean: the layers of one or more pieces, and what is none of them.

Stages come in the order of the program, each with its height. Usually each is higher
than the last and a layer. Else:

- It falls to where the job began, and climbs again layer by layer, elsewhere on the
  plate: another piece, built after the first.
- It falls, and comes back in one step: a line laid beside the part. It is no layer.
- It rises far, and falls back at once: the same, done above the part.
- What comes first and lies higher than what follows, and is short or no wider than a
  line; or lower, and the next layer stands all beside it: filament laid to get the
  nozzle going.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from stillair.jobs.toolpath.stages import SAME_MM, Stage

FAR_MM: Final = 1.0  # a rise by more than this, and then back, is no layer
STEPS: Final = 2.2  # usual thicknesses: more in one step is no climbing
PURGED_MM: Final = 1.5  # as high as what is laid before the part may get
LINE_MM: Final = 3.0  # a few roads side by side are no piece
OVERLAP: Final = 0.2  # of the smaller one: pieces that lie so far over each other are one


@dataclass(frozen=True, slots=True)
class LayerStages:
    """The stages of one layer, by their numbers."""

    piece: int
    height_mm: float
    thickness_mm: float
    stages: tuple[int, ...]


def layers_of(stages: Sequence[Stage]) -> list[LayerStages]:
    """The layers of all pieces in the order in which they are built."""
    numbers = _without_far_rises(stages, list(range(len(stages))))
    pieces = _pieces(stages, numbers)
    found: list[LayerStages] = []
    for piece, layers in enumerate(_without_purge(stages, pieces)):
        below = 0.0
        heights = [_height(stages, layer) for layer in layers]
        for number, (layer, height) in enumerate(zip(layers, heights, strict=True)):
            thickness = height - below
            if number == 0 and not 0 < thickness <= PURGED_MM:
                # The first height says how far the bed lies below only if it is near.
                thickness = heights[1] - heights[0] if len(heights) > 1 else 0.2
            below = height
            found.append(LayerStages(piece, height, thickness, tuple(layer)))
    return found


Piece = list[list[int]]
Box = tuple[float, float, float, float]


def _height(stages: Sequence[Stage], layer: Sequence[int]) -> float:
    length = sum(stages[number].length_mm for number in layer)
    return sum(stages[number].z_mm * stages[number].length_mm for number in layer) / length


def _without_far_rises(stages: Sequence[Stage], numbers: list[int]) -> list[int]:
    kept: list[int] = []
    for position, number in enumerate(numbers):
        z_mm = stages[number].z_mm
        if kept and position + 1 < len(numbers):
            top_mm = stages[kept[-1]].z_mm
            next_mm = stages[numbers[position + 1]].z_mm
            if z_mm - top_mm > FAR_MM and top_mm - SAME_MM <= next_mm < z_mm - SAME_MM:
                continue
        kept.append(number)
    return kept


def _pieces(stages: Sequence[Stage], numbers: list[int]) -> list[Piece]:
    """Layers, each of one or more stages, piece by piece."""
    heights = [stages[number].z_mm for number in numbers]
    usual_mm = _usual_step(heights)
    pieces: list[Piece] = []
    top_mm = first_mm = 0.0
    position = 0
    while position < len(numbers):
        z_mm = heights[position]
        if not pieces:
            pieces.append([[numbers[position]]])
            top_mm = first_mm = z_mm
        elif z_mm > top_mm + SAME_MM:
            pieces[-1].append([numbers[position]])
            top_mm = z_mm
        elif z_mm >= top_mm - SAME_MM:
            pieces[-1][-1].append(numbers[position])
        else:
            back = position + 1
            while back < len(numbers) and heights[back] < top_mm - SAME_MM:
                back += 1
            if _is_piece(stages, numbers, heights, position, back, pieces[-1], usual_mm, first_mm):
                pieces.append([[numbers[position]]])
                top_mm = z_mm
            else:
                position = back
                continue
        position += 1
    return pieces


def _is_piece(
    stages: Sequence[Stage],
    numbers: list[int],
    heights: list[float],
    start: int,
    back: int,
    before: Piece,
    usual_mm: float,
    first_mm: float,
) -> bool:
    """Whether stages from `start`, lower than those before until `back`, are another piece."""
    if heights[start] > min(first_mm, heights[0]) + usual_mm and heights[start] > usual_mm * 1.5:
        return False  # it begins nowhere near the bed
    stretch = heights[start:back]
    if back < len(heights) and heights[back] - max(stretch) > STEPS * usual_mm:
        return False  # back in one step
    length = sum(stages[number].length_mm for number in numbers[start:back])
    of_before = sum(stages[number].length_mm for layer in before for number in layer)
    if len(stretch) == 1 and back == len(heights):
        return length > of_before / max(len(before), 1)
    # Pieces that are built one after the other stand beside each other: what comes above
    # the first layer is held against what is above that of the piece before.
    above = numbers[start + 1 : back] or numbers[start + 1 : back + 1]
    of_that = [number for layer in before[1:] or before for number in layer]
    return not above or _overlap(_box(stages, of_that), _box(stages, above)) < OVERLAP


def _usual_step(heights: list[float]) -> float:
    steps = sorted(
        later - earlier
        for earlier, later in pairwise(heights)
        if SAME_MM < later - earlier < PURGED_MM
    )
    return steps[len(steps) // 2] if steps else 0.3


def _without_purge(stages: Sequence[Stage], pieces: list[Piece]) -> list[Piece]:
    """The pieces without filament that was only laid to get the nozzle going."""
    while len(pieces) > 1:
        first, then = pieces[0], pieces[1]
        length = sum(stages[number].length_mm for layer in first for number in layer)
        next_length = sum(stages[number].length_mm for number in then[0])
        few = len(first) == 1 or (
            len(first) <= 3 and _height(stages, first[-1]) - _height(stages, first[0]) < PURGED_MM
        )
        box = _box(stages, first[0])
        is_line = len(first) == 1 and min(box[2] - box[0], box[3] - box[1]) <= LINE_MM
        if not few or (length > next_length and not is_line) or len(then) == 1:
            break
        pieces = pieces[1:]
    first = pieces[0] if pieces else []
    if len(first) > 2 and _apart(_box(stages, first[0]), _box(stages, first[1])):
        return [first[1:], *pieces[1:]]  # nothing stands on it
    return pieces


def _box(stages: Sequence[Stage], numbers: Sequence[int]) -> Box:
    return box_of([stages[number] for number in numbers])


def box_of(stages: Sequence[Stage]) -> Box:
    """The rectangle around several stages: lowest X and Y, highest X and Y."""
    boxes = [stage.box for stage in stages]
    return (
        min(box[0] for box in boxes),
        min(box[1] for box in boxes),
        max(box[2] for box in boxes),
        max(box[3] for box in boxes),
    )


def _apart(one: Box, other: Box) -> bool:
    """Whether two rectangles don't even touch."""
    return one[2] < other[0] or other[2] < one[0] or one[3] < other[1] or other[3] < one[1]


def _overlap(one: Box, other: Box) -> float:
    """How much of the smaller rectangle both have."""
    width = min(one[2], other[2]) - max(one[0], other[0])
    height = min(one[3], other[3]) - max(one[1], other[1])
    if width <= 0 or height <= 0:
        return 0.0
    smaller = min((box[2] - box[0]) * (box[3] - box[1]) for box in (one, other))
    return width * height / smaller if smaller > 0 else 1.0
