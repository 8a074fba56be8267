"""Which pictures are looked at: all of them while anything stirs, else as few as lose nothing.

Unpacking a picture and looking at it costs some hundred times what taking it in does, and most
of what a camera sends shows what the picture before showed. So while nothing stirs only those
are unpacked that smoke is looked for in, four a second at most and two at least, and once a
second the next one as well, so that what swings in step with them is seen. Smoke is therefore
looked for in the very same pictures as if all were looked at: it can't hide in what is skipped,
however slowly it comes.

The pictures between are held as they came. Where one that is looked at shows that anything
stirs in a flame's colour, or that the light does, those before it are looked at first, in their
order: what begins is measured on every picture that there is of it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from stillair.fire.vision import Sight

Picture = NDArray[np.uint8]
T = TypeVar("T")

MOST_HELD = 15  # of a camera of 60 a second; pictures come so fast nowhere else


class Looks(Protocol):
    """What looks at pictures; see `stillair.fire.vision.Vision`."""

    @property
    def due_s(self) -> float: ...

    def came(self, t_s: float, /) -> None: ...

    def is_stirred_by(self, picture: Picture, /) -> bool: ...

    def update(self, t_s: float, picture: Picture) -> Sight: ...

    def begin_anew(self) -> None: ...


class LooksAtAll:
    """What has every picture looked at."""

    due_s = float("-inf")

    def came(self, _t_s: float, /) -> None:
        """None is held, so none comes that isn't looked at."""

    def is_stirred_by(self, _picture: Picture, /) -> bool:
        return True


class Sparing(Generic[T]):
    """Have pictures looked at, those that may wait only once there is a reason.

    Parameters
    ----------
    vision : Looks
        Looks at them.
    decoded : callable
        Makes a picture as `vision` takes it of what came; None where it is broken.
    """

    def __init__(self, vision: Looks, decoded: Callable[[T], Picture | None]) -> None:
        self._vision = vision
        self._decoded = decoded
        self._held: list[tuple[float, T]] = []
        self._last: Sight | None = None  # of the newest picture; None where that was broken
        self._came_s = float("-inf")

    def forget(self) -> None:
        """Let go of every picture that is held; from any thread."""
        self._held = []
        self._last = None

    def begin_anew(self) -> None:
        """Somebody has said that the scene is as it is."""
        self._vision.begin_anew()

    def take(self, t_s: float, came: T) -> Sight | None:
        """Take the next picture; None where it is broken.

        Of one that is held the answer is what is known anyway. Raises what `vision` raises.
        """
        last, vision = self._last, self._vision
        if last is not None and self._came_s < t_s < vision.due_s and len(self._held) < MOST_HELD:
            vision.came(t_s)
            self._came_s = t_s
            self._held.append((t_s, came))
            return replace(last, t_s=t_s, signs=(), movement=None)
        held, self._held, self._last = self._held, [], None
        picture = self._decoded(came)
        if picture is None:
            return None
        before: list[Sight] = []
        if held and vision.is_stirred_by(picture):
            for held_s, each in held:
                earlier = self._decoded(each)
                if earlier is not None:
                    before.append(vision.update(held_s, earlier))
        sight = vision.update(t_s, picture)
        self._came_s = t_s
        if before:
            movements = [each.movement for each in (*before, sight) if each.movement is not None]
            sight = replace(
                sight,
                signs=tuple(sign for each in (*before, sight) for sign in each.signs),
                movement=movements[-1] if movements else None,
            )
        self._last = sight
        return sight


def as_it_is(picture: Picture) -> Picture:
    """What is decoded already."""
    return picture
