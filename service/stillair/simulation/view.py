"""What one picture of the simulated chamber shows; free of drawing, so that it costs nothing."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SceneState:
    """All that one picture depends on, besides the seed."""

    t_s: float
    lamp: bool = True
    door_fraction: float = 0.0
    daylight: float = 1.0
    working: bool = False
    parked: bool = True
    built_s: float = 0.0
    height_mm: float = 0.0
    pieces: int = 0
    hand: float = 0.0
    flame_m: float = 0.0
    lower_smoke_per_m: float = 0.0
    upper_smoke_per_m: float = 0.0
    box_height_m: float = 0.6
    box_depth_m: float = 0.6
