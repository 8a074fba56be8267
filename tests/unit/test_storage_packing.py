"""Packed readings come back as they went in, and damage is noticed."""

from __future__ import annotations

import base64
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.storage.packing import (
    HEAD,
    MISSING,
    UNITS_PER_K,
    VERSION,
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


def noisy(resolution_k: float, count: int, noise_k: float = 0.02) -> tuple[Ints, Ints]:
    """Readings of a drifting sensor, a second each but for 2 ms of jitter."""
    chance = np.random.default_rng(1)
    drift = 45 + 3 * np.sin(np.arange(count) / 900)
    steps = np.round((drift + chance.normal(0, noise_k, count)) / resolution_k)
    units = np.rint(steps * resolution_k * UNITS_PER_K).astype(np.int64)
    jitter_ms = np.rint(chance.normal(0, 2, count)).astype(np.int64)
    return np.arange(count) * 1000 + 1_790_000_000_000 + jitter_ms, units


def entropy_bytes(numbers: Ints) -> float:
    """Of the differences of neighbours, a reading."""
    _, counts = np.unique(np.diff(numbers), return_counts=True)
    shares = counts / counts.sum()
    return float(-(shares * np.log2(shares)).sum() / 8)


@pytest.mark.parametrize(
    ("resolution_k", "noise_k"),
    [
        pytest.param(1 / 16, 0.02, id="1-Wire, 12 bit"),
        pytest.param(1 / 128, 0.05, id="MAX31856, 1/128 K"),
        pytest.param(1 / 16, 0.06, id="MCP9600, 1/16 K"),
        pytest.param(1 / 4, 0.1, id="MAX31855, 1/4 K"),
        pytest.param(0.1, 0.05, id="tenths"),
    ],
)
def test_a_full_row_takes_no_more_than_the_entropy_of_its_differences(
    resolution_k: float, noise_k: float
) -> None:
    times_ms, units = noisy(resolution_k, 7_000, noise_k)
    least = entropy_bytes(times_ms) + entropy_bytes(units)
    assert len(pack(times_ms, units)) / 7_000 < 1.05 * least


@pytest.mark.parametrize("count", [1, 2, 255, 256, 257, 511, 513, 519, 1031, 2049, 4103, 10_800])
def test_a_row_of_any_length_comes_back(count: int) -> None:
    times_ms, units = noisy(1 / 16, count)
    units[3::97] = MISSING
    times_again_ms, units_again = unpack(pack(times_ms, units), int(times_ms[0]), count)
    assert np.array_equal(times_ms, times_again_ms)
    assert np.array_equal(units, units_again)


# What version 1 has written. Archives in the field are full of it and are never rewritten.
@pytest.mark.parametrize(
    ("payload", "times_ms", "temperatures_c"),
    [
        pytest.param(
            "eNpjbIho4WEAgoxOThDFwMgE5r54/ez5i0/3Xkg8f8nADAWVzMxMQCllBiYmsFpGhr+MbH9+gdj/gYj5BwCyLRJh",
            [0, 1000, 2003, 3001, 4000, 5000, 6010, 7000, 8000, 39000, 39999, 41000],
            [21.0, 21.0625, None, 21.125, 21.0, 20.9375, None, None, 21.25, 21.3125, 85.0, 21.25],
            id="with missing ones",
        ),
        pytest.param(
            "eNpjdPi9l5sBCHQNGUEUAyMTM4h68YKBGcxgZIRQ9gB9SQSF",
            [0, 1000, 2000],
            [19.7, 19.7078125, 20.2],
            id="corrected",
        ),
    ],
)
def test_a_payload_of_version_1_stays_readable(
    payload: str, times_ms: list[int], temperatures_c: list[float | None]
) -> None:
    found_ms, units = unpack(base64.b64decode(payload), 5_000, len(times_ms))
    assert (found_ms - 5_000).tolist() == times_ms
    assert units.tolist() == [to_units(value) for value in temperatures_c]


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


@given(st.binary(max_size=200), st.integers(0, 1000))
def test_content_that_its_checksum_vouches_for_is_looked_at_all_the_same(
    content: bytes, count: int
) -> None:
    try:
        times_ms, units = unpack(HEAD.pack(VERSION, zlib.crc32(content)) + content, 0, count)
    except ValueError:
        return
    assert len(times_ms) == len(units) == count


def test_a_column_cut_short_or_too_long_is_noticed() -> None:
    times_ms, units = noisy(1 / 16, 100)
    content = pack(times_ms, units)[HEAD.size :]
    for altered in (content[:-3], content[:40], content[:13] + b"\3" + content[14:]):
        with pytest.raises(ValueError, match="damaged"):
            unpack(HEAD.pack(VERSION, zlib.crc32(altered)) + altered, 0, 100)


@pytest.mark.parametrize("payload", [b"", b"x", b"\2", b"\0" * 50])
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
