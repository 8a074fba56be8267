"""The alarms of one chamber by kind and subject, and how each signal moves one.

What the tables of `states` say is carried out here, together with why an alarm may be
suppressed just now (switched off, quiet for an opening, expected by design), with the
first cause from which it follows, and with what that means for telling people.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from stillair.alarms.catalogue import AlarmContext
from stillair.alarms.causes import first_cause, outlasts_s
from stillair.alarms.entries import Entry, Work, life_of
from stillair.alarms.figures import joined, lower
from stillair.alarms.off import OutOfService
from stillair.alarms.opening import Opening
from stillair.alarms.states import Signal
from stillair.alarms.telling import COMES_AND_GOES, Telling
from stillair.alarms.wording import advised, line, title_of
from stillair.model import (
    BURNING,
    AlarmState,
    Annunciation,
    Change,
    Kind,
    Suppression,
)

_REMEMBERED = 256


class Lives:
    """Keep and move the alarms of one chamber; `entries` is shared with who hands in events."""

    def __init__(
        self,
        chamber: str,
        entries: dict[tuple[Kind, str], Entry],
        telling: Telling,
        off: OutOfService,
        used: Iterable[str] = (),
    ) -> None:
        self.entries = entries
        self.recent: dict[str, AlarmState] = {}  # those that are over, for a late answer
        self.context = AlarmContext()
        self.opening = Opening()
        self.off = off
        self._used = frozenset(used)  # ids of before a restart
        self._chamber = chamber
        self._telling = telling
        self._telling.burning = self._burns()

    # --- what stands ------------------------------------------------------------

    def standing(self) -> list[AlarmState]:
        """Every alarm that isn't plainly normal."""
        return [entry.alarm for entry in self.entries.values() if entry.alarm is not None]

    def find(self, alarm: str) -> Entry | None:
        """The entry of an alarm that isn't over."""
        found = (e for e in self.entries.values() if e.alarm is not None and e.alarm.id == alarm)
        return next(found, None)

    def followers(self, alarm: str) -> list[Entry]:
        """What hangs below this alarm as its consequence."""
        return [e for e in self.entries.values() if e.alarm and e.alarm.cause_alarm == alarm]

    def failing(self) -> frozenset[str]:
        """The routes of which it is told that they don't work."""
        return frozenset(
            alarm.subject
            for alarm in self.standing()
            if alarm.kind is Kind.DELIVERY_FAULT and alarm.condition
        )

    def new_id(self, event: int) -> str:
        """An alarm's id after its event; "b", "c" ... where that event has had one before."""
        taken = self._used | self.recent.keys() | {alarm.id for alarm in self.standing()}
        name = f"{self._chamber}-{event}"
        names = (name, *(f"{name}{letter}" for letter in "bcdefghijklmnopqrstuvwxyz"))
        return next((n for n in names if n not in taken), name)

    # --- one signal ---------------------------------------------------------------

    def signal(
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
        seen_by, seen_s = alarm.acknowledged_by, alarm.acknowledged_s
        if life.annunciation is Annunciation.UNACKNOWLEDGED:
            seen_by = seen_s = None
        elif signal is Signal.ACKNOWLEDGE:
            seen_by, seen_s = by, t_s
        entry.opened = entry.opened and shelved
        entry.alarm = replace(
            alarm,
            annunciation=life.annunciation,
            suppression=life.suppression,
            condition=life.condition,
            changed_s=t_s,
            acknowledged_by=seen_by,
            acknowledged_s=seen_s,
            shelved_until_s=alarm.shelved_until_s if shelved else None,
            shelved_reason=alarm.shelved_reason if shelved else "",
            cause_alarm=alarm.cause_alarm if life.condition else "",
        )
        work.changed(entry.alarm)
        if not life.standing:
            self.put_away(entry, entry.alarm, t_s)
        elif (
            not quietly
            and life.condition
            and before.suppression is not Suppression.NONE
            and life.suppression is Suppression.NONE
        ):
            self.uncover(entry, t_s, work)

    def put_away(self, entry: Entry, alarm: AlarmState, t_s: float) -> AlarmState:
        """Put an alarm away as normal and remember it for a late answer."""
        normal = replace(
            alarm,
            annunciation=Annunciation.NORMAL,
            suppression=Suppression.NONE,
            condition=False,
            changed_s=t_s,
            shelved_until_s=None,
            shelved_reason="",
            cause_alarm="",
        )
        entry.alarm = None
        self.recent.pop(alarm.id, None)
        self.recent[alarm.id] = normal
        if len(self.recent) > _REMEMBERED:
            del self.recent[next(iter(self.recent))]
        return normal

    def shelve(self, entry: Entry, t_s: float, until_s: float, reason: str, work: Work) -> None:
        """Make it quiet until then."""
        self.signal(entry, Signal.SHELVE, t_s, work)
        if entry.alarm is not None and entry.alarm.suppression is Suppression.SHELVED:
            entry.alarm = replace(entry.alarm, shelved_until_s=until_s, shelved_reason=reason)
            work.changed(entry.alarm)

    def suppress(self, entry: Entry, t_s: float, work: Work, *, quietly: bool = False) -> None:
        """See to it that it is suppressed if there is a reason, and isn't if there is none."""
        alarm = entry.alarm
        if alarm is None:
            return
        off = entry.rule.may_hide and (alarm.kind, alarm.subject) in self.off
        if off:
            self.signal(entry, Signal.REMOVE, t_s, work)
            if entry.alarm is not None and not entry.alarm.condition:
                work.changed(self.put_away(entry, entry.alarm, t_s))  # the list has it
            return
        if alarm.suppression is Suppression.OUT_OF_SERVICE:
            self.signal(entry, Signal.RETURN, t_s, work, quietly=True)
            quietly = self._uncovered(entry, t_s, work, quietly=quietly)
        expected = alarm.condition and entry.rule.expected(self.context)
        until_s = self.opening.quiet_until_s(alarm.kind, t_s)
        opened = alarm.condition and until_s is not None and not entry.loud
        suppression = entry.alarm.suppression if entry.alarm is not None else None
        if expected and suppression is Suppression.NONE:
            self.signal(entry, Signal.SUPPRESS, t_s, work, quietly=quietly)
        elif not expected and suppression is Suppression.SUPPRESSED_BY_DESIGN:
            self.signal(entry, Signal.UNSUPPRESS, t_s, work, quietly=quietly or opened)
        if opened and until_s is not None and not expected:
            alarm = entry.alarm or alarm
            if alarm.suppression is Suppression.NONE or (
                entry.opened and alarm.shelved_until_s != until_s
            ):
                self.shelve(entry, t_s, until_s, self.opening.reason, work)
                entry.opened = True

    # --- first cause first ----------------------------------------------------------

    def fold(self, entry: Entry, t_s: float, work: Work) -> None:
        """Hang it below the first cause from which it follows, unless people know of it already."""
        alarm = entry.alarm
        if alarm is None or entry.told or not alarm.condition:
            return
        cause = first_cause(alarm, self.standing(), t_s)
        if cause is not None and not self.followers(alarm.id):
            entry.cause_over_s = None
            self._hang(entry, alarm, cause.id, work)

    def unfold(self, entry: Entry, t_s: float, work: Work) -> None:
        """Tell what has outlasted its first cause."""
        alarm = entry.alarm
        if alarm is None or not alarm.cause_alarm:
            return
        cause = self.find(alarm.cause_alarm)
        if cause is not None and cause.alarm is not None and self._holds(cause.alarm):
            entry.cause_over_s = None
            return
        if entry.cause_over_s is None:
            entry.cause_over_s = t_s
        known = cause.alarm if cause is not None else self.recent.get(alarm.cause_alarm)
        after_s = outlasts_s(known.kind, alarm.kind) if known is not None else 0.0
        if t_s - entry.cause_over_s >= after_s:
            self._hang(entry, alarm, "", work)
            self._tell(entry, t_s, work)

    def uncover(self, entry: Entry, t_s: float, work: Work) -> None:
        """Nothing suppresses it any more: it is told, or hung below what it follows from."""
        self.fold(entry, t_s, work)
        self._tell(entry, t_s, work)

    def free(self, entry: Entry, work: Work) -> None:
        """A danger follows from nothing."""
        if entry.alarm is not None and entry.alarm.cause_alarm and not entry.rule.may_hide:
            self._hang(entry, entry.alarm, "", work)

    def _tell(self, entry: Entry, t_s: float, work: Work) -> None:
        if entry.alarm is not None and entry.alarm.suppression is Suppression.NONE:
            self._telling.uncovered(entry, t_s, work)

    @staticmethod
    def _holds(cause: AlarmState) -> bool:
        return cause.condition and cause.suppression in (Suppression.NONE, Suppression.SHELVED)

    def _hang(self, entry: Entry, alarm: AlarmState, cause: str, work: Work) -> None:
        entry.alarm = replace(alarm, cause_alarm=cause)
        entry.alarm = replace(entry.alarm, text=self.text(entry))
        work.changed(entry.alarm)

    def _uncovered(self, entry: Entry, t_s: float, work: Work, *, quietly: bool) -> bool:
        """Tell what is in service again, where nothing else hides it; whether that is done."""
        alarm = entry.alarm
        if quietly or alarm is None or not alarm.condition:
            return quietly
        hidden = entry.rule.expected(self.context)
        opened = self.opening.quiet_until_s(alarm.kind, t_s) is not None and not entry.loud
        if not hidden and not opened:
            self.uncover(entry, t_s, work)
        return True

    # --- words, and a fire beside them -------------------------------------------------

    def text(self, entry: Entry) -> str:
        """What the page says of it."""
        entry.worded = entry.change
        return self._worded(entry, line(entry.change, burning=self._telling.burning))

    def _worded(self, entry: Entry, text: str) -> str:
        alarm = entry.alarm
        cause = self.find(alarm.cause_alarm) if alarm is not None and alarm.cause_alarm else None
        follows = ""
        if cause is not None and cause.alarm is not None:
            follows = f"It follows from: {lower(title_of(cause.alarm))}"
        stands = entry.change.change is not Change.CLEARED
        flutters = stands and any(t_s < entry.flutters_until_s for t_s in entry.begun_s[-1:])
        return joined(text, follows, COMES_AND_GOES if flutters else "")

    def _burns(self) -> bool:
        """Whether smoke or fire is told, and nobody has said yet that it is done with."""
        return any(alarm.kind in BURNING for alarm in self.standing())

    def mind_fire(self, work: Work) -> None:
        """While the box may be burning no alarm, whenever it was raised, sends anybody there."""
        burning = self._burns()
        if burning is self._telling.burning:
            return
        self._telling.burning = burning
        for entry in self.entries.values():
            alarm = entry.alarm
            if alarm is None:
                continue
            # Not of the newest change, which may be an end that still has to last.
            if entry.worded is not None:
                text = self._worded(entry, line(entry.worded, burning=burning))
            else:
                text = advised(alarm.text, entry.change, burning=burning)
            if text != alarm.text:
                entry.alarm = replace(alarm, text=text)
                work.changed(entry.alarm)
