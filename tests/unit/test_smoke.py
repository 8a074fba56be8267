"""What hides the scene, and what only changes its light."""

from __future__ import annotations

import math
from collections.abc import Iterator

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from stillair.fire.smoke import SmokeWatch
from unit.fire_pictures import Paint, block, film

Canvas = NDArray[np.float32]
GREY = 150.0
BEGINS_S = 40.0


def shown(paint: Paint, seconds: float) -> Iterator[tuple[float, NDArray[np.uint8]]]:
    for t_s, picture in film(paint, seconds, per_s=4.0):
        yield t_s, np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), np.uint8)


def watched(paint: Paint, seconds: float, smoke: SmokeWatch) -> Iterator[tuple[float, float]]:
    """How surely it is smoke, with each picture."""
    for t_s, gray in shown(paint, seconds):
        smoke.update(t_s, gray)
        yield t_s, smoke.strength


def run(paint: Paint, seconds: float, watch: SmokeWatch | None = None) -> float | None:
    """When smoke is first as sure as is told by itself."""
    told = watched(paint, seconds, watch or SmokeWatch())
    return next((t_s for t_s, strength in told if strength >= 0.5), None)


def veil(
    hidden: float, grow_s: float, box: tuple[int, int, int, int] = (80, 40, 220, 120)
) -> Paint:
    """Grey smoke before a part of the picture, that becomes thick in `grow_s`."""
    left, top, right, bottom = box

    def paint(picture: Canvas, t_s: float) -> None:
        share = hidden * min(1.0, max(0.0, (t_s - BEGINS_S) / grow_s))
        window = picture[top:bottom, left:right]
        window += share * (GREY - window)

    return paint


@pytest.mark.parametrize(
    ("paint", "within_s"),
    [
        pytest.param(veil(0.15, 5.0), 15.0, id="15 % hidden of a seventh of the picture"),
        pytest.param(veil(0.09, 5.0), 60.0, id="9 % hidden"),
        pytest.param(veil(0.4, 30.0, (0, 0, 320, 240)), 20.0, id="the whole picture"),
        pytest.param(veil(0.3, 900.0), 420.0, id="a smoulder of a quarter of an hour"),
    ],
)
def test_smoke_is_told(paint: Paint, within_s: float) -> None:
    told_s = run(paint, BEGINS_S + within_s + 10.0)
    assert told_s is not None and BEGINS_S < told_s <= BEGINS_S + within_s


def boiling(rises_px_per_s: float) -> Paint:
    """Black smoke, which takes light and contrast alike, so that no contrast is hidden."""

    def paint(picture: Canvas, t_s: float) -> Canvas:
        grown = min(1.0, max(0.0, (t_s - BEGINS_S) / 5.0))
        rise = int(rises_px_per_s * t_s) % 300
        depth = np.clip(0.7 + 0.3 * _BILLOWS[rise : rise + 240], 0.0, 1.5)
        return np.asarray(picture * (1.0 - 0.35 * grown * _COLUMN * depth)[:, :, None], np.float32)

    return paint


def _billows() -> Canvas:
    raw = np.random.default_rng(3).normal(0.0, 1.0, (600, 320)).astype(np.float32)
    soft = np.asarray(cv2.GaussianBlur(raw, (0, 0), 12.0), np.float32)
    return np.asarray(soft / soft.std(), np.float32)


_BILLOWS = _billows()
_COLUMN = np.exp(-(((np.arange(320.0) - 150.0) / 60.0) ** 2)).astype(np.float32)[None, :]


@pytest.mark.parametrize("rises_px_per_s", [25.0, 60.0])
def test_black_smoke_is_told_by_its_stains_and_its_stir(rises_px_per_s: float) -> None:
    told_s = run(boiling(rises_px_per_s), BEGINS_S + 40.0)
    assert told_s is not None and BEGINS_S < told_s <= BEGINS_S + 30.0


def test_a_lamp_that_was_off_for_a_time_is_no_other_tone_curve() -> None:
    smoke = SmokeWatch()

    def paint(picture: Canvas, t_s: float) -> Canvas:
        return np.asarray(picture * (0.12 if BEGINS_S <= t_s < 60.0 else 1.0), np.float32)

    for t_s, gray in shown(paint, 100.0):
        if BEGINS_S + 3.0 <= t_s < 60.0:
            smoke.pause()  # the view is told as dark
        else:
            smoke.update(t_s, gray)
        assert smoke.strength < 0.3


