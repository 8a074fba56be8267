"""What lets the machine run: the loop on a manual clock, its outputs, and how they fail."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import pytest
from gpiozero.pins.mock import MockFactory

from stillair.alerts.relay import AGAIN_S, LOOK_S, NoRelay, RelayLoop
from stillair.alerts.relay_outputs import CommandRelay, GpioRelay
from stillair.clock import ManualClock, SystemClock
from stillair.errors import DeliveryError


@dataclass
class Tape:
    """An output that records what it was asked, and calls `then` after each."""

    clock: ManualClock
    then: Callable[[], None] = lambda: None
    asked: list[tuple[float, str]] = field(default_factory=list)
    fails: frozenset[str] = frozenset()

    def note(self, what: str) -> str:
        self.asked.append((round(self.clock.now_s(), 3), what))
        self.then()
        if what in self.fails:
            raise OSError(f"can't {what}")
        return what

    def let_run(self) -> None:
        self.note("run")

    def cut(self) -> None:
        self.note("cut")

    def look(self, *, is_cut: bool) -> str:
        return self.note("looks cut" if is_cut else "looks well")

    def describe(self) -> str:
        return "tape"

    def close(self) -> None:
        self.note("close")


class Player:
    """A loop on a manual clock; the tape's own thread drives the test, so nothing sleeps."""

    def __init__(self) -> None:
        self.clock = ManualClock()
        self.tape = Tape(self.clock)
        self.troubles: list[tuple[bool, str]] = []
        self.loop = RelayLoop(self.tape, self.clock, lambda *told: self.troubles.append(told))

    def play(self, then: Callable[[], None]) -> list[tuple[float, str]]:
        """Run, with `then` called after each question, until the loop has been stopped."""
        self.tape.then = then
        self.loop.start()
        thread = self.loop._thread
        thread.join(10)
        assert not thread.is_alive()
        return self.tape.asked

    def after(self, count: int, action: Callable[[], None]) -> Callable[[], None]:
        def then() -> None:
            if len(self.tape.asked) == count:
                action()

        return then


def test_it_is_switched_once_and_looked_at_again_and_again() -> None:
    player = Player()
    player.loop.set(False)
    asked = player.play(player.after(4, player.loop.stop))
    assert asked == [
        (0, "run"),
        (0, "looks well"),
        (LOOK_S, "looks well"),
        (2 * LOOK_S, "looks well"),
        (2 * LOOK_S, "close"),
    ]
    assert player.troubles == []


def test_a_stop_is_switched_without_waiting() -> None:
    player = Player()
    player.loop.set(False)

    def then() -> None:
        if len(player.tape.asked) == 2:
            player.loop.set(True)
        if len(player.tape.asked) == 4:
            player.loop.stop()

    assert player.play(then)[:4] == [(0, "run"), (0, "looks well"), (0, "cut"), (0, "looks cut")]


def test_before_the_first_word_nothing_is_switched() -> None:
    player = Player()
    clock_wait = player.clock.wait

    def wait(until_s: float, wake: threading.Event) -> bool:
        player.loop._stopping = player.clock.now_s() >= 3 * LOOK_S
        return clock_wait(until_s, wake)

    player.clock.wait = wait  # type: ignore[method-assign]
    assert [what for _, what in player.play(lambda: None)] == ["close"]


def test_an_output_that_fails_is_told_at_once_and_tried_until_it_works() -> None:
    player = Player()
    player.loop.set(True)
    player.tape.fails = frozenset({"cut"})

    def then() -> None:
        cuts = [what for _, what in player.tape.asked if what == "cut"]
        if len(cuts) == 4:
            player.tape.fails = frozenset()
        if player.tape.asked[-1][1] == "looks cut":
            player.loop.stop()

    asked = player.play(then)
    assert asked[:4] == [(n * AGAIN_S, "cut") for n in range(4)]
    assert player.troubles == [(True, "can't cut"), (False, "")]


def test_what_was_switched_back_by_something_else_is_switched_again() -> None:
    player = Player()
    player.loop.set(True)
    asked = player.tape.asked

    def then() -> None:
        looks = [what for _, what in asked if what == "looks cut"]
        player.tape.fails = frozenset({"looks cut"} if len(looks) == 2 else ())
        if len(looks) == 3:
            player.loop.stop()

    assert [what for _, what in player.play(then)] == [
        *("cut", "looks cut"),
        *("looks cut", "cut", "looks cut"),
        "close",
    ]
    assert player.troubles == [(True, "can't looks cut"), (False, "")]


def test_whoever_is_told_can_not_keep_it_from_switching(caplog: pytest.LogCaptureFixture) -> None:
    clock = ManualClock()
    tape = Tape(clock, fails=frozenset({"cut"}))

    def told(failing: bool, reason: str) -> None:
        raise RuntimeError("the listener is broken")

    loop = RelayLoop(tape, clock, told)
    tape.then = lambda: loop.stop() if len(tape.asked) == 5 else None
    loop.set(True)
    loop.start()
    loop._thread.join(10)
    assert [what for _, what in tape.asked[:5]] == ["cut"] * 5


def test_setting_waits_for_nothing_and_a_hanging_output_is_late() -> None:
    clock = ManualClock()
    stuck, begun = threading.Event(), threading.Event()

    class Stuck(NoRelay):
        def let_run(self) -> None:
            begun.set()
            assert stuck.wait(10)

    loop = RelayLoop(Stuck(), clock, lambda *_: None)
    loop.set(False)
    loop.start()
    assert begun.wait(10)
    for stopped in [True, False] * 1000:
        loop.set(stopped)  # would never come back if it waited for the output
    assert loop.on_time(5.0)
    clock.advance(5.5)
    assert not loop.on_time(5.0)
    stuck.set()
    loop.stop()
    loop.stop()


