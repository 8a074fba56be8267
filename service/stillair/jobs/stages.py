"""What stage a job was in when, from what is kept of it; and when nobody looked.

A job begins with warming up, soaks, is built, may stand paused meanwhile, and cools
down. No clock tells where one ends and the next begins: what is kept are the job's own
times and pauses, when its box was first told to be warm and steady, and when its first
layer was laid. Where these don't say it the stage is unknown, which is not guessed at.
Pure; instants are seconds since the epoch.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum


class StageKind(StrEnum):
    """What a job is at."""

    WARMING = "warming"
    SOAKING = "soaking"
    BUILDING = "building"
    PAUSED = "paused"
    COOLING = "cooling"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage; the last of a job that goes on has no end."""

    kind: StageKind
    from_s: float
    to_s: float | None


@dataclass(frozen=True, slots=True)
class CourseTimes:
    """What is known of when a job did what; None where it isn't known, or not yet.

    `steady_s` is when the box was told to be warm and steady, at the job's start where it
    was already; `laid_s` when the part's first layer was begun, and `laid_by_s` a moment
    by which it certainly was.
    """

    begun_s: float
    finished_s: float | None = None
    over_s: float | None = None
    steady_s: float | None = None
    laid_s: float | None = None
    laid_by_s: float | None = None
    pauses: Sequence[tuple[float, float]] = ()


def stages(times: CourseTimes) -> tuple[Stage, ...]:
    """A job's stages in their order, without a gap between them."""
    built_s = times.finished_s if times.finished_s is not None else times.over_s
    last_s = times.over_s
    cuts = [(times.begun_s, _first(times))]
    if times.laid_s is not None:
        steady_s = times.steady_s
        if steady_s is not None and times.begun_s < steady_s < times.laid_s:
            cuts.append((steady_s, StageKind.SOAKING))
        cuts.append((max(times.laid_s, times.begun_s), StageKind.BUILDING))
    elif times.laid_by_s is not None:
        cuts.append((max(times.laid_by_s, times.begun_s), StageKind.BUILDING))
    if built_s is not None:
        cuts = [cut for cut in cuts if cut[0] < built_s or cut[0] == times.begun_s]
        if times.finished_s is not None:
            cuts.append((max(built_s, times.begun_s), StageKind.COOLING))
    ends = [*(at_s for at_s, _ in cuts[1:]), last_s]
    found = [Stage(kind, at_s, end_s) for (at_s, kind), end_s in zip(cuts, ends, strict=True)]
    for start_s, end_s in times.pauses:
        found = [part for stage in found for part in _with_pause(stage, start_s, end_s)]
    return tuple(
        _joined(stage for stage in found if stage.to_s is None or stage.to_s > stage.from_s)
    )


def unseen(changes: Iterable[tuple[float, bool, bool]]) -> tuple[tuple[float, float | None], ...]:
    """When a camera was paused, from what was told of its view: instant, paused, over.

    One event changes while it lasts: a camera that was paused may be lost afterwards.
    """
    found: list[tuple[float, float | None]] = []
    since_s: float | None = None
    for at_s, paused, over in changes:
        if since_s is not None and (over or not paused):
            found.append((since_s, at_s))
            since_s = None
        elif since_s is None and paused and not over:
            since_s = at_s
    return tuple(found) if since_s is None else (*found, (since_s, None))


def _first(times: CourseTimes) -> StageKind:
    """What a job begins with."""
    if times.laid_s is None:
        return StageKind.UNKNOWN
    if times.laid_s <= times.begun_s:
        return StageKind.BUILDING
    if times.steady_s is None:
        return StageKind.UNKNOWN
    return StageKind.WARMING if times.steady_s > times.begun_s else StageKind.SOAKING


def _with_pause(stage: Stage, start_s: float, end_s: float) -> Iterable[Stage]:
    """A stage with what of a pause lies in it taken out; nobody pauses what cools down."""
    to_s = float("inf") if stage.to_s is None else stage.to_s
    start_s, end_s = max(start_s, stage.from_s), min(end_s, to_s)
    if stage.kind is StageKind.COOLING or start_s >= end_s:
        yield stage
        return
    goes_on = stage.to_s is None and end_s == to_s
    if start_s > stage.from_s:
        yield Stage(stage.kind, stage.from_s, start_s)
    yield Stage(StageKind.PAUSED, start_s, None if goes_on else end_s)
    if not goes_on and end_s < to_s:
        yield Stage(stage.kind, end_s, stage.to_s)


def _joined(found: Iterable[Stage]) -> list[Stage]:
    """Stages of one kind that follow each other are one."""
    stages_: list[Stage] = []
    for stage in found:
        if stages_ and stages_[-1].kind is stage.kind:
            stages_[-1] = Stage(stage.kind, stages_[-1].from_s, stage.to_s)
        else:
            stages_.append(stage)
    return stages_
