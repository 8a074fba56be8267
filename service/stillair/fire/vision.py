"""What a camera's pictures show: whether they can be watched by, flame, smoke, movement.

The one door to everything that looks at pixels. Pictures go in one by one, in the order
of their times; signs come out, few and small, so that the watch needs no pictures.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.fire.view import ViewCheck
from stillair.model import CameraCondition, Movement, Sign

WIDTH, HEIGHT = 320, 240  # pictures are looked at in at most this size


@dataclass(frozen=True, slots=True)
class VisionPlan:
    """What the owner says of the view.

    `ignore` are rectangles (left, top, right, bottom) in shares of the picture from 0 to 1
    in which nothing is a sign of fire; `flame_from` and `smoke_from` the strengths below
    which there is no such sign.
    """

    ignore: tuple[tuple[float, float, float, float], ...] = ()
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

    def update(self, t_s: float, picture: NDArray[np.uint8]) -> Sight:
        """Take the next picture, `(height, width, 3) uint8, BGR`, at most 320x240.

        Raises `TimeOrderError` when `t_s` goes backwards.
        """
        gray = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), np.uint8)
        condition, reason = self._view.update(t_s, gray)
        return Sight(t_s, condition, self._view.since_s, reason)
