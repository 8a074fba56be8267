"""A job's kept readings through the watch once more, with all else that is kept and counts.

That is when the job began, stood paused and was built, what the door's switch
told, when a sensor's driver told a fault, and when nobody watched. What only a
camera, a detector or a particle sensor told isn't kept with the readings.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime

from stillair.alarms.words import RULES
from stillair.errors import CommandRefused, InputError, ReadingFault
from stillair.model import (
    Change,
    ContactKind,
    ContactState,
    FinishJob,
    JsonValue,
    Kind,
    Outcome,
    PauseJob,
    Reading,
    ResumeJob,
    StartJob,
    Stimulus,
    Tick,
)
from stillair.runtime.comparing import pauses_of
from stillair.runtime.diagnosing import epoch_s
from stillair.storage.history import History
from stillair.storage.items import Item
from stillair.thermal.health import SILENT_S
from stillair.watch import Watch, WatchPlan

MOST_ROWS = 1_500_000  # more than two weeks, once a second
LONGEST_GAP_S = 3600.0  # beyond this much silence the watch begins anew after it
BEFORE_S = 3600.0  # in which the watch comes to know its chamber before the job begins
FAR_FUTURE_S = 1e11
BY_TEMPERATURE = frozenset(
    {Kind.FIRE, Kind.RAPID_RISE, Kind.OVER_TEMPERATURE, Kind.HEAT_LOST, Kind.DOOR_OPEN, Kind.DRAFT}
    | {Kind.BELOW_TARGET, Kind.TOO_WARM, Kind.SENSOR_FAULT, Kind.SOAK_READY, Kind.COOL_ENOUGH}
)
BY_OTHER_SENSES = frozenset({"flame", "smoke", "detector", "particles"})
DRIVER_FAULTS = frozenset(fault.value for fault in ReadingFault)
SNAP_S = 0.05  # labels are kept to the millisecond, and a clock that is set creeps

Row = tuple[float, tuple[float | None, ...]]
Span = tuple[float, float]
Share = Callable[[float], None]
_Make = Callable[[float, str], Stimulus]  # at an instant, for a job


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
class Kept:
    """What is kept of a job beside its temperatures; times in seconds from its start."""

    material: str = ""
    finish_s: float | None = None
    pauses: Sequence[Span] = ()
    doors: Sequence[Span] = ()  # when a switch told that the door was open
    faults: Sequence[tuple[str, Span, ReadingFault]] = ()  # of a sensor, told by its driver
    unwatched: Sequence[Span] = ()
    phase_s: float = 0.0  # by so much the watch's whole seconds come after the job's

    def fault_of(self, sensor: str, t_s: float) -> ReadingFault | None:
        """What a sensor's driver told instead of a reading."""
        for name, (start_s, end_s), fault in self.faults:
            if name == sensor and start_s - 1.0 <= t_s <= end_s:
                return fault
        return None

    def watched_from(self, t_s: float) -> float:
        """`t_s`, or when somebody watched again if nobody did then."""
        return max((end for start, end in self.unwatched if start < t_s < end), default=t_s)


def story(
    plan: WatchPlan, sensors: Sequence[str], rows: Iterable[Row], kept: Kept | None = None
) -> list[Told]:
    """What the watch tells of readings, and of what else is kept of their job.

    Rows before 0, where the job begins, only let the watch come to know its
    chamber. Raises `InputError` where there are no readings, or too many.
    """
    kept = kept or Kept()
    rows = iter(rows)
    first = next(rows, None)
    if first is None:
        raise InputError("the job has no readings (yet)")
    watch = Watch(plan)
    found: dict[int, Told] = {}
    switch = any(contact.kind is ContactKind.DOOR for contact in plan.contacts)
    marks = [(max(at_s, first[0]), make) for at_s, make in _marks(kept, switch=switch)]
    next_s = math.ceil(_whole(first[0] - kept.phase_s))
    job = ""

    def take(stimulus: Stimulus) -> None:
        nonlocal job
        with suppress(CommandRefused):  # then it changed nothing at the time either
            outcome = watch.step(stimulus)
            job = outcome.created or job
            _take(found, outcome, job, kept.phase_s)

    timed: Iterator[tuple[float, _Make | tuple[float | None, ...]]] = heapq.merge(
        marks, _bounded(first, rows), key=lambda pair: pair[0]
    )
    for at_s, told in timed:
        t_s = _whole(at_s - kept.phase_s)  # in the watch's seconds
        if t_s - next_s > LONGEST_GAP_S:
            next_s = math.ceil(t_s)
        while next_s < t_s:
            again_s = math.ceil(kept.watched_from(next_s + kept.phase_s) - kept.phase_s)
            if again_s > next_s:
                next_s = again_s
                continue
            take(Tick(float(next_s)))
            next_s += 1
        if not isinstance(told, tuple):
            take(told(t_s, job))
            continue
        for sensor, value_c in zip(sensors, told, strict=True):
            fault = None if value_c is not None else kept.fault_of(sensor, at_s)
            if value_c is not None or fault is not None:
                watch.step(Reading(sensor, t_s, value_c, fault))
    take(Tick(float(next_s)))
    return sorted(found.values(), key=order)


