"""Switches on the board's pins, through gpiozero.

A switch connects its pin to ground, and the board's own resistor pulls the
pin up: closed is low. For a door or a detector choose a switch that is closed
while all is well (`closed_means="safe"`), so that a cut wire or a pulled plug
tells, and doesn't look like safety.

A pin reads open or closed and nothing between, so a line is supervised by a second
contact. A changeover contact brings both its sides, of which exactly one is closed:
both open is a broken wire, both closed are two that touch. A detector's own fault
contact is closed while it has its supply and finds itself well. Either is told as
a fault, never as alarm or as peace. What can't be told apart: a broken wire of the
side that should close, just when it should.
"""

from __future__ import annotations

import logging
import time
import warnings
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final, Literal

from stillair.errors import ContactError
from stillair.model import ContactKind

if TYPE_CHECKING:
    from gpiozero.pins import Factory

logger = logging.getLogger(__name__)

BOUNCE_S: Final = 0.02  # of plain switches; much less than a person's shortest press
CHANGEOVER_S: Final = 1.0  # a relay's tongue lies on neither side for some milliseconds
_REMEDY: Final = "run on a board with GPIO pins, as a user in the group gpio"

ClosedMeans = Literal["safe", "alarm"]


class GpioContact:
    """A switch between a pin (its GPIO number) and ground.

    Parameters
    ----------
    closed_means : "safe" when the closed switch is the normal state, "alarm"
        when it is the off-normal one (a push-button).
    other_pin : the other side of a changeover contact, open while the first is closed.
    fault_pin : a contact of the detector itself that is closed while it is well.
    bounce_s : after its first edge a pin is left so long to come to rest.
    factory : gpiozero's way to the pins; None: its own choice at `start`.
    now_s : monotonic seconds, for how long both sides have been alike.
    """

    def __init__(
        self,
        name: str,
        kind: ContactKind,
        pin: int,
        *,
        closed_means: ClosedMeans = "safe",
        other_pin: int | None = None,
        fault_pin: int | None = None,
        bounce_s: float = BOUNCE_S,
        factory: Factory | None = None,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        if closed_means not in ("safe", "alarm"):
            raise ValueError(f"closed_means is safe or alarm, not {closed_means!r}")
        pins = [each for each in (pin, other_pin, fault_pin) if each is not None]
        for each in pins:
            if each < 0:
                raise ValueError(f"{each} is no GPIO number")
        if len(set(pins)) < len(pins):
            raise ValueError(f"pin, other_pin and fault_pin have to differ: {pins}")
        self.name = name
        self.kind = kind
        self._pin = pin
        self._other_pin = other_pin
        self._fault_pin = fault_pin
        self._closed_is_active = closed_means == "alarm"
        self._bounce_s = bounce_s
        self._factory = factory
        self._now_s = now_s
        self._devices: dict[int, Any] = {}
        self._error: ContactError | None = None
        self._changed: Callable[[], None] | None = None
        self._presses = 0  # counted by gpiozero's thread alone
        self._presses_told = 0  # by who asks for the state
        self._alike_s: float | None = None  # since when both sides say the same
        self._last: bool | None = None  # what the switch said before that

    def start(self, changed: Callable[[], None]) -> None:
        """Take the pins and listen. One that can't be had is told by `state`, again and again."""
        self._changed = changed
        try:
            for pin in (self._pin, self._other_pin, self._fault_pin):
                if pin is not None:
                    self._devices[pin] = self._open(pin)
        except ContactError as error:
            self.close()
            self._error = error
            logger.warning("contact %s", error)

    def state(self) -> bool | None:
        """Whether it is off-normal now or was since the last call. Raises `ContactError`."""
        if self._error is not None:
            raise self._error
        if not self._devices:
            return None
        presses = self._presses
        was_pressed = presses != self._presses_told
        self._presses_told = presses
        active = self._says()
        if active is None:
            if self._alike_s is None:
                self._alike_s = self._now_s()
            if was_pressed:
                return True
            if self._now_s() - self._alike_s < CHANGEOVER_S:
                return self._last
            raise ContactError(self.name, self._alike(), retry=True)
        self._alike_s, self._last = None, active
        if active or was_pressed:
            return True
        if self._fault_pin is not None and not self._is_closed(self._fault_pin):
            raise ContactError(
                self.name,
                "its own fault contact is open: it has a fault, no supply or a broken wire",
                retry=True,
            )
        return False

    def describe(self) -> str:
        meaning = "off-normal" if self._closed_is_active else "normal"
        said = f"GPIO {self._pin}, closed is {meaning}"
        if self._other_pin is not None:
            said += f"; its other side GPIO {self._other_pin}"
        if self._fault_pin is not None:
            said += f"; its fault contact GPIO {self._fault_pin}"
        return said

    def close(self) -> None:
        while self._devices:
            self._devices.popitem()[1].close()

    def _is_closed(self, pin: int) -> bool:
        try:
            return bool(self._devices[pin].value)
        except Exception as error:
            raise ContactError(
                self.name, f"GPIO {pin} can't be read: {_clause(error)}", retry=True
            ) from error

    def _says(self) -> bool | None:
        """Whether it is off-normal at this moment; None while both sides say the same."""
        closed = self._is_closed(self._pin)
        if self._other_pin is not None and self._is_closed(self._other_pin) is closed:
            return None
        return closed is self._closed_is_active

    def _alike(self) -> str:
        closed = self._is_closed(self._pin)
        why = "closed: their wires touch" if closed else "open: a wire is broken or a plug is out"
        told = f"both sides of its contact are {why}"
        if self.kind is ContactKind.DETECTOR:  # of two broken things one may be the house
            told += "; go and look, for it may have gone off as well"
        return told

    def _open(self, pin: int) -> Any:
        try:
            from gpiozero import DigitalInputDevice

            with warnings.catch_warnings():
                # gpiozero warns of each way to the pins that it tried in vain.
                warnings.simplefilter("ignore")
                device = DigitalInputDevice(
                    pin,
                    pull_up=True,
                    bounce_time=self._bounce_s or None,
                    pin_factory=self._factory,
                )
        except Exception as error:
            raise self._told(pin, error) from error
        device.when_activated = lambda: self._edge(pin, closed=True)
        device.when_deactivated = lambda: self._edge(pin, closed=False)
        return device

    def _edge(self, pin: int, *, closed: bool) -> None:
        if pin != self._fault_pin and self._is_press(pin, closed=closed):
            self._presses += 1
        if self._changed is not None:
            self._changed()

    def _is_press(self, pin: int, *, closed: bool) -> bool:
        """Whether with this edge it has become off-normal; of two sides the second decides."""
        if pin == self._pin and closed is not self._closed_is_active:
            return False
        if self._other_pin is None:
            return True
        try:
            return self._says() is True
        except (ContactError, KeyError):  # at the start one side may not be listened to yet
            return False

    def _told(self, pin: int, error: Exception) -> ContactError:
        from gpiozero import GPIOPinInUse, PinInvalidPin

        if isinstance(error, PinInvalidPin):
            return ContactError(self.name, f"this board has no GPIO {pin}", retry=False)
        if isinstance(error, GPIOPinInUse):
            return ContactError(self.name, f"GPIO {pin} serves something else already", retry=False)
        return ContactError(
            self.name, f"no way to the pins ({_clause(error)}): {_REMEDY}", retry=False
        )


def _clause(error: Exception) -> str:
    """A foreign error as the beginning of one line."""
    return " ".join(str(error).split())[:120] or type(error).__name__
