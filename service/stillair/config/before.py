"""Table of the chamber file for the look before starting: rules switched off, thresholds."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, Strict

from stillair.config.tables import Table
from stillair.jobs.rules import Rule, Thresholds

USUAL = Thresholds()


class BeforeTable(Table):
    """What is told before a job starts. Each rule can be switched off or moved."""

    off: Annotated[tuple[Annotated[Rule, Strict(False)], ...], Strict(False)] = Field(
        default=(),
        max_length=len(Rule),
        description="Rules of the look before starting that are not wanted.",
    )
    soak_k: Annotated[float, Field(ge=0, le=50)] = Field(
        default=USUAL.soak_k,
        description="Told before starting when the chamber is colder than expected by more.",
    )
    chamber_k: Annotated[float, Field(ge=0, le=100)] = Field(
        default=USUAL.chamber_k,
        description="So far outside what the material wants the chamber may be expected.",
    )
    bed_k: Annotated[float, Field(ge=0, le=100)] = Field(
        default=USUAL.bed_k,
        description="So far outside the material's usual range the bed may be set.",
    )
    nozzle_k: Annotated[float, Field(ge=0, le=100)] = Field(
        default=USUAL.nozzle_k,
        description="So far outside the material's usual range the nozzle may be set.",
    )
    fan_share: Annotated[float, Field(ge=0, le=1)] = Field(
        default=USUAL.fan_share,
        description="So much fan is borne on the first three layers, 1 being all.",
    )
    run_mm: Annotated[float, Field(ge=10, le=10_000)] = Field(
        default=USUAL.run_mm,
        description="A straight run longer than this is told where the base is wide.",
    )
    base_cm2: Annotated[float, Field(ge=1, le=10_000)] = Field(
        default=USUAL.base_cm2, description="A base wider than this is wide, in square centimetres."
    )
    cold_k: Annotated[float, Field(ge=0, le=100)] = Field(
        default=USUAL.cold_k,
        description="Layers are told that are laid on one colder by more than this than usual at"
        " the material's floor; the model is good for 5.",
    )
    firm_k: Annotated[float, Field(ge=-50, le=100)] = Field(
        default=USUAL.firm_k,
        description="Layers are told that are laid on one hotter than so much below firm.",
    )
    night_min: Annotated[float, Field(ge=0, le=1440)] = Field(
        default=USUAL.night_min,
        description="Told before a job of which more falls into hours in which nobody is awake.",
    )

    @property
    def thresholds(self) -> Thresholds:
        """The same, as the rules take it."""
        return Thresholds(**self.model_dump())
