"""What a board hands on of its history, and what pages ask of one, for tests of a hall."""

from __future__ import annotations

import json
from contextlib import closing
from dataclasses import asdict
from pathlib import Path
from typing import Any

from hall_boards import KEY, NAME, form
from stillair.hall.messages import Entry
from stillair.storage.history import History
from stillair.storage.onward import Onward
from stillair.storage.readings import Readings


def handed_on(folder: Path) -> list[tuple[str, bytes]]:
    """All messages of a board's history, of either kind in its order."""
    made: list[tuple[str, bytes]] = []
    readings = Readings(folder / "archive.db")
    with closing(Onward(folder / "journal.db", readings)) as onward:
        after = 0
        while (found := onward.lines(KEY, after)).lines:
            entries = [Entry.of(seq, line, line.body) for seq, line in found.lines]
            made.append(("entries", form().entries(*entries)))
            after = found.to
        spans = dict.fromkeys(readings.sensors(KEY), (-(10**13), 10**13))
        while (some := onward.readings(KEY, spans, 1_500)).pieces:
            made.append(("readings", form().readings(some, 0)))
            spans = dict.fromkeys(spans, (some.through_ms, 10**13))
    return made


def answers(history: History, chamber: str) -> dict[str, Any]:
    """What pages ask for."""
    jobs = [str(entry.body["id"]) for entry in history.jobs(chamber=chamber).entries]
    spans = [history.job_span(job) for job in jobs]
    begin_s = spans[0][0]
    return {
        "jobs": [entry.body for entry in history.jobs(chamber=chamber, last=True).entries],
        "job": history.job(jobs[0]),
        "entries": [e.body for e in history.entries(0, 1000, chamber=chamber).entries],
        "events": [e.body for e in history.of_event(chamber, 1, "event")],
        "alarms": [e.body for e in history.alarms(chamber=chamber, standing=True).entries],
        "sound": [job.id for job in history.sound_jobs(chamber)],
        "undiagnosed": [job.id for job in history.undiagnosed(chamber, "", 10)],
        "diagnoses": history.diagnoses(chamber),
        "next": [history.next_start_s(job) for job in jobs],
        "spans": spans,
        "pins": [[(p.at_s, p.height_mm) for p in history.courses().pins(job)] for job in jobs],
        "steps": [history.courses().steps(job) for job in jobs],
        "logs": [history.logs().of([job]) for job in jobs],
        "readings": history.readings(chamber, begin_s, begin_s + 900.0, 5000),
        "thinned": extremes(history.readings(chamber, begin_s - 1e6, begin_s + 1e7, 50)),
        "of_job": [history.job_readings(job, *span(history, job)) for job in jobs],
        "rows": list(history.iter_readings(chamber, begin_s, begin_s + 1e6).rows)[:2000],
        "tests": history.alarm_tests(chamber=chamber).entries,
        "taken": history.taken(),
        "notices": history.notices(),
        "tries": history.tries_of("k"),
        "toolpaths": history.toolpaths().of_job(jobs[0] + "x"),
        "pictures": history.pictures().of_job(jobs[0] + "x"),
        "films": history.clips().of_job(jobs[0] + "x"),
    }


def extremes(columns: Any) -> dict[str, tuple[float, float]]:
    """Of buckets, whose ends lie where rows end."""
    known = {name: [v for v in of if v is not None] for name, of in columns["sensors"].items()}
    return {name: (min(values), max(values)) for name, values in known.items()}


def span(history: History, job: str) -> tuple[float, float]:
    begin_s, end_s = history.job_span(job)
    return begin_s, end_s or begin_s + 1000.0


def plain(found: Any) -> Any:
    """With names as the hall gives them."""
    told = json.dumps(found, default=asdict).replace(f'"{KEY}', f'"{NAME}')
    return json.loads(told)
