"""What is said of an alarm test: its messages, what has become of each part, whether all is ready.

A test goes the whole way of an alarm, from simulated signs to each telephone, and says
everywhere that it is one. Ready is what was tested as it is now: every route took its
message, and every person has heard one of theirs.

References
----------
The alarm test of the fire-alarm trade: a deliberate test of the whole path, marked as one.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, replace

from stillair.alarms import figures
from stillair.alarms.reaching import Person
from stillair.alarms.wording import Message
from stillair.model import (
    AlarmTestPhase,
    AlarmTestState,
    AlarmTestTold,
    Heard,
    PartTried,
    RouteTried,
)

TEST, REMINDER = "test", "reminder"  # stages of the messages
TEST_OVER = "test over"
NAME = "Alarm test"
SIGN, EVENT, ALARM, MESSAGES = "sign", "event", "alarm", "messages"
STEPS = (SIGN, EVENT, ALARM, MESSAGES)
NOBODY = "Nobody is told of an alarm: no person is named"
BY_HALL = "People are told of an alarm by the hall"
NO_HALL = "Nobody is told of an alarm: the hall that tells people is out of reach"
NEVER = "The alarms have never been tested"
RUNNING = "An alarm test is running: nothing is wrong"
UNCONFIRMED = "hasn't confirmed yet"
DAY_S = 86_400.0
_HEARD = {
    Heard.HEARD: "arrived and was heard",
    Heard.SILENT: "arrived in silence",
    Heard.NOTHING: "has not arrived",
}


@dataclass(frozen=True, slots=True)
class Readiness:
    """Whether an alarm would reach people, as the last test has shown, in one sentence.

    `awaits`: all that is missing is a person's word. `brief`: the same without the particulars,
    for the first page, which has more to say.
    """

    ready: bool
    text: str
    running: bool = False
    awaits: bool = False
    brief: str = ""


# --- messages ----------------------------------------------------------------


def message(
    *, chamber_name: str, mark: str, route: str, others: int, place: str = "Chamber"
) -> Message:
    """What a test says on a route; `others` is how many routes of this person it tries beside."""
    start = f"{mark}: " if mark else ""
    beside = f" It goes to {others} more of your routes." if others else ""
    return Message(
        title=f"{start}{NAME}: {figures.clause(chamber_name)}",
        text=(
            f"{start}{NAME}: nothing is wrong. This is what an alarm sounds and looks like on this "
            f"route ({spoken(route)}).{beside}\n\n"
            "Say whether you heard it: by the link below, if there is one, or on the page of "
            "Stillair, under Alarm test. Try it with the telephone on silent as well: a fire at "
            "night has to be heard.\n\n"
            f"{place}: {figures.clause(chamber_name)}\n"
        ),
    )


def over_message(*, chamber_name: str, mark: str, danger: str, place: str = "Chamber") -> Message:
    """That the test is over because there is real danger."""
    start = f"{mark}: " if mark else ""
    return Message(
        title=f"{start}{figures.clause(chamber_name)}: {NAME.lower()} over, this is real",
        text=(
            f"{start}The alarm test is over: there is real danger now. {danger}\n\n"
            f"{place}: {figures.clause(chamber_name)}\n"
        ),
    )


def reminder(*, chamber_name: str, mark: str, text: str, place: str = "Chamber") -> Message:
    """That a test is due."""
    start = f"{mark}: " if mark else ""
    return Message(
        title=f"{start}{figures.clause(chamber_name)}: time for an alarm test",
        text=(
            f"{start}{text}. Start an alarm test when those who are told are at hand: on the page "
            "of Stillair, under Alarm test.\n\n"
            f"{place}: {figures.clause(chamber_name)}\n"
        ),
    )


def routes_of(people: Iterable[Person], key: str) -> tuple[RouteTried, ...]:
    """Every route of everybody, each with the key of its message; a route of two is tried twice."""
    return tuple(
        RouteTried(person.name, route, f"{key}{_digest(person.name, route)}")
        for person in people
        for route in dict.fromkeys(person.routes)
    )


# --- what becomes of it --------------------------------------------------------


def told(state: AlarmTestState, news: AlarmTestTold) -> AlarmTestState:
    """The test with what is known now; what people said of it stays."""
    known = {route.key: route for route in news.routes}
    routes = tuple(
        replace(
            route,
            handed_after_s=known[route.key].handed_after_s,
            refused=known[route.key].refused,
        )
        if route.key in known
        else route
        for route in state.routes
    )
    done = news.done and state.phase is AlarmTestPhase.RUNNING
    told_on = replace(
        state,
        routes=routes,
        sounder=news.sounder or state.sounder,
        stop=news.stop or state.stop,
        phase=AlarmTestPhase.DONE if done else state.phase,
    )
    return state if told_on == state else replace(told_on, changed_s=news.t_s)


def confirmed(
    state: AlarmTestState, person: str, route: str | None, heard: Heard, *, t_s: float, by: str
) -> AlarmTestState | None:
    """The test with what a person says of their messages; None if that is nobody's route."""
    meant = [r for r in state.routes if r.person == person and (route is None or r.route == route)]
    if not meant:
        return None
    said = tuple(
        replace(
            each,
            heard=heard,
            confirmed_after_s=max(0.0, t_s - state.started_s),
            confirmed_by=by,
        )
        if each in meant
        else each
        for each in state.routes
    )
    return replace(state, routes=said, changed_s=t_s)


