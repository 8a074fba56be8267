"""Tables of the chamber file for toolpaths: where they lie, and how the machine moves."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field, ValidationInfo

from stillair.config.tables import Table
from stillair.config.values import AnyPath, Takes, context_of
from stillair.jobs.toolpath import MotionLimits

_OWN: MotionLimits = MotionLimits()


def _must_be_folder(path: AnyPath, info: ValidationInfo) -> AnyPath:
    if context_of(info).files_count and not path.is_dir():
        raise ValueError(f"is no folder; looked at {path}")
    return path


Folder = Annotated[AnyPath, AfterValidator(_must_be_folder), Takes("the path of a folder")]
Speed = Annotated[float, Field(ge=0.1, le=5000)]
Acceleration = Annotated[float, Field(ge=1, le=100_000)]


class ToolpathsTable(Table):
    folder: Folder | None = Field(
        default=None, description="Toolpaths that are put into this folder are read by themselves."
    )


class MachineTable(Table):
    """How the machine moves, so that a toolpath tells how long each layer takes."""

    xy_mm_s: Speed = Field(
        default=_OWN.speed_mm_s[0],
        description="The fastest in X and in Y. What a toolpath says itself comes before all this.",
    )
    z_mm_s: Speed = Field(default=_OWN.speed_mm_s[2], description="The fastest up and down.")
    z_mm_s2: Acceleration = Field(
        default=_OWN.acceleration_mm_s2[2], description="Acceleration up and down."
    )
    road_mm_s2: Acceleration = Field(
        default=_OWN.road_mm_s2, description="Acceleration while road is laid."
    )
    travel_mm_s2: Acceleration = Field(
        default=_OWN.travel_mm_s2, description="Acceleration on the way to the next road."
    )
    filament_mm_s: Speed = Field(
        default=_OWN.speed_mm_s[3], description="The fastest that filament is pushed or drawn back."
    )
    corner_deviation_mm: Annotated[float, Field(ge=0.001, le=1)] = Field(
        default=_OWN.corner_deviation_mm,
        description="By so much a corner may be cut, which says how fast it is taken.",
    )
    corner_change_mm_s: Annotated[float, Field(ge=0.1, le=200)] | None = Field(
        default=None,
        description="For a machine that goes by this instead: the step in speed at a corner.",
    )
    filament_diameter_mm: Annotated[float, Field(ge=0.5, le=5)] = Field(
        default=_OWN.filament_diameter_mm, description="From it the width of the road follows."
    )
    retraction_s: Annotated[float, Field(ge=0, le=10)] = Field(
        default=_OWN.retraction_s, description="How long a retraction by G10 or G11 takes."
    )
    tool_change_s: Annotated[float, Field(ge=0, le=600)] = Field(
        default=_OWN.tool_change_s, description="How long another tool takes to come."
    )

    @property
    def limits(self) -> MotionLimits:
        """The same as the reader of toolpaths takes it."""
        _, _, _, e = _OWN.acceleration_mm_s2
        xy = max(self.road_mm_s2, self.travel_mm_s2)
        return MotionLimits(
            speed_mm_s=(self.xy_mm_s, self.xy_mm_s, self.z_mm_s, self.filament_mm_s),
            acceleration_mm_s2=(xy, xy, self.z_mm_s2, e),
            road_mm_s2=self.road_mm_s2,
            travel_mm_s2=self.travel_mm_s2,
            corner_deviation_mm=self.corner_deviation_mm,
            corner_change_mm_s=self.corner_change_mm_s,
            filament_diameter_mm=self.filament_diameter_mm,
            retraction_s=self.retraction_s,
            tool_change_s=self.tool_change_s,
        )
