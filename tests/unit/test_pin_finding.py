"""Which pins count as free, and which one changes when somebody opens the door."""

from __future__ import annotations

import fcntl
import struct
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from boards import BoardTree
from stillair.runtime.pin_finding import PinFinder, PinsNow, SeenPin
from stillair.sensing.free_pins import BoardPin, FreePin, board_pins

LIVES_S = 20.0
LINES = {0: ("ID_SDA", "", 0), 2: ("GPIO2", "", 4), 4: ("GPIO4", "onewire@4", 5)}
LINES |= {7: ("GPIO7", "", 4), 17: ("GPIO17", "", 4), 25: ("GPIO25", "", 8)}
LINES |= {26: ("GPIO26", "", 1), 40: ("GPIO40", "", 4)}


@pytest.fixture
def tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> BoardTree:
    """A board with one chip of 41 lines; the kernel's answers as its header lays them out."""
    tree = BoardTree(tmp_path / "root")
    tree.put("dev/gpiochip0", "")

    def ioctl(_: int, request: int, told: bytearray) -> int:
        if request == 0x8044B401:
            told[:] = struct.pack("=32s32sI", b"gpiochip0", b"pinctrl", 41)
            return 0
        assert request == 0xC100B405
        assert len(told) == 256
        (offset,) = struct.unpack_from("=I", told, 64)
        name, user, flags = LINES.get(offset, (f"LINE{offset}", "", 0))
        struct.pack_into("=32s32sIIQ", told, 0, name.encode(), user.encode(), offset, 0, flags)
        return 0

    monkeypatch.setattr(fcntl, "ioctl", ioctl)
    return tree


@pytest.mark.parametrize(
    ("on", "used"),
    [
        pytest.param((), {}, id="no bus"),
        pytest.param(("dev/i2c-1",), {2: "the I2C bus"}, id="I2C"),
        pytest.param(("dev/spidev0.0",), {7: "the SPI bus"}, id="SPI"),
        pytest.param(("dev/i2c-20",), {}, id="another I2C bus"),
    ],
)
def test_pins_of_others_are_told_and_what_was_left_as_an_output_is_not_free(
    tree: BoardTree, on: tuple[str, ...], used: dict[int, str]
) -> None:
    for path in on:
        tree.put(path, "")
    told = {pin.number: pin.used_by for pin in board_pins(tree.root)}
    always = {4: "onewire@4", 25: "whoever left it as an output", 26: "another program"}
    assert told == {2: "", 7: "", 17: ""} | always | used


def test_without_pins_it_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="run Stillair on a board that has"):
        board_pins(tmp_path)
    finder = PinFinder(dict, board=lambda: board_pins(tmp_path))
    finder.begin()
    assert "MQTT" in finder.now().why
    finder.stop()


class HandPin:
    """A pin that a test connects to ground."""

    def __init__(self, number: int, *, broken: bool = False) -> None:
        if broken:
            raise OSError(16, "Device or resource busy")
        self.number = number
        self.closed = False
        self.is_held = True
        self.is_lost = False

    def is_closed(self) -> bool:
        if self.is_lost:
            raise OSError(5, "Input/output error")
        return self.closed

    def close(self) -> None:
        self.is_held = False


class Shed:
    """Pins 17 and 22 are free, 23 is somebody's, 24 the door's, 25 the stop's; 27 can't be had."""

    def __init__(self) -> None:
        self.held: dict[int, HandPin] = {}
        self.now_s = 0.0
        self.finder = PinFinder(
            lambda: {24: "the switch door", 25: "the stop of the machine"},
            board=lambda: [
                BoardPin(n, {23: "fan"}.get(n, self.held_by_us(n)))
                for n in (17, 22, 23, 24, 25, 27)
            ],
            opened=self.open,
            monotonic_s=lambda: self.now_s,
        )

    def held_by_us(self, number: int) -> str:
        return "stillair" if number in self.held and self.held[number].is_held else ""

    def open(self, number: int) -> HandPin:
        self.held[number] = HandPin(number, broken=number == 27)
        return self.held[number]

    def until(self, so: Callable[[PinsNow], bool]) -> PinsNow:
        give_up_s = time.monotonic() + LIVES_S
        while not so(now := self.finder.now()):
            assert time.monotonic() < give_up_s, now
            time.sleep(0.005)
        return now


@pytest.fixture
def shed() -> Iterator[Shed]:
    shed = Shed()
    yield shed
    shed.finder.stop()
    assert not any(pin.is_held for pin in shed.held.values())


def test_asking_alone_touches_no_pin(shed: Shed) -> None:
    now = shed.finder.now()
    assert (now.is_looking, now.free, shed.held) == (False, (), {})
    assert now.unused == (17, 22, 27)


def test_the_pin_that_changes_is_the_switch(shed: Shed) -> None:
    shed.finder.begin()
    now = shed.until(lambda now: len(now.free) == 2)
    assert set(shed.held) == {17, 22}, "no pin of anybody is opened"
    assert {pin.number: pin.used_by for pin in now.used} == {
        23: "fan",
        24: "the switch door",
        25: "the stop of the machine",
        27: "Device or resource busy",
    }
    assert now.unused == (17, 22)
    for closed in (True, False, True):
        shed.held[22].closed = closed
        shed.until(lambda now, closed=closed: now.free[1].is_closed is closed)  # type: ignore[misc]
    assert shed.finder.now().free == (SeenPin(17, False, 0), SeenPin(22, True, 3))
    shed.finder.begin()
    assert shed.finder.now().free == (SeenPin(17, False, 0), SeenPin(22, True, 0))
    shed.held[17].is_lost = True
    shed.until(lambda now: [pin.number for pin in now.free] == [22])


def test_pins_are_let_go_when_nobody_asks_any_more(shed: Shed) -> None:
    shed.finder.begin()
    shed.until(lambda now: len(now.free) == 2)
    shed.now_s = 16.0
    give_up_s = time.monotonic() + LIVES_S
    while any(pin.is_held for pin in shed.held.values()):
        assert time.monotonic() < give_up_s
        time.sleep(0.005)
    assert not shed.until(lambda now: not now.is_looking).free


class Line:
    """What the kernel's line is asked for."""

    def __init__(self, refuses: Exception | None = None) -> None:
        self.asked: list[str] = []
        self._refuses = refuses

    def __setattr__(self, name: str, value: object) -> None:
        if name == "bias" and self._refuses is not None:
            raise self._refuses
        if not name.startswith("_") and name != "asked":
            self.asked.append(f"{name}={value}")
        super().__setattr__(name, value)

    def read(self) -> bool:
        return True

    def close(self) -> None:
        self.asked.append("close")


def test_a_free_pin_is_read_and_pulled_up_and_nothing_else() -> None:
    line = Line()
    pin = FreePin(17, lambda _: line)  # type: ignore[arg-type,return-value]
    assert not pin.is_closed()
    pin.close()
    assert line.asked == ["bias=pull_up", "close"]


@pytest.mark.parametrize(
    "refusal",
    [
        pytest.param(NotImplementedError(), id="an old kernel"),
        pytest.param(OSError(22, "Invalid argument"), id="a line without a pull"),
    ],
)
def test_a_pin_that_cannot_be_pulled_up_is_let_go(refusal: Exception) -> None:
    line = Line(refusal)
    with pytest.raises(OSError, match=r"too old|Invalid"):
        FreePin(17, lambda _: line)  # type: ignore[arg-type,return-value]
    assert line.asked == ["close"]
