"""What good jobs had that a job had not: its own figures beside those of jobs alike."""

from __future__ import annotations

import hashlib
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
    seasons_of,
    unlike,
)
from stillair.jobs.figures import holding
from stillair.model import JobOutcome, LogKept
from stillair.storage.history import MOST_ITEMS, History
from stillair.storage.items import Item


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
    everyone = list(_jobs(history, _judged(entry.body for entry in last.entries)))
    others = alike(mine, everyone)
    sound = [each for each in others if each.outcome is JobOutcome.SOUND]
    judged = others if mine.outcome is None else [*others, mine]
    many = is_many(judged)
    beside = seasons_of(mine, everyone)
    found = differences(judged, chance=_chance_of(judged), seasons=beside) if many else ()
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


def _chance_of(jobs: Iterable[JudgedJob]) -> np.random.Generator:
    """The same jobs always say the same; others are shuffled in other ways.

    With one set of shuffles for all, what is seldom in all seasons together could be frequent
    in some boat shed. Outcomes have no part in it: shuffles must not hang on what is shuffled.
    """
    told = sorted((job.job, sorted(job.figures.items())) for job in jobs)
    digest = hashlib.sha256(repr(told).encode("utf-8", "backslashreplace")).digest()
    return np.random.default_rng(int.from_bytes(digest[:16]))


def _judged(items: Iterable[Item]) -> Iterable[Item]:
    """Those of which somebody has said how they came out."""
    return (item for item in items if item["outcome"] is not None)


def _jobs(history: History, items: Iterable[Item]) -> Iterable[JudgedJob]:
    """Jobs with what their toolpaths and logs say of them."""
    listed = list(items)
    ids = [str(item["id"]) for item in listed]
    logs, toolpaths = history.logs().of(ids), history.toolpaths().wholes_of(ids)
    for job, item in zip(ids, listed, strict=True):
        yield _job(item, _planned(toolpaths.get(job, {})) | _logged(logs.get(job)))


def _planned(whole: Item) -> dict[str, float | None]:
    """What a job's toolpath says of its figures; of an older one not all is known."""
    shortest_s, fan_share = whole.get("shortest_layer_s"), whole.get("fan_share")
    return {
        "layer_s": float(shortest_s) if isinstance(shortest_s, int | float) else None,
        "fan_share": 100.0 * fan_share if isinstance(fan_share, int | float) else None,
    }


def _logged(kept: LogKept | None) -> dict[str, float | None]:
    """What a job's log adds to its figures; a fan that was turned by hand counts as it was."""
    if kept is None:
        return {}
    log = kept.log
    told = {"drying_h": log.dried_h, "humidity_share": log.humidity_percent}
    return told | ({} if log.fan_percent is None else {"fan_share": log.fan_percent})


def _job(item: Item, logged: Mapping[str, float | None]) -> JudgedJob:
    diagnosis = item["diagnosis"]
    told = diagnosis.get("measured") if isinstance(diagnosis, dict) else None
    measured = {
        name: float(value)
        for name, value in (told.items() if isinstance(told, dict) else ())
        if isinstance(value, int | float)
    }
    if isinstance(diagnosis, dict):  # until they are measured anew, some may mean something else
        measured = holding(measured, int(str(diagnosis["rule"])))
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
