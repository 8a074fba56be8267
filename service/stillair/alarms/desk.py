"""The alarms of one chamber: what stands, who has been told, what the sounder does.

Event changes, commands and ticks go in; changed alarms and messages come out.
One alarm per kind and subject. While it isn't normal, the same condition
coming back is the same alarm; an event whose kind changes takes its alarm
along, so that people read one story. The rules stand in the catalogue, the
states in `states`, when something is said in `telling`, the words in `wording`;
this module only brings them together.
"""

from __future__ import annotations

import math
from dataclasses import replace

from stillair.alarms.attendance import climbs
from stillair.alarms.catalogue import (
    CATALOGUE,
    AlarmContext,
    is_danger,
    is_notice,
    shelving_reason,
)
from stillair.alarms.entries import (
    NOT_YET_S,
    URGENCY,
    Entry,
    Work,
    as_ended,
    life_of,
    restored,
)
from stillair.alarms.entries import (
    AlarmResult as AlarmResult,
)
from stillair.alarms.states import Signal
from stillair.alarms.telling import Person as Person
from stillair.alarms.telling import Telling
from stillair.alarms.wording import Stage, advised, line
from stillair.errors import CommandRefused, Refusal
from stillair.model import (
    BURNING,
    Acknowledge,
    AlarmCommand,
    AlarmState,
    Annunciation,
    Change,
    EventChange,
    Kind,
    Priority,
    Reset,
    Shelve,
    Sounding,
    Suppression,
)

SAID_OVER = "somebody said so"  # how a danger ended whose end nobody else could see
# An alarm that was standing at the last stop without an event that could end it:
# if it is not raised again within this time, it is taken to have ended meanwhile.
CONFIRM_S = 600.0
_REMEMBERED = 256


