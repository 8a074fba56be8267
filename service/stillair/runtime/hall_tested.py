"""A hall as alarm tests know a chamber: of the way of an alarm it has the part to people.

    AlarmTests ──> HallTested ──> Rehearsal ──> the state of a test, messages ──> journal, courier

Signs, verdict and alarm are gone through here as well; what reaches telephones are the hall's
own ways to its own people.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future

from stillair.clock import Clock
from stillair.config.hall_file import HallSettings
from stillair.errors import StillairError
from stillair.model import (
    AlarmState,
    AlarmTestState,
    AlarmTestTold,
    Command,
    ConfirmAlarmTest,
    Outcome,
    StartAlarmTest,
)
from stillair.runtime.labels import Labels
from stillair.runtime.plans import person_of
from stillair.thermal.plan import ThermalPlan
from stillair.watch import WatchPlan
from stillair.watch.rehearsal import Rehearsal, Rehearsed


class HallTested:
    """The newest alarm test of a hall; each call is safe from any thread.

    Parameters
    ----------
    settings : HallSettings
    dangers : callable
        What real danger stands in any chamber, one sentence each; with True also what is over
        and nobody has seen.
    keep : callable
        Takes each outcome that has to be kept and sent.
    """

    speed = 1.0
    sounder = None  # a hall has none
    company = None  # nor anybody who tells people in its place
    place = "Hall"

    def __init__(
        self,
        settings: HallSettings,
        *,
        dangers: Callable[[bool], tuple[str, ...]],
        keep: Callable[[Outcome], None],
        clock: Clock,
        labels: Labels,
    ) -> None:
        self.settings = settings
        self.key = settings.key
        self.clock = clock
        self.labels = labels
        self.plan = WatchPlan(
            settings.key,
            settings.name,
            ThermalPlan(()),
            people=tuple(person_of(each, settings.timezone) for each in settings.people),
        )
        self._dangers = dangers
        self._keep = keep
        self._lock = threading.Lock()
        self._rehearsal = Rehearsal(self.plan, place=self.place)

    def restored(self, state: AlarmTestState | None) -> None:
        """Know the newest test before the start; one that ran was cut off by it."""
        with self._lock:
            self._rehearsal = Rehearsal(self.plan, state, place=self.place)

    # --- as a chamber's supervisor ----------------------------------------------------------

    @property
    def supervisor(self) -> HallTested:
        """Who carries out commands."""
        return self

    @property
    def view(self) -> HallTested:
        """How it is."""
        return self

    @property
    def alarms(self) -> tuple[AlarmState, ...]:
        """None of its own: what stands in chambers is asked for by itself."""
        return ()

    @property
    def alarm_test(self) -> AlarmTestState | None:
        """The newest test."""
        return self._rehearsal.state

    def submit(self, command: Command) -> Future[Outcome]:
        """Carry out a command at once; what refuses it stands in the future."""
        done: Future[Outcome] = Future()
        try:
            created = None
            dangers = self._dangers(True)
            with self._lock:
                if isinstance(command, StartAlarmTest):
                    created = command.id
                    step = self._rehearsal.start(command, dangers)
                else:
                    assert isinstance(command, ConfirmAlarmTest)
                    step = self._rehearsal.confirm(command)
            done.set_result(self._told(step, command.t_s, created))
        except StillairError as error:
            done.set_exception(error)
        return done

    def put(self, told: AlarmTestTold) -> None:
        """Take what has become of a test."""
        with self._lock:
            step = self._rehearsal.take(told)
        self._told(step, told.t_s)

    def second(self) -> None:
        """A second has passed: a test ends by real danger, or by its time."""
        if not self._rehearsal.runs:
            return
        now_s, dangers = self.clock.now_s(), self._dangers(False)
        with self._lock:
            step = self._rehearsal.tick(now_s, dangers)
        self._told(step, now_s)

    def _told(self, step: Rehearsed, t_s: float, created: str | None = None) -> Outcome:
        duties = (step.state,) if step.state is not None else ()
        outcome = Outcome(self.key, t_s, notices=step.notices, duties=duties, created=created)
        if not outcome.empty:
            self._keep(outcome)
        return outcome
