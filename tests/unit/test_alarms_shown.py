"""What people read of a fire: what was seen of it, for how long, and who was silent."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from stillair.alarms.events import Events
from stillair.alarms.wording import Stage, line, message, story
from stillair.model import KIND_CLASS, Change, EventChange, Finding, JsonValue, Kind


def event(kind: Kind, **more: Any) -> EventChange:
    fields: dict[str, Any] = {"onset_s": 0.0, "sensors": ("top",), "detail": {"cause": "clear"}}
    return EventChange(1, Change.RAISED, 90.0, kind, *KIND_CLASS[kind], **(fields | more))


SEEN: JsonValue = [{"sign": "flame", "share": 0.042, "regions": [[0.1, 0.2, 0.3, 0.4]]}]


@pytest.mark.parametrize(
    ("kind", "more", "said"),
    [
        pytest.param(
            Kind.FLAME,
            {"sensors": ("camera",), "detail": {"cause": "clear", "evidence": SEEN}},
            "The camera sees what looks like flame. Look at the picture. Don't open the box. If it "
            "is burning, or you can't tell: switch the power off away from the box, get everybody "
            "out and call the fire service. What is seen covers 4.2 % of the picture.",
            id="how large a flame is",
        ),
        pytest.param(
            Kind.FIRE,
            {
                "detail": {
                    "cause": "clear",
                    "evidence": [{"sign": "rapid_rise"}, {"sign": "flame"}, {"sign": "flame"}],
                    "missing": ["low", "door"],
                }
            },
            "There is fire in the box. Switch the power off away from the box, at the wall or at "
            "the fuses. Don't open the box. Get everybody out and call the fire service. The fire "
            "shows by heat rising fast and flame in the picture. Nothing was heard then of low and "
            "door.",
            id="by which signs, and who told nothing",
        ),
        pytest.param(
            Kind.SMOKE,
            {
                "sensors": ("bench air",),
                "detail": {
                    "cause": "clear",
                    "evidence": [{"sign": "particles", "pm2_5_ug_per_m3": 480}],
                },
            },
            "As many fine particles are in the air at bench air as smoke brings. Don't open the "
            "box. If it is burning, or you can't tell: switch the power off away from the box, get "
            "everybody out and call the fire service. The air holds 480 µg/m³ of fine particles.",
            id="smoke that no camera saw",
        ),
    ],
)
def test_what_was_seen_is_said(kind: Kind, more: dict[str, Any], said: str) -> None:
    assert line(event(kind, **more)) == said


@pytest.mark.parametrize(
    "detail",
    [
        {"evidence": "smoke"},
        {"evidence": [1, None, {"sign": []}, {"share": True}, {"share": "x"}]},
        {"missing": "camera"},
        {"missing": []},
        {"missing": [], "doubted": "top"},
        {"condition": "unheard of"},
    ],
)
def test_evidence_of_another_form_breaks_no_word(detail: dict[str, JsonValue]) -> None:
    for kind in (Kind.FIRE, Kind.SMOKE, Kind.CAMERA_FAULT):
        plain = line(event(kind, sensors=("camera",)))
        assert line(event(kind, sensors=("camera",), detail=detail)) == plain


def burnt(smoke_s: float, flame_s: float, **more: JsonValue) -> dict[str, JsonValue]:
    return {
        "evidence": [
            {"sign": "smoke", "age_s": smoke_s, "share": 1.0},
            {"sign": "flame", "age_s": flame_s, "share": 0.1},
        ],
        **more,
    }


def test_a_fire_counts_from_when_it_was_more_than_smoke() -> None:
    known = Events((), 1)
    fire = Finding(Kind.FIRE, Change.RAISED, 300.0, 0.0, ("camera",), burnt(300.0, 60.0))
    (raised,) = known.take(300.0, fire, None)
    assert story(raised, t_s=360.0).startswith(
        "Fire for 2 min so far. The fire shows by smoke in the picture and flame in the picture. "
        "Before that there was smoke for 4 min."
    )
    assert "covers" not in line(raised), "flame and smoke each cover their own part"
    later = replace(fire, change=Change.REVISED, at_s=400.0, detail=burnt(400.0, 5.0))
    (revised,) = known.take(400.0, later, None)
    assert story(revised, t_s=420.0).startswith("Fire for 3 min so far."), "a flame that came again"
    (message_now,) = {message(Stage.STILL, revised, t_s=420.0, chamber_name="n", mark="").text}
    assert "It began 3 min ago. The fire shows" in message_now


def test_a_fire_without_smoke_before_counts_from_its_onset() -> None:
    fire = Finding(Kind.FIRE, Change.RAISED, 300.0, 200.0, ("camera",), burnt(20.0, 100.0))
    (raised,) = Events((), 1).take(300.0, fire, None)
    assert "smoke_before_s" not in raised.detail
    assert story(raised, t_s=320.0).startswith("Fire for 2 min so far.")


def test_who_showed_the_fire_was_not_silent() -> None:
    detail: dict[str, JsonValue] = {
        "cause": "clear",
        "evidence": [{"sign": "flame", "sources": ["camera"]}],
        "missing": ["camera", "low"],
    }
    assert line(event(Kind.FIRE, detail=detail)).endswith("Nothing was heard then of low.")
    alone = {**detail, "missing": ["camera"]}
    assert "Nothing was heard" not in line(event(Kind.FIRE, detail=alone))


def test_who_told_what_is_not_trusted_was_not_silent() -> None:
    detail: dict[str, JsonValue] = {"missing": ["top", "low", "camera"], "doubted": ["top", "low"]}
    assert line(event(Kind.DOOR_OPEN, detail=detail)).endswith(
        "Nothing was heard then of the camera. What top and low told then isn't trusted."
    )
    alone = {**detail, "missing": ["top"]}
    assert line(event(Kind.DOOR_OPEN, detail=alone)).endswith("What top told then isn't trusted.")


def test_what_lasted_less_than_a_second_lasted_a_moment() -> None:
    stood = event(Kind.CAMERA_FAULT, sensors=("camera",))
    fault = replace(stood, change=Change.CLEARED, end_s=0.3)
    assert "for a moment" in story(fault, t_s=60.0)
    assert " 0 s" not in story(fault, t_s=60.0)
