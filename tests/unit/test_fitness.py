"""What is said of a view: its faults, the smallest flame, the thinnest smoke."""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from stillair.fire import flame
from stillair.fire.edges import SOFT, TOLD_AFTER_S
from stillair.fire.fitness import (
    LOOK_S,
    MEASURED,
    SPOTS_PER_SQUARE,
    TOLD_PLACES,
    Fault,
    Fitness,
    ViewTest,
    smallest_flame,
    thinnest_smoke,
)
from stillair.fire.grid import reached
from stillair.fire.vision import Vision
from stillair.model import CameraCondition
from stillair.simulation.scene import Scene
from stillair.simulation.view import Optics, SceneState
from unit.fire_pictures import HEIGHT, WIDTH, Paint, film, wall

C = CameraCondition
TESTS = str(Path(__file__).parents[1])


def looked_through(paint: Paint, *, per_s: float = 12.0, seconds: float = LOOK_S + 0.2) -> Fitness:
    test = ViewTest()
    for t_s, picture in film(paint, seconds, per_s=per_s):
        test.update(t_s, picture)
    return test.result()


def as_it_is(picture: NDArray[np.float32], t_s: float) -> None:
    pass


def dark(picture: NDArray[np.float32], t_s: float) -> None:
    picture *= 0.04


def white(picture: NDArray[np.float32], t_s: float) -> None:
    picture += 150.0


def mirrored_lamp(picture: NDArray[np.float32], t_s: float) -> None:
    picture[40:160, 60:240] += 250.0


def blurred(picture: NDArray[np.float32], t_s: float) -> NDArray[np.float32]:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), 4.0), np.float32)


def covered(picture: NDArray[np.float32], t_s: float) -> None:
    picture[:] = 60.0


def flickering(picture: NDArray[np.float32], t_s: float) -> None:
    picture *= 1.0 + 0.35 * math.sin(math.tau * 3.0 * t_s)


def noisy(picture: NDArray[np.float32], t_s: float) -> None:
    """Faint structure in little light, and what the camera amplifies with it."""
    random = np.random.default_rng(round(t_s * 1000.0))
    picture[:] = 60.0 + 0.5 * (picture - 130.0)
    picture += random.normal(0.0, 25.0, picture.shape).astype(np.float32)


def very_noisy(picture: NDArray[np.float32], t_s: float) -> None:
    """So noisy that the watch sees nothing in it and takes the lens for covered."""
    picture[:] = 80.0 + 0.6 * (picture - 80.0)
    noisy(picture, t_s)


def shaded(x: float, y: float, spread: float) -> NDArray[np.float32]:
    """Light that is brightest at a place, in shares of the picture, and falls off from there."""
    down, across = np.mgrid[0:HEIGHT, 0:WIDTH] / np.array([HEIGHT, WIDTH]).reshape(2, 1, 1)
    return np.asarray(np.exp(-((across - x) ** 2 + (down - y) ** 2) / spread), np.float32)


def by_a_hand(picture: NDArray[np.float32], t_s: float) -> None:
    """Red light through flesh, brighter at one side."""
    light = (40.0 + 60.0 * shaded(0.9, 0.2, 0.3))[:, :, None]
    picture[:] = light * np.array((0.5, 0.6, 1.0), np.float32)


def by_fingers(picture: NDArray[np.float32], t_s: float) -> None:
    """Light between fingers, as unsharp as what touches the lens is."""
    x = np.arange(WIDTH) / WIDTH
    gaps = ((abs(x - 0.45) < 0.06) | (abs(x - 0.8) < 0.04)).astype(np.float32)
    shown = cv2.GaussianBlur(np.tile(gaps, (HEIGHT, 1)), (0, 0), 25.0)
    picture[:] = (60.0 + 80.0 * shown)[:, :, None]


def by_tape(picture: NDArray[np.float32], t_s: float) -> None:
    """Little light, which the camera amplifies."""
    random = np.random.default_rng(round(t_s * 1000.0))
    picture[:] = 70.0 + random.normal(0.0, 20.0, picture.shape).astype(np.float32)


