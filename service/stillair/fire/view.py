"""Whether a camera's pictures are fit to watch by: alive, and bright enough to see.

A picture that stands still for ever and a picture of nothing look like a calm
chamber. This room says so, from small grey pictures alone.
"""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from stillair.errors import TimeOrderError
from stillair.model import CameraCondition

STILL_FRACTION = 0.005  # of the pixels; see ViewCheck
FROZEN_AFTER_S = 30.0
FROZEN_PICTURES = 10  # so that a clock that runs fast can't make a few pictures a frozen camera
ALIVE_CHANGES = 3
ALIVE_WITHIN_S = 5.0

DARK_AFTER_S = 5.0
DARK_PICTURES = 3
LIGHT_AFTER_S = 2.0
DARK_MEAN, LIGHT_MEAN = 16.0, 20.0  # of 255
DARK_TOP, LIGHT_TOP = 40, 56  # of 255: the level that 99 % of the pixels don't exceed


class ViewCheck:
    """Tell from each picture whether the view is fit, frozen or dark.

    Frozen: no more than 0.5 % of the pixels have another value than in the
    picture that began the stillness, for 30 s and at least ten pictures. A
    live sensor has noise, and it survives compression and shrinking: at a
    quarter of 640x480, with a noise of 0.3 of 255 (a very quiet sensor) and
    JPEG quality 30, 7 % of the pixels differ from one picture to the next, and
    20 % and more with ordinary noise; the least of four real clips, a still
    room at 0.5 s between pictures, was 8 % (measured). The 0.5 % lets a clock
    that the camera writes over a frozen picture count as frozen. It is alive
    again after three changes within 5 s.

    Dark: the mean is below 16 of 255, black in ITU-R BT.601 coding, and 99 %
    of the pixels are at 40 or less, for 5 s; so a single indicator light
    doesn't make a dark chamber seen. Light again when the mean is above 20 or
    more than 1 % of the pixels above 56, for 2 s. The four levels are
    assumptions; no recording of a chamber whose lamp failed was to be had.

    Dark goes before frozen: a black picture may be without any noise.
    A picture of another size than the last begins anew.
    """

    def __init__(self) -> None:
        self._t_s: float | None = None
        self._condition = CameraCondition.FIT
        self._since_s = 0.0
        self._reference: NDArray[np.uint8] | None = None
        self._reference_s = 0.0
        self._still_pictures = 0
        self._frozen = False
        self._changes_s: deque[float] = deque(maxlen=ALIVE_CHANGES)
        self._dark = False
        self._contrary_s: float | None = None  # since when the light says other than `_dark`
        self._contrary_pictures = 0

    @property
    def since_s(self) -> float:
        """When the present condition began: the stillness or the darkness itself, not its proof."""
        return self._since_s

    def update(self, t_s: float, gray: NDArray[np.uint8]) -> tuple[CameraCondition, str]:
        """Take the next picture; return the condition and one clause saying why.

        `gray` is `(height, width) uint8`, about 160x120, in the full range of
        0 to 255. Raises `TimeOrderError` when `t_s` goes backwards.
        """
        if self._t_s is None:
            self._since_s = t_s
        elif t_s < self._t_s:
            raise TimeOrderError(f"picture of {t_s} s after one of {self._t_s} s")
        self._t_s = t_s
        dark_s = self._check_light(t_s, gray)
        frozen_s = self._check_stillness(t_s, gray)
        condition, since_s, reason = CameraCondition.FIT, t_s, ""
        if self._dark:
            condition, since_s, reason = CameraCondition.DARK, dark_s, "the picture is black"
        elif self._frozen:
            condition, since_s = CameraCondition.FROZEN, frozen_s
            reason = "the picture stands still, without even a sensor's noise"
        if condition is not self._condition:
            self._condition, self._since_s = condition, since_s
        return condition, reason

    def _check_light(self, t_s: float, gray: NDArray[np.uint8]) -> float:
        """Keep `_dark`; return when the light became as it is now."""
        counts = np.bincount(gray.ravel(), minlength=256)
        mean = float(counts @ _LEVELS) / gray.size
        top = int(np.searchsorted(np.cumsum(counts), 0.99 * gray.size))
        if self._dark:
            contrary = mean > LIGHT_MEAN or top > LIGHT_TOP
        else:
            contrary = mean < DARK_MEAN and top <= DARK_TOP
        if not contrary:
            self._contrary_s = None
            return t_s
        if self._contrary_s is None:
            self._contrary_s, self._contrary_pictures = t_s, 0
        began_s = self._contrary_s
        self._contrary_pictures += 1
        needed_s = LIGHT_AFTER_S if self._dark else DARK_AFTER_S
        if t_s - began_s >= needed_s and self._contrary_pictures >= DARK_PICTURES:
            self._dark = not self._dark
            self._contrary_s = None
        return began_s

    def _check_stillness(self, t_s: float, gray: NDArray[np.uint8]) -> float:
        """Keep `_frozen`; return when the stillness began."""
        reference = self._reference
        if (
            reference is not None
            and reference.shape == gray.shape
            and np.count_nonzero(reference != gray) <= STILL_FRACTION * gray.size
        ):
            self._still_pictures += 1
            if (
                t_s - self._reference_s >= FROZEN_AFTER_S
                and self._still_pictures >= FROZEN_PICTURES
            ):
                self._frozen = True
            return self._reference_s
        if reference is not None:
            self._changes_s.append(t_s)
        self._reference, self._reference_s, self._still_pictures = gray.copy(), t_s, 1
        if (
            self._frozen
            and len(self._changes_s) == ALIVE_CHANGES
            and t_s - self._changes_s[0] <= ALIVE_WITHIN_S
        ):
            self._frozen = False
        return t_s


_LEVELS = np.arange(256)
