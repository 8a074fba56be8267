"""Jobs of hours, written as they are kept: nobody has to wait until they are built.

built(...)   a job with four sensors, a reading of each a second, a height every two minutes
             and an event every half hour
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import replace

from stillair.model import (
    Change,
    EventChange,
    Job,
    JobOutcome,
    JobPhase,
    Kind,
    Outcome,
    OutcomeTold,
    Priority,
    SignalClass,
    Timeline,
)
from stillair.storage.archive import Archive
from stillair.storage.journal import Journal
from stillair.storage.records import Parcel

KEY = "boat-shed-north-bench"
AIR_C = {"top": 48.0, "low": 42.0, "bed": 95.0, "room": 17.0}
HEIGHT_EVERY_S = 120
EVENT_EVERY_S = 1800
FLUSH_EVERY_S = 60


def built(
    journal: Journal,
    archive: Archive,
    number: int,
    begun_s: float,
    hours: float,
    box: str,
    *,
    mm_per_s: float = 1 / 900,
    said: JobOutcome | None = JobOutcome.SOUND,
) -> str:
    """A job with all that is kept of one; returns its id. Seconds since the epoch."""
    job = f"{KEY}-{number}"
    zero = Timeline("bench", 0.0)
    long_s = int(hours * 3600)
    made = Job(job, KEY, "Rigger spacers", "ASA", "left bench", "", JobPhase.RUNNING, begun_s)
    made = replace(made, box=box)
    parcels = [Parcel(Outcome(KEY, begun_s, jobs=(made,)), zero)]
    for at_s in range(HEIGHT_EVERY_S, long_s, HEIGHT_EVERY_S):
        made = replace(made, height_mm=round(0.05 + at_s * mm_per_s, 2))
        parcels.append(Parcel(Outcome(KEY, begun_s + at_s, jobs=(made,)), zero))
        if at_s % EVENT_EVERY_S == 0:
            parcels += [Parcel(told, zero) for told in _opened(job, number, begun_s + at_s)]
    over_s = begun_s + long_s
    made = replace(made, state=JobPhase.FINISHED, finished_s=over_s - 1800.0)
    words = () if said is None else (OutcomeTold(job, over_s, said, "cox"),)
    parcels.append(Parcel(Outcome(KEY, over_s, jobs=(made,), outcomes=words), zero))
    journal.commit_all(parcels)
    chance = random.Random(number)
    for second in range(long_s):
        since_opened_s = second % EVENT_EVERY_S
        drop_k = 8.0 * math.exp(-since_opened_s / 120.0) if second > EVENT_EVERY_S else 0.0
        for name, air_c in AIR_C.items():
            t_c = air_c - drop_k + math.sin(second / 40.0) + chance.gauss(0.0, 0.05)
            archive.add(KEY, name, begun_s + second, round(t_c * 16) / 16)
        if second % FLUSH_EVERY_S == 0:
            archive.flush()
    archive.flush(sync=True)
    return job


def _opened(job: str, number: int, at_s: float) -> Iterator[Outcome]:
    """The door is opened, and shut again."""
    event = EventChange(
        event=100_000 * number + int(at_s) % 100_000,
        change=Change.RAISED,
        at_s=at_s,
        kind=Kind.DOOR_OPEN,
        signal_class=SignalClass.SUPERVISORY,
        priority=Priority.MEDIUM,
        onset_s=at_s,
        sensors=("top",),
        detail={"cause": "clear", "drop_k": 8.0},
        job=job,
    )
    yield Outcome(KEY, at_s, events=(event,))
    over = replace(event, change=Change.CLEARED, at_s=at_s + 90.0, end_s=at_s + 80.0)
    yield Outcome(KEY, at_s + 90.0, events=(over,))
