"""What a job that is over says of its box: its readings and events, made ready for `diagnosis`.

Runs in a process of its own. The cool-down that tells most comes after the job:
readings up to the next job count, six hours of them at most.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from stillair.errors import InputError
from stillair.jobs.figures import CHANGED, RULE, chamber_figures, holding
from stillair.model import JobDiagnosis, JsonValue, Kind
from stillair.storage.courses import paused_in
from stillair.storage.history import MOST_ITEMS, History
from stillair.storage.items import Item
from stillair.thermal.diagnosis import GRID_S, OLD_JOBS, JobFigures, Span, job_figures, told

AFTER_S = 6 * 3600.0  # a box that has not cooled by then is heated for something else
LONGEST_S = 30 * 86_400.0
MOST_PAGES = 20
SAME_K = 0.05
COLD_AIR = (Kind.DOOR_OPEN, Kind.DRAFT)

Row = tuple[float, tuple[float | None, ...]]


@dataclass(frozen=True, slots=True)
class Diagnosed:
    """A job, and what has to be known of its chamber: which sensors are where, and their marks."""

    job: str
    chamber: str
    box: str
    air: tuple[str, ...]
    room: tuple[str, ...]
    sensors: Mapping[str, str] = field(default_factory=dict)
    target_c: float | None = None

    @property
    def air_marks(self) -> dict[str, str]:
        """The marks of those sensors that are in the chamber's air."""
        return {name: mark for name, mark in self.sensors.items() if name in self.air}


def diagnose(folder: Path, asked: Diagnosed) -> JobDiagnosis:
    """The figures of a job, and how they differ from those of earlier jobs of the same box.

    Its time is 0; who keeps it gives it one. Raises `InputError` for an unknown
    job, `StoreError` where the history can't be read.
    """
    history = History(folder / "journal.db", folder / "archive.db")
    try:
        item = history.job(asked.job)
        if item is None:
            raise InputError(f"there is no job {asked.job!r}")
        begun_s, _ = history.job_span(asked.job)
        end_s = cooled_s(history, asked.job, item["finished_at"])
        table = _table(history, asked, max(begun_s, end_s - LONGEST_S), end_s)
        figures = _figures(history, asked, table)
        measured = _measured(history, asked, table, begun_s, epoch_s(item["finished_at"]))
        past = [d for d in history.diagnoses(asked.chamber) if d.box == asked.box]
        past.sort(key=lambda d: _number(d.job))  # kept last may be an early one, measured anew
        earlier = [_alike(d, asked.sensors) for d in past if d.job != asked.job]
    finally:
        history.close()
    return JobDiagnosis(
        job=asked.job,
        t_s=0.0,
        text=told(figures, earlier),
        loss_per_h=figures.loss_per_h,
        early_loss_per_h=figures.early_loss_per_h,
        measured=measured,
        warm_k_per_min=figures.warm_k_per_min,
        excess_k=figures.excess_k,
        offsets=figures.offsets,
        compared=min(OLD_JOBS, sum(job.excess_k is not None for job in earlier)),
        box=asked.box,
        sensors=asked.air_marks,
        rule=RULE,
        over=_over(item),
    )


# --- measured anew --------------------------------------------------------------------


def outdated(history: History, chamber: str) -> list[str]:
    """Those of a chamber's last 1,000 jobs whose figures are to be measured anew, the last first.

    Raises `StoreError`.
    """
    last = history.jobs(0, MOST_ITEMS, chamber=chamber, last=True)
    return [str(entry.body["id"]) for entry in reversed(last.entries) if is_outdated(entry.body)]


def is_outdated(job: Item) -> bool:
    """Whether a job's figures are by an earlier rule, or over another time than it has now.

    What was brought in was measured elsewhere, by sensors that nobody here knows.
    """
    kept = job["diagnosis"]
    if job["brought"] or not isinstance(kept, dict) or not kept["measured"]:
        return False
    return kept["rule"] != RULE or kept["over"] not in ("", _over(job))


def renewed(kept: JobDiagnosis, found: JobDiagnosis | None, over: str) -> JobDiagnosis:
    """A diagnosis with the figures of `found`, as far as it can be known that they are the job's.

    `found` is None where its readings can't be measured as they were: a sensor has been
    replaced. Figures that nobody can measure anew are given up where they no longer hold;
    what was said of the box stays as it was said.
    """
    if kept.over not in ("", over):  # somebody has said since when it began or was done
        measured = {} if found is None else dict(found.measured)
    else:
        measured = holding(kept.measured, kept.rule)
        if found is not None and _of_the_same_readings(kept.measured, found.measured):
            measured |= {
                name: value
                for name, value in found.measured.items()
                if CHANGED.get(name, 1) > kept.rule
            }
    return replace(kept, measured=measured, rule=RULE, over=over)


def over_of(history: History, job: str) -> str:
    """The time over which a job would be measured now. Raises `StoreError`."""
    item = history.job(job)
    return "" if item is None else _over(item)


def _of_the_same_readings(kept: Mapping[str, float], found: Mapping[str, float]) -> bool:
    """Part of a job's readings may be gone by now, and with them its hottest minute."""
    lasting = ("air_c", "hottest_c")
    return all(n in found and abs(found[n] - kept[n]) < SAME_K for n in lasting if n in kept)


def _over(job: Item) -> str:
    return f"{job['started_at']} {job['finished_at']}"


def _number(job: str) -> int:
    digits = job.rpartition("-")[2]
    return int(digits) if digits.isascii() and digits.isdigit() else 0


# --- readings and events ---------------------------------------------------------------


