"""Brokers and cameras that send anything at all: values, or the product's own errors."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillair.clock import SystemClock
from stillair.errors import CameraError, SensorError
from stillair.sensing.camera_http import HttpCamera
from stillair.sensing.cameras import TIMEOUT_S
from stillair.sensing.protocols import Camera, Frame
from stillair.sensing.topics import MqttSensor, TopicReader

ENOUGH_S = 20.0
TRIES = settings(max_examples=40, deadline=None)


class Peer:
    """A server that reads a question and answers with the bytes it was told, then hangs up."""

    def __init__(self) -> None:
        self.answers: list[bytes] = []
        self.served = threading.Semaphore(0)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            with connection, suppress(OSError):
                connection.settimeout(ENOUGH_S)
                for answer in self.answers:
                    connection.recv(10_000)
                    connection.sendall(answer)
            self.served.release()

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join()


@pytest.fixture(scope="module")
def peer() -> Iterator[Peer]:
    running = Peer()
    yield running
    running.close()


# --- a camera -------------------------------------------------------------------

JPEG = b"\xff\xd8\xff\xdb\0\3\0\xff\xc0\0\x0b\x08\0\1\0\1\1\1\x11\0\xff\xda\0\3\0abc\xff\xd9"
WORDS = st.sampled_from(
    [
        *(
            b"HTTP/1.1 200 OK\r\n",
            b"HTTP/1.1 302 Found\r\n",
            b"HTTP/9 xx\r\n",
            b"\r\n",
            b"\n",
            b"--",
        ),
        *(b"Content-Type: multipart/x-mixed-replace; boundary=", b"Content-Type: image/jpeg\r\n"),
        *(
            b"Transfer-Encoding: chunked\r\n",
            b"Content-Length: ",
            b"-1\r\n",
            b"9" * 4400,
            b"ffff\r\n",
        ),
        *(b"Location: //[\r\n", b"Location: /\r\n", b"Location: http://127.0.0.1:99999/\r\n"),
        *(b"X: " + b"y" * 70_000 + b"\r\n", b"A: b\r\n" * 150, JPEG, JPEG[:11], b'boundary="\r\n'),
    ]
)
SAID = st.lists(WORDS | st.binary(max_size=30), max_size=12).map(b"".join)


class NoOtherStream:
    """The camera to which a stream is left that is no motion JPEG; here none."""

    source = "other"

    def open(self) -> None:
        raise CameraError(self.source, "not in this test", retry=True)

    def grab(self) -> Frame:
        raise CameraError(self.source, "not in this test", retry=True)

    def describe(self) -> str:
        return "no stream"

    def close(self) -> None:
        pass


def other() -> Camera:
    return NoOtherStream()


@TRIES
@given(st.sampled_from([b"", b"HTTP/1.1 200 OK\r\nContent-Type: image/jpeg\r\n\r\n"]), SAID)
def test_whatever_a_camera_sends_is_a_picture_or_its_own_error(
    peer: Peer, begun: bytes, said: bytes
) -> None:
    peer.answers = [begun + said]
    camera = HttpCamera(
        f"http://127.0.0.1:{peer.port}/",
        SystemClock(),
        frames_per_s=10,
        other_stream=other,
        timeout_s=TIMEOUT_S,
    )
    try:
        camera.open()
        for _ in range(5):
            frame = camera.grab()
            assert frame.jpeg is not None and frame.jpeg.startswith(b"\xff\xd8")
    except CameraError as error:
        assert error.reason.isprintable()
        assert len(error.reason) < 300
    finally:
        camera.close()


# --- a broker ---------------------------------------------------------------------

WELCOME = {5: b"\x20\x03\0\0\0", 4: b"\x20\x02\0\0"}  # CONNACK of MQTT 5 and 3.1.1


def message(topic: bytes, payload: bytes, first: int = 0x30, properties: bytes = b"\0") -> bytes:
    body = len(topic).to_bytes(2) + topic + properties + payload
    length, coded = len(body), b""
    while length >= 128:
        coded += bytes([length % 128 | 128])
        length //= 128
    return bytes([first]) + coded + bytes([length]) + body


PACKETS = st.one_of(
    st.binary(max_size=40),
    st.builds(
        message,
        st.sampled_from([b"shed/top", b"shed/\xff", b"", b"shed/\0"]),
        st.binary(max_size=60) | st.sampled_from([b"45.5", b"1e999", b"[" * 3000, b"9" * 5000]),
        st.sampled_from([0x30, 0x31, 0x32, 0x34, 0x36, 0x3D, 0x90, 0xD0, 0xE0, 0xF0]),
        st.sampled_from([b"\0", b"", b"\xff\xff\xff\x7f", b"\5\x26\0\1a\0"]),
    ),
)


@TRIES
@given(st.sampled_from([4, 5]), st.lists(PACKETS, max_size=6))
def test_whatever_a_broker_sends_is_a_reading_or_its_own_error(
    peer: Peer, version: int, packets: list[bytes]
) -> None:
    peer.answers = [WELCOME[version], b"".join(packets)]
    while peer.served.acquire(blocking=False):
        pass
    reader = TopicReader("127.0.0.1", peer.port, SystemClock(), grace_s=0.0, again_s=0.01)
    sensor = MqttSensor("top", reader, "shed/top")
    try:
        assert peer.served.acquire(timeout=ENOUGH_S)
        assert peer.served.acquire(timeout=ENOUGH_S), "it is asked again"
        for _ in range(3):
            with suppress(SensorError):
                value = sensor.read()
                assert value is None or -200.0 <= value <= 1800.0
        assert reader._thread is not None and reader._thread.is_alive()
    finally:
        sensor.close()
        reader.close()
