"""How the air of a running job is against the last sound job of the same part.

Both go by a job's own clock: seconds since its start, less what it stood
paused. Once both have been warm and steady, seconds since then count, so that a
morning colder than the other doesn't shift all that follows; until then nothing is
said where one began in a warm box and the other in a cold one.

Minute means of the sensors that both have are held against each other over the
last ten minutes: a thermostat's to and fro is no difference.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from stillair.alarms.figures import temperature
from stillair.errors import InputError
from stillair.jobs.comparison import COMPARED
from stillair.model import AT_WORK, Change, Job, JobPhase, JsonValue, Kind, Place
from stillair.runtime.diagnosing import epoch_s
from stillair.storage.courses import paused_in
from stillair.storage.history import History
from stillair.storage.items import Item, label
from stillair.watch import WatchView

MINUTE_S = 60.0
WINDOW_MIN = 10
LEAST_MIN = 3
HOUR_MIN = 61
BEGUN_ALIKE_K = 8.0  # a box that begins further off is warm already, or the other was
ALIKE_K = 0.5  # what differs by less is alike: sensors repeat no better
MOST_MINUTES = 60 * 24 * 14
FAR_FUTURE_S = 1e11

Pause = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Curve:
    """A job's minutes by its own clock: for each sensor one mean a minute, None for none."""

    job: str
    minutes: Mapping[str, Sequence[float | None]] = field(default_factory=dict)
    soak_s: float | None = None  # by its own clock


def same_part(job: Job, other: Job) -> bool:
    """Whether two jobs build the same of the same, in the same box."""
    return (
        same_box(job, other)
        and _plain(job.name) == _plain(other.name)
        and same_material(job, other)
    )


def same_box(job: Job, other: Job) -> bool:
    """Whether two jobs are built in the same box, and both real, or of one simulation.

    Never where that isn't known, as of a recording: it may be of a simulated box.
    """
    return (
        job.id != other.id
        and job.chamber == other.chamber
        and job.box.partition(" ")[0] in COMPARED
        and job.box == other.box
    )


def same_material(job: Job, other: Job) -> bool:
    """Whether two jobs are built of the same."""
    return _plain(job.material) == _plain(other.material)


def same_sensors(
    air: Sequence[str], now: Mapping[str, str], then: Mapping[str, str]
) -> tuple[str, ...]:
    """Those of the air's sensors that bear the same mark in two jobs, or no mark is kept of."""
    return tuple(name for name in air if then.get(name, now.get(name)) == now.get(name))


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


# --- the job that was ---------------------------------------------------------------


