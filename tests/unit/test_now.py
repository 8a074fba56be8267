"""What the first page says is not watched."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from stillair.config.inputs import AnyContact, CameraTable, GpioContact, MqttContact
from stillair.fire.sparing import LooksAtAll
from stillair.fire.vision import Sight
from stillair.model import (
    KIND_CLASS,
    AlarmState,
    Annunciation,
    CameraCondition,
    CameraState,
    ContactKind,
    Kind,
    Suppression,
    Timeline,
)
from stillair.runtime import now
from stillair.runtime.watching import PlayedFast

CAMERA = CameraTable(source="/dev/video0")
PARTLY = CameraTable(source="/dev/video0", ignore=((0.0, 0.0, 0.2, 0.2),))
PAUSED = CameraState(5.0, CameraCondition.PAUSED, 0.0)
LOST = CameraState(5.0, CameraCondition.LOST, 0.0)
FIT = CameraState(5.0, CameraCondition.FIT, 0.0)


@pytest.mark.parametrize(
    ("camera", "state", "told"),
    [
        pytest.param(None, None, [now.NO_CAMERA], id="no camera"),
        pytest.param(CAMERA, None, [now.NO_VIEW_YET], id="no picture yet"),
        pytest.param(CAMERA, FIT, [now.BLIND_SPOTS], id="fit, yet it can't see everywhere"),
        pytest.param(PARTLY, FIT, [now.BLIND_SPOTS, now.LEFT_OUT], id="part of it left out"),
        pytest.param(CAMERA, PAUSED, [now.PAUSED_VIEW], id="paused"),
        pytest.param(CAMERA, LOST, [now.NO_PICTURE], id="lost"),
        *(
            pytest.param(CAMERA, CameraState(5.0, unfit, 0.0), [now.UNFIT_VIEW], id=unfit.value)
            for unfit in CameraCondition
            if unfit not in (CameraCondition.FIT, PAUSED.condition, LOST.condition)
        ),
    ],
)
def test_where_smoke_and_flame_would_not_be_seen(
    camera: CameraTable | None, state: CameraState | None, told: list[str]
) -> None:
    assert now.unseen(camera, state, speed=1.0) == told


@pytest.mark.parametrize(
    ("speed", "told"),
    [
        pytest.param(2.0, now.PLAYED_FASTER, id="by a good computer it is watched"),
        pytest.param(2.1, now.PLAYED_FAST, id="some go unseen"),
        pytest.param(60.0, now.PLAYED_FAST, id="most go unseen"),
    ],
)
def test_a_chamber_played_fast_says_what_that_does_to_its_camera(speed: float, told: str) -> None:
    assert now.unseen(CAMERA, FIT, speed=speed) == [now.BLIND_SPOTS, told]


def test_what_is_said_of_a_view_leaves_room_for_what_is_seen_in_it_all_the_same() -> None:
    for said in (now.UNFIT_VIEW, now.PLAYED_FAST, now.PLAYED_FASTER):
        assert "not watched" not in said


@pytest.mark.parametrize("seen", CameraCondition)
def test_played_fast_few_pictures_are_no_fault(seen: CameraCondition) -> None:
    class Sees(LooksAtAll):
        def begin_anew(self) -> None: ...

        def update(self, t_s: float, picture: NDArray[np.uint8]) -> Sight:
            return Sight(t_s, seen, 3.0, "why")

    sight = PlayedFast(Sees()).update(7.0, np.zeros((2, 2, 3), np.uint8))
    said = CameraCondition.FIT if seen is CameraCondition.SLOW else seen
    assert (sight.t_s, sight.condition, sight.since_s) == (7.0, said, 3.0)


DETECTOR = ContactKind.DETECTOR


@pytest.mark.parametrize(
    ("contact", "told"),
    [
        pytest.param(
            GpioContact(name="ceiling", kind=DETECTOR, driver="gpio", pin=22),
            ["ceiling hangs on two wires: if they touch, nobody notices."],
            id="two wires",
        ),
        pytest.param(
            GpioContact(name="ceiling", kind=DETECTOR, driver="gpio", pin=22, other_pin=23),
            [],
            id="supervised",
        ),
        pytest.param(
            GpioContact(name="door", kind=ContactKind.DOOR, driver="gpio", pin=22),
            [],
            id="a door's wires cost a part, no house",
        ),
        pytest.param(
            MqttContact(name="attic", kind=DETECTOR, driver="mqtt", topic="t", active="on"),
            ["attic is heard over MQTT: if its device dies in silence, nobody notices."],
            id="a topic",
        ),
    ],
)
def test_by_which_switches_a_broken_line_would_look_like_peace(
    contact: AnyContact, told: list[str]
) -> None:
    assert now.unsupervised([contact]) == told


@pytest.mark.parametrize(
    ("kind", "condition", "leaving", "said"),
    [
        pytest.param(Kind.DOOR_OPEN, True, (), None, id="it stands"),
        pytest.param(
            Kind.DOOR_OPEN, True, ("n-1",), "Door open: over, if it stays so.", id="just gone"
        ),
        pytest.param(Kind.DOOR_OPEN, False, ("n-1",), None, id="over"),
        pytest.param(Kind.FIRE, True, ("n-1",), None, id="danger is still said to be there"),
    ],
)
def test_what_has_just_gone_is_said_instead_of_what_to_do(
    kind: Kind, condition: bool, leaving: tuple[str, ...], said: str | None
) -> None:
    signal_class, priority = KIND_CLASS[kind]
    alarm = AlarmState(
        id="n-1",
        chamber="north-bench",
        kind=kind,
        subject="",
        signal_class=signal_class,
        priority=priority,
        annunciation=Annunciation.UNACKNOWLEDGED,
        suppression=Suppression.NONE,
        condition=condition,
        event=1,
        raised_s=100.0,
        changed_s=100.0,
        text="It is so. Do something.",
    )
    item = now.standing(alarm, leaving, Timeline("boot", 1.7e9))
    assert (item["leaving"], item["text"]) == (said, "It is so. Do something.")
