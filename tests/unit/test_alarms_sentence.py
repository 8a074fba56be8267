"""The first page's sentence: the worst first, and calm only when everything is."""

from __future__ import annotations

from itertools import product
from typing import Any

import pytest

from stillair.alarms.sentence import Sentence, sentence
from stillair.alarms.testing import NEVER
from stillair.model import (
    KIND_CLASS,
    AlarmState,
    Annunciation,
    CameraCondition,
    Change,
    EventChange,
    Job,
    JobPhase,
    Kind,
    Phase,
    Suppression,
)

STEADY: dict[str, Any] = {"t_s": 1860.0, "phase": Phase.STEADY, "since_s": 0.0, "air_c": 46.2}


def alarm(kind: Kind, text: str, **more: Any) -> AlarmState:
    signal_class, priority = KIND_CLASS[kind]
    fields: dict[str, Any] = {
        "id": "shed-1",
        "chamber": "shed",
        "subject": "",
        "annunciation": Annunciation.UNACKNOWLEDGED,
        "suppression": Suppression.NONE,
        "condition": True,
        "event": 1,
        "raised_s": 1800.0,
        "changed_s": 1800.0,
    }
    fields |= more
    return AlarmState(kind=kind, signal_class=signal_class, priority=priority, text=text, **fields)


DOOR = alarm(Kind.DOOR_OPEN, "The door is open. The air has fallen 6.1 degrees. Shut it.")
FIRE = alarm(Kind.FIRE, "There is fire in the box. Get everybody out.")
STORE = alarm(Kind.STORE_FAULT, "What happens can't be stored just now. Watching goes on.")
SENSOR = alarm(Kind.SENSOR_FAULT, "Sensor top gives no reading that can be trusted. See to it.")


@pytest.mark.parametrize(
    ("how", "said"),
    [
        pytest.param(
            STEADY, Sentence("Warm and steady: 46.2 °C for 31 min", "", "calm", True), id="calm"
        ),
        pytest.param(
            STEADY | {"phase": Phase.WARMING, "target_c": 45.0, "soak_forecast_s": 600.0},
            Sentence("Warming up: 46.2 °C of 45.0 °C, ready in about 10 min", "", "calm", True),
            id="warming",
        ),
        pytest.param(
            STEADY
            | {
                "phase": Phase.COOLING,
                "air_c": 52.0,
                "cool_forecast_s": 3010.0,
                "cool_forecast_u_s": 400.0,
            },
            Sentence("Cooling: 52.0 °C, leave it shut. Open in about 50 min", "", "calm", True),
            id="cooling",
        ),
        pytest.param(
            STEADY
            | {
                "phase": Phase.WARMING,
                "soak_forecast_s": 720.0,
                "soak_forecast_u_s": 800.0,
            },
            Sentence("Warming up: 46.2 °C, ready in 30 min at most", "", "calm", True),
            id="warming, badly known",
        ),
        pytest.param(
            STEADY | {"phase": Phase.COOL_ENOUGH, "air_c": 38.0},
            Sentence("Cool enough for the part: 38.0 °C", "", "good", True),
            id="cool enough",
        ),
        pytest.param(
            STEADY | {"alarms": [DOOR]},
            Sentence(
                "The door is open, for 1 min",
                "The air has fallen 6.1 degrees. Shut it. The air is at 46.2 °C.",
                "caution",
                False,
            ),
            id="a door",
        ),
        pytest.param(
            STEADY | {"alarms": [DOOR], "leaving": {DOOR.id}},
            Sentence("Door open: over, if it stays so", "The air is at 46.2 °C.", "caution", False),
            id="a door that was shut just now",
        ),
        pytest.param(
            STEADY | {"alarms": [FIRE, STORE, DOOR]},
            Sentence(
                "There is fire in the box, for 1 min",
                "Get everybody out. The air is at 46.2 °C. 2 more below.",
                "danger",
                False,
            ),
            id="fire first",
        ),
        pytest.param(
            STEADY | {"air_c": None, "phase": Phase.UNKNOWN, "alarms": [SENSOR]},
            Sentence(
                "Blind: no sensor in the chamber gives a reading", SENSOR.text, "trouble", False
            ),
            id="blind",
        ),
        pytest.param(
            STEADY | {"air_c": None, "phase": Phase.UNKNOWN},
            Sentence("No reading yet", "", "trouble", False),
            id="just begun",
        ),
        pytest.param(
            STEADY | {"camera": CameraCondition.FROZEN},
            Sentence(
                "The camera's picture has stopped moving",
                "Only the sensors watch. Warm and steady: 46.2 °C for 31 min.",
                "trouble",
                False,
            ),
            id="frozen picture",
        ),
        pytest.param(
            STEADY | {"troubles": ["the alarm path was never tested"]},
            Sentence(
                "The alarm path was never tested",
                "Warm and steady: 46.2 °C for 31 min.",
                "trouble",
                False,
            ),
            id="never tested",
        ),
        pytest.param(
            STEADY | {"remarks": ["No camera: flame and smoke are not watched"]},
            Sentence(
                "Warm and steady: 46.2 °C for 31 min",
                "No camera: flame and smoke are not watched.",
                "calm",
                True,
            ),
            id="a remark leaves it calm",
        ),
    ],
)
def test_sentence(how: dict[str, Any], said: Sentence) -> None:
    assert sentence(**how) == said


