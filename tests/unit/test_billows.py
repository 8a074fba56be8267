"""What moves softly and upwards, and what moves as a thing does."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from stillair.fire.billows import WIDEST_PX, Billows, billows, left_of, width_px
from stillair.fire.grid import SIZE, Floats, shares, smoothed

SEEN = np.ones((SIZE[1], SIZE[0]), np.bool_)
DOWN, ACROSS = np.mgrid[0 : SIZE[1], 0 : SIZE[0]].astype(np.float32)
WALL = (120.0 + 20.0 * np.sin(ACROSS / 3.0)).astype(np.float32)
NOISE = 1.0


def seen_over(shown: Callable[[int], Floats]) -> Billows:
    """Of 32 samples with a camera's noise, of which the last eight are looked at in detail."""
    rng = np.random.default_rng(5)
    samples: list[Floats] = [
        np.asarray(shown(n) + rng.normal(0.0, NOISE, WALL.shape), np.float32) for n in range(32)
    ]
    cells = [shares(each).astype(np.float32) for each in samples]
    level = smoothed(WALL, 2.0)
    return billows([smoothed(each, 2.0) for each in samples[-8:]], cells, level, SEEN, NOISE)


def puffs(n: int, upwards: bool) -> Floats:
    """Soft puffs, half a cell wide and one after the other, that hide and move."""
    way = 8.0 * n if upwards else -8.0 * n
    hides = 0.4 * (1.0 + np.sin((DOWN + way) / 12.0)) / 2.0
    hides = hides * np.exp(-(((ACROSS - 80.0) / 18.0) ** 2))
    return np.asarray(WALL + hides * (60.0 - WALL), np.float32)


def cable(n: int) -> Floats:
    x = 80.0 + 30.0 * math.sin(n / 3.0)
    return np.where(np.abs(ACROSS - x) < 1.5, np.float32(20.0), WALL)


def test_puffs_are_soft_and_rise() -> None:
    seen = seen_over(lambda n: puffs(n, upwards=True))
    column = (slice(2, 10), slice(7, 9))
    assert seen.soft[column].mean() > 0.7
    assert seen.rises[column].sum() - seen.falls[column].sum() > 0.1 * seen.power[column].sum()


def test_what_sinks_does_not_rise() -> None:
    seen = seen_over(lambda n: puffs(n, upwards=False))
    assert seen.falls.sum() - seen.rises.sum() > 0.1 * seen.power.sum()


def test_a_cable_that_swings_is_narrow() -> None:
    seen = seen_over(cable)
    assert seen.moving.any()
    assert seen.soft.mean() < 0.2 * seen.moving.mean()


def test_a_still_wall_and_its_noise_do_not_move() -> None:
    assert not seen_over(lambda _: WALL).moving.any()


@pytest.mark.parametrize("period_px", [7.0, 23.0, 80.0])
def test_the_bands_of_a_lamp_do_not_move(period_px: float) -> None:
    seen = seen_over(
        lambda n: np.asarray(WALL * (1.0 + 0.1 * np.sin(DOWN / period_px + 2.1 * n)), np.float32)
    )
    assert seen.moving.mean() < 0.05


def test_two_pictures_differ_by_what_light_does_not_explain() -> None:
    def of(picture: NDArray[np.float32], brighter: float = 0.0) -> tuple[float, float]:
        squares, sloping = left_of(picture, WALL, brighter, SEEN, 0.0)
        return float(squares.mean()), width_px(float(squares.mean()), float(sloping.mean()))

    black = np.float32(6.0)
    assert of((WALL - black) * np.float32(1.2) + black, math.log(1.2))[0] < 1e-6
    hidden, wide_px = of(puffs(0, upwards=True))
    assert hidden > 1e-4
    assert of(cable(0))[1] < 3.0 < wide_px <= WIDEST_PX