class AlarmDesk:
    """Keep the alarms of one chamber.

    Parameters
    ----------
    chamber, chamber_name : str
        Its key in ids, and how people call it.
    people : tuple[Person, ...]
        Who is told.
    mark : str
        Every message begins with the word.
    alarms : tuple[AlarmState, ...]
        What was not normal at the last stop, in this boot's seconds. Shelving ends.
    events : tuple[EventChange, ...]
        What stood at the last stop. Whoever hands them over also clears those
        that are not seen again.
    """

    def __init__(
        self,
        *,
        chamber: str,
        chamber_name: str,
        people: tuple[Person, ...],
        mark: str = "",
        alarms: tuple[AlarmState, ...] = (),
        events: tuple[EventChange, ...] = (),
    ) -> None:
        self._chamber = chamber
        self._telling = Telling(
            chamber=chamber, chamber_name=chamber_name, people=people, mark=mark
        )
        self._context = AlarmContext()
        self._entries = restored(alarms, events)
        self._recent = {alarm.id: alarm for alarm in alarms if not life_of(alarm).standing}
        self._resumed = False
        self._telling.burning = self._burns()

    # --- what comes in ------------------------------------------------------

    def take(self, change: EventChange) -> AlarmResult:
        """Take one line of an event's story, at the time `change.at_s`."""
        work = Work()
        if is_notice(change.kind):
            self._take_notice(change, work)
            return work.result()
        key = self._key_of(change)
        if change.change is Change.CLEARED:
            entry = None if key is None else self._entries[key]
            if entry is not None:
                self._clear(entry, change, work)
                self._mind_fire(work)
            return work.result()
        if key is None:
            key = (change.kind, change.subject)
        entry = self._entries.get(key)
        if entry is None:
            entry = self._entries[key] = Entry(CATALOGUE[change.kind], change)
        elif key != (change.kind, change.subject):
            entry = self._moved(key, entry, change, work)
        self._raise(entry, change, work)
        self._mind_fire(work)
        return work.result()

    def command(self, command: AlarmCommand) -> AlarmResult:
        """Carry out what a person asks for; twice the same is harmless.

        Raises `CommandRefused`: UNKNOWN for an alarm that isn't remembered,
        FORBIDDEN for hiding a danger or an impossible time, CONFLICT where it
        doesn't fit the alarm's state.
        """
        work = Work()
        entry = next(
            (e for e in self._entries.values() if e.alarm and e.alarm.id == command.alarm), None
        )
        if entry is None or entry.alarm is None:
            if command.alarm not in self._recent:
                raise CommandRefused(Refusal.UNKNOWN, "there is no such alarm")
            if isinstance(command, Shelve):
                shelving_reason(command, self._recent[command.alarm].kind)
                raise CommandRefused(Refusal.CONFLICT, "this alarm is over already")
            return work.result()
        if isinstance(command, Acknowledge):
            self._signal(entry, Signal.ACKNOWLEDGE, command.t_s, work, by=command.by)
        elif isinstance(command, Reset):
            if entry.change.detail.get("ended") == SAID_OVER:
                self._end(entry, command.t_s, work)
                if command.alarm in self._recent:  # with its end there is nothing left to clear
                    self._mind_fire(work)
                    return work.result()
            if entry.alarm.condition:
                raise CommandRefused(Refusal.CONFLICT, "it can't be cleared while it stands")
            if entry.alarm.annunciation is Annunciation.LATCHED_UNACKNOWLEDGED:
                raise CommandRefused(Refusal.CONFLICT, "somebody has to see it first")
            self._signal(entry, Signal.RESET, command.t_s, work)
        elif isinstance(command, Shelve):
            reason = shelving_reason(command, entry.alarm.kind)
            self._signal(entry, Signal.SHELVE, command.t_s, work)
            entry.alarm = replace(
                entry.alarm,
                shelved_until_s=command.t_s + command.minutes * 60.0,
                shelved_reason=reason,
            )
            work.changed(entry.alarm)
        else:
            self._signal(entry, Signal.UNSHELVE, command.t_s, work)
        self._mind_fire(work)
        return work.result()

    def tick(self, t_s: float, context: AlarmContext) -> AlarmResult:
        """One second has passed: delays, shelving that runs out, repeats, suppression."""
        self._context = context
        work = Work()
        if not self._resumed:
            self._resume(t_s, work)
        for key, entry in list(self._entries.items()):
            if entry.due_s is not None and t_s >= entry.due_s:
                self._announce(entry, t_s, work)
            if entry.end_s is not None and t_s >= entry.end_s:
                self._end(entry, t_s, work)
            if entry.confirm_s is not None and t_s >= entry.confirm_s:
                self._lapse(entry, t_s, work)
            if entry.alarm is not None:
                self._tick_alarm(entry, entry.alarm, t_s, work)
            if entry.alarm is None and entry.due_s is None and t_s >= entry.quiet_until_s:
                del self._entries[key]
        self._mind_fire(work)
        return work.result()

    # --- what stands --------------------------------------------------------

    def standing(self) -> tuple[AlarmState, ...]:
        """All alarms that aren't plainly normal, the most urgent first, then the newest."""
        alarms = [e.alarm for e in self._entries.values() if e.alarm is not None]
        return tuple(sorted(alarms, key=lambda a: (URGENCY[a.priority], -a.raised_s, a.id)))

    def sounding(self) -> Sounding:
        """What the sounder should be doing.

        Critical: the fire sound until somebody has seen it, also when the
        condition has gone meanwhile. High: one tone at times while it stands
        unseen, and for a danger also afterwards.
        """
        loudest = Sounding.SILENT
        for entry in self._entries.values():
            alarm = entry.alarm
            if alarm is None or not life_of(alarm).unseen:
                continue
            if is_danger(alarm.kind) and alarm.priority is Priority.CRITICAL:
                return Sounding.FIRE
            if URGENCY[alarm.priority] <= URGENCY[Priority.HIGH] and (
                alarm.condition or is_danger(alarm.kind)
            ):
                loudest = Sounding.ATTENTION
        return loudest

    # --- beside a fire -------------------------------------------------------

    def _burns(self) -> bool:
        """Whether smoke or fire is told, and nobody has said yet that it is done with."""
        return any(e.alarm is not None and e.alarm.kind in BURNING for e in self._entries.values())

    def _line(self, entry: Entry) -> str:
        entry.worded = entry.change
        return line(entry.change, burning=self._telling.burning)

    def _mind_fire(self, work: Work) -> None:
        """While the box may be burning no alarm, whenever it was raised, sends anybody there."""
        burning = self._burns()
        if burning is self._telling.burning:
            return
        self._telling.burning = burning
        for entry in self._entries.values():
            alarm = entry.alarm
            if alarm is None:
                continue
            # Not of the newest change, which may be an end that still has to last.
            if entry.worded is not None:
                text = line(entry.worded, burning=burning)
            else:
                text = advised(alarm.text, entry.change, burning=burning)
            if text != alarm.text:
                entry.alarm = replace(alarm, text=text)
                work.changed(entry.alarm)

    # --- steps --------------------------------------------------------------

    def _key_of(self, change: EventChange) -> tuple[Kind, str] | None:
        """Where the event of `change` is kept: by its number, else by kind and subject."""
        for key, entry in self._entries.items():
            if entry.change.event == change.event and entry.change.change is not Change.CLEARED:
                return key
        if change.change is Change.CLEARED:
            return None  # about an event that no alarm hangs on any more
        key = (change.kind, change.subject)
        return key if key in self._entries else None

    def _moved(self, key: tuple[Kind, str], entry: Entry, change: EventChange, work: Work) -> Entry:
        """The event has become another kind: its alarm goes along under the same id."""
        new_key = (change.kind, change.subject)
        rule = CATALOGUE[change.kind]
        other = self._entries.get(new_key)
        if entry.alarm is not None and is_danger(key[0]) and not is_danger(change.kind):
            # A danger is never explained away: it ends as one, and stays until it is seen.
            self._clear(entry, as_ended(entry.change, change), work)
            if other is None:
                other = self._entries[new_key] = Entry(rule, change)
            return other
        del self._entries[key]
        if other is not None and other.alarm is not None:
            if entry.alarm is not None:
                work.changed(self._ended(entry, entry.alarm, change.at_s))
            return other
        if entry.due_s is not None:
            entry.due_s += rule.on_delay_s - entry.rule.on_delay_s
        entry.rule = rule
        self._entries[new_key] = entry
        return entry

    def _raise(self, entry: Entry, change: EventChange, work: Work) -> None:
        t_s = change.at_s
        entry.end_s = entry.confirm_s = None
        asks_more = climbs(entry.change, change)
        entry.change = change
        before = entry.alarm
        if before is None:
            if entry.due_s is None:
                entry.due_s = t_s + entry.rule.on_delay_s
            if t_s >= entry.due_s:
                self._announce(entry, t_s, work)
            return
        entry.alarm = replace(
            before,
            kind=change.kind,
            subject=change.subject,
            signal_class=change.signal_class,
            priority=change.priority,
            event=change.event,
            text=self._line(entry),
            blind=change.detail.get("blind") is True,
            job=change.job or before.job,
        )
        if entry.alarm != before:
            work.changed(entry.alarm)
        self._signal(entry, Signal.CONDITION_TRUE, t_s, work, quietly=True)
        if URGENCY[change.priority] < URGENCY[before.priority]:
            self._signal(entry, Signal.UNSHELVE, t_s, work, quietly=True)
            self._signal(entry, Signal.REALARM, t_s, work, quietly=True)
        self._suppress(entry, t_s, work, quietly=True)
        if not before.condition:
            self._telling.raised(entry, t_s, work)
        elif change.kind is not before.kind or change.priority is not before.priority:
            self._telling.changed(entry, t_s, work)
        elif asks_more:  # having seen it is not being there
            self._signal(entry, Signal.REALARM, t_s, work, quietly=True)
            self._telling.climbed(entry, t_s, work)

    def _clear(self, entry: Entry, change: EventChange, work: Work) -> None:
        entry.change = change
        entry.due_s = None
        if entry.alarm is not None and entry.alarm.condition:
            entry.end_s = change.at_s + entry.rule.off_delay_s
            if change.at_s >= entry.end_s:
                self._end(entry, change.at_s, work)

    def _announce(self, entry: Entry, t_s: float, work: Work) -> None:
        entry.due_s = None
        change = entry.change
        entry.alarm = AlarmState(
            id=self._new_id(change.event),
            chamber=self._chamber,
            kind=change.kind,
            subject=change.subject,
            signal_class=change.signal_class,
            priority=change.priority,
            annunciation=Annunciation.NORMAL,
            suppression=Suppression.NONE,
            condition=False,
            event=change.event,
            raised_s=t_s,
            changed_s=t_s,
            text=self._line(entry),
            job=change.job,
            blind=change.detail.get("blind") is True,
        )
        self._signal(entry, Signal.CONDITION_TRUE, t_s, work, quietly=True)
        self._suppress(entry, t_s, work, quietly=True)
        self._telling.raised(entry, t_s, work)

    def _new_id(self, event: int) -> str:
        """The alarm's id after its event; "b", "c" ... where that event has had one before."""
        taken = {e.alarm.id for e in self._entries.values() if e.alarm is not None}
        name = f"{self._chamber}-{event}"
        names = (name, *(f"{name}{letter}" for letter in "bcdefghijklmnopqrstuvwxyz"))
        return next((n for n in names if n not in taken and n not in self._recent), name)

    def _end(self, entry: Entry, t_s: float, work: Work) -> None:
        """The condition has been gone for the off-delay."""
        entry.end_s = entry.confirm_s = None
        if entry.alarm is None:
            return
        entry.alarm = replace(entry.alarm, text=self._line(entry))
        self._telling.ended(entry, t_s, work)
        self._signal(entry, Signal.CONDITION_FALSE, t_s, work)
        self._suppress(entry, t_s, work)

    def _tick_alarm(self, entry: Entry, alarm: AlarmState, t_s: float, work: Work) -> None:
        if (
            alarm.suppression is Suppression.SHELVED
            and alarm.shelved_until_s is not None
            and t_s >= alarm.shelved_until_s
        ):
            self._signal(entry, Signal.UNSHELVE, t_s, work)
        self._suppress(entry, t_s, work)
        alarm = entry.alarm or alarm
        realarm_s = entry.rule.realarm_s
        if (
            realarm_s is not None
            and alarm.annunciation is Annunciation.ACKNOWLEDGED
            and t_s - alarm.changed_s >= realarm_s
        ):
            self._signal(entry, Signal.REALARM, t_s, work, quietly=True)
            self._telling.say(entry, Stage.STILL, t_s, work)
        else:
            self._telling.repeat(entry, t_s, work)

    def _suppress(self, entry: Entry, t_s: float, work: Work, *, quietly: bool = False) -> None:
        alarm = entry.alarm
        if alarm is None:
            return
        expected = alarm.condition and entry.rule.expected(self._context)
        if expected and alarm.suppression is Suppression.NONE:
            self._signal(entry, Signal.SUPPRESS, t_s, work, quietly=quietly)
        elif not expected and alarm.suppression is Suppression.SUPPRESSED_BY_DESIGN:
            self._signal(entry, Signal.UNSUPPRESS, t_s, work, quietly=quietly)

    def _signal(
        self,
        entry: Entry,
        signal: Signal,
        t_s: float,
        work: Work,
        *,
        by: str | None = None,
        quietly: bool = False,
    ) -> None:
        """Move the alarm by one signal.

        Unless `quietly`, tell what a lifted suppression uncovers.
        """
        alarm = entry.alarm
        if alarm is None:
            return
        before = life_of(alarm)
        life = before.after(signal, latches=entry.rule.latches, may_hide=entry.rule.may_hide)
        if life == before:
            return
        shelved = life.suppression is Suppression.SHELVED
        seen_by = alarm.acknowledged_by
        if life.annunciation is Annunciation.UNACKNOWLEDGED:
            seen_by = None
        elif signal is Signal.ACKNOWLEDGE:
            seen_by = by
        entry.alarm = replace(
            alarm,
            annunciation=life.annunciation,
            suppression=life.suppression,
            condition=life.condition,
            changed_s=t_s,
            acknowledged_by=seen_by,
            shelved_until_s=alarm.shelved_until_s if shelved else None,
            shelved_reason=alarm.shelved_reason if shelved else "",
        )
        work.changed(entry.alarm)
        if not life.standing:
            self._ended(entry, entry.alarm, t_s)
        elif (
            not quietly
            and life.condition
            and before.suppression is not Suppression.NONE
            and life.suppression is Suppression.NONE
        ):
            self._telling.stands(entry, t_s, work)

    def _ended(self, entry: Entry, alarm: AlarmState, t_s: float) -> AlarmState:
        """Put an alarm away as normal and remember it for a late answer."""
        normal = replace(
            alarm,
            annunciation=Annunciation.NORMAL,
            suppression=Suppression.NONE,
            condition=False,
            changed_s=t_s,
            shelved_until_s=None,
            shelved_reason="",
        )
        entry.alarm = None
        self._recent.pop(alarm.id, None)
        self._recent[alarm.id] = normal
        if len(self._recent) > _REMEMBERED:
            del self._recent[next(iter(self._recent))]
        return normal

    def _take_notice(self, change: EventChange, work: Work) -> None:
        """What a person waited for has no alarm; said moments ago, it isn't said again."""
        key = (change.kind, change.subject)
        entry = self._entries.get(key)
        said_s = -math.inf if entry is None else entry.quiet_until_s
        if change.change is Change.RAISED and change.at_s >= said_s:
            entry = self._entries[key] = Entry(CATALOGUE[change.kind], change)
            self._telling.waited_for(entry, work)

    # --- after a restart ----------------------------------------------------

    def _resume(self, t_s: float, work: Work) -> None:
        """First second after a restart: shelving ends, and what stood waits to be seen again."""
        self._resumed = True
        for entry in self._entries.values():
            alarm = entry.alarm
            if alarm is None:
                if entry.due_s == NOT_YET_S:
                    entry.due_s = t_s + entry.rule.on_delay_s
                continue
            self._telling.resume(entry, t_s)
            if entry.confirm_s is not None:
                entry.confirm_s = t_s + CONFIRM_S
            if alarm.suppression is not Suppression.NONE:
                self._signal(entry, Signal.UNSHELVE, t_s, work)

    def _lapse(self, entry: Entry, t_s: float, work: Work) -> None:
        entry.change = replace(
            entry.change,
            change=Change.CLEARED,
            at_s=t_s,
            end_s=t_s,
            detail={"reason": "since the watch began anew there has been no sign of it"},
        )
        self._end(entry, t_s, work)
