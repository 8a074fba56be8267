"""What the measures of a place say of a flame, together."""

from __future__ import annotations

import math
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from bench.fire_fit import of_scene
from bench.small_nets import Net, Nets
from stillair.fire.flame import MOST_STEP, STEP, SURE, TOLD_SUM, with_look
from stillair.fire.flame_terms import AVERAGED, SPREAD, TERMS, features, likelihood, terms
from stillair.fire.net import fitted_net

NAMES = [name for name, *_ in TERMS]
MIDDLE = {name: (low + high) / 2.0 for name, low, high in TERMS} | {"novel": 0.5}
# As such places mostly are, as far as the first nine measures go.
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
    assert likelihood(BURNS) > SURE + MOST_STEP / STEP
    assert likelihood(SWINGS) < 0.0


def test_no_look_tells_a_flame_alone_and_a_newborn_place_gains_nothing() -> None:
    assert with_look(0.0, math.inf, newborn=False) == MOST_STEP < TOLD_SUM
    assert with_look(3.0, math.inf, newborn=True) == 3.0
    assert with_look(3.0, -math.inf, newborn=True) < 3.0
    assert with_look(0.1, -math.inf, newborn=False) == 0.0


@pytest.mark.parametrize("name", ["flame.csv", "smoke.csv"])
def test_the_fitted_nets_are_small(name: str) -> None:
    assert len(resources.files("stillair.fire").joinpath(name).read_bytes()) < 100_000


def test_a_table_that_is_not_whole_is_refused() -> None:
    with pytest.raises(ValueError, match=r"flame\.csv"):
        fitted_net("flame.csv", len(TERMS))


def test_nets_are_read_as_they_were_fitted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    nets = Nets((Net(5, 4, 1e-4, rng), Net(5, 4, 1e-4, rng)))
    nets.write(tmp_path / "some.csv")
    monkeypatch.setattr(resources, "files", lambda _: tmp_path)
    given = rng.normal(size=(7, 5))
    assert fitted_net("some.csv", 5)(given) == pytest.approx(nets(given), abs=0.01)


def test_a_recording_without_a_look_is_one_too() -> None:
    assert of_scene(("building", 1030, 2.0)).terms.shape == (0, len(TERMS) + 1)