def in_a_plain_box(blur_px: float = 0.0, *, label: bool = False, shrunk: int = 1) -> Paint:
    """Walls of one paint, a dark bed, a pool of light and a soft shadow, seen out of focus."""
    down, across = np.mgrid[0:HEIGHT, 0:WIDTH]
    walls = np.full((HEIGHT, WIDTH), 150.0, np.float32)
    walls[across < 60] -= 25.0
    walls[across > 260] -= 35.0
    walls[down > 170] -= 15.0
    walls[(down > 170) & (down < 220) & (across > 90) & (across < 230)] = 60.0
    shadow = ((abs(across - 200) < 30) & (down > 60) & (down < 200)).astype(np.float32)
    light = 0.6 + 0.6 * shaded(0.4, 0.17, 0.23)
    walls *= light * (1.0 - 0.5 * np.asarray(cv2.GaussianBlur(shadow, (0, 0), 14.0)))
    size = WIDTH * shrunk, HEIGHT * shrunk
    box = np.asarray(cv2.resize(walls, size, interpolation=cv2.INTER_NEAREST), np.float32)
    if blur_px:
        box = np.asarray(cv2.GaussianBlur(box, (0, 0), blur_px), np.float32)
    box = np.asarray(cv2.resize(box, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA), np.float32)

    def paint(picture: NDArray[np.float32], t_s: float) -> None:
        picture[:] = box[:, :, None]
        if label:
            strip = np.zeros((20, WIDTH), np.uint8)
            at = f"NORTH BENCH 12:00:{t_s:05.2f}"
            cv2.putText(strip, at, (4, 14), cv2.FONT_HERSHEY_PLAIN, 1.0, 255, 1)
            picture[:20][strip > 0] = 255.0

    return paint


def bare(picture: NDArray[np.float32], t_s: float) -> None:
    """A wall without a grain, but for a shelf in one corner."""
    picture[:, 100:] = 150.0


@pytest.mark.parametrize(
    ("paint", "per_s", "faults", "condition"),
    [
        pytest.param(as_it_is, 12.0, (), C.FIT, id="fit"),
        pytest.param(dark, 12.0, (Fault.DARK,), C.DARK, id="dark"),
        pytest.param(white, 12.0, (Fault.WHITE,), C.WASHED_OUT, id="washed out"),
        pytest.param(mirrored_lamp, 12.0, (Fault.GLARE,), C.FIT, id="a lamp's mirror image"),
        pytest.param(blurred, 12.0, (Fault.BLUR,), C.OUT_OF_FOCUS, id="blurred"),
        pytest.param(covered, 12.0, (Fault.COVERED,), C.COVERED, id="covered"),
        pytest.param(flickering, 12.0, (Fault.FLICKER,), C.FLICKERING, id="flickering"),
        pytest.param(by_a_hand, 12.0, (Fault.COVERED,), C.COVERED, id="covered by a hand"),
        pytest.param(by_fingers, 12.0, (Fault.COVERED,), C.COVERED, id="covered by fingers"),
        pytest.param(by_tape, 12.0, (Fault.COVERED,), C.COVERED, id="covered by tape, noisy"),
        pytest.param(noisy, 12.0, (Fault.NOISE,), C.COVERED, id="noisy"),
        pytest.param(very_noisy, 12.0, (Fault.NOISE,), C.COVERED, id="nothing but noise"),
        pytest.param(bare, 12.0, (Fault.BARE,), C.FIT, id="a bare wall"),
        pytest.param(as_it_is, 5.0, (Fault.SLOW,), C.FIT, id="rather slow"),
        pytest.param(as_it_is, 1.0, (Fault.SLOW,), C.SLOW, id="slow"),
    ],
)
def test_each_fault_of_a_view_is_told(
    paint: Paint, per_s: float, faults: tuple[Fault, ...], condition: CameraCondition
) -> None:
    found = looked_through(paint, per_s=per_s)
    assert (found.condition, found.faults) == (condition, faults)
    blind = condition not in (C.FIT, C.SLOW)
    assert (found.flame_width is None) == (blind or per_s < 1.25)
    assert (found.smoke_hidden is None) == blind


def simulated(seed: int, blur_px: float = 0.0, size: tuple[int, int] = (WIDTH, HEIGHT)) -> Fitness:
    test, drawing = ViewTest(), Scene(seed, size=size)
    for number in range(round((LOOK_S + 0.2) * 8.0)):
        state = SceneState(number / 8.0, optics=Optics(blur_px=blur_px))
        test.update(number / 8.0, drawing.draw(state))
    return test.result()


@pytest.mark.parametrize("label", [False, True], ids=["", "time written in"])
@pytest.mark.parametrize(
    ("blur_px", "shrunk", "sharp"),
    [
        pytest.param(0.0, 1, True, id="sharp"),
        pytest.param(4.0, 1, False, id="4 px of 320"),
        pytest.param(9.0, 1, False, id="9 px of 320"),
        pytest.param(12.0, 1, False, id="12 px of 320"),
        pytest.param(9.0, 2, False, id="9 px of 640"),
        pytest.param(12.0, 2, False, id="12 px of 640"),
    ],
)
def test_a_plain_box_out_of_focus_from_the_start_is_told(
    blur_px: float, shrunk: int, sharp: bool, label: bool
) -> None:
    found = looked_through(in_a_plain_box(blur_px, label=label, shrunk=shrunk))
    expected = (C.FIT, ()) if sharp else (C.OUT_OF_FOCUS, (Fault.BLUR,))
    assert (found.condition, found.faults) == expected
    assert (found.flame_width is None) == (not sharp)
    assert (found.smoke_hidden is None) == (not sharp)


