"""A job's air against others': how they are aligned, and between which ends they lay."""

from __future__ import annotations

import pytest

from stillair.jobs.beside import Aligned, PastAir, aligned_on, beside

START = {Aligned.START: 0.0}


def past(
    number: int,
    column: list[float | None],
    *,
    steady_s: float | None = None,
    layer_s: float | None = None,
) -> PastAir:
    moments_s = dict(START)
    if steady_s is not None:
        moments_s[Aligned.STEADY] = steady_s
    if layer_s is not None:
        moments_s[Aligned.LAYER] = layer_s
    return PastAir(f"bench-{number}", {"top": column}, moments_s)


@pytest.mark.parametrize(
    ("mine", "others", "wanted"),
    [
        pytest.param({"layer", "steady"}, [{"layer"}, {"layer"}], "layer", id="all have a layer"),
        pytest.param({"steady"}, [{"layer", "steady"}], "steady", id="mine has no layer"),
        pytest.param({"layer", "steady"}, [{"steady"}, {"layer"}, {"steady"}], "steady", id="most"),
        pytest.param({"layer"}, [{"layer"}, set()], "start", id="half isn't most"),
        pytest.param(set(), [{"layer", "steady"}], "start", id="mine has nothing"),
        pytest.param({"layer"}, [], "start", id="nothing to align"),
    ],
)
def test_the_surest_moment_that_most_have(
    mine: set[str], others: list[set[str]], wanted: str
) -> None:
    def moments(names: set[str]) -> dict[Aligned, float]:
        return {Aligned(name): 60.0 for name in names} | START

    assert aligned_on(moments(mine), [moments(each) for each in others]) == wanted


@pytest.mark.parametrize(
    ("mine_s", "other_s", "low"),
    [
        pytest.param(0.0, 0.0, [1.0, 2.0, 3.0, None], id="both at once"),
        pytest.param(120.0, 0.0, [None, None, 1.0, 2.0], id="this one was later"),
        pytest.param(0.0, 120.0, [3.0, None, None, None], id="the other was later"),
        pytest.param(600.0, 0.0, [None] * 4, id="far apart"),
    ],
)
def test_one_other_job_is_moved_to_the_moment_of_this(
    mine_s: float, other_s: float, low: list[float | None]
) -> None:
    found = beside({**START, Aligned.STEADY: mine_s}, [past(1, [1, 2, 3], steady_s=other_s)], 4)
    assert found.aligned is Aligned.STEADY
    assert found.jobs == ("bench-1",)
    assert found.ends["top"] == (low, low)


def test_few_make_a_band_from_lowest_to_highest_where_enough_are_known() -> None:
    others = [past(1, [50, 51, None, 44]), past(2, [48, 52, 49]), past(3, [49, None, 47, 45])]
    found = beside(START, others, 5, least=3)
    assert not found.many
    assert found.ends["top"] == ([48.0, None, None, None, None], [50.0, None, None, None, None])
    found = beside(START, others, 5, least=2)
    assert found.ends["top"] == ([48.0, 51.0, 47.0, 44.0, None], [50.0, 52.0, 49.0, 45.0, None])


def test_of_many_the_oddest_tenth_at_either_end_is_left_out() -> None:
    others = [past(number, [40.0 + number]) for number in range(10)] + [past(10, [90.0])]
    found = beside(START, others, 1, least=3)
    assert found.many
    assert found.ends["top"] == ([41.0], [49.0])


def test_who_has_not_the_moment_is_left_out() -> None:
    others = [past(1, [50.0], layer_s=0.0), past(2, [51.0], layer_s=0.0), past(3, [20.0])]
    found = beside({**START, Aligned.LAYER: 0.0}, others, 1)
    assert found.jobs == ("bench-1", "bench-2")
    assert found.ends["top"] == ([50.0], [51.0])
