"""The look before starting: what is known of a chamber now, and the remarks as they are answered.

The facts are gathered beside the watch; the look itself, which computes thermal
histories again and again, runs in a process of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from stillair.config import ChamberSettings
from stillair.config.values import day_stretch
from stillair.errors import InputError, StoreError
from stillair.jobs.before import NIGHT, ChamberFacts, look_before
from stillair.jobs.rules import Remark, Thresholds
from stillair.jobs.toolpath import Toolpath
from stillair.model import Phase
from stillair.runtime.weathering import UNREADABLE
from stillair.storage.history import History
from stillair.thermal.plan import ThermalView

READY = frozenset({Phase.STEADY})
NOT_READY = frozenset({Phase.COLD, Phase.WARMING, Phase.SOAK, Phase.COOLING, Phase.COOL_ENOUGH})


@dataclass(frozen=True, slots=True)
class LookedAt:
    """A toolpath, the material that is loaded, the chamber as it is, and the owner's rules.

    `begins_at` is RFC 3339 with the chamber's own offset from UTC; None: nobody knows.
    """

    toolpath: str
    material: str
    chamber: ChamberFacts
    begins_at: str | None
    limits: Thresholds


def facts(settings: ChamberSettings, view: ThermalView) -> ChamberFacts:
    """What is known of a chamber, the hour apart."""
    is_ready = True if view.phase in READY else False if view.phase in NOT_READY else None
    expected_c = settings.chamber.target_c
    if expected_c is None and is_ready:
        expected_c = view.air_c
    people = [person.quiet_hours for person in settings.people]
    return ChamberFacts(
        expected_c=expected_c,
        air_c=view.air_c,
        is_soaked=is_ready,
        can_burn=settings.combustible,
        limit_c=settings.chamber.limit_c,
        nights=tuple(NIGHT if quiet is None else day_stretch(quiet) for quiet in people),
    )


def look_of(folder: Path, asked: LookedAt) -> dict[str, Any]:
    """The remarks. Raises `InputError` for a toolpath that hasn't been read, or can't be."""
    try:
        history = History(folder / "journal.db", folder / "archive.db")
        try:
            kept = history.toolpaths().layers(asked.toolpath)
            whole = history.toolpaths().whole(asked.toolpath)
        finally:
            history.close()
    except StoreError:  # it names files
        raise InputError(UNREADABLE) from None
    if kept is None or whole is None:
        raise InputError("there is no toolpath of that id that has been read")
    chamber = asked.chamber
    if chamber.expected_c is None and whole.chamber_c:
        chamber = replace(chamber, expected_c=whole.chamber_c)
    if asked.begins_at is not None:
        chamber = replace(chamber, begins_at=datetime.fromisoformat(asked.begins_at))
    found = look_before(Toolpath(whole, *kept), asked.material, chamber, asked.limits)
    return {
        "toolpath": asked.toolpath,
        "material": asked.material,
        "expected_c": chamber.expected_c,
        "duration_s": round(whole.duration_s, 1),
        "items": [_item(remark) for remark in found],
    }


def _item(remark: Remark) -> Mapping[str, Any]:
    return {
        "rule": remark.rule.value,
        "text": remark.text,
        "figures": dict(remark.figures),
        "helps": list(remark.helps),
        "heights_mm": [list(each) for each in remark.heights_mm],
    }
