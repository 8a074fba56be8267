"""The drawn picture shows what happens, always a little different, always the same by seed."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from stillair.simulation.scene import Picture, Scene
from stillair.simulation.view import SceneState

BUILDING = SceneState(20.0, working=True, parked=False, built_s=900.0, height_mm=40.0, pieces=12)


@pytest.fixture(scope="module")
def scene() -> Scene:
    return Scene(1)


def difference(a: Picture, b: Picture) -> float:
    """Mean absolute difference in grey levels."""
    return float(np.abs(a.astype(np.int16) - b.astype(np.int16)).mean())


def light(picture: Picture) -> float:
    return float(picture.mean())


@pytest.mark.parametrize(
    "state",
    [
        pytest.param(SceneState(0.0), id="empty"),
        pytest.param(BUILDING, id="building"),
        pytest.param(replace(BUILDING, door_fraction=1.0, hand=1.0), id="door and hand"),
        pytest.param(SceneState(5.0, lamp=False), id="dark"),
        pytest.param(replace(BUILDING, flame_m=2.0, upper_smoke_per_m=1e6), id="out of measure"),
        pytest.param(replace(BUILDING, height_mm=1000.0, pieces=24), id="very tall"),
        pytest.param(replace(BUILDING, pieces=24, wide_mm=200.0), id="long pieces"),
        pytest.param(replace(BUILDING, t_s=1e9, built_s=1e9), id="years later"),
    ],
)
def test_any_state_is_a_picture(scene: Scene, state: SceneState) -> None:
    picture = scene.draw(state)
    assert picture.shape == (480, 640, 3)
    assert picture.dtype == np.uint8


def test_same_seed_and_state_same_bytes(scene: Scene) -> None:
    assert scene.draw(BUILDING).tobytes() == Scene(1).draw(BUILDING).tobytes()
    assert scene.draw(BUILDING).tobytes() != Scene(2).draw(BUILDING).tobytes()


@pytest.mark.parametrize("lamp", [True, False], ids=["lit", "dark"])
def test_picture_never_freezes(scene: Scene, lamp: bool) -> None:
    """Even with nothing moving, sensor noise makes every picture new."""
    still = SceneState(0.0, lamp=lamp)
    pictures = [scene.draw(replace(still, t_s=n * 0.1)) for n in range(30)]
    steps = [difference(a, b) for a, b in pairwise(pictures)]
    assert min(steps) > 0.5
    assert max(steps) < 4.0


def test_dark_is_dark_and_daylight_comes_in_at_the_door(scene: Scene) -> None:
    lit, dark = light(scene.draw(SceneState(1.0))), light(scene.draw(SceneState(1.0, lamp=False)))
    assert lit > 60.0
    assert dark < 10.0
    by_day = scene.draw(SceneState(1.0, lamp=False, door_fraction=1.0, daylight=1.0))
    by_night = scene.draw(SceneState(1.0, lamp=False, door_fraction=1.0, daylight=0.15))
    assert light(by_day) > light(by_night) + 20.0 > dark


def test_door_shows_a_bright_strip_at_the_right(scene: Scene) -> None:
    shut, wide = scene.draw(BUILDING), scene.draw(replace(BUILDING, door_fraction=1.0))
    assert wide[:, 600:].mean() > shut[:, 600:].mean() + 60.0


def test_head_moves_while_the_machine_works(scene: Scene) -> None:
    def moved_px(moving: bool) -> int:
        pictures = [
            scene.draw(
                replace(
                    BUILDING,
                    t_s=20.0 + n * 0.1,
                    built_s=900.0 + (n * 0.1 if moving else 0.0),
                    parked=not moving,
                )
            )[60:330, 140:500]
            for n in range(20)
        ]
        first = pictures[0].astype(np.int16)
        return max(int((np.abs(picture - first).max(axis=2) > 40).sum()) for picture in pictures)

    assert moved_px(moving=True) > 1000
    assert moved_px(moving=False) == 0


def test_part_grows_upwards(scene: Scene) -> None:
    def orange_px(height_mm: float) -> int:
        picture = scene.draw(replace(BUILDING, height_mm=height_mm, parked=True)).astype(np.int16)
        return int(((picture[:, :, 2] - picture[:, :, 0]) > 110).sum())

    counts = [orange_px(height) for height in (0.0, 10.0, 30.0, 80.0)]
    assert counts == sorted(counts)
    assert counts[0] + 3000 < counts[1] < counts[3] - 10000


def test_smoke_takes_contrast_first_under_the_lid(scene: Scene) -> None:
    clear = scene.draw(SceneState(3.0))
    smoky = scene.draw(SceneState(3.0, upper_smoke_per_m=2.0, lower_smoke_per_m=0.2))
    dense = scene.draw(SceneState(3.0, upper_smoke_per_m=50.0, lower_smoke_per_m=50.0))

    def contrast(picture: Picture, rows: slice) -> float:
        return float(picture[rows].astype(np.float64).std())

    above, below = slice(20, 120), slice(340, 460)
    assert contrast(smoky, above) < 0.7 * contrast(clear, above)
    assert contrast(smoky, below) > 0.6 * contrast(clear, below)
    assert contrast(dense, slice(0, 480)) < 10.0


def test_flame_is_bright_grows_and_flickers_several_times_a_second(scene: Scene) -> None:
    def flame(t_s: float, height_m: float) -> Picture:
        return scene.draw(SceneState(t_s, flame_m=height_m))

    calm = scene.draw(SceneState(3.0))
    sizes = [
        int((flame(3.0, m)[:, :, 2].astype(np.int16) - calm[:, :, 2] > 60).sum())
        for m in (0.05, 0.15, 0.4)
    ]
    assert 50 < sizes[0] < sizes[1] < sizes[2]
    # 1.5 / sqrt(0.08) = 5.3 beats a second: over 2 s the light crosses its mean some 21 times.
    course = [light(flame(3.0 + n / 60.0, 0.2)[120:390, 250:460]) for n in range(120)]
    mean = sum(course) / len(course)
    crossings = sum((a - mean) * (b - mean) < 0 for a, b in pairwise(course))
    assert 10 <= crossings <= 40


def test_world_without_a_picture_loads_no_drawing() -> None:
    code = (
        "import sys; from stillair.simulation.world import SimulatedChamber; "
        "from stillair.simulation.scenario import load; from stillair.simulation import twins; "
        "w = SimulatedChamber(load('foam_box')); w.advance(10); w.scene_state(); "
        "sys.exit('cv2' in sys.modules or 'numpy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], check=False, timeout=60)
    assert done.returncode == 0


def test_a_long_piece_is_as_long_as_it_is(scene: Scene) -> None:
    """A fin box of 180 mm covers six times as much of the bed as one bushing does."""
    bare = scene.draw(replace(BUILDING, pieces=0, parked=True))
    round_one = scene.draw(replace(BUILDING, pieces=1, parked=True))
    long_one = scene.draw(replace(BUILDING, pieces=1, wide_mm=180.0, parked=True))
    covered = [
        np.abs(one[330:370].astype(int) - bare[330:370]).max(axis=(0, 2)) > 30
        for one in (round_one, long_one)
    ]
    assert 30 <= covered[0].sum() <= 60
    assert 240 <= covered[1].sum() <= 290