def past_curve(folder: Path, job: str, sensors: Sequence[str]) -> Curve:
    """The curve of a job that is over. Raises `InputError` for an unknown one, `StoreError`."""
    history = History(folder / "journal.db", folder / "archive.db")
    try:
        try:
            begun_s, over_s = history.job_span(job)
        except KeyError:
            raise InputError(f"there is no job {job!r}") from None
        pauses = pauses_of(history, job)
        readings = history.iter_job_readings(job, begun_s, over_s or FAR_FUTURE_S)
        kept = [(i, name) for i, name in enumerate(readings.sensors) if name in sensors]
        sums: list[dict[str, list[float]]] = []
        for at_s, values in readings.rows:
            minute = int(clock_s(at_s, begun_s, pauses) // MINUTE_S)
            if minute < 0 or any(start_s <= at_s < end_s for start_s, end_s in pauses):
                continue
            if minute >= MOST_MINUTES:
                break
            while len(sums) <= minute:
                sums.append({})
            for index, name in kept:
                value_c = values[index]
                if value_c is not None:
                    total = sums[minute].setdefault(name, [0.0, 0.0])
                    total[0] += value_c
                    total[1] += 1.0
        minutes = {
            name: [
                round(known[0] / known[1], 3) if (known := each.get(name)) else None
                for each in sums
            ]
            for _, name in kept
        }
        return Curve(job, minutes, soak_of(history, job))
    finally:
        history.close()


def clock_s(at_s: float, begun_s: float, pauses: Sequence[Pause]) -> float:
    """A job's own clock at an instant, in seconds; both seconds since the epoch."""
    paused_s = sum(max(0.0, min(at_s, end_s) - start_s) for start_s, end_s in pauses)
    return at_s - begun_s - paused_s


def pauses_of(history: History, job: str) -> list[Pause]:
    """When a job stood paused; a pause that goes on has no end yet and ends with time."""
    return [(start_s, end_s) for start_s, end_s, _ in _pauses(history, job)]


def _pauses(history: History, job: str) -> list[tuple[float, float, float | None]]:
    """The same, with the part's height when each began."""
    return paused_in(history.courses().steps(job), FAR_FUTURE_S)


def pause_items(history: History, job: str) -> list[Item]:
    """A job's pauses as they are answered; one that goes on has no end."""
    return [
        {
            "from_at": label(start_s),
            "to_at": None if end_s == FAR_FUTURE_S else label(end_s),
            "height_mm": height_mm,
        }
        for start_s, end_s, height_mm in _pauses(history, job)
    ]


def soak_of(history: History, job: str) -> float | None:
    """When a job's chamber was first told to be warm and steady, by the job's clock.

    0 where it was already when the job began; None where it never was.
    """
    item = history.job(job)
    if item is None or not isinstance(item["seq"], int):
        return None
    soaks = partial(history.entries, limit=1, topic="event", kind=Kind.SOAK_READY.value)
    earlier = soaks(chamber=str(item["chamber"]), before=item["seq"], last=True)
    if earlier.entries and earlier.entries[0].body["change"] != Change.CLEARED.value:
        return 0.0
    page = soaks(job=job)
    if not page.entries:
        return None
    at_s = epoch_s(page.entries[0].body["at"])
    if at_s is None:
        return None
    begun_s, _ = history.job_span(job)
    return max(0.0, clock_s(at_s, begun_s, pauses_of(history, job)))


# --- the job that is -----------------------------------------------------------------


class LastSound:
    """One chamber's running job against a curve. Thread-safe; nothing here waits."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._job = ""
        self._minutes: deque[tuple[int, dict[str, float]]] = deque(maxlen=WINDOW_MIN)
        self._minute = -1
        self._begun: deque[tuple[float, int]] = deque(maxlen=HOUR_MIN)
        self._sums: dict[str, list[float]] = {}
        self._first: tuple[int, dict[str, float]] | None = None  # the first minute that was seen
        self._curve: Curve | None = None
        self._of = ""  # the job that the curve is for
        self._soak_s: float | None = None

    def seen(self, view: WatchView) -> None:
        """Take one second of the watch."""
        job = view.job
        if job is None or job.state is not JobPhase.RUNNING or view.t_s is None:
            return
        minute = int((view.t_s - job.started_s - job.paused_s) // MINUTE_S)
        with self._lock:
            if job.id != self._job:
                self._job, self._minute, self._sums, self._first = job.id, -1, {}, None
                self._minutes.clear()
                self._begun.clear()
            if minute != self._minute:
                means = {n: total / count for n, (total, count) in self._sums.items()}
                if means:
                    self._minutes.append((self._minute, means))
                    self._first = self._first or (self._minute, means)
                self._minute, self._sums = minute, {}
                self._begun.append((view.t_s, minute))
            for sensor in view.thermal.sensors:
                if sensor.place is Place.CHAMBER and sensor.temperature_c is not None:
                    total = self._sums.setdefault(sensor.name, [0.0, 0.0])
                    total[0] += sensor.temperature_c
                    total[1] += 1.0

    def compare_with(self, job: str, curve: Curve | None) -> None:
        """Hold `job` against `curve` from now on; None for nothing."""
        with self._lock:
            self._of, self._curve, self._soak_s = job, curve, None

    def soaked(self, soak_s: float | None) -> None:
        """When the running job's chamber was warm and steady, by the job's clock."""
        with self._lock:
            self._soak_s = soak_s

    def item(self, job: Job | None) -> Item | None:
        """How the air is against then, for the first page; None where nothing can be said."""
        if job is None or job.state is not JobPhase.RUNNING:
            return None
        with self._lock:
            curve = self._curve_for(job)
            if curve is None:
                return None
            shift_min = self._shift_min(curve)
            if shift_min is None and not self._began_alike(curve):
                return None
            pairs = _pairs(self._minutes, curve, shift_min or 0)
        if len({minute for minute, _, _ in pairs}) < LEAST_MIN:
            return None
        here_c = sum(pair[1] for pair in pairs) / len(pairs)
        then_c = sum(pair[2] for pair in pairs) / len(pairs)
        return {
            "job": curve.job,
            "since": "start" if shift_min is None else "soak",
            "here_c": round(here_c, 1),
            "then_c": round(then_c, 1),
            "difference_k": round(here_c - then_c, 1) + 0.0,
            "text": sentence(here_c, then_c),
        }

    def lines(self, job: Job | None) -> tuple[list[float], dict[str, list[float | None]]]:
        """The other job's minutes beside the last hour of this one.

        Instants in the chamber's seconds, and one column a sensor; empty where
        there is nothing to compare with.
        """
        if job is None or job.state not in AT_WORK:
            return [], {}
        with self._lock:
            curve = self._curve_for(job)
            if curve is None:
                return [], {}
            shift_min = self._shift_min(curve)
            if shift_min is None and not self._began_alike(curve):
                return [], {}
            begun = list(self._begun)
        columns = {
            name: [_at(column, minute - (shift_min or 0)) for _, minute in begun]
            for name, column in curve.minutes.items()
        }
        return [t_s + MINUTE_S / 2 for t_s, _ in begun], columns

    def _curve_for(self, job: Job) -> Curve | None:
        return self._curve if self._of == self._job == job.id else None

    def _began_alike(self, curve: Curve) -> bool:
        """Whether neither was warm when the other was cold, by the first minute seen here."""
        pairs = [] if self._first is None else _pairs([self._first], curve, 0)
        off_k = [here_c - then_c for _, here_c, then_c in pairs]
        return not off_k or abs(sum(off_k) / len(off_k)) <= BEGUN_ALIKE_K

    def _shift_min(self, curve: Curve) -> int | None:
        """By how many minutes this job was warm and steady later; None if that isn't known."""
        if self._soak_s is None or curve.soak_s is None:
            return None
        return round((self._soak_s - curve.soak_s) / MINUTE_S)


def _pairs(
    minutes: Iterable[tuple[int, Mapping[str, float]]], curve: Curve, shift_min: int
) -> list[tuple[int, float, float]]:
    """Minutes of both, sensor by sensor: which, here and then."""
    return [
        (minute, here_c, then_c)
        for minute, means in minutes
        for name, here_c in means.items()
        if (then_c := _at(curve.minutes.get(name, ()), minute - shift_min)) is not None
    ]


def sentence(here_c: float, then_c: float) -> str:
    """The difference in one calm line."""
    off_k = round(here_c, 1) - round(then_c, 1)
    both = f"{temperature(here_c)} here, {temperature(then_c)} then"
    last = "the last sound job of this part"
    if abs(off_k) < ALIKE_K:
        return f"The air is as it was in {last} at the same point: {both}."
    side = "colder" if off_k < 0.0 else "warmer"
    return f"The air is {abs(off_k):.1f} degrees {side} than in {last} at the same point: {both}."


def _at(column: Sequence[float | None], minute: int) -> float | None:
    return column[minute] if 0 <= minute < len(column) else None


def curve_record(curve: Curve) -> dict[str, JsonValue]:
    """A curve as the worker answers it."""
    return {
        "job": curve.job,
        "minutes": {name: list(column) for name, column in curve.minutes.items()},
        "soak_s": curve.soak_s,
    }
