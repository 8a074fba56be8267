"""Which devices, programs and files a page may name in a chamber file: what is not said here, none.

Who may open a page is not yet who may run programs on the board, or open any device of it.
"""

from __future__ import annotations

import re
from typing import Any

from pydantic import Field

BUS = r"/dev/(spidev[0-9]+\.[0-9]+|i2c-[0-9]+)"
SERIAL = r"/dev/(serial[0-9]|tty(USB|ACM|AMA|S)[0-9]+|serial/by-id/[A-Za-z0-9_.+:@-]+)"
CAMERA = re.compile(r"/dev/(video\d+|v4l/by-(id|path)/[\w.+:@#=-]+)")


def no_program(source: str) -> str:
    """A source without a program in it, and of devices a camera alone. Raises `ValueError`."""
    if source.strip().startswith("command:"):
        raise ValueError("a program is named in the chamber file by hand, not from a page")
    if "/" in source and "://" not in source and not source.startswith("/dev/"):
        raise ValueError("has to be a device under /dev or an http, https or rtsp address")
    # Opening some devices does something: one resets the machine, another the board.
    if source.startswith("/dev/") and not CAMERA.fullmatch(source):
        raise ValueError(
            "has to be a video device, as in /dev/video0 or one of /dev/v4l/by-id;"
            " another name is given in the chamber file by hand"
        )
    return source


def no_file(route: str) -> str:
    """A route that names no file. Raises `ValueError`."""
    if route.strip().lower().startswith("file:"):
        raise ValueError("a file that holds an address is named in the chamber file by hand")
    return route


def bus(device: str) -> str:
    """A bus. Raises `ValueError`."""
    if not re.fullmatch(BUS, device):
        raise ValueError("has to be a bus, as in /dev/spidev0.0 or /dev/i2c-1")
    return device


def serial_port(port: str) -> str:
    """A serial port. Raises `ValueError`."""
    if not re.fullmatch(SERIAL, port):
        raise ValueError("has to be a serial port, as in /dev/serial0 or one of /dev/serial/by-id")
    return port


def told_as(pattern: str) -> Any:
    """What programs may know beforehand; what people are told is said above in words."""
    return Field(json_schema_extra={"pattern": f"^{pattern}$"})
