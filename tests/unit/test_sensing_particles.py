"""Frames of a particle sensor: found in any stream of bytes, and believed with care."""

from __future__ import annotations

import errno

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chips import particle_frame
from stillair.clock import ManualClock
from stillair.errors import ReadingFault, SensorError
from stillair.model import Particles
from stillair.sensing.particles import NOTHING_S, PM2_5, FrameCutter, SerialParticles
from stillair.sensing.reader import read_particles

GOOD = particle_frame(321)


def cut(*pieces: bytes) -> list[int]:
    cutter = FrameCutter()
    return [words[PM2_5] for piece in pieces for words in cutter.cut(piece)]


@pytest.mark.parametrize(
    ("pieces", "found"),
    [
        pytest.param([GOOD], [321], id="one frame"),
        pytest.param([GOOD + particle_frame(7)], [321, 7], id="two at once"),
        pytest.param([GOOD[:11], GOOD[11:]], [321], id="in halves"),
        pytest.param([GOOD[:1], GOOD[1:2], GOOD[2:]], [321], id="parted within its start"),
        pytest.param([b"garbage" + GOOD], [321], id="behind garbage"),
        pytest.param([b"\x42" + GOOD], [321], id="behind half a start"),
        pytest.param([b"\x42\x4d" + GOOD], [321], id="behind a false start"),
        pytest.param([GOOD[20:] + GOOD], [321], id="joined in the middle of a frame"),
        pytest.param([GOOD[:25] + GOOD], [321], id="one broken off, then a whole one"),
        pytest.param([particle_frame(9, off=1) + GOOD], [321], id="one with a wrong sum before"),
        pytest.param([particle_frame(9, length=20) + GOOD], [321], id="another kind of frame"),
        pytest.param([particle_frame(9, off=1)], [], id="a wrong sum"),
        pytest.param([b"\x42\x4d\x00\x1c" + bytes(28)], [], id="zeros"),
        pytest.param([GOOD[:-1]], [], id="all but one byte"),
        pytest.param([particle_frame(0x424D) * 2], [0x424D] * 2, id="a start within a frame"),
        pytest.param([b""], [], id="nothing"),
    ],
)
def test_frames_are_found(pieces: list[bytes], found: list[int]) -> None:
    assert cut(*pieces) == found


@given(st.lists(st.binary(max_size=200), max_size=20), st.integers(0, 5000))
def test_after_any_garbage_a_frame_is_found_and_little_is_kept(
    garbage: list[bytes], value: int
) -> None:
    cutter = FrameCutter()
    for piece in garbage:
        cutter.cut(piece)
        assert len(cutter._kept) < 32
    # A false start within the garbage may swallow what follows, but no more than one frame.
    frames = cutter.cut(particle_frame(value) * 2)
    assert frames
    assert frames[-1][PM2_5] == value


@given(st.integers(0, 40000), st.integers(1, 0xFFFF), st.data())
def test_a_spoilt_byte_is_never_believed(value: int, counts: int, data: st.DataObject) -> None:
    frame = bytearray(particle_frame(value, counts=counts))
    at = data.draw(st.integers(0, 31))
    frame[at] ^= data.draw(st.integers(1, 255))
    assert FrameCutter().cut(bytes(frame)) == []


class ScriptedPort:
    """Gives the next piece at each read; without any the time passes."""

    where = "/dev/ttyUSB0"

    def __init__(self, clock: ManualClock, *pieces: bytes | OSError) -> None:
        self._clock = clock
        self.pieces = list(pieces)
        self.closed = 0

    def read(self, within_s: float) -> bytes:
        if not self.pieces:
            self._clock.advance(within_s)
            return b""
        self._clock.advance(0.1)
        piece = self.pieces.pop(0)
        if isinstance(piece, OSError):
            raise piece
        return piece

    def close(self) -> None:
        self.closed += 1


def sensor_on(*pieces: bytes | OSError) -> tuple[SerialParticles, ScriptedPort, ManualClock]:
    clock = ManualClock()
    port = ScriptedPort(clock, *pieces)
    return SerialParticles("exhaust", port, clock), port, clock


def test_the_newest_of_several_frames_counts() -> None:
    sensor, _, _ = sensor_on(particle_frame(9) + particle_frame(88))
    assert sensor.read() == 88.0


