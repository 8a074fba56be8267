"""What a sensor, a contact and a camera are to the rest of Stillair.

Real drivers and simulated twins satisfy these by shape. A driver maps every
error of the library below it to `SensorError`, `ContactError` or
`CameraError`, whose message is one plain clause saying what is wrong.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class Sensor(Protocol):
    """One temperature sensing point.

    `blocking` tells the supervisor that `read` may take long and needs a
    thread of its own; the others are read in the supervisor's own loop.
    """

    name: str
    blocking: bool

    def read(self) -> float | None:
        """The raw indication in degrees Celsius, without correction.

        None: nothing new since the last call (a topic without a message, an
        empty field of a recording). Raises `SensorError`.
        """
        ...

    def describe(self) -> str:
        """One clause for a person: driver, address, what it answers to."""
        ...

    def close(self) -> None:
        """Free the bus; safe to call twice."""
        ...


class ParticleSensor(Protocol):
    """One counter of fine particles; `blocking` as for a `Sensor`."""

    name: str
    blocking: bool

    def read(self) -> float | None:
        """Particles up to 2.5 micrometres, in micrograms a cubic metre; None: nothing new.

        Raises `SensorError`.
        """
        ...

    def describe(self) -> str: ...

    def close(self) -> None: ...


class Contact(Protocol):
    """One switch input; `True` is off-normal (door open, detector tripped, button pressed)."""

    name: str

    def start(self, changed: Callable[[], None]) -> None:
        """Begin to listen; `changed` is called from any thread when the state may be new."""
        ...

    def state(self) -> bool | None:
        """Whether it is off-normal; a short press since the last call counts.

        None: not known yet. Never blocks. Raises `ContactError`.
        """
        ...

    def describe(self) -> str: ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Frame:
    """One camera picture at one time, as the source gave it.

    `jpeg` holds the bytes of a motion-JPEG source, undecoded; `pixels` is
    `(height, width, 3) uint8, BGR` from a source that decodes. One of them
    is always there. `is_settling`: the camera still looks for the exposure,
    white balance and focus that it will hold; the picture is as good as it is.
    """

    t_s: float
    number: int
    jpeg: bytes | None = None
    pixels: NDArray[np.uint8] | None = None
    is_settling: bool = False


class Camera(Protocol):
    """A source of frames. `grab` drains: it gives the newest frame, never an old one."""

    source: str

    def open(self) -> None:
        """Connect. Raises `CameraError` within its timeout (5 s)."""
        ...

    def grab(self) -> Frame:
        """Wait for the next frame, at most the timeout. Raises `CameraError`."""
        ...

    def describe(self) -> str: ...

    def close(self) -> None:
        """Free it; safe to call twice, and under another thread's `grab`, which then ends.

        Not under `open`: what that opens stays open.
        """
        ...
