"""Moves as columns, one entry a move, in the order of the program."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Self

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Kinds of a move.
STRAIGHT, ARC, WAIT, HALT = 0, 1, 2, 3
"""HALT: the machine waits for a person, who knows how long; the clock stands."""


@dataclass(frozen=True, slots=True, eq=False)
class Moves:
    """Columns of one length. Positions and lengths in mm, of the nozzle in the machine.

    Waits and halts have no length. Directions are units of X, Y, Z at the beginning and
    at the end of the way, 0 where only the filament moves.
    """

    kind: NDArray[np.int8]
    line: NDArray[np.int64]  # of the file, from 1
    regime: NDArray[np.int32]  # which limits are in force; see `Regime`
    start: Floats  # (n, 3)
    end: Floats  # (n, 3)
    length: Floats  # of the way of the nozzle
    filament: Floats  # pushed forward, below 0 backward
    feed: Floats  # mm/s, as programmed; of a wait its seconds
    into: Floats  # (n, 3) direction at the beginning
    out: Floats  # (n, 3) direction at the end
    radius: Floats  # of an arc, inf where straight
    centre: Floats  # (n, 2) of an arc in X and Y
    sweep: Floats  # angle of such an arc, anticlockwise above 0; 0 where straight
    volume: Floats  # mm3 pushed out
    fan: Floats  # as the file says it: 0 to 255, or 0 to 1
    nozzle_c: Floats  # set point, nan unknown
    bed_c: Floats  # the same
    tool: NDArray[np.int16]

    def __len__(self) -> int:
        return len(self.kind)

    def part(self, which: slice | NDArray[np.bool_] | NDArray[np.int64]) -> Self:
        """Some of them."""
        return type(self)(*(getattr(self, field.name)[which] for field in fields(self)))

    @classmethod
    def together(cls, parts: Sequence[Self]) -> Self:
        """One after the other."""
        if len(parts) == 1:
            return parts[0]
        return cls(
            *(
                np.concatenate([getattr(part, field.name) for part in parts])
                for field in fields(cls)
            )
        )
