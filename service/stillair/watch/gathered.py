"""What follows from one stimulus, piece by piece, until it is an outcome."""

from __future__ import annotations

from dataclasses import dataclass, field

from stillair.alarms.desk import AlarmResult
from stillair.alarms.stopping import StopResult
from stillair.jobs.desk import JobResult
from stillair.model import AlarmState, Duty, EventChange, Notice, Outcome, Sounding
from stillair.watch.rehearsal import Rehearsed


@dataclass(slots=True)
class Gathered:
    """What has followed so far from the present stimulus."""

    t_s: float
    events: list[EventChange] = field(default_factory=list)
    alarms: dict[str, AlarmState] = field(default_factory=dict)
    notices: list[Notice] = field(default_factory=list)
    jobs: JobResult = field(default_factory=lambda: JobResult((), ()))
    duties: list[Duty] = field(default_factory=list)

    def add_alarms(self, result: AlarmResult) -> None:
        """Keep the newest state of each alarm, every notice and what is kept beside, in order."""
        for alarm in result.alarms:
            self.alarms.pop(alarm.id, None)
            self.alarms[alarm.id] = alarm
        self.notices.extend(result.notices)
        self.duties.extend(result.duties)

    def add_test(self, rehearsed: Rehearsed) -> None:
        """Keep what follows from a step of an alarm test."""
        if rehearsed.state is not None:
            self.duties.append(rehearsed.state)
        self.notices.extend(rehearsed.notices)

    def add_stop(self, result: StopResult) -> None:
        """Keep each step of the stop, and its messages before those to people."""
        self.duties.extend(result.states)
        self.notices[:0] = result.notices

    def outcome(self, chamber: str, sounding: Sounding | None, stop: bool | None = None) -> Outcome:
        """All of it; `sounding` and `stop` only where they have changed."""
        return Outcome(
            chamber=chamber,
            t_s=self.t_s,
            events=tuple(self.events),
            alarms=tuple(self.alarms.values()),
            notices=tuple(self.notices),
            jobs=self.jobs.jobs,
            notes=self.jobs.notes,
            outcomes=self.jobs.outcomes,
            logs=self.jobs.logs,
            sounding=sounding,
            stop=stop,
            created=self.jobs.created,
            duties=tuple(self.duties),
            pins=self.jobs.pins,
        )
