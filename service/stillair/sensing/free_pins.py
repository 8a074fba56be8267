"""Which of the board's pins are free, as the kernel tells it, and what a free one reads.

`board_pins` asks about lines and takes none. A pin counts as used where the kernel says that
somebody holds it, where it was left as an output (whatever hangs there may be switched by it),
and where a bus of the board is switched on that runs over it: the kernel doesn't hold those
for the bus, and who opens one takes it from the bus.

`FreePin` is an input and stays one. Like every switch's pin it is pulled up by the board's own
resistor, some 50 kilo-ohm, without which a switch to ground can't be seen.

References
----------
Linux kernel, include/uapi/linux/gpio.h: GPIO_GET_CHIPINFO_IOCTL, GPIO_V2_GET_LINEINFO_IOCTL.
"""

from __future__ import annotations

import fcntl
import os
import re
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

if TYPE_CHECKING:
    from periphery import CdevGPIO

ROOT: Final = Path("/")
HEADER: Final = range(2, 28)  # the GPIO numbers of a 40-pin header
CHIP_INFO: Final = 0x8044B401  # _IOR(0xB4, 0x01, 68 bytes)
LINE_INFO: Final = 0xC100B405  # _IOWR(0xB4, 0x05, 256 bytes)
_CHIP: Final = struct.Struct("=32s32sI")
_LINE: Final = struct.Struct("=32s32sIIQ176x")
_USED, _OUTPUT = 1 << 0, 1 << 3  # GPIO_V2_LINE_FLAG_USED, _OUTPUT
MOST_LINES: Final = 512  # of one chip
# What runs over which pins of the header, and the file that is there once it is switched on.
BUSES: Final = (
    ("the I2C bus", (2, 3), "dev/i2c-1"),
    ("the SPI bus", (7, 8, 9, 10, 11), "dev/spidev0.*"),
    ("the serial port", (14, 15), "dev/serial0"),
    ("sound over I2S", (18, 19, 20, 21), "proc/device-tree/soc*/i2s@*/status"),
)
NO_PINS = (
    "this computer has no GPIO pins that its kernel names GPIO2 and so on: run Stillair on a"
    " board that has, or choose a switch that tells by MQTT"
)
NO_RIGHT = "this user may not use the pins: run Stillair as a user in the group gpio"


@dataclass(frozen=True, slots=True)
class BoardPin:
    """A pin of the header: by whom it is used; "" for a free one."""

    number: int
    used_by: str


class WatchedPin(Protocol):
    """A pin that is looked at."""

    def is_closed(self) -> bool:
        """Whether it is connected to ground. Raises `OSError`."""
        ...

    def close(self) -> None: ...


def board_pins(root: Path = ROOT) -> tuple[BoardPin, ...]:
    """Every pin of the header. Raises `OSError` with a remedy where there are none to be had."""
    found: dict[int, BoardPin] = {}
    refused = False
    for chip in sorted((root / "dev").glob("gpiochip*")):
        try:
            lines = _lines(chip)
        except PermissionError:
            refused = True
            continue
        except OSError:
            continue
        for name, user, flags in lines:
            number = _number(name)
            if number is not None:  # of two chips the first counts, as for who opens one
                found.setdefault(number, BoardPin(number, _used_by(user, flags)))
    if not found:
        raise OSError(NO_RIGHT if refused else NO_PINS)
    buses = {n: bus for bus, pins, sign in BUSES if _is_on(root, sign) for n in pins}
    return tuple(BoardPin(n, pin.used_by or buses.get(n, "")) for n, pin in sorted(found.items()))


class FreePin:
    """A free pin as an input that is pulled up. Raises `OSError` where it can't be had."""

    def __init__(self, number: int, opened: Callable[[str], CdevGPIO] | None = None) -> None:
        # 3 MB that a board needs at whose pins nothing hangs only while somebody looks.
        from gpiozero import PinInvalidPin

        from stillair.sensing.pins import open_line

        try:
            self._line = (opened or open_line)(f"GPIO{number}")
        except PinInvalidPin as error:
            raise OSError(str(error)) from None
        try:
            self._line.bias = "pull_up"
        except NotImplementedError:  # a kernel before 5.10
            self._line.close()
            raise OSError("the kernel is too old to pull a pin up") from None
        except OSError:
            self._line.close()
            raise

    def is_closed(self) -> bool:
        return not self._line.read()

    def close(self) -> None:
        self._line.close()


# --- the kernel's word ---------------------------------------------------------


def _lines(chip: Path) -> list[tuple[str, str, int]]:
    """Name, user and flags of each line of a chip. Raises `OSError`."""
    file = os.open(chip, os.O_RDONLY | os.O_CLOEXEC)
    try:
        told = bytearray(_CHIP.size)
        fcntl.ioctl(file, CHIP_INFO, told)
        count = min(_CHIP.unpack(told)[2], MOST_LINES)
        return [_line(file, offset) for offset in range(count)]
    finally:
        os.close(file)


def _line(file: int, offset: int) -> tuple[str, str, int]:
    asked = bytearray(_LINE.pack(b"", b"", offset, 0, 0))
    fcntl.ioctl(file, LINE_INFO, asked)
    name, user, _, _, flags = _LINE.unpack(asked)
    return _text(name), _text(user), flags


def _text(told: bytes) -> str:
    return told.split(b"\0")[0].decode("ascii", "replace")


def _number(name: str) -> int | None:
    found = re.fullmatch(r"GPIO(\d{1,2})", name)
    return int(found[1]) if found and int(found[1]) in HEADER else None


def _used_by(user: str, flags: int) -> str:
    if flags & _USED:
        return user or "another program"
    return "whoever left it as an output" if flags & _OUTPUT else ""


def _is_on(root: Path, sign: str) -> bool:
    files = list(root.glob(sign))
    if not sign.endswith("status"):
        return bool(files)
    try:
        return any(file.read_bytes().startswith(b"ok") for file in files)
    except OSError:
        return True  # rather one pin too few
