"""Whether a camera's pictures are fit to watch by.

A picture that stands still for ever, a picture of nothing and a picture of something
else look like a calm chamber. This module says so.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from stillair.errors import TimeOrderError
from stillair.fire.detail import Detail, detail_of
from stillair.fire.landmarks import Landmarks
from stillair.fire.light import Flicker, Unsteady, cell_sums, is_dark, is_washed_out
from stillair.fire.stillness import Pace, Stillness
from stillair.model import CameraCondition, CameraState

C = CameraCondition

LOOK_EVERY_S = 0.5
EARLY_S = 0.05  # a picture that comes so much early is looked at, so that 2 a second all are

TOLD_AFTER_S = 3.0  # of an unfit view that came from one second to the next
FLICKER_TOLD_AFTER_S = 0.5  # after a window of 2.5 s
GRADUAL_TOLD_AFTER_S = 4.0  # of one that came slowly: smoke has this time to be told first
FIT_AFTER_S = 2.0
JUDGED_AFTER_S = 20.0  # twice as long as the slowest fault of a view, a soft one, takes to be told
OTHER_AFTER_S = 2.0  # from one unfit condition to another
SUDDEN_S = 2.5  # between a view with most of the scene in it and one without

NOTHING_SHARE, SOMETHING_SHARE = 0.05, 0.08  # of 80 blocks with structure
SAME_OUTLINE = 0.7  # correlation of the coarsest picture with the scene's
INSTEAD_SHARE = 0.5  # of the lost landmarks
LEFT_SHARE, ENOUGH_LEFT_SHARE = 0.2, 0.3  # of the blocks that had structure
KEPT_SHARE, AGAIN_SHARE = 0.3, 0.5  # of the scene's blocks that show what they did
MOST_SHARE = 0.6  # of those, and of their contrast
BLURRED_RATIO, SHARP_RATIO = 0.17, 0.2  # of finer structure to coarser; see `ViewCheck`
NEW_SCENE_AFTER_S = 600.0
LEAST_WIDTH, LEAST_HEIGHT = 64, 48  # in fewer pixels there is too little to tell anything by
STUCK_PICTURES = 45  # of one time: 3 s of the usual fifteen a second

_ELSEWHERE = (C.MOVED, C.COVERED, C.OUT_OF_FOCUS, C.WASHED_OUT)

_BLACK = "the picture is black"
_WHITE = "the picture is so bright that little can be told apart in it"
_STILL = "the picture stands still, without even a sensor's noise"
_COVERED = "something stands before the lens"
_VEILED = "almost nothing is to be seen: covered, or thick smoke"
_OTHER = "the picture shows something else than before; after 10 min it is taken for the scene"
_SHIFTED = "the picture is shifted; after 10 min it is taken for the scene"
_BLURRED = "the picture is out of focus"
_MISTED = "the picture has become blurred: out of focus, mist on the lens, or smoke"
_LAMP = "the lamp flickers strongly"
_LIGHT = "the light flickers strongly: the lamp, or a fire's glow"
_PERHAPS_FIRE = (_VEILED, _MISTED, _LIGHT)
_SMALL = f"the picture has fewer than {LEAST_WIDTH} x {LEAST_HEIGHT} pixels"
STUCK = "its pictures come without time going by, so that nothing can be told by them"
_SLOW = "fewer than 2.3 pictures a second come, too few to tell a flame by"


def is_judged(state: CameraState, t_s: float) -> bool:
    """Whether a condition is a judgement at `t_s`: a view counts as fit until a fault is seen."""
    return state.condition is not C.FIT or t_s - state.since_s >= JUDGED_AFTER_S


class ViewCheck:
    """Tell from each picture whether the view is fit, and if not, what it suffers from.

    With every picture: is it a new one (`Stillness`), does it come soon enough (`Pace`), how
    bright are its parts (`Flicker`). Twice a second the rest, each unfit view of which is
    told once it has lasted for 3 s and ends once it is fit for 2 s:

    *Too small*: fewer than 64 x 48 pixels.

    *Dark*: see `is_dark`.

    *Washed out*: see `is_washed_out`; or most of the scene is gone, and what is seen instead
    is white.

    *Covered*: less than 5 % of the picture shows any structure, or less than a fifth of what
    did; or most of the scene is gone and what is seen instead is blurred or without
    structure, as a thing close to the lens is. *Moved*: most of the scene (70 % of its parts)
    is gone, and what is seen instead is sharp; or all of it is shifted by 1.25 % of the width
    or more. The scene comes back, or the other view has lasted for 10 min and is taken for it.

    *Out of focus*: the ratio of fine to coarser structure is below 0.17, as it is with a
    blur of 2.5 of 320 pixels (standard deviation). It hardly depends on the scene: 39 sharp
    recordings have 0.38 to 1.31, blurred by 1.5 pixels 0.20 or more, by 2 pixels 0.15 to
    0.25, by 3 pixels 0.11 to 0.15 (measured).

    A hand, a cap or a focus motor takes a second; smoke takes seconds, and thins before it
    hides. So what came over more than 2.5 s has 4 s instead of 3, its reason names smoke as
    well, and the picture counts as usable meanwhile, so that smoke is told by those who
    look for it.

    A picture of the same time as the one before is counted and left out, so that a clock of
    whole seconds gives few pictures, and one that stands is told as a frozen picture.
    """

    def __init__(self) -> None:
        self._t_s: float | None = None
        self._stillness = Stillness()
        self._pace = Pace()
        self._came_s = -math.inf
        self._slow_s: float | None = None
        self._flicker = Flicker()
        self._landmarks = Landmarks(sharp_ratio=BLURRED_RATIO)
        self._before: NDArray[np.uint8] | None = None
        self._looked_s = -np.inf
        self._seen = (C.FIT, "")  # by the last look
        self._scene_s = -np.inf  # when most of the scene was last to be seen
        self._gradual = False
        self._unfit_s: float | None = None  # since when no look was fit
        self._fit_s: float | None = None  # since when every look was
        self._other_s: float | None = None  # since when looks see another condition than is told
        self._blind = (C.FIT, "")  # what is told of looks
        self._condition = C.FIT
        self._reason = ""
        self._since_s = 0.0
        self._stuck = 0  # pictures of the present time, beside the first

    @property
    def since_s(self) -> float:
        """When the present condition began itself, not its proof."""
        return self._since_s

    @property
    def seen(self) -> tuple[CameraCondition, str]:
        """What the last look saw, before it has lasted long enough to be told."""
        return self._seen

    @property
    def usable(self) -> bool:
        """Whether pictures may be searched for flame and smoke.

        Not from the first doubt on, though it is told later; but what may be smoke or a fire's
        glow itself is searched, and so are few pictures.
        """
        _, ails = self._blind if self._seen[0] is C.FIT else self._seen
        return self._condition is not C.FROZEN and ails in ("", *_PERHAPS_FIRE)

    def update(self, t_s: float, gray: NDArray[np.uint8]) -> tuple[CameraCondition, str]:
        """Take the next picture; return the condition and one clause saying why.

        `gray` is `(height, width) uint8`, at most about 320x240, in the full range of 0 to
        255. Raises `TimeOrderError` when `t_s` goes backwards or is no time.
        """
        if not math.isfinite(t_s):
            raise TimeOrderError(f"a picture of {t_s} s")
        if self._t_s is None:
            self._since_s = t_s
        elif t_s < self._t_s:
            raise TimeOrderError(f"picture of {t_s} s after one of {self._t_s} s")
        elif t_s == self._t_s:
            self._stuck += 1
            if self._stuck == STUCK_PICTURES:
                self._condition, self._reason, self._since_s = C.FROZEN, STUCK, t_s
            return self._condition, self._reason
        self._t_s, self._stuck = t_s, 0
        sums = cell_sums(gray)
        still_s = self._stillness.update(t_s, sums)
        self.came(t_s)
        self._flicker.add(t_s, (sums * (sums.size / gray.size)).astype(np.float32))
        if t_s - self._looked_s >= LOOK_EVERY_S - EARLY_S:
            self._look(t_s, gray)
        self._before = gray.copy()
        self._tell(t_s, still_s, self._slow_s)
        return self._condition, self._reason

    def came(self, t_s: float) -> None:
        """Note a picture, also one that is never looked at: whether they come often enough."""
        if t_s > self._came_s:
            self._came_s = t_s
            self._slow_s = self._pace.update(t_s)

    def _tell(self, t_s: float, still_s: float | None, slow_s: float | None) -> None:
        (condition, reason), since_s = self._blind, self._unfit_s
        if still_s is not None and condition not in (C.TOO_SMALL, C.DARK, C.WASHED_OUT):
            condition, reason, since_s = C.FROZEN, _STILL, still_s
        elif condition is C.FIT and slow_s is not None:
            condition, reason, since_s = C.SLOW, _SLOW, slow_s
        if condition is not self._condition:
            self._condition = condition
            self._since_s = t_s if condition is C.FIT or since_s is None else since_s
        self._reason = reason

    def _look(self, t_s: float, gray: NDArray[np.uint8]) -> None:
        since_last_s, self._looked_s = t_s - self._looked_s, t_s
        detail = detail_of(gray, self._before)
        self._seen = self._judge(t_s, gray, detail)
        condition = self._seen[0]
        if condition is C.FIT:
            self._landmarks.learn(detail, since_last_s)
            self._fit_s = t_s if self._fit_s is None else self._fit_s
            self._other_s = None
            if self._blind[0] is C.FIT or t_s - self._fit_s >= FIT_AFTER_S:
                self._unfit_s, self._blind, self._gradual = None, self._seen, False
            return
        self._fit_s = None
        if self._unfit_s is None:
            self._unfit_s = t_s
        blind = self._blind[0]
        if blind is C.FIT:
            needed_s = GRADUAL_TOLD_AFTER_S if self._gradual else TOLD_AFTER_S
            if condition is C.FLICKERING:
                needed_s = FLICKER_TOLD_AFTER_S
            if t_s - self._unfit_s >= needed_s:
                self._blind = self._seen
        elif blind is condition:
            self._blind, self._other_s = self._seen, None
        else:
            self._other_s = t_s if self._other_s is None else self._other_s
            if t_s - self._other_s >= OTHER_AFTER_S:
                self._blind, self._other_s = self._seen, None
        if self._blind[0] is C.MOVED and t_s - self._unfit_s >= NEW_SCENE_AFTER_S:
            self._landmarks.forget()
            self._landmarks.learn(detail, since_last_s)

    def _judge(
        self, t_s: float, gray: NDArray[np.uint8], detail: Detail
    ) -> tuple[CameraCondition, str]:
        """What this one picture suffers from."""
        was = self._seen[0]
        if gray.shape[0] < LEAST_HEIGHT or gray.shape[1] < LEAST_WIDTH:
            return C.TOO_SMALL, _SMALL
        if is_dark(gray, was_dark=was is C.DARK):
            return C.DARK, _BLACK
        if is_washed_out(gray, was_washed_out=was is C.WASHED_OUT):
            return C.WASHED_OUT, _WHITE
        likeness = self._landmarks.likeness(detail)
        if likeness is not None and min(likeness.kept, likeness.contrast) >= MOST_SHARE:
            self._scene_s = t_s
        if was not in _ELSEWHERE:
            self._gradual = t_s - self._scene_s > SUDDEN_S
        covered = C.COVERED, _VEILED if self._gradual else _COVERED
        out_of_focus = C.OUT_OF_FOCUS, _MISTED if self._gradual else _BLURRED
        visible = detail.visible()
        sharpness = detail.sharpness(visible)
        sharp_from = SHARP_RATIO if was in (C.OUT_OF_FOCUS, C.COVERED) else BLURRED_RATIO
        blurred = sharpness is not None and sharpness < sharp_from
        if likeness is not None:
            if likeness.kept < (AGAIN_SHARE if was in _ELSEWHERE else KEPT_SHARE):
                if likeness.white_instead >= INSTEAD_SHARE:
                    return C.WASHED_OUT, _WHITE
                if likeness.moved_share > 0.0:
                    return C.MOVED, _SHIFTED
                if likeness.sharp_instead >= INSTEAD_SHARE:
                    return C.MOVED, _OTHER
                return out_of_focus if likeness.outline >= SAME_OUTLINE else covered
            if likeness.moved_share > 0.0:
                return C.MOVED, _SHIFTED
            if likeness.left < (ENOUGH_LEFT_SHARE if was is C.COVERED else LEFT_SHARE):
                return out_of_focus if likeness.outline >= SAME_OUTLINE and blurred else covered
        if visible.mean() < (SOMETHING_SHARE if was is C.COVERED else NOTHING_SHARE):
            return covered
        if blurred:
            return out_of_focus
        match self._flicker.judge():
            case Unsteady.LAMP:
                return C.FLICKERING, _LAMP
            case Unsteady.LIGHT:
                return C.FLICKERING, _LIGHT
        return C.FIT, ""
