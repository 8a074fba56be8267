"""What the measures of a place say of a flame, together."""

from __future__ import annotations

import math
from importlib import resources

import numpy as np
import pytest

from stillair.fire.flame import MOST_STEP, NEWBORN_S, SURE, TOLD_SUM, with_look
from stillair.fire.flame_terms import AVERAGED, SPREAD, TERMS, features, likelihood, terms

NAMES = [name for name, *_ in TERMS]
MIDDLE = {name: (low + high) / 2.0 for name, low, high in TERMS} | {"novel": 0.5}
# As in the middle of the burning and of the harmless looks of scenes of even seeds.
BURNS = MIDDLE | {
    "alike": 0.33,
    "near": 0.55,
    "unexplained": 0.62,
    "settled": 0.47,
    "loud": 0.02,
    "glow": 0.75,
    "top": 225.0,
    "edge": 0.9,
    "novel": 0.9,
}
SWINGS = MIDDLE | {
    "alike": 0.7,
    "near": 0.1,
    "unexplained": 0.35,
    "settled": 0.75,
    "loud": 0.6,
    "glow": -0.1,
    "top": 150.0,
    "edge": -0.6,
    "novel": 0.0,
}


def look(**values: float) -> dict[str, float]:
    plain = dict.fromkeys(AVERAGED, 0.5) | {"spots": 20.0, "hot": 0.0}
    return plain | {"x": 100.0, "y": 80.0, "foot": 90.0, "size": 20.0} | values


def test_a_measure_is_the_mean_of_the_last_looks_and_its_size_that_of_now() -> None:
    found = features([look(alike=0.2, spots=10.0), look(alike=0.6, spots=40.0, hot=1.0)])
    assert found["alike"] == pytest.approx(0.4)
    assert found["large"] == pytest.approx(math.log(40.0))
    assert found["hot"] == 1.0
    assert set(found) == set(NAMES)


def test_how_a_place_moves_is_measured_by_its_size() -> None:
    found = features([look(x=90.0, y=70.0, foot=90.0), look(x=110.0, y=80.0, foot=90.0)])
    assert found["sways"] == pytest.approx(10.0 / 20.0)
    assert found["bobs"] == pytest.approx(5.0 / 20.0)
    assert found["steps"] == 0.0


@pytest.mark.parametrize("name", NAMES)
def test_no_measure_says_more_beyond_its_floor_and_ceiling(name: str) -> None:
    _, low, high = next(term for term in TERMS if term[0] == name)
    place = NAMES.index(name)
    for far, end, said in ((-math.inf, low, -SPREAD / 2.0), (math.inf, high, SPREAD / 2.0)):
        assert terms(MIDDLE | {name: far})[place] == pytest.approx(said)
        assert likelihood(MIDDLE | {name: far}) == pytest.approx(likelihood(MIDDLE | {name: end}))


def test_a_young_view_says_that_it_knows_nothing_as_new() -> None:
    assert terms(MIDDLE | {"novel": -1.0})[-1] == 0.0
    assert terms(MIDDLE | {"novel": 0.0})[-1] == 1.0


def test_what_burns_is_told_from_what_swings() -> None:
    assert likelihood(BURNS) > SURE + 1.0 / 0.3
    assert likelihood(SWINGS) < 0.0


def test_no_look_tells_a_flame_alone_and_a_newborn_place_gains_nothing() -> None:
    assert with_look(0.0, math.inf, newborn=False) == MOST_STEP < TOLD_SUM
    assert with_look(3.0, math.inf, newborn=True) == 3.0
    assert with_look(3.0, -math.inf, newborn=True) < 3.0
    assert with_look(0.1, -math.inf, newborn=False) == 0.0
    assert NEWBORN_S > 0.0


def test_the_fitted_net_is_small_and_weighs_these_terms() -> None:
    table = resources.files("stillair.fire").joinpath("flame.csv")
    rows = np.loadtxt(table.read_text().splitlines(), delimiter=",")
    assert len(rows) == len(TERMS) + 1 + 2
    assert np.isfinite(rows).all()
    assert len(table.read_bytes()) < 50_000