def test_a_frame_may_come_in_pieces() -> None:
    sensor, _, clock = sensor_on(b"??" + GOOD[:9], GOOD[9:])
    assert sensor.read() == 321.0
    assert clock.now_s() == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("pieces", "fault", "says"),
    [
        pytest.param([], ReadingFault.SILENT, "nothing comes from /dev/ttyUSB0", id="silent"),
        pytest.param(
            [b"AT+OK\r\n" * 20],
            ReadingFault.UNREADABLE,
            "what /dev/ttyUSB0 sends is no particle sensor's",
            id="another device",
        ),
        pytest.param(
            [particle_frame(9, off=1)] * 3,
            ReadingFault.BAD_CHECKSUM,
            "/dev/ttyUSB0 sends frames with wrong sums",
            id="a bad line",
        ),
        pytest.param(
            [OSError(errno.ENOENT, "No such file")],
            ReadingFault.VANISHED,
            "/dev/ttyUSB0 is gone; see that it is plugged in",
            id="unplugged",
        ),
        pytest.param(
            [OSError(errno.EACCES, "Permission denied")],
            ReadingFault.UNREADABLE,
            "/dev/ttyUSB0 may not be read; run Stillair as a user in the group dialout",
            id="not allowed",
        ),
        pytest.param(
            [OSError(errno.EBUSY, "Busy")],
            ReadingFault.UNREADABLE,
            "/dev/ttyUSB0 is in use by another program",
            id="held by another",
        ),
        pytest.param(
            [OSError(errno.ENOMEM, "Cannot allocate memory")],
            ReadingFault.UNREADABLE,
            "/dev/ttyUSB0 can't be read: cannot allocate memory",
            id="another error",
        ),
    ],
)
def test_faults_are_told(pieces: list[bytes | OSError], fault: ReadingFault, says: str) -> None:
    sensor, _, clock = sensor_on(*pieces)
    with pytest.raises(SensorError) as caught:
        sensor.read()
    assert (caught.value.fault, caught.value.reason) == (fault, says)
    assert caught.value.retry
    assert clock.now_s() <= 4.2  # before the reader would say that it hangs


def test_one_wrong_sum_among_good_frames_is_passed_over() -> None:
    sensor, _, _ = sensor_on(particle_frame(9, off=1), GOOD)
    assert sensor.read() == 321.0


def test_half_a_frame_from_before_an_unplugging_is_not_joined_to_what_comes_after() -> None:
    sensor, port, _ = sensor_on(GOOD[:20], OSError(errno.EIO, "gone"))
    with pytest.raises(SensorError):
        sensor.read()
    port.pieces = [GOOD[20:]]
    with pytest.raises(SensorError, match="no particle sensor"):
        sensor.read()


def test_a_sensor_that_counts_nothing_at_all_has_failed() -> None:
    blind = particle_frame(0, counts=0)
    sensor, port, clock = sensor_on(blind)
    assert sensor.read() == 0.0
    clock.advance(NOTHING_S)
    port.pieces = [blind]
    with pytest.raises(SensorError, match="counts nothing at all"):
        sensor.read()
    port.pieces = [particle_frame(0, counts=40), blind]  # the cleanest room has some
    assert [sensor.read(), sensor.read()] == [0.0, 0.0]


class Fixed:
    name = "exhaust"
    blocking = True

    def __init__(self, value: float | Exception | None) -> None:
        self.value = value

    def read(self) -> float | None:
        if isinstance(self.value, Exception):
            raise self.value
        return self.value

    def describe(self) -> str:
        return "a number"

    def close(self) -> None:
        pass


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        pytest.param(12.0, Particles("exhaust", 7.0, 12.0), id="a value"),
        pytest.param(None, None, id="nothing new"),
        pytest.param(
            SensorError("exhaust", "gone"), Particles("exhaust", 7.0, None, "gone"), id="a fault"
        ),
        pytest.param(
            ZeroDivisionError(),
            Particles("exhaust", 7.0, None, "the driver failed; see the log"),
            id="an error that was not mapped",
        ),
        pytest.param(
            float("nan"),
            Particles("exhaust", 7.0, None, "the driver gave no finite number"),
            id="not a number",
        ),
        pytest.param(
            65535.0,
            Particles(
                "exhaust",
                7.0,
                None,
                "65535 micrograms a cubic metre is beyond what it can measure",
            ),
            id="more than can be",
        ),
    ],
)
def test_one_read(value: float | Exception | None, expected: Particles | None) -> None:
    assert read_particles(Fixed(value), 7.0) == expected
