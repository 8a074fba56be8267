"""The same watch over recorded input, as fast as it can.

Readings and frames are taken in the order of their times; after all that is
not later than a whole second, the watch ticks. Nothing is closed at the end.
"""

from __future__ import annotations

import heapq
import json
import math
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from stillair.errors import InputError
from stillair.model import CameraCondition, CameraState, Outcome, Reading, Stimulus, Tick
from stillair.watch import Watch

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Row = tuple[float, tuple[float | None, ...]]
Picture = tuple[float, "NDArray[np.uint8]"]

RETELL_S = 10.0  # a camera tells its condition at least this often


def replay(
    watch: Watch,
    sensors: tuple[str, ...],
    rows: Iterable[Row],
    pictures: Iterable[Picture] = (),
) -> Iterator[str]:
    """Yield one JSON line per change of an event, sorted by time, then event.

    `rows` hold the time in seconds and one value in degrees Celsius per
    sensor, None where the reading is missing; `pictures` the time and a grey
    picture `(height, width) uint8`. Raises `InputError` from either, or where
    there is no input at all.
    """
    next_tick_s: int | None = None
    last_s = 0.0
    for last_s, stimuli in heapq.merge(
        _readings(sensors, rows), _views(pictures) if pictures else (), key=lambda timed: timed[0]
    ):
        if next_tick_s is None:
            next_tick_s = math.ceil(last_s)
        while next_tick_s < last_s:
            yield from _lines(watch.step(Tick(float(next_tick_s))))
            next_tick_s += 1
        for stimulus in stimuli:
            yield from _lines(watch.step(stimulus))
    if next_tick_s is None:
        raise InputError("there is nothing to replay: no row and no frame")
    while next_tick_s <= last_s:
        yield from _lines(watch.step(Tick(float(next_tick_s))))
        next_tick_s += 1


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


def _views(pictures: Iterable[Picture]) -> Iterator[tuple[float, list[Stimulus]]]:
    """Tell the camera's condition on change and every ten seconds, as a live one does."""
    from stillair.fire.view import ViewCheck  # with it numpy: 0.12 s and 15 MB

    check = ViewCheck()
    told: CameraState | None = None
    since_s = 0.0
    condition: CameraCondition | None = None
    for t_s, grey in pictures:
        now, reason = check.update(t_s, grey)
        if now is not condition:
            condition, since_s = now, t_s
        if told is None or told.condition is not now or t_s - told.t_s >= RETELL_S:
            told = CameraState(t_s, now, since_s, reason)
            yield t_s, [told]
        else:
            yield t_s, []


def _lines(outcome: Outcome) -> Iterator[str]:
    for event in sorted(outcome.events, key=lambda e: e.event):
        yield json.dumps(event.line(), ensure_ascii=False)
