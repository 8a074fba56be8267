"""The same watch over recorded input, as fast as it can.

Readings and frames are taken in the order of their times; after all that is
not later than a whole second, the watch ticks; but not through days of a gap in
which nothing can be told any more. Nothing is closed at the end. A video that has ended
is no lost camera: from then on there is none.
"""

from __future__ import annotations

import heapq
import json
import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from stillair.errors import InputError
from stillair.model import CameraState, Outcome, Reading, Stimulus, Tick
from stillair.watch import Watch

if TYPE_CHECKING:
    from stillair.fire.vision import Sight

Row = tuple[float, tuple[float | None, ...]]
Seen = tuple[float, "Sight | None"]

REST_EVERY_S = 600  # in a gap it is asked so often whether the rest of it needs watching
NEXT_FRAME_S = 1.0  # a video has ended when its next picture would have been due
TELL_EVERY_S = 10.0  # a camera tells its condition at least this often


def replay(
    watch: Watch,
    sensors: tuple[str, ...],
    rows: Iterable[Row],
    sights: Iterable[Seen] = (),
) -> Iterator[str]:
    """Yield one JSON line per change of an event, sorted by time, then event.

    `rows` hold the time in seconds and one value in degrees Celsius per
    sensor, None where the reading is missing; `sights` the time of each frame and what
    was seen in it, None where it was not looked at. Raises `InputError` from either, or
    where there is no input at all.
    """
    next_tick_s: int | None = None
    last_s = 0.0
    video_end_s = math.inf

    def filmed() -> Iterator[Seen]:
        nonlocal video_end_s
        t_s = math.inf
        for t_s, sight in sights:
            yield t_s, sight
        video_end_s = t_s

    def tick(t_s: int) -> Iterator[str]:
        if t_s > video_end_s + NEXT_FRAME_S:
            watch.end_camera()
        yield from _lines(watch.step(Tick(float(t_s))))

    for last_s, stimuli in heapq.merge(
        _readings(sensors, rows),
        _views(filmed()),
        key=lambda timed: timed[0],
    ):
        if next_tick_s is None:
            next_tick_s = math.ceil(last_s)
        while next_tick_s < last_s:
            yield from tick(next_tick_s)
            next_tick_s += 1
            before_s = math.ceil(last_s) - 1
            if next_tick_s % REST_EVERY_S == 0 and next_tick_s < before_s and watch.rest(before_s):
                next_tick_s = before_s + 1
        for stimulus in stimuli:
            yield from _lines(watch.step(stimulus))
    if next_tick_s is None:
        raise InputError("there is nothing to replay: no row and no frame")
    while next_tick_s <= last_s:
        yield from tick(next_tick_s)
        next_tick_s += 1


def usual_intervals_s(sensors: tuple[str, ...], rows: Sequence[Row]) -> dict[str, float]:
    """How far apart each sensor's readings are at a recording's beginning, or else its rows.

    A watch that had to find that out would take the time until the second reading
    for silence.
    """
    usual_s = _usual_s([t_s for t_s, _ in rows], 1.0)
    return {
        sensor: _usual_s([t_s for t_s, values in rows if values[column] is not None], usual_s)
        for column, sensor in enumerate(sensors)
    }


def _usual_s(times_s: Sequence[float], otherwise_s: float) -> float:
    """The lower median of the distances, a second at least."""
    apart_s = sorted(later_s - t_s for t_s, later_s in pairwise(times_s))
    return max(1.0, apart_s[(len(apart_s) - 1) // 2]) if apart_s else otherwise_s


def _readings(
    sensors: tuple[str, ...], rows: Iterable[Row]
) -> Iterator[tuple[float, list[Stimulus]]]:
    for t_s, values in rows:
        yield (
            t_s,
            [
                Reading(sensor, t_s, value)
                for sensor, value in zip(sensors, values, strict=True)
                if value is not None
            ],
        )


def _views(sights: Iterable[Seen]) -> Iterator[tuple[float, list[Stimulus]]]:
    """Tell what a live camera does: its condition on change and every ten seconds, and signs."""
    told: CameraState | None = None
    for t_s, sight in sights:
        stimuli: list[Stimulus] = []
        if sight is not None:
            due = told is None or told.condition is not sight.condition
            if due or (told is not None and t_s - told.t_s >= TELL_EVERY_S):
                told = CameraState(t_s, sight.condition, sight.since_s, sight.reason)
                stimuli.append(told)
            stimuli += sight.signs
            if sight.movement is not None:
                stimuli.append(sight.movement)
        yield t_s, stimuli


def _lines(outcome: Outcome) -> Iterator[str]:
    for event in sorted(outcome.events, key=lambda e: e.event):
        yield json.dumps(event.line(), ensure_ascii=False)
