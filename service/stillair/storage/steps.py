"""What a step of the wall clock does to readings against events, put right when a job is asked for.

When the clock is set, the journal gives all rows of the boot the labels of the
clock as it is then. Packed readings are never rewritten: those from before the
step keep the labels they were taken with. Each step is kept as an event with
the label of the boot's second 0 before and after it, so a job's readings are
found under their old labels and answered under its own.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import cast

from stillair.model import JsonValue, Timeline
from stillair.storage.readings import ReadingRows, Readings

ZERO_BEFORE, ZERO_AFTER = "zero_before_s", "zero_after_s"  # in the detail of a step's event


@dataclass(frozen=True, slots=True)
class Step:
    """At a second of the boot its second 0 got another label, seconds since the epoch."""

    mono_s: float
    zero_before_s: float
    zero_after_s: float


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of a job by its own labels; readings there were labelled `shift_s` less."""

    start_s: float
    end_s: float
    shift_s: float


def read_step(mono_s: float, body: str) -> Step | None:
    """The step that an event's body tells of, None if it tells of none."""
    try:
        detail = json.loads(body)["detail"]
        before_s, after_s = float(detail[ZERO_BEFORE]), float(detail[ZERO_AFTER])
    except (ValueError, TypeError, KeyError):
        return None
    return Step(mono_s, before_s, after_s) if math.isfinite(before_s + after_s) else None


def spans(start_s: float, end_s: float, timeline: Timeline, steps: Sequence[Step]) -> list[Span]:
    """Cut a stretch of labels of `timeline` where the clock of that boot was set."""
    zero_s = timeline.wall_at_zero_s
    ordered = sorted(steps, key=lambda step: step.mono_s)
    zeros_s = [step.zero_before_s for step in ordered]
    # After the last step nobody has moved the clock.
    zeros_s.append(ordered[-1].zero_after_s if ordered else zero_s)
    edges_s = [-math.inf, *(zero_s + step.mono_s for step in ordered), math.inf]
    cut = [
        Span(max(start_s, begin_s), min(end_s, until_s), zero_s - of_s)
        for (begin_s, until_s), of_s in zip(pairwise(edges_s), zeros_s, strict=True)
        if begin_s < end_s and until_s > start_s
    ]
    # An empty or turned stretch is the reader's to refuse.
    return cut or [Span(start_s, end_s, 0.0)]


def columns(
    readings: Readings, chamber: str, asked: Sequence[Span], points: int
) -> dict[str, JsonValue]:
    """`Readings.columns` of several stretches in one."""
    whole_s = sum(span.end_s - span.start_s for span in asked)
    times_s: list[JsonValue] = []
    sensors: dict[str, list[JsonValue]] = {}
    for span in asked:
        share = (span.end_s - span.start_s) / whole_s if whole_s > 0 else 1.0
        part = readings.columns(
            chamber,
            span.start_s - span.shift_s,
            span.end_s - span.shift_s,
            round(points * share),
        )
        found = cast("list[float]", part["time_s"])
        for name, values in cast("dict[str, list[JsonValue]]", part["sensors"]).items():
            column = sensors.setdefault(name, [])
            column += [None] * (len(times_s) - len(column)) + values
        times_s += [round(at_s + span.shift_s, 3) for at_s in found]
    for column in sensors.values():
        column += [None] * (len(times_s) - len(column))
    return {"time_s": times_s, "sensors": dict(sensors)}


def rows(readings: Readings, chamber: str, asked: Sequence[Span]) -> ReadingRows:
    """`Readings.rows` of several stretches in one."""
    parts = [
        (span, readings.rows(chamber, span.start_s - span.shift_s, span.end_s - span.shift_s))
        for span in asked
    ]
    sensors = tuple(sorted({name for _, part in parts for name in part.sensors}))

    def joined() -> Iterator[tuple[float, tuple[float | None, ...]]]:
        for span, part in parts:
            for at_s, values in part.rows:
                given = dict(zip(part.sensors, values, strict=True))
                yield at_s + span.shift_s, tuple(given.get(name) for name in sensors)

    return ReadingRows(sensors, joined())
