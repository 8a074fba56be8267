"""Which pictures are looked at: few while nothing stirs, all of what begins; for smoke the same."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
import pytest
from numpy.typing import NDArray

from stillair.fire.sparing import MOST_HELD, Sparing, as_it_is
from stillair.fire.vision import Sight, Vision
from stillair.model import CameraCondition
from unit.fire_pictures import Burning, Paint, Picture, film

FIT = CameraCondition.FIT
NOWHERE = np.zeros((2, 2, 3), np.uint8)
PER_S = 15.0
MOST_LOOKS_PER_S = 6.0  # four for smoke, and one more each second
OUT_OF_STEP_S = 0.4  # places are looked at four times a second, and pictures lie between


class Scripted:
    """Wants a picture every quarter second, and is stirred when it is told to be."""

    def __init__(self) -> None:
        self.due_s = 0.0
        self.stirred = False
        self.looked: list[float] = []
        self.came_s: list[float] = []

    def came(self, t_s: float, /) -> None:
        self.came_s.append(t_s)

    def is_stirred_by(self, _picture: Picture, /) -> bool:
        return self.stirred

    def update(self, t_s: float, picture: Picture) -> Sight:
        self.looked.append(t_s)
        self.due_s = t_s + 0.25
        return Sight(t_s, FIT, 0.0)

    def begin_anew(self) -> None: ...


def taken(vision: Scripted, *times_s: float, broken: tuple[float, ...] = ()) -> list[bool]:
    """Whether there was an answer to each picture."""
    looks: Sparing[float] = Sparing(vision, lambda t_s: None if t_s in broken else NOWHERE)
    return [looks.take(t_s, t_s) is not None for t_s in times_s]


@pytest.mark.parametrize(
    ("times_s", "looked"),
    [
        pytest.param((0.0, 0.1, 0.2, 0.3, 0.4), [0.0, 0.3], id="those between wait"),
        pytest.param((0.0, 0.3, 0.6), [0.0, 0.3, 0.6], id="none comes sooner than it is due"),
        pytest.param((0.0, 0.1, 0.1, 0.2), [0.0, 0.1], id="one of the same time can't wait"),
        pytest.param((0.0, 0.1, 0.05, 0.2), [0.0, 0.05], id="nor one of an earlier time"),
        pytest.param(
            [0.001 * n for n in range(MOST_HELD + 2)],
            [0.0, 0.001 * (MOST_HELD + 1)],
            id="nor more than so many",
        ),
    ],
)
def test_which_pictures_are_looked_at(times_s: tuple[float, ...], looked: list[float]) -> None:
    vision = Scripted()
    assert all(taken(vision, *times_s))
    assert vision.looked == looked
    assert sorted(vision.looked + vision.came_s) == sorted(times_s), "each is known to have come"


def test_what_waited_is_looked_at_in_its_order_where_anything_stirs() -> None:
    vision = Scripted()
    vision.stirred = True
    taken(vision, 0.0, 0.1, 0.2, 0.3, broken=(0.1,))
    assert vision.looked == [0.0, 0.2, 0.3]


def test_after_a_broken_picture_none_waits_until_one_is_sound() -> None:
    vision = Scripted()
    answers = taken(vision, 0.0, 0.3, 0.4, 0.5, 0.6, broken=(0.3, 0.4))
    assert answers == [True, False, False, True, True]
    assert vision.looked == [0.0, 0.5]


def test_what_is_let_go_is_never_looked_at() -> None:
    vision = Scripted()
    vision.stirred = True
    looks: Sparing[Picture] = Sparing(vision, as_it_is)
    for t_s in (0.0, 0.1, 0.2):
        looks.take(t_s, NOWHERE)
    looks.forget()
    looks.take(0.3, NOWHERE)
    assert vision.looked == [0.0, 0.3]


# --- with the real one -------------------------------------------------------------------------


class Noted(Vision):
    """Notes when it looked, and how surely it saw smoke then."""

    def __init__(self) -> None:
        super().__init__()
        self.looked: list[float] = []
        self.smoke: dict[float, float] = {}

    def update(self, t_s: float, picture: NDArray[np.uint8]) -> Sight:
        sight = super().update(t_s, picture)
        self.looked.append(t_s)
        if self._smoke._judged_s == t_s:
            self.smoke[t_s] = self._smoke.strength
        return sight


def played(paint: Paint, seconds: float) -> tuple[Noted, list[Sight], Noted, list[Sight]]:
    """The same pictures sparingly, and all of them."""
    spared, whole = Noted(), Noted()
    looks: Sparing[Picture] = Sparing(spared, as_it_is)
    some: list[Sight] = []
    each: list[Sight] = []
    for t_s, picture in film(paint, seconds, per_s=PER_S):
        sight = looks.take(t_s, picture)
        assert sight is not None
        some.append(sight)
        each.append(whole.update(t_s, picture))
    return spared, some, whole, each


def first(sights: list[Sight], name: str) -> Iterator[float]:
    """The times at which it was told."""
    return (s.t_s for s in sights for sign in s.signs if sign.name == name)


def test_slow_smoke_is_seen_in_the_same_pictures_as_if_all_were_looked_at() -> None:
    """A veil that takes a minute and moves nothing: what is skipped hides none of it."""

    def paint(picture: NDArray[np.float32], t_s: float) -> None:
        window = picture[40:160, 60:240]
        window += 0.5 * min(1.0, max(0.0, (t_s - 8.0) / 60.0)) * (150.0 - window)

    spared, some, whole, each = played(paint, 32.0)
    assert spared.smoke == whole.smoke
    assert next(first(some, "smoke")) == next(first(each, "smoke"))
    calm = [t_s for t_s in spared.looked if 3.0 <= t_s <= 13.0]
    assert len(calm) / 10.0 <= MOST_LOOKS_PER_S
    assert max(b - a for a, b in itertools.pairwise(calm)) <= 0.25 + 1.0 / PER_S
    assert {sight.condition for sight in some} == {FIT}, "few are looked at, but many come"


def test_a_flame_is_told_as_soon_as_if_all_pictures_were_looked_at() -> None:
    burning = Burning()
    spared, some, _, each = played(lambda p, t_s: burning(p, t_s) if t_s >= 6.1 else None, 10.0)
    assert next(first(some, "flame")) <= next(first(each, "flame")) + OUT_OF_STEP_S
    of_fire = [n / PER_S for n in range(92, 150)]
    assert spared.looked[-len(of_fire) :] == pytest.approx(of_fire), "from its first picture on"


def test_a_lamp_that_swings_in_step_with_the_looks_is_seen() -> None:
    """7.5 times a second: each fourth of fifteen pictures shows the same light."""

    def paint(picture: NDArray[np.float32], t_s: float) -> None:
        picture *= 1.0 if t_s < 8.0 or round(t_s * PER_S) % 2 else 0.7

    _, some, _, each = played(paint, 16.0)
    told = [
        next(s.t_s for s in sights if s.condition is CameraCondition.FLICKERING)
        for sights in (some, each)
    ]
    assert told[0] <= told[1] + 1.0


def test_in_the_bands_of_a_common_lamp_pictures_may_wait() -> None:
    """A tenth of the light from the darkest to the brightest, wandering down the picture."""
    rows = np.arange(240, dtype=np.float32)[:, None, None] / 240.0

    def paint(picture: NDArray[np.float32], t_s: float) -> None:
        picture *= 1.0 + 0.05 * np.sin(np.float32(np.pi) * 2.0 * (2.5 * rows + 1.3 * t_s))

    vision = Noted()
    looks: Sparing[Picture] = Sparing(vision, as_it_is)
    for t_s, picture in film(paint, 9.0, per_s=PER_S):
        looks.take(t_s, picture)
    assert sum(t_s >= 4.0 for t_s in vision.looked) / 5.0 <= MOST_LOOKS_PER_S
