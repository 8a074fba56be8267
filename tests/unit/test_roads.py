"""The quick thermal history of layers against a finely resolved one, and against formulas."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from road_reference import Case, Solved, solve
from stillair.jobs.roads import DEEPEST, Conditions, Stack, histories
from stillair.model.materials import MATERIALS

LAYERS = 24
WAITS_S = (3.0, 20.0, 120.0)
THICK_MM = (0.1, 0.2, 0.4)
NEAR_K = 4.0  # a joint's time is held between those above the temperature less and more this


def conditions(name: str, share: float = 0.5) -> Conditions:
    row = MATERIALS[name]
    low, high = row.heat_j_per_kgk
    return Conditions(
        density_kg_per_m3=row.density_kg_per_m3,
        conductivity_w_per_mk=row.conductivity_w_per_mk,
        heat_j_per_kgk=low + (high - low) * share,
        still_w_per_m2k=10.0 + 20.0 * share,
        fan_w_per_m2k=50.0 + 50.0 * share,
        contact_w_per_m2k=2000.0,
        bed_contact_w_per_m2k=1000.0,
    )


def cases() -> list[Case]:
    """Every material with every thickness and time; air, fan, sides and figures by a fixed lot."""
    lot = np.random.default_rng(7)
    made = []
    for name, thick_mm, wait_s in itertools.product(MATERIALS, THICK_MM, WAITS_S):
        row = MATERIALS[name]
        air_c = lot.uniform(20.0, 90.0)
        waits_s = np.clip(wait_s * np.exp(lot.normal(0.0, 0.3, LAYERS)), 3.0, 120.0)
        made.append(
            Case(
                name=f"{name} {thick_mm} mm {wait_s:g} s",
                given=conditions(name, float(lot.choice([0.0, 0.5, 1.0]))),
                thickness_mm=[thick_mm] * LAYERS,
                wait_s=waits_s.tolist(),
                soonest_s=(waits_s * lot.uniform(0.1, 0.9, LAYERS)).tolist(),
                nozzle_c=[float(lot.uniform(*row.nozzle_c))] * LAYERS,
                air_c=np.clip(air_c + lot.normal(0.0, 4.0, LAYERS), 15.0, 95.0).tolist(),
                fan_share=[float(lot.choice([0.0, 0.3, 1.0]))] * LAYERS,
                side_per_mm=[float(lot.choice([0.0, 0.1, 1 / 0.45]))] * LAYERS,
                bed_c=float(lot.uniform(*row.bed_c)),
            )
        )
    return made


CASES = cases()


def firm_c(case: Case) -> float:
    return MATERIALS[case.name.partition(" ")[0]].firm_c


@cache
def solved() -> Solved:
    above_c = np.array([[firm_c(case) + by for case in CASES] for by in (NEAR_K, -NEAR_K)])
    return solve(CASES, above_c, cells=10, followed=DEEPEST)


COLUMNS = (
    "thickness_mm",
    "wait_s",
    "soonest_s",
    "nozzle_c",
    "air_c",
    "fan_share",
    "side_per_mm",
)


def stack(case: Case, **other: Any) -> Stack:
    column = {of: np.array(getattr(case, of), dtype=np.float64) for of in COLUMNS}
    made = Stack(**column, first=np.zeros(len(case.wait_s), dtype=bool), bed_c=case.bed_c)
    return replace(made, **other)


@pytest.mark.parametrize("at", [pytest.param(n, id=case.name) for n, case in enumerate(CASES)])
def test_layers_are_as_warm_as_the_fine_solution_says(at: int) -> None:
    case, fine = CASES[at], solved()
    quick = histories(stack(case), [case.given], firm_c(case))
    np.testing.assert_allclose(quick.below_c[0, 1:], fine.below_c[:, at], atol=5.0)
    np.testing.assert_allclose(quick.soonest_c[0, 1:], fine.soonest_c[:, at], atol=5.0)
    shortest_s, longest_s = fine.joint_s[:, :, at]
    step_s = 0.03 * np.array(case.wait_s)[1:]  # of the fine solution's counting
    assert (quick.joint_s[0, 1:] >= shortest_s - step_s).all()
    assert (quick.joint_s[0, 1:] <= longest_s + step_s).all()


def test_most_are_much_nearer() -> None:
    off_k = [
        np.abs(histories(stack(case), [case.given], 100.0).below_c[0, 1:] - solved().below_c[:, at])
        for at, case in enumerate(CASES)
    ]
    assert np.percentile(off_k, 95) < 2.5


def test_the_fine_solution_is_fine_enough() -> None:
    few = CASES[::9]
    above_c = np.array([[firm_c(case) for case in few]])
    usual = solve(few, above_c, cells=10)
    finer = solve(few, above_c, cells=20, steps=300)
    np.testing.assert_allclose(usual.below_c, finer.below_c, atol=0.5)
    np.testing.assert_allclose(usual.soonest_c, finer.soonest_c, atol=1.0)


PLAIN = Case(
    name="abs",
    given=conditions("abs"),
    thickness_mm=[0.2] * 6,
    wait_s=[30.0] * 6,
    soonest_s=[10.0] * 6,
    nozzle_c=[245.0] * 6,
    air_c=[50.0] * 6,
    fan_share=[0.0] * 6,
    side_per_mm=[0.0] * 6,
    bed_c=100.0,
)


@pytest.mark.parametrize(
    ("fan", "side_per_mm", "wait_s"),
    [
        pytest.param(0.0, 0.0, 12.0, id="still air, from the top alone"),
        pytest.param(1.0, 0.0, 12.0, id="full fan"),
        pytest.param(0.5, 0.0, 40.0, id="half a fan, between the two"),
        pytest.param(0.0, 2.0, 12.0, id="from the sides as well"),
    ],
)
def test_one_road_by_itself_cools_as_one_lump(
    fan: float, side_per_mm: float, wait_s: float
) -> None:
    """The formula of the two papers: nothing below takes heat, and all of it is alike within."""
    given = replace(conditions("abs"), bed_contact_w_per_m2k=1e-6, conductivity_w_per_mk=1e3)
    two = replace(PLAIN, fan_share=[fan] * 6, wait_s=[wait_s] * 6, side_per_mm=[side_per_mm] * 6)
    found_c = histories(stack(two), [given], 100.0).below_c[0, 1]
    h = given.still_w_per_m2k + fan * (given.fan_w_per_m2k - given.still_w_per_m2k)
    per_m3 = h / 0.2e-3 + given.still_w_per_m2k * side_per_mm * 1e3
    left = np.exp(-per_m3 * wait_s / (given.density_kg_per_m3 * given.heat_j_per_kgk))
    assert found_c == pytest.approx(50.0 + (245.0 - 50.0) * left, abs=0.1)


def test_what_a_side_gives_has_to_get_through_the_plastic() -> None:
    """Air that takes all it can get, from the sides alone: the slab's own 3 k p holds it."""
    given = replace(
        conditions("abs"), bed_contact_w_per_m2k=1e-6, still_w_per_m2k=1e7, fan_w_per_m2k=1e-6
    )
    two = replace(PLAIN, fan_share=[1.0] * 6, side_per_mm=[0.2] * 6)
    found_c = histories(stack(two), [given], 100.0).below_c[0, 1]
    per_m3 = 3.0 * given.conductivity_w_per_mk * 200.0**2
    left = np.exp(-per_m3 * 30.0 / (given.density_kg_per_m3 * given.heat_j_per_kgk))
    assert found_c == pytest.approx(50.0 + (245.0 - 50.0) * left, abs=0.1)


