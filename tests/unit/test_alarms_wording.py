"""What people read: figures with units, plain words, the right advice, whole sentences."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.alarms import figures, seen
from stillair.alarms.wording import Stage, line, message, story
from stillair.alarms.words import WORDS
from stillair.model import (
    KIND_CLASS,
    CameraCondition,
    Change,
    EventChange,
    JsonValue,
    Kind,
    SignalClass,
)


def event(
    kind: Kind, what: Change = Change.RAISED, *, at_s: float = 90.0, **more: Any
) -> EventChange:
    signal_class, priority = KIND_CLASS[kind]
    fields: dict[str, Any] = {"onset_s": 0.0, "sensors": ("top",), "detail": {"cause": "clear"}}
    return EventChange(1, what, at_s, kind, signal_class, priority, **(fields | more))


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (-5, "0 s"),
        (0.4, "0 s"),
        (8, "8 s"),
        (59.4, "59 s"),
        (59.6, "1 min"),
        (90, "1 min 30 s"),
        (120, "2 min"),
        (599, "9 min 59 s"),
        (600, "10 min"),
        (31 * 60 + 20, "31 min"),
        (3599, "1 h"),
        (7500, "2 h 5 min"),
        (47.99 * 3600, "47 h 59 min"),
        (2 * 86400, "2 days"),
        (3 * 86400 + 4 * 3600, "3 days 4 h"),
        (float("nan"), "an unknown time"),
        (float("inf"), "an unknown time"),
    ],
)
def test_durations(seconds: float, said: str) -> None:
    assert figures.duration(seconds) == said


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (figures.temperature(46.24), "46.2 °C"),
        (figures.temperature(-0.04), "0.0 °C"),
        (figures.degrees(-6.13), "6.1 degrees"),
        (figures.height(19.2), "19 mm"),
        (figures.height(4.24), "4.2 mm"),
        (figures.height(9.96), "10 mm"),
        (figures.percent(0.042), "4.2 %"),
        (figures.percent(0.0996), "10 %"),
        (figures.percent(0.35), "35 %"),
        (figures.row([]), ""),
        (figures.row(["top"]), "top"),
        (figures.row(["top", "low", "back"]), "top, low and back"),
        (figures.clause(" no\nanswer\x00 from it. "), "no answer from it"),
        (figures.clause("x" * 500), "x" * 199 + "…"),
    ],
)
def test_figures(made: str, said: str) -> None:
    assert made == said


HELD_UP = {"reason": "held up by a defect: doors, but not the heat of a fire"}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        pytest.param(
            event(
                Kind.DOOR_OPEN,
                Change.CLEARED,
                end_s=90.0,
                height_mm=19.2,
                detail={"cause": "clear", "drop_k": 6.13},
            ),
            "Door open for 1 min 30 s at 19 mm. The air fell 6.1 degrees.",
            id="a door that was shut again",
        ),
        pytest.param(
            event(Kind.DOOR_OPEN, detail={"cause": "uncertain", "or": "heat_lost"}),
            "Door open for 2 min so far. It may also be: heat lost.",
            id="a door that is open, perhaps",
        ),
        pytest.param(
            event(Kind.SENSOR_FAULT, subject="low", detail={"reason": "no answer on the bus"}),
            "Sensor fault (sensor low) for 2 min so far. No answer on the bus.",
            id="a sensor",
        ),
        pytest.param(
            event(Kind.WATCH_GAP, Change.CLEARED, end_s=90.0, detail={"gap_s": 7500.0}),
            "Nobody was watching. It lasted 2 h 5 min.",
            id="a gap",
        ),
        pytest.param(
            event(Kind.WATCH_GAP, Change.CLEARED, end_s=90.0, subject="rules", detail=HELD_UP),
            "Part of the watch failed for 1 min 30 s. "
            "Held up by a defect: doors, but not the heat of a fire.",
            id="a rule that broke",
        ),
        pytest.param(
            event(Kind.SOAK_READY, detail={"temperature_c": 45.3, "target_c": 45}),
            "Warm and steady. At that moment it was 45.3 °C, the target is 45.0 °C.",
            id="ready",
        ),
        pytest.param(
            event(
                Kind.BELOW_TARGET,
                Change.CLEARED,
                end_s=600.0,
                detail={"temperature_c": 38.2, "target_c": 45.0},
            ),
            "Too cool for 10 min. The lowest was 38.2 °C, the target is 45.0 °C.",
            id="too cool",
        ),
        pytest.param(
            event(
                Kind.BELOW_TARGET,
                Change.CLEARED,
                end_s=600.0,
                detail={"temperature_c": 45.7, "target_c": 45.0},
            ),
            "Too cool for 10 min. It was 45.7 °C, the target is 45.0 °C.",
            id="too cool, kept when only the last was told",
        ),
        pytest.param(
            event(Kind.BELOW_TARGET, detail={"temperature_c": 41.9, "target_c": 45.0}),
            "Too cool for 2 min so far. The lowest so far is 41.9 °C, the target is 45.0 °C.",
            id="too cool as yet",
        ),
        pytest.param(
            event(
                Kind.TOO_WARM,
                Change.CLEARED,
                end_s=60.0,
                detail={"temperature_c": 74.6, "ceiling_c": 70.0},
            ),
            "Too warm for 1 min. The highest was 74.6 °C, the part likes 70.0 °C at most.",
            id="too warm",
        ),
        pytest.param(
            event(
                Kind.OVER_TEMPERATURE,
                Change.CLEARED,
                end_s=30.0,
                detail={"temperature_c": 78.04, "limit_c": 70},
            ),
            "Too hot for 30 s. The highest was 78.0 °C, the limit is 70.0 °C.",
            id="too hot for a moment",
        ),
        pytest.param(
            event(Kind.RAPID_RISE, detail={"rise_k": 18.2, "window_s": 60}),
            "Heat is rising as in a fire for 2 min so far. "
            "The air has risen 18.2 degrees in 1 min.",
            id="heat",
        ),
    ],
)
def test_an_event_is_one_line(change: EventChange, said: str) -> None:
    assert story(change, t_s=120.0) == said


@pytest.mark.parametrize(
    ("stage", "title", "text"),
    [
        pytest.param(
            Stage.RAISED,
            "north bench: Door open",
            "The door is open, for 45 s now, the part at 19 mm. The air has fallen 6.1 degrees. "
            "Shut it: cold air makes the part crack.",
            id="raised",
        ),
        pytest.param(
            Stage.STILL,
            "north bench: Still: door open",
            "The door is still open, for 45 s now, the part at 19 mm. "
            "The air has fallen 6.1 degrees. Shut it: cold air makes the part crack.",
            id="still",
        ),
        pytest.param(
            Stage.OVER,
            "north bench: Over: door open",
            "The door was open for 45 s, the part at 19 mm. The air fell 6.1 degrees. It is over.",
            id="over",
        ),
    ],
)
def test_a_door_in_messages(stage: Stage, title: str, text: str) -> None:
    over = stage is Stage.OVER
    change = event(
        Kind.DOOR_OPEN,
        Change.CLEARED if over else Change.RAISED,
        end_s=45.0 if over else None,
        height_mm=19.2,
        detail={"cause": "clear", "drop_k": 6.13},
    )
    said = message(stage, change, t_s=45.0, chamber_name="north bench", mark="")
    assert said.title == title
    assert said.text == f"{text}\n\nChamber: north bench\n"


@pytest.mark.parametrize("kind", [Kind.FIRE, Kind.DETECTOR_CONTACT])
def test_a_fire_says_what_saves_people(kind: Kind) -> None:
    text = line(event(kind)).lower()
    for advice in (
        "power off away from the box",
        "don't open",
        "get everybody out",
        "fire service",
    ):
        assert advice in text


DANGERS = [kind for kind in Kind if KIND_CLASS[kind][0] is SignalClass.ALARM]


@pytest.mark.parametrize("kind", DANGERS)
def test_nobody_but_a_person_says_that_a_danger_is_over(kind: Kind) -> None:
    change = event(kind, Change.CLEARED, end_s=60.0)
    said = message(Stage.OVER, change, t_s=60.0, chamber_name="bench", mark="")
    assert "It is over" not in said.text
    assert "There is no sign of it now" in said.text
    assert WORDS[kind].after, "what is left to do"


@pytest.mark.parametrize("stage", [Stage.RAISED, Stage.CHANGED, Stage.STILL])
def test_who_may_take_the_part_out_is_told_to_air_the_room(stage: Stage) -> None:
    change = event(Kind.COOL_ENOUGH, sensors=(), detail={"cause": "clear", "temperature_c": 39.0})
    said = message(stage, change, t_s=90.0, chamber_name="bench", mark="")
    for text in (said.text, line(change)):
        assert "Air the room before you open the box" in text


FIGURES: dict[str, JsonValue] = {
    "cause": "clear",
    "rise_k": 18.2,
    "window_s": 60.0,
    "temperature_c": 71.0,
    "limit_c": 65.0,
    "smoke_before_s": 30.0,
    "evidence": [{"sign": "smoke", "share": 0.3, "pm2_5_ug_per_m3": 480}],
}


@pytest.mark.parametrize("stage", Stage)
@pytest.mark.parametrize("kind", DANGERS)
def test_what_to_do_in_a_danger_comes_before_any_figure(kind: Kind, stage: Stage) -> None:
    over = stage is Stage.OVER
    change = event(
        kind,
        Change.CLEARED if over else Change.RAISED,
        end_s=90.0 if over else None,
        height_mm=19.2,
        sensors=("camera",),
        detail=FIGURES,
    )
    todo = WORDS[kind].after if over else WORDS[kind].todo
    said = message(stage, change, t_s=90.0, chamber_name="bench", mark="Simulated").text
    for text in (said, line(change)):
        before, found, behind = text.partition(todo)
        assert found, text
        assert not re.search(r"\d", before), text
        assert re.search(r"\d", behind), "the figures are still told"


def test_a_rule_that_broke_is_not_told_as_a_time_without_any_watch() -> None:
    change = event(Kind.WATCH_GAP, subject="rules", sensors=(), detail=HELD_UP)
    said = message(Stage.RAISED, change, t_s=30.0, chamber_name="north bench", mark="")
    assert said.title == "north bench: Part of the watch failed"
    assert said.text.startswith(
        "Part of the watch isn't working, for 30 s now. "
        "Held up by a defect: doors, but not the heat of a fire. It is begun anew by itself"
    )
    for text in (said.text, line(change)):
        assert "nothing was watching" not in text
        assert "look in on it until the page says that this is over" in text


def test_an_end_that_was_only_inferred_says_so() -> None:
    change = event(
        Kind.DOOR_OPEN,
        Change.CLEARED,
        end_s=60.0,
        detail={"cause": "clear", "ended": "the air has settled at its new level"},
    )
    said = message(Stage.OVER, change, t_s=60.0, chamber_name="bench", mark="")
    assert "over, as far as can be told: the air has settled at its new level." in said.text


@pytest.mark.parametrize(
    ("kind", "subject", "said"),
    [
        (Kind.SENSOR_FAULT, "top", "Sensor top gives no reading that can be trusted."),
        (Kind.SENSOR_FAULT, "contact door", "Switch door gives no reading that can be trusted."),
        (
            Kind.SENSOR_FAULT,
            "particles exhaust",
            "Particle sensor exhaust gives no reading that can be trusted.",
        ),
        (
            Kind.DELIVERY_FAULT,
            "mailto:cox@shed.example",
            "Messages by e-mail to cox@shed.example don't get through.",
        ),
        (
            Kind.DELIVERY_FAULT,
            "webpush:cox",
            "Messages by push to cox don't get through. Don't count on being told there: open the "
            "page Telephones on that telephone",
        ),
        (Kind.DELIVERY_FAULT, "sounder of bench", "The sounder of bench doesn't work: nothing"),
        (
            Kind.DELIVERY_FAULT,
            "the machine",
            "What the machine tells of its jobs doesn't get here. See whether the broker runs",
        ),
        (Kind.DELIVERY_FAULT, "page", "No telephone can open the page of Stillair."),
        (Kind.DETECTOR_CONTACT, "heat head", "The fire detector heat head has gone off."),
        (Kind.DETECTOR_CONTACT, "", "The fire detector has gone off."),
    ],
)
def test_who_it_is_about(kind: Kind, subject: str, said: str) -> None:
    assert line(event(kind, subject=subject, sensors=())).startswith(said)


@pytest.mark.parametrize(
    ("after_s", "said"),
    [(0.4, "don't get through. "), (8.0, "don't get through, for 8 s now. ")],
)
def test_what_has_just_begun_has_no_length(after_s: float, said: str) -> None:
    change = event(Kind.DELIVERY_FAULT, subject="mailto:cox@shed.example", sensors=())
    t_s = change.onset_s + after_s
    assert said in message(Stage.RAISED, change, t_s=t_s, chamber_name="bench", mark="").text


def test_every_kind_has_words() -> None:
    assert set(WORDS) == set(Kind)


JSON: st.SearchStrategy[JsonValue] = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=2),
    max_leaves=3,
)
KEYS = [
    *("cause", "or", "reason", "ended"),
    *("drop_k", "rise_k", "window_s", "temperature_c", "limit_c", "target_c", "gap_s"),
]
DETAILS = st.dictionaries(st.sampled_from(KEYS), JSON)


@given(
    kind=st.sampled_from(Kind),
    stage=st.sampled_from(Stage),
    detail=DETAILS,
    subject=st.text(max_size=30),
    name=st.text(max_size=30),
    mark=st.sampled_from(["", "Simulated", "Recorded"]),
    span_s=st.floats(-1e9, 1e9),
)
def test_whatever_the_details_it_reads_as_sentences(
    kind: Kind,
    stage: Stage,
    detail: dict[str, JsonValue],
    subject: str,
    name: str,
    mark: str,
    span_s: float,
) -> None:
    over = stage is Stage.OVER
    change = event(
        kind,
        Change.CLEARED if over else Change.RAISED,
        end_s=span_s if over else None,
        detail=detail,
        subject=subject,
    )
    said = message(stage, change, t_s=span_s, chamber_name=name, mark=mark)
    assert said.title.isprintable()
    assert said.text.startswith(f"{mark}: ") or not mark
    told = said.text.split("\n")[0]
    for text in (told, line(change), story(change, t_s=span_s)):
        assert text.endswith((".", "…"))
        assert text.isprintable()
        assert len(text) < 1500
        if not re.search(r"[{}]|\.\.|  ", subject + str(detail)):
            assert not re.search(r"\{|\}|\.\.|  ", text)


@pytest.mark.parametrize(
    ("place", "said"),
    [
        pytest.param(
            "electronics",
            "The electronics at psu are hotter than they may get. See whether their fan turns",
            id="electronics",
        ),
        pytest.param(
            "bed",
            "The bed is hotter at psu than it may get. Switch the machine off",
            id="bed",
        ),
        pytest.param(
            None, "It is hotter than the box may get. Switch the heating off", id="the air"
        ),
    ],
)
def test_too_hot_is_told_with_its_place(place: str | None, said: str) -> None:
    detail: dict[str, JsonValue] = {"cause": "clear", "temperature_c": 71.0, "limit_c": 65.0}
    if place is not None:
        detail["place"] = place
    told = line(event(Kind.OVER_TEMPERATURE, detail=detail, subject="psu", sensors=("psu",)))
    assert told.startswith(said)
    assert told.endswith("The highest so far is 71.0 °C, the limit is 65.0 °C.")


@pytest.mark.parametrize("condition", [c for c in CameraCondition if c is not CameraCondition.FIT])
def test_each_unfit_view_has_its_own_words_and_remedy(condition: CameraCondition) -> None:
    detail = {"cause": "clear", "condition": condition.value, "reason": ""}
    told = line(event(Kind.CAMERA_FAULT, detail=detail, sensors=()))
    now, was, todo = seen.VIEW[condition]
    smoke = "It may be thick smoke. " if condition is CameraCondition.COVERED else ""
    stands = seen.PAUSED_ALONE if condition is CameraCondition.PAUSED else seen.SENSORS_ALONE
    assert told == f"{now}. {todo} {smoke}{stands}"
    over = event(Kind.CAMERA_FAULT, Change.CLEARED, detail=detail, sensors=(), end_s=80.0)
    assert line(over) == f"{was}."
    others = [words for c, words in seen.VIEW.items() if c is not condition]
    assert all(words[0] != now and words[2] != todo for words in others)
