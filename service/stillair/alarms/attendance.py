"""Somebody near a box that can burn, for as long as anything in it is hot.

    dormant --the interval is over--> DUE --> NEAR --> NEXT --> ABANDONED
       ^                               |       |        |          |
       +--------- somebody is near ----+-------+--------+----------+

After each sign that somebody is near, an interval begins in which nothing is asked. When
it is over, the page and the sounder ask (DUE); some minutes later the telephone of
whoever was near (NEAR); then the next person's (NEXT); then everybody's, and what is set
to be done where nobody comes is done (ABANDONED). No step is left out, and each lasts its
time, so nothing happens to people who were never asked. Whoever says that they are leaving
begins it at once, and the next person is told without a wait.

Somebody is near who opens or shuts the door, presses the button at the box, or taps on a
page in the box's own network; whoever hands the last one over has made sure of that. Having
seen the alarm is not being near.

A job may be let run unattended, on purpose and for a reason. That ends with the job.

A restart neither confirms nor forgets: all instants go along, and none may lie ahead.

References
----------
IMO Resolution MSC.128(75), Performance standards for a bridge navigational watch alarm
system: the dormant period, and the stages after it. Its periods are those of a ship's
bridge; ours suit a job of many hours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import IntEnum

from stillair.errors import CommandRefused, Refusal
from stillair.model import (
    AttendanceState,
    Change,
    EventChange,
    Finding,
    Job,
    JsonValue,
    Kind,
)

KEY = (Kind.ATTENDANCE_OVERDUE, "")
COOL_S = 300.0  # no longer hot for so long, it is: air about the bound goes to and fro
LEAVING_S = 60.0  # who has just said that they leave may still shut the door
KEPT_S = 60.0  # a door that flaps is not kept each time
REASON_LENGTH = (10, 200)


class Step(IntEnum):
    """How far it has come since somebody should have shown that they are near."""

    NONE = 0
    DUE = 1  # page and sounder
    NEAR = 2  # the telephone of whoever was near
    NEXT = 3  # that of the next person
    ABANDONED = 4  # everybody's, and what is set to be done


@dataclass(frozen=True, slots=True)
class AttendancePlan:
    """How presence is asked for at a box that can burn; `people` are names, in their order."""

    every_s: float = 1800.0
    stage_s: float = 300.0
    asks: bool = True
    people: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class AttendanceResult:
    """What is to be kept, and what has been found."""

    states: tuple[AttendanceState, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(slots=True)
class _Reached:
    """The step that an event tells of, and since when."""

    event: int
    step: Step
    since_s: float


@dataclass(slots=True)
class Attendance:
    """Follow one box. `event` is always the one that tells of it just now, if any does."""

    plan: AttendancePlan
    state: AttendanceState = field(default_factory=lambda: AttendanceState(0.0))
    _hot: bool = field(init=False)
    _cool_from_s: float | None = field(init=False, default=None)
    _reached: _Reached | None = field(init=False, default=None)
    _kept: AttendanceState = field(init=False)

    def __post_init__(self) -> None:
        self._hot = self.state.since_s is not None  # before it is known: as it was
        self._kept = self.state

    # --- how it stands ------------------------------------------------------

    @property
    def is_needed(self) -> bool:
        """Whether something in the box is hot, or a job not over."""
        return self.state.since_s is not None

    @property
    def is_unattended(self) -> bool:
        """Whether somebody lets the job run with nobody near."""
        return self.state.job is not None

    @property
    def due_s(self) -> float | None:
        """When somebody has to have shown by that they are near; None: nobody is asked."""
        state = self.state
        if not self.plan.asks or state.since_s is None or self.is_unattended:
            return None
        if state.left_s is not None:
            return state.left_s
        near_s = (
            [state.since_s] if state.confirmed_s is None else [state.since_s, state.confirmed_s]
        )
        return max(near_s) + self.plan.every_s

    @property
    def step(self) -> Step:
        """How far it has come."""
        return Step.NONE if self._reached is None else self._reached.step

    @property
    def abandoned(self) -> bool:
        """Whether everybody was asked and nobody has come."""
        return self.step is Step.ABANDONED

    # --- a second -----------------------------------------------------------

    def tick(
        self,
        t_s: float,
        *,
        hot: bool | None,
        job: Job | None,
        burning: bool = False,
        event: EventChange | None = None,
    ) -> AttendanceResult:
        """A second has passed; `hot` is None where nobody can tell.

        While it is `burning` nobody is asked to go there: of that people are told otherwise.
        """
        self._forget_the_future(t_s)
        self._follow(t_s, event)
        why = self._mind_need(t_s, hot, job)
        due_s = self.due_s
        if due_s is None or t_s < due_s:
            return self._result([event.ended(t_s, why)] if event is not None else [])
        if self._reached is None and not burning:
            return self._result([self._raised(t_s, due_s)])
        if event is None or self._reached is None or burning or self.abandoned:
            return self._result()
        hurries = self.state.left_s is not None and self.step < Step.NEAR
        if t_s >= self._reached.since_s + (0.0 if hurries else self.plan.stage_s):
            return self._result([self._climbed(t_s, event)])
        return self._result()

    # --- what people do -----------------------------------------------------

    def near(
        self, t_s: float, *, by: str = "", person: str = "", event: EventChange | None
    ) -> AttendanceResult:
        """Somebody is near: by a tap on the page as `person`, or by the button at the box."""
        state = self.state
        came = bool(state.to) and bool(person) and person != state.person
        self.state = replace(
            state,
            changed_s=t_s,
            what="present",
            by=by,
            person=person or state.person,
            confirmed_s=t_s,
            left_s=None,
            to="" if came or person == state.to else state.to,
            job=None,
            reason="",
        )
        return self._over(t_s, event, f"{person or 'somebody'} is near")

    def door(self, t_s: float, *, event: EventChange | None) -> AttendanceResult:
        """Somebody has opened or shut the door, and so was near; who is not known."""
        state = self.state
        left_s = state.left_s
        if not self.is_needed or self.is_unattended:
            return AttendanceResult()
        if left_s is not None and t_s - left_s < LEAVING_S:
            return AttendanceResult()
        self.state = replace(
            state, changed_s=t_s, what="present", by="", confirmed_s=t_s, left_s=None
        )
        return self._over(t_s, event, "somebody was at the door")

    def hand_over(self, t_s: float, *, by: str, to: str) -> AttendanceResult:
        """Ask `to` to be near from now on; until they come, whoever was near is still asked.

        Raises `CommandRefused`.
        """
        if not self.plan.people:
            raise CommandRefused(
                Refusal.CONFLICT,
                "no person is named in the chamber file, so nobody can be asked by message",
            )
        if to not in self.plan.people:
            raise CommandRefused(
                Refusal.UNKNOWN,
                f"nobody of that name is told; there are {_listed(self.plan.people)}",
            )
        self._refuse_unless_asked()
        if to == self.state.person and self.state.left_s is None:
            raise CommandRefused(Refusal.CONFLICT, f"{to} is the one who is near")
        if to == self.state.to:
            return AttendanceResult()
        self.state = replace(
            self.state,
            changed_s=t_s,
            what="asked over",
            by=by,
            to=to,
            asked=self.state.asked + 1,
        )
        return self._result()

    def leave(self, t_s: float, *, by: str, event: EventChange | None) -> AttendanceResult:
        """Whoever was near goes, and the next step comes at once. Raises `CommandRefused`."""
        self._refuse_unless_asked()
        if self.state.left_s is not None:
            return AttendanceResult()
        self._follow(t_s, event)
        self.state = replace(self.state, changed_s=t_s, what="left", by=by, left_s=t_s)
        if event is None or self._reached is None:
            return self._result([self._raised(t_s, t_s)])
        if self.step < Step.NEXT:
            return self._result([self._climbed(t_s, event)])
        return self._result()

    def let_run(
        self, t_s: float, *, by: str, job: Job | None, reason: str, event: EventChange | None
    ) -> AttendanceResult:
        """Let the job run with nobody near, until it is over. Raises `CommandRefused`."""
        if job is None:
            raise CommandRefused(
                Refusal.CONFLICT, "there is no job, and only a job can be let run unattended"
            )
        reason = " ".join(reason.split())
        shortest, longest = REASON_LENGTH
        if not shortest <= len(reason) <= longest or not reason.isprintable():
            raise CommandRefused(
                Refusal.FORBIDDEN,
                f"say why nobody has to be near, in {shortest} to {longest} characters",
            )
        self._refuse_unless_asked()
        if self.state.job == job.id and self.state.reason == reason:
            return AttendanceResult()
        self.state = replace(
            self.state,
            changed_s=t_s,
            what="unattended",
            by=by,
            left_s=None,
            to="",
            job=job.id,
            reason=reason,
        )
        return self._over(t_s, event, f"{by or 'somebody'} lets the job run unattended")

    def _refuse_unless_asked(self) -> None:
        if not self.plan.asks:
            raise CommandRefused(Refusal.CONFLICT, "nobody is asked to be near, as it is set")
        if not self.is_needed:
            raise CommandRefused(
                Refusal.CONFLICT, "nothing is hot and no job runs, so nobody has to be near"
            )

    # --- steps --------------------------------------------------------------

    def _forget_the_future(self, t_s: float) -> None:
        """The wall clock may have been set while nobody watched; no instant lies ahead."""
        state = self.state
        self.state = replace(
            state,
            since_s=_at_most(state.since_s, t_s),
            confirmed_s=_at_most(state.confirmed_s, t_s),
            left_s=_at_most(state.left_s, t_s),
        )

    def _follow(self, t_s: float, event: EventChange | None) -> None:
        """Know of each step since when it holds."""
        if event is None:
            self._reached = None
            return
        step = step_of(event)
        if self._reached is None or (self._reached.event, self._reached.step) != (
            event.event,
            step,
        ):
            self._reached = _Reached(event.event, step, min(event.at_s, t_s))

    def _mind_need(self, t_s: float, hot: bool | None, job: Job | None) -> str:
        """Whether somebody has to be near, and why nobody has to any more."""
        if hot is False:
            self._cool_from_s = t_s if self._cool_from_s is None else self._cool_from_s
            if t_s - self._cool_from_s >= COOL_S:
                self._hot = False
        elif hot:
            self._hot, self._cool_from_s = True, None
        state = self.state
        if job is None and not self._hot:
            if state.since_s is not None:
                self.state = AttendanceState(t_s, "not needed", asked=state.asked)
            return "nothing is hot any more"
        if state.since_s is None:
            self.state = replace(state, changed_s=t_s, what="needed", since_s=t_s, left_s=None)
        elif state.job is not None and (job is None or job.id != state.job):
            # What was allowed was this job alone; whoever begins another is there.
            self.state = replace(
                state, changed_s=t_s, what="over", by="", job=None, reason="", since_s=t_s
            )
        return "somebody is near" if self.plan.asks else "nobody is asked any more, as it is set"

    def _raised(self, t_s: float, due_s: float) -> Finding:
        detail = self._detail(Step.DUE)
        return Finding(Kind.ATTENDANCE_OVERDUE, Change.RAISED, t_s, due_s, detail=detail)

    def _climbed(self, t_s: float, event: EventChange) -> Finding:
        detail = self._detail(Step(self.step + 1))
        return Finding(Kind.ATTENDANCE_OVERDUE, Change.REVISED, t_s, event.onset_s, detail=detail)

    def _detail(self, step: Step) -> dict[str, JsonValue]:
        """What the event has to tell of a step: how far, whose turn it is, who gets a message."""
        order = self._order()
        counts = {Step.NEAR: 1, Step.NEXT: 2, Step.ABANDONED: len(order)}
        tell = order[: counts.get(step, 0)]
        return {
            "cause": "clear",
            "stage": int(step),
            "person": self.state.person,
            "tell": list[JsonValue](tell),
            "abandoned": step is Step.ABANDONED,
            "reason": self._reason(step, order),
        }

    def _order(self) -> list[str]:
        """Who is told in turn: whoever was near, who was asked to take over, then the others.

        Whoever has left comes last.
        """
        state, people = self.state, self.plan.people
        first = [state.to] if state.left_s is not None else [state.person, state.to]
        named = [name for name in dict.fromkeys(first) if name in people]
        others = [name for name in people if name not in named]
        if state.left_s is not None and state.person in others:
            others.remove(state.person)
            others.append(state.person)
        return [*named, *others]

    def _reason(self, step: Step, order: Sequence[str]) -> str:
        state = self.state
        left = f"{state.person or 'whoever was near'} has left" if state.left_s is not None else ""
        if step is Step.ABANDONED:
            return "nobody has come" if order else "nobody has come, and there is nobody to be told"
        if step is Step.NEXT and order:
            return f"{order[0]} was told and hasn't come"
        if left:
            return left
        return f"{state.person} was near last" if state.person else ""

    def _over(self, t_s: float, event: EventChange | None, why: str) -> AttendanceResult:
        return self._result([event.ended(t_s, why)] if event is not None else [])

    def _result(self, findings: Sequence[Finding] = ()) -> AttendanceResult:
        state, kept = self.state, self._kept
        if state != kept and (findings or not _is_the_same_again(state, kept)):
            self._kept = state
            return AttendanceResult((state,), tuple(findings))
        return AttendanceResult((), tuple(findings))


def climbs(before: EventChange, change: EventChange) -> bool:
    """Whether somebody else is asked now, or asked more urgently."""
    both = before.kind is Kind.ATTENDANCE_OVERDUE and change.kind is Kind.ATTENDANCE_OVERDUE
    return both and step_of(change) > step_of(before)


def step_of(event: EventChange) -> Step:
    """How far an event says that it has come."""
    stage = event.detail.get("stage")
    known = isinstance(stage, int) and Step.DUE <= stage <= Step.ABANDONED
    return Step(stage) if known and isinstance(stage, int) else Step.DUE


def told_of(event: EventChange) -> frozenset[str] | None:
    """Who gets messages of an event, by name; None: whoever else would."""
    if event.kind is not Kind.ATTENDANCE_OVERDUE:
        return None
    tell = event.detail.get("tell")
    return frozenset(str(name) for name in tell) if isinstance(tell, list) else None


def _is_the_same_again(state: AttendanceState, kept: AttendanceState) -> bool:
    """Whether all that is new is that somebody is near again, as they were moments ago."""
    if state.confirmed_s is None or kept.confirmed_s is None:
        return False
    same = replace(state, confirmed_s=kept.confirmed_s, changed_s=kept.changed_s)
    return same == kept and 0.0 <= state.confirmed_s - kept.confirmed_s < KEPT_S


def _at_most(instant_s: float | None, t_s: float) -> float | None:
    return None if instant_s is None else min(instant_s, t_s)


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)
