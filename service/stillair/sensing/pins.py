"""Give gpiozero the board's pins through the kernel, with nothing to compile.

gpiozero's own ways to the pins need a compiled library that has no wheel for
Python 3.13, or kernel interfaces that are gone. This one is python-periphery,
pure Python over the kernel's GPIO character device (Linux 5.10 and later).
`use_kernel_pins` makes it the one that contacts and sounder use.

A pin is found by the name that the kernel gives its line ("GPIO17"), because
the chip that holds the header has another number from board to board. A board
that doesn't name its lines so is refused: its line 17 may be anything.

References
----------
Linux kernel documentation, "GPIO Character Device Userspace API", version 2.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from gpiozero import (
    Device,
    Factory,
    PinInvalidFunction,
    PinInvalidPin,
    PinInvalidPull,
    PinSetInput,
)
from gpiozero.pins import PinInfo
from gpiozero.pins.local import LocalPiPin

if TYPE_CHECKING:
    from periphery import CdevGPIO

PULLS = {"up": "pull_up", "down": "pull_down", "floating": "disable"}
FUNCTIONS = {"input": "in", "output": "out"}
LISTEN_S = 0.25  # how often a listening thread looks whether it should stop


def open_line(name: str, devices: Path = Path("/dev")) -> CdevGPIO:
    """The line of this name, as an input.

    Raises `PinInvalidPin` where no chip has it, and `OSError` from the kernel.
    """
    from periphery import CdevGPIO

    for chip in sorted(devices.glob("gpiochip*")):
        try:
            return CdevGPIO(str(chip), name, "in", label="stillair")
        except LookupError:
            continue
    raise PinInvalidPin(f"this board has no pin that the kernel calls {name}")


def use_kernel_pins() -> None:
    """Have gpiozero reach the pins through the kernel, unless a way was chosen already."""
    if Device.pin_factory is None:
        Device.pin_factory = KernelPins()


class KernelPins(Factory):  # type: ignore[misc]  # gpiozero has no types
    """A pin factory of gpiozero for any board that names its lines GPIO0, GPIO1 and so on."""

    def __init__(self, opened: Callable[[str], CdevGPIO] = open_line) -> None:
        super().__init__()
        self.opened = opened
        self._pins: dict[str, KernelPin] = {}

    def pin(self, name: int | str) -> KernelPin:
        ((_, info),) = self.find_pin(name)
        if info.name not in self._pins:
            self._pins[info.name] = KernelPin(self, info)
        return self._pins[info.name]

    def find_pin(self, name: int | str) -> Iterator[tuple[None, PinInfo]]:
        """What gpiozero asks a board for; all that counts here is the name of the line."""
        number = str(name).removeprefix("GPIO")
        if not (number.isascii() and number.isdigit()):
            raise PinInvalidPin(f"{name} is no pin such as 17 or GPIO17")
        line = f"GPIO{int(number)}"
        yield None, PinInfo(int(number), line, frozenset({line}), "", 0, 0, ("gpio",))

    def forget(self, pin: KernelPin) -> None:
        self._pins.pop(pin.info.name, None)

    def close(self) -> None:
        for pin in list(self._pins.values()):
            pin.close()

    def ticks(self) -> float:
        return time.monotonic()

    def ticks_diff(self, later: float, earlier: float) -> float:
        return later - earlier

    def _get_board_info(self) -> KernelPins:
        return self


class KernelPin(LocalPiPin):  # type: ignore[misc]  # gpiozero has no types
    """One line; while somebody listens to it, a thread of its own waits for its edges."""

    def __init__(self, factory: KernelPins, info: PinInfo) -> None:
        super().__init__(factory, info)
        self._line = factory.opened(info.name)
        self._edges = "both"
        self._bounce_s = 0.0
        self._told: bool | None = None
        self._stop: threading.Event | None = None
        self._listener: threading.Thread | None = None

    def close(self) -> None:
        self._disable_event_detect()
        self._line.close()
        self.factory.forget(self)

    def output_with_state(self, state: bool) -> None:
        # In one step, so that a sounder never chirps while it is being set up.
        self._line.direction = "high" if state else "low"

    def _get_function(self) -> str:
        return "output" if self._line.direction == "out" else "input"

    def _set_function(self, value: str) -> None:
        if value not in FUNCTIONS:
            raise PinInvalidFunction(f"{value!r} is no function of {self!r}")
        self._line.direction = FUNCTIONS[value]

    def _get_state(self) -> bool:
        return self._line.read()

    def _set_state(self, value: float) -> None:
        if self.function == "input":
            raise PinSetInput(f"{self!r} is an input")
        self._line.write(bool(value))

    def _get_pull(self) -> str:
        return {bias: pull for pull, bias in PULLS.items()}.get(str(self._line.bias), "floating")

    def _set_pull(self, value: str) -> None:
        if value not in PULLS:
            raise PinInvalidPull(f"{value!r} is no pull of {self!r}")
        self._line.bias = PULLS[value]

    def _get_bounce(self) -> float | None:
        return self._bounce_s or None

    def _set_bounce(self, value: float | None) -> None:
        self._bounce_s = value or 0.0

    def _get_edges(self) -> str:
        return self._edges

    def _set_edges(self, value: str) -> None:
        self._edges = value
        if self._listener is not None:
            self._line.edge = value

    def _enable_event_detect(self) -> None:
        self._line.edge = self._edges
        self._told = self._line.read()
        self._stop = threading.Event()
        self._listener = threading.Thread(
            target=self._listen, args=(self._stop,), name=f"pin {self.info.name}", daemon=True
        )
        self._listener.start()

    def _disable_event_detect(self) -> None:
        if self._stop is None or self._listener is None:
            return
        self._stop.set()
        if self._listener is not threading.current_thread():
            self._listener.join(4 * LISTEN_S)
            self._line.edge = "none"
        self._listener = None

    def _listen(self, stop: threading.Event) -> None:
        while not stop.is_set():
            if not self._line.poll(LISTEN_S):
                continue
            edge = self._line.read_event().edge  # type: ignore[attr-defined]  # not in its stub
            level = edge == "rising"
            if self._bounce_s:
                # Let the contact come to rest, then believe what it says.
                stop.wait(self._bounce_s)
                while self._line.poll(0):
                    self._line.read_event()
                level = self._line.read()
                if level == self._told:
                    continue
            if not stop.is_set():
                self._told = level
                self._call_when_changed(time.monotonic(), level)
