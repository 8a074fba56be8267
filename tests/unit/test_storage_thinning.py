"""Thinned readings keep their extremes and show gaps, and nothing else as a gap."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.storage.packing import MISSING, Ints, to_units
from stillair.storage.thinning import Buckets, held_over, longest_hold_ms, rows_of


def readings(values: list[float | None], every_ms: int = 1000) -> tuple[Ints, Ints]:
    times_ms = np.arange(len(values)) * every_ms
    return times_ms, np.array([to_units(value) for value in values], np.int64)


some_values = st.lists(
    st.one_of(st.none(), st.integers(-800, 1600).map(lambda n: n / 16)), min_size=1, max_size=200
)


@given(some_values, st.integers(1, 20))
def test_lowest_and_highest_of_each_stretch_survive(values: list[float | None], count: int) -> None:
    times_ms, units = readings(values)
    width_ms = len(values) * 1000 / count
    buckets = Buckets(0, width_ms, count)
    buckets.add(times_ms, units)
    thinned = buckets.values()
    for index in range(count):
        inside = [
            value
            for at_ms, value in zip(times_ms.tolist(), values, strict=True)
            if value is not None and int(at_ms / width_ms) == index
        ]
        if inside:
            pair = thinned[2 * index : 2 * index + 2]
            assert (pair.min(), pair.max()) == (min(inside), max(inside))
            low_first = inside.index(min(inside)) <= inside.index(max(inside))
            assert pair[0] == (min(inside) if low_first else max(inside))


@given(some_values, st.integers(1, 20), st.integers(1, 199))
def test_pieces_tell_the_same_as_the_whole(
    values: list[float | None], count: int, cut: int
) -> None:
    times_ms, units = readings(values)
    whole, pieces = (Buckets(0, len(values) * 1000 / count, count) for _ in range(2))
    whole.add(times_ms, units)
    pieces.add(times_ms[:cut], units[:cut])
    pieces.add(times_ms[cut:], units[cut:])
    # Whether a silence is a gap depends on the usual interval, which short pieces tell less well.
    known = np.isfinite(whole.values()) & np.isfinite(pieces.values())
    assert np.array_equal(whole.values()[known], pieces.values()[known])


@pytest.mark.parametrize(
    ("silent_ms", "is_gap"),
    [
        pytest.param(29_000, False, id="29 s: one late reading"),
        pytest.param(31_000, True, id="31 s: the sensor was silent"),
    ],
)
def test_a_gap_is_what_a_silent_sensor_leaves(silent_ms: int, is_gap: bool) -> None:
    times_ms = np.concatenate([np.arange(10) * 1000, np.arange(10) * 1000 + 9000 + silent_ms])
    units = np.array([to_units(20.0)] * 20, np.int64)
    buckets = Buckets(0, 1000.0, 50)
    buckets.add(times_ms, units)
    between = buckets.values()[20 : 2 * (9 + silent_ms // 1000)]
    assert bool(np.isnan(between).all()) is is_gap
    assert bool(np.isnan(between).any()) is is_gap


def test_a_slow_sensor_has_no_gaps() -> None:
    times_ms, units = readings([20.0, 21.0, 22.0, 23.0], every_ms=60_000)
    assert longest_hold_ms(60_000) == 180_000
    buckets = Buckets(0, 1000.0, 181)
    buckets.add(times_ms, units)
    assert not np.isnan(buckets.values()).any()


def test_a_reading_known_to_be_missing_is_a_gap() -> None:
    times_ms, units = readings([20.0, None, None, 21.0])
    buckets = Buckets(0, 1000.0, 4)
    buckets.add(times_ms, units)
    assert [None if math.isnan(v) else v for v in buckets.values()] == [
        *(20.0, 20.0),
        *(None, None),
        *(None, None),
        *(21.0, 21.0),
    ]


def test_readings_of_one_second_share_a_row() -> None:
    top = (np.array([0, 1000, 2000]), np.array([1, 2, 3]))
    bed = (np.array([40, 1030, 2070]), np.array([7, 8, 9]))
    times_ms, table = rows_of({"top": top, "bed": bed})
    assert times_ms.tolist() == [0, 1000, 2000]
    assert table["top"].tolist() == [1, 2, 3]
    assert table["bed"].tolist() == [7, 8, 9]


def test_a_slow_sensor_holds_its_reading_between_the_rows_of_a_quick_one() -> None:
    quick = readings([1.0] * 7)
    slow = readings([20.0, 21.0, 22.0], every_ms=3000)
    times_ms, table = rows_of({"quick": quick, "slow": slow})
    assert table["slow"].tolist().count(MISSING) == 4
    values = held_over(times_ms, table["slow"], *slow)
    assert values.tolist() == [20.0, 20.0, 20.0, 21.0, 21.0, 21.0, 22.0]


@given(
    st.dictionaries(
        st.sampled_from(["top", "bottom", "bed"]),
        st.lists(st.integers(1, 3000), min_size=1, max_size=60),
        min_size=1,
    )
)
def test_no_reading_is_lost_among_rows(intervals: dict[str, list[int]]) -> None:
    columns = {name: (np.cumsum(each), np.arange(len(each))) for name, each in intervals.items()}
    times_ms, table = rows_of(columns)
    assert (np.diff(times_ms) > 0).all()
    for name, (_, units) in columns.items():
        assert [unit for unit in table[name].tolist() if unit != MISSING] == units.tolist()
