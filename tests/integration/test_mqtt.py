"""Sensors and switches by MQTT, against a real broker that may go and come back."""

from __future__ import annotations

import socket
import threading
import uuid
from collections.abc import Callable, Iterator

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from servers import Broker, free_loopback_port
from stillair.clock import ManualClock, SystemClock
from stillair.errors import ContactError, ReadingFault, SensorError
from stillair.model import ContactKind
from stillair.sensing.topics import MqttContact, MqttSensor, TopicReader, check_topic

PATIENCE_S = 10.0


class Publisher:
    """A device that publishes, each message known to have reached the broker."""

    def __init__(self, broker: Broker) -> None:
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.connect(broker.host, broker.port)
        self._client.loop_start()

    def send(self, topic: str, payload: bytes | str, *, retain: bool = False) -> None:
        self._client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(PATIENCE_S)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def publisher(mosquitto: Broker) -> Iterator[Publisher]:
    publisher = Publisher(mosquitto)
    yield publisher
    publisher.close()


@pytest.fixture
def reader(mosquitto: Broker) -> Iterator[TopicReader]:
    reader = TopicReader(mosquitto.host, mosquitto.port, SystemClock())
    yield reader
    reader.close()


@pytest.fixture
def topic() -> str:
    return f"shed/{uuid.uuid4().hex}"


def until(ask: Callable[[], bool]) -> None:
    """Wait until something is true, or fail."""
    tried = threading.Event()
    for _ in range(round(PATIENCE_S / 0.01)):
        if ask():
            return
        tried.wait(0.01)
    raise AssertionError(f"not true within {PATIENCE_S:.0f} s")


def value_of(sensor: MqttSensor) -> float:
    """The next value that the sensor gives."""
    got: list[float] = []

    def ask() -> bool:
        value = sensor.read()
        if value is not None:
            got.append(value)
        return bool(got)

    until(ask)
    return got[0]


class Marker:
    """Tells when all that was published before has come through one reader."""

    def __init__(self, reader: TopicReader, topic: str) -> None:
        self._topic = f"{topic}/zz"  # asked for after the topic itself
        self._sensor = MqttSensor("marker", reader, self._topic)
        self._count = 0

    def pass_through(self, publisher: Publisher) -> None:
        self._count += 1

        def came() -> bool:
            publisher.send(self._topic, str(self._count))
            return self._sensor.read() == self._count

        until(came)


# --- a sensor --------------------------------------------------------------


def test_numbers_plain_and_in_json(publisher: Publisher, reader: TopicReader, topic: str) -> None:
    plain = MqttSensor("plain", reader, topic)
    nested = MqttSensor("nested", reader, f"{topic}/json", "/air/0/c")
    publisher.send(topic, "45.5", retain=True)
    publisher.send(f"{topic}/json", '{"air": [{"c": 46.25}]}', retain=True)
    assert (value_of(plain), value_of(nested)) == (45.5, 46.25)


def test_one_topic_serves_several_sensors(
    publisher: Publisher, reader: TopicReader, topic: str
) -> None:
    top = MqttSensor("top", reader, topic, "/top")
    publisher.send(topic, '{"top": 50, "low": 40}', retain=True)
    assert value_of(top) == 50.0
    low = MqttSensor("low", reader, topic, "/low")
    publisher.send(topic, '{"top": 51, "low": 41}')
    assert value_of(top) == 51.0
    assert value_of(low) in (40.0, 41.0)


def test_each_message_counts_once_and_the_newest(
    publisher: Publisher, reader: TopicReader, topic: str
) -> None:
    sensor = MqttSensor("top", reader, topic)
    marker = Marker(reader, topic)
    marker.pass_through(publisher)
    for value in ("40", "41", "42"):
        publisher.send(topic, value)
    marker.pass_through(publisher)
    assert [sensor.read(), sensor.read()] == [42.0, None]
    publisher.send(topic, "42")
    assert value_of(sensor) == 42.0, "the same number said again is a new reading"


