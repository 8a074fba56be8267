"""What a job that is looked back on is held against: another job, or what sound ones kept between.

Only jobs of the same box: what is real, what is simulated and what was played from a
recording never mix. Runs in a process of its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from stillair.errors import CommandRefused, InputError, StoreError
from stillair.jobs.beside import LEAST_JOBS, Aligned, Besides, PastAir, beside
from stillair.jobs.sightings import OwnClock
from stillair.model import Job, Timeline
from stillair.runtime.comparing import (
    FAR_FUTURE_S,
    MINUTE_S,
    MOST_MINUTES,
    Pause,
    clock_s,
    past_curve,
    pauses_of,
    same_box,
    same_material,
    same_part,
    same_sensors,
    soak_of,
)
from stillair.runtime.heights import TOOLPATH, Heights
from stillair.storage.history import History
from stillair.storage.items import label

LAST, BAND = "last", "band"
MOST_JOBS = 12  # that make a band: the newest, as a box changes with the years
UNREADABLE = "what is kept can't be read just now"


@dataclass(frozen=True, slots=True)
class HeldAgainst:
    """A job, what it is held against, its air's sensors with their marks, and now in
    seconds since the epoch."""

    job: str
    beside: str
    air: tuple[str, ...]
    now_s: float
    marks: Mapping[str, str] = field(default_factory=dict)


def beside_of(folder: Path, asked: HeldAgainst) -> dict[str, Any]:
    """Columns along the job's own time. Raises `InputError`."""
    history = History(folder / "journal.db", folder / "archive.db")
    try:
        return _beside_of(folder, history, asked)
    except StoreError:  # it names files
        raise InputError(UNREADABLE) from None
    finally:
        history.close()


def _beside_of(folder: Path, history: History, asked: HeldAgainst) -> dict[str, Any]:
    try:
        begun_s, over_s = history.job_span(asked.job)
        mine = history.job_in(asked.job, Timeline("", 0.0))
    except (KeyError, ValueError):
        raise InputError(f"there is no job {asked.job!r}") from None
    pauses = pauses_of(history, asked.job)
    others = _others(history, mine, asked.beside)
    marks = {d.job: d.sensors for d in history.diagnoses(mine.chamber, [mine.id, *others])}
    own = {**asked.marks, **marks.get(mine.id, {})}
    heights = Heights(history)
    airs = []
    for job in others:
        names = same_sensors(asked.air, own, marks.get(job, {}))
        curve = past_curve(folder, job, names)
        if any(t is not None for column in curve.minutes.values() for t in column):
            moments_s = _moments(history, heights, job, asked.now_s)
            airs.append(PastAir(job, curve.minutes, moments_s))
    long_s = clock_s(over_s or asked.now_s, begun_s, pauses)
    minutes = min(MOST_MINUTES, max(0, int(long_s // MINUTE_S) + 1))
    least = 1 if asked.beside == LAST else LEAST_JOBS
    if len(airs) < least:
        airs, minutes = [], 0
    moments_s = _moments(history, heights, asked.job, asked.now_s)
    return _item(history, beside(moments_s, airs, minutes, least), begun_s, pauses, minutes)


def _others(history: History, mine: Job, wanted: str) -> list[str]:
    """The jobs it is held against."""
    sound = history.sound_jobs(mine.chamber)
    if wanted == BAND:
        alike = [job for job in sound if same_box(mine, job) and same_material(mine, job)]
        return [job.id for job in alike[:MOST_JOBS]]
    built = [job.id for job in sound if same_part(mine, job)]
    begun = _number(history, mine.id)
    before = [job for job in built if _number(history, job) < begun]
    return (before or built)[:1]


def _number(history: History, job: str) -> int:
    """Jobs begin in the order of these."""
    item = history.job(job)
    return item["seq"] if item is not None and isinstance(item["seq"], int) else 0


def _moments(history: History, heights: Heights, job: str, now_s: float) -> dict[Aligned, float]:
    """What is known of a job's moments, by its own clock."""
    begun_s, _ = history.job_span(job)
    pauses = pauses_of(history, job)
    moments_s = {Aligned.START: 0.0}
    steady_s = soak_of(history, job)
    if steady_s is not None:
        moments_s[Aligned.STEADY] = steady_s
    try:
        found = heights.of(job, now_s)
    except CommandRefused:
        return moments_s
    if found.by == TOOLPATH and len(found.times.start_s):
        moments_s[Aligned.LAYER] = clock_s(float(found.times.start_s[0]), begun_s, pauses)
    return moments_s


def _item(
    history: History, found: Besides, begun_s: float, pauses: Sequence[Pause], minutes: int
) -> dict[str, Any]:
    """Columns by the clock on the wall; where the job stood paused a row of nothing."""
    own_s = np.arange(minutes, dtype=np.float64) * MINUTE_S + MINUTE_S / 2.0
    ended = [(start_s, end_s) for start_s, end_s in pauses if end_s < FAR_FUTURE_S]
    times_s: list[float] = OwnClock(begun_s, ended).at_s(own_s).tolist()
    gaps = {
        row
        for row, (one_s, two_s) in enumerate(pairwise(times_s))
        if two_s - one_s > 1.5 * MINUTE_S
    }

    def spread(column: Sequence[float | None]) -> list[float | None]:
        return [
            each for row, t in enumerate(column) for each in ((t, None) if row in gaps else (t,))
        ]

    between = [
        each
        for row, at_s in enumerate(times_s)
        for each in ((at_s, at_s + MINUTE_S / 2) if row in gaps else (at_s,))
    ]
    jobs = [(job, history.job_span(job)[0]) for job in found.jobs]
    return {
        "aligned": found.aligned.value,
        "many": found.many,
        "jobs": [{"id": job, "started_at": label(started_s)} for job, started_s in jobs],
        "time_s": [round(at_s, 1) for at_s in between],
        "sensors": {
            name: {"low": spread(low), "high": spread(high)}
            for name, (low, high) in found.ends.items()
        },
    }
