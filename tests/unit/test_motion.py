"""Does the machine move? Not by a light, a lamp or noise."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.fire.motion import MotionMap
from stillair.model import Movement
from unit.fire_pictures import FLAME, Paint, block, film

Canvas = NDArray[np.float32]
STOPS_S = 60.0


def told(paint: Paint, seconds: float) -> list[Movement]:
    motion = MotionMap()
    found = []
    for t_s, picture in film(paint, seconds, per_s=5.0):
        gray = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), np.uint8)
        if (movement := motion.update(t_s, gray, fit=True)) is not None:
            found.append(movement)
    return found


def machine(picture: Canvas, t_s: float) -> None:
    at_s = min(t_s, STOPS_S)
    x = 160 + round(90 * math.sin(math.tau * 0.4 * at_s))
    block(picture, (x - 20, 60, x + 20, 140), (50.0, 50.0, 50.0))


def with_a_light(picture: Canvas, t_s: float) -> None:
    machine(picture, t_s)
    block(picture, (10, 10, 22, 22), FLAME if t_s % 1.0 < 0.5 else (30.0, 30.0, 30.0))


def with_a_lamp(picture: Canvas, t_s: float) -> Canvas:
    machine(picture, t_s)
    return picture * np.float32(1.0 if t_s % 20.0 < 10.0 else 0.7)


def test_a_machine_that_stops_is_told_with_when_it_moved_last() -> None:
    movements = told(machine, 90.0)
    assert movements[0].moving is None
    assert any(m.moving for m in movements if 40.0 < m.t_s < STOPS_S)
    last = movements[-1]
    assert last.moving is False
    assert abs(last.since_s - STOPS_S) <= 1.0


def test_a_light_that_blinks_and_a_lamp_that_dims_are_no_machine() -> None:
    for paint in (with_a_light, with_a_lamp):
        last = told(paint, 100.0)[-1]
        assert last.moving is False
        assert abs(last.since_s - STOPS_S) <= 1.0


def test_of_a_scene_that_never_moved_nothing_is_known() -> None:
    assert {m.moving for m in told(lambda *_: None, 60.0)} == {None}


def test_an_unfit_view_knows_of_no_movement() -> None:
    motion = MotionMap()
    for t_s, picture in film(machine, 50.0, per_s=5.0):
        gray = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), np.uint8)
        movement = motion.update(t_s, gray, fit=t_s < 45.0)
        if movement is not None and t_s >= 45.0:
            assert movement.moving is None
            return
    raise AssertionError("nothing was told of the unfit view")
