"""When a view is fit to watch by, and what it suffers from when it is not."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from stillair.errors import TimeOrderError
from stillair.fire.view import NEW_SCENE_AFTER_S, ViewCheck
from stillair.model import CameraCondition

C = CameraCondition
FIT = C.FIT
HEIGHT, WIDTH = 240, 320
PER_S = 10.0
TOLD_WITHIN_S = 5.0
FIT_AGAIN_WITHIN_S = 5.0
Picture = NDArray[np.uint8]
Plane = NDArray[np.float32]
Scene = Callable[[float], Plane]


@cache
def drawn(seed: int) -> Plane:
    """Things of all sizes with sharp edges, larger than the picture so that it can be shifted."""
    random = np.random.default_rng(seed)
    picture = np.full((HEIGHT + 160, WIDTH + 160), 110, np.uint8)
    for _ in range(500):
        x, y = (int(v) for v in random.integers(0, (WIDTH + 160, HEIGHT + 160)))
        wide, high = (int(v) for v in random.integers(3, 40, 2))
        cv2.rectangle(picture, (x, y), (x + wide, y + high), int(random.integers(40, 190)), -1)
    return picture.astype(np.float32)


def view(seed: int = 0, right_px: int = 0, down_px: int = 0) -> Plane:
    top, left = 80 + down_px, 80 + right_px
    return drawn(seed)[top : top + HEIGHT, left : left + WIDTH].copy()


def noise(t_s: float, deviation: float = 1.0) -> Plane:
    random = np.random.default_rng(round((t_s + 100.0) * 1000))
    return random.normal(0.0, deviation, (HEIGHT, WIDTH)).astype(np.float32)


def taken(plane: Plane, t_s: float, deviation: float = 1.0) -> Picture:
    """What a camera makes of it."""
    return np.asarray(np.clip(np.rint(plane + noise(t_s, deviation)), 0, 255), np.uint8)


def scene(t_s: float) -> Plane:
    """A tool head that goes to and fro over what stands still."""
    plane = view()
    x = int(150 + 90 * math.sin(1.3 * t_s))
    plane[60:110, x - 25 : x + 25] = 60
    plane[80:90, x - 15 : x + 15] = 200
    return plane


def blurred(deviation_px: float) -> Scene:
    return lambda t_s: np.asarray(cv2.GaussianBlur(scene(t_s), (0, 0), deviation_px), np.float32)


def even(value: float, fall: float = 0.0) -> Scene:
    course = np.linspace(value - fall, value + fall, WIDTH, dtype=np.float32)
    return lambda _: np.tile(course, (HEIGHT, 1))


def hand(share: float) -> Scene:
    """Something so close that it is blurred, over this share of the picture."""

    def at(t_s: float) -> Plane:
        close = cv2.GaussianBlur(view(9), (0, 0), 10.0) * 0.5 + 30
        plane = scene(t_s)
        upto = min(WIDTH, int(WIDTH * share + 6 * math.sin(3.0 * t_s)))
        plane[:, :upto] = close[:, :upto]
        return plane

    return at


def turned(right_px: int, down_px: int = 0) -> Scene:
    return lambda _: view(0, right_px, down_px)


def in_light(course: Callable[[float], float]) -> Scene:
    return lambda t_s: scene(t_s) * np.float32(course(t_s))


def bands(depth: float) -> Scene:
    rows = np.arange(HEIGHT, dtype=np.float32)[:, None] / 72.0
    return lambda t_s: scene(t_s) * (1.0 + depth * np.sin(math.tau * (rows + 1.7 * t_s)))


def glow(t_s: float) -> Plane:
    """A flame's light, strong near it, that pulses unevenly."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    near = np.exp(-np.hypot(x - 80, y - 200) / 60.0)
    pulse = 1.0 + 0.3 * sum(math.sin(math.tau * f * t_s + f * f) for f in (1.3, 2.2, 3.1, 4.3))
    return np.asarray(scene(t_s) * (0.7 + 0.8 * near * pulse), np.float32)


def veiled(share: float, hidden: float) -> Scene:
    """Smoke from the top down over this share of the picture."""

    def at(t_s: float) -> Plane:
        plane = scene(t_s)
        upto = int(HEIGHT * share)
        plane[:upto] = plane[:upto] * (1.0 - hidden) + 150 * hidden
        return plane

    return at


def told(
    then: Scene | None, *, lasts_s: float = 12.0, per_s: float = PER_S, deviation: float = 1.0
) -> list[tuple[float, CameraCondition, str]]:
    """Each change of the condition, in seconds after the scene changed for some seconds."""
    check = ViewCheck()
    changes: list[tuple[float, CameraCondition, str]] = []
    for number in range(round((20.0 + lasts_s) * per_s)):
        t_s = number / per_s - 10.0
        other = then if then is not None and 0.0 <= t_s < lasts_s else scene
        condition, reason = check.update(t_s, taken(other(t_s), t_s, deviation))
        assert (reason == "") == (condition is FIT)
        if not changes or changes[-1][1] is not condition:
            changes.append((t_s, condition, reason))
    assert changes[0][1] is FIT
    return changes[1:]


