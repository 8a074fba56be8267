"""Which height of a job was built when, and what was built at a moment.

All that is known of a job's heights is gathered: when it began, stood paused and was
done, what the machine told, what people have pinned, and the toolpath that it follows.
With a toolpath its clock is fitted to the job's; without one there is what was told, and
what lies between. Nothing of it is kept: a pin or a toolpath that comes days later
counts at once.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypedDict

import numpy as np

from stillair.errors import CommandRefused, Refusal
from stillair.jobs.heights import Crossing, HeightTimes, fit
from stillair.jobs.sightings import HeightSeen
from stillair.jobs.told_heights import between
from stillair.runtime.comparing import MINUTE_S, Pause, pauses_of
from stillair.runtime.diagnosing import epoch_s
from stillair.storage.courses import JobStep, KeptPin
from stillair.storage.history import History
from stillair.storage.items import Item, label

TOOLPATH, TOLD, NOTHING = "toolpath", "told", "nothing"  # what heights are found by
DIGITS = 3
WHOLE_S = 0.01  # labels are exact to a microsecond, their sums not quite
MOST_EVENTS = 20  # pages of a job's events; each is revised every few seconds while it lasts
PAGE = 1000
MOST_ODD = 20  # heights that are named as left out
MOST_KEPT = 8  # jobs that were asked for last


class Known(TypedDict):
    """What is known of a job with and without a toolpath."""

    started_s: float
    finished_s: float | None
    pauses: Sequence[Pause]
    posts: Sequence[HeightSeen]
    pins: Sequence[HeightSeen]


@dataclass(frozen=True, slots=True)
class JobHeights:
    """A job's heights and times, seconds since the epoch, and what they were found by."""

    times: HeightTimes
    by: str
    toolpath: str | None
    pins: tuple[KeptPin, ...]

    def columns(self) -> Item:
        """All of it, as it is answered."""
        times, laid = self.times, self.times.laid()
        doubtful = {self.pins[place].number for place in times.doubtful_pins}
        return {
            "by": self.by,
            "toolpath": self.toolpath,
            "height_mm": _rounded(times.height_mm[:laid]),
            "start_at": _rounded(np.minimum(times.start_s[:laid], times.finished_s)),
            "end_at": _rounded(np.minimum(times.end_s[:laid], times.finished_s)),
            "uncertainty_s": _rounded(times.uncertainty_s[:laid]),
            "piece": times.piece[:laid].tolist(),
            "posts": times.posts,
            "left_out": len(times.odd),
            "odd": [
                {"at": label(odd.t_s), "height_mm": odd.height_mm} for odd in times.odd[:MOST_ODD]
            ],
            "unlaid": len(times.height_mm) - laid,
            "doubt": times.doubt,
            "pins": [
                {
                    "pin": pin.number,
                    "at": label(pin.at_s),
                    "seen_at": label(pin.seen_s),
                    "height_mm": pin.height_mm,
                    "by": pin.by,
                    "doubtful": pin.number in doubtful,
                }
                for pin in self.pins
            ],
        }

    def crossing_item(self, crossing: Crossing, at_s: float | None = None) -> Item:
        """One crossing, as it is answered; `at_s`: the moment that was asked for.

        `low_mm` and `high_mm` are what may have been built then, as far as is known.
        """
        from_s, to_s = (crossing.start_s, crossing.end_s) if at_s is None else (at_s, at_s)
        times, off_s = self.times, crossing.uncertainty_s
        low, high = crossing, crossing
        if at_s is not None:
            first, last = float(times.start_s[0]), float(times.end_s[-1])
            low = times.at(max(at_s - off_s, first)) or crossing
            high = times.at(min(at_s + off_s, last)) or crossing
        return {
            "height_mm": round(crossing.height_mm, DIGITS),
            "layer": crossing.layer if self.by == TOOLPATH else None,
            "piece": crossing.piece,
            "start_at": label(crossing.start_s),
            "end_at": label(crossing.end_s),
            "uncertainty_s": round(off_s, 1),
            "from_at": label(from_s - off_s),
            "to_at": label(to_s + off_s),
            "low_mm": round(low.height_mm, DIGITS),
            "high_mm": round(high.height_mm, DIGITS),
        }


