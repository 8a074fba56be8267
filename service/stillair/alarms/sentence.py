"""The first page's sentence: how the chamber is, in plain words, the worst first.

It is calm only while sensors, picture, store, routes and service are. Danger
comes before everything, then blindness, then what needs a hand, then other
faults of the watch, then what has only just begun and may pass, and only then
the weather in the box.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from stillair.alarms import figures
from stillair.alarms.catalogue import CATALOGUE, AlarmContext, is_notice
from stillair.alarms.entries import URGENCY
from stillair.alarms.seen import VIEW, began_s
from stillair.alarms.testing import NEVER
from stillair.alarms.wording import line, title_of
from stillair.model import (
    AlarmState,
    Annunciation,
    CameraCondition,
    EventChange,
    Job,
    JobPhase,
    Kind,
    Phase,
    SignalClass,
    Suppression,
)

CALM = "calm"
GOOD = "good"
CAUTION = "caution"
DANGER = "danger"
TROUBLE = "trouble"

LOOKED_AT = "It is being looked at: if it stays, you are told"
_CLASSES = (SignalClass.ALARM, SignalClass.SUPERVISORY, SignalClass.TROUBLE)

# While one of these stands, or a danger is not done with, the air isn't what its phase says.
_ASTRAY = frozenset({Kind.DOOR_OPEN, Kind.DRAFT, Kind.HEAT_LOST, Kind.BELOW_TARGET})


@dataclass(frozen=True, slots=True)
class Sentence:
    """The largest words on the page, the smaller line below, and how they are to look."""

    sentence: str
    sub: str
    tone: str
    calm: bool


def sentence(
    *,
    t_s: float,
    phase: Phase,
    since_s: float | None,
    air_c: float | None,
    target_c: float | None = None,
    soak_forecast_s: float | None = None,
    soak_forecast_u_s: float | None = None,
    cool_forecast_s: float | None = None,
    cool_forecast_u_s: float | None = None,
    camera: CameraCondition | None = None,
    job: Job | None = None,
    alarms: Sequence[AlarmState] = (),
    leaving: Collection[str] = (),
    troubles: Sequence[str] = (),
    remarks: Sequence[str] = (),
    events: Sequence[EventChange] = (),
    untested: str = "",
) -> Sentence:
    """Say how a chamber is.

    `alarms` is the desk's standing list, the most urgent first, `leaving` the ids of those
    whose cause is away: of these only danger is still said to be there. `troubles` are
    clauses about the service itself ("nothing is being stored"): with one of them
    nothing is calm. `remarks` are sentences for the smaller line that
    trouble nobody ("No camera: flame and smoke are not watched"). `events` are
    those that stand: one whose alarm isn't due yet is said without its colour.
    `untested` is why nobody knows that an alarm would reach people, where nobody does:
    nothing else is amiss then, but calm it isn't.
    `soak_forecast_s` and `cool_forecast_s` are seconds from now until it is warm
    and steady, or cool enough, their `_u_s` the uncertainties of those.
    """
    young = _young(events, alarms, AlarmContext(phase, job.state if job else None))
    shown = [a for a in alarms if a.suppression is Suppression.NONE]
    dangers = [a for a in shown if a.signal_class is SignalClass.ALARM]
    # An alarm that somebody made quiet still says how the chamber is.
    hands = [
        a
        for a in (*shown, *(a for a in alarms if a.suppression is Suppression.SHELVED))
        if a.signal_class is SignalClass.SUPERVISORY and a.condition
    ]
    # What follows from another is no head while that stands.
    hands.sort(
        key=lambda a: (a.id in leaving, a.suppression is Suppression.SHELVED, bool(a.cause_alarm))
    )
    astray = not _ASTRAY.isdisjoint({a.kind for a in hands} | {e.kind for e in young})
    faults = [a for a in shown if a.signal_class is SignalClass.TROUBLE and a.condition]
    faults.sort(key=lambda a: (a.id in leaving, bool(a.cause_alarm)))
    over = [a for a in shown if a.signal_class is not SignalClass.ALARM and not a.condition]
    blind = air_c is None
    view = VIEW[camera][0] if camera is not None and camera in VIEW else None
    worst: tuple[str, str, str] | None = None
    if dangers:
        worst = (*_alarm(dangers[0], t_s), DANGER)
    elif young and young[0].signal_class is SignalClass.ALARM:  # a defect held up its alarm
        worst = (*_event(young.pop(0), t_s), DANGER)
    elif blind:
        # Without a fault so far, the sensors have only not spoken yet.
        found = [a.text for a in faults]
        found += [line(e) for e in young if e.kind is Kind.SENSOR_FAULT]
        head = "Blind: no sensor in the chamber gives a reading" if found else "No reading yet"
        worst = (head, found[0] if found else "", TROUBLE)
    elif hands:
        worst = (*_alarm(hands[0], t_s, leaving), CAUTION)
    elif faults:
        worst = (*_alarm(faults[0], t_s, leaving), TROUBLE)
    elif view is not None:
        worst = (view, "Only the sensors watch", TROUBLE)
    elif troubles:
        worst = (_sentence(troubles[0]).rstrip("."), "", TROUBLE)
    elif young:
        worst = (_event(young.pop(0), t_s)[0], LOOKED_AT, CALM)
    others = [*dangers, *hands, *faults]
    more = len(others) - (1 if worst is not None and others else 0)
    tail = [f"{more} more below"] if more > 0 else []
    if over and (worst is None or worst[2] is CALM):
        tail.append(f"{title_of(over[0])}: over, not yet seen")
    tail += [t for t in troubles if worst is None or _sentence(t).rstrip(".") != worst[0]]
    hands_young = [e for e in young if e.signal_class is SignalClass.SUPERVISORY]
    tail += [f"Just begun: {line(e).partition('. ')[0].rstrip('.')}" for e in hands_young]
    tail += [_shelved(a, t_s) for a in alarms if a.suppression is Suppression.SHELVED]
    tail += remarks
    ready = _soon(soak_forecast_s, soak_forecast_u_s)
    cool = _soon(cool_forecast_s, cool_forecast_u_s)
    weather, tone = _weather(t_s, phase, since_s, air_c, target_c, ready, cool, job)
    if air_c is not None and (astray or (worst is not None and worst[2] is DANGER)):
        weather = f"The air is at {figures.temperature(air_c)}"  # whatever the phase was
    if worst is None and untested == NEVER:
        # However well the chamber is: nobody knows that anybody would hear of a fire.
        return Sentence(untested, _lines([weather, *tail]), CALM, calm=False)
    tail = [untested, *tail] if worst is None else [*tail, untested]
    if worst is None:
        calm = not over and not untested and phase is not Phase.UNKNOWN
        return Sentence(weather, _lines(tail), tone, calm=calm)
    head, rest, tone = worst
    told = [] if blind else [weather]
    return Sentence(head, _lines([rest, *told, *tail]), tone, calm=False)


def over_if_so(alarm: AlarmState) -> str:
    """What is said of an alarm instead of its text while its cause is away."""
    return f"{title_of(alarm)}: over, if it stays so"


def _alarm(alarm: AlarmState, t_s: float, leaving: Collection[str] = ()) -> tuple[str, str]:
    """An alarm's first sentence with how long it has stood, and the rest of its text."""
    if alarm.id in leaving:
        return over_if_so(alarm), ""
    head, _, rest = alarm.text.partition(". ")
    head = head.rstrip(".")
    if alarm.condition:
        since_s = alarm.raised_s if alarm.began_s is None else alarm.began_s
        head += f", for {figures.duration(t_s - since_s)}"
    elif alarm.annunciation is not Annunciation.NORMAL:
        head += ": no sign of it now" if alarm.signal_class is SignalClass.ALARM else ": over"
    return head, rest