@pytest.mark.parametrize("blur_px", [0.0, 4.0, 9.0])
def test_the_watch_and_who_sets_the_camera_up_say_the_same_of_a_blur(blur_px: float) -> None:
    """A blur that leaves no detail at all looks to finer measures like a plain box."""
    paint, vision = in_a_plain_box(blur_px), Vision()
    sight = [vision.update(*frame) for frame in film(paint, TOLD_AFTER_S + 5.0, per_s=4.0)][-1]
    found = looked_through(paint)
    assert sight.condition is found.condition
    assert sight.reason == found.reason
    if blur_px:
        assert sight.since_s < 5.0, "from when on it was so, not when it was told"


def test_a_blur_that_passes_is_nothing_that_the_watch_tells() -> None:
    vision, soft, sharp = Vision(), in_a_plain_box(9.0), in_a_plain_box()

    def now_and_then(picture: NDArray[np.float32], t_s: float) -> None:
        (soft if t_s % 20.0 < 5.0 else sharp)(picture, t_s)

    told = [vision.update(*frame).reason for frame in film(now_and_then, 45.0, per_s=4.0)]
    assert SOFT not in told


@pytest.mark.parametrize("seed", range(0, 8, 2))
def test_a_simulated_chamber_out_of_focus_from_the_start_is_told(seed: int) -> None:
    assert Fault.BLUR not in simulated(seed).faults
    assert simulated(seed, 9.0).faults == simulated(seed, 12.0).faults == (Fault.BLUR,)


@pytest.mark.parametrize("blur_px", [4.0, 6.0, 9.0])
def test_an_edge_is_as_wide_as_it_was_blurred(blur_px: float) -> None:
    width = looked_through(in_a_plain_box(blur_px)).edge_width
    assert width is not None
    slope_px = math.sqrt(math.tau) * blur_px  # a blurred step by its steepest slope
    assert 0.9 < width * WIDTH / slope_px < 1.4


@pytest.mark.parametrize("size", [(160, 120), (96, 72), (64, 48)], ids=str)
def test_a_small_sharp_picture_is_not_called_unsharp(size: tuple[int, int]) -> None:
    test = ViewTest()
    for t_s, picture in film(in_a_plain_box(), LOOK_S + 0.2, per_s=12.0):
        shrunk = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        test.update(t_s, np.asarray(shrunk, np.uint8))
    assert test.result().faults == (Fault.SMALL,)
    assert test.result().flame_width is not None


@pytest.mark.parametrize("size", [(63, 48), (64, 47), (320, 40), (8, 8), (1, 1)], ids=str)
def test_a_picture_too_small_to_watch_by_shows_nothing(size: tuple[int, int]) -> None:
    test = ViewTest()
    for t_s, picture in film(as_it_is, LOOK_S, per_s=12.0):
        test.update(t_s, np.asarray(cv2.resize(picture, size), np.uint8))
    found = test.result()
    assert found.faults == (Fault.SMALL,)
    assert found.condition is C.TOO_SMALL
    assert (found.flame_width, found.smoke_hidden) == (None, None)


def test_an_upright_picture_is_no_small_one() -> None:
    assert simulated(0, size=(180, 240)).faults == ()


def test_who_changes_the_size_of_its_pictures_is_judged_by_the_last() -> None:
    test = ViewTest()
    for t_s, picture in film(as_it_is, LOOK_S, per_s=12.0):
        test.update(t_s, np.asarray(cv2.resize(picture, (160, 120)), np.uint8))
    test.update(LOOK_S, wall().astype(np.uint8))
    assert test.result().size == (WIDTH, HEIGHT)


def test_a_picture_that_stands_still_is_told() -> None:
    test = ViewTest()
    picture = wall().astype(np.uint8)
    for number in range(60):
        test.update(number / 12.0, picture)
    assert test.result().faults == (Fault.FROZEN,)


def test_a_small_picture_is_told() -> None:
    test = ViewTest()
    for t_s, picture in film(as_it_is, LOOK_S, per_s=12.0):
        test.update(t_s, np.asarray(cv2.resize(picture, (160, 120)), np.uint8))
    found = test.result()
    assert found.faults == (Fault.SMALL,)
    whole = looked_through(as_it_is).flame_width
    assert found.flame_width is not None
    assert whole is not None
    assert found.flame_width == pytest.approx(2.0 * whole, rel=0.05)


