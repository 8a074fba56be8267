"""Flame and smoke of the drawn picture behave as real ones do, as far as a camera can tell."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from stillair.simulation import flames
from stillair.simulation.exposure import toned, untoned
from stillair.simulation.look import Look
from stillair.simulation.plume import HIGH, WIDE, Plume, Source, hidden
from stillair.simulation.scene import Scene
from stillair.simulation.view import Flame, Optics, SceneState, Smoke

SIZE = (320, 240)
STILL = SceneState(10.0, height_mm=30.0, pieces=3)


@pytest.fixture(scope="module")
def plume() -> Plume:
    return Plume(4, Source())


# --- flame ---------------------------------------------------------------------


@pytest.mark.parametrize("diameter_m", [0.02, 0.05, 0.08])
def test_a_flame_puffs_after_the_law(diameter_m: float) -> None:
    """The strongest beat of its light lies within a fifth of 1.5 / sqrt(D)."""
    flame = Flame(0.5, 0.8, 0.1, diameter_m)
    rate_per_s, count = 60.0, 1200
    course = np.array(
        [flames.sprite(flame, 3, n / rate_per_s, 32.0)[1] for n in range(count)], float
    )
    power = np.abs(np.fft.rfft((course - course.mean()) * np.hanning(count))) ** 2
    power = np.convolve(power, np.ones(9) / 9.0, mode="same")  # 0.45 per second wide
    beats_per_s = np.fft.rfftfreq(count, 1.0 / rate_per_s)
    usual = beats_per_s > 0.4 * 1.5 / math.sqrt(diameter_m)  # below that it wanders
    strongest = float(beats_per_s[usual][int(np.argmax(power[usual]))])
    assert strongest == pytest.approx(1.5 / math.sqrt(diameter_m), rel=0.2)


def test_a_flame_is_torn_anew_in_every_picture() -> None:
    """Its outline is no sinusoid's: pictures a whole beat apart differ as much as any."""
    flame = Flame(0.5, 0.8, 0.1, 0.08)
    beat_s = 1.0 / flames.puffs_per_s(flame.diameter_m)
    pictures = [flames.sprite(flame, 3, 5.0 + n * beat_s, 32.0)[0] > 0.5 for n in range(12)]
    changed = [float((a ^ b).sum() / (a | b).sum()) for a, b in pairwise(pictures)]
    assert min(changed) > 0.15


def test_a_flame_is_white_hot_inside_orange_outside_and_lights_the_wall() -> None:
    scene = Scene(2, Look(), SIZE)
    calm = scene.light(STILL)
    lit = scene.light(replace(STILL, flames=(Flame(0.5, 0.75, 0.1, 0.05),)))
    box = lit[60:180, 140:180]
    hot = box.min(axis=2) > 1.0
    rim = (box[:, :, 2] > 0.8) & (box[:, :, 0] < 0.4 * box[:, :, 2])
    assert hot.sum() > 100
    assert rim.sum() > 50
    gained = (lit - calm)[20:60, 60:120]  # wall, away from the flame itself
    assert gained[:, :, 2].mean() > 2.0 * gained[:, :, 0].mean() > 0.0


def test_what_stands_before_a_flame_hides_its_foot() -> None:
    scene = Scene(2, Look(), SIZE)
    flame = Flame(0.5, 0.75, 0.1, 0.05)

    def gained(fire: Flame) -> float:
        return float(scene.light(replace(STILL, flames=(fire,)))[150:182, 140:180].max())

    assert gained(flame) > 2.0
    assert gained(replace(flame, behind=0.6)) < 2.0


# --- smoke ----------------------------------------------------------------------


def test_the_plume_rises(plume: Plume) -> None:
    """From picture to picture the column's own pattern has moved up, and by some 0.45 a second."""
    step_s, at = 1.0 / 12.0, slice(int(0.30 * HIGH), int(0.62 * HIGH))
    rises = []
    for n in range(60):
        before, after = (plume.column(2.0 + n * 0.4 + k * step_s)[at] for k in (0, 1))
        match = [
            float((after[: len(after) - up] * before[up:]).mean()) if up >= 0
            else float((after[-up:] * before[:up]).mean())
            for up in range(-8, 9)
        ]  # fmt: skip
        rises.append(int(np.argmax(match)) - 8)
    per_s = float(np.mean(rises)) / HIGH / step_s
    assert 0.15 < per_s < 1.2


