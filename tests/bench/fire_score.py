"""One sequence of pictures through vision and watch, and what that is worth against the truth."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from bench.fire_scenes import BLIND, FLAMES, SMOKES, scene
from stillair.fire.sparing import Sparing, as_it_is
from stillair.fire.vision import Sight, Vision
from stillair.model import CameraCondition
from stillair.runtime.plans import replay_plan
from stillair.runtime.replay import replay
from stillair.watch import Watch

Frame = tuple[float, NDArray[np.uint8]]
TOLD = ("flame", "smoke", "fire")  # the kinds of event that are judged
EARLY_S = 0.5  # labels and pictures have times of their own


@dataclass(frozen=True, slots=True)
class Heard:
    """What was told of one sequence: events by kind and second, and how the view was judged."""

    raised: tuple[tuple[str, float, float], ...]  # kind, when it was told, its onset
    conditions: tuple[tuple[float, str], ...]  # each from when on
    blind_s: float
    seconds: float
    frames: int
    vision_s: float  # of processor time

    def first(self, kinds: tuple[str, ...], from_s: float) -> float | None:
        """When one of these kinds was first told, not before that second."""
        times_s = [at_s for kind, at_s, _ in self.raised if kind in kinds and at_s >= from_s]
        return min(times_s, default=None)


sparing = True  # as the service is


class Unsparing(Vision):
    """Has every picture looked at, to be compared with."""

    due_s = -math.inf


@dataclass(slots=True)
class _Watcher:
    """Looks at pictures and keeps count."""

    looks: Sparing[NDArray[np.uint8]] = field(
        default_factory=lambda: Sparing(Vision() if sparing else Unsparing(), as_it_is)
    )
    conditions: list[tuple[float, str]] = field(default_factory=list)
    blind_s: float = 0.0
    last_s: float | None = None
    frames: int = 0
    vision_s: float = 0.0

    def sights(self, frames: Iterable[Frame]) -> Iterator[tuple[float, Sight]]:
        for t_s, picture in frames:
            begun_s = time.thread_time()
            sight = self.looks.take(t_s, picture)
            assert sight is not None
            self.vision_s += time.thread_time() - begun_s
            self.frames += 1
            if sight.condition is not CameraCondition.FIT and self.last_s is not None:
                self.blind_s += t_s - self.last_s
            self.last_s = t_s
            if not self.conditions or self.conditions[-1][1] != sight.condition.value:
                self.conditions.append((t_s, sight.condition.value))
            yield t_s, sight


def listen(frames: Iterable[Frame]) -> Heard:
    """Play pictures to a new watch as a replay does."""
    watcher = _Watcher()
    lines = replay(Watch(replay_plan((), None)), (), (), watcher.sights(frames))
    told = [json.loads(line) for line in lines]
    raised = tuple(
        (event["kind"], event["at_s"], event["onset_s"])
        for event in told
        if event["change"] == "raised" and event["kind"] in TOLD
    )
    return Heard(
        raised,
        tuple(watcher.conditions),
        watcher.blind_s,
        watcher.last_s or 0.0,
        watcher.frames,
        watcher.vision_s,
    )


@dataclass(frozen=True, slots=True)
class Score:
    """What one scene came to."""

    name: str
    kind: str
    wall: str
    heard: Heard
    quiet_s: float  # in which nothing burned
    false: tuple[tuple[str, float], ...]  # kind and second of what was told without a reason
    width: float = 0.0  # of the flame
    flame_s: float | None = None  # from the onset until flame or fire was told
    fire_s: float | None = None  # until fire was told
    from_15_s: float | None = None  # from 15 % of contrast over a tenth until smoke was told
    from_8_s: float | None = None
    reached_15: bool = False
    reached_8: bool = False
    smoke_told: bool = False
    blind_after_s: float | None = None  # from its beginning until the view was told as blind
    named: bool = False  # by the condition that it has


def score(kind: str, seed: int, frames_per_s: float) -> Score:
    """Draw a scene, watch it, and compare."""
    labelled = scene(kind, seed, frames_per_s=frames_per_s)
    heard = listen(labelled.frames())
    burn = labelled.burns[0] if labelled.burns else None
    onset_s = math.inf if burn is None else burn.onset_s
    false = tuple(
        (told, at_s)
        for told, at_s, _ in heard.raised
        if at_s < onset_s - EARLY_S and kind not in BLIND
    )
    quiet_s = 0.0 if kind in BLIND else min(onset_s, labelled.seconds)
    if kind in FLAMES:
        assert burn is not None
        told_s = heard.first(("flame", "fire"), onset_s - EARLY_S)
        fire_s = heard.first(("fire",), onset_s - EARLY_S)
        return Score(
            labelled.name,
            kind,
            labelled.wall,
            heard,
            quiet_s,
            false,
            width=burn.width,
            flame_s=_after(told_s, onset_s),
            fire_s=_after(fire_s, onset_s),
        )
    if kind in SMOKES:
        assert burn is not None
        told_s = heard.first(("smoke",), onset_s - EARLY_S)
        # What is told so late that nobody could judge it has no say: the scene has to go on.
        within_15 = burn.hides_15_s is not None and burn.hides_15_s + 15.0 <= labelled.seconds
        within_8 = burn.hides_8_s is not None and burn.hides_8_s + 60.0 <= labelled.seconds
        return Score(
            labelled.name,
            kind,
            labelled.wall,
            heard,
            quiet_s,
            false,
            from_15_s=_after(told_s, burn.hides_15_s) if within_15 else None,
            from_8_s=_after(told_s, burn.hides_8_s) if within_8 else None,
            reached_15=within_15,
            reached_8=within_8,
            smoke_told=told_s is not None,
        )
    if kind in BLIND:
        condition, from_s, until_s = labelled.blind[0]
        unfit = [
            (max(t_s, from_s), told)
            for (t_s, told), (next_s, _) in zip(
                heard.conditions, (*heard.conditions[1:], (math.inf, "")), strict=True
            )
            if told != "fit" and next_s > from_s and t_s < until_s
        ]
        return Score(
            labelled.name,
            kind,
            labelled.wall,
            heard,
            quiet_s,
            false,
            blind_after_s=unfit[0][0] - from_s if unfit else None,
            named=any(told == condition for _, told in unfit),
        )
    return Score(labelled.name, kind, labelled.wall, heard, quiet_s, false)


def _after(told_s: float | None, since_s: float | None) -> float | None:
    return None if told_s is None or since_s is None else told_s - since_s