@pytest.mark.parametrize(
    ("then", "condition"),
    [
        pytest.param(in_light(lambda _: 0.02), C.DARK, id="lamp failed"),
        pytest.param(lambda t_s: scene(t_s) * 3 + 170, C.WASHED_OUT, id="far too bright"),
        pytest.param(even(45.0), C.COVERED, id="a cap that lets some light through"),
        pytest.param(even(110.0, 30.0), C.COVERED, id="something bright before the lens"),
        pytest.param(hand(1.1), C.COVERED, id="a hand before the lens"),
        pytest.param(hand(0.9), C.COVERED, id="a hand, a corner left free"),
        pytest.param(blurred(3.0), C.OUT_OF_FOCUS, id="blurred by 3 px"),
        pytest.param(blurred(8.0), C.OUT_OF_FOCUS, id="blurred by 8 px"),
        pytest.param(turned(8), C.MOVED, id="knocked by 2.5 % of the width"),
        pytest.param(turned(0, 30), C.MOVED, id="tilted"),
        pytest.param(turned(79, 60), C.MOVED, id="turned away"),
        pytest.param(lambda _: view(5), C.MOVED, id="another scene"),
        pytest.param(
            in_light(lambda t_s: 0.8 + 0.3 * math.sin(math.tau * 3.1 * t_s)),
            C.FLICKERING,
            id="a lamp that beats",
        ),
        pytest.param(bands(0.35), C.FLICKERING, id="strong moving bands"),
        pytest.param(
            in_light(lambda t_s: 1.0 if int(t_s * 2.3) % 3 else 0.4),
            C.FLICKERING,
            id="a lamp that goes on and off",
        ),
    ],
)
def test_an_unfit_view_is_told_in_time_and_ends(then: Scene, condition: CameraCondition) -> None:
    changes = told(then)
    assert [change[1] for change in changes] == [condition, FIT]
    assert changes[0][0] <= TOLD_WITHIN_S
    assert changes[1][0] - 12.0 <= FIT_AGAIN_WITHIN_S


@pytest.mark.parametrize(
    "then",
    [
        pytest.param(None, id="a tool head moves"),
        pytest.param(in_light(lambda _: 0.15), id="lamp dimmed"),
        pytest.param(in_light(lambda t_s: 0.6 if int(t_s / 3) % 2 else 1.0), id="dimmed in steps"),
        pytest.param(lambda t_s: scene(t_s) + 60, id="sun"),
        pytest.param(blurred(1.3), id="a little blurred"),
        pytest.param(hand(0.5), id="a hand and arm over half of it"),
        pytest.param(turned(2), id="shaken by 0.6 % of the width"),
        pytest.param(bands(0.1), id="usual bands"),
        pytest.param(
            in_light(lambda t_s: 1.0 + 0.08 * math.sin(math.tau * 3.1 * t_s)), id="usual beats"
        ),
        pytest.param(glow, id="a flame's glow"),
        pytest.param(veiled(1.0, 0.6), id="smoke hides 60 % everywhere"),
        pytest.param(veiled(0.5, 0.97), id="smoke hides half of it"),
    ],
)
def test_a_fit_view_is_not_told_as_unfit(then: Scene | None) -> None:
    assert told(then) == []


@pytest.mark.parametrize(
    "then",
    [
        pytest.param(even(110.0), id="covered"),
        pytest.param(blurred(4.0), id="out of focus"),
        pytest.param(turned(40), id="moved"),
        pytest.param(in_light(lambda _: 0.02), id="dark"),
    ],
)
def test_what_ends_within_two_seconds_is_not_told(then: Scene) -> None:
    assert told(then, lasts_s=2.0) == []


@pytest.mark.parametrize("per_s", [2.7, 5.0, 25.0])
def test_any_number_of_pictures_a_second(per_s: float) -> None:
    changes = told(even(110.0), per_s=per_s)
    assert [change[1] for change in changes] == [C.COVERED, FIT]
    assert changes[0][0] <= TOLD_WITHIN_S


def test_noise_is_no_structure() -> None:
    """A sensor that amplifies what little light there is."""
    assert [change[1] for change in told(even(60.0), deviation=6.0)] == [C.COVERED, FIT]
    assert [change[1] for change in told(blurred(4.0), deviation=6.0)] == [C.OUT_OF_FOCUS, FIT]
    assert told(None, deviation=6.0) == []


