"""What every switch promises, on pins, by MQTT and in the simulated chamber alike.

A rig is one door switch with hands to open, to shut and to break it.
"""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field

import paho.mqtt.client as paho
import pytest
from gpiozero.pins.mock import MockFactory
from paho.mqtt.enums import CallbackAPIVersion

from servers import Broker
from stillair.clock import ManualClock, SystemClock
from stillair.errors import ContactError
from stillair.model import ContactKind
from stillair.sensing.contacts import ClosedMeans, GpioContact
from stillair.sensing.protocols import Contact
from stillair.sensing.topics import MqttContact, TopicReader
from stillair.simulation.scenario import ContactPlan, Scenario, action
from stillair.simulation.twins import SimulatedContact
from stillair.simulation.world import SimulatedChamber


@dataclass
class Rig:
    """One switch and what is behind it.

    `press` makes it off-normal and normal again before anybody looks; each
    of these returns once the driver has been told.
    """

    contact: Contact
    open: Callable[[], None]
    shut: Callable[[], None]
    press: Callable[[], None]
    break_it: Callable[[], None]
    ends: ExitStack = field(default_factory=ExitStack)


def gpio(closed_means: ClosedMeans, monkeypatch: pytest.MonkeyPatch) -> Rig:
    factory = MockFactory()
    pin = factory.pin(17)
    contact = GpioContact("door", ContactKind.DOOR, 17, closed_means=closed_means, factory=factory)
    active, normal = pin.drive_high, pin.drive_low
    if closed_means == "alarm":
        active, normal = normal, active

    def press() -> None:
        active()
        normal()

    def fail() -> bool:
        raise OSError("the kernel lost the pin")

    rig = Rig(contact, active, normal, press, lambda: monkeypatch.setattr(pin, "_get_state", fail))
    rig.ends.callback(factory.reset)
    return rig


def changeover() -> Rig:
    """A contact with both its sides on pins; its first wire breaks."""
    factory, clock = MockFactory(), ManualClock()
    first, other = factory.pin(17), factory.pin(27)
    contact = GpioContact(
        "door", ContactKind.DOOR, 17, other_pin=27, factory=factory, now_s=clock.now_s
    )

    def move(*, shut: bool) -> None:
        first.drive_high()
        other.drive_high()
        (first if shut else other).drive_low()

    def press() -> None:
        move(shut=False)
        move(shut=True)

    def break_it() -> None:
        first.drive_high()
        contact.state()
        clock.advance(1.0)

    rig = Rig(contact, lambda: move(shut=False), lambda: move(shut=True), press, break_it)
    rig.ends.callback(factory.reset)
    return rig


def mqtt(broker: Broker) -> Rig:
    topic = f"shed/{uuid.uuid4().hex}"
    reader = TopicReader(broker.host, broker.port, SystemClock())
    contact = MqttContact("door", ContactKind.DOOR, reader, topic, active="open", normal="shut")
    watched = reader.subscribe(f"{topic}/zz")
    came = threading.Event()
    watched.on_message(came.set)
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect(broker.host, broker.port)
    client.loop_start()

    def send(*words: str) -> None:
        """Publish, and wait until the reader has it: a later message of this very call has come."""
        for word in words:
            client.publish(topic, word, qos=1).wait_for_publish(10.0)
        token = uuid.uuid4().hex.encode()
        for _ in range(500):
            came.clear()
            client.publish(f"{topic}/zz", token, qos=1).wait_for_publish(10.0)
            came.wait(0.02)
            if token in watched.take():
                return
        raise AssertionError("the broker passes nothing on")

    send()  # the topics are followed from here on
    rig = Rig(
        contact,
        open=lambda: send("open"),
        shut=lambda: send("shut"),
        press=lambda: send("open", "shut"),
        break_it=lambda: send("a broken wire"),
    )
    rig.ends.callback(client.loop_stop)
    rig.ends.callback(client.disconnect)
    rig.ends.callback(reader.close)
    return rig


def simulated() -> Rig:
    """The twin, in a world whose script does all this, each within its own hundred seconds."""
    scenario = Scenario(
        "shed",
        contacts=(ContactPlan("door"),),
        steps=(
            action(100.0, "open_door"),
            action(200.0, "close_door"),
            action(300.0, "contact_on", contact="door", for_s=5.0),
            action(400.0, "contact_broken", contact="door"),
        ),
    )
    world = SimulatedChamber(scenario)
    clock = ManualClock()

    def go_to(t_s: float) -> None:
        clock.advance(t_s - clock.now_s())
        world.advance(clock.now_s())

    return Rig(
        SimulatedContact("door", "door", world, clock),
        open=lambda: go_to(150.0),
        shut=lambda: go_to(250.0) if clock.now_s() >= 100.0 else go_to(50.0),
        press=lambda: go_to(350.0),
        break_it=lambda: go_to(450.0),
    )


@pytest.fixture(
    params=["gpio, closed is safe", "gpio, closed is alarm", "changeover", "mqtt", "simulated"]
)
def rig(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Rig]:
    match request.param:
        case "gpio, closed is safe":
            built = gpio("safe", monkeypatch)
        case "gpio, closed is alarm":
            built = gpio("alarm", monkeypatch)
        case "changeover":
            built = changeover()
        case "mqtt":
            built = mqtt(request.getfixturevalue("mosquitto"))
        case _:
            built = simulated()
    yield built
    built.contact.close()
    monkeypatch.undo()
    built.ends.close()


def shut_and_seen(rig: Rig, changed: Callable[[], None] = lambda: None) -> None:
    """Bring it to a known state: listening, shut, and looked at."""
    rig.contact.start(changed)
    rig.shut()
    rig.contact.state()


def test_it_says_who_it_is(rig: Rig) -> None:
    assert rig.contact.name == "door"
    about = rig.contact.describe()
    assert about
    assert about.isprintable()


def test_it_is_active_while_open(rig: Rig) -> None:
    shut_and_seen(rig)
    assert rig.contact.state() is False
    rig.open()
    assert [rig.contact.state(), rig.contact.state()] == [True, True]
    rig.shut()
    rig.contact.state()
    assert rig.contact.state() is False


def test_a_change_is_told_without_being_asked_for(rig: Rig) -> None:
    told = threading.Event()
    shut_and_seen(rig, told.set)
    told.clear()
    rig.open()
    assert told.wait(5.0)


def test_a_short_press_counts_once(rig: Rig) -> None:
    shut_and_seen(rig)
    rig.press()
    assert [rig.contact.state(), rig.contact.state()] == [True, False]


def test_a_broken_switch_is_an_error_and_never_looks_shut(rig: Rig) -> None:
    shut_and_seen(rig)
    rig.break_it()
    with pytest.raises(ContactError) as caught:
        rig.contact.state()
    assert caught.value.contact == "door"
    assert caught.value.reason.isprintable()


def test_closing_twice_is_no_harm(rig: Rig) -> None:
    shut_and_seen(rig)
    rig.contact.close()
    rig.contact.close()
