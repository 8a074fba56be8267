"""What other settings would have told of a job that is over, or still runs.

A job's kept readings go through the watch with each of two plans, together
with the marks of the job's start and end, and the two stories are held against
each other. Switches and camera are not kept with the readings, so neither
story has what only they would have told.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from stillair.alarms.figures import duration, row
from stillair.errors import InputError
from stillair.model import (
    Change,
    Command,
    FinishJob,
    JsonValue,
    Kind,
    Outcome,
    Reading,
    StartJob,
    Tick,
)
from stillair.storage.history import History
from stillair.storage.items import Item
from stillair.watch import Watch, WatchPlan

MOST_ROWS = 1_500_000  # more than two weeks, once a second
LONGEST_GAP_S = 3600.0  # beyond this much silence the watch begins anew after it
SAME_S = 2.0  # what is told within this is told alike
FAR_FUTURE_S = 1e11
BY_TEMPERATURE = frozenset(
    {Kind.FIRE, Kind.RAPID_RISE, Kind.OVER_TEMPERATURE, Kind.HEAT_LOST, Kind.DOOR_OPEN, Kind.DRAFT}
    | {Kind.BELOW_TARGET, Kind.TOO_WARM, Kind.SENSOR_FAULT, Kind.SOAK_READY, Kind.COOL_ENOUGH}
)
COLD_AIR = frozenset({Kind.DOOR_OPEN, Kind.DRAFT, Kind.HEAT_LOST})  # one may be called another

Row = tuple[float, tuple[float | None, ...]]
Share = Callable[[float], None]


@dataclass(slots=True)
class Told:
    """One event as a whole; times in seconds from the job's start."""

    kind: Kind
    subject: str
    raised_s: float
    onset_s: float
    end_s: float | None
    sensors: tuple[str, ...]

    def item(self) -> Item:
        """As it is answered."""
        return {
            "kind": self.kind.value,
            "subject": self.subject,
            "raised_s": round(self.raised_s, 1),
            "onset_s": round(self.onset_s, 1),
            "end_s": None if self.end_s is None else round(self.end_s, 1),
            "sensors": list[JsonValue](self.sensors),
        }


@dataclass(frozen=True, slots=True)
class Difference:
    """One event in both stories: `what` is "new", "gone", "changed" or "same"."""

    what: str
    before: Told | None
    after: Told | None

    def item(self) -> Item:
        """As it is answered."""
        return {
            "what": self.what,
            "before": self.before.item() if self.before else None,
            "after": self.after.item() if self.after else None,
        }


def what_if(
    folder: Path,
    job: str,
    before: WatchPlan | None,
    after: WatchPlan,
    *,
    material: str | None = None,
    share: Share = lambda _: None,
) -> list[Difference]:
    """How the story of a job would have been with the plan `after`, and of another `material`.

    Against the one with `before`, or where that is None against what was told
    at the time. `share` is told how far it is, from 0 to 1, where the job is
    over. Raises `InputError` for an unknown job or one that can't be watched
    again, `StoreError` where the history can't be read.
    """
    if not (folder / "journal.db").is_file():
        raise InputError(f"there is no history in {folder}; name its folder with --data-dir")
    history = History(folder / "journal.db", folder / "archive.db")
    try:
        item = history.job(job)
        if item is None:
            raise InputError(f"there is no job {job!r} in {folder}")
        if before is None:
            old = _kept(history, job)
        else:
            old = _again(history, item, before, lambda done: share(0.5 * done))
        half = 0.0 if before is None else 0.5
        new = _again(history, item, after, lambda done: share(half + (1.0 - half) * done), material)
        return differences(old, new)
    finally:
        history.close()


def story(
    plan: WatchPlan,
    sensors: Sequence[str],
    rows: Iterable[Row],
    *,
    material: str = "",
    finish_s: float | None = None,
) -> list[Told]:
    """What the watch tells of readings from a job that starts at 0 and is built at `finish_s`.

    Raises `InputError` where there are no readings, or too many.
    """
    watch = Watch(plan)
    found: dict[int, Told] = {}
    next_s = 0
    job: str | None = None
    finished = False
    number = 0
    for number, (t_s, values) in enumerate(rows, start=1):
        if number > MOST_ROWS:
            raise InputError(f"the job is too long: it has more than {MOST_ROWS} rows")
        if job is None:
            next_s = math.ceil(t_s)
            start = StartJob(t_s=t_s, by="", name="what if", material=material)
            job = watch.step(start).created or ""
        if t_s - next_s > LONGEST_GAP_S:
            next_s = math.ceil(t_s)
        while next_s < t_s:
            if finish_s is not None and not finished and next_s >= finish_s:
                finished = True
                _take(found, watch.step(_finish(float(next_s), job)))
            _take(found, watch.step(Tick(float(next_s))))
            next_s += 1
        for sensor, value_c in zip(sensors, values, strict=True):
            if value_c is not None:
                watch.step(Reading(sensor, t_s, value_c))
    if not number:
        raise InputError("the job has no readings (yet)")
    _take(found, watch.step(Tick(float(next_s))))
    return sorted(found.values(), key=_order)


