"""Which chips that we know answer on the board's I2C buses, without harm to those that we don't.

An address is first read from, one byte and no word before it, which no chip takes for an order.
Only one that answers is asked for its number, at the addresses that a MCP9600 can have. What
else is made for those (converters, clock and motor chips) takes that for the choice of a
register, and does nothing by it.

Only a board is looked at: on the bus of a PC there are its memory and its fans.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Final, Protocol

from stillair.sensing.bus import KernelI2c

ROOT: Final = Path("/")
ADDRESSES: Final = range(0x60, 0x68)
ID: Final = 0x20
MCP960X: Final = (0x40, 0x41)
HEADER_BUSES: Final = frozenset({1, 3, 4, 5, 6})  # others are of the camera and the screen


class Asked(Protocol):
    """A chip at an address."""

    def read_byte(self) -> int: ...

    def read_register(self, register: int, count: int) -> bytes: ...

    def close(self) -> None: ...


def i2c_buses(root: Path = ROOT) -> tuple[str, ...]:
    """The buses on the header of a board; none on a computer that is no board."""
    if not (root / "proc/device-tree/model").exists():
        return ()
    found = []
    for path in sorted((root / "dev").glob("i2c-*")):
        number = re.fullmatch(r"i2c-(\d{1,3})", path.name)
        if number and int(number[1]) in HEADER_BUSES:
            found.append(f"/dev/{path.name}")
    return tuple(found)


def is_thermocouple_chip(
    device: str, address: int, opened: Callable[[str, int], Asked] = KernelI2c
) -> bool | None:
    """Whether a MCP9600 or MCP9601 is there; None where nobody answers."""
    chip = opened(device, address)
    try:
        chip.read_byte()
        return chip.read_register(ID, 2)[0] in MCP960X
    except OSError:
        return None
    finally:
        chip.close()