@pytest.mark.parametrize(
    ("payload", "pointer", "fault", "words"),
    [
        pytest.param(b"warm", "", ReadingFault.UNREADABLE, "'warm' is no number", id="word"),
        pytest.param(b"nan", "", ReadingFault.UNREADABLE, "no number", id="nan"),
        pytest.param(b"true", "", ReadingFault.UNREADABLE, "no number", id="bool"),
        pytest.param(b'{"c": NaN}', "/c", ReadingFault.UNREADABLE, "no JSON", id="NaN in JSON"),
        pytest.param(b"\0\xff" * 100, "", ReadingFault.UNREADABLE, "no UTF-8", id="binary"),
        pytest.param(b"9999", "", ReadingFault.OUT_OF_RANGE, "9999", id="beyond any sensor"),
    ],
)
def test_a_message_of_no_use_is_told_once(
    publisher: Publisher,
    reader: TopicReader,
    topic: str,
    payload: bytes,
    pointer: str,
    fault: ReadingFault,
    words: str,
) -> None:
    sensor = MqttSensor("top", reader, topic, pointer)
    marker = Marker(reader, topic)
    marker.pass_through(publisher)
    publisher.send(topic, payload)
    marker.pass_through(publisher)
    with pytest.raises(SensorError, match=words) as caught:
        sensor.read()
    assert caught.value.fault is fault
    assert sensor.read() is None


def test_a_huge_message_never_reaches_this_machine_and_the_next_one_does(
    publisher: Publisher, reader: TopicReader, topic: str
) -> None:
    sensor = MqttSensor("top", reader, topic)
    marker = Marker(reader, topic)
    marker.pass_through(publisher)
    publisher.send(topic, b"4" * 2_000_000)
    publisher.send(topic, "44")
    assert value_of(sensor) == 44.0


def test_a_message_just_over_the_limit_is_told(
    publisher: Publisher, reader: TopicReader, topic: str
) -> None:
    sensor = MqttSensor("top", reader, topic)
    marker = Marker(reader, topic)
    marker.pass_through(publisher)
    publisher.send(topic, b"4" * (64 * 1024 + 100))
    marker.pass_through(publisher)
    with pytest.raises(SensorError, match="more than the 65536 that are read"):
        sensor.read()


# --- a broker that goes ----------------------------------------------------


def test_an_outage_is_told_after_the_grace_and_ends_with_the_broker_s_return(
    own_broker: Broker, topic: str
) -> None:
    clock = ManualClock()
    reader = TopicReader(own_broker.host, own_broker.port, clock, grace_s=5.0)
    publisher = Publisher(own_broker)
    try:
        sensor = MqttSensor("top", reader, topic)
        marker = Marker(reader, topic)
        publisher.send(topic, "45", retain=True)
        assert value_of(sensor) == 45.0
        marker.pass_through(publisher)
        clock.advance(60.0)
        assert sensor.read() is None, "quiet is no outage"

        publisher.close()
        own_broker.stop()
        until(lambda: reader.lost)
        clock.advance(4.9)
        assert sensor.read() is None
        clock.advance(0.1)
        with pytest.raises(SensorError, match="no connection to the broker") as caught:
            sensor.read()
        assert caught.value.fault is ReadingFault.SILENT
        assert caught.value.retry

        own_broker.start()
        publisher = Publisher(own_broker)
        until(lambda: not reader.lost)
        publisher.send(topic, "46")
        assert value_of(sensor) == 46.0
    finally:
        publisher.close()
        reader.close()


def test_a_retained_message_counts_once_over_a_reconnect(own_broker: Broker, topic: str) -> None:
    reader = TopicReader(own_broker.host, own_broker.port, SystemClock())
    publisher = Publisher(own_broker)
    try:
        sensor = MqttSensor("top", reader, topic)
        marker = Marker(reader, topic)
        publisher.send(topic, "45", retain=True)
        assert value_of(sensor) == 45.0
        for retained, expected in (("45", None), ("47", 47.0)):
            publisher.close()
            own_broker.stop()
            until(lambda: reader.lost)
            own_broker.start()
            publisher = Publisher(own_broker)
            publisher.send(topic, retained, retain=True)
            until(lambda: not reader.lost)
            marker.pass_through(publisher)
            assert sensor.read() == expected
    finally:
        publisher.close()
        reader.close()


def test_nobody_at_the_port_is_told(free_port: int, topic: str) -> None:
    clock = ManualClock()
    reader = TopicReader("127.0.0.1", free_port, clock)
    sensor = MqttSensor("top", reader, topic)
    try:
        assert sensor.read() is None
        until(lambda: "refused" in reader.why)
        clock.advance(5.0)
        with pytest.raises(SensorError, match="connection refused"):
            sensor.read()
    finally:
        reader.close()


