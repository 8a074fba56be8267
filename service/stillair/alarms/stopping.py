"""Stopping the machine: from a fire through a countdown to a supply that stays off.

    ready    --a danger stands-----------> counting
    counting --the countdown is over-----> stopped
    counting --a person says no----------> held
    held     --another danger stands-----> counting
    counting, held --it is done with-----> ready
    ready, counting, held --by a person--> stopped
    stopped  --reset at the machine------> ready

The machine is never switched without one of these reasons, and never comes back by
itself: what stopped it may have burnt through what would show that it burns on. A
countdown ends in a stop unless a person holds it or the danger is done with; a danger
that latches is so only once somebody has seen and cleared it. A hold is for the events
that stood when it was said, and ends with them.

After a restart a countdown goes on with what is left of it, and a stop stays one. The
wall clock may have been set meanwhile: no countdown is ever longer than it is set to.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from stillair.alarms.attendance import Step
from stillair.alarms.stop_words import SUPPLY_STAYS, to_programs
from stillair.errors import CommandRefused, Refusal
from stillair.model import (
    BURNING,
    AlarmState,
    Annunciation,
    ByHand,
    Change,
    EventChange,
    Finding,
    HoldStop,
    Kind,
    Notice,
    Priority,
    ResetStop,
    StopCommand,
    StopNow,
    StopPhase,
    StopState,
    StopTried,
)

SUPPLY_OFF_S = 5.0  # a contactor drops out in some hundredths of a second
LATCHED = frozenset({Annunciation.LATCHED_UNACKNOWLEDGED, Annunciation.LATCHED_ACKNOWLEDGED})


class Word(StrEnum):
    """What can happen to the stop."""

    CAUSE = "cause"  # an alarm that stops the machine, of which nobody has said otherwise
    DONE = "done"  # nothing stands any more for which it counts, or is held
    END = "end"  # of the countdown
    HOLD = "hold"
    NOW = "now"
    RESET = "reset"


TRANSITIONS: Mapping[tuple[StopPhase, Word], StopPhase] = {
    (StopPhase.READY, Word.CAUSE): StopPhase.COUNTING,
    (StopPhase.COUNTING, Word.END): StopPhase.STOPPED,
    (StopPhase.COUNTING, Word.HOLD): StopPhase.HELD,
    (StopPhase.HELD, Word.CAUSE): StopPhase.COUNTING,
    (StopPhase.COUNTING, Word.DONE): StopPhase.READY,
    (StopPhase.HELD, Word.DONE): StopPhase.READY,
    (StopPhase.READY, Word.NOW): StopPhase.STOPPED,
    (StopPhase.COUNTING, Word.NOW): StopPhase.STOPPED,
    (StopPhase.HELD, Word.NOW): StopPhase.STOPPED,
    (StopPhase.STOPPED, Word.RESET): StopPhase.READY,
}


@dataclass(frozen=True, slots=True)
class StopPlan:
    """How the machine of a chamber is stopped, as the watch has to know it."""

    countdown_s: float = 30.0
    on: frozenset[Kind] = frozenset({Kind.FIRE})
    addresses: tuple[str, ...] = ()  # where a message stops it
    has_button: bool = False  # at the machine, to reset it
    outputs: str = ""  # a mark that changes with them


@dataclass(frozen=True, slots=True)
class StopResult:
    """What has changed, step by step, and the messages that stop the machine."""

    states: tuple[StopState, ...] = ()
    notices: tuple[Notice, ...] = ()


NOTHING = StopResult()


def in_the_way(
    on: Iterable[Kind], alarms: Iterable[AlarmState], events: Iterable[EventChange]
) -> bool:
    """Whether something stands that keeps the machine from being let run again."""
    kinds = BURNING | frozenset(on)
    told = any(alarm.kind in kinds and alarm.condition for alarm in alarms)
    return told or any(event.kind in kinds for event in events)


def _counts(event: EventChange) -> bool:
    """Whether an event by itself is reason enough."""
    if event.kind is Kind.ATTENDANCE_OVERDUE:
        stage = event.detail.get("stage")
        return isinstance(stage, int) and stage >= Step.ABANDONED
    return event.kind in BURNING


class StopDesk:
    """Decide when the machine of one chamber is stopped.

    Parameters
    ----------
    chamber, chamber_name : str
        Its key, and how people call it.
    plan : StopPlan
    state : StopState, optional
        Where it stood before a restart, in this boot's seconds.
    """

    def __init__(
        self, *, chamber: str, chamber_name: str, plan: StopPlan, state: StopState | None = None
    ) -> None:
        self.plan = plan
        self.state = state or StopState(0.0)
        self._chamber = chamber
        self._chamber_name = chamber_name

    @property
    def is_stopped(self) -> bool:
        """Whether the machine has to be off."""
        return self.state.phase is StopPhase.STOPPED

    # --- what comes in ------------------------------------------------------

    def follow(
        self, t_s: float, alarms: Iterable[AlarmState], events: Iterable[EventChange]
    ) -> StopResult:
        """Take what stands at `t_s`: every alarm that isn't normal and every open event.

        A fire's event counts beside its alarm, so that no defect in what is done about
        alarms keeps the machine running. That nobody is near counts once everybody was asked.
        """
        alarms, events = tuple(alarms), tuple(events)
        on = self.plan.on
        lit = {a.event: a.kind for a in alarms if a.kind in on & BURNING and a.condition}
        lit |= {e.event: e.kind for e in events if e.kind in on and _counts(e)}
        stand = {a.event for a in alarms if a.condition or a.annunciation in LATCHED}
        stand |= {e.event for e in events if e.kind in BURNING} | lit.keys()
        before, states = self.state, list[StopState]()
        while (state := self._step(t_s, lit, stand)) is not None:
            self.state = state
            states.append(state)
        return self._result(t_s, before, states)

    def command(
        self, command: StopCommand, alarms: Iterable[AlarmState], events: Iterable[EventChange]
    ) -> StopResult:
        """Carry out what a person asks for; twice the same is harmless.

        Raises `CommandRefused` (conflict) for what doesn't fit how the stop stands.
        """
        t_s, by, before = command.t_s, command.by, self.state
        alarms, events = tuple(alarms), tuple(events)
        match command:
            case HoldStop():
                self._hold(t_s, by, alarms, events)
            case StopNow(trial=trial):
                self._stop_now(t_s, by, trial=trial)
            case StopTried(worked=worked):
                if before.phase is not StopPhase.STOPPED or before.cause != ByHand.TRIAL:
                    raise CommandRefused(Refusal.CONFLICT, "it isn't being tried just now")
                self.state = replace(
                    before,
                    tried_s=t_s,
                    tried_worked=worked,
                    tried_by=by,
                    tried_with=self.plan.outputs,
                )
            case ResetStop():
                if self.plan.has_button and before.phase is StopPhase.STOPPED:
                    raise CommandRefused(
                        Refusal.CONFLICT, "press the button at the machine: that resets it"
                    )
                self._reset(t_s, by, alarms, events)
        return self._result(t_s, before, [self.state] if self.state != before else [])

    def pressed(
        self, t_s: float, alarms: Iterable[AlarmState], events: Iterable[EventChange]
    ) -> StopResult:
        """The button at the machine was pressed; while it burns that resets nothing."""
        before = self.state
        try:
            self._reset(t_s, "the button at the machine", tuple(alarms), tuple(events))
        except CommandRefused:
            return NOTHING
        return self._result(t_s, before, [self.state] if self.state != before else [])

    def supply(
        self, t_s: float, supply_on: bool | None, event: EventChange | None
    ) -> Finding | None:
        """Tell when a machine that was stopped still has its supply, and when no longer.

        `event` is the one that says so already. An unreadable contact (None) tells nothing.
        """
        late = self.is_stopped and t_s - self.state.changed_s >= SUPPLY_OFF_S
        if late and supply_on is True and event is None:
            return Finding(
                Kind.DELIVERY_FAULT,
                Change.RAISED,
                t_s,
                self.state.changed_s,
                subject=SUPPLY_STAYS,
                priority=Priority.CRITICAL,
            )
        if event is not None and (supply_on is False or not self.is_stopped):
            return event.ended(t_s)
        return None

    # --- steps --------------------------------------------------------------

    def _step(self, t_s: float, lit: Mapping[int, Kind], stand: set[int]) -> StopState | None:
        """The next state, or None where nothing has changed."""
        state = self.state
        spared = tuple(event for event in state.spared if event in stand)
        new = min((event for event in lit if event not in spared), default=None)
        if state.phase is StopPhase.COUNTING:
            set_s = t_s if state.until_s is None else state.until_s
            until_s = min(set_s, t_s + self.plan.countdown_s)
            if t_s >= until_s:
                return self._stopped(t_s, Word.END, cause=state.cause, event=state.event)
            if state.event in stand:
                kept = replace(state, spared=spared, until_s=until_s)
                return kept if kept != state else None
            if new is not None:
                return replace(state, spared=spared, cause=lit[new].value, event=new)
            return self._moved(t_s, Word.DONE, spared=spared)
        if state.phase in (StopPhase.READY, StopPhase.HELD) and new is not None:
            return replace(
                self._moved(t_s, Word.CAUSE, spared=spared),
                cause=lit[new].value,
                event=new,
                until_s=t_s + self.plan.countdown_s,
            )
        if state.phase is StopPhase.HELD and not spared:
            return self._moved(t_s, Word.DONE, spared=())
        return replace(state, spared=spared) if spared != state.spared else None

    def _hold(
        self,
        t_s: float,
        by: str,
        alarms: tuple[AlarmState, ...],
        events: tuple[EventChange, ...],
    ) -> None:
        if self.state.phase is StopPhase.HELD:
            return
        if self.state.phase is not StopPhase.COUNTING:
            stopped = self.is_stopped
            why = "it was stopped already" if stopped else "no countdown runs just now"
            raise CommandRefused(Refusal.CONFLICT, why)
        if not by:
            raise CommandRefused(Refusal.FORBIDDEN, "only a person with a name may say so")
        self.state = replace(
            self._moved(t_s, Word.HOLD, by=by, spared=self._standing(alarms, events)),
            cause=self.state.cause,
            event=self.state.event,
        )

    def _stop_now(self, t_s: float, by: str, *, trial: bool) -> None:
        if trial and self.state.phase is not StopPhase.READY:
            raise CommandRefused(Refusal.CONFLICT, "it can be tried only while nothing is wrong")
        cause = ByHand.TRIAL if trial else ByHand.PERSON
        if not self.is_stopped:
            self.state = self._stopped(t_s, Word.NOW, by=by, cause=cause.value)

    def _reset(
        self,
        t_s: float,
        by: str,
        alarms: tuple[AlarmState, ...],
        events: tuple[EventChange, ...],
    ) -> None:
        if not self.is_stopped:
            return
        if in_the_way(self.plan.on, alarms, events):
            raise CommandRefused(
                Refusal.CONFLICT,
                "it stays off while smoke, fire or anything else stands for which it is stopped",
            )
        # What is over but not cleared yet has had its stop.
        self.state = self._moved(t_s, Word.RESET, by=by, spared=self._standing(alarms, events))

    def _standing(
        self, alarms: tuple[AlarmState, ...], events: tuple[EventChange, ...]
    ) -> tuple[int, ...]:
        """The events for which it would count, or counts."""
        kinds = self.plan.on
        found = {a.event for a in alarms if a.kind in kinds} | {
            e.event for e in events if e.kind in kinds
        }
        if self.state.event is not None:
            found.add(self.state.event)
        return tuple(sorted(found))

    def _moved(
        self, t_s: float, word: Word, *, by: str = "", spared: tuple[int, ...] = ()
    ) -> StopState:
        """The state after `word`, without what belonged to the phase before."""
        return replace(
            self.state,
            changed_s=t_s,
            phase=TRANSITIONS[self.state.phase, word],
            by=by,
            cause="",
            event=None,
            until_s=None,
            spared=spared,
        )

    def _stopped(
        self, t_s: float, word: Word, *, cause: str, by: str = "", event: int | None = None
    ) -> StopState:
        moved = self._moved(t_s, word, by=by, spared=self.state.spared)
        return replace(moved, cause=cause, event=event, stops=moved.stops + 1)

    def _result(self, t_s: float, before: StopState, states: list[StopState]) -> StopResult:
        stops = self.state.stops > before.stops
        notices = tuple(self._notices(t_s, self.state)) if stops else ()
        return StopResult(tuple(states), notices)

    def _notices(self, t_s: float, state: StopState) -> Iterable[Notice]:
        """What stops the machine by message, at least once; a program reads it, no person."""
        # Nothing may keep it from being stopped, not even a cause kept by another version.
        kind = next((each for each in (*ByHand, *Kind) if each == state.cause), Kind.FIRE)
        title, text = to_programs(self._chamber_name, kind, state.by)
        for address in self.plan.addresses:
            yield Notice(
                key=f"{self._chamber}:stop:{state.stops}:{state.event or 0}:{t_s:.0f}:{address}",
                chamber=self._chamber,
                alarm=None,
                kind=kind,
                priority=Priority.CRITICAL,
                person="",
                route=address,
                title=title,
                text=text,
                created_s=t_s,
                stage="stop",
            )
