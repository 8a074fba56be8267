"""What every particle sensor promises: on a real serial line, and in the simulated chamber.

A rig is one sensor with hands to foul the air, to break the sensor and to mend it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from chips import SerialLine, particle_frame
from stillair.clock import ManualClock, SystemClock
from stillair.errors import SensorError
from stillair.sensing.bus import KernelSerial
from stillair.sensing.particles import SerialParticles
from stillair.sensing.protocols import ParticleSensor
from stillair.simulation.scenario import Scenario, action
from stillair.simulation.twins import SimulatedParticles
from stillair.simulation.world import SimulatedChamber

WAIT_S = 0.3  # of what doesn't come; what comes is taken at once


@dataclass
class Rig:
    """One sensor and what is behind it; None: that can't be done with it."""

    sensor: ParticleSensor
    tell_clean: Callable[[], None]
    tell_smoke: Callable[[], None]
    break_it: Callable[[], None] | None
    mend: Callable[[], None] | None
    ends: ExitStack = field(default_factory=ExitStack)


def serial(folder: Path) -> Rig:
    line = SerialLine(folder)
    sensor = SerialParticles("exhaust", KernelSerial(str(line.path)), SystemClock(), wait_s=WAIT_S)
    with pytest.raises(SensorError, match="nothing comes"):
        sensor.read()  # opens the port, so that what is sent from now on is heard
    rig = Rig(
        sensor,
        tell_clean=lambda: line.send(particle_frame(12)),
        tell_smoke=lambda: line.send(particle_frame(600)),
        break_it=line.unplug,
        mend=line.plug_in,
    )
    rig.ends.callback(line.unplug)
    return rig


def simulated(_: Path) -> Rig:
    scenario = Scenario("shed", steps=(action(100.0, "fire", growth="medium"),))
    clock = ManualClock()
    world = SimulatedChamber(scenario)
    return Rig(
        SimulatedParticles("exhaust", world, clock),
        tell_clean=lambda: None,
        tell_smoke=lambda: clock.advance(200.0),
        break_it=None,
        mend=None,
    )


BREAKABLE = pytest.mark.parametrize("rig", [serial], ids=["serial"], indirect=True)


# The twin has nothing that could break, so what breaks is tried of the others alone.
@pytest.fixture(params=[serial, simulated], ids=["serial", "simulated"])
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    built: Rig = request.param(tmp_path)
    yield built
    built.sensor.close()
    built.sensor.close()
    built.ends.close()


def test_it_says_who_it_is(rig: Rig) -> None:
    assert rig.sensor.name == "exhaust"
    about = rig.sensor.describe()
    assert about
    assert about.isprintable()


def test_it_tells_clean_air_and_smoke(rig: Rig) -> None:
    rig.tell_clean()
    clean_ug = rig.sensor.read()
    rig.tell_smoke()
    smoke_ug = rig.sensor.read()
    assert clean_ug == 12.0
    assert smoke_ug is not None
    assert smoke_ug >= 600.0


@BREAKABLE
def test_a_broken_one_is_an_error_and_never_looks_like_clean_air(rig: Rig) -> None:
    assert rig.break_it is not None
    rig.break_it()
    for _ in range(2):
        with pytest.raises(SensorError) as caught:
            rig.sensor.read()
        assert caught.value.sensor == "exhaust"
        assert caught.value.reason.isprintable()


@BREAKABLE
def test_a_mended_one_tells_again(rig: Rig) -> None:
    assert rig.break_it is not None and rig.mend is not None
    rig.break_it()
    with pytest.raises(SensorError):
        rig.sensor.read()
    rig.mend()
    with pytest.raises(SensorError, match="nothing comes"):
        rig.sensor.read()
    rig.tell_smoke()
    assert rig.sensor.read() == 600.0
