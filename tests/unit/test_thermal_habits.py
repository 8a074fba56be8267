"""What the air does by itself, time and again: no news unless it goes further."""

from __future__ import annotations

import pytest

from stillair.thermal.air import AirTrack
from stillair.thermal.habits import Rises, Swings
from unit.air_courses import BEADS, Rig, gap, plus

LEVEL_C = 50.0


def seen(rises: Rises, rise_k: float, at_s: float) -> None:
    track = AirTrack("top")
    track.rise_30_k = rise_k
    rises.see(at_s, [track])


def test_one_rise_is_no_habit() -> None:
    rises = Rises()
    seen(rises, 0.1, 0.0)
    seen(rises, 2.0, 900.0)
    assert rises.usual_k == pytest.approx(0.1)


def test_of_two_rises_the_smaller_is_usual() -> None:
    rises = Rises()
    for at_s, rise_k in ((0.0, 1.5), (700.0, 0.1), (1400.0, 2.0)):
        seen(rises, rise_k, at_s)
    assert rises.usual_k == pytest.approx(1.5)


def test_a_rise_that_lasts_counts_once() -> None:
    rises = Rises()
    for at_s in range(60):
        seen(rises, 2.0, float(at_s))
    assert rises.usual_k == 0.0


def test_after_two_hours_a_rise_is_forgotten() -> None:
    rises = Rises()
    for at_s in (0.0, 700.0):
        seen(rises, 2.0, at_s)
    seen(rises, 0.1, 8000.0)
    seen(rises, 0.2, 8700.0)
    assert rises.usual_k == pytest.approx(0.1)


def test_a_track_tells_how_far_it_rose_beyond_its_own_climb() -> None:
    air = gap(LEVEL_C, 0.1, 0.1, 0.0, 300.0, back_per_s=0.1)  # 3 K down, and up again at 300 s
    rig = Rig(BEADS[:1], air, 1)
    highest_k = max(rig.tracks[0].rise_30_k for t_s in rig.seconds(360.0) if t_s > 200.0)
    assert highest_k == pytest.approx(2.8, abs=0.3)
    climbing = Rig(BEADS[:1], plus(lambda t_s: LEVEL_C + 0.02 * t_s), 1)
    assert max(climbing.tracks[0].rise_30_k for _ in climbing.seconds(600.0)) < 0.2


def test_three_falls_alike_are_a_habit_for_half_an_hour() -> None:
    swings = Swings()
    for number in range(3):
        assert swings.usual_k(300.0 * number) == 0.0
        swings.note(300.0 * number, 3.0 + 0.2 * number)
    assert swings.usual_k(700.0) == pytest.approx(3.4)
    assert swings.usual_k(600.0 + 1801.0) == 0.0


@pytest.mark.parametrize(
    "falls",
    [
        pytest.param([(0.0, 3.0), (300.0, 3.0), (1100.0, 3.0)], id="at unlike times"),
        pytest.param([(0.0, 3.0), (300.0, 6.0), (600.0, 3.0)], id="to unlike depths"),
        pytest.param([(0.0, 3.0), (1000.0, 3.0), (2000.0, 3.0)], id="too far apart"),
        pytest.param([(0.0, 3.0), (0.0, 3.0), (300.0, 3.0)], id="twice the same"),
    ],
)
def test_people_keep_no_such_time(falls: list[tuple[float, float]]) -> None:
    swings = Swings()
    for onset_s, drop_k in falls:
        swings.note(onset_s, drop_k)
    assert swings.usual_k(falls[-1][0] + 60.0) == 0.0