class Heights:
    """Answer which height was built when. Thread-safe; one job is worked out at a time.

    Methods raise `CommandRefused` for a job that never was, and `StoreError`. `now_s` is
    now, in seconds since the epoch: a pause that goes on lasts until then.
    """

    def __init__(self, history: History) -> None:
        self._history = history
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[object, ...], JobHeights] = OrderedDict()

    def of(self, job: str, now_s: float) -> JobHeights:
        """All heights of a job; worked out again when something new is known of it."""
        history = self._history
        ends, pauses = _ends(history, job), pauses_of(history, job)
        paused = any(end_s > now_s for _, end_s in pauses)
        known = history.courses().last_seq(job)
        toolpath = _toolpath(history, job)
        # The ends and the pauses: when the clock is set, all labels move.
        key = (job, known, toolpath, ends, *pauses, now_s // MINUTE_S if paused else None)
        with self._lock:
            if key not in self._kept:
                self._kept[key] = _worked_out(history, job, ends, pauses, toolpath, now_s)
            self._kept.move_to_end(key)
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
            return self._kept[key]

    def when(self, job: str, height_mm: float, now_s: float) -> Item:
        """When the part was built at a height: once, or once for each piece, and the
        events of that time."""
        heights = self.of(job, now_s)
        items = [heights.crossing_item(each) for each in heights.times.when(height_mm)]
        return _with_events(self._history, job, heights, items)

    def at(self, job: str, at_s: float, now_s: float) -> Item:
        """What was built at a moment, and the events of that time."""
        heights = self.of(job, now_s)
        crossing = heights.times.at(at_s)
        items = [] if crossing is None else [heights.crossing_item(crossing, at_s)]
        return _with_events(self._history, job, heights, items)

    def check_seen(self, job: str, seen_s: float | None, now_s: float) -> None:
        """Raise `CommandRefused` for a pin at a moment at which the job wasn't built."""
        started_s, finished_s = _ends(self._history, job)
        seen_s = now_s if seen_s is None else seen_s
        if seen_s > now_s:
            why = "That moment is yet to come"
        elif seen_s < started_s:
            why = "The job had not begun by then"
        elif finished_s is not None and seen_s > finished_s:
            why = "The job was done by then"
        else:
            return
        raise CommandRefused(
            Refusal.CONFLICT, f"{why}: give one at which the part was being built."
        )


def _ends(history: History, job: str) -> tuple[float, float | None]:
    item = history.job(job)
    started_s = epoch_s(item["started_at"]) if item else None
    if item is None or started_s is None:
        raise CommandRefused(Refusal.UNKNOWN, "There is no such job.")
    return started_s, epoch_s(item["finished_at"])


def _worked_out(
    history: History,
    job: str,
    ends: tuple[float, float | None],
    pauses: Sequence[Pause],
    toolpath: str | None,
    now_s: float,
) -> JobHeights:
    courses = history.courses()
    pins = courses.pins(job)
    known: Known = {
        "started_s": ends[0],
        "finished_s": ends[1],
        "pauses": [(start_s, min(end_s, max(now_s, start_s))) for start_s, end_s in pauses],
        "posts": list(_told(courses.steps(job))),
        "pins": [
            HeightSeen(pin.seen_s, pin.height_mm, MINUTE_S if _is_whole(pin.seen_s) else 0.0)
            for pin in pins
        ],
    }
    whole = history.toolpaths().whole(toolpath) if toolpath else None
    found = history.toolpaths().layers(toolpath) if toolpath else None
    if whole is not None and found is not None and len(found[0]):
        times = fit(found[0], duration_s=whole.duration_s, stops_s=whole.stops_s, **known)
        return JobHeights(times, TOOLPATH, toolpath, tuple(pins))
    times = between(**known)
    return JobHeights(times, TOLD if len(times.height_mm) else NOTHING, None, tuple(pins))


def _is_whole(at_s: float) -> bool:
    """Whether a moment is a whole minute: as a person gives it."""
    return abs(at_s - round(at_s / MINUTE_S) * MINUTE_S) < WHOLE_S


def _told(steps: Iterable[JobStep]) -> Iterable[HeightSeen]:
    """The heights that the machine told, each as often as it changed."""
    for before, step in pairwise((JobStep(0.0, None, 0.0, None), *steps)):
        if step.height_mm is not None and step.height_mm != before.height_mm:
            yield HeightSeen(step.at_s, step.height_mm)


def _toolpath(history: History, job: str) -> str | None:
    """The toolpath that a job follows, if it has been read."""
    toolpath = history.toolpaths().of_job(job)
    item = history.toolpaths().one(toolpath) if toolpath else None
    return toolpath if item is not None and item["whole"] else None


def _with_events(history: History, job: str, heights: JobHeights, items: Sequence[Item]) -> Item:
    events = _events(history, job) if items else []
    for item in items:
        from_s, to_s = epoch_s(item["from_at"]) or 0.0, epoch_s(item["to_at"]) or 0.0
        item["events"] = [
            event
            for event in events
            if (epoch_s(event["onset_at"]) or 0.0) <= to_s
            and ((end_s := epoch_s(event["end_at"])) is None or end_s >= from_s)
        ]
    return {"by": heights.by, "toolpath": heights.toolpath, "items": list(items)}


def _events(history: History, job: str) -> list[Item]:
    """The newest word on each event of a job."""
    events: dict[object, Item] = {}
    after: int | None = 0
    for _ in range(MOST_EVENTS):
        page = history.entries(after or 0, PAGE, "event", job=job)
        events |= {entry.body["event"]: entry.body for entry in page.entries}
        after = page.next
        if after is None:
            break
    return list(events.values())


def _rounded(column: np.ndarray[tuple[int], np.dtype[np.float64]]) -> list[float]:
    return [float(value) for value in np.round(column, DIGITS)]