def swinging(by: float) -> Paint:
    """A lamp that swings slowly, and smoke from `BEGINS_S` on."""

    def paint(picture: Canvas, t_s: float) -> Canvas:
        veil(0.3, 5.0)(picture, t_s)
        return np.asarray(picture * (1.0 + by * math.sin(math.tau * 1.37 * t_s)), np.float32)

    return paint


@pytest.mark.parametrize("by", [0.03, 0.05, 0.08])
def test_a_lamp_that_swings_does_not_stop_the_search(by: float) -> None:
    told_s = run(swinging(by), BEGINS_S + 30.0)
    assert told_s is not None and BEGINS_S < told_s <= BEGINS_S + 20.0


def test_a_watch_that_can_not_compare_says_for_how_long() -> None:
    """A lamp switched off and on twice a second leaves no two seconds of one light."""
    smoke = SmokeWatch()

    def paint(picture: Canvas, t_s: float) -> Canvas:
        off = t_s >= BEGINS_S and int(4.0 * t_s) % 2 == 1
        return np.asarray(picture * (0.5 if off else 1.0), np.float32)

    for t_s, _ in watched(paint, 60.0, smoke):
        if 5.0 < t_s < BEGINS_S:
            assert smoke.unjudged_s(t_s) <= 1.25
    assert smoke.unjudged_s(59.75) == pytest.approx(20.0, abs=1.5)
    smoke.pause()  # a view that is told as unfit is not told twice
    assert smoke.unjudged_s(59.75) == 0.0


def test_a_box_that_fills_in_seconds_is_no_tone_curve() -> None:
    told_s = run(veil(0.5, 8.0, (0, 0, 320, 240)), BEGINS_S + 30.0)
    assert told_s is not None and BEGINS_S < told_s <= BEGINS_S + 20.0


def test_strokes_of_contrast_one_after_the_other_hide_no_smoke() -> None:
    """A camera that loses a tenth of its contrast at a stroke again and again, and regains it."""

    def paint(picture: Canvas, t_s: float) -> Canvas:
        lost = 0.1 * (1.0 - (t_s % 10.0) / 10.0)
        shown = np.asarray(picture + lost * (picture.mean() - picture), np.float32)
        if t_s >= 200.0:
            veil(0.4, 0.0001)(shown, t_s)
        return shown

    told_s = run(paint, 240.0)
    assert told_s is not None and told_s > 200.0


def after(t_s: float, value: float, otherwise: float = 1.0) -> float:
    return value if t_s >= BEGINS_S else otherwise


def dimmed(picture: Canvas, t_s: float) -> Canvas:
    return np.asarray(picture * after(t_s, 0.55), np.float32)


def dimming(picture: Canvas, t_s: float) -> Canvas:
    return np.asarray(picture * (1.0 - 0.5 * min(1.0, max(0.0, t_s - 40.0) / 30.0)), np.float32)


def light_from_aside(picture: Canvas, t_s: float) -> Canvas:
    across = np.linspace(0.0, after(t_s, 0.7, 0.0), picture.shape[1], dtype=np.float32)
    return np.asarray(picture * (1.0 + across[None, :, None]), np.float32)


def out_of_focus(picture: Canvas, t_s: float) -> Canvas:
    hunts = after(t_s, 1.2 * abs(math.sin(0.5 * t_s)) + 0.01, 0.0)
    if hunts <= 0.02:
        return picture
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), hunts), np.float32)


def other_curve(picture: Canvas, t_s: float) -> Canvas:
    return np.asarray(255.0 * (np.clip(picture, 0, 255) / 255.0) ** after(t_s, 0.8), np.float32)


def machine(picture: Canvas, t_s: float) -> None:
    x = 160 + round(100 * math.sin(math.tau * 0.7 * t_s))
    block(picture, (x - 20, 60, x + 20, 140), (50.0, 50.0, 50.0))


def a_thing_put_down(picture: Canvas, t_s: float) -> None:
    if t_s >= BEGINS_S:
        block(picture, (60, 60, 200, 180), (160.0, 160.0, 160.0))