def _marks(kept: Kept, *, switch: bool) -> list[tuple[float, _Make]]:
    """All that was told beside readings, in the order of time."""

    def door(is_open: bool) -> _Make:
        return lambda t_s, _: ContactState("door", ContactKind.DOOR, t_s, is_open)

    def begin(t_s: float, _: str) -> Stimulus:
        return StartJob(t_s=t_s, by="", name="again", material=kept.material)

    found: list[tuple[float, _Make]] = [(0.0, begin)]
    for start_s, end_s in kept.pauses:
        found.append((start_s, lambda t_s, job: PauseJob(t_s=t_s, by="", job=job)))
        found.append((end_s, lambda t_s, job: ResumeJob(t_s=t_s, by="", job=job)))
    if switch:
        found.append((-math.inf, door(False)))
        for start_s, end_s in kept.doors:
            found += [(start_s, door(True)), (end_s, door(False))]
    if kept.finish_s is not None:
        found.append((kept.finish_s, lambda t_s, job: FinishJob(t_s=t_s, by="", job=job)))
    last_s = 10.0 * FAR_FUTURE_S
    return sorted(((at_s, make) for at_s, make in found if at_s < last_s), key=lambda m: m[0])


def _whole(t_s: float) -> float:
    """`t_s`, or the whole second that it is but for the rounding of labels."""
    return float(round(t_s)) if abs(t_s - round(t_s)) < SNAP_S else t_s


def _bounded(first: Row, rows: Iterator[Row]) -> Iterator[Row]:
    yield first
    for number, row in enumerate(rows, start=2):
        if number > MOST_ROWS:
            raise InputError(f"the job is too long: it has more than {MOST_ROWS} rows")
        yield row


def _take(found: dict[int, Told], outcome: Outcome, job: str, phase_s: float) -> None:
    for event in outcome.events:
        if event.kind not in BY_TEMPERATURE or not job or event.job != job:
            continue
        known = found.get(event.event)
        found[event.event] = Told(
            event.kind,
            event.subject,
            known.raised_s if known else event.at_s + phase_s,
            event.onset_s + phase_s,
            event.end_s + phase_s
            if event.change is Change.CLEARED and event.end_s is not None
            else None,
            event.sensors,
        )


def order(told: Told) -> tuple[float, str, str]:
    """By when an event was told."""
    return told.raised_s, told.kind.value, told.subject


# --- from what is kept --------------------------------------------------------------


def watched_again(
    history: History, job: Item, plan: WatchPlan, share: Share, material: str | None = None
) -> list[Told]:
    """What a watch with this plan tells of a job. Raises as `story`."""
    name = str(job["id"])
    begun_s, over_s = history.job_span(name)
    readings = history.iter_job_readings(name, begun_s - BEFORE_S, over_s or FAR_FUTURE_S)
    if not {sensor.name for sensor in plan.thermal.sensors} & set(readings.sensors):
        raise InputError(
            f"the job has no readings of any sensor that is named in the settings; "
            f"it has those of {', '.join(readings.sensors)}"
            if readings.sensors
            else "the job has no readings (yet)"
        )
    kept = _kept(history, job, str(job["material"]) if material is None else material)
    rows = ((at_s - begun_s, values) for at_s, values in readings.rows)
    end_s = None if over_s is None else over_s - begun_s
    return story(plan, readings.sensors, _counted(rows, end_s, share), kept)


