"""When something is said, and who gets which message.

Said is what begins, what gets worse, what still stands after a time and what is
over; to whom, and after how long unseen to whom else, says the ladder of `reaching`.
What comes back soon after it was told is told by the next repeat. Repeats go to all
who know of it, and so does its end. Quiet hours hold back what isn't danger: it is told
after them if it still stands, and an end that comes within them waits for theirs.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import fields
from datetime import datetime, timedelta

from stillair.alarms import figures
from stillair.alarms.attendance import told_of
from stillair.alarms.catalogue import AlarmContext, is_danger
from stillair.alarms.entries import NEVER, URGENCY, Entry, Work
from stillair.alarms.flood import Flood
from stillair.alarms.reaching import Person, Rung, first_way, ladder, may_wake
from stillair.alarms.wording import Stage, message
from stillair.model import (
    AlarmState,
    Annunciation,
    EventChange,
    HeldMessage,
    HeldState,
    Kind,
    Notice,
    Priority,
    Suppression,
)

# The same thing coming back sooner than this is not told again at once, but by
# the repeat: a door that is opened ten times makes one message, not twenty.
QUIET_S = 180.0
NOTICE_QUIET_S = 10_800.0  # where no job says that it is another time
# Stale by ISA-18.2: said once more, and then no longer repeated.
STALE_S = 86_400.0
UNANSWERED = "Nobody has said so far that they have seen it"
COMES_AND_GOES = "It comes and goes"
LAST = "It has been so for a day, and isn't said again before it is over"


class Telling:
    """Say what there is to be said of one chamber's alarms, in messages.

    `failing` gives the routes that don't work just now.
    """

    def __init__(
        self,
        *,
        chamber: str,
        chamber_name: str,
        people: Sequence[Person],
        mark: str,
        failing: Callable[[], frozenset[str]] = frozenset,
        held: Iterable[HeldMessage] = (),
    ) -> None:
        self._chamber = chamber
        self._chamber_name = chamber_name
        self._people = tuple(people)
        self._mark = mark
        self._failing = failing
        self._flood = Flood()
        self._held = list(held)
        self._known_at: tuple[float, datetime] | None = None  # a second and its label
        self._near = ""
        self.burning = False  # smoke or fire is told: no message sends anybody to the box

    def tick(self, t_s: float, at: datetime | None, context: AlarmContext, work: Work) -> None:
        """A second passes: what was gathered or held back goes out when its time has come."""
        self._known_at = None if at is None else (t_s, at)
        self._near = context.near
        self._release(t_s, work)
        work.notices.extend(self._flood.due(t_s, name=self._chamber_name, mark=self._mark))

    # --- what is said of an alarm ---------------------------------------------

    def raised(self, entry: Entry, t_s: float, work: Work) -> None:
        """Say that it has begun, unless it was said moments ago or the page alone says it yet."""
        waits_s = entry.rule.page_alone_s
        if t_s < entry.quiet_until_s and entry.rule.may_hide:
            entry.say_s = entry.quiet_until_s
        elif (
            waits_s
            and not entry.told
            and t_s >= entry.flutters_until_s  # what comes and goes doesn't pass by itself
            and URGENCY[entry.change.priority] > URGENCY[Priority.HIGH]
        ):
            entry.say_s = t_s + waits_s
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

    def uncovered(self, entry: Entry, t_s: float, work: Work) -> None:
        """Say that it stands, now that nothing hides it any more."""
        entry.climb_s = t_s
        self.say(entry, Stage.STILL if entry.told else Stage.RAISED, t_s, work)

    def again(self, entry: Entry, t_s: float, work: Work) -> None:
        """Say it again, and let those hear of it whose turn it is: it was seen, and goes on."""
        entry.climb_s = t_s
        self.say(entry, Stage.STILL, t_s, work)

    def climbed(self, entry: Entry, t_s: float, work: Work) -> None:
        """Say it to whoever it is said to by now."""
        self.say(entry, Stage.STILL if entry.told else Stage.RAISED, t_s, work)

    def passing(self, entry: Entry, t_s: float, work: Work) -> None:
        """Say what is to be said again by now, and tell whoever comes next, while unseen."""
        alarm = entry.alarm
        if alarm is None or not alarm.condition:
            return
        if entry.end_s is not None and not entry.told:
            return  # it has ended, if only that lasts
        unseen = alarm.annunciation is Annunciation.UNACKNOWLEDGED
        if not unseen and not entry.rule.repeats_when_seen:
            return
        if entry.say_s is not None and t_s >= entry.say_s:
            self.say(entry, Stage.STILL if entry.told else Stage.RAISED, t_s, work)
        elif unseen and entry.told and not self._is_hidden(alarm):
            due = self._due(entry, alarm, t_s)
            if due:
                self._send(entry, alarm, [(Stage.RAISED, rung) for rung in due], t_s, work)

    def ended(self, entry: Entry, t_s: float, work: Work) -> None:
        """Say that it is over, to all who were told that it began."""
        entry.told, entry.say_s = False, None
        # What is over as soon as it began was said as that already.
        if entry.reached and (entry.rule.says_over or t_s > entry.first_told_s):
            self.say(entry, Stage.OVER, t_s, work)
        entry.reached, entry.held, entry.stale = {}, set(), False

    def resume(self, entry: Entry, t_s: float, *, known: bool) -> None:
        """What people were told before a restart is repeated, and climbs on, as ever.

        `known`: who was told stands in the entry; else it is whoever should have been by now.
        """
        alarm = entry.alarm
        if alarm is None or not entry.told:
            return
        entry.climb_s = entry.first_told_s = min(alarm.raised_s, t_s)
        routes = {route for person in self._people for route in person.routes}
        if known:
            entry.reached = {r: p for r, p in entry.reached.items() if r in routes}
        else:
            due = self._rungs(entry, alarm)
            entry.reached = {
                rung.route: rung.person.name for rung in due if rung.after_s <= t_s - entry.climb_s
            }
        if entry.rule.repeat_s is not None:
            entry.say_s = t_s + entry.rule.repeat_s

    def say(self, entry: Entry, stage: Stage, t_s: float, work: Work) -> None:
        """Say it now, unless it is hidden or no message, and know when to say it again."""
        alarm = entry.alarm
        rule = entry.rule
        if alarm is None or not rule.messages:
            return
        if stage is Stage.OVER:
            over = [
                (stage, Rung(0.0, person, route))
                for route, name in entry.reached.items()
                if (person := self._person(name, route)) is not None
            ]
            self._send(entry, alarm, over, t_s, work)
            return
        if self._is_hidden(alarm) or told_of(entry.change) == frozenset():
            return
        for held in self._held:
            if held.alarm == alarm.id:  # whose end is still to be told to them: it stands on
                entry.reached[held.route] = held.person
                self._forget_held(alarm.id, held.route, t_s, work)
        worse = entry.told and URGENCY[alarm.priority] < entry.told_urgency
        if not entry.told:
            entry.first_told_s = t_s
            entry.told_urgency = NEVER
        if not entry.told or (worse and is_danger(alarm.kind)):
            entry.climb_s = t_s
        entry.told = True
        entry.told_urgency = min(entry.told_urgency, URGENCY[alarm.priority])
        entry.quiet_until_s = t_s + QUIET_S
        entry.say_s = self._again_s(entry, t_s)
        known = [
            (stage, Rung(0.0, person, route))
            for route, name in entry.reached.items()
            if (person := self._person(name, route)) is not None
            and not self._sleeps(person, alarm, t_s)
        ]
        unseen = alarm.annunciation is not Annunciation.ACKNOWLEDGED
        if not unseen and stage is Stage.STILL:
            known = known[:1]  # one reminds; the others needn't be bothered any more
        due = self._due(entry, alarm, t_s) if unseen else []
        self._send(entry, alarm, [*known, *((Stage.RAISED, rung) for rung in due)], t_s, work)

    def waited_for(self, entry: Entry, work: Work) -> None:
        """Say what a person waited for, once."""
        change = entry.change
        t_s = change.at_s
        entry.quiet_until_s = t_s + NOTICE_QUIET_S
        rung = first_way(self._people, self._near, self._failing())
        if rung is None:
            return
        key = f"{self._chamber}-{change.event}:notice:0"
        notice = self._notice(Stage.RAISED, change, rung, t_s, alarm=None, key=key)
        if rung.person.quiet is not None and rung.person.quiet.holds(self._at(t_s)):
            self._hold(notice, t_s, work)
        elif not self._flood.takes((notice,), t_s, danger=False):
            work.notices.append(notice)

    def no_longer(self, change: EventChange, t_s: float, work: Work) -> None:
        """What a person waited for isn't so any more: it needn't be told after quiet hours."""
        begins = f"{self._chamber}-{change.event}:notice:"
        self._keep_held([h for h in self._held if not h.key.startswith(begins)], t_s, work)

    # --- to whom ------------------------------------------------------------------

    def _again_s(self, entry: Entry, t_s: float) -> float | None:
        """When it is to be said again; of what has stood for a day once more, the last time."""
        rule = entry.rule
        stood_s = t_s - entry.first_told_s
        if rule.may_hide and stood_s >= STALE_S:
            entry.stale = True
        if rule.repeat_s is None or entry.stale:
            return None
        gap_s = min(max(rule.repeat_s, stood_s), rule.longest_repeat_s)
        if rule.may_hide:
            gap_s = min(gap_s, max(STALE_S - stood_s, 1.0))
        return t_s + gap_s

    def _is_hidden(self, alarm: AlarmState) -> bool:
        """Whether it is suppressed, or told with what it follows from."""
        return alarm.suppression is not Suppression.NONE or bool(alarm.cause_alarm)

    def _rungs(self, entry: Entry, alarm: AlarmState) -> tuple[Rung, ...]:
        only = told_of(entry.change)
        if only is not None:  # who is asked to be near, says attendance itself
            asked = [person for person in self._people if person.name in only]
            ways = {route: person for person in reversed(asked) for route in person.routes}
            return tuple(Rung(0.0, person, route) for route, person in ways.items())
        own = alarm.subject if alarm.kind is Kind.DELIVERY_FAULT else ""
        return ladder(
            self._people, alarm.kind, alarm.priority, failing=self._failing(), without=own
        )

    def _due(self, entry: Entry, alarm: AlarmState, t_s: float) -> list[Rung]:
        """Whose turn it is by now and who hasn't been told."""
        due: list[Rung] = []
        for rung in self._rungs(entry, alarm):
            if rung.route in entry.reached or rung.after_s > t_s - entry.climb_s:
                continue
            if self._sleeps(rung.person, alarm, t_s):
                entry.held.add(rung.route)
            else:
                due.append(rung)
        return due

    def _person(self, name: str, route: str) -> Person | None:
        """Who has that route: the one of that name, else whoever has it by now."""
        having = [person for person in self._people if route in person.routes]
        return next((p for p in having if p.name == name), having[0] if having else None)

    def _sleeps(self, person: Person, alarm: AlarmState, t_s: float) -> bool:
        """Whether quiet hours keep this alarm from this person just now."""
        if may_wake(alarm.kind) or person.quiet is None:
            return False
        return person.quiet.holds(self._at(t_s))

    def _at(self, t_s: float) -> datetime | None:
        """The wall-clock label of a second, as far as anybody knows."""
        if self._known_at is None:
            return None
        known_s, at = self._known_at
        return at + timedelta(seconds=t_s - known_s)

    # --- on their way ----------------------------------------------------------------

    def _send(
        self,
        entry: Entry,
        alarm: AlarmState,
        to: Sequence[tuple[Stage, Rung]],
        t_s: float,
        work: Work,
    ) -> None:
        """Tell these; of an end those who sleep hear later."""
        if not to:
            return
        # Whole seconds since it was raised, so that a key is never used twice,
        # not even by the next process.
        entry.stamp = max(entry.stamp + 1, int(t_s - alarm.raised_s))
        now: list[Notice] = []
        for stage, rung in to:
            if stage is not Stage.OVER:
                if stage is Stage.RAISED and rung.route in entry.held:
                    stage = Stage.STILL  # it began in their quiet hours
                entry.held.discard(rung.route)
                entry.reached[rung.route] = rung.person.name
            key = f"{alarm.id}:{stage}:{entry.stamp}"
            closing = self._closing(entry, stage, rung, t_s)
            notice = self._notice(
                stage, entry.change, rung, t_s, alarm=alarm, key=key, closing=closing
            )
            if stage is Stage.OVER and self._sleeps(rung.person, alarm, t_s):
                self._hold(notice, t_s, work)
            else:
                now.append(notice)
        if not self._flood.takes(now, t_s, danger=may_wake(alarm.kind)):
            work.notices.extend(now)

    @staticmethod
    def _closing(entry: Entry, stage: Stage, rung: Rung, t_s: float) -> str:
        """What is said last: that nobody answered, that it flutters, that it isn't repeated."""
        if stage is Stage.OVER:
            return ""
        return figures.joined(
            UNANSWERED if rung.after_s > 0.0 else "",
            COMES_AND_GOES if t_s < entry.flutters_until_s else "",
            LAST if entry.stale else "",
        )

    def _notice(
        self,
        stage: Stage,
        change: EventChange,
        rung: Rung,
        t_s: float,
        *,
        alarm: AlarmState | None,
        key: str,
        closing: str = "",
    ) -> Notice:
        """The message on one route.

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
            closing=closing,
        )
        # The kind as well: an alarm that a killed process told and didn't keep
        # leaves its number to the next, and nobody may take that one for this.
        what = f"{change.kind.value} {rung.route}".encode("utf-8", "replace")
        digest = hashlib.sha256(what).hexdigest()[:12]
        return Notice(
            key=f"{key}:{digest}",
            chamber=self._chamber,
            alarm=None if alarm is None else alarm.id,
            kind=change.kind,
            priority=change.priority if alarm is None else alarm.priority,
            person=rung.person.name,
            route=rung.route,
            title=said.title,
            text=said.text,
            created_s=t_s,
            stage=stage.value,
        )

    # --- held back by quiet hours -----------------------------------------------------

    def _hold(self, notice: Notice, t_s: float, work: Work) -> None:
        kept = {field.name: getattr(notice, field.name) for field in fields(HeldMessage)}
        self._keep_held([*self._held, HeldMessage(**kept)], t_s, work)

    def _forget_held(self, alarm: str, route: str, t_s: float, work: Work) -> None:
        """It stands again: an end that waits to be told there is none."""
        left = [h for h in self._held if (h.alarm, h.route) != (alarm, route)]
        self._keep_held(left, t_s, work)

    def _keep_held(self, held: list[HeldMessage], t_s: float, work: Work) -> None:
        if len(held) != len(self._held):
            self._held = held
            work.duties.append(HeldState(t_s, tuple(held)))

    def _release(self, t_s: float, work: Work) -> None:
        """Send what was held back to whoever may be woken again."""
        if not self._held:
            return
        at = self._at(t_s)
        waits: list[HeldMessage] = []
        for held in self._held:
            person = self._person(held.person, held.route)
            if person is None:
                continue  # of whom there is no such route any more
            if person.quiet is not None and person.quiet.holds(at):
                waits.append(held)
                continue
            kept = {field.name: getattr(held, field.name) for field in fields(HeldMessage)}
            notice = Notice(chamber=self._chamber, created_s=t_s, **kept)
            if not self._flood.takes((notice,), t_s, danger=False):
                work.notices.append(notice)
        self._keep_held(waits, t_s, work)