def test_the_plume_is_turbulent_and_stands_over_its_source(plume: Plume) -> None:
    columns = np.stack([plume.column(n * 0.5) for n in range(60)])
    mean = columns.mean(axis=0)
    assert mean[int(0.5 * HIGH)].argmax() == pytest.approx(0.55 * WIDE, abs=0.08 * WIDE)
    assert columns.std(axis=0)[int(0.3 * HIGH)].max() > 0.3 * mean[int(0.3 * HIGH)].max()


def test_played_over_and_over_the_plume_never_jumps(plume: Plume) -> None:
    steps = [
        float(np.abs(plume.column(t_s) - plume.column(t_s + 1 / 12)).mean())
        for t_s in np.arange(20.0, 44.0, 1 / 12)
    ]
    assert max(steps) < 2.5 * float(np.median(steps))


@pytest.mark.parametrize("depth", [0.08, 0.16, 0.9])
def test_a_veil_is_a_share_of_the_picture_and_a_light_of_its_own(depth: float) -> None:
    """I = a R + c with the labelled a, for haze over all the picture."""
    scene = Scene(2, Look(), SIZE)
    clear = scene.light(STILL)
    state = replace(STILL, smoke=Smoke(haze=depth))
    veiled = scene.light(state)
    truth = 1.0 - float(hidden(scene.smoke_depth(state)).mean())
    for rows, columns in ((slice(60, 100), slice(100, 160)), (slice(150, 200), slice(120, 200))):
        before, after = clear[rows, columns, 1].ravel(), veiled[rows, columns, 1].ravel()
        a, c = np.polyfit(before, after, 1)
        assert a == pytest.approx(truth, rel=0.1)
        assert c > 0.0
        assert np.corrcoef(before, after)[0, 1] > 0.98


def test_a_thin_veil_hides_what_it_is_labelled_with(plume: Plume) -> None:
    thin = plume.depth(Smoke(layer=-math.log(0.85), layer_to=0.5), 3.0)
    above, below = hidden(thin)[: int(0.35 * HIGH)], hidden(thin)[int(0.65 * HIGH) :]
    assert float(above.mean()) == pytest.approx(0.15, abs=0.03)
    assert float(below.max()) < 0.02


# --- camera ----------------------------------------------------------------------


def test_noise_is_fresh_in_every_picture() -> None:
    scene = Scene(2, Look(bands=0.0, flicker=0.0), SIZE)
    pictures = [scene.draw(replace(STILL, t_s=n / 15.0)).astype(float) for n in range(8)]
    mean = np.mean(pictures, axis=0)
    rest = [(picture - mean).ravel() for picture in pictures]
    assert min(r.std() for r in rest) > 0.5
    for a in range(8):
        for b in range(a):  # what the mean takes from each leaves them with -1/7 of each other
            assert abs(np.corrcoef(rest[a], rest[b])[0, 1] + 1.0 / 7.0) < 0.05


def test_bright_places_have_more_noise_before_the_tone_curve() -> None:
    scene = Scene(2, Look(bands=0.0, flicker=0.0), SIZE)
    lights = np.stack([untoned(scene.draw(replace(STILL, t_s=n / 15.0))) for n in range(30)])
    spread, mean = lights.std(axis=0).ravel(), lights.mean(axis=0).ravel()
    dark, bright = mean < 0.05, (mean > 0.3) & (mean < 0.7)
    assert spread[bright].mean() > 1.7 * spread[dark].mean()


def test_tone_and_back_again() -> None:
    light = np.linspace(0.0, 1.0, 256, dtype=np.float32).reshape(16, 16, 1).repeat(3, axis=2)
    assert np.abs(untoned(toned(light)) - light).max() < 0.005


@pytest.mark.parametrize("seed", range(6))
def test_any_place_by_lot_is_drawn_the_same_again(seed: int) -> None:
    state = replace(
        STILL, parked=False, working=True, built_s=50.0, optics=Optics(jpeg=70, blur_px=0.5),
        flames=(Flame(0.01, 1.0, 0.15, 0.05),), smoke=Smoke(plume=0.5, layer=0.2, layer_to=0.4),
    )  # fmt: skip
    first, second = (Scene(seed, Look.by_lot(seed), SIZE).draw(state) for _ in range(2))
    assert first.shape == (240, 320, 3)
    assert first.tobytes() == second.tobytes()
    assert first.tobytes() != Scene(seed + 1, Look.by_lot(seed + 1), SIZE).draw(state).tobytes()