class Impostor:
    """A server that gives each connection the same answers, one a question, and may hang up."""

    def __init__(self, *answers: bytes, hang_up: bool) -> None:
        self.asked: list[bytes] = []
        self._answers = answers
        self._hang_up = hang_up
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._open: list[socket.socket] = []
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            self._open.append(connection)
            connection.settimeout(5.0)
            try:
                for answer in self._answers:
                    self.asked.append(connection.recv(1000))
                    connection.sendall(answer)
            except OSError:
                pass
            if self._hang_up:
                connection.close()

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join()
        for connection in self._open:
            connection.close()


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        pytest.param(b"HTTP/1.1 400 Bad Request\r\n\r\n", "", id="a web server"),
        pytest.param(b"\xff" * 500, "", id="noise"),
        pytest.param(b"\x20\x00", "", id="an answer without content"),
        pytest.param(b"\x20\x03\x00\x87\x00", "it refuses: not authorized", id="refusal"),
        pytest.param(
            b"\x30\xff\xff\xff\x7f" + b"x" * 1000, "that is too long", id="a message of 256 MB"
        ),
        pytest.param(b"", "the connection broke", id="nothing"),
    ],
)
def test_a_server_that_is_no_broker_is_told_and_asked_again(
    answer: bytes, words: str, topic: str
) -> None:
    clock = ManualClock()
    impostor = Impostor(answer, hang_up=True)
    reader = TopicReader("127.0.0.1", impostor.port, clock, again_s=0.01)
    sensor = MqttSensor("top", reader, topic)
    try:
        until(lambda: len(impostor.asked) >= 3)
        clock.advance(5.0)
        with pytest.raises(SensorError, match=f"no connection to the broker .*{words}"):
            sensor.read()
    finally:
        reader.close()
        impostor.close()


@pytest.mark.parametrize(
    "answer",
    [
        pytest.param(b"\x20\x02\x00\x01", id="refused by its number"),
        pytest.param(b"", id="hung up"),
    ],
)
def test_a_broker_that_knows_only_version_3_is_asked_in_it(answer: bytes, topic: str) -> None:
    impostor = Impostor(answer, hang_up=True)
    reader = TopicReader("127.0.0.1", impostor.port, SystemClock(), again_s=0.01)
    sensor = MqttSensor("top", reader, topic)
    try:
        until(lambda: len(impostor.asked) >= 2)
    finally:
        sensor.close()
        reader.close()
        impostor.close()
    levels = [asked[asked.index(b"MQTT") + 4] for asked in impostor.asked[:2]]
    assert levels == [5, 4]


def test_a_topic_that_may_not_be_read_is_told(topic: str) -> None:
    # MQTT 5: CONNACK success; SUBACK of request 1, "not authorized"
    impostor = Impostor(b"\x20\x03\0\0\0", b"\x90\x04\0\x01\0\x87", hang_up=False)
    reader = TopicReader("127.0.0.1", impostor.port, SystemClock())
    subscription = reader.subscribe(topic)
    try:
        until(lambda: subscription.outage() != "")
        assert subscription.outage().endswith("refuses the topic: not authorized")
    finally:
        reader.close()
        impostor.close()


def test_close_ends_the_thread_while_a_server_says_nothing(topic: str) -> None:
    impostor = Impostor(b"", hang_up=False)
    reader = TopicReader("127.0.0.1", impostor.port, SystemClock())
    reader.subscribe(topic)
    try:
        until(lambda: len(impostor.asked) == 1)
    finally:
        reader.close()
        reader.close()
        impostor.close()
    # nothing_left_running fails this test if the thread is still there


# --- a switch --------------------------------------------------------------


@pytest.fixture
def door(reader: TopicReader, topic: str) -> MqttContact:
    return MqttContact(
        "door", ContactKind.DOOR, reader, topic, active="open", normal="shut", pointer="/door"
    )


def test_a_switch_follows_its_topic(
    publisher: Publisher, door: MqttContact, reader: TopicReader, topic: str
) -> None:
    changes: list[None] = []
    door.start(lambda: changes.append(None))
    marker = Marker(reader, topic)
    marker.pass_through(publisher)
    assert door.state() is None, "not known yet"
    for word, expected in (("shut", False), ("OPEN", True), ("open", True), ("shut", False)):
        publisher.send(topic, f'{{"door": "{word}"}}')
        marker.pass_through(publisher)
        assert [door.state(), door.state()] == [expected, expected]
    assert len(changes) == 4


