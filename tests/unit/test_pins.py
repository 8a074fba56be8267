"""The board's pins through the kernel, with a line that a test moves by hand."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from gpiozero import Button, Device, GPIOPinInUse, OutputDevice, PinInvalidPin
from gpiozero.pins.mock import MockFactory

from stillair.errors import ContactError
from stillair.model import ContactKind
from stillair.sensing.contacts import GpioContact
from stillair.sensing.pins import KernelPins, open_line, use_kernel_pins

WAIT_S = 5.0


class HandLine:
    """Stands in for a line of the kernel; `move` is what the world does to it."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.bias = "default"
        self.edge = "none"
        self.closed = False
        self.asked: list[str] = []
        self._direction = "in"
        self._level = True
        self._edges: deque[str] = deque()
        self._moved = threading.Condition()

    @property
    def direction(self) -> str:
        return self._direction

    @direction.setter
    def direction(self, value: str) -> None:
        self.asked.append(value)
        if value in ("high", "low"):
            self._level = value == "high"
            value = "out"
        self._direction = value

    def move(self, *levels: bool) -> None:
        with self._moved:
            for level in levels:
                self._level = level
                if self.edge == "both":
                    self._edges.append("rising" if level else "falling")
            self._moved.notify_all()

    def read(self) -> bool:
        return self._level

    def write(self, value: bool) -> None:
        self._level = value

    def poll(self, timeout_s: float) -> bool:
        with self._moved:
            return self._moved.wait_for(lambda: bool(self._edges), timeout_s)

    def read_event(self) -> SimpleNamespace:
        with self._moved:
            return SimpleNamespace(edge=self._edges.popleft())

    def close(self) -> None:
        self.closed = True


class Board:
    """A board with the lines GPIO0 to GPIO27."""

    def __init__(self) -> None:
        self.lines: dict[str, HandLine] = {}
        self.pins = KernelPins(self.opened)  # type: ignore[arg-type]  # a stand-in

    def opened(self, name: str) -> HandLine:
        if name not in {f"GPIO{number}" for number in range(28)}:
            raise PinInvalidPin(f"no {name}")
        self.lines[name] = HandLine(name)
        return self.lines[name]


@pytest.fixture
def board() -> Iterator[Board]:
    made = Board()
    yield made
    made.pins.close()
    assert all(line.closed for line in made.lines.values())


def test_a_button_is_pulled_up_and_tells_its_press_and_release(board: Board) -> None:
    pressed, released = threading.Event(), threading.Event()
    button = Button(17, pin_factory=board.pins)
    button.when_pressed = pressed.set
    button.when_released = released.set
    line = board.lines["GPIO17"]
    assert (line.bias, button.is_pressed) == ("pull_up", False)

    line.move(False)
    assert pressed.wait(WAIT_S)
    assert button.is_pressed
    assert not released.is_set()

    line.move(True)
    assert released.wait(WAIT_S)
    button.close()


def test_a_contact_that_bounces_is_told_once(board: Board) -> None:
    presses: list[float] = []
    pressed = threading.Event()
    button = Button("GPIO17", bounce_time=0.02, pin_factory=board.pins)

    def press() -> None:
        presses.append(1)
        pressed.set()

    button.when_pressed = press
    board.lines["GPIO17"].move(False, True, False, True, False)
    assert pressed.wait(WAIT_S)
    button.close()
    assert len(presses) == 1


def test_a_flicker_that_comes_back_to_rest_is_not_told(board: Board) -> None:
    pressed = threading.Event()
    button = Button(17, bounce_time=0.02, pin_factory=board.pins)
    button.when_pressed = pressed.set
    line = board.lines["GPIO17"]
    line.move(False, True)
    assert not pressed.wait(0.1)
    line.move(False)
    assert pressed.wait(WAIT_S), "it no longer listens after a flicker"
    button.close()


def test_an_output_starts_in_its_first_state_in_one_step(board: Board) -> None:
    sounder = OutputDevice(18, pin_factory=board.pins)
    line = board.lines["GPIO18"]
    assert line.asked == ["low"]
    sounder.on()
    assert line.read() is True
    sounder.off()
    assert line.read() is False
    sounder.close()
    assert line.closed


def test_a_pin_is_given_to_one_device_at_a_time_and_is_free_after_it(board: Board) -> None:
    first = Button(17, pin_factory=board.pins)
    with pytest.raises(GPIOPinInUse):
        OutputDevice(17, pin_factory=board.pins)
    first.close()
    OutputDevice(17, pin_factory=board.pins).close()


@pytest.mark.parametrize("name", [99, "SDA", "GPIO", "-1", "GPIO²"])
def test_a_pin_that_is_not_there_is_refused(board: Board, name: int | str) -> None:
    with pytest.raises(PinInvalidPin):
        Button(name, pin_factory=board.pins)


def test_a_computer_without_pins_says_so(tmp_path: Path) -> None:
    with pytest.raises(PinInvalidPin, match="GPIO17"):
        open_line("GPIO17", tmp_path)


@pytest.fixture
def no_way_chosen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Device, "pin_factory", None)


@pytest.mark.usefixtures("no_way_chosen")
def test_a_door_switch_on_a_computer_without_pins_is_told_in_one_sentence() -> None:
    use_kernel_pins()
    assert isinstance(Device.pin_factory, KernelPins)
    # No board has so high a pin, so this holds where tests run on a board, too.
    door = GpioContact("door", ContactKind.DOOR, 9999)
    door.start(lambda: None)
    with pytest.raises(ContactError, match="this board has no GPIO 9999"):
        door.state()
    door.close()


@pytest.mark.usefixtures("no_way_chosen")
def test_a_way_to_the_pins_that_was_chosen_stays() -> None:
    chosen = MockFactory()
    Device.pin_factory = chosen
    use_kernel_pins()
    assert Device.pin_factory is chosen


def test_a_door_switch_tells_that_the_door_opened_and_shut(board: Board) -> None:
    changed = threading.Event()
    door = GpioContact("door", ContactKind.DOOR, 17, factory=board.pins)
    door.start(changed.set)
    line = board.lines["GPIO17"]
    line.move(False)  # closed: low
    assert changed.wait(WAIT_S)
    door.state()  # the way to closed counts as no opening
    assert door.state() is False

    changed.clear()
    line.move(True)
    assert changed.wait(WAIT_S)
    assert door.state() is True
    door.close()
