"""What commonly spoils a job and shows before it starts: one table, each rule with its reason.

Each has thresholds that an owner may change, and can be switched off. The reasons are
workshop knowledge unless a source is named; none is a limit that was measured.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum


class Rule(StrEnum):
    """One thing that is looked at before a job."""

    MATERIAL_UNKNOWN = "material_unknown"
    NOT_SOAKED = "not_soaked"
    CHAMBER_UNUSUAL = "chamber_unusual"
    BED_UNUSUAL = "bed_unusual"
    NOZZLE_UNUSUAL = "nozzle_unusual"
    FAN_AT_FIRST = "fan_at_first"
    LONG_RUNS = "long_runs"
    TOO_COLD = "too_cold"
    NOT_FIRM = "not_firm"
    NOBODY_AWAKE = "nobody_awake"


@dataclass(frozen=True, slots=True)
class About:
    """`looks` goes on from "told when"; `because` says why, and where that comes from."""

    looks: str
    because: str


RULES: Mapping[Rule, About] = {
    Rule.MATERIAL_UNKNOWN: About(
        "the material isn't one of the table",
        "without its temperatures nothing can be said of bed, nozzle and layers",
    ),
    Rule.NOT_SOAKED: About(
        "the chamber is not yet warm and steady, or further than `soak_k` below what is expected",
        "the first layers shrink most on a bed in cold air, and corners lift in the first hour",
    ),
    Rule.CHAMBER_UNUSUAL: About(
        "the air expected is further than `chamber_k` outside what the material wants",
        "in cold air corners lift and layers crack; in hot air detail smears and filament softens"
        " before the nozzle",
    ),
    Rule.BED_UNUSUAL: About(
        "the bed is set further than `bed_k` outside the material's usual range",
        "too cold and the part comes off, too hot and its foot sags",
    ),
    Rule.NOZZLE_UNUSUAL: About(
        "the nozzle is set further than `nozzle_k` outside the material's usual range",
        "too cold and layers don't grow together, too hot and the plastic degrades and drips",
    ),
    Rule.FAN_AT_FIRST: About(
        "the fan runs above `fan_share` on one of the first three layers",
        "it cools the foot of the part before that holds to the bed",
    ),
    Rule.LONG_RUNS: About(
        "a straight run is longer than `run_mm` on a base wider than `base_cm2`",
        "shrinkage adds up along a run and pulls at its ends: corners lift, layers crack",
    ),
    Rule.TOO_COLD: About(
        "three layers or more are laid on one that is colder by more than `cold_k` than a usual"
        " layer of the job in a chamber at the material's floor",
        "how far layers grow into one follows from how warm their joint is, and for how long"
        " (Bellehumeur and others, 2004); the model is good for 5 degrees",
    ),
    Rule.NOT_FIRM: About(
        "three layers or more are laid on one that is hotter than `firm_k` below the temperature at"
        " which the material is firm",
        "edges curl up, overhangs sag, fine detail smears on small or fast layers",
    ),
    Rule.NOBODY_AWAKE: About(
        "more than `night_min` of the job fall into hours in which nobody is awake, beside a box"
        " that can burn",
        "a fire found in its first minutes is put out; asleep nobody finds it",
    ),
}


@dataclass(frozen=True, slots=True)
class Thresholds:
    """What the owner says of the rules; the defaults are where to begin."""

    off: tuple[Rule, ...] = ()
    soak_k: float = 3.0
    chamber_k: float = 0.0
    bed_k: float = 0.0
    nozzle_k: float = 0.0
    fan_share: float = 0.1
    run_mm: float = 120.0
    base_cm2: float = 8.0
    cold_k: float = 5.0
    firm_k: float = 0.0
    night_min: float = 30.0


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing that commonly spoils such a job.

    `text` has the reason with its figures in words, `figures` the same by name with units;
    `helps` says what would help, and how far; `heights_mm` are stretches along the part.
    """

    rule: Rule
    text: str
    figures: Mapping[str, float] = field(default_factory=dict)
    helps: tuple[str, ...] = ()
    heights_mm: Sequence[tuple[float, float]] = ()
