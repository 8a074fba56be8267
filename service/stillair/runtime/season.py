"""What good jobs had that a job had not: its own figures beside those of jobs alike."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from stillair.errors import CommandRefused, Refusal
from stillair.jobs.comparison import (
    Difference,
    JudgedJob,
    Unlike,
    alike,
    differences,
    is_many,
    unlike,
)
from stillair.model import JobOutcome, LogKept
from stillair.storage.history import MOST_ITEMS, History
from stillair.storage.items import Item

SEED = 20  # the same jobs always say the same


def compared(history: History, job: str) -> dict[str, Any]:
    """How a job differs from the sound ones alike, and flawed jobs from sound ones.

    The chamber's last 1,000 jobs are looked at.

    Raises `CommandRefused` (unknown), `StoreError`.
    """
    item = history.job(job)
    if item is None:
        raise CommandRefused(Refusal.UNKNOWN, "There is no such job.")
    last = history.jobs(0, MOST_ITEMS, chamber=str(item["chamber"]), last=True)
    (mine,) = _jobs(history, [item])
    others = alike(mine, _jobs(history, _judged(entry.body for entry in last.entries)))
    sound = [each for each in others if each.outcome is JobOutcome.SOUND]
    judged = others if mine.outcome is None else [*others, mine]
    many = is_many(judged)
    found = differences(judged, chance=np.random.default_rng(SEED)) if many else ()
    return {
        "material": mine.material,
        "origin": mine.origin or None,
        "sound": len(sound),
        "judged": len(judged),
        "figures": {name: value for name, value in mine.figures.items() if value is not None},
        "unlike": [_unlike_item(each) for each in unlike(mine, sound)],
        "many": many,
        "differences": [_difference_item(each) for each in found],
    }


def _judged(items: Iterable[Item]) -> Iterable[Item]:
    """Those of which somebody has said how they came out."""
    return (item for item in items if item["outcome"] is not None)


def _jobs(history: History, items: Iterable[Item]) -> Iterable[JudgedJob]:
    """Jobs with what their logs say of them."""
    listed = list(items)
    logs = history.logs().of([str(item["id"]) for item in listed])
    for item in listed:
        yield _job(item, _logged(logs.get(str(item["id"]))))


def _logged(kept: LogKept | None) -> dict[str, float | None]:
    """What a job's log adds to its figures."""
    if kept is None:
        return {}
    log = kept.log
    return {
        "drying_h": log.dried_h,
        "humidity_share": log.humidity_percent,
        "fan_share": log.fan_percent,
    }


def _job(item: Item, logged: Mapping[str, float | None]) -> JudgedJob:
    diagnosis = item["diagnosis"]
    told = diagnosis.get("measured") if isinstance(diagnosis, dict) else None
    measured = {
        name: float(value)
        for name, value in (told.items() if isinstance(told, dict) else ())
        if isinstance(value, int | float)
    }
    outcome = item["outcome"]
    return JudgedJob(
        job=str(item["id"]),
        material=str(item["material"]),
        origin=str(item["origin"] or ""),
        outcome=None if outcome is None else JobOutcome(str(outcome)),
        figures={**measured, **logged},
    )


def _unlike_item(found: Unlike) -> Item:
    return {
        "figure": found.measure.name,
        "said": found.measure.said,
        "unit": found.measure.unit,
        "value": round(found.value, 2),
        "median": round(found.median, 2),
        "lowest": round(found.lowest, 2),
        "highest": round(found.highest, 2),
        "sound": found.sound,
    }


def _difference_item(found: Difference) -> Item:
    return {
        "figure": found.measure.name,
        "said": found.measure.said,
        "unit": found.measure.unit,
        "effect": found.effect,
        "chance": found.chance,
        "p": round(found.p, 4),
        "told": found.told,
        "flawed_median": round(found.flawed_median, 2),
        "sound_median": round(found.sound_median, 2),
        "flawed": found.flawed,
        "sound": found.sound,
    }
