"""What is said of an alarm test, and when a set-up is called ready."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from stillair.alarms import testing
from stillair.alarms.reaching import Person
from stillair.model import (
    AlarmTestPhase,
    AlarmTestState,
    AlarmTestTold,
    Heard,
    PartTried,
    RouteTried,
)

DAY_S = 86_400.0
SETUP = "abcdefabcdef"
CAPTAIN = RouteTried("captain", "mailto:captain@shed.example", "k1", handed_after_s=0.4)
COX_MAIL = RouteTried("cox", "mailto:cox@shed.example", "k2", handed_after_s=1.5)
COX_PUSH = RouteTried("cox", "webpush:cox", "k3", handed_after_s=0.2)


def a_test(*routes: RouteTried, **more: Any) -> AlarmTestState:
    base = AlarmTestState(
        id="north-bench-1",
        changed_s=10.0,
        by="captain",
        phase=AlarmTestPhase.DONE,
        started_s=0.0,
        steps=testing.STEPS,
        setup=SETUP,
        routes=routes or (heard(CAPTAIN), heard(COX_MAIL), COX_PUSH),
        sounder=PartTried(True),
        stop=PartTried(None),
    )
    return replace(base, **more)


def heard(route: RouteTried, how: Heard = Heard.HEARD) -> RouteTried:
    return replace(route, heard=how, confirmed_after_s=12.0, confirmed_by=route.person)


def refused(route: RouteTried, why: str = "no such box") -> RouteTried:
    return replace(route, handed_after_s=None, refused=why)


@pytest.mark.parametrize(
    ("state", "ready", "text"),
    [
        pytest.param(None, False, "The alarms have never been tested", id="never"),
        pytest.param(
            a_test(),
            True,
            "Alarm test 12 days ago: all 3 messages taken by a server, 2 confirmed as arrived",
            id="all is well",
        ),
        pytest.param(
            a_test(heard(CAPTAIN)),
            True,
            "Alarm test 12 days ago: the one message taken by a server, confirmed as arrived",
            id="one",
        ),
        pytest.param(
            a_test(heard(CAPTAIN), heard(COX_PUSH)),
            True,
            "Alarm test 12 days ago: both messages taken by a server, both confirmed as arrived",
            id="two",
        ),
        pytest.param(
            a_test(heard(CAPTAIN), COX_MAIL, COX_PUSH),
            False,
            "Alarm test 12 days ago: all 3 messages taken by a server, 1 confirmed as arrived; "
            "cox hasn't confirmed yet",
            id="nobody says that it was heard",
        ),
        pytest.param(
            a_test(heard(CAPTAIN), heard(COX_MAIL, Heard.SILENT), heard(COX_PUSH, Heard.SILENT)),
            False,
            "Alarm test 12 days ago: all 3 messages taken by a server, all confirmed as arrived; "
            "cox heard nothing",
            id="in silence is no alarm",
        ),
        pytest.param(
            a_test(heard(CAPTAIN), heard(COX_MAIL, Heard.NOTHING), heard(COX_PUSH)),
            False,
            "Alarm test 12 days ago: all 3 messages taken by a server, 2 confirmed as arrived, "
            "1 didn't arrive; nothing reached cox by e-mail to cox@shed.example",
            id="taken by the server is not arrived",
        ),
        pytest.param(
            a_test(heard(COX_MAIL, Heard.NOTHING)),
            False,
            "Alarm test 12 days ago: the one message didn't arrive; "
            "nothing reached cox by e-mail to cox@shed.example; cox heard nothing",
            id="the only one, taken by the server, has not arrived",
        ),
        pytest.param(
            a_test(heard(CAPTAIN), refused(COX_MAIL), heard(COX_PUSH)),
            False,
            "Alarm test 12 days ago: 2 of 3 messages taken by a server, 2 confirmed as arrived; "
            "nothing reached cox by e-mail to cox@shed.example",
            id="refused",
        ),
        pytest.param(
            a_test(sounder=PartTried(False, "no such pin")),
            False,
            "Alarm test 12 days ago: all 3 messages taken by a server, 2 confirmed as arrived; "
            "the sounder failed: no such pin",
            id="nothing sounded",
        ),
        pytest.param(
            a_test(stop=PartTried(False, "the relay's broker is away")),
            False,
            "Alarm test 12 days ago: all 3 messages taken by a server, 2 confirmed as arrived; "
            "the stop failed: the relay's broker is away",
            id="it would not stop",
        ),
        pytest.param(
            a_test(steps=testing.STEPS[:2]),
            False,
            "Alarm test 12 days ago: all 3 messages taken by a server, 2 confirmed as arrived; "
            "the watch itself failed: no alarm came of it",
            id="no alarm came of the event",
        ),
        pytest.param(
            a_test(setup="another"),
            False,
            "People, routes, sounder or stop are others now than in the last alarm test, "
            "12 days ago",
            id="changed since",
        ),
        pytest.param(
            a_test(started_s=-80 * DAY_S),
            False,
            "The last alarm test was 92 days ago: it is time for another",
            id="too old",
        ),
        pytest.param(
            a_test(phase=AlarmTestPhase.CUT_OFF, why="it was cut off by a restart"),
            False,
            "The last alarm test, 12 days ago, didn't end: it was cut off by a restart",
            id="cut off",
        ),
        pytest.param(
            a_test(phase=AlarmTestPhase.RUNNING),
            False,
            "An alarm test is running: nothing is wrong",
            id="running",
        ),
    ],
)
def test_ready_is_what_was_tested_as_it_is(
    state: AlarmTestState | None, ready: bool, text: str
) -> None:
    known = testing.readiness(
        state, now_s=12 * DAY_S + 60.0, setup=SETUP, good_for_days=90, people=True
    )
    assert (known.ready, known.text) == (ready, text)


@pytest.mark.parametrize(
    ("state", "brief"),
    [
        pytest.param(
            a_test(sounder=PartTried(False, "no such pin")),
            "Alarm test 12 days ago: not everything went through",
            id="particulars stand on its own page",
        ),
        pytest.param(
            a_test(heard(CAPTAIN), COX_MAIL, COX_PUSH),
            "Alarm test 12 days ago: all 3 messages taken by a server, 1 confirmed as arrived; "
            "cox hasn't confirmed yet",
            id="a word is missing, which says what to do",
        ),
    ],
)
def test_the_first_page_says_it_in_brief(state: AlarmTestState, brief: str) -> None:
    known = testing.readiness(
        state, now_s=12 * DAY_S + 60.0, setup=SETUP, good_for_days=90, people=True
    )
    assert known.brief == brief


def test_where_nobody_is_told_that_is_what_is_said() -> None:
    known = testing.readiness(a_test(), now_s=1.0, setup=SETUP, good_for_days=90, people=False)
    assert (known.ready, known.text) == (False, testing.NOBODY)


@pytest.mark.parametrize(
    ("route", "line"),
    [
        pytest.param(
            COX_MAIL, "taken by the server after 1.5 s; not confirmed by anyone yet", id="taken"
        ),
        pytest.param(
            heard(CAPTAIN),
            "taken by the server after 0.40 s; it arrived and was heard, "
            "as captain said 12 s after the beginning",
            id="heard",
        ),
        pytest.param(
            refused(COX_MAIL, "no such box"),
            "not taken: no such box; not confirmed by anyone yet",
            id="refused",
        ),
        pytest.param(
            replace(COX_PUSH, handed_after_s=None),
            "no answer yet; not confirmed by anyone yet",
            id="no answer",
        ),
    ],
)
def test_each_route_is_told_by_itself(route: RouteTried, line: str) -> None:
    assert testing.route_line(route) == line


@pytest.mark.parametrize(
    ("route", "spoken"),
    [
        ("mailto:cox@shed.example", "e-mail to cox@shed.example"),
        ("webpush:cox", "message on the telephone"),
        ("mqtt:shed/alarm", "MQTT, topic shed/alarm"),
        ("webhook:shed.example-0a1b2c3d", "a web address at shed.example-0a1b2c3d"),
        ("apprise:json-0a1b2c3d", "a message service, json-0a1b2c3d"),
        ("nothing", "nothing"),
    ],
)
def test_routes_as_people_call_them(route: str, spoken: str) -> None:
    assert testing.spoken(route) == spoken


def test_every_message_says_that_it_is_a_test_before_anything_else() -> None:
    said = testing.message(
        chamber_name="north bench", mark="", route="mailto:cox@shed.example", others=1
    )
    assert said.title == "Alarm test: north bench"
    assert said.text.startswith("Alarm test: nothing is wrong.")
    assert "1 more of your routes" in said.text
    simulated = testing.message(
        chamber_name="north bench", mark="Simulated", route="webpush:cox", others=0
    )
    assert simulated.title == "Simulated: Alarm test: north bench"
    assert "more of your routes" not in simulated.text


def test_the_message_that_ends_a_test_says_what_is_real() -> None:
    said = testing.over_message(
        chamber_name="north bench", mark="", danger="There is fire in the box."
    )
    assert "There is fire in the box." in said.text
    assert "nothing is wrong" not in said.title + said.text


def test_two_people_on_one_route_are_each_asked() -> None:
    people = (Person("captain", ("mailto:a@x", "mailto:a@x")), Person("cox", ("mailto:a@x",)))
    routes = testing.routes_of(people, "test:1:")
    assert [route.person for route in routes] == ["captain", "cox"]
    assert len({route.key for route in routes}) == 2


def test_what_becomes_known_late_takes_nothing_back_that_a_person_said() -> None:
    state = a_test(heard(refused(CAPTAIN)), phase=AlarmTestPhase.RUNNING)
    news = AlarmTestTold("north-bench-1", 20.0, (CAPTAIN,), done=True)
    after = testing.told(state, news)
    assert after.routes == (heard(CAPTAIN),)
    assert (after.phase, after.changed_s) == (AlarmTestPhase.DONE, 20.0)
    assert testing.told(after, replace(news, t_s=30.0)) is after, "nothing new"


def test_a_test_that_has_ended_stays_so() -> None:
    state = a_test(phase=AlarmTestPhase.ENDED, why="there was real danger")
    after = testing.told(state, AlarmTestTold("north-bench-1", 20.0, done=True))
    assert after.phase is AlarmTestPhase.ENDED


@pytest.mark.parametrize(
    ("person", "route", "heard_on"),
    [
        pytest.param("cox", None, 2, id="all of theirs"),
        pytest.param("cox", "webpush:cox", 1, id="one"),
        pytest.param("captain", "webpush:cox", 0, id="somebody else's route"),
        pytest.param("stranger", None, 0, id="nobody"),
    ],
)
def test_a_person_speaks_for_their_own_routes(
    person: str, route: str | None, heard_on: int
) -> None:
    state = a_test(CAPTAIN, COX_MAIL, COX_PUSH)
    said = testing.confirmed(state, person, route, Heard.HEARD, t_s=33.0, by="cox")
    if not heard_on:
        assert said is None
        return
    assert said is not None
    confirmed = [each for each in said.routes if each.heard is Heard.HEARD]
    assert len(confirmed) == heard_on
    assert {each.person for each in confirmed} == {person}
    assert {each.confirmed_after_s for each in confirmed} == {33.0}


@pytest.mark.parametrize(
    ("state", "passed"),
    [
        pytest.param(a_test(CAPTAIN, COX_MAIL), True, id="all taken, nobody needed"),
        pytest.param(a_test(refused(CAPTAIN)), False, id="one refused"),
        pytest.param(a_test(sounder=PartTried(False, "x")), False, id="no sound"),
        pytest.param(a_test(sounder=PartTried(None)), True, id="no sounder"),
        pytest.param(a_test(steps=()), False, id="no alarm"),
        pytest.param(a_test(phase=AlarmTestPhase.RUNNING), False, id="not over"),
    ],
)
def test_passed_needs_no_person(state: AlarmTestState, passed: bool) -> None:
    assert testing.passed(state) is passed