def test_a_whole_number_of_the_bed_makes_no_whole_numbers() -> None:
    found = histories(stack(PLAIN, bed_c=100), [PLAIN.given], 105.0)
    np.testing.assert_array_equal(
        found.below_c, histories(stack(PLAIN), [PLAIN.given], 105.0).below_c
    )


@pytest.mark.parametrize(
    ("changed", "sign"),
    [
        pytest.param({"air_c": np.full(6, 60.0)}, 1, id="warmer air"),
        pytest.param({"fan_share": np.full(6, 0.5)}, -1, id="more fan"),
        pytest.param({"wait_s": np.full(6, 45.0)}, -1, id="longer layers"),
        pytest.param({"nozzle_c": np.full(6, 260.0)}, 1, id="a hotter nozzle"),
        pytest.param({"side_per_mm": np.full(6, 1.0)}, -1, id="a thin wall"),
        pytest.param({"bed_c": 110.0}, 1, id="a hotter bed"),
    ],
)
def test_what_warms_and_what_cools(changed: dict[str, Any], sign: int) -> None:
    before = histories(stack(PLAIN), [PLAIN.given], 105.0)
    after = histories(stack(PLAIN, **changed), [PLAIN.given], 105.0)
    assert (sign * (after.below_c - before.below_c)[0] > -1e-9).all()
    assert sign * (after.below_c - before.below_c)[0, -1] > 0.05  # far from the bed it shows
    if "wait_s" not in changed:  # a joint is timed for longer, too, if layers are
        assert (sign * (after.joint_s - before.joint_s)[0, 1:] >= 0.0).all()


