"""Layers of a toolpath as columns, and what the whole of it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stillair.jobs.toolpath.grid import Outlines


@dataclass(frozen=True, slots=True, eq=False)
class Layers:
    """Columns, one entry a layer, in the order in which they are built.

    Pieces that are built one after the other begin anew at low heights. Times are
    seconds of the toolpath's own clock, from the program's first motion; it stands
    while the machine waits for a temperature or a person.
    """

    height_mm: NDArray[np.float64]  # (n,) nozzle height while the layer is laid: its top
    thickness_mm: NDArray[np.float64]  # (n,)
    start_s: NDArray[np.float64]  # (n,)
    end_s: NDArray[np.float64]  # (n,) start_s[i+1] >= end_s[i]
    length_mm: NDArray[np.float64]  # (n,) of road laid
    width_mm: NDArray[np.float64]  # (n,) mean of the road, from the volume pushed out
    fan_share: NDArray[np.float64]  # (n,) 0 to 1, mean over the time in which road is laid
    least_time_s: NDArray[np.float64]
    """(n,) shortest time between a spot of this layer and the next layer's arrival over it;
    a spot is a cell of the grid. Where nothing is laid over it: the layer's own time."""
    nozzle_c: NDArray[np.float64]  # (n,) set point, nan unknown
    longest_run_mm: NDArray[np.float64]  # (n,) longest straight run of road
    piece: NDArray[np.int32]  # (n,) which piece of those built one after the other, else 0

    def __len__(self) -> int:
        return len(self.height_mm)


@dataclass(frozen=True, slots=True)
class Whole:
    """A toolpath in a few figures; None where the file doesn't say."""

    duration_s: float
    height_mm: float
    layers: int
    nozzle_c: tuple[float | None, float | None]  # on the first layer, on the rest
    bed_c: tuple[float | None, float | None]
    chamber_c: float | None
    filament_mm: float  # pushed out in all
    footprint_mm: tuple[float, float, float, float]  # lowest X and Y, highest X and Y
    base_area_mm2: float  # covered by the first layers of all pieces
    longest_run_mm: float
    pieces: int  # built one after the other
    tools: tuple[int, ...]  # those that lay road
    fan_first_share: float  # most of the first three layers
    units: str  # "mm" or "inch"
    spiral: bool  # its height grows all the time
    stops_s: tuple[float, ...]  # at which it waits for a person
    warnings: tuple[str, ...]
    fan_share: float | None = None  # mean over the time in which road is laid
    shortest_layer_s: float | None = None  # of those with another above them


@dataclass(frozen=True, slots=True, eq=False)
class Toolpath:
    """All that is kept of a toolpath."""

    whole: Whole
    layers: Layers
    outlines: Outlines
