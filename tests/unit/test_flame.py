"""What is a flame, and what only has its colour or its liveliness."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from stillair.fire.flame import EVIDENCE_HALVES_S, FlameWatch
from unit.fire_pictures import FLAME, ORANGE, Burning, Paint, block, film

Canvas = NDArray[np.float32]
STEAM = np.clip(
    cv2.GaussianBlur(np.random.default_rng(5).normal(0.5, 6.0, (600, 80)), (0, 0), 6.0), 0.0, 1.0
).astype(np.float32)


def first_told_s(paint: Paint, seconds: float, **how: float) -> float | None:
    """When a place is first as surely a flame as is told by itself."""
    flames = FlameWatch()
    for t_s, picture in film(paint, seconds, **how):  # type: ignore[arg-type]
        flames.update(t_s, picture)
        if any(place.strength >= 0.5 for place in flames.places):
            return t_s
    return None


def head_over_orange(strokes_per_s: float) -> Paint:
    def paint(picture: Canvas, t_s: float) -> None:
        block(picture, (120, 120, 200, 200), ORANGE)
        x = 160 + round(70 * math.sin(math.tau * strokes_per_s * t_s))
        block(picture, (x - 14, 90, x + 14, 130), (50.0, 50.0, 55.0))

    return paint


def orange_that_swings(picture: Canvas, t_s: float) -> None:
    x = 160 + round(60 * math.sin(math.tau * 1.5 * t_s))
    block(picture, (x - 20, 100, x + 20, 180), ORANGE)


def led_that_blinks(picture: Canvas, t_s: float) -> None:
    block(picture, (40, 40, 52, 50), FLAME if t_s % 0.5 < 0.25 else (60.0, 90.0, 150.0))


def lamp_that_flickers(picture: Canvas, t_s: float) -> Canvas:
    block(picture, (120, 120, 200, 200), ORANGE)
    return np.asarray(picture * (1.0 + 0.15 * math.sin(math.tau * 4.3 * t_s)), np.float32)


def part_that_is_shaken(picture: Canvas, t_s: float) -> Canvas:
    """Orange with a grain and bright edges, by up to a pixel to and fro, never in time."""
    rows = np.linspace(0.75, 1.2, 60)[:, None, None] * np.ones((1, 80, 1))
    rows[:, ::8] *= 0.7
    picture[130:190, 120:200] = rows * np.array(ORANGE)
    shift = (math.sin(61.0 * t_s) + math.sin(37.0 * t_s), math.sin(53.0 * t_s))
    return np.asarray(
        cv2.warpAffine(picture, np.array([[1, 0, shift[0] / 2], [0, 1, shift[1]]]), (320, 240)),
        np.float32,
    )


def steam_before_orange(picture: Canvas, t_s: float) -> Canvas:
    """Turbulent white that rises before a large orange part."""
    block(picture, (100, 60, 220, 200), ORANGE)
    rise = int(t_s * 70.0) % STEAM.shape[0]
    veil = 0.6 * np.roll(STEAM, -rise, axis=0)[:140, :, None]
    picture[60:200, 120:200] += veil * (200.0 - picture[60:200, 120:200])
    return picture


def nothing(picture: Canvas, t_s: float) -> None:
    block(picture, (120, 120, 200, 200), ORANGE)


@pytest.mark.parametrize(
    "paint",
    [
        pytest.param(nothing, id="an orange part"),
        pytest.param(head_over_orange(1.0), id="a head once a second over an orange part"),
        pytest.param(head_over_orange(3.7), id="a head at 3.7 per second"),
        pytest.param(head_over_orange(8.0), id="a head at 8 per second"),
        pytest.param(orange_that_swings, id="an orange thing that swings"),
        pytest.param(led_that_blinks, id="a light that blinks"),
        pytest.param(lamp_that_flickers, id="a lamp that flickers"),
        pytest.param(part_that_is_shaken, id="an orange part that is shaken"),
        pytest.param(steam_before_orange, id="steam before an orange part"),
    ],
)
def test_what_is_no_flame_is_not_told(paint: Paint) -> None:
    assert first_told_s(paint, 45.0) is None


@pytest.mark.parametrize(
    ("width", "per_s"),
    [
        pytest.param(12, 15.0, id="a small one"),
        pytest.param(24, 15.0, id="a larger one"),
        pytest.param(24, 10.0, id="at ten pictures a second"),
        pytest.param(24, 30.0, id="at thirty"),
    ],
)
def test_a_flame_that_burns_from_the_first_picture_on_is_told(width: int, per_s: float) -> None:
    told_s = first_told_s(Burning(width=width), 12.0, per_s=per_s)
    assert told_s is not None and told_s <= 5.0


@pytest.mark.parametrize("width", [16, 24, 40])
def test_a_flame_whose_middle_is_too_bright_for_a_colour_is_told(width: int) -> None:
    burning = Burning(width=width)

    def paint(picture: Canvas, t_s: float) -> None:
        burning(picture, t_s)
        picture[(picture[:, :, 2] > 250.0) & (picture[:, :, 1] > 225.0)] = (235.0, 255.0, 255.0)

    told_s = first_told_s(paint, 8.0)
    assert told_s is not None and told_s <= 4.0


def test_a_flame_that_begins_beside_a_machine_at_work_is_told() -> None:
    burning, head = Burning(x=60, width=16), head_over_orange(2.0)

    def paint(picture: Canvas, t_s: float) -> None:
        head(picture, t_s)
        if t_s >= 40.0:
            burning(picture, t_s)

    told_s = first_told_s(paint, 50.0)
    assert told_s is not None and 40.0 < told_s <= 45.0


def test_a_flame_that_the_machine_touches_is_told_and_its_place_is_its_own() -> None:
    burning, head = Burning(x=160, width=20), head_over_orange(2.0)
    flames = FlameWatch()

    def paint(picture: Canvas, t_s: float) -> None:
        head(picture, t_s)
        burning(picture, t_s)

    surest = []
    for t_s, picture in film(paint, 10.0):
        flames.update(t_s, picture)
        surest += [p for p in flames.places if p.strength >= 0.5][:1]
    assert surest, "not told"
    assert max(p.right - p.left for p in surest[:4]) <= 60


def test_a_flame_of_which_only_the_tip_is_seen_is_told() -> None:
    burning = Burning(width=24)

    def paint(picture: Canvas, t_s: float) -> None:
        burning(picture, t_s)
        block(picture, (130, 165, 190, 200), (120.0, 130.0, 125.0))

    told_s = first_told_s(paint, 12.0)
    assert told_s is not None and told_s <= 6.0


@pytest.mark.parametrize("gap_s", [0.9, 2.0, 3.9])
def test_a_camera_that_falters_forgets_no_flame(gap_s: float) -> None:
    burning, flames = Burning(width=16), FlameWatch()
    strengths: list[tuple[float, float]] = []
    for t_s, picture in film(burning, 8.0 + gap_s):
        if not 5.0 < t_s < 5.0 + gap_s:
            flames.update(t_s, picture)
            strongest = max((place.strength for place in flames.places), default=0.0)
            strengths.append((t_s, strongest))
    (_, before), (_, then) = (s for s in strengths if 4.99 < s[0] < 5.0 + gap_s + 1 / 15)
    assert before > 0.7
    halved = 2.0 ** (-gap_s / EVIDENCE_HALVES_S)
    assert then == pytest.approx(1.0 - (1.0 - before) ** halved, abs=0.05)
    assert min(s for t_s, s in strengths if t_s >= 5.0 + gap_s) > then - 0.1, "and it goes on"
    assert strengths[-1][1] > 0.5


def test_a_gap_keeps_nothing_of_what_is_out_when_pictures_come_again() -> None:
    burning, flames = Burning(width=16), FlameWatch()
    for t_s, picture in film(lambda p, t: burning(p, t) if t <= 5.0 else None, 12.0):
        if not 5.0 < t_s <= 8.0:
            flames.update(t_s, picture)
    assert max((place.strength for place in flames.places), default=0.0) == 0.0


def test_after_a_long_gap_all_begins_anew() -> None:
    burning, flames = Burning(width=16), FlameWatch()
    for t_s, picture in film(burning, 9.5):
        if not 5.0 < t_s <= 9.2:
            flames.update(t_s, picture)
    assert flames.places == []


def test_a_flame_that_went_out_is_a_flame_no_more() -> None:
    burning, flames = Burning(), FlameWatch()

    def paint(picture: Canvas, t_s: float) -> None:
        if t_s < 6.0:
            burning(picture, t_s)

    strengths = []
    for t_s, picture in film(paint, 14.0):
        flames.update(t_s, picture)
        strengths.append(max((p.strength for p in flames.places), default=0.0))
    assert max(strengths) >= 0.5
    assert strengths[-1] == 0.0


def test_where_the_owner_says_so_nothing_is_a_flame() -> None:
    flames = FlameWatch(ignore=((0.25, 0.25, 0.75, 0.9),))
    for t_s, picture in film(Burning(), 8.0):
        flames.update(t_s, picture)
    assert flames.places == []


def test_a_picture_that_comes_twice_counts_once() -> None:
    once, twice = FlameWatch(), FlameWatch()
    for t_s, picture in film(Burning(), 6.0):
        once.update(t_s, picture)
        twice.update(t_s, picture)
        twice.update(t_s + 0.03, picture)
    assert twice.places[0].strength == pytest.approx(once.places[0].strength, abs=0.1)
