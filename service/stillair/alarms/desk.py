"""The alarms of one chamber: what stands, who has been told, what the sounder does.

Event changes, commands and ticks go in; changed alarms and messages come out.
One alarm per kind and subject. While it isn't normal, the same condition
coming back is the same alarm; an event whose kind changes takes its alarm
along, so that people read one story. The rules stand in the catalogue, the
states in `states`, what moves an alarm in `lives`, when something is said in `telling`,
the words in `wording`; this module only brings them together.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime

from stillair.alarms.attendance import climbs
from stillair.alarms.catalogue import (
    CATALOGUE,
    AlarmContext,
    is_danger,
    is_notice,
    shelving_reason,
)
from stillair.alarms.causes import ORDER
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
from stillair.alarms.lives import Lives
from stillair.alarms.off import OutOfService
from stillair.alarms.reaching import Person as Person
from stillair.alarms.seen import began_s
from stillair.alarms.states import Signal
from stillair.alarms.telling import Telling
from stillair.errors import CommandRefused, Refusal
from stillair.model import (
    Acknowledge,
    AlarmCommand,
    AlarmState,
    Annunciation,
    Change,
    Duty,
    EndOpening,
    EventChange,
    ExpectOpening,
    HeldState,
    Kind,
    OpeningState,
    OutOfServiceState,
    Priority,
    PutBack,
    QuietCommand,
    Reset,
    Shelve,
    Sounding,
    Suppression,
    SwitchedOff,
    TakeOut,
)

SAID_OVER = "somebody said so"  # how a danger ended whose end nobody else could see
# An alarm that was standing at the last stop without an event that could end it:
# if it is not raised again within this time, it is taken to have ended meanwhile.
CONFIRM_S = 600.0


class AlarmDesk:
    """Keep the alarms of one chamber.

    Parameters
    ----------
    chamber, chamber_name : str
        Its key in ids, and how people call it.
    people : tuple[Person, ...]
        Who is told, in their order.
    mark : str
        Every message begins with the word.
    alarms : tuple[AlarmState, ...]
        What was not normal at the last stop, in this boot's seconds. Shelving ends.
    events : tuple[EventChange, ...]
        What stood at the last stop. Whoever hands them over also clears those
        that are not seen again.
    told : mapping
        Of each of those alarms who had been told, as (person, route); None: nobody knows.
    duties : tuple[Duty, ...]
        What was kept beside them: what is out of service, what waits for quiet hours to end.
    used : tuple[str, ...]
        Ids that alarms of those events have had.
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
        told: Mapping[str, tuple[tuple[str, str], ...]] | None = None,
        duties: tuple[Duty, ...] = (),
        used: tuple[str, ...] = (),
    ) -> None:
        self._chamber = chamber
        self._entries = restored(alarms, events, told)
        self._knows_told = told is not None
        self._telling = Telling(
            chamber=chamber,
            chamber_name=chamber_name,
            people=people,
            mark=mark,
            failing=lambda: self._lives.failing(),
            held=[m for duty in duties if isinstance(duty, HeldState) for m in duty.held],
        )
        kept = [duty for duty in duties if isinstance(duty, OutOfServiceState)]
        off = OutOfService(kept[-1] if kept else None)
        self._lives = Lives(chamber, self._entries, self._telling, off, used)
        self._lives.recent.update((a.id, a) for a in alarms if not life_of(a).standing)
        self._resumed = False

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
                self._lives.mind_fire(work)
            return work.result()
        if key is None:
            key = (change.kind, change.subject)
        entry = self._entries.get(key)
        if entry is None:
            entry = self._entries[key] = Entry(CATALOGUE[change.kind], change)
        elif key != (change.kind, change.subject):
            entry = self._moved(key, entry, change, work)
        self._raise(entry, change, work)
        self._lives.mind_fire(work)
        return work.result()

    def command(self, command: AlarmCommand | QuietCommand) -> AlarmResult:
        """Carry out what a person asks for; twice the same is harmless.

        Raises `CommandRefused`: UNKNOWN for an alarm that isn't remembered,
        FORBIDDEN for hiding a danger or an impossible time, CONFLICT where it
        doesn't fit the alarm's state.
        """
        if isinstance(command, QuietCommand):
            return self.arrange(command)
        work, lives = Work(), self._lives
        entry = lives.find(command.alarm)
        if entry is None or entry.alarm is None:
            if command.alarm not in lives.recent:
                raise CommandRefused(Refusal.UNKNOWN, "there is no such alarm")
            if isinstance(command, Shelve):
                shelving_reason(command, lives.recent[command.alarm].kind)
                raise CommandRefused(Refusal.CONFLICT, "this alarm is over already")
            return work.result()
        if isinstance(command, Acknowledge):
            # One story is seen as one.
            for each in (entry, *lives.followers(entry.alarm.id)):
                lives.signal(each, Signal.ACKNOWLEDGE, command.t_s, work, by=command.by)
        elif isinstance(command, Reset):
            if entry.change.detail.get("ended") == SAID_OVER:
                self._end(entry, command.t_s, work)
                if command.alarm in lives.recent:  # with its end there is nothing left to clear
                    lives.mind_fire(work)
                    return work.result()
            if entry.alarm.condition:
                raise CommandRefused(Refusal.CONFLICT, "it can't be cleared while it stands")
            if entry.alarm.annunciation is Annunciation.LATCHED_UNACKNOWLEDGED:
                raise CommandRefused(Refusal.CONFLICT, "somebody has to see it first")
            lives.signal(entry, Signal.RESET, command.t_s, work)
        elif isinstance(command, Shelve):
            reason = shelving_reason(command, entry.alarm.kind)
            entry.opened = False
            lives.shelve(entry, command.t_s, command.t_s + command.minutes * 60.0, reason, work)
        else:
            entry.loud = entry.opened
            lives.signal(entry, Signal.UNSHELVE, command.t_s, work)
        lives.mind_fire(work)
        return work.result()

    def arrange(self, command: QuietCommand) -> AlarmResult:
        """What is to be quiet before it comes: an opening of the door, an alarm out of service.

        Raises `CommandRefused` (forbidden) for a danger, an impossible time, a missing reason.
        """
        work, lives = Work(), self._lives
        duty: Duty | None
        match command:
            case ExpectOpening():
                duty = lives.opening.expect(command)
                for entry in self._entries.values():
                    entry.loud = False
            case EndOpening():
                duty = lives.opening.end(command)
            case TakeOut():
                duty = lives.off.take_out(command)
            case PutBack():
                duty = lives.off.put_back(command)
        if duty is not None:
            work.duties.append(duty)
            for entry in list(self._entries.values()):
                lives.suppress(entry, command.t_s, work)
        return work.result()

    def tick(self, t_s: float, context: AlarmContext, at: datetime | None = None) -> AlarmResult:
        """One second has passed: delays, shelving that runs out, repeats, suppression.

        `at` is its wall-clock label; None where nobody knows: then no hours are quiet.
        """
        work, lives = Work(), self._lives
        lives.context = context
        self._telling.tick(t_s, at, context, work)
        if not self._resumed:
            self._resume(t_s, work)
        for entry in self._in_order():
            if entry.due_s is not None and t_s >= entry.due_s:
                self._announce(entry, t_s, work)
        for key, entry in list(self._entries.items()):
            if entry.end_s is not None and t_s >= entry.end_s:
                self._end(entry, t_s, work)
            if entry.confirm_s is not None and t_s >= entry.confirm_s:
                self._lapse(entry, t_s, work)
            if entry.alarm is not None:
                self._tick_alarm(entry, entry.alarm, t_s, work)
            done = entry.alarm is None and entry.due_s is None and not entry.is_remembered(t_s)
            if done and not is_notice(key[0]):
                del self._entries[key]
        lives.mind_fire(work)
        return work.result()

    # --- what stands --------------------------------------------------------

    def standing(self) -> tuple[AlarmState, ...]:
        """All alarms that aren't plainly normal, the most urgent first, then the newest."""
        alarms = self._lives.standing()
        return tuple(sorted(alarms, key=lambda a: (URGENCY[a.priority], -a.raised_s, a.id)))

    def leaving(self) -> frozenset[str]:
        """Those of them whose cause is away, and that are over if it stays away a while."""
        return frozenset(
            entry.alarm.id
            for entry in self._entries.values()
            if entry.alarm is not None and entry.end_s is not None
        )

    def opening(self, t_s: float | None) -> OpeningState | None:
        """The opening of the door that is expected at this second; None: before the first."""
        return None if t_s is None else self._lives.opening.state(t_s)

    def out_of_service(self) -> tuple[SwitchedOff, ...]:
        """All alarms that are switched off, the longest first."""
        return self._lives.off.all

    def sounding(self, *, apart_from: Kind | None = None) -> Sounding:
        """What the sounder should be doing, or would without the alarms of a kind.

        Critical: the fire sound until somebody has seen it, also when the
        condition has gone meanwhile. High: one tone at times while it stands
        unseen, and for a danger also afterwards.
        """
        loudest = Sounding.SILENT
        for alarm in self._lives.standing():
            if not life_of(alarm).unseen or alarm.kind is apart_from:
                continue
            if is_danger(alarm.kind) and alarm.priority is Priority.CRITICAL:
                return Sounding.FIRE
            if URGENCY[alarm.priority] <= URGENCY[Priority.HIGH] and (
                alarm.condition or is_danger(alarm.kind)
            ):
                loudest = Sounding.ATTENTION
        return loudest

    # --- steps --------------------------------------------------------------

    def _in_order(self) -> list[Entry]:
        """What is to be raised, first causes first, then the most urgent."""
        due = [entry for entry in self._entries.values() if entry.due_s is not None]
        return sorted(due, key=lambda e: (ORDER[e.change.kind], URGENCY[e.change.priority]))

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
                other.reached = {
                    **entry.reached,
                    **other.reached,
                }  # told of the end, and so of this
                work.changed(self._lives.put_away(entry, entry.alarm, change.at_s))
            return other
        if entry.due_s is not None:
            priority = change.priority
            entry.due_s += rule.delay_s(priority) - entry.rule.delay_s(entry.change.priority)
        entry.rule = rule
        self._entries[new_key] = entry
        return entry

    def _raise(self, entry: Entry, change: EventChange, work: Work) -> None:
        t_s, lives = change.at_s, self._lives
        if change.change is Change.RAISED or entry.change.change is Change.CLEARED:
            entry.begins(t_s)
        entry.end_s = entry.confirm_s = None
        asks_more = climbs(entry.change, change)
        entry.change = change
        before = entry.alarm
        if before is None:
            flutters = t_s < entry.flutters_until_s  # or a delay would hide it for ever
            due_s = t_s if flutters else t_s + entry.rule.delay_s(change.priority)
            entry.due_s = due_s if entry.due_s is None else min(due_s, entry.due_s)
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
            text=lives.text(entry),
            blind=change.detail.get("blind") is True,
            job=change.job or before.job,
            began_s=began_s(change),
        )
        if entry.alarm != before:
            work.changed(entry.alarm)
        lives.free(entry, work)
        lives.signal(entry, Signal.CONDITION_TRUE, t_s, work, quietly=True)
        if URGENCY[change.priority] < URGENCY[before.priority]:
            lives.signal(entry, Signal.UNSHELVE, t_s, work, quietly=True)
            lives.signal(entry, Signal.REALARM, t_s, work, quietly=True)
        lives.suppress(entry, t_s, work, quietly=True)
        if not before.condition:
            lives.fold(entry, t_s, work)
            self._telling.raised(entry, t_s, work)
        elif change.kind is not before.kind or change.priority is not before.priority:
            self._telling.changed(entry, t_s, work)
        elif asks_more:  # having seen it is not being there
            lives.signal(entry, Signal.REALARM, t_s, work, quietly=True)
            self._telling.climbed(entry, t_s, work)

    def _clear(self, entry: Entry, change: EventChange, work: Work) -> None:
        entry.change = change
        entry.due_s = None
        if entry.alarm is not None and entry.alarm.condition:
            entry.end_s = change.at_s + entry.off_delay_s(change.at_s)
            if change.at_s >= entry.end_s:
                self._end(entry, change.at_s, work)

    def _announce(self, entry: Entry, t_s: float, work: Work) -> None:
        entry.due_s = None
        change, lives = entry.change, self._lives
        entry.alarm = AlarmState(
            id=lives.new_id(change.event),
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
            text=lives.text(entry),
            job=change.job,
            blind=change.detail.get("blind") is True,
            began_s=began_s(change),
        )
        lives.signal(entry, Signal.CONDITION_TRUE, t_s, work, quietly=True)
        lives.suppress(entry, t_s, work, quietly=True)
        lives.fold(entry, t_s, work)
        self._telling.raised(entry, t_s, work)

    def _end(self, entry: Entry, t_s: float, work: Work) -> None:
        """The condition has been gone for the off-delay."""
        entry.end_s = entry.confirm_s = None
        entry.loud = False
        if entry.alarm is None:
            return
        entry.alarm = replace(entry.alarm, text=self._lives.text(entry))
        self._telling.ended(entry, t_s, work)
        self._lives.signal(entry, Signal.CONDITION_FALSE, t_s, work)
        self._lives.suppress(entry, t_s, work)

    def _tick_alarm(self, entry: Entry, alarm: AlarmState, t_s: float, work: Work) -> None:
        if (
            alarm.suppression is Suppression.SHELVED
            and alarm.shelved_until_s is not None
            and t_s >= alarm.shelved_until_s
        ):
            self._lives.signal(entry, Signal.UNSHELVE, t_s, work)
        self._lives.suppress(entry, t_s, work)
        self._lives.unfold(entry, t_s, work)
        alarm = entry.alarm or alarm
        realarm_s = entry.rule.realarm_s
        if (
            realarm_s is not None
            and alarm.annunciation is Annunciation.ACKNOWLEDGED
            and t_s - alarm.changed_s >= realarm_s
        ):
            self._lives.signal(entry, Signal.REALARM, t_s, work, quietly=True)
            self._telling.again(entry, t_s, work)
        else:
            self._telling.passing(entry, t_s, work)

    def _take_notice(self, change: EventChange, work: Work) -> None:
        """What a person waited for has no alarm; of one job, or within hours, it is said once."""
        key = (change.kind, change.subject)
        entry = self._entries.get(key)
        again = entry is None or change.job not in (None, entry.change.job)
        again |= change.job is None and entry is not None and change.at_s >= entry.quiet_until_s
        if change.change is Change.CLEARED:
            self._telling.no_longer(change, change.at_s, work)
        elif change.change is Change.RAISED and again and key not in self._lives.off:
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
                    entry.due_s = t_s + entry.rule.delay_s(entry.change.priority)
                continue
            self._telling.resume(entry, t_s, known=self._knows_told)
            if entry.confirm_s is not None:
                entry.confirm_s = t_s + CONFIRM_S
            if alarm.suppression is not Suppression.NONE:
                self._lives.signal(entry, Signal.UNSHELVE, t_s, work)
            elif alarm.condition and not entry.told and not alarm.acknowledged_by:
                self._telling.raised(entry, t_s, work)  # it stopped before anybody was told

    def _lapse(self, entry: Entry, t_s: float, work: Work) -> None:
        entry.change = replace(
            entry.change,
            change=Change.CLEARED,
            at_s=t_s,
            end_s=t_s,
            detail={"reason": "since the watch began anew there has been no sign of it"},
        )
        self._end(entry, t_s, work)
