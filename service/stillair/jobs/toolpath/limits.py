"""How a machine may move, and how much of a file is read."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from stillair.errors import StillairError

Axes = tuple[float, float, float, float]
"""One value for each of X, Y, Z and E, the motor that pushes the filament."""


@dataclass(frozen=True, slots=True)
class MotionLimits:
    """What the machine's own control does with a programmed move.

    Speeds in mm/s, accelerations in mm/s2, X Y Z E. The defaults are those of a usual
    gantry machine of the last ten years. A file that sets its own (M201, M203, M204,
    M205) is believed, as the machine does that too.

    How fast a corner may be taken is either `corner_deviation_mm` (the path may be cut
    by so much: Jeon, S. (2009), a cornering algorithm for motion planners) or, where
    `corner_change_mm_s` is given, the step that the speed of an axis may make there.
    """

    speed_mm_s: Axes = (300.0, 300.0, 15.0, 60.0)
    acceleration_mm_s2: Axes = (3000.0, 3000.0, 200.0, 5000.0)
    road_mm_s2: float = 1500.0  # while road is laid
    travel_mm_s2: float = 2000.0
    filament_mm_s2: float = 1500.0  # the filament alone, back or forth
    corner_deviation_mm: float = 0.02
    corner_change_mm_s: float | None = None
    feed_mm_s: float = 25.0  # until the file names one
    filament_diameter_mm: float = 1.75
    retraction_s: float = 0.05  # G10 and G11: the filament drawn back by the control itself
    tool_change_s: float = 0.0

    def __post_init__(self) -> None:
        named = {
            "speed_mm_s": self.speed_mm_s,
            "acceleration_mm_s2": self.acceleration_mm_s2,
            "the rest": (
                self.road_mm_s2,
                self.travel_mm_s2,
                self.filament_mm_s2,
                self.corner_deviation_mm,
                self.feed_mm_s,
                self.filament_diameter_mm,
                1.0 if self.corner_change_mm_s is None else self.corner_change_mm_s,
            ),
        }
        for name, values in named.items():
            if not all(isfinite(value) and value > 0 for value in values):
                raise StillairError(f"limits of motion have to be above 0: {name}")
        if not (0 <= self.retraction_s < 60 and 0 <= self.tool_change_s < 3600):
            raise StillairError("a retraction or a change of tool takes from 0 s to an hour")


@dataclass(frozen=True, slots=True)
class Bounds:
    """How much is read before a file is refused; what is kept grows with layers alone."""

    bytes: int = 1_000_000_000
    line_bytes: int = 64 * 1024  # a picture or settings in a remark may be long
    layers: int = 20_000  # 1 m at 0.05 mm
