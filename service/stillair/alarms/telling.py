"""When something is said, and who gets which message.

Said is what begins, what gets worse, what still stands after a time and what is
over, to every person once on each of their routes, with a key that says so. What
comes back soon after it was told is told by the next repeat.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from stillair.alarms.attendance import told_of
from stillair.alarms.entries import NEVER, URGENCY, Entry, Work
from stillair.alarms.wording import Stage, message
from stillair.model import AlarmState, Annunciation, EventChange, Kind, Notice, Suppression

# The same thing coming back sooner than this is not told again at once, but by
# the repeat: a door that is opened ten times makes one message, not twenty.
QUIET_S = 180.0
NOTICE_QUIET_S = 900.0


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody to be told, on all of their routes."""

    name: str
    routes: tuple[str, ...]


class Telling:
    """Say what there is to be said of one chamber's alarms, in messages."""

    def __init__(
        self, *, chamber: str, chamber_name: str, people: tuple[Person, ...], mark: str
    ) -> None:
        self._chamber = chamber
        self._chamber_name = chamber_name
        self._people = people
        self._mark = mark
        self.burning = False  # smoke or fire is told: no message sends anybody to the box

    def raised(self, entry: Entry, t_s: float, work: Work) -> None:
        """Say that it has begun, unless it was said moments ago."""
        if t_s < entry.quiet_until_s and entry.rule.may_hide:
            entry.say_s = entry.quiet_until_s
        else:
            self.say(entry, Stage.RAISED, t_s, work)

    def changed(self, entry: Entry, t_s: float, work: Work) -> None:
        """Say that it is something else: at once if it is worse than what people know."""
        if not entry.told or URGENCY[entry.change.priority] < entry.told_urgency:
            self.say(entry, Stage.CHANGED if entry.told else Stage.RAISED, t_s, work)
        elif t_s < entry.quiet_until_s:
            entry.say_s = entry.quiet_until_s
        else:
            self.say(entry, Stage.CHANGED, t_s, work)

    def stands(self, entry: Entry, t_s: float, work: Work) -> None:
        """Say that it stands: again, or for the first time where it was hidden until now."""
        self.say(entry, Stage.STILL if entry.told else Stage.RAISED, t_s, work)

    def repeat(self, entry: Entry, t_s: float, work: Work) -> None:
        """Say what is to be said again by now, for as long as it asks for an answer."""
        alarm = entry.alarm
        if alarm is None or not alarm.condition or entry.say_s is None or t_s < entry.say_s:
            return
        if alarm.annunciation is Annunciation.UNACKNOWLEDGED or entry.rule.repeats_when_seen:
            self.stands(entry, t_s, work)

    def ended(self, entry: Entry, t_s: float, work: Work) -> None:
        """Say that it is over, if people were told that it began."""
        told, entry.told, entry.say_s = entry.told, False, None
        # What is over as soon as it began was said as that already.
        if told and (entry.rule.says_over or t_s > entry.first_told_s):
            self.say(entry, Stage.OVER, t_s, work)

    def resume(self, entry: Entry, t_s: float) -> None:
        """What people were told before a restart is repeated as ever."""
        if entry.told and entry.alarm is not None:
            entry.first_told_s = min(entry.alarm.raised_s, t_s)
            if entry.rule.repeat_s is not None:
                entry.say_s = t_s + entry.rule.repeat_s

    def say(self, entry: Entry, stage: Stage, t_s: float, work: Work) -> None:
        """Say it now, unless it is hidden or no message, and know when to say it again."""
        alarm = entry.alarm
        rule = entry.rule
        if alarm is None or not rule.messages or told_of(entry.change) == frozenset():
            return
        if stage is not Stage.OVER:
            if alarm.suppression is not Suppression.NONE:
                return
            if not entry.told:
                entry.first_told_s = t_s
                entry.told_urgency = NEVER
            entry.told = True
            entry.told_urgency = min(entry.told_urgency, URGENCY[alarm.priority])
            entry.quiet_until_s = t_s + QUIET_S
            entry.say_s = None
            if rule.repeat_s is not None:
                gap_s = max(rule.repeat_s, t_s - entry.first_told_s)
                entry.say_s = t_s + min(gap_s, rule.longest_repeat_s)
        # Whole seconds since it was raised, so that a key is never used twice,
        # not even by the next process.
        entry.stamp = max(entry.stamp + 1, int(t_s - alarm.raised_s))
        key = f"{alarm.id}:{stage}:{entry.stamp}"
        work.notices.extend(self._notices(stage, entry.change, t_s, alarm=alarm, key=key))

    def climbed(self, entry: Entry, t_s: float, work: Work) -> None:
        """Say it to whoever it is said to by now."""
        self.say(entry, Stage.STILL if entry.told else Stage.RAISED, t_s, work)

    def waited_for(self, entry: Entry, work: Work) -> None:
        """Say what a person waited for, once."""
        change = entry.change
        entry.quiet_until_s = change.at_s + NOTICE_QUIET_S
        key = f"{self._chamber}-{change.event}:notice:0"
        work.notices.extend(self._notices(Stage.RAISED, change, change.at_s, alarm=None, key=key))

    def _notices(
        self,
        stage: Stage,
        change: EventChange,
        t_s: float,
        *,
        alarm: AlarmState | None,
        key: str,
    ) -> tuple[Notice, ...]:
        """One message to each route, told at `t_s`; two people who share a route get one.

        `key` is never used for two messages; with the route it makes the
        idempotency key of each.
        """
        said = message(
            stage,
            change,
            t_s=t_s,
            chamber_name=self._chamber_name,
            mark=self._mark,
            burning=self.burning,
        )
        notices: dict[str, Notice] = {}
        only = told_of(change)
        for person in self._people:
            if only is not None and person.name not in only:
                continue
            for route in person.routes:
                if change.kind is Kind.DELIVERY_FAULT and change.subject == route:
                    continue  # that very route is the one that fails
                # The kind as well: an alarm that a killed process told and didn't keep
                # leaves its number to the next, and nobody may take that one for this.
                what = f"{change.kind.value} {route}".encode("utf-8", "replace")
                digest = hashlib.sha256(what).hexdigest()[:12]
                notice = Notice(
                    key=f"{key}:{digest}",
                    chamber=self._chamber,
                    alarm=None if alarm is None else alarm.id,
                    kind=change.kind,
                    priority=change.priority if alarm is None else alarm.priority,
                    person=person.name,
                    route=route,
                    title=said.title,
                    text=said.text,
                    created_s=t_s,
                    stage=stage.value,
                )
                notices.setdefault(notice.key, notice)
        return tuple(notices.values())
