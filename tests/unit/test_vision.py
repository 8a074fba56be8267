"""What is told of a flame in a view that is unfit: the fire, not what the view suffers from."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from stillair.fire.edges import SOFT
from stillair.fire.flame import Place
from stillair.fire.vision import Vision
from stillair.model import CameraCondition
from unit.fire_pictures import film

C = CameraCondition
PICTURE = np.zeros((24, 32, 3), np.uint8)
PLAIN = {"novel": 0.0}
BRIGHTER = {"novel": 0.8}


class Suffers:
    """A view that suffers from what it is told to."""

    since_s, usable = 0.0, False

    def __init__(self) -> None:
        self.told = C.FIT
        self.seen = (C.FIT, "")

    def update(self, t_s: float, gray: object) -> tuple[CameraCondition, str]:
        return self.told, "" if self.told is C.FIT else "so it was told"


class Burns:
    """Something that looks like a flame as surely as wanted."""

    stirs = True

    def __init__(self) -> None:
        self.places: list[Place] = []

    def show(self, strength: float, features: dict[str, float]) -> None:
        place = Place(2, 2, 12, 12, 0.0, 0.0, 80, hot=False, features=dict(features))
        while place.strength < strength:
            place.sum += 0.1
        self.places = [place]

    def update(self, t_s: float, picture: object) -> None:
        return None


def signs(
    told: CameraCondition,
    *,
    before: float = 0.0,
    strength: float = 0.9,
    features: dict[str, float] = PLAIN,
    seen: CameraCondition | None = None,
) -> int:
    """How many flames are told in 20 s of such a view, after 5 s of a fit one."""
    vision, view, flames = Vision(), Suffers(), Burns()
    vision._view, vision._flames = view, flames  # type: ignore[assignment]  # stand-ins for both
    count = 0
    for number in range(250):
        t_s = number / 10.0
        if t_s < 5.0:
            flames.show(before, PLAIN)
        else:
            view.told, view.seen = told, (seen or told, "")
            flames.show(strength, features)
        found = len(vision.update(t_s, PICTURE).signs)
        count += found if t_s >= 5.0 else 0
    return count


@pytest.mark.parametrize(
    ("told", "count"),
    [
        pytest.param(C.FIT, 20, id="fit"),
        pytest.param(C.SLOW, 20, id="few pictures show what there is"),
        pytest.param(C.MOVED, 20, id="another view of a flame is one"),
        pytest.param(C.COVERED, 20, id="behind its own smoke"),
        pytest.param(C.OUT_OF_FOCUS, 20, id="blurred"),
        pytest.param(C.WASHED_OUT, 0, id="noise, where all is white"),
        pytest.param(C.FLICKERING, 0, id="a part under a lamp that flickers"),
        pytest.param(C.DARK, 0, id="dark"),
        pytest.param(C.FROZEN, 0, id="frozen"),
    ],
)
def test_what_begins_in_an_unfit_view(told: CameraCondition, count: int) -> None:
    assert signs(told) == count


@pytest.mark.parametrize("told", [C.WASHED_OUT, C.FLICKERING])
def test_a_flame_that_was_told_before_goes_on(told: CameraCondition) -> None:
    assert signs(told, before=0.6) == 20
    assert signs(told, before=0.4) == 0, "a witness alone may be the view's own fault already"


@pytest.mark.parametrize(("told", "count"), [(C.FLICKERING, 20), (C.WASHED_OUT, 0)])
def test_a_flame_brighter_than_all_before_is_no_lamp(told: CameraCondition, count: int) -> None:
    assert signs(told, features=BRIGHTER) == count


def test_a_picture_that_whitens_is_doubted_before_it_is_told() -> None:
    assert signs(C.FIT, seen=C.WASHED_OUT) == 0
    assert signs(C.FIT, seen=C.WASHED_OUT, before=0.6) == 20


def test_a_clock_that_steps_back_is_told_and_breaks_nothing() -> None:
    vision, told = Vision(), []
    for number, (_, picture) in enumerate(film(lambda *_: None, 20.0)):
        t_s = number / 15.0 - (5.0 if 10.0 <= number / 15.0 < 14.0 else 0.0)
        sight = vision.update(t_s, picture)
        told.append(sight.condition)
        assert sight.since_s <= sight.t_s
    assert {*told[:180]} == {C.FIT}
    assert {*told[200:209]} == {C.FROZEN}
    assert {*told[225:]} == {C.FIT}


@pytest.mark.parametrize("every_s", [0.4, 1.3])
def test_a_light_that_lets_no_smoke_be_looked_for_is_told(every_s: float) -> None:
    """Off and on, once so fast that the view's own look tells it, and once too slowly for that."""
    vision, told = Vision(), []

    def paint(picture: NDArray[np.float32], t_s: float) -> NDArray[np.float32]:
        off = t_s >= 10.0 and int(t_s / every_s) % 2 == 1
        return np.asarray(picture * (0.5 if off else 1.0), np.float32)

    for t_s, picture in film(paint, 16.5, per_s=6.0):
        told.append((t_s, vision.update(t_s, picture)))
    assert {sight.condition for t_s, sight in told if t_s < 10.0} == {C.FIT}
    assert {sight.condition for t_s, sight in told if t_s > 16.0} == {C.FLICKERING}
    assert told[-1][1].since_s == pytest.approx(10.0, abs=2.1)


def test_a_view_in_which_nothing_can_be_compared_is_told() -> None:
    """Slats so black and so bright that hardly a cell of the picture is anything else."""
    slats = (np.arange(320) // 6) % 2 == 0

    def paint(picture: NDArray[np.float32], t_s: float) -> NDArray[np.float32]:
        grain = 0.02 * (picture - 130.0)
        return np.asarray(np.where(slats[None, :, None], 245.0, 12.0) + grain, np.float32)

    vision, told = Vision(), {}
    for t_s, picture in film(paint, 45.0, per_s=6.0):
        told[t_s] = vision.update(t_s, picture)
    assert told[20.0].condition is C.FIT
    last = told[max(told)]
    assert last.condition is C.WASHED_OUT and "smoke can't be looked for" in last.reason


@pytest.mark.parametrize(
    "told", [C.MOVED, C.COVERED, C.OUT_OF_FOCUS, C.WASHED_OUT, C.FLICKERING], ids=str
)
def test_only_what_is_unmistakable_counts_in_an_unfit_view(told: CameraCondition) -> None:
    assert signs(told, before=0.6, strength=0.7, features=BRIGHTER) == 0
    assert signs(C.FIT, strength=0.7) == 20


@pytest.mark.parametrize("told", [C.FIT, C.DARK, C.COVERED, C.MOVED], ids=str)
def test_a_soft_picture_is_told_where_nothing_worse_is(told: CameraCondition) -> None:
    """It is no reason to say less of a view that shows nothing at all."""

    class Soft:
        def update(self, t_s: float, gray: object, *, fit: bool) -> float:
            return 1.5

    vision, view = Vision(), Suffers()
    vision._view, vision._softness = view, Soft()  # type: ignore[assignment]  # stand-ins for both
    view.told = told
    sight = vision.update(5.0, PICTURE)
    if told is C.FIT:
        assert (sight.condition, sight.since_s, sight.reason) == (C.OUT_OF_FOCUS, 1.5, SOFT)
    else:
        assert (sight.condition, sight.since_s, sight.reason) == (told, 0.0, "so it was told")
