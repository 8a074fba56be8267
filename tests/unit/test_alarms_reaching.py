"""Who is told in which order: routes, people, quiet hours, and the end to all who know."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from stillair.alarms.catalogue import CATALOGUE
from stillair.alarms.reaching import Person, QuietHours, first_way, ladder
from stillair.model import (
    KIND_CLASS,
    Annunciation,
    HeldState,
    Kind,
    Priority,
    Suppression,
    Unshelve,
)
from unit.alarm_shed import IDLE, Shed, make_desk

CAPTAIN = Person("bench captain", ("push:captain", "mailto:captain@shed.example"))
COX = Person("cox", ("push:cox", "mailto:cox@shed.example"))
STROKE = Person("stroke", ("push:stroke",))
CREW = (CAPTAIN, COX, STROKE)
NIGHT = QuietHours(22 * 60, 7 * 60, ZoneInfo("Europe/Berlin"))


@pytest.mark.parametrize(
    ("kind", "people", "failing", "steps"),
    [
        pytest.param(
            Kind.FIRE,
            CREW,
            (),
            "0 push:captain, 0 captain, 0 push:cox, 0 cox, 0 push:stroke",
            id="critical danger: everybody at once, on every way",
        ),
        pytest.param(
            Kind.SMOKE,
            CREW,
            (),
            "0 push:captain, 0 captain, 120 push:cox, 120 cox, 240 push:stroke",
            id="other danger: the first on all ways, the next after two minutes",
        ),
        pytest.param(
            Kind.DOOR_OPEN,
            CREW,
            (),
            "0 push:captain, 600 captain, 900 push:cox, 1500 cox, 1800 push:stroke",
            id="anything else: way by way, and person by person",
        ),
        pytest.param(
            Kind.HEAT_LOST,
            CREW,
            (),
            "0 push:captain, 120 captain, 300 push:cox, 420 cox, 600 push:stroke",
            id="sooner where it is urgent",
        ),
        pytest.param(
            Kind.DOOR_OPEN,
            (CAPTAIN, replace(COX, after_s=60.0), replace(STROKE, after_s=0.0)),
            (),
            "0 push:captain, 0 push:stroke, 60 push:cox, 600 captain, 660 cox",
            id="as the people set it",
        ),
        pytest.param(
            Kind.SMOKE,
            (CAPTAIN, replace(COX, after_s=1800.0)),
            (),
            "0 push:captain, 0 captain, 120 push:cox, 120 cox",
            id="in danger nobody is told later for it",
        ),
        pytest.param(
            Kind.DOOR_OPEN,
            (CAPTAIN, COX),
            ("push:captain",),
            "0 captain, 900 push:cox, 1500 cox",
            id="what fails is passed over at once",
        ),
        pytest.param(
            Kind.DOOR_OPEN,
            CREW,
            CAPTAIN.routes,
            "0 push:cox, 600 cox, 1800 push:stroke",
            id="and so is who can't be reached",
        ),
        pytest.param(
            Kind.DOOR_OPEN,
            (CAPTAIN,),
            CAPTAIN.routes,
            "0 push:captain, 600 captain",
            id="all fail: they are tried",
        ),
        pytest.param(
            Kind.SMOKE,
            CREW,
            CAPTAIN.routes,
            "0 push:captain, 0 captain, 0 push:cox, 0 cox, 240 push:stroke",
            id="in danger what fails is tried as well, and the next at once",
        ),
        pytest.param(
            Kind.DOOR_OPEN,
            (STROKE, replace(COX, routes=("push:stroke", "push:cox"))),
            (),
            "0 push:stroke, 1500 push:cox",
            id="a way shared by two is taken once",
        ),
        pytest.param(Kind.FIRE, (), (), "", id="nobody"),
    ],
)
def test_the_ladder(
    kind: Kind, people: tuple[Person, ...], failing: tuple[str, ...], steps: str
) -> None:
    rungs = ladder(people, kind, KIND_CLASS[kind][1], failing=failing)
    told = (f"{r.after_s:.0f} {r.route.partition('@')[0].removeprefix('mailto:')}" for r in rungs)
    assert ", ".join(told) == steps


@pytest.mark.parametrize(
    ("failing", "told"),
    [
        ("mail", {"mqtt:shed/cox", "webhook:shed.example-0a1b2c3d", "webpush:cox"}),
        ("MQTT", {"mailto:cox@shed.example", "webhook:shed.example-0a1b2c3d", "webpush:cox"}),
        (
            "the server of webhook:shed.example-0a1b2c3d",
            {"mailto:cox@shed.example", "mqtt:shed/cox", "webpush:cox"},
        ),
        (
            "webpush:cox",
            {"mailto:cox@shed.example", "mqtt:shed/cox", "webhook:shed.example-0a1b2c3d"},
        ),
    ],
)
def test_that_a_server_fails_is_told_by_none_of_its_routes(failing: str, told: set[str]) -> None:
    routes = ("mailto:cox@shed.example", "mqtt:shed/cox", "webhook:shed.example-0a1b2c3d")
    cox = Person("cox", (*routes, "webpush:cox"))
    rungs = ladder((cox,), Kind.DELIVERY_FAULT, Priority.HIGH, without=failing)
    assert {rung.route for rung in rungs} == told


def test_a_danger_made_critical_reaches_everybody_at_once() -> None:
    assert {r.after_s for r in ladder(CREW, Kind.SMOKE, Priority.CRITICAL)} == {0.0}


@pytest.mark.parametrize(
    ("hours", "at", "holds"),
    [
        pytest.param(NIGHT, "2026-11-28T20:59:59+00:00", False, id="a second before, in winter"),
        pytest.param(NIGHT, "2026-11-28T21:00:00+00:00", True, id="at ten"),
        pytest.param(NIGHT, "2026-11-29T02:00:00+00:00", True, id="past midnight"),
        pytest.param(NIGHT, "2026-11-29T05:59:59+00:00", True, id="a second before seven"),
        pytest.param(NIGHT, "2026-11-29T06:00:00+00:00", False, id="at seven"),
        pytest.param(NIGHT, "2026-07-01T20:00:00+00:00", True, id="summer time"),
        pytest.param(QuietHours(60, 120, UTC), "2026-01-01T01:30:00+00:00", True, id="by day"),
        pytest.param(QuietHours(60, 120, UTC), "2026-01-01T02:00:00+00:00", False, id="its end"),
        pytest.param(QuietHours(60, 60, UTC), "2026-01-01T01:00:00+00:00", False, id="none at all"),
        pytest.param(NIGHT, None, False, id="nobody knows the hour"),
    ],
)
def test_quiet_hours(hours: QuietHours, at: str | None, holds: bool) -> None:
    assert hours.holds(None if at is None else datetime.fromisoformat(at)) is holds


def test_what_somebody_waited_for_goes_to_who_is_near_on_their_first_way() -> None:
    first = first_way(CREW, "", ())
    near = first_way(CREW, "cox", ("push:cox",))
    assert first is not None and first.route == "push:captain"
    assert near is not None and near.route == "mailto:cox@shed.example"
    assert first_way((), "cox", ()) is None


# --- over the seconds --------------------------------------------------------------


def test_an_open_door_climbs_until_somebody_answers() -> None:
    shed = Shed(make_desk(*CREW))
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(9 + 900)  # told at 10 s
    assert [way for way in shed.ways() if way[2] == "raised"] == [
        (10.0, "captain", "raised"),
        (610.0, "captain", "raised"),
    ]
    shed.wait(1)
    assert shed.ways()[-1] == (910.0, "cox", "raised")
    assert "Nobody has said so far" in shed.told[-1][1].text
    shed.seen(shed.only().id)
    shed.wait(600)
    after = [(t_s, n.route) for t_s, n in shed.told if t_s > 910]
    assert after == [(1450.0, CAPTAIN.routes[0])], "one reminds; nobody else is bothered"
    shed.ends(Kind.DOOR_OPEN)
    shed.wait(60)
    over = [way for way in shed.told if way[1].stage == "over"]
    assert [n.route for _, n in over] == [*CAPTAIN.routes, COX.routes[0]], "all who knew, no other"


def test_repeats_go_to_all_who_know() -> None:
    shed = Shed(make_desk(*CREW))
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(730)
    assert shed.ways() == [
        (10.0, "captain", "raised"),
        (190.0, "captain", "still"),
        (370.0, "captain", "still"),
        (610.0, "captain", "raised"),
        (730.0, "captain", "still"),
        (730.0, "captain", "still"),
    ]


def test_a_flame_that_becomes_fire_reaches_everybody_at_once() -> None:
    shed = Shed(make_desk(*CREW))
    shed.begins(Kind.FLAME)
    assert [n.person for _, n in shed.told] == ["bench captain"] * 2
    shed.wait(5)
    shed.becomes(Kind.FLAME, Kind.FIRE)
    ways = {(n.person, n.route, n.stage) for t_s, n in shed.told if t_s == 5.0}
    assert ways == {
        *(("bench captain", route, "changed") for route in CAPTAIN.routes),
        *(("cox", route, "raised") for route in COX.routes),
        ("stroke", "push:stroke", "raised"),
    }
    titles = {n.stage: n.title for t_s, n in shed.told if t_s == 5.0}
    assert titles == {"changed": "north bench: Now: fire", "raised": "north bench: Fire"}


def test_a_route_that_does_not_work_is_passed_over() -> None:
    shed = Shed(make_desk(*CREW))
    shed.begins(Kind.DELIVERY_FAULT, "push:captain")
    others = {route for person in CREW for route in person.routes} - {"push:captain"}
    assert {n.route for _, n in shed.told} == others, "all who may have counted on it"
    shed.wait(30)
    shed.begins(Kind.DRAFT)
    shed.wait(110)
    told = [n.route for _, n in shed.told if n.kind is Kind.DRAFT]
    assert told == ["mailto:captain@shed.example"]
    shed.ends(Kind.DELIVERY_FAULT, "push:captain")
    shed.wait(300)
    shed.begins(Kind.STORE_FAULT, "journal")
    assert shed.told[-1][1].route == "push:captain"


def test_a_route_that_a_refusing_server_fails_stands_below_it_and_is_passed_over() -> None:
    shed = Shed(make_desk(CAPTAIN))
    shed.begins(Kind.DELIVERY_FAULT, "mail")
    shed.wait(14)
    told = len(shed.told)
    shed.begins(Kind.DELIVERY_FAULT, "mailto:captain@shed.example")
    first, below = sorted(shed.desk.standing(), key=lambda alarm: alarm.raised_s)
    assert below.cause_alarm == first.id and len(shed.told) == told, "one cause, one message"
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(3600)
    door = {n.route for _, n in shed.told if n.kind is Kind.DOOR_OPEN}
    assert door == {"push:captain"}


def test_a_route_that_begins_to_fail_lets_the_next_be_told_at_once() -> None:
    shed = Shed(make_desk(CAPTAIN))
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(15)
    shed.begins(Kind.DELIVERY_FAULT, "push:captain")
    shed.wait(1)
    door = [n.route for _, n in shed.told if n.kind is Kind.DOOR_OPEN]
    assert door == ["push:captain", "mailto:captain@shed.example"]


def test_what_was_hidden_begins_its_climb_anew() -> None:
    shed = Shed(make_desk(*CREW))
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(60)
    shed.opening(20)
    shed.wait(1200)
    assert [n.route for t_s, n in shed.told if t_s > 60] == ["push:captain"]
    assert shed.told[-1][1].stage == "still"
    shed.wait(600)
    assert shed.told[-1][1].route == "mailto:captain@shed.example"


def test_it_climbs_on_after_a_restart_and_its_end_reaches_who_knows() -> None:
    shed = Shed(make_desk(*CREW))
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(740)
    told = {shed.only().id: tuple((n.person, n.route) for _, n in shed.told)}
    again = Shed(
        make_desk(*CREW, alarms=shed.desk.standing(), events=tuple(shed.open.values()), told=told),
        t_s=740.0,
        open=shed.open,
    )
    again.wait(169)
    assert again.told == []
    again.wait(1)
    assert again.ways() == [(910.0, "cox", "raised")]
    again.ends(Kind.DOOR_OPEN)
    again.wait(30)
    over = [n.route for _, n in again.told if n.stage == "over"]
    assert over == [*CAPTAIN.routes, "push:cox"]


def test_what_nobody_was_told_of_before_a_restart_is_told() -> None:
    shed = Shed(make_desk(CAPTAIN))
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    again = Shed(make_desk(CAPTAIN, alarms=shed.desk.standing(), told={}), t_s=30.0)
    again.wait(1)
    assert again.ways() == [(31.0, "captain", "raised")]


def test_who_is_no_longer_named_is_no_longer_told() -> None:
    shed = Shed(make_desk(CAPTAIN))
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    told = {shed.only().id: (("stroke", "push:stroke"), ("bench captain", "push:captain"))}
    again = Shed(
        make_desk(
            CAPTAIN, alarms=shed.desk.standing(), events=tuple(shed.open.values()), told=told
        ),
        t_s=30.0,
        open=shed.open,
    )
    again.wait(1)
    again.ends(Kind.DOOR_OPEN)
    again.wait(30)
    assert [n.route for _, n in again.told] == ["push:captain"]


# --- quiet hours ---------------------------------------------------------------------

EVENING = datetime(2026, 11, 28, 22, 0, tzinfo=UTC)  # eleven at night in Berlin
SLEEPER = replace(CAPTAIN, quiet=NIGHT)
TO_SEVEN_S = 8 * 3600


def asleep(*people: Person) -> Shed:
    return Shed(make_desk(*people), start_at=EVENING)


def test_what_stands_when_quiet_hours_end_is_told_then_as_still_so() -> None:
    shed = asleep(SLEEPER)
    shed.wait(1)
    shed.begins(Kind.SENSOR_FAULT, "top")
    shed.wait(TO_SEVEN_S - 2)
    assert shed.told == []
    shed.wait(1)
    assert shed.ways()[0] == (float(TO_SEVEN_S), "captain", "still")
    assert shed.told[0][1].title == "north bench: Still: sensor fault"


def test_what_is_over_by_morning_is_not_told_at_all() -> None:
    shed = asleep(SLEEPER)
    shed.wait(1)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(600)
    shed.ends(Kind.DOOR_OPEN)
    shed.wait(TO_SEVEN_S)
    assert shed.told == []


def test_who_is_awake_is_told_in_their_turn() -> None:
    shed = asleep(SLEEPER, COX)
    shed.wait(1)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(910)
    assert shed.ways() == [(911.0, "cox", "raised")]
    shed.seen(shed.only().id)
    shed.wait(TO_SEVEN_S)
    assert {n.person for _, n in shed.told} == {"cox"}, "who slept is not bothered any more"


@pytest.mark.parametrize(
    "kind", [Kind.FIRE, Kind.SMOKE, Kind.OVER_TEMPERATURE, Kind.ATTENDANCE_OVERDUE]
)
def test_danger_and_absence_wake_whoever_sleeps(kind: Kind) -> None:
    shed = asleep(SLEEPER)
    shed.wait(1)
    shed.begins(kind)
    assert shed.told[0][0] == 1.0


def test_an_end_waits_for_the_morning_too_even_over_a_restart() -> None:
    shed = Shed(make_desk(SLEEPER), start_at=datetime(2026, 11, 28, 20, 59, tzinfo=UTC))
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(30)
    assert len(shed.told) == 1, "told half a minute before ten"
    shed.wait(600)
    shed.ends(Kind.DOOR_OPEN)
    shed.wait(60)
    assert len(shed.told) == 1
    (held,) = (d for d in shed.duties if isinstance(d, HeldState))
    again = Shed(make_desk(SLEEPER, duties=(held,), told={}), start_at=EVENING)
    again.wait(TO_SEVEN_S - 1)
    assert again.told == []
    again.wait(1)
    assert [n.title for _, n in again.told] == ["north bench: Over: door open"]
    assert again.duties[-1] == HeldState(float(TO_SEVEN_S))


def test_what_comes_again_before_its_end_was_told_is_one_story() -> None:
    shed = Shed(make_desk(SLEEPER), start_at=datetime(2026, 11, 28, 20, 59, tzinfo=UTC))
    shed.begins(Kind.STORE_FAULT, "journal")
    shed.wait(130)
    shed.ends(Kind.STORE_FAULT, "journal")
    shed.wait(60)  # held until seven
    shed.begins(Kind.STORE_FAULT, "journal")
    shed.wait(10 * 3600)
    assert {n.stage for _, n in shed.told} == {"raised", "still"}
    shed.ends(Kind.STORE_FAULT, "journal")
    shed.wait(60)
    assert [n.stage for _, n in shed.told if n.stage == "over"] == ["over"] * 2


def test_what_somebody_waited_for_waits_until_they_are_up_if_it_is_still_so() -> None:
    shed = asleep(SLEEPER)
    shed.wait(1)
    shed.begins(Kind.COOL_ENOUGH)
    shed.begins(Kind.SOAK_READY)
    shed.ends(Kind.SOAK_READY)
    shed.wait(TO_SEVEN_S)
    assert [n.kind for _, n in shed.told] == [Kind.COOL_ENOUGH]


def test_without_a_clock_no_hour_is_quiet() -> None:
    shed = Shed(make_desk(SLEEPER))
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(10)
    assert len(shed.told) == 1


def test_a_door_that_may_stand_open_climbs_for_nobody() -> None:
    shed = Shed(make_desk(*CREW), context=IDLE)
    shed.wait(1)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(4000)
    assert shed.told == []
    assert shed.only().suppression is Suppression.SUPPRESSED_BY_DESIGN
    shed.keep(shed.desk.command(Unshelve(t_s=shed.t_s, by="cox", alarm=shed.only().id)))
    assert shed.told == []


PASSING = [kind for kind, rule in CATALOGUE.items() if rule.page_alone_s]


@pytest.mark.parametrize("kind", PASSING)
def test_what_may_pass_by_itself_is_said_by_the_page_alone_for_some_minutes(kind: Kind) -> None:
    rule = CATALOGUE[kind]
    assert rule.may_hide, "never a danger"
    shed = Shed(make_desk(CAPTAIN))
    shed.begins(kind)
    shed.wait(round(rule.on_delay_s + rule.page_alone_s) - 5)
    assert shed.alarm(kind).annunciation is Annunciation.UNACKNOWLEDGED
    assert shed.told == []
    shed.ends(kind)
    shed.wait(200)
    assert shed.told == [], "it has passed, and there is nothing to be over"
    shed.begins(kind)
    shed.wait(round(rule.on_delay_s + rule.page_alone_s) + 200)
    assert [n.stage for _, n in shed.told][:1] == ["raised"]


@pytest.mark.parametrize("kind", PASSING)
def test_what_is_urgent_is_never_left_to_the_page_alone(kind: Kind) -> None:
    """As the last good sensor gone: then nobody can tell any more how hot it is."""
    shed = Shed(make_desk(CAPTAIN))
    shed.begins(kind, priority=Priority.HIGH)
    shed.wait(round(CATALOGUE[kind].delay_s(Priority.HIGH)) + 2)
    assert [n.stage for _, n in shed.told] == ["raised"]


def test_somebody_who_has_seen_it_on_the_page_needs_no_message() -> None:
    shed = Shed(make_desk(CAPTAIN))
    shed.begins(Kind.CAMERA_FAULT)
    shed.wait(60)
    shed.seen(shed.alarm(Kind.CAMERA_FAULT).id)
    shed.wait(3000)
    assert shed.told == []