def test_a_danger_that_is_over_stays_first_until_it_is_cleared() -> None:
    for state in (Annunciation.LATCHED_UNACKNOWLEDGED, Annunciation.LATCHED_ACKNOWLEDGED):
        over = alarm(
            Kind.FIRE,
            "There was fire in the box. Don't open the box.",
            condition=False,
            annunciation=state,
        )
        said = sentence(**STEADY, alarms=[over])
        assert said.sentence == "There was fire in the box: no sign of it now"
        assert said.sub == "Don't open the box. The air is at 46.2 °C."
        assert (said.tone, said.calm) == ("danger", False)


def test_what_is_over_but_unseen_is_not_quite_calm() -> None:
    over = alarm(
        Kind.DOOR_OPEN,
        "The door was open.",
        condition=False,
        annunciation=Annunciation.RETURNED_UNACKNOWLEDGED,
    )
    said = sentence(**STEADY, alarms=[over])
    assert said.sentence.startswith("Warm and steady")
    assert said.sub == "Door open: over, not yet seen."
    assert not said.calm


def test_a_part_of_the_watch_that_failed_is_not_said_to_have_been_all_of_it() -> None:
    gap = alarm(Kind.WATCH_GAP, "", subject="rules", condition=False)
    assert sentence(**STEADY, alarms=[gap]).sub == "Part of the watch failed: over, not yet seen."


def test_what_is_quiet_for_a_time_is_still_said() -> None:
    quiet = alarm(
        Kind.DOOR_OPEN,
        DOOR.text,
        suppression=Suppression.SHELVED,
        shelved_until_s=1980.0,
    )
    said = sentence(**STEADY, alarms=[quiet])
    assert said.sentence.startswith("The door is open")
    assert said.sub.endswith("Door open: quiet for 2 min more.")
    assert not said.calm


def event(kind: Kind, **more: Any) -> EventChange:
    signal_class, priority = KIND_CLASS[kind]
    fields: dict[str, Any] = {
        "event": 1,
        "change": Change.RAISED,
        "at_s": 1855.0,
        "onset_s": 1852.0,
        "sensors": ("top",),
        "detail": {"cause": "clear"},
    }
    return EventChange(kind=kind, signal_class=signal_class, priority=priority, **(fields | more))


@pytest.mark.parametrize(
    ("kind", "head"),
    [
        (Kind.DOOR_OPEN, "The door is open, for 8 s"),
        (Kind.DRAFT, "Cold air is getting in, for 8 s"),
        (Kind.HEAT_LOST, "The chamber is not being heated, for 8 s"),
        (Kind.SENSOR_FAULT, "Sensor top gives no reading that can be trusted, for 8 s"),
    ],
)
def test_what_has_only_just_begun_is_said_without_an_alarms_colour(kind: Kind, head: str) -> None:
    job = Job("shed-1", "shed", "fin box", "ASA", "", "", JobPhase.RUNNING, 0.0)
    said = sentence(**STEADY, job=job, events=[event(kind)])
    assert (said.sentence, said.tone, said.calm) == (head, "calm", False)
    assert said.sub.startswith("It is being looked at: if it stays, you are told.")
    assert "46.2 °C" in said.sub
    assert ("steady" in said.sub) is (kind is Kind.SENSOR_FAULT), "astray, the air is no steady one"
    begun = alarm(kind, "It is so.", began_s=event(kind).onset_s)
    due = sentence(**STEADY, job=job, events=[event(kind)], alarms=[begun])
    assert due.sentence == "It is so, for 8 s"
    assert due.tone in {"caution", "trouble"}
    assert "looked at" not in due.sub