def test_what_comes_slowly_may_be_smoke() -> None:
    """It has a second more, is named, and those who look for smoke go on looking."""

    def smoke(t_s: float) -> Plane:
        plane, depth = scene(t_s), np.linspace(8.0, 0.0, HEIGHT, dtype=np.float32)[:, None]
        through = np.exp(-np.clip(depth + 1.2 * t_s - 8.0, 0.0, 9.0))
        return np.asarray(plane * through + 150 * (1 - through), np.float32)

    check, usable, condition, reason = ViewCheck(), True, FIT, ""
    for number in range(400):
        t_s = number / PER_S - 10.0
        plane = scene(t_s) if t_s < 0.0 else smoke(t_s)
        condition, reason = check.update(t_s, taken(plane, t_s))
        usable = usable and check.usable
    assert (condition, reason) == (
        C.COVERED,
        "almost nothing is to be seen: covered, or thick smoke",
    )
    assert usable


def test_what_comes_at_once_is_not_searched_from_the_first_doubt_on() -> None:
    check = ViewCheck()
    for number in range(120):
        t_s = number / PER_S
        check.update(t_s, taken(scene(t_s) if t_s < 10.0 else even(110.0)(t_s), t_s))
    assert check.seen[0] is C.COVERED
    assert not check.usable


@pytest.mark.parametrize(
    ("then", "condition"),
    [
        pytest.param(even(110.0), C.COVERED, id="covered"),
        pytest.param(blurred(4.0), C.OUT_OF_FOCUS, id="out of focus"),
        pytest.param(in_light(lambda _: 0.02), C.DARK, id="dark"),
    ],
)
def test_unfit_from_the_start(then: Scene, condition: CameraCondition) -> None:
    check = ViewCheck()
    seen = [check.update(n / PER_S, taken(then(n / PER_S), n / PER_S))[0] for n in range(50)]
    assert seen[-1] is condition
    assert check.since_s == 0.0


def test_another_view_becomes_the_scene() -> None:
    check = ViewCheck()
    seen: list[tuple[float, CameraCondition]] = []
    for number in range(round((NEW_SCENE_AFTER_S + 60.0) * 3)):
        t_s = number / 3.0
        plane = view() if t_s < 20.0 or t_s >= NEW_SCENE_AFTER_S + 40.0 else view(5)
        condition = check.update(t_s, taken(plane, t_s))[0]
        if not seen or seen[-1][1] is not condition:
            seen.append((t_s, condition))
    # after 10 min it is the scene, and the old view is another one then
    assert [condition for _, condition in seen] == [FIT, C.MOVED, FIT, C.MOVED]
    assert seen[2][0] == pytest.approx(20.0 + NEW_SCENE_AFTER_S, abs=4.0)


def with_clock(picture: Picture, t_s: float) -> Picture:
    clock = picture.copy()
    where, font = (4, 14), cv2.FONT_HERSHEY_SIMPLEX
    cv2.putText(clock, f"12:{int(t_s) // 60:02}:{int(t_s) % 60:02}", where, font, 0.5, 255)
    return clock


@pytest.mark.parametrize(
    ("shown_from_8_s_on", "told_at_s"),
    [
        pytest.param(lambda t_s: t_s, None, id="a still room has noise"),
        pytest.param(lambda _: 8.0, 12.0, id="one picture again and again"),
        pytest.param(lambda t_s: 8.0 + round(10 * t_s) % 4 / 10, 12.3, id="four pictures in turn"),
        pytest.param(lambda t_s: 8.0 if t_s < 11.5 else t_s, None, id="for 3.5 s"),
    ],
)
@pytest.mark.parametrize("clock", [False, True], ids=["", "clock"])
def test_frozen(
    shown_from_8_s_on: Callable[[float], float], told_at_s: float | None, *, clock: bool
) -> None:
    check = ViewCheck()
    first: float | None = None
    for number in range(200):
        t_s = number / PER_S
        of_s = t_s if t_s < 8.0 else round(shown_from_8_s_on(t_s), 1)
        picture = taken(view(), of_s, 0.3)
        condition, _ = check.update(t_s, with_clock(picture, t_s) if clock else picture)
        if first is None and condition is C.FROZEN:
            first = t_s
            assert check.since_s == pytest.approx(8.0, abs=0.4)
        assert condition in (FIT, C.FROZEN)
    assert first == (told_at_s if told_at_s is None else pytest.approx(told_at_s, abs=0.15))


def test_alive_again_with_three_new_pictures() -> None:
    check = ViewCheck()
    shown = [*range(10), *[9] * 60, 10, *[10] * 60, *range(11, 20)]
    conditions = [
        check.update(number / PER_S, taken(view(), float(of)))[0] for number, of in enumerate(shown)
    ]
    assert conditions[60] is C.FROZEN
    assert all(c is C.FROZEN for c in conditions[60:132])  # one new picture is no life
    assert conditions[-1] is FIT


