"""What every sensor promises, real drivers and the simulated twin alike.

A rig is one driver with the hardware, the broker or the file behind it, and
with hands to warm it, to spoil it and to mend it.
"""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from chips import Max31855Chip, Max31856Chip, Mcp9600Chip, OneWireTree, scratchpad, w1_slave
from servers import Broker
from stillair.clock import ManualClock, SystemClock
from stillair.errors import ReadingFault, SensorError
from stillair.sensing.onewire import OneWireSensor
from stillair.sensing.protocols import Sensor
from stillair.sensing.recording import Recording, RecordingSensor
from stillair.sensing.thermocouple import Max31855, Max31856, Mcp9600
from stillair.sensing.topics import MqttSensor, TopicReader
from stillair.simulation.scenario import Scenario, action
from stillair.simulation.twins import SimulatedSensor
from stillair.simulation.world import SimulatedChamber

ADDRESS = "28-0000075c2f11"


@dataclass
class Rig:
    """One sensor and what is behind it; None: that can't be done with it.

    `step_k` is the driver's resolution.
    """

    sensor: Sensor
    warm_to: Callable[[float], None] | None
    spoil: Callable[[], None]
    mend: Callable[[], None] | None
    step_k: float
    ends: ExitStack = field(default_factory=ExitStack)


def one_wire(address: str, step_k: float, text: Callable[[float], str]) -> Callable[[Path], Rig]:
    def build(folder: Path) -> Rig:
        tree = OneWireTree(folder / "devices")
        tree.put(address, text(20.0))
        return Rig(
            OneWireSensor("top", address, tree.bus_dir),
            warm_to=lambda c: tree.put(address, text(c)),
            spoil=lambda: tree.unplug(address),
            mend=lambda: tree.put(address, text(20.0)),
            step_k=step_k,
        )

    return build


def ds18b20(temperature_c: float) -> str:
    return w1_slave(scratchpad(round(temperature_c * 16) & 0xFFFF))


def ds18s20(temperature_c: float) -> str:
    """The registers from which the data sheet's formula gives this temperature."""
    sixteenths = round(temperature_c * 16) + 4
    whole, remain = sixteenths // 16, 16 - sixteenths % 16
    return w1_slave(scratchpad(whole * 2 & 0xFFFF, byte_6=remain, byte_7=16))


def max31850(temperature_c: float) -> str:
    return w1_slave(scratchpad(round(temperature_c * 4) << 2 & 0xFFFF, config=0xF0))


def max31855(_: Path) -> Rig:
    chip = Max31855Chip()

    def warm_to(temperature_c: float) -> None:
        chip.hot_c = temperature_c

    def spoil() -> None:
        chip.fault_bits = 1

    def mend() -> None:
        chip.fault_bits = 0

    return Rig(Max31855("top", chip), warm_to, spoil, mend, 0.25)


def max31856(_: Path) -> Rig:
    chip = Max31856Chip()

    def warm_to(temperature_c: float) -> None:
        chip.hot_c = temperature_c

    def spoil() -> None:
        chip.answer = 0xFF

    def mend() -> None:
        chip.answer = None

    return Rig(Max31856("top", chip), warm_to, spoil, mend, 1 / 128)


def mcp9600(chip_id: int) -> Callable[[Path], Rig]:
    def build(_: Path) -> Rig:
        chip = Mcp9600Chip(chip_id)

        def warm_to(temperature_c: float) -> None:
            chip.hot_c = temperature_c

        def spoil() -> None:
            chip.present = False

        def mend() -> None:
            chip.present = True

        return Rig(Mcp9600("top", chip), warm_to, spoil, mend, 1 / 16)

    return build


def mqtt(broker: Broker) -> Rig:
    topic = f"shed/{uuid.uuid4().hex}"
    reader = TopicReader(broker.host, broker.port, SystemClock())
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect(broker.host, broker.port)
    client.loop_start()

    def send(payload: str) -> None:
        client.publish(topic, payload, qos=1, retain=True).wait_for_publish(10.0)

    rig = Rig(
        MqttSensor("top", reader, topic, "/c"),
        warm_to=lambda c: send(f'{{"c": {c!r}}}'),
        spoil=lambda: send('{"c": "a broken wire"}'),
        mend=lambda: send('{"c": 20.0}'),
        step_k=0.0,
    )
    send('{"c": 20.0}')
    rig.ends.callback(client.loop_stop)
    rig.ends.callback(client.disconnect)
    rig.ends.callback(reader.close)
    return rig


