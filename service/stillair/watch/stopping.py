"""The stop of the machine within the watch: it hears of alarms, events, switches and commands."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

from stillair.alarms.desk import AlarmDesk
from stillair.alarms.stop_words import SUPPLY_STAYS, added
from stillair.alarms.stopping import StopDesk
from stillair.alarms.wording import Stage
from stillair.errors import CommandRefused, Refusal
from stillair.fire.witnesses import Witnesses
from stillair.model import (
    AT_WORK,
    AlarmState,
    ContactKind,
    ContactState,
    EventChange,
    Finding,
    Job,
    Kind,
    StopCommand,
    StopNow,
    StopPhase,
    StopState,
    WatchMemory,
)
from stillair.watch.gathered import Gathered
from stillair.watch.plan import WatchPlan


class Stopping:
    """Bring what stands in one chamber to its stop, where one is set up."""

    def __init__(
        self,
        plan: WatchPlan,
        memory: WatchMemory,
        alarms: AlarmDesk,
        opened: Mapping[tuple[Kind, str], EventChange],
        witnesses: Witnesses,
    ) -> None:
        self._alarms = alarms
        self._open = opened
        self._witnesses = witnesses
        self._told: bool | None = None  # whether the machine has to be off, as it was told last
        self._desk: StopDesk | None = None
        if plan.stop is not None:
            kept = [duty for duty in memory.duties if isinstance(duty, StopState)]
            self._desk = StopDesk(
                chamber=plan.chamber,
                chamber_name=plan.name,
                plan=plan.stop,
                state=kept[-1] if kept else None,
            )

    @property
    def state(self) -> StopState | None:
        """Where it stands; None where nothing is ever switched."""
        return self._desk.state if self._desk else None

    def command(self, command: StopCommand, job: Job | None) -> Gathered:
        """Carry out what a person asks for. Raises `CommandRefused`."""
        if self._desk is None:
            raise CommandRefused(Refusal.UNKNOWN, "no stop of the machine is set up")
        at_work = job is not None and job.state in AT_WORK
        if isinstance(command, StopNow) and command.trial and at_work:
            raise CommandRefused(Refusal.CONFLICT, "a job runs: try it when that is done")
        gathered, standing = Gathered(command.t_s), self._alarms.standing()
        gathered.add_stop(self._desk.command(command, standing, self._open.values()))
        return gathered

    def take(self, gathered: Gathered, state: ContactState) -> None:
        """A button that is pressed, not one that was so when it was first heard of."""
        if self._desk is None or state.kind is not ContactKind.RESET or not state.active:
            return
        before = self._witnesses.contacts.get(state.contact)
        if before is not None and before.active is False:
            standing = self._alarms.standing()
            gathered.add_stop(self._desk.pressed(state.t_s, standing, self._open.values()))

    def supply_findings(self, t_s: float) -> Iterable[Finding]:
        """That a machine which was stopped still has supply, by any switch that shows it."""
        if self._desk is None:
            return ()
        told = self._witnesses.contacts.values()
        off = {c.active for c in told if c.kind is ContactKind.SUPPLY and c.active is not None}
        event = self._open.get((Kind.DELIVERY_FAULT, SUPPLY_STAYS))
        return filter(None, [self._desk.supply(t_s, False in off if off else None, event)])

    def follow(self, gathered: Gathered, note: Callable[[Exception], None]) -> bool | None:
        """Count down, stop, or be done with it; whether the machine has to be off, if that is new.

        The alarms may have a defect, which `note` takes: then the events say what burns.
        """
        if self._desk is None:
            return None
        standing: tuple[AlarmState, ...] = ()
        try:
            standing = self._alarms.standing()
        except Exception as error:
            note(error)
        result = self._desk.follow(gathered.t_s, standing, self._open.values())
        if result.states:
            self._add_to_messages(gathered, self._desk)
        gathered.add_stop(result)
        before, self._told = self._told, self._desk.is_stopped
        return None if before is self._told else self._told

    @staticmethod
    def _add_to_messages(gathered: Gathered, desk: StopDesk) -> None:
        """Have what people are told of the danger in this step say what becomes of the machine."""
        phase = desk.state.phase
        if phase not in (StopPhase.COUNTING, StopPhase.STOPPED):
            return
        is_stopped = phase is StopPhase.STOPPED
        words = added(countdown_s=desk.plan.countdown_s, is_stopped=is_stopped)
        cause = desk.state.cause
        gathered.notices[:] = [
            replace(notice, text=f"{notice.text.rstrip()}\n\n{words}\n")
            if notice.kind.value == cause and notice.stage in (Stage.RAISED, Stage.CHANGED)
            else notice
            for notice in gathered.notices
        ]