def differences(before: Sequence[Told], after: Sequence[Told]) -> list[Difference]:
    """Pair the events of two stories: those of one kind, then falls that are called otherwise."""
    left = list(before)
    found: list[Difference] = []
    unpaired: list[Told] = []
    for event in after:
        same = [e for e in left if _alike(e, event)]
        if not same:
            unpaired.append(event)
            continue
        other = min(same, key=lambda e: abs(e.raised_s - event.raised_s))
        left.remove(other)
        moved = abs(other.raised_s - event.raised_s) > SAME_S
        ends = (other.end_s, event.end_s)
        if None in ends:
            moved = moved or ends[0] is not ends[1]
        found.append(Difference("changed" if moved else "same", other, event))
    for event in unpaired:
        called = [e for e in left if {e.kind, event.kind} <= COLD_AIR and _overlap(e, event)]
        if called:
            other = min(called, key=lambda e: abs(e.raised_s - event.raised_s))
            left.remove(other)
            found.append(Difference("changed", other, event))
        else:
            found.append(Difference("new", None, event))
    found += [Difference("gone", event, None) for event in left]
    return sorted(found, key=lambda d: _order(d.after or d.before))


def table(found: Sequence[Difference]) -> str:
    """The differences as a person reads them, and how many events stay as they were."""
    from io import StringIO

    from rich.console import Console
    from rich.table import Table

    same = sum(difference.what == "same" for difference in found)
    rows = [difference for difference in found if difference.what != "same"]
    summary = f"{len(rows)} of {len(found)} events differ; {same} would be told alike."
    if not rows:
        return summary
    grid = Table("", "event", "of", "as it is", "with the other settings")
    for difference in rows:
        told = difference.after or difference.before
        assert told is not None
        grid.add_row(
            difference.what,
            told.kind.value,
            told.subject or row(told.sensors) or "the chamber",
            _spoken(difference.before, told.kind),
            _spoken(difference.after, told.kind),
        )
    stream = StringIO()
    Console(file=stream, width=100, color_system=None).print(grid)
    return f"{stream.getvalue()}{summary}"


def _spoken(told: Told | None, kind: Kind) -> str:
    if told is None:
        return "-"
    lasted = "to the end" if told.end_s is None else f"for {duration(told.end_s - told.onset_s)}"
    name = "" if told.kind is kind else f"{told.kind.value} "
    hours, rest_s = divmod(round(told.raised_s), 3600)
    return f"{name}at {hours}:{rest_s // 60:02}:{rest_s % 60:02}, {lasted}"


# --- one story --------------------------------------------------------------------


def _again(
    history: History, job: Item, plan: WatchPlan, share: Share, material: str | None = None
) -> list[Told]:
    """The job's readings through a watch with this plan."""
    name = str(job["id"])
    begun_s, over_s = history.job_span(name)
    readings = history.iter_job_readings(name, begun_s, over_s or FAR_FUTURE_S)
    finished = job["finished_at"]
    return story(
        plan,
        readings.sensors,
        _counted(
            ((epoch_s - begun_s, values) for epoch_s, values in readings.rows),
            0.0 if over_s is None else over_s - begun_s,
            share,
        ),
        material=str(job["material"]) if material is None else material,
        finish_s=None if finished is None else _epoch_s(finished) - begun_s,
    )


def _counted(rows: Iterable[Row], lasting_s: float, share: Share) -> Iterator[Row]:
    """The same rows; how far they are is told at each hundredth."""
    told = 0
    for t_s, values in rows:
        done = min(99, int(100.0 * t_s / lasting_s)) if lasting_s > 0.0 else 0
        if done > told:
            told = done
            share(done / 100.0)
        yield t_s, values


def _kept(history: History, job: str) -> list[Told]:
    """What was told of the job at the time, as far as the temperatures go."""
    begun_s, _ = history.job_span(job)
    found: dict[int, Told] = {}
    after: int | None = 0
    while after is not None:
        page = history.entries(after, 1000, "event", job=job)
        for entry in page.entries:
            body = entry.body
            kind, event = Kind(str(body["kind"])), body["event"]
            if kind not in BY_TEMPERATURE or not isinstance(event, int):
                continue
            sensors = body["sensors"]
            told = Told(
                kind,
                str(body["subject"]),
                _epoch_s(body["at"]) - begun_s,
                _epoch_s(body["onset_at"]) - begun_s,
                None if body["end_at"] is None else _epoch_s(body["end_at"]) - begun_s,
                tuple(map(str, sensors)) if isinstance(sensors, list) else (),
            )
            if event in found:
                told.raised_s = found[event].raised_s
            found[event] = told
        after = page.next
    return sorted(found.values(), key=_order)


def _take(found: dict[int, Told], outcome: Outcome) -> None:
    for event in outcome.events:
        if event.kind not in BY_TEMPERATURE:
            continue
        known = found.get(event.event)
        found[event.event] = Told(
            event.kind,
            event.subject,
            known.raised_s if known else event.at_s,
            event.onset_s,
            event.end_s if event.change is Change.CLEARED else None,
            event.sensors,
        )


def _finish(t_s: float, job: str) -> Command:
    return FinishJob(t_s=t_s, by="", job=job)


def _epoch_s(label: JsonValue) -> float:
    return datetime.fromisoformat(str(label)).timestamp()


# --- two stories ---------------------------------------------------------------------


def _alike(one: Told, other: Told) -> bool:
    return one.kind is other.kind and one.subject == other.subject and _overlap(one, other)


def _overlap(one: Told, other: Told) -> bool:
    """Whether they can be one happening: they share time, or begin within a minute."""
    ends = [math.inf if e.end_s is None else e.end_s for e in (one, other)]
    return (one.onset_s <= ends[1] and other.onset_s <= ends[0]) or abs(
        one.onset_s - other.onset_s
    ) <= 60.0


def _order(told: Told | None) -> tuple[float, str, str]:
    return (told.raised_s, told.kind.value, told.subject) if told else (0.0, "", "")