def test_nothing_is_said_of_what_is_expected_or_was_waited_for() -> None:
    """A door that stands open while nothing is built; the word that it is warm and steady."""
    cold = STEADY | {"phase": Phase.COLD}
    for how, kind in ((cold, Kind.DOOR_OPEN), (STEADY, Kind.SOAK_READY)):
        assert sentence(**how, events=[event(kind)]) == sentence(**how)


def test_of_what_has_begun_beside_an_alarm_the_smaller_line_tells() -> None:
    said = sentence(**STEADY, alarms=[STORE], events=[event(Kind.DRAFT, event=2)])
    assert said.sentence.startswith("What happens can't be stored just now")
    assert "Just begun: Cold air is getting in." in said.sub
    assert said.tone == "trouble"


def test_a_danger_whose_alarm_was_held_up_is_a_danger() -> None:
    said = sentence(**STEADY, alarms=[DOOR], events=[event(Kind.FIRE, event=2)])
    assert said.sentence.startswith("There is fire in the box")
    assert said.tone == "danger"


def test_a_sensor_that_has_just_failed_leaves_it_blind() -> None:
    said = sentence(**(STEADY | {"air_c": None}), events=[event(Kind.SENSOR_FAULT)])
    assert said.sentence == "Blind: no sensor in the chamber gives a reading"


def test_what_may_be_at_any_moment_comes_nearer_as_fast_as_time_goes_by() -> None:
    """A chamber that settles after a door may be steady now, or at the latest when it may swing."""
    told = []
    for latest_s in (330.0, 270.0, 210.0, 150.0):
        soak = {"soak_forecast_s": latest_s / 2.0, "soak_forecast_u_s": latest_s / 2.0 + 30.0}
        told.append(sentence(**(STEADY | {"phase": Phase.SOAK} | soak)).sentence)
    ends = [line.partition("ready ")[2] for line in told]
    assert ends == [f"in {minutes} min at most" for minutes in (6, 5, 4, 3)]


def test_a_paused_job_is_said() -> None:
    job = Job("shed-1", "shed", "fin box", "ASA", "", "", JobPhase.PAUSED, 0.0, paused_since_s=1.0)
    assert sentence(**STEADY, job=job).sentence.endswith("for 31 min, the job is paused")


def test_it_is_calm_only_when_everything_is() -> None:
    airs: tuple[float | None, ...] = (46.2, None)
    cameras = (None, *CameraCondition)
    standing: tuple[list[AlarmState], ...] = ([], [DOOR], [FIRE], [STORE])
    troubles: tuple[list[str], ...] = ([], ["no route has been tried"])
    for phase, air_c, camera, alarms, told in product(Phase, airs, cameras, standing, troubles):
        said = sentence(
            t_s=10.0,
            phase=phase,
            since_s=0.0,
            air_c=air_c,
            camera=camera,
            alarms=alarms,
            troubles=told,
        )
        well = (
            air_c is not None and camera in {None, CameraCondition.FIT} and not alarms and not told
        )
        assert said.calm is (well and phase is not Phase.UNKNOWN), "too little seen to be calm"
        assert (said.tone in {"calm", "good"}) is well
        assert (said.tone == "good") is (well and phase is Phase.COOL_ENOUGH)
        assert said.sentence
        assert not said.sentence.endswith(".")


def test_never_tested_is_said_before_any_weather_but_after_a_danger() -> None:
    said = sentence(**STEADY, untested=NEVER)
    assert (said.sentence, said.calm) == (NEVER, False)
    assert said.sub.startswith("Warm and steady: 46.2 °C")
    said = sentence(**STEADY, alarms=(FIRE,), untested=NEVER)
    assert said.sentence.startswith("There is fire in the box")
    assert NEVER in said.sub
