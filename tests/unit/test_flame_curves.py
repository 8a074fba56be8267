"""What each measure of a place says of a flame."""

from __future__ import annotations

import math

import pytest

from bench.fire_fit import AGAINST, KNOTS, WAY
from stillair.fire.flame import SURE
from stillair.fire.flame_curves import CURVES, NOVEL, YOUNG, likelihood

PLAIN = {name: curve[0][0] for name, curve in CURVES.items()} | {"novel": 0.0}


@pytest.mark.parametrize("name", CURVES)
def test_a_measure_counts_straight_between_its_points_and_level_beyond_them(name: str) -> None:
    (low, at_low), (second, at_second), *_, (high, at_high) = CURVES[name]
    rest = likelihood(PLAIN) - at_low
    values = (low - 1e3, low, (low + second) / 2.0, second, high, high + 1e3)
    heights = (at_low, at_low, (at_low + at_second) / 2.0, at_second, at_high, at_high)
    told = [likelihood(PLAIN | {name: value}) - rest for value in values]
    assert told == pytest.approx(heights)


@pytest.mark.parametrize("name", CURVES)
def test_no_curve_turns_against_what_physics_says_of_its_measure(name: str) -> None:
    heights = [high for _, high in CURVES[name]]
    assert [at for at, _ in CURVES[name]] == list(KNOTS[name])
    assert heights == sorted(heights, reverse=WAY[name] == AGAINST)


def test_what_is_new_in_a_view_counts_where_the_view_is_known() -> None:
    assert likelihood(PLAIN | {"novel": 1.0}) - likelihood(PLAIN) == pytest.approx(
        NOVEL[-1][1] - NOVEL[0][1]
    )


@pytest.mark.parametrize("name", YOUNG)
def test_in_a_young_view_a_place_has_to_show_more_of_a_flame(name: str) -> None:
    known = likelihood(PLAIN) - NOVEL[0][1]
    young = PLAIN | {"novel": -1.0}
    assert likelihood(young) < known
    assert [high for _, high in YOUNG[name]] == sorted(high for _, high in YOUNG[name])
    assert likelihood(young | dict.fromkeys(YOUNG, math.inf)) == pytest.approx(
        likelihood(PLAIN | dict.fromkeys(YOUNG, math.inf))
        - NOVEL[0][1]
        + sum(curve[-1][1] for curve in YOUNG.values())
    )


@pytest.mark.parametrize("name", CURVES)
def test_no_measure_decides_alone(name: str) -> None:
    middling = {name: curve[1][0] for name, curve in CURVES.items()} | {"novel": -1.0}
    for end in (-math.inf, math.inf):
        assert likelihood(middling | {name: end}) < SURE