def test_a_short_opening_between_two_looks_counts_once(
    publisher: Publisher, door: MqttContact, reader: TopicReader, topic: str
) -> None:
    marker = Marker(reader, topic)
    marker.pass_through(publisher)
    for word in ("shut", "open", "shut"):
        publisher.send(topic, f'{{"door": "{word}"}}')
    marker.pass_through(publisher)
    assert [door.state(), door.state()] == [True, False]


def test_a_third_word_is_a_fault_until_a_known_one_comes(
    publisher: Publisher, door: MqttContact, reader: TopicReader, topic: str
) -> None:
    marker = Marker(reader, topic)
    marker.pass_through(publisher)
    publisher.send(topic, '{"door": "ajar"}')
    marker.pass_through(publisher)
    for _ in range(2):
        with pytest.raises(ContactError, match="'ajar' is neither 'open' nor 'shut'") as caught:
            door.state()
        assert caught.value.retry
    publisher.send(topic, '{"door": "shut"}')
    marker.pass_through(publisher)
    assert door.state() is False


def test_without_a_connection_a_switch_is_a_fault_and_not_shut(free_port: int, topic: str) -> None:
    clock = ManualClock()
    reader = TopicReader("127.0.0.1", free_port, clock)
    door = MqttContact("door", ContactKind.DOOR, reader, topic, active="open")
    try:
        assert door.state() is None
        clock.advance(5.0)
        with pytest.raises(ContactError, match="no connection to the broker"):
            door.state()
    finally:
        reader.close()


@pytest.mark.parametrize(
    ("kind", "is_fault"),
    [
        pytest.param(ContactKind.DETECTOR, True, id="a detector"),
        pytest.param(ContactKind.DOOR, True, id="a door"),
        pytest.param(ContactKind.PRESENCE, False, id="a button that nobody has pressed"),
    ],
)
def test_who_never_said_a_word_is_not_taken_for_well(
    mosquitto: Broker, publisher: Publisher, topic: str, kind: ContactKind, is_fault: bool
) -> None:
    clock = ManualClock()
    reader = TopicReader(mosquitto.host, mosquitto.port, clock)
    contact = MqttContact("it", kind, reader, topic, active="on")
    try:
        marker = Marker(reader, topic)
        marker.pass_through(publisher)
        clock.advance(59.0)
        assert contact.state() is None
        clock.advance(1.0)
        if is_fault:
            with pytest.raises(ContactError, match="nothing has come yet on"):
                contact.state()
        else:
            assert contact.state() is None
        publisher.send(topic, "off")
        marker.pass_through(publisher)
        assert contact.state() is False
    finally:
        reader.close()


# --- settings --------------------------------------------------------------


@pytest.mark.parametrize("name", ["", "a/+/b", "a/#", "a\0b", "x" * 2000])
def test_a_name_that_is_no_single_topic_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match=r"no MQTT topic|a pattern"):
        check_topic(name)


def test_settings_that_make_no_sense_are_refused(reader: TopicReader, topic: str) -> None:
    with pytest.raises(ValueError, match="both off-normal and normal"):
        MqttContact("door", ContactKind.DOOR, reader, topic, active="open", normal="Open ")
    with pytest.raises(ValueError, match="word for off-normal is missing"):
        MqttContact("door", ContactKind.DOOR, reader, topic, active=" ")
    with pytest.raises(ValueError, match="JSON pointer"):
        MqttSensor("top", reader, topic, "no-slash")
    with pytest.raises(ValueError, match="no port"):
        TopicReader("127.0.0.1", 0, SystemClock())


def test_a_broker_that_was_never_reached_is_logged_once(caplog: pytest.LogCaptureFixture) -> None:
    port = free_loopback_port()
    reader = TopicReader("127.0.0.1", port, SystemClock(), again_s=0.01)
    with caplog.at_level("WARNING"):
        messages = reader.subscribe("shed/job", kept=False)
        until(lambda: "not reached: connection refused" in caplog.text)
        until(lambda: "refused" in reader.why)
    reader.close()
    assert caplog.text.count("not reached") == 1 and not messages.is_open


def test_a_topic_is_open_once_the_broker_has_granted_it(
    reader: TopicReader, publisher: Publisher, topic: str
) -> None:
    messages = reader.subscribe(topic, kept=False)
    until(lambda: messages.is_open)
    publisher.send(topic, "height 3")
    until(lambda: bool(messages.take()))
    assert not messages.refused
