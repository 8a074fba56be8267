"""What looks at a chamber's pictures, as its settings and the speed of its time have it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from stillair.config import ChamberSettings
from stillair.fire.sparing import Looks, LooksAtAll
from stillair.fire.view import STUCK
from stillair.fire.vision import Sight, Vision
from stillair.model import CameraCondition
from stillair.runtime.plans import vision_plan


def vision_of(settings: ChamberSettings) -> Looks:
    """A vision that has seen nothing yet."""
    vision = Vision(vision_plan(settings.camera))
    return vision if settings.speed <= 1.0 else PlayedFast(vision)


class PlayedFast(LooksAtAll):
    """Looks as its vision does, but calls it no fault that pictures are far apart.

    No computer draws or decodes as many pictures as a minute that lasts a second should
    have, and its time may stand still meanwhile. Whoever plays a chamber fast has chosen that,
    and the page says what isn't watched.
    """

    def __init__(self, vision: Looks) -> None:
        self._vision = vision

    def begin_anew(self) -> None:
        self._vision.begin_anew()

    def update(self, t_s: float, picture: NDArray[np.uint8]) -> Sight:
        sight = self._vision.update(t_s, picture)
        if sight.condition is not CameraCondition.SLOW and sight.reason != STUCK:
            return sight
        return replace(sight, condition=CameraCondition.FIT, reason="")
