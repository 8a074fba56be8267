"""When signs of fire make an event, which one, and when it is over."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.fire.verdict import HELD_S, QUIET_S, TOGETHER_S, FireVerdict
from stillair.model import (
    Change,
    Detail,
    EventChange,
    Finding,
    JsonValue,
    Kind,
    Priority,
    Sense,
    Sign,
    SignalClass,
)


@dataclass(frozen=True)
class Given:
    """A sign given every second from `start_s` until before `end_s`."""

    sense: Sense
    name: str
    start_s: int
    end_s: int
    strength: float = 0.6
    lasting: bool = False
    source: str = ""
    detail: Detail = field(default_factory=dict)

    def sign(self, t_s: float) -> Sign:
        source = self.source or USUAL[self.sense]
        return Sign(
            self.sense,
            self.name,
            t_s,
            self.start_s,
            self.strength,
            (source,),
            self.lasting,
            self.detail,
        )


USUAL = {
    Sense.HEAT: "top",
    Sense.CAMERA: "camera",
    Sense.CONTACT: "detector",
    Sense.PARTICLES: "air",
}
SOURCES = ("top", "low", "camera", "detector", "left", "right", "bay 9", "air")
Heard = Callable[[float], tuple[str, ...]]


def all_heard(t_s: float) -> tuple[str, ...]:
    return SOURCES


def run(
    *given: Given, until_s: int = 600, combustible: bool = True, heard: Heard = all_heard
) -> list[Finding]:
    verdict = FireVerdict(combustible=combustible)
    found: list[Finding] = []
    for t_s in range(until_s):
        for one in given:
            if one.start_s <= t_s < one.end_s:
                verdict.take(one.sign(t_s))
        found.extend(verdict.tick(float(t_s), dict.fromkeys(heard(t_s), float(t_s))))
    return found


def raised(found: list[Finding]) -> list[tuple[str, float]]:
    return [(f.kind.value, f.at_s) for f in found if f.change is Change.RAISED]


HEAT, CAMERA, CONTACT, PARTICLES = Sense.HEAT, Sense.CAMERA, Sense.CONTACT, Sense.PARTICLES


@pytest.mark.parametrize(
    ("given_signs", "expected"),
    [
        pytest.param([], [], id="nothing"),
        pytest.param(
            [Given(CONTACT, "detector", 10, 11, 1.0)],
            [("detector_contact", 10)],
            id="a detector's contact, at once",
        ),
        pytest.param(
            [Given(HEAT, "static_response", 10, 60, 0.95, lasting=True)],
            [("fire", 10)],
            id="heat that lasts is fire by itself",
        ),
        pytest.param(
            [Given(HEAT, "rapid_rise", 10, 60)], [], id="rising heat alone is no fire yet"
        ),
        pytest.param([Given(CAMERA, "smoke", 10, 60)], [("smoke", 10)], id="smoke alone"),
        pytest.param([Given(CAMERA, "smoke", 10, 60, 0.4)], [], id="a hint of smoke"),
        pytest.param([Given(CAMERA, "flame", 10, 14)], [("flame", 10)], id="a flame that goes"),
        pytest.param(
            [Given(CAMERA, "flame", 10, 60)],
            [("flame", 10), ("fire", 15)],
            id="a flame that stays 5 s",
        ),
        pytest.param(
            [Given(CAMERA, "flame", 10, 60, lasting=True)],
            [("flame", 10), ("fire", 10)],
            id="a flame known to stay",
        ),
        pytest.param(
            [Given(CAMERA, "smoke", 10, 20), Given(HEAT, "rapid_rise", 50, 60)],
            [("smoke", 10), ("fire", 50)],
            id="smoke, then heat within a minute: 1 - 0.4 x 0.4 = 0.84",
        ),
        pytest.param(
            [Given(CAMERA, "smoke", 10, 20), Given(HEAT, "rapid_rise", 90, 99)],
            [("smoke", 10)],
            id="smoke, then heat 71 s after its end",
        ),
        pytest.param(
            [Given(CAMERA, "smoke", 10, 60, 0.4), Given(HEAT, "high_limit", 10, 60, 0.5)],
            [("fire", 10)],
            id="two weak ones, but the box burns: 1 - 0.6 x 0.5 = 0.7",
        ),
        pytest.param(
            [Given(CAMERA, "smoke", 10, 60, 0.4), Given(HEAT, "high_limit", 10, 60, 0.4)],
            [],
            id="two that are too weak: 1 - 0.6 x 0.6 = 0.64",
        ),
        pytest.param(
            [Given(PARTICLES, "particles", 10, 60, 0.5)], [("smoke", 10)], id="particles alone"
        ),
        pytest.param([Given(PARTICLES, "particles", 10, 60, 0.4)], [], id="a little dust"),
        pytest.param(
            [Given(CAMERA, "smoke", 10, 60, 0.5), Given(PARTICLES, "particles", 30, 60, 0.5)],
            [("smoke", 10), ("fire", 30)],
            id="smoke seen and counted: two senses, one smoke",
        ),
        pytest.param(
            [Given(CAMERA, "smoke", 10, 60, 0.9), Given(CAMERA, "flame", 30, 34, 0.9)],
            [("smoke", 10), ("flame", 30)],
            id="smoke and a flame that goes are one sense's word",
        ),
        pytest.param(
            [Given(CAMERA, "flame", start_s, start_s + 3) for start_s in range(10, 60, 7)],
            [("flame", 10)],
            id="flashes of 3 s, one every 7 s: none stays",
        ),
        pytest.param(
            [Given(CAMERA, "flame", start_s, start_s + 3) for start_s in range(10, 60, 5)],
            [("flame", 10), ("fire", 15)],
            id="a flame hidden for 2 s now and then",
        ),
        pytest.param(
            [Given(CAMERA, "flame", 10, 13, 0.6), Given(CAMERA, "flame", 13, 60, 0.4)],
            [("flame", 10)],
            id="a flame that hardly is one any more",
        ),
        pytest.param(
            [
                Given(CAMERA, "flame", t_s, t_s + 1, 0.6 if t_s % 2 else 0.45)
                for t_s in range(11, 60)
            ],
            [("flame", 11), ("fire", 17)],
            id="a flame that wavers between sure and not",
        ),
        pytest.param(
            [
                Given(CAMERA, "smoke", 10, 20, 0.9),
                Given(CAMERA, "smoke", 20, 400, 0.3),
                Given(HEAT, "high_limit", 200, 400, 0.5),
            ],
            [("smoke", 10)],
            id="smoke that was clear minutes ago and is hardly seen now",
        ),
        pytest.param(
            [Given(CAMERA, "smoke", 10, 60, 0.5), Given(HEAT, "high_limit", 10, 60, 0.5)],
            [("smoke", 10), ("fire", 10)],
            id="two even chances: 0.75",
        ),
        pytest.param(
            [Given(HEAT, "rapid_rise", 10, 60, 0.6), Given(HEAT, "high_limit", 10, 60, 0.6)],
            [],
            id="two signs of one sense are one witness",
        ),
        pytest.param(
            [Given(CONTACT, "detector", 10, 11, 1.0), Given(CAMERA, "smoke", 20, 30, 0.5)],
            [("detector_contact", 10), ("smoke", 20), ("fire", 20)],
            id="detector and smoke",
        ),
    ],
)
def test_signs_make_an_event(given_signs: list[Given], expected: list[tuple[str, float]]) -> None:
    assert raised(run(*given_signs)) == expected


def test_a_flame_must_stay_longer_where_the_box_does_not_burn() -> None:
    flame = Given(CAMERA, "flame", 10, 60)
    assert ("fire", 20) in raised(run(flame, combustible=False))


def test_two_senses_must_be_surer_where_the_box_does_not_burn() -> None:
    weak = [Given(CAMERA, "smoke", 10, 60, 0.4), Given(HEAT, "high_limit", 10, 60, 0.5)]
    assert raised(run(*weak, combustible=False)) == []
    even = [Given(CAMERA, "smoke", 10, 60, 0.5), Given(HEAT, "high_limit", 10, 60, 0.5)]
    assert raised(run(*even, combustible=False)) == [("smoke", 10), ("fire", 10)]


def test_a_verdict_keeps_its_evidence() -> None:
    seen: Detail = {"regions": [[0.1, 0.5, 0.3, 0.9]], "share": 0.05}
    smoke, fire = run(
        Given(CAMERA, "smoke", 10, 20, 0.55, detail=seen),
        Given(HEAT, "rapid_rise", 50, 52, detail={"rise_k": 9.0}),
        until_s=60,
    )
    assert smoke.detail["evidence"] == [
        {
            **seen,
            "sign": "smoke",
            "sense": "camera",
            "sources": ["camera"],
            "strength": 0.55,
            "age_s": 0.0,
        }
    ]
    assert fire.detail["signs"] == ["rapid_rise", "smoke"]
    assert fire.detail["belief"] == 0.82
    assert fire.detail["evidence"] == [
        {
            "rise_k": 9.0,
            "sign": "rapid_rise",
            "sense": "heat",
            "sources": ["top"],
            "strength": 0.6,
            "age_s": 0.0,
        },
        {
            **seen,
            "ended_s": 31.0,
            "sign": "smoke",
            "sense": "camera",
            "sources": ["camera"],
            "strength": 0.55,
            "age_s": 40.0,
        },
    ]


def test_smoke_that_has_doubled_is_told_anew() -> None:
    verdict = FireVerdict(combustible=True)
    told: list[Finding] = []
    for t_s in range(10, 50):
        smoke = Given(CAMERA, "smoke", 10, 60, detail={"share": 0.02 * (1 + (t_s - 10) / 10)})
        verdict.take(smoke.sign(t_s))
        told.extend(verdict.tick(float(t_s), {}))
    assert [(f.change, f.at_s) for f in told] == [
        (Change.RAISED, 10.0),
        (Change.REVISED, 20.0),
        (Change.REVISED, 40.0),
    ]


def test_a_detector_stands_until_its_contact_is_normal() -> None:
    verdict = FireVerdict(combustible=True)
    verdict.take(Given(CONTACT, "detector", 5, 6, 1.0).sign(5.0))
    assert [f.change for f in verdict.tick(5.0, {})] == [Change.RAISED]
    assert verdict.tick(5000.0, {}) == ()
    verdict.take(Given(CONTACT, "detector", 5, 6, 0.0).sign(6000.0))
    (over,) = verdict.tick(6000.0, {})
    assert (over.kind, over.change, over.subject) == (
        Kind.DETECTOR_CONTACT,
        Change.CLEARED,
        "detector",
    )


def test_two_detectors_are_two_events() -> None:
    found = run(
        Given(CONTACT, "detector", 5, 6, 1.0, source="left"),
        Given(CONTACT, "detector", 8, 9, 1.0, source="right"),
    )
    assert [(f.subject, f.at_s) for f in found if f.change is Change.RAISED] == [
        ("left", 5),
        ("right", 8),
    ]


def test_smoke_is_over_a_minute_after_the_last_sign() -> None:
    found = run(Given(CAMERA, "smoke", 10, 60))
    (over,) = [f for f in found if f.change is Change.CLEARED]
    assert over.kind is Kind.SMOKE
    assert over.end_s == 59
    assert QUIET_S <= over.at_s - 59 <= QUIET_S + HELD_S + 1


def test_fire_is_not_over_while_the_heat_lasts() -> None:
    found = run(Given(HEAT, "static_response", 10, 500, 0.95, lasting=True))
    assert [f.change for f in found if f.kind is Kind.FIRE] == [Change.RAISED, Change.CLEARED]
    assert found[-1].at_s >= 499 + QUIET_S


STATIC = Given(HEAT, "static_response", 10, 100, 0.95, lasting=True)
LOW = Given(HEAT, "static_response", 20, 100, 0.95, lasting=True, source="low")


def until(end_s: float, *names: str, again_s: float = 1e9) -> Heard:
    """These are heard until `end_s`, and from `again_s` on; "low" all the time."""
    return lambda t_s: (*(names if t_s < end_s or t_s >= again_s else ()), "low")


@pytest.mark.parametrize(
    ("given_signs", "heard", "expected"),
    [
        pytest.param([STATIC], all_heard, [("cleared", 160)], id="what showed it shows its end"),
        pytest.param(
            [STATIC], until(100, "top"), [("revised", 160)], id="its only sensor has burnt"
        ),
        pytest.param(
            [STATIC],
            until(130, "top"),
            [("revised", 160)],
            id="heard for half a minute more, then no longer",
        ),
        pytest.param(
            [STATIC],
            until(100, "top", again_s=400),
            [("revised", 160), ("cleared", 460)],
            id="heard again: over a minute later",
        ),
        pytest.param(
            [STATIC, LOW],
            until(60, "top"),
            [("revised", 20), ("cleared", 160)],
            id="one of two has burnt: the other one's calm minute counts",
        ),
        pytest.param(
            [STATIC, replace(STATIC, start_s=300, end_s=320)],
            until(100, "top", again_s=290),
            [("revised", 160), ("revised", 300), ("cleared", 380)],
            id="heard again, and it burns on",
        ),
    ],
)
def test_a_fire_is_over_only_where_that_can_be_seen(
    given_signs: list[Given], heard: Heard, expected: list[tuple[str, int]]
) -> None:
    found = run(*given_signs, heard=heard, until_s=3000)[1:]
    assert {f.kind for f in found} == {Kind.FIRE}
    told = [(f.change.value, f.at_s) for f in found]
    assert [what for what, _ in told] == [what for what, _ in expected]
    assert [at_s for _, at_s in told] == pytest.approx([at_s for _, at_s in expected], abs=1.0)
    for finding in found:
        lost = finding.change is Change.REVISED and finding.at_s == pytest.approx(160, abs=1.0)
        assert (finding.detail.get("blind") is True) == lost


HOT = Given(HEAT, "high_limit", 50, 400, 0.5, source="low", detail={"temperature_c": 82.0})


@pytest.mark.parametrize(
    ("hot", "over_s"),
    [
        pytest.param(HOT, 460, id="another sensor of the air"),
        pytest.param(replace(HOT, source="top"), 460, id="the one that showed it"),
        pytest.param(replace(HOT, detail={"place": "electronics"}, start_s=110), 160, id="a board"),
    ],
)
def test_a_fire_is_not_over_while_the_air_is_above_its_limit(hot: Given, over_s: int) -> None:
    found = [f for f in run(STATIC, hot, until_s=900) if f.kind is Kind.FIRE]
    assert found[-1].change is Change.CLEARED
    assert found[-1].at_s == pytest.approx(over_s, abs=1.0)


@pytest.mark.parametrize(
    ("low_c", "over"),
    [
        pytest.param(89.0, False, id="cooler: it was not there that it burnt"),
        pytest.param(97.0, True, id="as hot"),
        pytest.param(None, False, id="below the limit, it only rose"),
    ],
)
def test_a_cooler_sensor_does_not_outvote_the_hottest_that_is_silent(
    low_c: float | None, over: bool
) -> None:
    top = replace(STATIC, detail={"temperature_c": 100.0})
    low = replace(LOW, detail={"temperature_c": low_c})
    if low_c is None:
        low = replace(LOW, name="rapid_rise", lasting=False, detail={"rise_k": 30.0})
    found = run(top, low, heard=until(100, "top"), until_s=3000)
    assert found[-1].change is (Change.CLEARED if over else Change.REVISED)
    assert (found[-1].detail.get("blind") is True) is not over
    back = run(top, low, heard=until(100, "top", again_s=600), until_s=3000)
    assert back[-1].change is Change.CLEARED


def test_smoke_stands_while_the_camera_is_blind() -> None:
    smoke = Given(CAMERA, "smoke", 10, 60)
    found = run(smoke, heard=until(70, "camera", again_s=300))
    assert [(f.change, f.detail.get("blind")) for f in found] == [
        (Change.RAISED, None),
        (Change.REVISED, True),
        (Change.CLEARED, None),
    ]
    assert found[2].at_s >= 300 + QUIET_S


FLAME = Given(CAMERA, "flame", 10, 30, 0.8)
WARMER = Given(HEAT, "rapid_rise", 20, 40)


@pytest.mark.parametrize(
    ("heard", "expected"),
    [
        pytest.param(all_heard, ["raised", "revised", "cleared"], id="both see that it is over"),
        pytest.param(
            until(40, "camera", "top", again_s=1e9),
            ["raised", "revised", "revised"],
            id="none can",
        ),
        pytest.param(
            lambda t_s: ("top", "camera") if t_s < 40 or t_s >= 400 else ("top",),
            ["raised", "revised", "revised", "cleared"],
            id="the lens is full of soot: the air alone can't tell",
        ),
        pytest.param(
            lambda t_s: ("top", "camera") if t_s < 40 or t_s >= 400 else ("camera",),
            ["raised", "revised", "revised", "cleared"],
            id="the sensor has burnt: the camera alone can't tell",
        ),
    ],
)
def test_each_sense_that_showed_a_fire_has_to_see_its_end(
    heard: Heard, expected: list[str]
) -> None:
    found = [f for f in run(FLAME, WARMER, heard=heard, until_s=900) if f.kind is Kind.FIRE]
    assert [f.change.value for f in found] == expected
    if len(expected) == 4:
        assert found[-1].at_s == pytest.approx(400 + QUIET_S, abs=1.0)
        assert found[-2].detail["blind"] is True


def test_a_sensor_that_is_read_seldom_is_waited_for() -> None:
    verdict = FireVerdict(combustible=True)
    found: list[Finding] = []
    for t_s in range(400):
        if 10 <= t_s < 100 and t_s % 10 == 0:
            verdict.take(STATIC.sign(t_s))
        found.extend(verdict.tick(float(t_s), {"top": 10.0 * (t_s // 10)}))
    assert [(f.change, f.at_s) for f in found] == [(Change.RAISED, 10.0), (Change.CLEARED, 150.0)]


def test_a_person_may_say_that_a_fire_is_over_which_nobody_can_see() -> None:
    verdict = FireVerdict(combustible=True)
    for t_s in range(10, 100):
        verdict.take(STATIC.sign(t_s))
        verdict.tick(float(t_s), {"top": float(t_s)})
    assert list(verdict.said_over(Kind.FIRE, "", 100.0, "somebody said so")) == [], "it can be seen"
    told = [f for t_s in range(100, 5000) for f in verdict.tick(float(t_s), {})]
    assert [f.change for f in told] == [Change.REVISED]
    (over,) = verdict.said_over(Kind.FIRE, "", 5000.0, "somebody said so")
    assert (over.change, over.end_s) == (Change.CLEARED, 99.0)
    assert over.detail["ended"] == "somebody said so"
    assert not {"blind", "reason"} & set(over.detail)
    assert not verdict.stands


def test_fire_by_heat_alone_says_what_else_it_may_be() -> None:
    found = run(
        Given(HEAT, "static_response", 10, 200, 0.95, lasting=True),
        Given(HEAT, "rapid_rise", 100, 120),
    )
    assert found[0].detail["cause"] == "uncertain"
    assert found[0].detail["or"] == "over_temperature"
    revised = [f for f in found if f.change is Change.REVISED]
    assert revised and revised[0].detail["cause"] == "clear"


def test_a_sensor_that_joins_is_named() -> None:
    found = run(
        Given(HEAT, "static_response", 10, 60, 0.95, lasting=True),
        Given(HEAT, "static_response", 20, 60, 0.95, lasting=True, source="low"),
    )
    assert found[0].sensors == ("top",)
    assert found[1].change is Change.REVISED
    assert found[1].sensors == ("low", "top")


signs = st.builds(
    Given,
    st.sampled_from(Sense),
    st.sampled_from(["flame", "smoke", "rapid_rise", "static_response", "detector", "particles"]),
    st.integers(0, 300),
    st.integers(0, 300),
    st.floats(0.0, 1.0),
    st.booleans(),
)


@given(st.lists(signs, max_size=6))
def test_every_event_is_raised_once_before_it_is_revised_or_cleared(
    given_signs: list[Given],
) -> None:
    open_now: set[tuple[Kind, str]] = set()
    for finding in run(*given_signs, until_s=420):
        key = (finding.kind, finding.subject)
        assert (finding.change is Change.RAISED) == (key not in open_now)
        if finding.change is Change.CLEARED:
            assert finding.end_s is not None and finding.end_s >= finding.onset_s
            open_now.discard(key)
        else:
            open_now.add(key)
        assert finding.onset_s <= finding.at_s
        assert finding.detail.get("cause") == "clear" or "or" in finding.detail


@given(st.lists(signs, max_size=5), st.integers(0, 200))
def test_lasting_heat_is_fire_whatever_else_there_is(others: list[Given], start_s: int) -> None:
    heat = Given(HEAT, "static_response", start_s, 300, 0.95, lasting=True, source="bay 9")
    found = run(*others, heat, until_s=start_s + 1)
    times = [f.at_s for f in found if f.kind is Kind.FIRE and f.change is Change.RAISED]
    assert times and times[0] <= start_s


def test_signs_of_two_senses_speak_together_for_a_minute() -> None:
    assert TOGETHER_S == 60.0
    late = Given(HEAT, "rapid_rise", 20 + 60, 90)
    assert ("fire", 80) in raised(run(Given(CAMERA, "smoke", 10, 21), late))


def test_a_fire_that_grows_is_told_anew_with_its_heat() -> None:
    verdict = FireVerdict(combustible=True)
    told: list[Finding] = []
    for t_s in range(10, 60):
        heat = Given(HEAT, "static_response", 10, 60, 0.95, lasting=True).sign(t_s)
        verdict.take(replace(heat, detail={"temperature_c": 84.0 + 0.5 * (t_s - 10)}))
        told.extend(verdict.tick(float(t_s), {}))
    assert [f.change for f in told] == [Change.RAISED] + [Change.REVISED] * 4
    assert [f.detail["temperature_c"] for f in told] == [84.0, 89.0, 94.0, 99.0, 104.0]


def standing(kind: Kind, *evidence: str) -> EventChange:
    """As it was told by the camera before a stop."""
    told: list[JsonValue] = [{"sign": name} for name in evidence]
    return EventChange(
        1,
        Change.RAISED,
        0.0,
        kind,
        SignalClass.ALARM,
        Priority.HIGH,
        0.0,
        ("camera",),
        {"cause": "clear", "evidence": told},
    )


@pytest.mark.parametrize(
    ("event", "ends"),
    [
        pytest.param(standing(Kind.SMOKE, "smoke"), False, id="smoke"),
        pytest.param(standing(Kind.FIRE, "flame", "smoke"), False, id="a fire that smoked"),
        pytest.param(standing(Kind.FLAME, "flame"), True, id="a flame, which is no scene"),
    ],
)
def test_after_a_restart_a_camera_can_not_know_that_smoke_is_gone(
    event: EventChange, ends: bool
) -> None:
    verdict = FireVerdict(combustible=True, standing=(event,))
    found = [f for t in range(200) for f in verdict.tick(float(t), {"camera": float(t)})]
    assert [f.change for f in found] == [Change.CLEARED if ends else Change.REVISED]
    assert found[0].detail.get("blind") is (None if ends else True)
    seen_again = Given(Sense.CAMERA, "smoke", 200, 220)
    for t in range(200, 400):
        if t < 220:
            verdict.take(seen_again.sign(t))
        found += verdict.tick(float(t), {"camera": float(t)})
    assert found[-1].change is Change.CLEARED, "what it has seen again it sees the end of"