def test_a_loop_that_never_began_can_be_stopped() -> None:
    RelayLoop(NoRelay(), ManualClock(), lambda *_: None).stop()


def test_a_check_switches_nothing_and_says_how_it_is() -> None:
    player = Player()
    with pytest.raises(RuntimeError, match="not been switched"):
        player.loop.check()
    player.loop.set(False)
    told: list[str] = []

    def then() -> None:
        if len(player.tape.asked) == 3:
            player.tape.then = lambda: None
            told.append(player.loop.check())
            player.loop.stop()

    asked = player.play(then)
    assert told == ["looks well"]
    assert [what for _, what in asked].count("run") == 1


# --- a pin ----------------------------------------------------------------------


@contextmanager
def pins() -> Iterator[MockFactory]:
    factory = MockFactory()
    try:
        yield factory
    finally:
        factory.reset()
        factory.close()


@pytest.mark.parametrize(
    ("stops_when", "run_level"),
    [
        pytest.param("low", True, id="the usual wiring: high while it may run"),
        pytest.param("high", False, id="the less safe wiring: high stops"),
    ],
)
def test_a_pin(stops_when: Literal["low", "high"], run_level: bool) -> None:
    with pins() as factory:
        relay = GpioRelay(24, stops_when=stops_when, pin_factory=factory)
        pin = factory.pin(24)
        assert pin.function == "input", "nothing is switched before it is asked for"
        relay.let_run()
        assert bool(pin.state) is run_level
        assert "as it should be" in relay.look(is_cut=False)
        relay.cut()
        assert bool(pin.state) is not run_level
        assert "as it should be" in relay.look(is_cut=True)
        relay.close()
        relay.close()
        assert pin.function == "input", "let go"


def test_a_pin_that_stops_when_it_is_let_go_is_claimed_low() -> None:
    """A restart of a stopped service must not let the machine run for a moment."""
    with pins() as factory:
        pin = factory.pin(24)
        relay = GpioRelay(24, pin_factory=factory)
        relay.cut()
        assert [bool(state) for _, state in pin.states] == [False]
        relay.close()


def test_a_pin_that_isn_t_as_it_should_be_is_told() -> None:
    with pins() as factory:
        relay = GpioRelay(24, pin_factory=factory)
        with pytest.raises(DeliveryError, match="pin 24 is not held"):
            relay.look(is_cut=False)
        relay.let_run()
        with pytest.raises(DeliveryError, match="pin 24 is high and should be low"):
            relay.look(is_cut=True)
        relay.close()


def test_a_pin_that_is_taken_is_told_and_tried_again() -> None:
    with pins() as factory:
        other = GpioRelay(24, pin_factory=factory)
        other.let_run()
        relay = GpioRelay(24, pin_factory=factory)
        with pytest.raises(DeliveryError, match="pin 24 can't be switched"):
            relay.cut()
        other.close()
        relay.cut()
        relay.close()


# --- a program ------------------------------------------------------------------


def program(folder: Path, code: str) -> CommandRelay:
    script = folder / "switch.py"
    script.write_text(f"import os, sys, time\n{code}")
    return CommandRelay(f"{sys.executable} {script} {folder / 'told'}")


def test_a_program_is_told_what_to_do(tmp_path: Path) -> None:
    relay = program(
        tmp_path, "open(sys.argv[1], 'a').write(os.environ['STILLAIR_MACHINE'] + '\\n')"
    )
    relay.let_run()
    relay.cut()
    assert (tmp_path / "told").read_text() == "run\nstop\n"
    assert "stop" in relay.look(is_cut=True)


@pytest.mark.parametrize(
    ("code", "why"),
    [
        pytest.param("sys.exit(3)", "exit status 3", id="fails"),
        pytest.param("time.sleep(60)", "didn't end within", id="hangs"),
    ],
)
def test_a_program_that_fails_is_told(
    code: str, why: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stillair.alerts.relay_outputs.LONGEST_PROGRAM_S", 1.0)
    with pytest.raises(DeliveryError, match=why):
        program(tmp_path, code).cut()


def test_a_program_that_isn_t_there_is_told() -> None:
    with pytest.raises(DeliveryError, match="can't be run"):
        CommandRelay("/nowhere/switch").cut()
    with pytest.raises(DeliveryError, match="not there any more"):
        CommandRelay("/nowhere/switch").look(is_cut=False)


@pytest.mark.parametrize("command", ["", "  ", "switch 'plug"])
def test_a_command_that_is_none_is_refused(command: str) -> None:
    with pytest.raises(ValueError, match=r"empty|quotation"):
        CommandRelay(command)


def test_real_time_a_stop_is_switched_within_a_blink() -> None:
    clock, cut = SystemClock(), threading.Event()

    class Quick(NoRelay):
        def cut(self) -> None:
            cut.set()

    loop = RelayLoop(Quick(), clock, lambda *_: None)
    loop.set(False)
    loop.start()
    begun_s = clock.now_s()
    loop.set(True)
    assert cut.wait(10)
    assert clock.now_s() - begun_s < LOOK_S, "it doesn't wait for the next look"
    loop.stop()
