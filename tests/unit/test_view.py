"""When a view is fit, frozen or dark."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from stillair.errors import TimeOrderError
from stillair.fire.view import ViewCheck
from stillair.model import CameraCondition

FIT, FROZEN, DARK = CameraCondition.FIT, CameraCondition.FROZEN, CameraCondition.DARK
HEIGHT, WIDTH = 120, 160
Picture = NDArray[np.uint8]
Scene = Callable[[float], Picture]


def level(value: float) -> Picture:
    return np.full((HEIGHT, WIDTH), value, np.uint8)


def live(t_s: float) -> Picture:
    """A lit scene that stands still before a quiet sensor: a noise of 0.5 of 255."""
    random = np.random.default_rng(round(t_s * 1000))
    rows = np.linspace(60.0, 180.0, HEIGHT)[:, None]
    return np.clip(rows + random.normal(0.0, 0.5, (HEIGHT, WIDTH)), 0, 255).astype(np.uint8)


def still(_t_s: float) -> Picture:
    return live(0.0)


def still_with_clock(t_s: float) -> Picture:
    """A frozen picture over which the camera writes the seconds: 8x8 of 160x120 is 0.3 %."""
    picture = live(0.0)
    picture[4:12, 4:12] = 255 * (int(t_s) % 2)
    return picture


def dark(t_s: float) -> Picture:
    """A lamp that failed: the sensor's noise above black."""
    random = np.random.default_rng(round(t_s * 1000))
    return random.integers(0, 12, (HEIGHT, WIDTH)).astype(np.uint8)


def dark_with_indicator(t_s: float) -> Picture:
    picture = dark(t_s)
    picture[60:66, 80:86] = 255  # 36 of 19,200 pixels
    return picture


def dim(t_s: float) -> Picture:
    """Between the levels of dark and of light: mean 18."""
    random = np.random.default_rng(round(t_s * 1000))
    return random.integers(12, 25, (HEIGHT, WIDTH)).astype(np.uint8)


def changes(scenes: list[tuple[float, Scene]], *, every_s: float = 0.5) -> list[tuple[float, str]]:
    """`(time, condition)` of each change, from scenes that each last some seconds."""
    check = ViewCheck()
    seen: list[tuple[float, str]] = []
    t_s, end_s = 0.0, 0.0
    for lasts_s, scene in scenes:
        end_s += lasts_s
        while t_s < end_s:
            condition, reason = check.update(t_s, scene(t_s))
            assert (reason == "") == (condition is FIT)
            if not seen or seen[-1][1] != condition:
                seen.append((t_s, condition))
            t_s += every_s
    return seen


@pytest.mark.parametrize(
    ("scenes", "expected"),
    [
        pytest.param([(120, live)], [(0, FIT)], id="a still scene has noise"),
        # the first of the pictures that stay the same comes at 10
        pytest.param([(10, live), (40, still)], [(0, FIT), (40, FROZEN)], id="frozen for 30 s"),
        pytest.param([(10, live), (29, still), (9, live)], [(0, FIT)], id="frozen for less"),
        pytest.param([(40, still_with_clock)], [(0, FIT), (30, FROZEN)], id="only a clock runs"),
        # alive with the third change: 40, 40.5, 41
        pytest.param(
            [(40, still), (10, live)], [(0, FIT), (30, FROZEN), (41, FIT)], id="alive again"
        ),
        pytest.param(
            [(40, still), (0.5, live), (20, still)],
            [(0, FIT), (30, FROZEN)],
            id="one new picture is no life",
        ),
        pytest.param([(10, live), (10, dark)], [(0, FIT), (15, DARK)], id="dark for 5 s"),
        pytest.param([(10, live), (4.5, dark), (9, live)], [(0, FIT)], id="dark for less"),
        pytest.param(
            [(10, dark_with_indicator)], [(0, FIT), (5, DARK)], id="an indicator is no light"
        ),
        pytest.param(
            [(10, dark), (10, live)], [(0, FIT), (5, DARK), (12, FIT)], id="light again for 2 s"
        ),
        pytest.param([(10, dark), (1.5, live), (9, dark)], [(0, FIT), (5, DARK)], id="a flicker"),
        pytest.param([(60, dim)], [(0, FIT)], id="dim is not dark"),
        pytest.param([(10, dark), (60, dim)], [(0, FIT), (5, DARK)], id="dim is not light again"),
        pytest.param(
            [(60, lambda _: level(0))], [(0, FIT), (5, DARK)], id="black without noise is dark"
        ),
        pytest.param(
            [(60, lambda _: level(0)), (10, still), (10, live)],
            # frozen while dark, so frozen when light again at 62, alive at 70, 70.5 and 71
            [(0, FIT), (5, DARK), (62, FROZEN), (71, FIT)],
            id="dark goes before frozen",
        ),
    ],
)
def test_conditions(scenes: list[tuple[float, Scene]], expected: list[tuple[float, str]]) -> None:
    assert changes(scenes) == expected


def test_since_when() -> None:
    check = ViewCheck()
    seen: dict[str, float] = {}
    for tick in range(200):
        t_s = tick * 0.5
        scene = live if t_s < 20 else dark if t_s < 40 else still
        condition, _ = check.update(t_s, scene(t_s))
        seen[condition] = check.since_s
    # light was seen at 40, and the stillness began then
    assert seen == {FIT: 42.0, DARK: 20.0, FROZEN: 40.0}


def test_few_pictures_are_not_frozen() -> None:
    """A clock that runs 1,000 times as fast lets 30 s pass between two pictures."""
    assert changes([(270, still)], every_s=30.0) == [(0, FIT)]
    assert changes([(330, still)], every_s=30.0) == [(0, FIT), (270, FROZEN)]


def test_a_new_size_begins_anew() -> None:
    check = ViewCheck()
    for t_s in range(29):
        check.update(float(t_s), level(90))
    for t_s in range(29, 58):
        assert check.update(float(t_s), level(90)[:90])[0] is FIT
    assert check.update(59.0, level(90)[:90])[0] is FROZEN


def test_time_goes_forward() -> None:
    check = ViewCheck()
    check.update(-5.0, level(90))
    check.update(-5.0, level(90))
    with pytest.raises(TimeOrderError):
        check.update(-5.1, level(90))


@given(
    values=st.lists(st.integers(0, 255), min_size=1, max_size=120),
    every_s=st.floats(0.03, 20.0),
)
@settings(max_examples=60, deadline=None)
def test_no_verdict_before_its_time(values: list[int], every_s: float) -> None:
    """Whatever comes, dark takes 5 s and frozen 30 s, and since is never in the future."""
    check = ViewCheck()
    for number, value in enumerate(values):
        t_s = number * every_s
        condition, _ = check.update(t_s, level(value)[:12, :16])
        assert check.since_s <= t_s
        if t_s < 5.0:
            assert condition is not DARK
        if t_s < 30.0:
            assert condition is not FROZEN