def _young(
    events: Sequence[EventChange], alarms: Sequence[AlarmState], context: AlarmContext
) -> list[EventChange]:
    """What stands and has no alarm so far, the most urgent first; nothing that is expected."""
    known = {alarm.event for alarm in alarms}
    found = [
        event
        for event in events
        if event.event not in known
        and not is_notice(event.kind)
        and not CATALOGUE[event.kind].expected(context)
    ]
    return sorted(found, key=lambda e: (_CLASSES.index(e.signal_class), URGENCY[e.priority]))


def _event(event: EventChange, t_s: float) -> tuple[str, str]:
    """An event's first sentence with how long it has gone on, and the rest of its line."""
    head, _, rest = line(event).partition(". ")
    return f"{head.rstrip('.')}, for {figures.duration(t_s - began_s(event))}", rest


def _shelved(alarm: AlarmState, t_s: float) -> str:
    title = title_of(alarm)
    if alarm.shelved_until_s is None:
        return f"{title}: quiet"
    return f"{title}: quiet for {figures.duration(alarm.shelved_until_s - t_s)} more"


def _weather(
    t_s: float,
    phase: Phase,
    since_s: float | None,
    air_c: float | None,
    target_c: float | None,
    ready: str,
    cool: str,
    job: Job | None,
) -> tuple[str, str]:
    air = "" if air_c is None else figures.temperature(air_c)
    lasting = "" if since_s is None else f" for {figures.duration(t_s - since_s)}"
    if phase is Phase.STEADY:
        words, tone = f"Warm and steady: {air}{lasting}", CALM
    elif phase is Phase.SOAK:
        words, tone = f"Warm, not yet steady: {air}", CALM
        words += f", ready {ready}" if ready else ""
    elif phase is Phase.WARMING:
        to_target = "" if target_c is None else f" of {figures.temperature(target_c)}"
        words, tone = f"Warming up: {air}{to_target}", CALM
        words += f", ready {ready}" if ready else ""
    elif phase is Phase.COOLING:
        words, tone = f"Cooling: {air}, leave it shut", CALM
        words += f". Open {cool}" if cool else ""
    elif phase is Phase.COOL_ENOUGH:
        words, tone = f"Cool enough for the part: {air}", GOOD
    elif phase is Phase.COLD:
        words, tone = f"Cold: {air}", CALM
    else:
        words, tone = f"{air or 'No reading yet'}: watching, too soon to say if it is steady", CALM
    if job is not None and job.state is JobPhase.PAUSED:
        words += ", the job is paused"
    return words, tone