def test_where_all_is_alike_nothing_changes() -> None:
    warm = stack(PLAIN, nozzle_c=np.full(6, 70.0), air_c=np.full(6, 70.0), bed_c=70.0)
    found = histories(warm, [PLAIN.given], 69.0)
    np.testing.assert_allclose(found.below_c, 70.0, atol=1e-6)
    np.testing.assert_allclose(found.soonest_c, 70.0, atol=1e-6)
    # The last joint only until its layer's time is over, earlier ones until the end.
    np.testing.assert_allclose(found.joint_s[0], [0, 150, 120, 90, 60, 30], rtol=1e-9)


def test_a_piece_built_after_another_begins_anew_on_the_bed() -> None:
    one = stack(PLAIN)
    twice: dict[str, Any] = {of: np.tile(getattr(one, of), 2) for of in COLUMNS}
    two = replace(one, **twice, first=np.arange(12) % 6 == 0)
    alone, both = histories(one, [PLAIN.given], 105.0), histories(two, [PLAIN.given], 105.0)
    for of in ("below_c", "soonest_c", "joint_s"):
        np.testing.assert_allclose(getattr(both, of)[0], np.tile(getattr(alone, of)[0], 2))


def test_many_layers_are_as_few_and_no_lump_is_lost() -> None:
    """Past every size of lump and more than one stretch of layers the course stays steady."""
    count = 900
    many = replace(PLAIN, **{of: getattr(PLAIN, of)[:1] * count for of in COLUMNS})
    long = stack(many, side_per_mm=np.full(count, 0.2))
    below_c = histories(long, [PLAIN.given], 105.0).below_c[0]
    assert np.abs(np.diff(below_c[200:])).max() < 0.3
    assert 50.0 < below_c[-1] < 245.0


@pytest.mark.parametrize(
    "changed",
    [
        pytest.param({"air_c": np.full(5, 50.0)}, id="a column too short"),
        pytest.param({"air_c": np.full(6, np.nan)}, id="no number"),
        pytest.param({"bed_c": float("inf")}, id="a bed without end"),
    ],
)
def test_what_is_no_stack_is_refused(changed: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="every"):
        histories(stack(PLAIN, **changed), [PLAIN.given], 105.0)


def test_impossible_layers_are_brought_to_possible_ones() -> None:
    odd = stack(
        PLAIN,
        thickness_mm=np.array([0.0, 1e9, 0.2, -1.0, 0.2, 0.2]),
        wait_s=np.array([0.0, -5.0, 1e12, 30.0, 30.0, 30.0]),
        side_per_mm=np.full(6, 1e9),
        fan_share=np.full(6, 40.0),
    )
    found = histories(odd, [PLAIN.given], 105.0)
    assert ((found.below_c > 45.0) & (found.below_c < 246.0)).all()


def test_nothing_gives_nothing() -> None:
    none = stack(PLAIN)
    empty = replace(none, **{of: getattr(none, of)[:0] for of in (*COLUMNS, "first")})
    assert histories(empty, [PLAIN.given], 105.0).below_c.shape == (1, 0)
