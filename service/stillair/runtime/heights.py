"""Which height of a job was built when, and what was built at a moment.

All that is known of a job's heights is gathered: when it began, stood paused and was
done, what the machine told, what people have pinned, and the toolpath that it follows.
With a toolpath its clock is fitted to the job's; without one there is what was told, and
what lies between. Nothing of it is kept: a pin or a toolpath that comes days later
counts at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from stillair.errors import CommandRefused, Refusal
from stillair.jobs.heights import Crossing, HeightSeen, HeightTimes, fit
from stillair.jobs.told_heights import between
from stillair.jobs.toolpath import Layers, Whole
from stillair.runtime.comparing import pauses_of
from stillair.runtime.diagnosing import epoch_s
from stillair.storage.courses import JobStep, KeptPin
from stillair.storage.history import History
from stillair.storage.items import Item, label

TOOLPATH, TOLD, NOTHING = "toolpath", "told", "nothing"  # what heights are found by
DIGITS = 3
MOST_EVENTS = 20  # pages of a job's events; each is revised every few seconds while it lasts
PAGE = 1000


@dataclass(frozen=True, slots=True)
class JobHeights:
    """A job's heights and times, seconds since the epoch, and what they were found by."""

    times: HeightTimes
    by: str
    toolpath: str | None
    pins: tuple[KeptPin, ...]

    def columns(self) -> Item:
        """All of it, as it is answered."""
        times = self.times
        doubtful = {self.pins[place].number for place in times.doubtful_pins}
        return {
            "by": self.by,
            "toolpath": self.toolpath,
            "height_mm": _rounded(times.height_mm),
            "start_at": _rounded(times.start_s),
            "end_at": _rounded(times.end_s),
            "uncertainty_s": _rounded(times.uncertainty_s),
            "piece": times.piece.tolist(),
            "posts": times.posts,
            "left_out": times.left_out,
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


def heights_of(history: History, job: str, now_s: float) -> JobHeights:
    """Find a job's heights. Raises `CommandRefused` (unknown), `StoreError`.

    `now_s` is now, in seconds since the epoch: a pause that goes on lasts until then.
    """
    started_s, finished_s = _ends(history, job)
    courses = history.courses()
    pauses = [(a, min(b, max(now_s, a))) for a, b in pauses_of(history, job)]
    posts = list(_told(courses.steps(job)))
    pins = courses.pins(job)
    seen = [HeightSeen(pin.seen_s, pin.height_mm) for pin in pins]
    found = _toolpath(history, job)
    if found is not None:
        toolpath, whole, layers = found
        times = fit(
            layers,
            duration_s=whole.duration_s,
            started_s=started_s,
            finished_s=finished_s,
            pauses=pauses,
            stops_s=whole.stops_s,
            posts=posts,
            pins=seen,
        )
        return JobHeights(times, TOOLPATH, toolpath, tuple(pins))
    times = between(
        started_s=started_s, finished_s=finished_s, pauses=pauses, posts=posts, pins=seen
    )
    by = TOLD if len(times.height_mm) else NOTHING
    return JobHeights(times, by, None, tuple(pins))


def when_item(history: History, job: str, height_mm: float, now_s: float) -> Item:
    """When a job's part was built at a height: once, or once for each piece, and the
    events of that time. Raises as `heights_of`."""
    heights = heights_of(history, job, now_s)
    crossings = heights.times.when(height_mm)
    items = [heights.crossing_item(crossing) for crossing in crossings]
    return _with_events(history, job, heights, items)


def at_item(history: History, job: str, at_s: float, now_s: float) -> Item:
    """What was built at a moment. Raises as `heights_of`."""
    heights = heights_of(history, job, now_s)
    crossing = heights.times.at(at_s)
    items = [] if crossing is None else [heights.crossing_item(crossing, at_s)]
    return _with_events(history, job, heights, items)


def check_seen(history: History, job: str, seen_s: float | None, now_s: float) -> None:
    """Refuse a pin at a moment at which the job wasn't built.

    Raises `CommandRefused`, also where there is no such job.
    """
    started_s, finished_s = _ends(history, job)
    seen_s = now_s if seen_s is None else seen_s
    if started_s <= seen_s <= min(now_s, now_s if finished_s is None else finished_s):
        return
    if seen_s > now_s:
        why = "That moment is yet to come"
    elif seen_s < started_s:
        why = "The job had not begun by then"
    else:
        why = "The job was done by then"
    raise CommandRefused(Refusal.CONFLICT, f"{why}: give one at which the part was being built.")


def _ends(history: History, job: str) -> tuple[float, float | None]:
    item = history.job(job)
    started_s = epoch_s(item["started_at"]) if item else None
    if item is None or started_s is None:
        raise CommandRefused(Refusal.UNKNOWN, "There is no such job.")
    return started_s, epoch_s(item["finished_at"])


def _told(steps: Iterable[JobStep]) -> Iterable[HeightSeen]:
    """The heights that the machine told, each as often as it changed."""
    for before, step in pairwise((JobStep(0.0, None, 0.0, None), *steps)):
        if step.height_mm is not None and step.height_mm != before.height_mm:
            yield HeightSeen(step.at_s, step.height_mm)


def _toolpath(history: History, job: str) -> tuple[str, Whole, Layers] | None:
    """The toolpath that a job follows, if it has been read."""
    toolpaths = history.toolpaths()
    toolpath = toolpaths.of_job(job)
    if toolpath is None:
        return None
    whole, found = toolpaths.whole(toolpath), toolpaths.layers(toolpath)
    if whole is None or found is None or not len(found[0]):
        return None
    return toolpath, whole, found[0]


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
