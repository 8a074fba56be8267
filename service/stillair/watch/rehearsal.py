"""The alarm test of one chamber: simulated signs go the whole way of an alarm, beside the real one.

    signs -> FireVerdict -> Events -> AlarmDesk -> a marked message on every route of everybody

Verdict, events and desk are a test's own, made for it and thrown away: no real alarm, event
or number knows of them, and nothing in the ledger but the test itself. A real danger ends the
test at once, and every route hears that what comes now is real.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from stillair.alarms import testing
from stillair.alarms.catalogue import AlarmContext
from stillair.alarms.desk import AlarmDesk
from stillair.alarms.events import Events
from stillair.alarms.wording import Message
from stillair.errors import CommandRefused, Refusal
from stillair.fire.verdict import FireVerdict
from stillair.model import (
    AlarmState,
    AlarmTestPhase,
    AlarmTestState,
    AlarmTestTold,
    ConfirmAlarmTest,
    Kind,
    Notice,
    Priority,
    Sense,
    Sign,
    SignalClass,
    Sounding,
    StartAlarmTest,
)
from stillair.watch.plan import WatchPlan

CHAMBER = "test"  # of the events and alarms that nobody else sees
KEY = "test:"  # begins the key of each message
CUT_OFF = "it was cut off by a restart"
NEVER_ENDED = "nobody told its end"


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """What follows from one step of a test: its state where that has changed, and messages."""

    state: AlarmTestState | None = None
    notices: tuple[Notice, ...] = ()


class Rehearsal:
    """Keep the newest alarm test of a chamber.

    Parameters
    ----------
    plan : WatchPlan
        Whose people are told, and how.
    state : AlarmTestState or None
        The newest test before the start. One that was running was cut off by it.
    place : str
        What it is that is tested, in messages.
    """

    def __init__(
        self, plan: WatchPlan, state: AlarmTestState | None = None, *, place: str = "Chamber"
    ) -> None:
        self._plan = plan
        self._place = place
        self.state = state
        self._end_s: float | None = None  # by when a test that runs is over; None: of before
        self._sounds = False
        self._silent_s = 0.0  # from when it sounds no more, whoever has told nothing

    def sounding(self) -> Sounding:
        """One round of the fire sound, until somebody has told that it was made."""
        return Sounding.TEST if self._sounds else Sounding.SILENT

    def start(self, command: StartAlarmTest, dangers: tuple[str, ...]) -> Rehearsed:
        """Begin a test. Raises `CommandRefused` while another runs or there is danger, in words."""
        if self.runs:
            raise CommandRefused(Refusal.CONFLICT, "an alarm test is running already")
        if dangers:
            raise CommandRefused(
                Refusal.CONFLICT,
                f"there is danger, or nobody is done with it: {dangers[0]}",
            )
        t_s = command.t_s
        alarm_sounds, steps = self._go_the_way(t_s)
        routes = testing.routes_of(self._plan.people, f"{KEY}{command.id}:")
        self.state = AlarmTestState(
            id=command.id,
            changed_s=t_s,
            by=command.by,
            started_s=t_s,
            steps=steps,
            scheduled=command.scheduled,
            setup=command.setup,
            routes=routes,
        )
        self._end_s = t_s + command.within_s
        self._sounds = alarm_sounds
        self._silent_s = t_s + command.sounds_s
        notices = []
        for route in routes:
            others = sum(each.person == route.person for each in routes) - 1
            said = testing.message(
                chamber_name=self._plan.name,
                mark=self._plan.mark,
                route=route.route,
                others=others,
                place=self._place,
            )
            notices.append(self._notice(route.key, route.person, route.route, said, t_s))
        return Rehearsed(self.state, tuple(notices))

    def confirm(self, command: ConfirmAlarmTest) -> Rehearsed:
        """Take a person's word on their messages. Raises `CommandRefused`."""
        if self.state is None or self.state.id != command.test:
            raise CommandRefused(Refusal.UNKNOWN, "there is no such alarm test any more")
        if self.state.phase not in (AlarmTestPhase.RUNNING, AlarmTestPhase.DONE):
            raise CommandRefused(Refusal.CONFLICT, f"this test is over: {self.state.why}")
        said = testing.confirmed(
            self.state,
            command.person,
            command.route,
            command.heard,
            t_s=command.t_s,
            by=command.by,
        )
        if said is None:
            raise CommandRefused(Refusal.UNKNOWN, "this test told nobody of that name and route")
        self.state = said
        return Rehearsed(said)

    def take(self, told: AlarmTestTold) -> Rehearsed:
        """Hear what has become of it; of another test than the newest that is nothing."""
        if self.state is None or self.state.id != told.id:
            return Rehearsed()
        if told.danger and self.runs:
            return self._real(told.danger, told.t_s)
        if told.sounder is not None or told.done:
            self._sounds = False
        before, self.state = self.state, testing.told(self.state, told)
        return Rehearsed() if self.state is before else Rehearsed(self.state)

    def tick(self, t_s: float, dangers: tuple[str, ...]) -> Rehearsed:
        """A second has passed: a test that ought not to go on ends."""
        if not self.runs or self.state is None:
            return Rehearsed()
        if self._end_s is None:
            return self._ended(AlarmTestPhase.CUT_OFF, CUT_OFF, t_s)
        if dangers:
            return self._real(dangers[0], t_s)
        self._sounds = self._sounds and t_s < self._silent_s
        if t_s >= self._end_s:
            return self._ended(AlarmTestPhase.CUT_OFF, NEVER_ENDED, t_s)
        return Rehearsed()

    @property
    def runs(self) -> bool:
        """Whether a test is going on."""
        return self.state is not None and self.state.phase is AlarmTestPhase.RUNNING

    def _ended(self, phase: AlarmTestPhase, why: str, t_s: float) -> Rehearsed:
        assert self.state is not None
        self._sounds = False
        self.state = replace(self.state, phase=phase, why=why, changed_s=t_s)
        return Rehearsed(self.state)

    def _real(self, danger: str, t_s: float) -> Rehearsed:
        ended = self._ended(AlarmTestPhase.ENDED, "there was real danger", t_s)
        return replace(ended, notices=self._this_is_real(danger, t_s))

    def _go_the_way(self, t_s: float) -> tuple[bool, tuple[str, ...]]:
        """Let simulated heat and flame become fire, an alarm and messages; whether it sounds."""
        verdict = FireVerdict(combustible=self._plan.thermal.combustible)
        for sense, name, source in (
            (Sense.HEAT, "rapid_rise", "simulated heat"),
            (Sense.CAMERA, "flame", "simulated flame"),
        ):
            verdict.take(Sign(sense, name, t_s, t_s, 0.9, (source,)))
        steps = [testing.SIGN]
        events = Events((), 1)
        found = [event for each in verdict.tick(t_s, {}) for event in events.take(t_s, each, None)]
        fires = [event for event in found if event.kind is Kind.FIRE]
        desk = AlarmDesk(chamber=CHAMBER, chamber_name=self._plan.name, people=self._plan.people)
        notices = [notice for event in fires for notice in desk.take(event).notices]
        notices += desk.tick(t_s, AlarmContext()).notices
        alarms = [alarm for alarm in desk.standing() if alarm.kind is Kind.FIRE]
        steps += [testing.EVENT] if fires else []
        steps += [testing.ALARM] if fires and alarms else []
        # What people get are marked messages in their place, on every route at once.
        steps += [testing.MESSAGES] if alarms and (notices or not self._plan.people) else []
        return desk.sounding() is Sounding.FIRE, tuple(steps)

    def _this_is_real(self, danger: str, t_s: float) -> tuple[Notice, ...]:
        assert self.state is not None
        said = testing.over_message(
            chamber_name=self._plan.name,
            mark=self._plan.mark,
            danger=danger,
            place=self._place,
        )
        return tuple(
            self._notice(
                # Not like the keys of the test: those of its messages that wait are taken back.
                f"{KEY}over:{each.key.removeprefix(KEY)}",
                each.person,
                each.route,
                said,
                t_s,
                testing.TEST_OVER,
            )
            for each in self.state.routes
        )

    def _notice(
        self,
        key: str,
        person: str,
        route: str,
        said: Message,
        t_s: float,
        stage: str = testing.TEST,
    ) -> Notice:
        # Of no alarm: it has no picture, nobody can answer it, and no story grows from it.
        return Notice(
            key=key,
            chamber=self._plan.chamber,
            alarm=None,
            kind=Kind.FIRE,
            priority=Priority.CRITICAL,
            person=person,
            route=route,
            title=said.title,
            text=said.text,
            created_s=t_s,
            stage=stage,
        )


def dangers(standing: tuple[AlarmState, ...], *, over: bool = False) -> tuple[str, ...]:
    """Of what stands, real danger in words; with `over` also what ended and nobody is done with."""
    return tuple(
        a.text for a in standing if a.signal_class is SignalClass.ALARM and (a.condition or over)
    )
