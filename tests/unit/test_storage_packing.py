"""Packed readings come back as they went in, and damage is noticed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.storage.packing import (
    MISSING,
    Ints,
    pack,
    summarize,
    to_celsius,
    to_units,
    unpack,
)

temperatures_c = st.one_of(
    st.none(),
    st.integers(-55 * 16, 125 * 16).map(lambda sixteenths: sixteenths / 16),
    st.integers(-200 * 128, 1800 * 128).map(lambda parts: parts / 128),
    st.integers(-10_000, 20_000).map(lambda hundredths: hundredths / 100),
    st.integers(-55 * 16, 125 * 16).map(lambda sixteenths: sixteenths / 16 - 0.3),
    st.floats(-1e6, 1e6, allow_nan=False).map(lambda value: round(value, 7)),
)
intervals_ms = st.one_of(st.just(1000), st.integers(0, 2000), st.integers(0, 10**12))


def as_arrays(readings: list[tuple[int, float | None]], start_ms: int) -> tuple[Ints, Ints]:
    times_ms = start_ms + np.cumsum([interval for interval, _ in readings])
    return times_ms, np.array([to_units(value) for _, value in readings], np.int64)


@given(
    st.lists(st.tuples(intervals_ms, temperatures_c), min_size=1, max_size=700),
    st.integers(-(10**14), 10**14),
)
def test_packed_readings_come_back_exactly(
    readings: list[tuple[int, float | None]], start_ms: int
) -> None:
    times_ms, units = as_arrays(readings, start_ms)
    times_again_ms, units_again = unpack(pack(times_ms, units), int(times_ms[0]), len(times_ms))
    assert np.array_equal(times_ms, times_again_ms)
    assert np.array_equal(units, units_again)


@given(temperatures_c)
def test_a_temperature_survives_as_the_same_number(temperature_c: float | None) -> None:
    (again,) = to_celsius(np.array([to_units(temperature_c)], np.int64))
    if temperature_c is None:
        assert np.isnan(again)
    else:
        # 21.0625 - 0.3 is 20.762499999999999 in floating point; what is kept is 20.7625.
        assert abs(again - temperature_c) < 1e-9
        assert again == round(temperature_c, 7)


@pytest.mark.parametrize(
    ("resolution_k", "most_bytes"),
    [
        pytest.param(1 / 16, 1.2, id="1-Wire, 12 bit"),
        pytest.param(1 / 128, 1.7, id="thermocouple, 1/128 K"),
        pytest.param(0.25, 0.7, id="thermocouple, 1/4 K"),
        pytest.param(0.1, 1.1, id="tenths"),
    ],
)
def test_a_reading_takes_about_a_byte(resolution_k: float, most_bytes: float) -> None:
    noise = np.random.default_rng(1).normal(0, 0.02, 600)
    drift = 45 + 3 * np.sin(np.arange(600) / 90)
    steps = np.round((drift + noise) / resolution_k) * resolution_k
    units = np.array([to_units(float(value)) for value in steps], np.int64)
    times_ms = np.arange(600) * 1000 + 1_790_000_000_000
    assert len(pack(times_ms, units)) / 600 < most_bytes


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), 1e7, None])
def test_what_is_no_temperature_is_kept_as_missing(value: float | None) -> None:
    assert to_units(value) == MISSING


@given(st.data())
def test_a_damaged_payload_is_noticed_or_harmless(data: st.DataObject) -> None:
    times_ms = np.arange(100) * 1000
    units = np.arange(100) * 625_000
    payload = bytearray(pack(times_ms, units))
    place = data.draw(st.integers(0, len(payload) - 1))
    payload[place] ^= data.draw(st.integers(1, 255))
    try:
        times_again_ms, units_again = unpack(bytes(payload), 0, 100)
    except ValueError:
        return
    assert np.array_equal(times_again_ms, times_ms)
    assert np.array_equal(units_again, units)


@pytest.mark.parametrize("payload", [b"", b"x", b"\0" * 50])
def test_rubbish_is_no_payload(payload: bytes) -> None:
    with pytest.raises(ValueError, match="damaged"):
        unpack(payload, 0, 10)


def test_a_wrong_number_of_readings_is_noticed() -> None:
    payload = pack(np.arange(10) * 1000, np.arange(10))
    with pytest.raises(ValueError, match="damaged"):
        unpack(payload, 0, 11)


def test_a_summary_leaves_missing_readings_out() -> None:
    units = np.array([to_units(v) for v in (20.0, None, 24.5, 18.5)], np.int64)
    summary = summarize(units)
    assert (summary.low_c, summary.high_c, summary.mean_c) == (18.5, 24.5, 21.0)


def test_a_summary_of_nothing_but_missing_readings_is_empty() -> None:
    summary = summarize(np.full(5, MISSING, np.int64))
    assert (summary.low_c, summary.high_c, summary.mean_c) == (None, None, None)
