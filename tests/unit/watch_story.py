"""A watch of one chamber with all that came out of it, on a clock that is only a number."""

from __future__ import annotations

from stillair.alarms.desk import Person
from stillair.model import (
    ContactKind,
    ContactState,
    EventChange,
    Kind,
    Outcome,
    Place,
    Reading,
    Stimulus,
    Tick,
    WatchMemory,
)
from stillair.thermal.plan import SensorPlan, ThermalPlan
from stillair.watch import ContactPlan, Watch, WatchPlan

PLAN = WatchPlan(
    chamber="north-bench",
    name="North bench",
    thermal=ThermalPlan(
        (SensorPlan("top", Place.CHAMBER), SensorPlan("low", Place.CHAMBER)), limit_c=70.0
    ),
    contacts=(
        ContactPlan("door", ContactKind.DOOR),
        ContactPlan("smoke relay", ContactKind.DETECTOR),
    ),
    camera=True,
    people=(Person("bench captain", ("mailto:captain@shed.example",)),),
)


class Story:
    """A watch with all that came out of it."""

    def __init__(
        self, memory: WatchMemory | None = None, *, start_s: int = 0, plan: WatchPlan = PLAN
    ) -> None:
        self.watch = Watch(plan, memory)
        self.outcomes: list[Outcome] = []
        self.t_s = start_s

    def take(self, stimulus: Stimulus) -> Outcome:
        outcome = self.watch.step(stimulus)
        self.outcomes.append(outcome)
        return outcome

    def seconds(self, count: int, *, air_c: float = 45.0) -> None:
        """So many quiet seconds, with sensors that flicker as real ones do."""
        for _ in range(count):
            self.t_s += 1
            wobble_k = 0.0625 * ((self.t_s * 7) % 3 - 1)
            self.take(Reading("top", float(self.t_s), air_c + wobble_k))
            self.take(Reading("low", float(self.t_s), air_c - 2.0 - wobble_k))
            self.take(Tick(float(self.t_s)))

    @property
    def events(self) -> list[EventChange]:
        return [event for outcome in self.outcomes for event in outcome.events]

    def of(self, kind: Kind) -> list[EventChange]:
        return [event for event in self.events if event.kind is kind]


def door(t_s: float, active: bool | None, reason: str = "") -> ContactState:
    return ContactState("door", ContactKind.DOOR, t_s, active, reason)


def detector(t_s: float, active: bool | None, reason: str = "") -> ContactState:
    return ContactState("smoke relay", ContactKind.DETECTOR, t_s, active, reason)