def arrived(route: RouteTried) -> bool:
    """Whether a server has taken the message, or a person has it, and nobody says otherwise."""
    if route.heard is not None:
        return route.heard is not Heard.NOTHING
    return route.handed_after_s is not None


# --- in words ------------------------------------------------------------------


def spoken(route: str) -> str:
    """A route's public form as people call it."""
    scheme, colon, rest = route.partition(":")
    words = {
        "mailto": f"e-mail to {rest}",
        "webpush": "message on the telephone",
        "mqtt": f"MQTT, topic {rest}",
        "webhook": f"a web address at {rest}",
        "apprise": f"a message service, {rest}",
    }
    return words.get(scheme, route) if colon and rest else route


def route_line(route: RouteTried) -> str:
    """What became of the message on one route: how fast it was taken, or why not, and heard."""
    if route.handed_after_s is not None:
        line = f"taken by the server after {_after(route.handed_after_s)}"
    elif route.refused:
        line = f"not taken: {route.refused}"
    else:
        line = "no answer yet"
    if route.heard is None:
        return f"{line}; not confirmed by anyone yet"
    said = f"{line}; it {_HEARD[route.heard]}, as {route.confirmed_by or route.person} said"
    if route.confirmed_after_s is None:
        return said
    return f"{said} {_after(route.confirmed_after_s)} after the beginning"


def part_line(part: PartTried | None, *, yes: str, none: str) -> str:
    """What became of sounder or stop."""
    if part is None:
        return "not known yet"
    if part.well is None:
        return part.told or none
    return yes if part.well else f"failed: {part.told}"


def readiness(
    state: AlarmTestState | None,
    *,
    now_s: float,
    setup: str,
    good_for_days: float,
    people: bool,
) -> Readiness:
    """Whether alarms would reach people, as the last test of this set-up has shown.

    `setup` is the mark of people, routes, sounder and stop as they are now.
    """
    if state is not None and state.phase is AlarmTestPhase.RUNNING:
        return Readiness(False, RUNNING, running=True)
    if not people:
        return Readiness(False, NOBODY)
    if state is None:
        return Readiness(False, NEVER)
    ago = _ago(now_s - state.started_s)
    if state.phase is not AlarmTestPhase.DONE:
        return Readiness(False, f"The last alarm test, {ago}, didn't end: {state.why}")
    if state.setup != setup:
        what = "people, routes, sounder or stop are others now than in the last alarm test"
        return Readiness(False, f"{what[:1].upper()}{what[1:]}, {ago}")
    if now_s - state.started_s > good_for_days * DAY_S:
        return Readiness(False, f"The last alarm test was {ago}: it is time for another")
    amiss = faults(state)
    awaits = bool(amiss) and all(each.endswith(UNCONFIRMED) for each in amiss)
    text = f"{NAME} {ago}: {summary(state)}"
    brief = f"{NAME} {ago}: not everything went through" if amiss and not awaits else text
    return Readiness(not amiss, text, awaits=awaits, brief=brief)


