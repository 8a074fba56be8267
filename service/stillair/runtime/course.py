"""A job's stages, and when its camera was paused: what is kept, made ready for `jobs.stages`."""

from __future__ import annotations

from functools import partial

import numpy as np

from stillair.alarms.seen import is_paused
from stillair.jobs.sightings import OwnClock
from stillair.jobs.stages import CourseTimes, stages, unseen
from stillair.model import Change, Kind
from stillair.runtime.comparing import FAR_FUTURE_S, pauses_of, soak_of
from stillair.runtime.diagnosing import epoch_s
from stillair.runtime.heights import TOOLPATH, Heights
from stillair.storage.history import MOST_ITEMS, History
from stillair.storage.items import Item, label

FIRST_LAYER_MM = 1.0  # a height told below it is of the first layers


def course_of(history: History, heights: Heights, job: str, now_s: float) -> Item:
    """The stages of a job and the stretches in which its camera was paused.

    Raises `CommandRefused` for a job that never was, and `StoreError`.
    """
    found = heights.of(job, now_s)
    begun_s, over_s = history.job_span(job)
    item = history.job(job) or {}
    pauses = pauses_of(history, job)
    clock = OwnClock(begun_s, [each for each in pauses if each[1] < FAR_FUTURE_S])
    own_s = soak_of(history, job)
    told = [step for step in history.courses().steps(job) if step.height_mm]
    laid_s = float(found.times.start_s[0]) if found.by == TOOLPATH else None
    if laid_s is None and told and (told[0].height_mm or 0.0) <= FIRST_LAYER_MM:
        laid_s = told[0].at_s
    times = CourseTimes(
        begun_s=begun_s,
        finished_s=epoch_s(item.get("finished_at")),
        over_s=over_s,
        steady_s=None if own_s is None else float(clock.at_s(np.array([own_s]))[0]),
        laid_s=laid_s,
        laid_by_s=told[0].at_s if told else None,
        pauses=pauses,
    )
    return {
        "stages": [
            {"stage": stage.kind.value, **_ends(stage.from_s, stage.to_s)}
            for stage in stages(times)
        ],
        "camera_paused": [_ends(*each) for each in _unseen(history, job, begun_s)],
    }


def _unseen(history: History, job: str, begun_s: float) -> list[tuple[float, float | None]]:
    """When the camera was paused, also where that began before the job did."""
    item = history.job(job)
    views = partial(history.entries, topic="event", kind=Kind.CAMERA_FAULT.value)
    told = list(views(limit=MOST_ITEMS, job=job).entries)
    if item is not None and isinstance(item["seq"], int):
        chamber, number = str(item["chamber"]), item["seq"]
        told = [*views(limit=1, chamber=chamber, before=number, last=True).entries, *told]
    changes = []
    for entry in told:
        detail, at_s = entry.body["detail"], epoch_s(entry.body["at"])
        if at_s is not None and isinstance(detail, dict):
            over = entry.body["change"] == Change.CLEARED.value
            changes.append((at_s, is_paused(detail), over))
    return [
        (max(begun_s, from_s), to_s)
        for from_s, to_s in unseen(changes)
        if to_s is None or to_s > begun_s
    ]


def _ends(from_s: float, to_s: float | None) -> Item:
    return {"from_at": label(from_s), "to_at": None if to_s is None else label(to_s)}
