"""Whatever happens in whatever order: no alarm is lost, no danger hidden, no message sent twice.

And who was told that something stands is told that it is over, on the same route, once.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from stillair.alarms.catalogue import CATALOGUE, AlarmContext, is_danger, is_notice
from stillair.alarms.desk import AlarmDesk, AlarmResult, Person
from stillair.alarms.flood import MOST, Flood
from stillair.alarms.reaching import QuietHours
from stillair.errors import CommandRefused
from stillair.model import (
    KIND_CLASS,
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
    JobPhase,
    Kind,
    Phase,
    Priority,
    PutBack,
    QuietCommand,
    Reset,
    Shelve,
    Sounding,
    Suppression,
    TakeOut,
    Unshelve,
)

PEOPLE = (
    Person("bench captain", ("push:captain", "mailto:captain@shed.example")),
    Person("cox", ("mailto:cox@shed.example",), QuietHours(22 * 60, 7 * 60, UTC)),
    Person("stroke", ("mailto:stroke@shed.example",), after_s=60.0),
)
START_AT = datetime(2026, 11, 28, 20, 0, tzinfo=UTC)
KINDS = (
    Kind.FIRE,
    Kind.FLAME,
    Kind.OVER_TEMPERATURE,
    Kind.HEAT_LOST,
    Kind.DOOR_OPEN,
    Kind.BELOW_TARGET,
    Kind.DELIVERY_FAULT,
    Kind.SENSOR_FAULT,
    Kind.WATCH_GAP,
    Kind.SOAK_READY,
)
CALM = Annunciation.NORMAL


class DeskMachine(RuleBasedStateMachine):
    """A desk that lives through anything, beside a plain list of what is going on."""

    most = 10**9  # messages in ten minutes; what is gathered can't be told apart here

    def __init__(self) -> None:
        super().__init__()
        self.t_s = 0.0
        self.context = AlarmContext()
        self.open: dict[tuple[Kind, str], EventChange] = {}
        self.numbers = 0
        self.stored: dict[str, AlarmState] = {}  # as a journal would have it
        self.keys: set[str] = set()
        self.seen: set[str] = set()  # alarms that somebody has seen or hidden since they last asked
        self.told: dict[str, dict[str, str]] = {}  # of each alarm, as the outbox would have it
        self.duties: dict[type[Duty], Duty] = {}
        self.now_at = START_AT

    @initialize()
    def begin(self) -> None:
        self.desk = self.new_desk((), ())

    def new_desk(
        self, alarms: tuple[AlarmState, ...], events: tuple[EventChange, ...]
    ) -> AlarmDesk:
        desk = AlarmDesk(
            chamber="shed",
            chamber_name="shed",
            people=PEOPLE,
            mark="",
            alarms=alarms,
            events=events,
            told={a.id: tuple((p, r) for r, p in self.told.get(a.id, {}).items()) for a in alarms},
            duties=tuple(self.duties.values()),
            used=tuple(self.stored),
        )
        desk._telling._flood = Flood(self.most)
        return desk

    def keep(self, result: AlarmResult) -> None:
        for notice in result.notices:
            assert notice.key not in self.keys, "the same key is the same message"
            self.keys.add(notice.key)
            if notice.alarm is None or notice.stage == "gathered":
                continue
            routes = self.told.setdefault(notice.alarm, {})
            if notice.stage == "over":
                known = routes.pop(notice.route, None)
                assert known or self.most < MOST, f"{notice.key}: nobody knew"
            else:
                routes[notice.route] = notice.person
        self.duties.update((type(duty), duty) for duty in result.duties)
        for alarm in result.alarms:
            before = self.stored.get(alarm.id)
            if (
                before is not None
                and before.annunciation is not CALM
                and alarm.annunciation is CALM
            ):
                hidden = {before.suppression, alarm.suppression} != {Suppression.NONE}
                assert hidden or alarm.id in self.seen, f"{alarm.id} went away unseen"
            if alarm.annunciation is Annunciation.UNACKNOWLEDGED:
                self.seen.discard(alarm.id)
            self.stored[alarm.id] = alarm

    def change(self, what: Change, number: int, kind: Kind, subject: str) -> EventChange:
        signal_class, priority = KIND_CLASS[kind]
        return EventChange(
            event=number,
            change=what,
            at_s=self.t_s,
            kind=kind,
            signal_class=signal_class,
            priority=priority,
            onset_s=self.t_s,
            sensors=(),
            detail={},
            subject=subject,
        )

    @rule(kind=st.sampled_from(KINDS), subject=st.sampled_from(["", "top"]))
    def begins(self, kind: Kind, subject: str) -> None:
        if (kind, subject) not in self.open:
            self.numbers += 1
            event = self.change(Change.RAISED, self.numbers, kind, subject)
            self.open[kind, subject] = event
            standing = {(a.kind, a.subject) for a in self.desk.standing() if a.condition}
            result = self.desk.take(event)
            self.keep(result)
            if is_danger(kind) and (kind, subject) not in standing:
                assert any(n.kind is kind for n in result.notices), "told at once"

    @precondition(lambda self: self.open)
    @rule(data=st.data(), kind=st.sampled_from(KINDS))
    def becomes(self, data: st.DataObject, kind: Kind) -> None:
        was, subject = data.draw(st.sampled_from(sorted(self.open)))
        if (kind, subject) in self.open or is_notice(kind) or is_notice(was):
            return
        number = self.open.pop((was, subject)).event
        # Two events may end in one alarm: whoever is told of it must not lose it.
        event = self.change(Change.REVISED, number, kind, subject)
        self.open[kind, subject] = event
        for alarm in self.desk.standing():
            if alarm.event == number and (is_danger(kind) or not is_danger(was)):
                self.seen.add(alarm.id)  # may go over into the other kind's alarm
        before = {alarm.id for alarm in self.desk.standing()}
        self.keep(self.desk.take(event))
        now = {(a.kind, a.subject): a.id for a in self.desk.standing()}
        for gone in (before - set(now.values())) & set(self.told):
            into = now[kind, subject]
            self.told[into] = {**self.told.pop(gone), **self.told.get(into, {})}

    @precondition(lambda self: self.open)
    @rule(data=st.data(), priority=st.sampled_from(Priority))
    def turns_more_or_less_urgent(self, data: st.DataObject, priority: Priority) -> None:
        kind, subject = data.draw(st.sampled_from(sorted(self.open)))
        if not is_danger(kind):
            number = self.open[kind, subject].event
            event = self.change(Change.REVISED, number, kind, subject)
            self.keep(self.desk.take(replace(event, priority=priority)))

    @precondition(lambda self: self.open)
    @rule(data=st.data())
    def ends(self, data: st.DataObject) -> None:
        kind, subject = data.draw(st.sampled_from(sorted(self.open)))
        number = self.open.pop((kind, subject)).event
        event = self.change(Change.CLEARED, number, kind, subject)
        self.keep(self.desk.take(replace(event, end_s=self.t_s)))

    @rule(seconds=st.sampled_from([1, 1, 5, 12, 65, 200, 700, 4000]))
    def time_passes(self, seconds: int) -> None:
        for _ in range(min(seconds, 15)):
            self.t_s += seconds / min(seconds, 15)
            self.now_at += timedelta(seconds=seconds / min(seconds, 15))
            self.keep(self.desk.tick(self.t_s, self.context, self.now_at))

    @rule(phase=st.sampled_from(Phase), job=st.sampled_from([None, *JobPhase]))
    def the_chamber_changes(self, phase: Phase, job: JobPhase | None) -> None:
        self.context = AlarmContext(phase, job)
        self.time_passes(1)

    @precondition(lambda self: self.stored)
    @rule(
        data=st.data(),
        what=st.sampled_from(["see", "see", "clear", "hide", "show"]),
        minutes=st.sampled_from([1, 3, 480]),
    )
    def somebody_answers(self, data: st.DataObject, what: str, minutes: int) -> None:
        alarm = data.draw(st.sampled_from(sorted(self.stored)))
        commands: dict[str, AlarmCommand] = {
            "see": Acknowledge(t_s=self.t_s, by="cox", alarm=alarm),
            "clear": Reset(t_s=self.t_s, by="cox", alarm=alarm),
            "hide": Shelve(t_s=self.t_s, by="cox", alarm=alarm, minutes=minutes),
            "show": Unshelve(t_s=self.t_s, by="cox", alarm=alarm),
        }
        before = (self.desk.standing(), self.desk.sounding())
        if what == "see":
            self.seen.add(alarm)  # and with it what follows from it
            self.seen.update(a.id for a in self.desk.standing() if a.cause_alarm == alarm)
        try:
            self.keep(self.desk.command(commands[what]))
        except CommandRefused:
            assert before == (self.desk.standing(), self.desk.sounding()), "refused, yet changed"

    @rule(
        what=st.sampled_from(["open", "shut", "off", "off", "on"]),
        kind=st.sampled_from(KINDS),
        subject=st.sampled_from(["", "top"]),
        minutes=st.sampled_from([1, 3, 30]),
    )
    def somebody_arranges(self, what: str, kind: Kind, subject: str, minutes: int) -> None:
        commands: dict[str, QuietCommand] = {
            "open": ExpectOpening(t_s=self.t_s, by="cox", minutes=minutes),
            "shut": EndOpening(t_s=self.t_s, by="cox"),
            "off": TakeOut(t_s=self.t_s, by="cox", kind=kind, subject=subject, reason="broken"),
            "on": PutBack(t_s=self.t_s, by="cox", kind=kind, subject=subject),
        }
        off = self.desk.out_of_service()
        if what == "off":
            key = (kind, subject)
            self.seen.update(a.id for a in self.desk.standing() if (a.kind, a.subject) == key)
        try:
            self.keep(self.desk.arrange(commands[what]))
        except CommandRefused:
            assert off == self.desk.out_of_service()

    @rule(later_s=st.sampled_from([0.0, 30.0, 5000.0]), with_events=st.booleans())
    def restarts(self, later_s: float, with_events: bool) -> None:
        """Power fails: what was stored comes back, in the seconds of a new boot."""
        shift_s = self.t_s - later_s
        self.stored = {
            key: replace(
                alarm,
                raised_s=alarm.raised_s - shift_s,
                changed_s=alarm.changed_s - shift_s,
                shelved_until_s=None
                if alarm.shelved_until_s is None
                else alarm.shelved_until_s - shift_s,
            )
            for key, alarm in self.stored.items()
        }
        standing = tuple(
            alarm
            for alarm in self.stored.values()
            if alarm.annunciation is not CALM or alarm.suppression is not Suppression.NONE
        )
        self.t_s = later_s + 60.0
        self.told = {a.id: self.told[a.id] for a in standing if a.id in self.told}
        off = self.desk.out_of_service()
        going_on = self.open
        if with_events:
            self.open = {
                key: replace(event, at_s=self.t_s, onset_s=self.t_s)
                for key, event in going_on.items()
            }
            self.desk = self.new_desk(standing, tuple(self.open.values()))
        else:
            # Detectors are cold: what goes on is raised anew, under new numbers.
            self.open = {}
            self.desk = self.new_desk(standing, ())
            for kind, subject in going_on:
                self.begins(kind, subject)
        self.time_passes(1)
        assert self.desk.out_of_service() == off
        assert all(a.suppression is not Suppression.SHELVED for a in self.desk.standing())

    @invariant()
    def what_was_kept_is_what_stands(self) -> None:
        standing = {alarm.id: alarm for alarm in self.desk.standing()}
        for key, alarm in standing.items():
            assert self.stored[key] == alarm, "changed, but not kept"
        for key, alarm in self.stored.items():
            if key not in standing:
                assert alarm.annunciation is CALM, f"{key} stands in the journal alone"
                assert not alarm.condition

    @invariant()
    def nothing_that_goes_on_is_lost(self) -> None:
        standing = {(a.kind, a.subject): a for a in self.desk.standing()}
        numbers = {a.event for a in standing.values()}
        for (kind, subject), event in self.open.items():
            rule_ = CATALOGUE[kind]
            if is_notice(kind) or self.t_s - event.onset_s <= rule_.on_delay_s + 60.0:
                continue
            assert (kind, subject) in standing or event.event in numbers, f"{kind} is lost"

    @invariant()
    def a_danger_is_never_hidden_and_never_silent_unseen(self) -> None:
        standing = {(a.kind, a.subject): a for a in self.desk.standing()}
        for kind, subject in self.open:
            if is_danger(kind):
                assert (kind, subject) in standing
        for alarm in standing.values():
            if is_danger(alarm.kind):
                assert alarm.suppression is Suppression.NONE
                if alarm.annunciation not in {
                    Annunciation.ACKNOWLEDGED,
                    Annunciation.LATCHED_ACKNOWLEDGED,
                }:
                    assert self.desk.sounding() is not Sounding.SILENT
                    if alarm.priority is Priority.CRITICAL:
                        assert self.desk.sounding() is Sounding.FIRE

    @invariant()
    def shelving_ends(self) -> None:
        for alarm in self.desk.standing():
            if alarm.suppression is Suppression.SHELVED:
                assert alarm.shelved_until_s is not None
                assert alarm.shelved_until_s - self.t_s <= 480 * 60
                assert alarm.shelved_until_s > self.t_s or alarm.changed_s == self.t_s
            else:
                assert alarm.shelved_until_s is None

    @invariant()
    def who_was_told_is_told_that_it_is_over(self) -> None:
        held = self.duties.get(HeldState)
        waits = held.held if isinstance(held, HeldState) else ()
        for alarm, routes in self.told.items():
            state = self.stored[alarm]
            if not state.condition and CATALOGUE[state.kind].says_over:
                assert set(routes) == {h.route for h in waits if h.alarm == alarm}, alarm

    @invariant()
    def what_follows_hangs_on_a_first_cause(self) -> None:
        standing = {alarm.id: alarm for alarm in self.desk.standing()}
        for alarm in standing.values():
            if alarm.cause_alarm:
                assert CATALOGUE[alarm.kind].may_hide and alarm.condition
                first = standing.get(alarm.cause_alarm)
                assert first is None or not first.cause_alarm

    @invariant()
    def what_is_switched_off_is_on_view_and_no_danger(self) -> None:
        off = {(each.kind, each.subject) for each in self.desk.out_of_service()}
        for kind, _ in off:
            assert CATALOGUE[kind].may_hide
        for alarm in self.desk.standing():
            hidden = alarm.suppression is Suppression.OUT_OF_SERVICE
            assert hidden == ((alarm.kind, alarm.subject) in off)

    @invariant()
    def one_alarm_for_one_thing(self) -> None:
        standing = self.desk.standing()
        assert len({(a.kind, a.subject) for a in standing}) == len(standing)
        assert len({a.id for a in standing}) == len(standing)


class FloodedMachine(DeskMachine):
    """The same where all but danger is gathered: still nothing is lost, hidden or sent twice."""

    most = 2

    def who_was_told_is_told_that_it_is_over(self) -> None:
        """Of what is gathered only the most urgent alarm stands in the message's own fields."""


TestFlooded = FloodedMachine.TestCase
TestFlooded.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
TestDesk = DeskMachine.TestCase
TestDesk.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)