def test_who_draws_the_pictures_is_no_slow_camera() -> None:
    test = ViewTest(own_pace=False)
    for t_s, picture in film(as_it_is, LOOK_S + 0.2, per_s=1.0):
        test.update(t_s, picture)
    found = test.result()
    assert (found.faults, found.condition) == ((), C.FIT)
    assert found.flame_width is not None


def test_what_is_measured_is_what_was_there() -> None:
    found = looked_through(as_it_is)
    scene = cv2.cvtColor(wall().astype(np.uint8), cv2.COLOR_BGR2GRAY)
    assert found.frames_per_s == pytest.approx(12.0, abs=0.2)
    assert found.size == (WIDTH, HEIGHT)
    assert found.brightness == pytest.approx(float(scene.mean()) / 255.0, abs=0.01)
    assert (found.black_share, found.white_share) == (0.0, 0.0)
    assert found.flicker < 0.01
    flicker = looked_through(flickering).flicker
    assert flicker == pytest.approx(0.35 / math.sqrt(2.0), rel=0.1)


def test_a_broken_off_test_says_nothing() -> None:
    with pytest.raises(ValueError, match="no picture"):
        ViewTest().result()


# --- what is foretold ---


@pytest.mark.parametrize(
    ("frames_per_s", "width_px", "spots"),
    [
        pytest.param(12.0, 320, TOLD_PLACES * flame.LEAST_SPOTS, id="as fast as it is to be"),
        pytest.param(60.0, 320, TOLD_PLACES * flame.LEAST_SPOTS, id="faster helps no more"),
        pytest.param(6.0, 320, 2.0 * TOLD_PLACES * flame.LEAST_SPOTS, id="half as fast"),
        pytest.param(12.0, 160, TOLD_PLACES * flame.LEAST_SPOTS, id="half as wide"),
    ],
)
def test_the_smallest_flame_has_so_many_spots(
    frames_per_s: float, width_px: int, spots: float
) -> None:
    width = smallest_flame(frames_per_s, width_px)
    assert width is not None
    assert SPOTS_PER_SQUARE * (width * width_px) ** 2 == pytest.approx(spots)


def test_pictures_too_far_apart_show_no_flame() -> None:
    assert smallest_flame(0.99 / flame.GAP_S, 320) is None


@pytest.mark.parametrize(
    ("error", "hidden"),
    [
        pytest.param(0.0, 2.08 * 0.03 / MEASURED, id="no noise: what no model explains"),
        pytest.param(0.1, 2.08 * 0.0583 / MEASURED, id="half of 0.1 as well"),
    ],
)
def test_thin_smoke_needs_contrast_that_is_well_known(error: float, hidden: float) -> None:
    found, share = thinnest_smoke(np.full((12, 16), error))
    assert share == 1.0
    assert found == pytest.approx(hidden, abs=0.002)


def test_where_nothing_is_known_no_smoke_is_seen() -> None:
    errors = np.full((12, 16), np.inf)
    assert thinnest_smoke(errors) == (None, 0.0)
    errors[:, :8] = 0.02
    hidden, share = thinnest_smoke(errors)
    assert hidden is not None
    assert 0.3 < share < 0.6


def test_the_flames_threshold_is_the_detectors_own(monkeypatch: pytest.MonkeyPatch) -> None:
    width = smallest_flame(12.0, 320)
    monkeypatch.setattr(flame, "LEAST_SPOTS", 4 * flame.LEAST_SPOTS)
    wider = smallest_flame(12.0, 320)
    assert width is not None
    assert wider == pytest.approx(2.0 * width)


# --- what it is measured with ---------------------------------------------------


@pytest.mark.parametrize("count", [1, 2, 7, 60])
@pytest.mark.parametrize("share", [0.0, 0.15, 0.5, 1.0])
def test_what_a_share_reaches_is_the_quantile(count: int, share: float) -> None:
    values = np.random.default_rng(count).normal(0.0, 3.0, count).astype(np.float32)
    assert reached(values, share) == pytest.approx(float(np.quantile(values, share)), abs=1e-5)


def test_watching_loads_nothing_from_a_disk() -> None:
    """A disk that hangs must not hold up who looks for a flame."""
    code = (
        f"import sys; sys.path.insert(0, {TESTS!r}); import numpy.random;"
        "from unit.fire_pictures import Burning, film;"
        "from stillair.fire.vision import Vision; watch, burning = Vision(), Burning();"
        "pictures = list(film(lambda p, t: burning(p, t) if t > 5.0 else None, 8.0));"
        "known = set(sys.modules);"
        "sights = [watch.update(*each) for each in pictures];"
        "assert any(sight.signs for sight in sights);"
        "print(sorted(set(sys.modules) - known))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr) == ("[]\n", "")
