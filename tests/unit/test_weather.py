"""The weather of a job's layers: what the air did, against the job's own undisturbed layers."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from stillair.jobs.stretches import stretches
from stillair.jobs.toolpath.grid import Outlines
from stillair.jobs.toolpath.layers import Layers
from stillair.jobs.weather import (
    COLD,
    HOT,
    NONE,
    NOT_FIRM,
    Air,
    Weather,
    air_of,
    sides_per_mm,
    waits_s,
    weather,
)
from stillair.model.materials import MATERIALS

COUNT = 150
ASA = MATERIALS["asa"]


def layers(time_s: Any = 40.0, **other: Any) -> Layers:
    """A block of 30 mm in ASA, 0.2 mm layers of 40 s; `time_s` may be a column."""
    times_s = np.broadcast_to(np.asarray(time_s, dtype=np.float64), COUNT)
    ends_s = np.cumsum(times_s)
    made = Layers(
        height_mm=np.arange(1.0, COUNT + 1.0) * 0.2,
        thickness_mm=np.full(COUNT, 0.2),
        start_s=ends_s - times_s,
        end_s=ends_s,
        length_mm=np.full(COUNT, 2000.0),
        width_mm=np.full(COUNT, 0.45),
        fan_share=np.full(COUNT, 0.2),
        least_time_s=times_s * 0.5,
        nozzle_c=np.full(COUNT, 250.0),
        longest_run_mm=np.full(COUNT, 30.0),
        piece=np.zeros(COUNT, dtype=np.int32),
    )
    return replace(made, **other)


def steady(at_c: float = 55.0) -> Air:
    return Air(np.full(COUNT, at_c), np.full(COUNT, at_c))


def gust(begin: int = 80, end: int = 90, to_c: float = 32.0) -> Air:
    mean_c = np.full(COUNT, 55.0)
    mean_c[begin:end] = to_c
    return Air(mean_c, mean_c - 1.0)


def marked(found: Weather, mark: int) -> list[int]:
    return np.flatnonzero(found.mark == mark).tolist()


def test_a_job_in_steady_air_has_no_marks() -> None:
    found = weather(layers(), ASA, steady())
    assert not found.mark.any()
    assert np.abs(found.off_k[20:]).max() < 2.0
    assert (found.below_range_c[0] <= found.below_c).all()
    assert (found.below_c <= found.below_range_c[1]).all()
    assert found.band_k == 5.0


def test_a_gust_shows_at_its_layers_and_is_laid_to_the_air() -> None:
    job = layers()
    found = weather(job, ASA, gust(), disturbed=[(80 * 40.0, 90 * 40.0)])
    cold = marked(found, COLD)
    assert set(range(82, 91)) <= set(cold) <= set(range(80, 94))
    assert not found.is_undisturbed[80:105].any()
    assert found.is_undisturbed[20:79].all()
    (told,) = stretches(job, found)
    assert (told.side, told.is_sure) == ("cold", True)
    assert 16.0 <= told.from_mm <= 16.8
    assert told.by_range_k[0] <= told.by_k <= told.by_range_k[1]
    assert told.text.startswith("Colder than its own undisturbed layers by ")
    assert told.because == (
        f"the chamber's air made {-found.air_k[told.at]:.0f} degrees of it: it was 23 degrees"
        " colder than usual",
    )


def test_an_announced_pause_shows_and_is_laid_to_the_time() -> None:
    times_s = np.full(COUNT, 40.0)
    times_s[60] = 1800.0
    job = layers(times_s)
    found = weather(job, ASA, steady())
    (told,) = stretches(job, found)
    assert (told.first, told.at, told.side) == (61, 61, "cold")
    assert told.last < 75  # what had cooled is warm again some layers on
    assert told.because == ("the layer below lay open for 30 min, usually 40 s",)


def test_small_layers_that_are_not_firm_are_told() -> None:
    times_s = np.full(COUNT, 40.0)
    times_s[100:] = 3.0
    job = layers(times_s)
    found = weather(job, ASA, steady())
    assert set(range(110, COUNT)) <= set(marked(found, NOT_FIRM))
    assert not set(marked(found, NOT_FIRM)) & set(range(99))
    last = stretches(job, found)[-1]
    assert last.side == "not_firm"
    assert last.text.startswith("The layer below was still at ")
    assert "it is firm below 100" in last.text
    assert last.because == ("it came after 3 s, usually 40 s",)


def test_shorter_layers_that_are_firm_are_warmer_and_no_more() -> None:
    times_s = np.full(COUNT, 120.0)
    times_s[100:] = 60.0
    found = weather(layers(times_s), ASA, steady(45.0))
    assert marked(found, HOT)
    assert not marked(found, NOT_FIRM)


def test_what_hangs_on_unknown_figures_is_not_sure() -> None:
    """Somewhere between clearly firm and clearly soft the two ends disagree."""
    doubted = 0
    for time_s in (8.0, 12.0, 16.0, 20.0, 25.0):
        found = weather(layers(time_s), ASA, steady())
        soft = found.mark == NOT_FIRM
        doubted += int((soft & ~found.is_sure).sum())
        sure = soft & found.is_sure
        assert (found.below_range_c[0, sure] > ASA.firm_c - 15.0).all()
    assert doubted > 0


def test_the_warmth_of_the_bed_is_nobodys_disturbance() -> None:
    found = weather(layers(), ASA, steady(), bed_c=110.0)
    assert found.below_c[3] > found.below_c[-1] + 10.0
    assert found.mark.tolist() == [NONE] * COUNT


def test_near_the_bed_its_limits_are_wider_by_a_part_of_what_it_gives() -> None:
    given = weather(layers(), ASA, steady(), bed_c=110.0)
    none = weather(layers(), ASA, steady(), bed_c=ASA.floor_c + 15.0)
    wide_k = np.diff(given.limits_c, axis=0)[0] - 2.0 * given.band_k
    of_bed_k = given.limits_c.mean(axis=0) - given.limits_c[:, -1].mean()
    assert wide_k[3] == pytest.approx(0.5 * of_bed_k[3], rel=0.05)
    assert wide_k[3] > 5.0 > 0.5 > wide_k[-1]
    np.testing.assert_allclose(np.diff(none.limits_c[:, 2:], axis=0), 2.0 * none.band_k)


def test_layers_that_vary_among_themselves_are_few_marks_and_a_gust_is_one_still() -> None:
    """Three robust spreads: of a normal lot some three in a thousand are beyond them."""
    times_s = 40.0 * np.exp(np.random.default_rng(3).normal(0.0, 0.25, COUNT))
    calm = weather(layers(times_s), ASA, steady())
    assert calm.band_k > 6.0
    assert (calm.mark != NONE).sum() <= 3
    assert len(marked(weather(layers(times_s), ASA, gust()), COLD)) >= 5


@pytest.mark.parametrize(
    ("measured", "comparable"),
    [
        pytest.param(slice(0, COUNT), True, id="all"),
        pytest.param(slice(50, COUNT), True, id="from a third on"),
        pytest.param(slice(0, 5), False, id="too few to compare with"),
    ],
)
def test_layers_that_nobody_measured_are_neither_compared_nor_marked(
    measured: slice, comparable: bool
) -> None:
    known = np.zeros(COUNT, dtype=bool)
    known[measured] = True
    air = Air(np.where(known, 55.0, np.nan), np.where(known, 54.0, np.nan))
    found = weather(layers(), ASA, air)
    assert np.isfinite(found.below_c).all()
    assert np.isnan(found.off_k[~known]).all()
    assert np.isfinite(found.off_k[2:][known[2:]]).all() == comparable
    assert not found.mark[~known].any()


def test_without_any_reading_nothing_is_said() -> None:
    with pytest.raises(ValueError, match="nobody measured"):
        weather(layers(), ASA, steady(float("nan")))


def test_pieces_one_after_the_other_are_alike() -> None:
    half = COUNT // 2
    piece = (np.arange(COUNT) >= half).astype(np.int32)
    job = layers(height_mm=np.tile(np.arange(1, half + 1) * 0.2, 2), piece=piece)
    found = weather(job, ASA, steady())
    np.testing.assert_allclose(found.below_c[:half], found.below_c[half:])
    assert not found.mark.any()
    apart_s = waits_s(
        replace(job, start_s=job.start_s + piece * 500.0, end_s=job.end_s + 500.0 * piece)
    )
    assert apart_s[half - 1] == 40.0  # nothing is laid over a piece's last layer


# --- the air over each layer ------------------------------------------------


@pytest.mark.parametrize(
    ("time_s", "air_c", "mean_c", "lowest_c"),
    [
        pytest.param([0, 40, 80], [50, 50, 50], [50, 50], [50, 50], id="steady"),
        pytest.param([0, 80], [40, 60], [45, 55], [40, 50], id="a slope between two readings"),
        pytest.param([0, 20, 40, 80], [50, 40, 50, 50], [45, 50], [40, 50], id="a dip"),
        pytest.param([0, 20, 80], [50, np.nan, 50], [50, 50], [50, 50], id="one reading missing"),
        pytest.param([0, 38, 300], [50, 50, 50], [50, np.nan], [50, np.nan], id="then a gap"),
        pytest.param([0, 30], [50, 50], [50, np.nan], [50, np.nan], id="and then nothing"),
        pytest.param([], [], [np.nan, np.nan], [np.nan, np.nan], id="no readings"),
        pytest.param([500, 600], [1, 1], [np.nan, np.nan], [np.nan, np.nan], id="all later"),
    ],
)  # fmt: skip
def test_air_over_layers(
    time_s: list[float], air_c: list[float], mean_c: list[float], lowest_c: list[float]
) -> None:
    job = layers()
    two = replace(job, **{of: getattr(job, of)[:2] for of in Layers.__slots__})
    found = air_of(np.array(time_s, dtype=float), np.array(air_c, dtype=float), two)
    np.testing.assert_allclose(found.mean_c, mean_c)
    np.testing.assert_allclose(found.lowest_c, lowest_c)


# --- free edges --------------------------------------------------------------


def outlines(cells: np.ndarray, cell_mm: float = 1.0) -> Outlines:
    height, width = cells.shape
    return Outlines(cell_mm, 0.0, 0.0, width, height, np.packbits(cells).tobytes())


RING = np.ones((20, 20), dtype=bool)
RING[5:15, 5:15] = False
FILLED = np.ones((20, 20), dtype=bool)
FILLED[2:18, 2:6] = FILLED[2:18, 8:12] = FILLED[2:18, 14:18] = False


@pytest.mark.parametrize(
    ("cells", "length_mm", "width_mm", "per_mm"),
    [
        pytest.param(np.ones((20, 10), dtype=bool), 400.0, 0.5, 0.9 * 60 / 200, id="a full block"),
        pytest.param(RING, 800.0, 0.5, 0.9 * 120 / 400, id="a wide hole is open"),
        pytest.param(FILLED, 300.0, 0.5, 0.9 * 80 / 150, id="between filling it is shut"),
        pytest.param(np.eye(20, dtype=bool), 28.0, 0.5, 0.9 * 80 / 14, id="a thin diagonal wall"),
        pytest.param(np.ones((1, 20), dtype=bool), 2.0, 0.5, 4.0, id="no more than two sides"),
    ],
)
def test_free_edges(cells: np.ndarray, length_mm: float, width_mm: float, per_mm: float) -> None:
    job = layers()
    one = replace(job, **{of: getattr(job, of)[:1] for of in Layers.__slots__})
    one = replace(one, length_mm=np.array([length_mm]), width_mm=np.array([width_mm]))
    expected = min(per_mm, 2.0 / width_mm)
    np.testing.assert_allclose(sides_per_mm(one, outlines(cells)), [expected])