def summary(state: AlarmTestState) -> str:
    """How a test went, in one clause: what arrived, and what isn't as it has to be."""
    if state.phase is AlarmTestPhase.RUNNING:
        return "it is running"
    if state.phase is not AlarmTestPhase.DONE:
        return f"it didn't end: {state.why}"
    return "; ".join([_count(state), *faults(state)[:3]])


def passed(state: AlarmTestState) -> bool:
    """Whether all that needs no person went well: signs to messages, sounder, stop, every route."""
    return (
        state.phase is AlarmTestPhase.DONE
        and state.steps == STEPS
        and all(part is None or part.well is not False for part in (state.sounder, state.stop))
        and all(route.handed_after_s is not None for route in state.routes)
    )


def faults(state: AlarmTestState) -> list[str]:
    """What of a test isn't as it has to be, one clause each; people may still confirm."""
    found = []
    if state.steps != STEPS:
        missing = next((step for step in STEPS if step not in state.steps), MESSAGES)
        found.append(f"the watch itself failed: no {missing} came of it")
    for what, part in (("the sounder", state.sounder), ("the stop", state.stop)):
        if part is not None and part.well is False:
            found.append(f"{what} failed: {part.told}")
    lost = [route for route in state.routes if not arrived(route)]
    found += [f"nothing reached {route.person} by {spoken(route.route)}" for route in lost]
    for person in dict.fromkeys(route.person for route in state.routes):
        said = {route.heard for route in state.routes if route.person == person}
        if Heard.HEARD in said:
            continue
        found.append(
            f"{person} heard nothing"
            if said & {Heard.SILENT, Heard.NOTHING}
            else f"{person} {UNCONFIRMED}"
        )
    return found


def _count(state: AlarmTestState) -> str:
    """What is known of the messages, and by whom: a server's word is no person's."""
    of = len(state.routes)
    if not of:
        return "nobody was told"
    missed = sum(route.heard is Heard.NOTHING for route in state.routes)
    taken = sum(route.handed_after_s is not None for route in state.routes)
    there = sum(route.heard in (Heard.HEARD, Heard.SILENT) for route in state.routes)
    if missed == of:
        return "the one message didn't arrive" if of == 1 else f"none of {of} messages arrived"
    if of == 1:
        took, said = ("" if taken else "not "), ("" if there else "not yet ")
        return f"the one message {took}taken by a server, {said}confirmed as arrived"
    took = f"{taken} of {of}" if taken < of else "both" if of == 2 else f"all {of}"
    said = f"{there or 'none yet'}" if there < of else "both" if of == 2 else "all"
    lost = f", {missed} didn't arrive" if missed else ""
    return f"{took} messages taken by a server, {said} confirmed as arrived{lost}"


def _ago(seconds: float) -> str:
    days = int(max(0.0, seconds) // DAY_S)
    return f"{days} days ago" if days >= 2 else f"{figures.duration(seconds)} ago"


def _digest(*words: str) -> str:
    return hashlib.sha256("\n".join(words).encode("utf-8", "replace")).hexdigest()[:12]


def _after(seconds: float) -> str:
    digits = 2 if seconds < 1.0 else 1
    return f"{seconds:.{digits}f} s" if seconds < 10.0 else figures.duration(seconds)
