"""Smoke that is counted, and a detector's line, through the whole watch of a simulated day."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from gpiozero.pins.mock import MockFactory

from stillair.clock import ManualClock
from stillair.errors import SensorError
from stillair.model import (
    Change,
    ContactKind,
    ContactState,
    EventChange,
    Kind,
    Place,
    Priority,
    Sounding,
    Tick,
)
from stillair.runtime.supervisor import WiredContact
from stillair.sensing.contacts import GpioContact
from stillair.sensing.protocols import Contact, ParticleSensor
from stillair.sensing.reader import read_particles, read_sensor
from stillair.simulation.scenario import load
from stillair.simulation.twins import SimulatedContact, SimulatedParticles, SimulatedSensor
from stillair.simulation.world import SimulatedChamber
from stillair.thermal.plan import SensorPlan, ThermalPlan
from stillair.watch import ContactPlan, Watch, WatchPlan

FIRE_S = 300  # in the scenario slow_fire
PLACES = {"bed": Place.BED, "room": Place.ROOM}


class Day:
    """The scenario slow_fire: a job, and from second 300 on a smoulder that grows to a fire."""

    def __init__(self, *, detector: bool) -> None:
        self.clock = ManualClock()
        scenario = load("slow_fire")
        world = SimulatedChamber(scenario)
        names = [point.name for point in scenario.sensors]
        self._sensors = [SimulatedSensor(name, name, world, self.clock) for name in names]
        self.particles: ParticleSensor = SimulatedParticles("exhaust", world, self.clock)
        relay = SimulatedContact("smoke detector", "smoke detector", world, self.clock)
        self.contacts: list[WiredContact] = []
        if detector:
            self.add(relay)
        self._said: dict[str, tuple[bool | None, str]] = {}
        thermal = ThermalPlan(
            tuple(SensorPlan(name, PLACES.get(name, Place.CHAMBER)) for name in names),
            target_c=45.0,
            limit_c=70.0,
        )
        plan = WatchPlan(
            "north-bench",
            "North bench",
            thermal,
            contacts=tuple(ContactPlan(c.name, c.kind) for c in self.contacts),
            particles=("exhaust",),
        )
        self.watch = Watch(plan)
        self.events: list[EventChange] = []
        self.sounds: list[Sounding] = []

    def add(self, contact: Contact) -> None:
        self.contacts.append(WiredContact(contact.name, ContactKind.DETECTOR, contact))

    def until(self, end_s: int) -> Day:
        while (t_s := self.clock.now_s()) < end_s:
            for stimulus in self._second(t_s):
                outcome = self.watch.step(stimulus)  # type: ignore[arg-type]  # any of them
                self.events.extend(outcome.events)
                self.sounds.extend([outcome.sounding] if outcome.sounding is not None else [])
            self.clock.advance(1.0)
        return self

    def _second(self, t_s: float) -> Iterator[object]:
        for sensor in self._sensors:
            if (reading := read_sensor(sensor, t_s)) is not None:
                yield reading
        if (counted := read_particles(self.particles, t_s)) is not None:
            yield counted
        for wired in self.contacts:
            said = state_of(wired.contact)
            if self._said.get(wired.name) != said:
                self._said[wired.name] = said
                yield ContactState(wired.name, wired.kind, t_s, *said)
        yield Tick(t_s)

    def raised(self, kind: Kind) -> list[EventChange]:
        return [e for e in self.events if e.kind is kind and e.change is Change.RAISED]


def state_of(contact: Contact) -> tuple[bool | None, str]:
    try:
        return contact.state(), ""
    except Exception as error:
        return None, str(getattr(error, "reason", error))


def test_smoke_is_counted_before_a_detector_trips_and_long_before_heat_is_felt() -> None:
    day = Day(detector=True).until(FIRE_S + 400)
    (smoke,) = day.raised(Kind.SMOKE)
    (tripped,) = day.raised(Kind.DETECTOR_CONTACT)
    (fire,) = day.raised(Kind.FIRE)
    (rise,) = day.raised(Kind.RAPID_RISE)
    assert FIRE_S < smoke.onset_s < smoke.at_s <= FIRE_S + 15
    assert smoke.sensors == ("exhaust",)
    assert smoke.at_s < tripped.at_s == fire.at_s < rise.at_s - 120
    assert fire.detail["signs"] == ["detector", "particles"]
    (counted,) = day.watch.view().particles
    assert (counted.sensor, counted.pm2_5_ug_per_m3) == ("exhaust", 1000.0)


def test_counted_smoke_and_heat_are_fire_without_any_detector() -> None:
    day = Day(detector=False).until(FIRE_S + 400)
    (fire,) = day.raised(Kind.FIRE)
    (rise,) = day.raised(Kind.RAPID_RISE)
    assert fire.at_s == rise.at_s
    assert fire.detail["signs"] == ["particles", "rapid_rise"]


class Dead:
    """A particle sensor whose plug is out."""

    name = "exhaust"
    blocking = True

    def read(self) -> float | None:
        raise SensorError("exhaust", "/dev/ttyUSB0 is gone")

    def describe(self) -> str:
        return "nothing"

    def close(self) -> None:
        pass


def test_what_a_counter_that_is_gone_would_have_seen_is_said_to_be_missing() -> None:
    day = Day(detector=True)
    day.particles = Dead()
    day.until(FIRE_S + 60)
    (fault,) = day.raised(Kind.SENSOR_FAULT)
    assert (fault.subject, fault.detail["reason"]) == ("particles exhaust", "/dev/ttyUSB0 is gone")
    assert day.raised(Kind.SMOKE) == []
    (tripped,) = day.raised(Kind.DETECTOR_CONTACT)
    assert tripped.detail["missing"] == ["exhaust"]


PIN, OTHER, FAULT = 22, 23, 24


@pytest.mark.parametrize(
    ("move", "kind"),
    [
        pytest.param(lambda f: f.pin(PIN).drive_high(), Kind.SENSOR_FAULT, id="a cut wire"),
        pytest.param(lambda f: f.pin(FAULT).drive_high(), Kind.SENSOR_FAULT, id="no supply"),
        pytest.param(
            lambda f: (f.pin(PIN).drive_high(), f.pin(OTHER).drive_low()),
            Kind.DETECTOR_CONTACT,
            id="gone off",
        ),
    ],
)
def test_a_cut_wire_is_trouble_an_alarm_is_an_alarm(
    move: Callable[[MockFactory], object], kind: Kind
) -> None:
    factory = MockFactory()
    day = Day(detector=False)
    line = GpioContact(
        "ceiling",
        ContactKind.DETECTOR,
        PIN,
        other_pin=OTHER,
        fault_pin=FAULT,
        factory=factory,
        now_s=day.clock.now_s,
    )
    line.start(lambda: None)
    factory.pin(PIN).drive_low()
    factory.pin(FAULT).drive_low()
    day.add(line)
    day.until(60)
    assert day.events == [], "a line that is well"
    move(factory)
    day.until(120)
    (told,) = [e for e in day.events if e.change is Change.RAISED]
    assert told.kind is kind
    assert told.sensors == ("ceiling",)
    assert told.at_s <= 62.0
    if kind is Kind.SENSOR_FAULT:
        assert told.priority is Priority.HIGH
        assert day.sounds == [Sounding.ATTENTION]
    else:
        assert day.sounds == [Sounding.FIRE]
    line.close()
    factory.reset()
