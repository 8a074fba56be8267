"""A look before starting: toolpath, material and chamber together.

What is found is told as remarks with their reasons, figures and what would help; it
forbids nothing. The rules stand in `rules`, the layers' part in `foreseen`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from stillair.jobs.foreseen import ROOM_C, WARM_C, Layerwise, not_firm, too_cold
from stillair.jobs.rules import Remark, Rule, Thresholds
from stillair.jobs.toolpath.layers import Toolpath
from stillair.model.materials import Material, Range, material

NIGHT: Final = (22 * 60, 7 * 60)  # of who doesn't say: minutes after midnight
LONGEST: Final = timedelta(days=30)
QUARTER: Final = timedelta(minutes=15)

Stretch = tuple[int, int]


@dataclass(frozen=True, slots=True)
class ChamberFacts:
    """What is known of the chamber before the job.

    `expected_c` is the air that the job will have; None: nobody knows, and then the
    material's floor is taken, or a room's warmth where it wants none. `air_c` and
    `is_soaked` are of now, None where nobody can tell. `begins_at` is when the job would
    begin, in the chamber's zone; None where the clock isn't to be trusted. `nights` are for
    each person when they are asleep.
    """

    expected_c: float | None = None
    air_c: float | None = None
    is_soaked: bool | None = None
    can_burn: bool = True
    limit_c: float = 80.0
    begins_at: datetime | None = None
    nights: tuple[Stretch, ...] = ()


@dataclass(frozen=True, slots=True)
class Look:
    """All that a rule may look at."""

    toolpath: Toolpath
    material: str
    row: Material | None
    chamber: ChamberFacts
    limits: Thresholds


def look_before(
    toolpath: Toolpath, material_name: str, chamber: ChamberFacts, limits: Thresholds
) -> tuple[Remark, ...]:
    """What commonly spoils such a job, in the order of the table of rules."""
    look = Look(toolpath, material_name, material(material_name), chamber, limits)
    found = (LOOKS[rule](look) for rule in Rule if rule not in limits.off)
    return tuple(remark for remark in found if remark is not None)


def expected_c(look: Look) -> float:
    """The air that the job is taken to have."""
    if look.chamber.expected_c is not None:
        return look.chamber.expected_c
    return max(look.row.floor_c, ROOM_C) if look.row is not None else ROOM_C


def _material_unknown(look: Look) -> Remark | None:
    if look.row is not None:
        return None
    named = "No material is named"
    if look.material:
        named = f"The material {look.material!r} is not in the table"
    return Remark(
        Rule.MATERIAL_UNKNOWN,
        f"{named}, so nothing is said of bed, nozzle and layers.",
        helps=("Name one of the table: ABS, ASA, HIPS, PC, PC/ABS, PA, PP or PETG.",),
    )


def _not_soaked(look: Look) -> Remark | None:
    air_c, row = look.chamber.air_c, look.row
    if row is not None and row.floor_c < WARM_C:
        return None
    wanted_c = expected_c(look) if row is not None or look.chamber.expected_c is not None else None
    under_k = 0.0 if air_c is None or wanted_c is None else wanted_c - air_c
    if look.chamber.is_soaked is not False and under_k <= look.limits.soak_k:
        return None
    if air_c is None:
        return Remark(Rule.NOT_SOAKED, "The chamber is not warm and steady yet.", helps=(WAIT,))
    figures = {"air_c": air_c} if wanted_c is None else {"air_c": air_c, "expected_c": wanted_c}
    state = "is" if under_k > look.limits.soak_k else "is not steady yet; it is"
    text = f"The chamber {state} at {air_c:.0f} °C"
    if wanted_c is not None:
        text += f", and {wanted_c:.0f} °C are expected for the job"
    return Remark(Rule.NOT_SOAKED, f"{text}.", figures, (WAIT,))


WAIT: Final = "Wait until the chamber is told to be warm and steady."


def _chamber_unusual(look: Look) -> Remark | None:
    if look.row is None or look.chamber.expected_c is None:
        return None
    air_c, low_c, high_c = look.chamber.expected_c, look.row.floor_c, look.row.ceiling_c
    if max(low_c - air_c, air_c - high_c) <= look.limits.chamber_k:
        return None
    help_cold = "Warm the box longer, line it, or shut what lets air in."
    help_hot = "Open a vent or turn the heater down, and mind the machine's own electronics."
    return Remark(
        Rule.CHAMBER_UNUSUAL,
        f"The chamber is expected at {air_c:.0f} °C; {look.material} wants {low_c:.0f} °C to"
        f" {high_c:.0f} °C.",
        {"expected_c": air_c, "floor_c": low_c, "ceiling_c": high_c},
        (help_cold if air_c < low_c else help_hot,),
    )


def _unusual(
    look: Look,
    rule: Rule,
    name: str,
    set_c: tuple[float | None, ...],
    of: Callable[[Material], Range],
) -> Remark | None:
    if look.row is None:
        return None
    low_c, high_c = of(look.row)
    margin_k = look.limits.bed_k if rule is Rule.BED_UNUSUAL else look.limits.nozzle_k
    known = [
        (max(low_c - each, each - high_c), each)
        for each in set_c
        if each is not None and each > 0.0
    ]
    off_k, worst_c = max(known, default=(0.0, 0.0))
    if off_k <= margin_k:
        return None
    word = "colder" if worst_c < low_c else "hotter"
    return Remark(
        rule,
        f"The {name} is set to {worst_c:.0f} °C, {off_k:.0f} degrees {word} than is usual for"
        f" {look.material}: {low_c:.0f} °C to {high_c:.0f} °C.",
        {"set_c": worst_c, "usual_low_c": low_c, "usual_high_c": high_c},
        (f"Set it between {low_c:.0f} °C and {high_c:.0f} °C, or name what is loaded.",),
    )


def _bed_unusual(look: Look) -> Remark | None:
    set_c = look.toolpath.whole.bed_c
    return _unusual(look, Rule.BED_UNUSUAL, "bed", set_c, lambda row: row.bed_c)


def _nozzle_unusual(look: Look) -> Remark | None:
    set_c = look.toolpath.whole.nozzle_c
    return _unusual(look, Rule.NOZZLE_UNUSUAL, "nozzle", set_c, lambda row: row.nozzle_c)


def _fan_at_first(look: Look) -> Remark | None:
    share = look.toolpath.whole.fan_first_share
    if share <= look.limits.fan_share:
        return None
    return Remark(
        Rule.FAN_AT_FIRST,
        f"The fan runs at {share:.0%} on the first layers, before they hold to the bed.",
        {"fan_share": share},
        ("Leave the fan off for the first three layers.",),
    )


def _long_runs(look: Look) -> Remark | None:
    whole = look.toolpath.whole
    base_cm2 = whole.base_area_mm2 / 100.0
    if look.row is not None and look.row.floor_c < WARM_C:
        return None
    if whole.longest_run_mm <= look.limits.run_mm or base_cm2 <= look.limits.base_cm2:
        return None
    return Remark(
        Rule.LONG_RUNS,
        f"Straight runs of up to {whole.longest_run_mm:.0f} mm on a base of {base_cm2:.0f} cm2:"
        " what shrinks along them pulls at the corners.",
        {"run_mm": whole.longest_run_mm, "base_cm2": base_cm2},
        (
            "Use a brim, or discs at the corners, and a fresh surface on the bed.",
            "Lay the part so that runs change direction: turn it, or another pattern of filling.",
            "Keep the chamber near the upper end for the material and the door shut.",
        ),
    )


def _too_cold(look: Look) -> Remark | None:
    if look.row is None:
        return None
    held, air_c = _held(look, look.row), expected_c(look)
    return too_cold(look.toolpath, look.material, held, air_c, limit_c=look.chamber.limit_c)


def _not_firm(look: Look) -> Remark | None:
    if look.row is None:
        return None
    return not_firm(look.toolpath, look.material, _held(look, look.row), expected_c(look))


def _held(look: Look, row: Material) -> Layerwise:
    return Layerwise(row, cold_k=look.limits.cold_k, firm_k=look.limits.firm_k)


def _nobody_awake(look: Look) -> Remark | None:
    begins_at = look.chamber.begins_at
    if begins_at is None or not look.chamber.can_burn:
        return None
    lasts = min(timedelta(seconds=look.toolpath.whole.duration_s), LONGEST)
    nights = look.chamber.nights or (NIGHT,)
    asleep = asleep_for(begins_at, lasts, nights)
    asleep_min = asleep.total_seconds() / 60.0
    if asleep_min <= look.limits.night_min:
        return None
    hours = lasts.total_seconds() / 3600.0
    text = (
        f"The job lasts {hours:.1f} h, and for {asleep_min / 60.0:.1f} h of it nobody is awake"
        " beside a box that can burn."
    )
    best = _best_begin(begins_at, lasts, nights)
    helps = ["Agree who stays awake beside it."]
    if best is not None:
        day = "" if best.date() == begins_at.date() else " the next day"
        ends = f"{best + lasts:%H:%M}"
        helps.insert(0, f"Begin at {best:%H:%M}{day}: it ends at {ends}, and nobody has to be up.")
    else:
        helps.insert(0, "No day is long enough for it: build it in two parts, or faster.")
    figures = {"duration_h": round(hours, 2), "asleep_h": round(asleep_min / 60.0, 2)}
    return Remark(Rule.NOBODY_AWAKE, text, figures, tuple(helps))


def asleep_for(begins_at: datetime, lasts: timedelta, nights: tuple[Stretch, ...]) -> timedelta:
    """How much of a job falls into minutes in which everybody is asleep, to a quarter hour."""
    steps = max(1, round(lasts / QUARTER))
    step = lasts / steps
    asleep = sum(_all_asleep(begins_at + step * (n + 0.5), nights) for n in range(steps))
    return step * asleep


def _all_asleep(at: datetime, nights: tuple[Stretch, ...]) -> bool:
    minute = at.hour * 60 + at.minute
    return all((minute - start) % 1440 < (end - start) % 1440 for start, end in nights)


def _best_begin(
    begins_at: datetime, lasts: timedelta, nights: tuple[Stretch, ...]
) -> datetime | None:
    """The next full quarter hour at which the job could begin and nobody would have to be up."""
    if lasts >= timedelta(days=1):
        return None
    first = begins_at.replace(minute=begins_at.minute // 15 * 15, second=0, microsecond=0) + QUARTER
    tried = (first + QUARTER * n for n in range(96))
    return next((at for at in tried if not asleep_for(at, lasts, nights)), None)


LOOKS: Final = {
    Rule.MATERIAL_UNKNOWN: _material_unknown,
    Rule.NOT_SOAKED: _not_soaked,
    Rule.CHAMBER_UNUSUAL: _chamber_unusual,
    Rule.BED_UNUSUAL: _bed_unusual,
    Rule.NOZZLE_UNUSUAL: _nozzle_unusual,
    Rule.FAN_AT_FIRST: _fan_at_first,
    Rule.LONG_RUNS: _long_runs,
    Rule.TOO_COLD: _too_cold,
    Rule.NOT_FIRM: _not_firm,
    Rule.NOBODY_AWAKE: _nobody_awake,
}
