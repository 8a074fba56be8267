"""Switches on the board's pins, through gpiozero.

A switch connects its pin to ground, and the board's own resistor pulls the
pin up: closed is low. For a door or a detector choose a switch that is closed
while all is well (`closed_means="safe"`), so that a cut wire or a pulled plug
tells, and doesn't look like safety.
"""

from __future__ import annotations

import logging
import warnings
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final, Literal

from stillair.errors import ContactError
from stillair.model import ContactKind

if TYPE_CHECKING:
    from gpiozero.pins import Factory

logger = logging.getLogger(__name__)

BOUNCE_S: Final = 0.02  # of plain switches; much less than a person's shortest press
_REMEDY: Final = "run on a board with GPIO pins, as a user in the group gpio"

ClosedMeans = Literal["safe", "alarm"]


class GpioContact:
    """A switch between a pin (its GPIO number) and ground.

    Parameters
    ----------
    closed_means : "safe" when the closed switch is the normal state, "alarm"
        when it is the off-normal one (a push-button).
    bounce_s : after its first edge a pin is left so long to come to rest.
    factory : gpiozero's way to the pins; None: its own choice at `start`.
    """

    def __init__(
        self,
        name: str,
        kind: ContactKind,
        pin: int,
        *,
        closed_means: ClosedMeans = "safe",
        bounce_s: float = BOUNCE_S,
        factory: Factory | None = None,
    ) -> None:
        if closed_means not in ("safe", "alarm"):
            raise ValueError(f"closed_means is safe or alarm, not {closed_means!r}")
        if pin < 0:
            raise ValueError(f"{pin} is no GPIO number")
        self.name = name
        self.kind = kind
        self._pin = pin
        self._closed_is_active = closed_means == "alarm"
        self._bounce_s = bounce_s
        self._factory = factory
        self._device: Any = None
        self._error: ContactError | None = None
        self._changed: Callable[[], None] | None = None
        self._presses = 0  # counted by gpiozero's thread alone
        self._presses_told = 0  # by who asks for the state

    def start(self, changed: Callable[[], None]) -> None:
        """Take the pin and listen. A pin that can't be had is told by `state`, again and again."""
        self._changed = changed
        try:
            self._device = self._open()
        except ContactError as error:
            self._error = error
            logger.warning("contact %s", error)

    def state(self) -> bool | None:
        """Whether it is off-normal now or was since the last call. Raises `ContactError`."""
        if self._error is not None:
            raise self._error
        if self._device is None:
            return None
        presses = self._presses
        was_pressed = presses != self._presses_told
        self._presses_told = presses
        try:
            closed = bool(self._device.value)
        except Exception as error:
            raise ContactError(
                self.name, f"GPIO {self._pin} can't be read: {_clause(error)}", retry=True
            ) from error
        return closed is self._closed_is_active or was_pressed

    def describe(self) -> str:
        meaning = "off-normal" if self._closed_is_active else "normal"
        return f"GPIO {self._pin}, closed is {meaning}"

    def close(self) -> None:
        device, self._device = self._device, None
        if device is not None:
            device.close()

    def _open(self) -> Any:
        try:
            from gpiozero import DigitalInputDevice

            with warnings.catch_warnings():
                # gpiozero warns of each way to the pins that it tried in vain.
                warnings.simplefilter("ignore")
                device = DigitalInputDevice(
                    self._pin,
                    pull_up=True,
                    bounce_time=self._bounce_s or None,
                    pin_factory=self._factory,
                )
        except Exception as error:
            raise self._told(error) from error
        device.when_activated = lambda: self._edge(closed=True)
        device.when_deactivated = lambda: self._edge(closed=False)
        return device

    def _edge(self, *, closed: bool) -> None:
        if closed is self._closed_is_active:
            self._presses += 1
        if self._changed is not None:
            self._changed()

    def _told(self, error: Exception) -> ContactError:
        from gpiozero import GPIOPinInUse, PinInvalidPin

        if isinstance(error, PinInvalidPin):
            return ContactError(self.name, f"this board has no GPIO {self._pin}", retry=False)
        if isinstance(error, GPIOPinInUse):
            return ContactError(
                self.name, f"GPIO {self._pin} serves something else already", retry=False
            )
        return ContactError(
            self.name, f"no way to the pins ({_clause(error)}): {_REMEDY}", retry=False
        )


def _clause(error: Exception) -> str:
    """A foreign error as the beginning of one line."""
    return " ".join(str(error).split())[:120] or type(error).__name__
