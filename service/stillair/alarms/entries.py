"""What the desk keeps of each alarm, and how that comes back after a restart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from stillair.alarms.catalogue import CATALOGUE, AlarmRule, is_notice
from stillair.alarms.states import Life
from stillair.alarms.words import WORDS
from stillair.model import (
    AlarmState,
    Change,
    EventChange,
    Kind,
    Notice,
    Priority,
    Suppression,
)

URGENCY = {Priority.CRITICAL: 0, Priority.HIGH: 1, Priority.MEDIUM: 2, Priority.LOW: 3}
NEVER = 9  # less urgent than anything
NOT_YET_S = math.inf  # of a delay that begins with the first tick


@dataclass(frozen=True, slots=True)
class AlarmResult:
    """The alarms that have changed, and the messages that follow."""

    alarms: tuple[AlarmState, ...] = ()
    notices: tuple[Notice, ...] = ()


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
    told: bool = False
    told_urgency: int = NEVER  # the most urgent that people know of
    first_told_s: float = 0.0
    say_s: float | None = None  # to be said then, or again
    quiet_until_s: float = -math.inf
    stamp: int = -1


class Work:
    """What one call brings about: each alarm once, as it stands at the end."""

    def __init__(self) -> None:
        self._alarms: dict[str, AlarmState] = {}
        self.notices: list[Notice] = []

    def changed(self, alarm: AlarmState) -> None:
        self._alarms[alarm.id] = alarm

    def result(self) -> AlarmResult:
        return AlarmResult(tuple(self._alarms.values()), tuple(self.notices))


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
    alarms: Sequence[AlarmState], events: Sequence[EventChange]
) -> dict[tuple[Kind, str], Entry]:
    """The entries of what stood at the last stop.

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
            entry.told = alarm.suppression is Suppression.NONE
            entry.told_urgency = URGENCY[alarm.priority]
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
