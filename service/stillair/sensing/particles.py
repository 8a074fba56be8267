"""A laser counter of fine particles on a serial port, as many makers build it.

It sends by itself, about once a second, at 9600 baud, a frame of 32 bytes:

    0x42 0x4D      two start bytes
    0x00 0x1C      how many bytes follow: 28
    3 words        PM1.0, PM2.5, PM10 as calibrated in the works, ug/m3
    3 words        the same as in ordinary air, ug/m3; the second is used here
    6 words        particles above 0.3, 0.5, 1, 2.5, 5 and 10 um in a tenth of a litre
    1 word         version and error, or nothing
    1 word         the sum of the 30 bytes before

A word is 16 bits, the high byte first. There is no telling where a frame begins
but by trying: what looks like a start and has a wrong length or sum is given up
by one byte, so that a true frame behind it is found. Only bytes are read; the
sensor is never spoken to, so that three wires are enough.

Air without one particle above 0.3 um there is only in clean rooms: a sensor that
counts nothing at all for ten minutes has lost its fan, its laser or its inlet, and
that is told as a fault, because it would look like the cleanest air.
"""

from __future__ import annotations

import errno
import struct
from typing import Final

from stillair.clock import Clock
from stillair.errors import ReadingFault, SensorError
from stillair.sensing.bus import SerialPort

START: Final = b"\x42\x4d"
FRAME_BYTES: Final = 32
LENGTH: Final = FRAME_BYTES - 4
PM2_5: Final = 4  # which of the words
WAIT_S: Final = 4.0  # the slowest send every 2.3 s (data sheets)
NOTHING_S: Final = 600.0
WORDS: Final = struct.Struct(">13H")


class FrameCutter:
    """Cut the bytes of a port into the words of true frames; keeps at most half a frame."""

    def __init__(self) -> None:
        self._kept = b""
        self.spoilt = 0  # frames whose sum was wrong, since the last true one

    def cut(self, came: bytes) -> list[tuple[int, ...]]:
        """The thirteen words of each frame that is complete by now, oldest first."""
        data, frames, at = self._kept + came, [], 0
        while (at := data.find(START, at)) >= 0 and len(data) - at >= FRAME_BYTES:
            frame = data[at : at + FRAME_BYTES]
            if int.from_bytes(frame[2:4]) != LENGTH:
                at += 1
            elif sum(frame[:-2]) & 0xFFFF != int.from_bytes(frame[-2:]):
                self.spoilt += 1
                at += 1
            else:
                self.spoilt = 0
                frames.append(WORDS.unpack(frame[4:-2]))
                at += FRAME_BYTES
        # Behind what was looked at there may be the beginning of a frame, or its first byte.
        self._kept = data[at:] if at >= 0 else data[-1:] if data.endswith(START[:1]) else b""
        return frames


class SerialParticles:
    """The particles in the air, by a laser counter that sends frames of 32 bytes.

    `clock` says how long nothing at all has been counted.
    """

    blocking = True

    def __init__(
        self, name: str, port: SerialPort, clock: Clock, *, wait_s: float = WAIT_S
    ) -> None:
        self.name = name
        self._port = port
        self._clock = clock
        self._wait_s = wait_s
        self._cutter = FrameCutter()
        self._counted_s: float | None = None  # when a particle was last counted

    def read(self) -> float:
        """Wait for the newest frame; its PM2.5, micrograms a cubic metre. Raises `SensorError`."""
        until_s = self._clock.now_s() + self._wait_s
        came_any = False
        while (left_s := until_s - self._clock.now_s()) > 0.0:
            try:
                came = self._port.read(left_s)
            except OSError as error:
                self._cutter = FrameCutter()
                raise self._told(error) from error
            came_any = came_any or bool(came)
            if frames := self._cutter.cut(came):
                return self._value(frames[-1])
        where = self._port.where
        if not came_any:
            raise self._fault(f"nothing comes from {where}", ReadingFault.SILENT)
        if self._cutter.spoilt:
            raise self._fault(f"{where} sends frames with wrong sums", ReadingFault.BAD_CHECKSUM)
        raise self._fault(f"what {where} sends is no particle sensor's", ReadingFault.UNREADABLE)

    def describe(self) -> str:
        return f"particle sensor at {self._port.where}"

    def close(self) -> None:
        self._port.close()

    def _value(self, words: tuple[int, ...]) -> float:
        now_s = self._clock.now_s()
        if any(words[:-1]) or self._counted_s is None:
            self._counted_s = now_s
        elif now_s - self._counted_s >= NOTHING_S:
            raise self._fault(
                "it counts nothing at all: see whether its fan turns and its inlet is free",
                ReadingFault.OUT_OF_RANGE,
            )
        return float(words[PM2_5])

    def _told(self, error: OSError) -> SensorError:
        where = self._port.where
        match error.errno:
            case errno.ENOENT | errno.ENXIO | errno.ENODEV | errno.EIO:
                return self._fault(
                    f"{where} is gone; see that it is plugged in", ReadingFault.VANISHED
                )
            case errno.EACCES | errno.EPERM:
                reason = f"{where} may not be read; run Stillair as a user in the group dialout"
            case errno.EBUSY:
                reason = f"{where} is in use by another program"
            case errno.ENOTTY | errno.EISDIR:
                reason = f"{where} is no serial port"
            case _:
                reason = f"{where} can't be read: {(error.strerror or str(error)).lower()}"
        return self._fault(reason, ReadingFault.UNREADABLE)

    def _fault(self, reason: str, fault: ReadingFault) -> SensorError:
        return SensorError(self.name, reason, fault=fault)