def told_then(history: History, job: Item) -> list[Told]:
    """What was told of a job at the time, as far as the temperatures go, until it was over."""
    name = str(job["id"])
    begun_s, over_s = history.job_span(name)
    found: dict[int, Told] = {}
    for body in _events(history, job=name):
        at_s = _epoch_s(body["at"])
        kind, event, subject = Kind(str(body["kind"])), body["event"], str(body["subject"])
        if kind not in BY_TEMPERATURE or not isinstance(event, int):
            continue
        if subject.startswith(("contact ", "particles ")) or (
            over_s is not None and at_s > over_s + 0.5
        ):
            continue
        detail, sensors = body["detail"], body["sensors"]
        signs = detail.get("signs") if isinstance(detail, dict) else None
        if isinstance(signs, list) and BY_OTHER_SENSES & set(map(str, signs)):
            found.pop(event, None)
            continue
        told = Told(
            kind,
            subject,
            at_s - begun_s,
            _epoch_s(body["onset_at"]) - begun_s,
            None if body["end_at"] is None else _epoch_s(body["end_at"]) - begun_s,
            tuple(map(str, sensors)) if isinstance(sensors, list) else (),
        )
        if event in found:
            told.raised_s = found[event].raised_s
        found[event] = told
    return sorted(found.values(), key=order)


def _kept(history: History, job: Item, material: str) -> Kept:
    name, chamber = str(job["id"]), str(job["chamber"])
    begun_s, over_s = history.job_span(name)
    finish_s = epoch_s(job["finished_at"])
    phase_s = 0.0
    doors: dict[int, Span] = {}
    faults: dict[int, tuple[str, Span, ReadingFault]] = {}
    unwatched: list[Span] = []
    for body in _events(history, chamber=chamber, since_s=begun_s - BEFORE_S):
        event, detail, subject = body["event"], body["detail"], str(body["subject"])
        if not isinstance(event, int) or not isinstance(detail, dict):
            continue
        at_s = _epoch_s(body["at"]) - begun_s
        if over_s is not None and at_s > over_s - begun_s:
            break
        onset_s = _epoch_s(body["onset_at"]) - begun_s
        end_s = math.inf if body["end_at"] is None else _epoch_s(body["end_at"]) - begun_s
        told_s = body["at_s"]
        if body["job"] == name and isinstance(told_s, float) and told_s.is_integer():
            phase_s = at_s % 1.0  # it was told with one of the watch's whole seconds
        match str(body["kind"]):
            case Kind.DOOR_OPEN if detail.get("by") == "switch":
                since_s = doors[event][0] if event in doors else at_s
                by_switch = detail.get("ended") == "by switch"
                doors[event] = (since_s, at_s if by_switch else end_s)
            case Kind.SENSOR_FAULT:
                change, word = str(body["change"]), str(detail.get("fault"))
                fault = _driver_fault(word, change, at_s - onset_s)
                if event in faults:
                    _, (since_s, until_s), known = faults[event]
                    if fault is None and word != known.value:  # the driver's word is over
                        end_s = min(at_s, until_s)
                    faults[event] = (subject, (since_s, min(end_s, until_s)), fault or known)
                elif fault is not None:
                    since_s = onset_s if change == Change.RAISED else at_s - 1.0
                    faults[event] = (subject, (since_s, end_s), fault)
            case Kind.WATCH_GAP if subject != RULES and body["end_at"] is not None:
                unwatched.append((onset_s, end_s))
    pauses = [(start_s - begun_s, end_s - begun_s) for start_s, end_s in pauses_of(history, name)]
    return Kept(
        material,
        None if finish_s is None else finish_s - begun_s,
        pauses,
        list(doors.values()),
        list(faults.values()),
        unwatched,
        phase_s,
    )


def _driver_fault(word: str, change: str, took_s: float) -> ReadingFault | None:
    """What a driver told, unless `health` concluded it by itself: from silence, in its own time.

    What it concludes from a reading is kept with that reading, so that it is concluded again.
    """
    if word not in DRIVER_FAULTS:
        return None
    if word == ReadingFault.SILENT and (change != Change.RAISED or took_s >= SILENT_S):
        return None
    return ReadingFault(word)


def _events(
    history: History, *, job: str | None = None, chamber: str | None = None, since_s: float = 0.0
) -> Iterator[Item]:
    since_at = datetime.fromtimestamp(since_s, UTC)
    after: int | None = 0
    while after is not None:
        page = history.entries(after, 1000, "event", job=job, chamber=chamber, since_at=since_at)
        yield from (entry.body for entry in page.entries)
        after = page.next


def _counted(rows: Iterable[Row], end_s: float | None, share: Share) -> Iterator[Row]:
    """The same rows; how far they are is told at each hundredth, where the end is known."""
    told = 0
    first_s: float | None = None
    for t_s, values in rows:
        first_s = t_s if first_s is None else first_s
        if end_s is not None and end_s > first_s:
            done = min(99, int(100.0 * (t_s - first_s) / (end_s - first_s)))
            if done > told:
                told = done
                share(done / 100.0)
        yield t_s, values


def _epoch_s(label: JsonValue) -> float:
    return datetime.fromisoformat(str(label)).timestamp()
