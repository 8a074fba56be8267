"""The first page's sentence: how the chamber is, in plain words, the worst first.

It is calm only while sensors, picture, store, routes and service are. Danger
comes before everything, then blindness, then what needs a hand, then other
faults of the watch, and only then the weather in the box.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from stillair.alarms import figures
from stillair.alarms.wording import WORDS
from stillair.model import (
    AlarmState,
    Annunciation,
    CameraCondition,
    Job,
    JobPhase,
    Phase,
    SignalClass,
    Suppression,
)

CALM = "calm"
GOOD = "good"
CAUTION = "caution"
DANGER = "danger"
TROUBLE = "trouble"

_VIEW = {
    CameraCondition.LOST: "The camera is out of touch",
    CameraCondition.FROZEN: "The camera's picture has stopped moving",
    CameraCondition.DARK: "The camera's picture is dark",
}


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
    since_s: float,
    air_c: float | None,
    target_c: float | None = None,
    soak_forecast_s: float | None = None,
    camera: CameraCondition | None = None,
    job: Job | None = None,
    alarms: Sequence[AlarmState] = (),
    troubles: Sequence[str] = (),
    remarks: Sequence[str] = (),
    onsets_s: Mapping[int, float] | None = None,
) -> Sentence:
    """Say how a chamber is.

    `alarms` is the desk's standing list, the most urgent first. `troubles`
    are clauses about the service itself ("nothing is being stored"): with one
    of them nothing is calm. `remarks` are sentences for the smaller line that
    trouble nobody ("No camera: flame and smoke are not watched"). `onsets_s`
    gives for an event's number when it really began, which is before its alarm.
    """
    onsets_s = onsets_s or {}
    shown = [a for a in alarms if a.suppression is Suppression.NONE]
    dangers = [a for a in shown if a.signal_class is SignalClass.ALARM]
    # An alarm that somebody made quiet still says how the chamber is.
    hands = [
        a
        for a in (*shown, *(a for a in alarms if a.suppression is Suppression.SHELVED))
        if a.signal_class is SignalClass.SUPERVISORY and a.condition
    ]
    faults = [a for a in shown if a.signal_class is SignalClass.TROUBLE and a.condition]
    over = [a for a in shown if a.signal_class is not SignalClass.ALARM and not a.condition]
    blind = air_c is None
    view = None if camera is None else _VIEW.get(camera)
    worst: tuple[str, str, str] | None = None
    if dangers:
        worst = (*_alarm(dangers[0], t_s, onsets_s), DANGER)
    elif blind:
        # Without a fault so far, the sensors have only not spoken yet.
        head = "Blind: no sensor in the chamber gives a reading" if faults else "No reading yet"
        worst = (head, faults[0].text if faults else "", TROUBLE)
    elif hands:
        worst = (*_alarm(hands[0], t_s, onsets_s), CAUTION)
    elif faults:
        worst = (*_alarm(faults[0], t_s, onsets_s), TROUBLE)
    elif view is not None:
        worst = (view, "Only the sensors watch", TROUBLE)
    elif troubles:
        worst = (_sentence(troubles[0]).rstrip("."), "", TROUBLE)
    others = [*dangers, *hands, *faults]
    more = len(others) - (1 if worst is not None and others else 0)
    tail = [f"{more} more below"] if more > 0 else []
    if worst is None and over:
        tail.append(f"{WORDS[over[0].kind].title}: over, not yet seen")
    tail += [t for t in troubles if worst is None or _sentence(t).rstrip(".") != worst[0]]
    tail += [_shelved(a, t_s) for a in alarms if a.suppression is Suppression.SHELVED]
    tail += remarks
    weather, tone = _weather(t_s, phase, since_s, air_c, target_c, soak_forecast_s, job)
    if worst is None:
        return Sentence(weather, _lines(tail), tone, calm=not over and phase is not Phase.UNKNOWN)
    head, rest, tone = worst
    told = [] if blind else [weather]
    return Sentence(head, _lines([rest, *told, *tail]), tone, calm=False)


def _alarm(alarm: AlarmState, t_s: float, onsets_s: Mapping[int, float]) -> tuple[str, str]:
    """An alarm's first sentence with how long it has stood, and the rest of its text."""
    head, _, rest = alarm.text.partition(". ")
    head = head.rstrip(".")
    if alarm.condition:
        head += f", for {figures.duration(t_s - onsets_s.get(alarm.event, alarm.raised_s))}"
    elif alarm.annunciation is not Annunciation.NORMAL:
        head += ": no sign of it now" if alarm.signal_class is SignalClass.ALARM else ": over"
    return head, rest


def _shelved(alarm: AlarmState, t_s: float) -> str:
    title = WORDS[alarm.kind].title
    if alarm.shelved_until_s is None:
        return f"{title}: quiet"
    return f"{title}: quiet for {figures.duration(alarm.shelved_until_s - t_s)} more"


def _weather(
    t_s: float,
    phase: Phase,
    since_s: float,
    air_c: float | None,
    target_c: float | None,
    soak_forecast_s: float | None,
    job: Job | None,
) -> tuple[str, str]:
    air = "" if air_c is None else figures.temperature(air_c)
    lasting = f"for {figures.duration(t_s - since_s)}"
    to_target = "" if target_c is None else f" of {figures.temperature(target_c)}"
    if phase is Phase.STEADY:
        words, tone = f"Warm and steady: {air} {lasting}", CALM
    elif phase is Phase.SOAK:
        words, tone = f"Warm, not yet steady: {air}{to_target}", CALM
        if soak_forecast_s is not None:
            words += f", ready in about {figures.duration(soak_forecast_s)}"
    elif phase is Phase.WARMING:
        words, tone = f"Warming up: {air}{to_target}", CALM
        if soak_forecast_s is not None:
            words += f", ready in about {figures.duration(soak_forecast_s)}"
    elif phase is Phase.COOLING:
        words, tone = f"Cooling: {air}, leave it shut", CALM
    elif phase is Phase.COOL_ENOUGH:
        words, tone = f"Cool enough for the part: {air}", GOOD
    elif phase is Phase.COLD:
        words, tone = f"Cold: {air}", CALM
    else:
        words, tone = f"{air or 'No reading yet'}: watching, too soon to say if it is steady", CALM
    if job is not None and job.state is JobPhase.PAUSED:
        words += ", the job is paused"
    return words, tone


def _sentence(clause: str) -> str:
    told = clause.strip().rstrip(".")
    return f"{told[:1].upper()}{told[1:]}."


def _lines(parts: Sequence[str]) -> str:
    return " ".join(_sentence(p) for p in parts if p.strip())