def cooled_s(history: History, job: str, finished_at: JsonValue) -> float:
    """Up to when readings may belong to a job's cool-down, seconds since the epoch."""
    finished_s = epoch_s(finished_at)
    if finished_s is None:
        finished_s = history.job_span(job)[1] or 0.0
    next_s = history.next_start_s(job)
    return finished_s + AFTER_S if next_s is None else min(next_s, finished_s + AFTER_S)


def epoch_s(label: JsonValue) -> float | None:
    """Seconds since the epoch of a label, None for none."""
    return None if label is None else datetime.fromisoformat(str(label)).timestamp()


@dataclass(frozen=True, slots=True)
class _Table:
    """A job's readings, half a minute a row, without what couldn't be trusted."""

    begin_s: float
    end_s: float
    time_s: Sequence[float] = ()
    air: Mapping[str, Sequence[float | None]] = field(default_factory=dict)
    room_c: Sequence[float | None] | None = None


def _table(history: History, asked: Diagnosed, begin_s: float, end_s: float) -> _Table:
    if end_s <= begin_s:
        return _Table(begin_s, end_s)
    readings = history.iter_job_readings(asked.job, begin_s, end_s)
    times_s, columns = half_minutes(readings.sensors, readings.rows)
    for sensor, spans in faults_of(history, asked.chamber, begin_s, end_s).items():
        if sensor in columns:
            columns[sensor] = without(times_s, columns[sensor], spans)
    room = [columns[name] for name in asked.room if name in columns]
    return _Table(
        begin_s,
        end_s,
        times_s,
        {name: columns[name] for name in asked.air if name in columns},
        [_mean(row) for row in zip(*room, strict=True)] if room else None,
    )


def _figures(history: History, asked: Diagnosed, table: _Table) -> JobFigures:
    if not table.time_s:
        return JobFigures()
    begin_s, end_s = table.begin_s, table.end_s
    return job_figures(
        table.time_s,
        table.air,
        table.room_c,
        # When it was said to be done says little of when the heat went off.
        heat_off_s=None,
        doors=[
            span
            for kind in COLD_AIR
            for spans in spans_of(history, asked.chamber, kind, begin_s, end_s).values()
            for span in spans
        ],
    )


def _measured(
    history: History, asked: Diagnosed, table: _Table, begun_s: float, finished_s: float | None
) -> dict[str, float]:
    """What later jobs are compared by."""
    if not table.time_s or finished_s is None:
        return {}
    steps = history.courses().steps(asked.job)
    return chamber_figures(
        table.time_s,
        table.air,
        table.room_c,
        started_s=begun_s,
        finished_s=finished_s,
        target_c=asked.target_c,
        first_height_s=next((step.at_s for step in steps if step.height_mm), None),
        pauses=[(start_s, end_s) for start_s, end_s, _ in paused_in(steps, table.end_s)],
    )


def half_minutes(
    sensors: Sequence[str], rows: Iterable[Row]
) -> tuple[list[float], dict[str, list[float | None]]]:
    """Means over half minutes, so that two weeks of rows take little room."""
    times_s: list[float] = []
    columns: dict[str, list[float | None]] = {name: [] for name in sensors}
    sums = [[0.0, 0] for _ in sensors]

    def close() -> None:
        for name, (total, count) in zip(sensors, sums, strict=True):
            columns[name].append(total / count if count else None)

    for at_s, values in rows:
        if not times_s or at_s >= times_s[-1] + GRID_S:
            if times_s:
                close()
                sums = [[0.0, 0] for _ in sensors]
            times_s.append(at_s)
        for total, value_c in zip(sums, values, strict=True):
            if value_c is not None:
                total[0] += value_c
                total[1] += 1
    if times_s:
        close()
    return times_s, columns


def spans_of(
    history: History, chamber: str, kind: Kind, begin_s: float, end_s: float
) -> dict[str, list[Span]]:
    """When events of a kind lasted, by their subject; one that has no end goes on."""
    found: dict[int, tuple[str, Span]] = {}
    after: int | None = 0
    since_at = datetime.fromtimestamp(begin_s, UTC)
    for _ in range(MOST_PAGES):
        page = history.entries(
            after or 0, 1000, "event", chamber=chamber, kind=kind.value, since_at=since_at
        )
        for entry in page.entries:
            body = entry.body
            onset_s, over_s = epoch_s(body["onset_at"]), epoch_s(body["end_at"])
            if onset_s is not None and onset_s < end_s and isinstance(body["event"], int):
                span = (onset_s, end_s if over_s is None else over_s)
                found[body["event"]] = (str(body["subject"]), span)
        after = page.next
        if after is None:
            break
    by_subject: dict[str, list[Span]] = {}
    for subject, span in found.values():
        by_subject.setdefault(subject, []).append(span)
    return by_subject


def faults_of(
    history: History, chamber: str, begin_s: float, end_s: float
) -> dict[str, list[Span]]:
    """When each sensor couldn't be trusted."""
    return spans_of(history, chamber, Kind.SENSOR_FAULT, begin_s, end_s)


def without(
    times_s: Sequence[float], column: Sequence[float | None], spans: Sequence[Span]
) -> list[float | None]:
    return [
        None if any(start_s - GRID_S < at_s < over_s for start_s, over_s in spans) else value
        for at_s, value in zip(times_s, column, strict=True)
    ]


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None


def _alike(found: JobDiagnosis, sensors: Mapping[str, str]) -> JobFigures:
    """An earlier job's figures, of sensors only those that are the same now."""
    return JobFigures(
        found.loss_per_h,
        found.warm_k_per_min,
        found.excess_k,
        {n: share for n, share in found.offsets.items() if found.sensors.get(n) == sensors.get(n)},
        found.early_loss_per_h,
    )