def _soon(to_go_s: float | None, u_s: float | None) -> str:
    """ "in about 12 min", no finer than it is known; "" where it isn't."""
    if to_go_s is None:
        return ""
    # What may be at any moment has a latest time alone: its middle would come nearer only half
    # as fast as time goes by.
    at_any_moment = u_s is not None and u_s >= to_go_s and to_go_s + u_s >= 120.0
    if u_s is not None and (at_any_moment or u_s > max(0.5 * to_go_s, 300.0)):
        return f"in {figures.duration(_round_to_s(to_go_s + u_s, u_s))} at most"
    if to_go_s < 60.0:
        return "in about a minute"
    return f"in about {figures.duration(_round_to_s(to_go_s, u_s or 60.0))}"


def _round_to_s(value_s: float, u_s: float) -> float:
    """To whole minutes, five, ten or thirty of them, as fine as the uncertainty lets it be."""
    steps = (60.0, 300.0, 600.0, 1800.0)
    step_s = max(s for s in steps if s <= max(u_s, 60.0) and s <= max(value_s, 60.0))
    return max(step_s, round(value_s / step_s) * step_s)


def _sentence(clause: str) -> str:
    told = clause.strip().rstrip(".")
    return f"{told[:1].upper()}{told[1:]}."


def _lines(parts: Sequence[str]) -> str:
    return " ".join(_sentence(p) for p in parts if p.strip())
