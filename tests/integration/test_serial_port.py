"""A particle sensor on a port of the kernel's: real bytes through a real terminal device."""

from __future__ import annotations

import os
import termios
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from chips import SerialLine, particle_frame
from stillair.clock import SystemClock
from stillair.errors import SensorError
from stillair.model import Particles
from stillair.sensing.bus import KernelSerial
from stillair.sensing.particles import SerialParticles
from stillair.sensing.reader import ParticleReader

GOOD = particle_frame(321)
WAIT_S = 10.0


@pytest.fixture
def line(tmp_path: Path) -> Iterator[SerialLine]:
    made = SerialLine(tmp_path)
    yield made
    made.unplug()


def test_the_thread_tells_values_a_silence_and_an_unplugging_and_comes_back(
    line: SerialLine,
) -> None:
    told: list[Particles] = []
    came = threading.Condition()

    def take(value: Particles) -> None:
        with came:
            told.append(value)
            came.notify_all()

    def wait_for(value: float | None, reason: str = "") -> None:
        with came:
            assert came.wait_for(
                lambda: any(
                    t.pm2_5_ug_per_m3 == value and t.reason.startswith(reason) for t in told
                ),
                WAIT_S,
            ), told
            told.clear()

    port = KernelSerial(str(line.path))
    reader = ParticleReader(
        SerialParticles("exhaust", port, SystemClock(), wait_s=0.2),
        take,
        SystemClock(),
        period_s=0.05,
    )
    reader.start()
    try:
        wait_for(None, "nothing comes from")
        line.send(b"\x00\xffgarbage\x42\x4d" + particle_frame(9, off=1) + particle_frame(77))
        wait_for(77.0)
        line.send(GOOD[:20])
        line.send(GOOD[20:])
        wait_for(321.0)
        line.send(particle_frame(9, off=1))
        wait_for(None, f"{line.path} sends frames with wrong sums")
        line.unplug()
        wait_for(None, f"{line.path} is gone")
        line.plug_in()
        wait_for(None, "nothing comes from")
        line.send(GOOD)
        wait_for(321.0)
    finally:
        reader.stop()


def test_a_port_is_set_to_nine_thousand_six_hundred_baud_raw(line: SerialLine) -> None:
    port = KernelSerial(str(line.path))
    assert port.read(0.0) == b""
    file = os.open(line.path, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        settings = termios.tcgetattr(file)
    finally:
        os.close(file)
    assert settings[4:6] == [termios.B9600, termios.B9600]
    assert not settings[3] & (termios.ICANON | termios.ECHO)
    # The bytes that a terminal would take for its own come through.
    line.send(bytes(range(256)))
    assert port.read(WAIT_S) == bytes(range(256))
    port.close()
    port.close()


def test_what_is_no_serial_port_is_told_and_not_kept_open(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.touch()
    sensor = SerialParticles("exhaust", KernelSerial(str(plain)), SystemClock())
    for _ in range(2):
        with pytest.raises(SensorError, match="is no serial port"):
            sensor.read()
    held = [link.readlink() for link in Path("/proc/self/fd").iterdir() if link.is_symlink()]
    assert plain not in held
