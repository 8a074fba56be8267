"""What a camera's pictures show: whether they can be watched by, flame, smoke, movement.

The one door to everything that looks at pixels. Pictures go in one by one, in the order
of their times; signs come out, few and small, so that the watch needs no pictures.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.fire.edges import SOFT, Softness
from stillair.fire.flame import FlameWatch, Place
from stillair.fire.inputs import CAMERA
from stillair.fire.motion import MotionMap
from stillair.fire.regions import Region
from stillair.fire.smoke import SmokeWatch, Veil
from stillair.fire.verdict import ALONE, HELD_S, SPEAKS
from stillair.fire.view import ViewCheck
from stillair.fire.witnesses import SHOWS, SPOILT_BY_FLAME
from stillair.model import CameraCondition, Detail, JsonValue, Movement, Sense, Sign

FLAME_EVERY_S = 1 / 16.5  # more pictures a second show nothing more of a flame
SIGN_EVERY_S = 1.0
MOST_REGIONS = 4
TOLD_OF_SMOKE = ("hidden", "hidden_outside", "stain", "stir", "stir_then", "stir_hidden")
WITNESS = 0.45  # of a sign that is not to be told by itself
UNJUDGED_S = 5.0  # of pictures by which no smoke could be seen
UNCOMPARED_S = 30.0  # of nothing to compare: after other light what is kept since is soon enough
BLIND_STRENGTH = 0.8  # a flame may itself wash out a picture, or have its light flicker
OWN_LIGHT = 0.3  # of a flame's spots, brighter than ever before
AWAKE_S = 2.0  # for so long every picture is looked at after anything stirred
PAIR_EVERY_S = 1.0  # else the one after a look is looked at as well, so often


@dataclass(frozen=True, slots=True)
class VisionPlan:
    """What the owner says of the view.

    `ignore` are rectangles (left, top, right, bottom) in shares of the picture from 0 to 1
    in which nothing is a sign of fire; `flame_from` and `smoke_from` the strengths below
    which there is no such sign.
    """

    ignore: tuple[Region, ...] = ()
    flame_from: float = 0.5
    smoke_from: float = 0.5


@dataclass(frozen=True, slots=True)
class Sight:
    """What one picture adds to what is known.

    `signs` and `movement` come about once a second; the condition with every picture.
    """

    t_s: float
    condition: CameraCondition
    since_s: float
    reason: str = ""
    signs: tuple[Sign, ...] = ()
    movement: Movement | None = None


class Vision:
    """Look at one camera's pictures for as long as it runs.

    Parameters
    ----------
    plan : VisionPlan
        What to leave out, and from which strength on something is a sign.
    """

    def __init__(self, plan: VisionPlan | None = None) -> None:
        self._plan = plan or VisionPlan()
        self._view = ViewCheck()
        self._flames = FlameWatch(self._plan.ignore)
        self._smoke = SmokeWatch(self._plan.ignore, self._plan.smoke_from)
        self._motion = MotionMap()
        self._softness = Softness()
        self._newest_s = -math.inf
        self._flame_s = -math.inf
        self._burned_s = -math.inf  # when a flame was last told that is more than a witness
        self._told_s = {"flame": -math.inf, "smoke": -math.inf}
        self._flame_told = 0.0  # how surely, last
        self._rests_s = math.inf  # from when on pictures may wait; at first none
        self._paired_s = -math.inf

    @property
    def due_s(self) -> float:
        """When a picture has to be looked at; one that comes sooner may wait."""
        if self._newest_s < self._rests_s or self._newest_s == self._paired_s:
            return -math.inf
        return self._smoke.due_s

    def came(self, t_s: float) -> None:
        """Note a picture that waits: it came, and what comes is not too little."""
        self._view.came(t_s)

    def is_stirred_by(self, picture: NDArray[np.uint8]) -> bool:
        """Whether the next picture shows anything for which those that waited are looked at."""
        return self._flames.is_stirred_by(picture)

    def update(self, t_s: float, picture: NDArray[np.uint8]) -> Sight:
        """Take the next picture, `(height, width, 3) uint8, BGR`, at most 320x240.

        One that isn't newer than the last is left out, and many such are told as a frozen
        picture. Raises `TimeOrderError` when `t_s` is no time.
        """
        t_s = max(t_s, self._newest_s)  # first `t_s`, which stays what it is where it is no number
        gray = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), np.uint8)
        condition, reason = self._view.update(t_s, gray)
        self._newest_s = t_s
        fit = condition is CameraCondition.FIT
        if t_s - self._flame_s >= FLAME_EVERY_S:
            self._flame_s = t_s
            self._flames.update(t_s, picture)
        usable = self._view.usable  # also where what makes the view unfit may be smoke
        if usable:
            self._smoke.update(t_s, gray)
        elif condition is CameraCondition.MOVED:
            self._smoke.lose_scene()
        else:
            self._smoke.pause()
        since_s = self._view.since_s
        unjudged_s, uncompared_s = self._smoke.unjudged_s(t_s), self._smoke.uncompared_s(t_s)
        if fit and unjudged_s > UNJUDGED_S:
            # silence of a watch that can't compare anything must not look like peace
            condition, since_s = CameraCondition.FLICKERING, t_s - unjudged_s
            reason = "the light jumps so often that smoke can't be looked for"
        elif fit and uncompared_s > UNCOMPARED_S:
            condition, since_s = CameraCondition.WASHED_OUT, t_s - uncompared_s
            reason = "nothing in it can be compared with how it was: smoke can't be looked for"
        movement = self._motion.update(t_s, gray, fit=fit)
        height, width = gray.shape
        flame = self._flame_signs(t_s, condition, width, height)
        smoke = self._smoke_signs(t_s) if usable else ()
        soft_s = self._softness.update(t_s, gray, fit=fit)
        if soft_s is not None and condition is CameraCondition.FIT:
            # It is told, and searched as well as can be: a large flame is seen all the same.
            condition, since_s, reason = CameraCondition.OUT_OF_FOCUS, soft_s, SOFT
        self._rest_or_wake(t_s, calm=fit and self._view.seen[0] is CameraCondition.FIT)
        return Sight(t_s, condition, since_s, reason, (*flame, *smoke), movement)

    def _rest_or_wake(self, t_s: float, *, calm: bool) -> None:
        """Every picture is looked at while anything stirs, or is about to be told."""
        stirs = self._flames.stirs or self._motion.stirs or self._smoke.strength >= SPEAKS
        if not calm or stirs or self._rests_s == math.inf:
            self._rests_s = t_s + AWAKE_S
        elif t_s - self._paired_s >= PAIR_EVERY_S:
            self._paired_s = t_s

    def begin_anew(self) -> None:
        """Somebody has said that what was told as smoke is none: it is the scene from now on."""
        self._smoke.begin_anew()

    def _flame_signs(
        self, t_s: float, condition: CameraCondition, width: int, height: int
    ) -> Sequence[Sign]:
        places = [p for p in self._flames.places if p.strength >= SPEAKS]
        place = max(places, key=lambda p: p.strength, default=None)
        if place is None or not self._believed(t_s, place, condition):
            return ()
        strength = _told_as(place.strength, self._plan.flame_from)
        surer = self._flame_told < ALONE <= strength  # waits for no second to end
        if not self._due("flame", t_s, at_once=surer):
            return ()
        self._flame_told = strength
        if place.strength >= ALONE:
            self._burned_s = t_s
        detail: Detail = {
            "regions": [_region(p, width, height) for p in places[:MOST_REGIONS]],
            "share": round(sum(p.spots for p in places) / (width * height), 4),
            "strength": round(place.strength, 2),
            **{name: round(value, 2) for name, value in place.features.items()},
        }
        return (
            Sign(Sense.CAMERA, "flame", t_s, place.since_s, strength, (CAMERA,), detail=detail),
        )

    def _believed(self, t_s: float, place: Place, condition: CameraCondition) -> bool:
        """Whether it is a flame, and not what the view suffers from.

        Noise in a washed-out picture looks like one, and an orange part under a lamp that
        flickers. So what washes out a picture has to have been told before; and what burns
        under such a lamp as well, or it is brighter than anything was there. Of 19 simulated
        views of each kind, without a fire, 8 and 5 had been told as flames.
        """
        if self._view.seen[0] is CameraCondition.WASHED_OUT:
            condition = CameraCondition.WASHED_OUT
        if condition in SHOWS:
            return True
        if condition not in SPOILT_BY_FLAME or place.strength < BLIND_STRENGTH:
            return False
        goes_on = t_s - self._burned_s <= HELD_S
        match condition:
            case CameraCondition.WASHED_OUT:
                return goes_on
            case CameraCondition.FLICKERING:
                return goes_on or place.features["novel"] >= OWN_LIGHT
        return True

    def _smoke_signs(self, t_s: float) -> Sequence[Sign]:
        strength, veil, since_s = self._smoke.strength, self._smoke.veil, self._smoke.since_s
        if strength < SPEAKS or veil is None or since_s is None or not self._due("smoke", t_s):
            return ()
        strength_told = _told_as(strength, self._plan.smoke_from)
        detail: Detail = {**_figures(veil), "strength": round(strength, 2)}
        return (Sign(Sense.CAMERA, "smoke", t_s, since_s, strength_told, (CAMERA,), detail=detail),)

    def _due(self, name: str, t_s: float, *, at_once: bool = False) -> bool:
        if t_s - self._told_s[name] < SIGN_EVERY_S and not at_once:
            return False
        self._told_s[name] = t_s
        return True


def _told_as(strength: float, least: float) -> float:
    """What the verdict is to hear: told by itself from `least` on, below that a witness."""
    return round(max(ALONE, strength) if strength >= least else min(WITNESS, strength), 3)


def _region(place: Place, width: int, height: int) -> list[JsonValue]:
    return [
        round(place.left / width, 3),
        round(place.top / height, 3),
        round(place.right / width, 3),
        round(place.bottom / height, 3),
    ]


def _figures(veil: Veil) -> dict[str, JsonValue]:
    return {
        "regions": [[round(edge, 3) for edge in veil.region]],
        "share": round(veil.difference["cover"], 3),
        "likelihood": round(veil.likelihood, 2),
        **{name: round(veil.difference[name], 3) for name in TOLD_OF_SMOKE},
        "compared_with_s_ago": round(veil.age_s, 1),
    }