def recording(folder: Path) -> Rig:
    """One second a row: the temperatures in their order, and then a row that is broken."""
    path = folder / "day.csv"
    rows = [*(repr(c) for c in TEMPERATURES_C), "a broken wire"]
    path.write_text("time_s,top\n" + "".join(f"{s},{row}\n" for s, row in enumerate(rows)))
    clock = ManualClock()
    played = Recording(path, clock)

    def go_to(row: str) -> None:
        clock.advance(rows.index(row) - clock.now_s())

    sensor = RecordingSensor("top", played, "top")

    def spoil() -> None:
        go_to(rows[-2])
        sensor.read()  # the rows before the broken one are good and are given first
        go_to("a broken wire")

    rig = Rig(
        sensor,
        warm_to=lambda c: go_to(repr(c)),
        spoil=spoil,
        mend=None,
        step_k=0.0,
    )
    rig.ends.callback(played.close)
    return rig


def simulated(_: Path) -> Rig:
    """The twin; its world warms by its own physics, so nobody can set a temperature."""
    scenario = Scenario(
        "shed",
        steps=(
            action(100.0, "sensor_fault", sensor="top", fault="vanished"),
            action(200.0, "sensor_good", sensor="top"),
        ),
    )
    clock = ManualClock()
    return Rig(
        SimulatedSensor("top", "top", SimulatedChamber(scenario), clock),
        warm_to=None,
        spoil=lambda: clock.advance(110.0),
        mend=lambda: clock.advance(110.0),
        step_k=1 / 16,
    )


BUILDERS: dict[str, Callable[[Path], Rig]] = {
    "onewire DS18B20": one_wire(ADDRESS, 1 / 16, ds18b20),
    "onewire DS18S20": one_wire("10-0000075c2f11", 1 / 16, ds18s20),
    "onewire MAX31850": one_wire("3b-0000075c2f11", 1 / 4, max31850),
    "max31855": max31855,
    "max31856": max31856,
    "mcp9600": mcp9600(0x40),
    "mcp9601": mcp9600(0x41),
    "recording": recording,
    "simulated": simulated,
}
TEMPERATURES_C = (20.0, 45.25, 99.5, -10.25, 61.75)  # in steps that every chip has


@pytest.fixture(params=[*BUILDERS, "mqtt"])
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    if request.param == "mqtt":
        built = mqtt(request.getfixturevalue("mosquitto"))
    else:
        built = BUILDERS[request.param](tmp_path)
    yield built
    built.sensor.close()
    built.ends.close()


def next_answer(sensor: Sensor) -> float | SensorError:
    """What the sensor says as soon as it says anything: a temperature or an error."""
    pause = threading.Event()
    for _ in range(1000):
        try:
            value = sensor.read()
        except SensorError as error:
            return error
        if value is not None:
            return value
        pause.wait(0.01)
    raise AssertionError(f"{sensor.describe()} said nothing for 10 s")


def test_it_says_who_it_is(rig: Rig) -> None:
    assert rig.sensor.name == "top"
    assert rig.sensor.blocking in (True, False)
    about = rig.sensor.describe()
    assert about
    assert about.isprintable()


def test_it_gives_a_number_first(rig: Rig) -> None:
    if rig.warm_to is not None:
        rig.warm_to(TEMPERATURES_C[0])
    value = next_answer(rig.sensor)
    assert isinstance(value, float)
    assert -55.0 <= value <= 125.0


def test_it_follows_the_temperature(rig: Rig) -> None:
    if rig.warm_to is None:
        # What it shows is its world's own business; only steps of the chip can be checked.
        value = next_answer(rig.sensor)
        assert isinstance(value, float)
        assert value % rig.step_k == 0.0
        return
    for temperature_c in TEMPERATURES_C:
        rig.warm_to(temperature_c)
        assert next_answer(rig.sensor) == temperature_c


def test_a_fault_is_a_sensor_error_with_one_plain_clause(rig: Rig) -> None:
    assert isinstance(next_answer(rig.sensor), float)
    rig.spoil()
    error = next_answer(rig.sensor)
    assert isinstance(error, SensorError)
    assert error.sensor == "top"
    assert error.reason.isprintable()
    assert 5 < len(error.reason) < 200
    assert error.fault in ReadingFault


def test_retry_says_whether_asking_again_can_help(rig: Rig) -> None:
    assert isinstance(next_answer(rig.sensor), float)
    rig.spoil()
    error = next_answer(rig.sensor)
    assert isinstance(error, SensorError)
    if rig.mend is None:
        assert not error.retry
        assert isinstance(next_answer(rig.sensor), SensorError)
    else:
        assert error.retry
        rig.mend()
        assert isinstance(next_answer(rig.sensor), float)


def test_closing_twice_is_no_harm(rig: Rig) -> None:
    next_answer(rig.sensor)
    rig.sensor.close()
    rig.sensor.close()