@pytest.mark.parametrize(
    "paint",
    [
        pytest.param(dimmed, id="a lamp switched down"),
        pytest.param(dimming, id="a dimmer"),
        pytest.param(light_from_aside, id="light from the door"),
        pytest.param(out_of_focus, id="a lens that hunts for focus"),
        pytest.param(other_curve, id="a camera's own tone curve"),
        pytest.param(machine, id="a machine at work"),
        pytest.param(a_thing_put_down, id="a thing put before the wall"),
        pytest.param(veil(0.02, 5.0), id="hardly anything"),
    ],
)
def test_what_is_no_smoke_is_not_told(paint: Paint) -> None:
    assert run(paint, 110.0) is None


def test_smoke_stays_told_while_it_hangs_there_and_no_longer() -> None:
    smoke = SmokeWatch()

    def paint(picture: Canvas, t_s: float) -> None:
        if BEGINS_S <= t_s < 160.0:
            veil(0.3, 1.0)(picture, t_s)

    strengths: dict[int, float] = {}
    for t_s, strength in watched(paint, 190.0, smoke):
        strengths[int(t_s)] = strength
    assert min(strengths[s] for s in range(60, 160)) >= 0.5
    assert strengths[189] < 0.3


def test_smoke_that_was_told_becomes_the_scene_only_when_somebody_says_so(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("stillair.fire.smoke.LONGEST_S", 20.0)
    smoke = SmokeWatch()
    strengths: dict[int, float] = {}
    for t_s, gray in shown(veil(0.3, 1.0), 150.0):
        if t_s == 120.0:
            smoke.begin_anew()
        smoke.update(t_s, gray)
        strengths[int(t_s)] = smoke.strength
    assert min(strengths[s] for s in range(60, 120)) >= 0.5
    assert max(strengths[s] for s in range(120, 150)) < 0.3


@pytest.mark.parametrize("lasting", [True, False], ids=["the light stays so", "for 20 s"])
def test_smoke_that_was_told_is_not_over_because_the_light_is_another(lasting: bool) -> None:
    smoke, strengths = SmokeWatch(), {}

    def paint(picture: Canvas, t_s: float) -> Canvas:
        veil(0.3, 1.0)(picture, t_s)
        return picture * np.float32(1.5 if t_s >= 80.0 and (lasting or t_s < 100.0) else 1.0)

    for t_s, strength in watched(paint, 150.0, smoke):
        strengths[t_s] = strength if smoke.veil is not None else 0.0
    assert min(strength for t_s, strength in strengths.items() if t_s >= 60.0) >= 0.5


def test_smoke_that_was_told_is_not_over_because_the_camera_was_moved() -> None:
    smoke, told = SmokeWatch(), {}
    for t_s, gray in shown(veil(0.3, 1.0), 150.0):
        if 80.0 <= t_s < 100.0:
            smoke.lose_scene()
        else:
            smoke.update(t_s, np.roll(gray, 60, axis=1) if t_s >= 100.0 else gray)
        told[t_s] = smoke.is_told
    assert all(is_told for t_s, is_told in told.items() if t_s >= 60.0)
    smoke.begin_anew()
    assert not smoke.is_told


@pytest.mark.parametrize(("told_from", "becomes"), [(0.3, False), (0.8, True)])
def test_what_is_suspected_without_being_told_becomes_the_scene(
    monkeypatch: pytest.MonkeyPatch, told_from: float, becomes: bool
) -> None:
    monkeypatch.setattr("stillair.fire.smoke.LONGEST_S", 20.0)
    monkeypatch.setattr("stillair.fire.smoke.MOST_SUM", 6.0)  # a strength of 0.41
    smoke = SmokeWatch(told_from=told_from)
    for _ in watched(veil(0.3, 1.0), 110.0, smoke):
        pass
    assert (smoke.strength < 0.2) is becomes


def test_what_is_hidden_is_measured() -> None:
    smoke = SmokeWatch()
    for _ in watched(veil(0.2, 3.0), 60.0, smoke):
        pass
    assert smoke.veil is not None
    assert smoke.veil.hidden == pytest.approx(0.2, abs=0.06)
    left, top, right, bottom = smoke.veil.region
    assert left < 150 / 320 < right and top < 80 / 240 < bottom


def test_where_the_owner_says_so_nothing_is_smoke() -> None:
    watch = SmokeWatch(ignore=((0.2, 0.1, 0.75, 0.6),))
    assert run(veil(0.3, 5.0), 70.0, watch) is None