@pytest.mark.parametrize(
    ("intervals_s", "expected"),
    [
        pytest.param([0.4] * 20, [], id="five in 2 s"),
        pytest.param([0.1] * 50 + [2.0] + [0.1] * 50, [], id="a pause of 2 s"),
        pytest.param([0.5] * 10, [4.0], id="two a second, told once the beginning is over"),
        pytest.param([1.0] * 3 + [0.1] * 30, [], id="a program that has just begun"),
        pytest.param([0.1] * 50 + [0.7] * 10, [7.8], id="three in 2 s, from ten a second"),
        pytest.param([4.0] * 3, [4.0], id="one in 4 s, told with the second"),
        pytest.param([2.0] * 3 + [0.3] * 10, [4.0, 7.8], id="fast enough again"),
    ],
)
def test_too_few_pictures(intervals_s: list[float], expected: list[float]) -> None:
    check, t_s = ViewCheck(), 0.0
    changes: list[tuple[float, CameraCondition]] = []
    for interval_s in [0.0, *intervals_s]:
        t_s = round(t_s + interval_s, 3)
        condition = check.update(t_s, taken(scene(t_s), t_s))[0]
        if condition is not (changes[-1][1] if changes else FIT):
            changes.append((t_s, condition))
    assert [at_s for at_s, _ in changes] == expected
    assert [condition for _, condition in changes] == [C.SLOW, FIT][: len(expected)]


def test_dark_goes_before_frozen() -> None:
    check = ViewCheck()
    black = np.zeros((HEIGHT, WIDTH), np.uint8)
    assert [check.update(n / PER_S, black)[0] for n in range(80)][-1] is C.DARK


def test_another_size_begins_anew() -> None:
    check, condition = ViewCheck(), FIT
    for number in range(200):
        t_s = number / PER_S
        picture = taken(scene(t_s), t_s)
        condition, _ = check.update(t_s, picture if t_s < 10.0 else picture[:180])
    assert condition is FIT


@pytest.mark.parametrize("size", [(47, 320), (240, 63), (24, 32)])
def test_a_picture_too_small_is_no_view_though_it_is_sharp(size: tuple[int, int]) -> None:
    check, high, wide = ViewCheck(), *size
    told = [
        check.update(n / PER_S, taken(scene(n / PER_S), n / PER_S)[:high, :wide]) for n in range(60)
    ]
    assert told[10][0] is FIT
    assert told[-1] == (C.TOO_SMALL, "the picture has fewer than 64 x 48 pixels")
    assert not check.usable


def test_the_smallest_picture_there_may_be() -> None:
    check = ViewCheck()
    large = [taken(scene(n / PER_S), n / PER_S) for n in range(60)]
    small = [np.asarray(cv2.resize(picture, (64, 48)), np.uint8) for picture in large]
    assert {check.update(n / PER_S, picture)[0] for n, picture in enumerate(small)} == {FIT}


def test_a_clock_that_stands_is_no_peace() -> None:
    check, told = ViewCheck(), []
    for number in range(200):
        t_s = min(number, 100) / PER_S
        told.append(check.update(t_s, taken(scene(number / PER_S), number / PER_S))[0])
    assert {*told[:140]} == {FIT}
    assert {*told[150:]} == {C.FROZEN}
    assert check.since_s == 10.0
    assert check.update(10.1, taken(scene(20.1), 20.1))[0] is FIT


def test_pictures_of_one_time_count_once() -> None:
    """A clock of whole seconds shows no flame, however many pictures come."""
    check = ViewCheck()
    told = [
        check.update(float(number // 15), taken(scene(number / 15), number / 15))[0]
        for number in range(15 * 12)
    ]
    assert told[-1] is C.SLOW
    assert check.since_s == pytest.approx(0.0, abs=6.0)


def test_time_goes_forward() -> None:
    check = ViewCheck()
    picture = taken(view(), 0.0)
    check.update(-5.0, picture)
    check.update(-5.0, picture)
    with pytest.raises(TimeOrderError):
        check.update(-5.1, picture)


@given(
    values=st.lists(st.integers(0, 255), min_size=1, max_size=80),
    every_s=st.floats(0.03, 20.0),
    size=st.sampled_from([(1, 1), (12, 16), (60, 80), (240, 320)]),
)
@settings(max_examples=60, deadline=None)
def test_no_verdict_before_its_time(
    values: list[int], every_s: float, size: tuple[int, int]
) -> None:
    """Whatever comes and of whatever size, nothing is told within 2.5 s, and since is no future."""
    check = ViewCheck()
    for number, value in enumerate(values):
        t_s = number * every_s
        condition, reason = check.update(t_s, np.full(size, value, np.uint8))
        assert check.since_s <= t_s
        assert (condition is FIT) == (reason == "")
        if t_s < 2.5:
            assert condition is FIT
