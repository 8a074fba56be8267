"""What the desk keeps of each alarm, and how that comes back after a restart."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from stillair.alarms.catalogue import CATALOGUE, AlarmRule, is_notice
from stillair.alarms.states import Life
from stillair.alarms.words import WORDS
from stillair.model import (
    AlarmState,
    Change,
    Duty,
    EventChange,
    Kind,
    Notice,
    Priority,
    Suppression,
)

URGENCY = {Priority.CRITICAL: 0, Priority.HIGH: 1, Priority.MEDIUM: 2, Priority.LOW: 3}
NEVER = 9  # less urgent than anything
NOT_YET_S = math.inf  # of a delay that begins with the first tick
# Chattering by ISA-18.2: three times or more in a minute. It is then one alarm until it has
# been gone for five minutes.
FLUTTERS, FLUTTERS_WITHIN_S, SETTLED_S = 3, 60.0, 300.0


@dataclass(frozen=True, slots=True)
class AlarmResult:
    """The alarms that have changed, the messages that follow, what is kept beside them."""

    alarms: tuple[AlarmState, ...] = ()
    notices: tuple[Notice, ...] = ()
    duties: tuple[Duty, ...] = ()


@dataclass(slots=True)
class Entry:
    """One kind and subject: the newest event about it, and its alarm if it has one."""

    rule: AlarmRule
    change: EventChange
    alarm: AlarmState | None = None
    worded: EventChange | None = None  # which the alarm's text is of; not known of some restored
    due_s: float | None = None  # the on-delay runs out
    end_s: float | None = None  # the off-delay runs out
    confirm_s: float | None = None  # not heard of since a restart: over if not by then
    told: bool = False  # people are being told, in their order
    told_urgency: int = NEVER  # the most urgent that people know of
    first_told_s: float = 0.0
    say_s: float | None = None  # to be said then, or again
    quiet_until_s: float = -math.inf
    stamp: int = -1
    climb_s: float = 0.0  # from when on it counts as unseen, for who comes next
    reached: dict[str, str] = field(default_factory=dict)  # routes that were told, and whose
    held: set[str] = field(default_factory=set)  # routes that quiet hours keep from being told
    cause_over_s: float | None = None  # since when the first cause is over
    begun_s: list[float] = field(default_factory=list)  # the last times at which it began
    flutters_until_s: float = -math.inf  # it comes and goes too often to be told each time
    opened: bool = False  # quiet because the door is opened on purpose
    loud: bool = False  # somebody wants it heard though the door is
    stale: bool = False  # has stood for a day, and that was told

    def begins(self, t_s: float) -> None:
        """Note that the condition has begun, or begun again."""
        self.begun_s = [*self.begun_s[1 - FLUTTERS :], t_s]
        if len(self.begun_s) == FLUTTERS and t_s - self.begun_s[0] <= FLUTTERS_WITHIN_S:
            self.flutters_until_s = t_s + SETTLED_S

    def is_remembered(self, t_s: float) -> bool:
        """Whether what has been told, or how often it began, still matters though it is over."""
        began_s = self.begun_s[-1] if self.begun_s else -math.inf
        return t_s < self.quiet_until_s or t_s - began_s < FLUTTERS_WITHIN_S

    def off_delay_s(self, t_s: float) -> float:
        """How long it has to be gone to count as over: longer while it comes and goes."""
        return max(self.rule.off_delay_s, SETTLED_S if t_s < self.flutters_until_s else 0.0)


class Work:
    """What one call brings about: each alarm once, as it stands at the end."""

    def __init__(self) -> None:
        self._alarms: dict[str, AlarmState] = {}
        self.notices: list[Notice] = []
        self.duties: list[Duty] = []

    def changed(self, alarm: AlarmState) -> None:
        self._alarms[alarm.id] = alarm

    def result(self) -> AlarmResult:
        return AlarmResult(tuple(self._alarms.values()), tuple(self.notices), tuple(self.duties))


def life_of(alarm: AlarmState) -> Life:
    return Life(alarm.annunciation, alarm.suppression, alarm.condition)


def as_ended(danger: EventChange, change: EventChange) -> EventChange:
    """The end of `danger`, whose event has turned out to be what `change` says."""
    title = WORDS[change.kind].title
    return replace(
        danger,
        change=Change.CLEARED,
        at_s=change.at_s,
        end_s=change.at_s,
        detail={**danger.detail, "ended": f"it looks like this now: {title.lower()}"},
    )


def restored(
    alarms: Sequence[AlarmState],
    events: Sequence[EventChange],
    told: Mapping[str, tuple[tuple[str, str], ...]] | None = None,
) -> dict[tuple[Kind, str], Entry]:
    """The entries of what stood at the last stop; `told` has who knows of which alarm.

    An alarm whose event still stands goes on with it. One that was standing
    without its event has to be heard of again. An event that stands without
    an alarm was in its on-delay, which begins anew.
    """
    entries: dict[tuple[Kind, str], Entry] = {}
    open_events = {event.event: event for event in events if not is_notice(event.kind)}
    for alarm in sorted(alarms, key=lambda a: a.event):
        if not life_of(alarm).standing:
            continue
        event = open_events.get(alarm.event) if alarm.condition else None
        if event is not None and event.kind is alarm.kind:
            del open_events[alarm.event]
        else:
            event = None
        change = event or _as_change(alarm)
        key = (alarm.kind, alarm.subject)
        entry = entries[key] = Entry(CATALOGUE[alarm.kind], change, alarm, worded=event)
        if alarm.condition:
            entry.confirm_s = NOT_YET_S if event is None else None
            entry.told = alarm.suppression is Suppression.NONE and not alarm.cause_alarm
            entry.told_urgency = URGENCY[alarm.priority]
            if told is not None:
                entry.reached = {route: person for person, route in told.get(alarm.id, ())}
                entry.told = bool(entry.reached)
    for event in open_events.values():
        entry = Entry(CATALOGUE[event.kind], event, due_s=NOT_YET_S)
        entries.setdefault((event.kind, event.subject), entry)
    return entries


def _as_change(alarm: AlarmState) -> EventChange:
    """As much of the event as its alarm still tells."""
    return EventChange(
        event=alarm.event,
        change=Change.RAISED if alarm.condition else Change.CLEARED,
        at_s=alarm.changed_s,
        kind=alarm.kind,
        signal_class=alarm.signal_class,
        priority=alarm.priority,
        onset_s=alarm.raised_s,
        sensors=(),
        detail={},
        end_s=None if alarm.condition else alarm.changed_s,
        subject=alarm.subject,
        job=alarm.job,
    )
