"""The sounder's patterns on a manual clock, its outputs, and what it does when they fail."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass, field

import pytest
from gpiozero.pins.mock import MockFactory

from stillair.alerts.outputs import CommandOutput, GpioOutput, NoOutput
from stillair.alerts.sounder import FIT_TONES, PATTERNS, TRIAL_S, SounderLoop, SounderOutput
from stillair.clock import ManualClock, SystemClock
from stillair.errors import DeliveryError
from stillair.model import Sounding


@dataclass
class Tape:
    """An output that records when it was switched, and calls `then` after each switching."""

    clock: ManualClock
    then: Callable[[], None] = lambda: None
    heard: list[tuple[float, str]] = field(default_factory=list)
    fails: bool = False

    def note(self, what: str) -> None:
        self.heard.append((round(self.clock.now_s(), 3), what))
        self.then()
        if self.fails:
            raise OSError("no such pin")

    def on(self, sounding: Sounding) -> None:
        self.note(f"on {sounding}")

    def off(self) -> None:
        self.note("off")

    def silence(self) -> None:
        self.note("silence")

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
        self.tests: list[tuple[bool, str]] = []
        self.loop = SounderLoop(
            self.tape,
            self.clock,
            lambda *told: self.troubles.append(told),
            lambda *told: self.tests.append(told),
        )

    def play(self, sounding: Sounding, then: Callable[[], None]) -> list[tuple[float, str]]:
        """Play, with `then` called after each switching, until the loop has been stopped."""
        self.tape.then = then
        self.loop.set(sounding)
        self.loop.start()
        thread = self.loop._thread
        thread.join(10)
        assert not thread.is_alive()
        return self.tape.heard

    def stop_after(self, count: int) -> Callable[[], None]:
        def then() -> None:
            if len(self.tape.heard) == count:
                self.loop.stop()

        return then


def test_fire_is_the_temporal_three() -> None:
    player = Player()
    heard = player.play(Sounding.FIRE, player.stop_after(13))
    # ISO 8201: 0.5 on, 0.5 off, three times, the last silence 1.5 s: 4 s a cycle
    assert heard[:13] == [
        (0.0, "on fire"),
        (0.5, "off"),
        (1.0, "on fire"),
        (1.5, "off"),
        (2.0, "on fire"),
        (2.5, "off"),
        (4.0, "on fire"),
        (4.5, "off"),
        (5.0, "on fire"),
        (5.5, "off"),
        (6.0, "on fire"),
        (6.5, "off"),
        (8.0, "on fire"),
    ]
    assert [what for _, what in heard[-2:]] == ["silence", "close"], "it ends in silence"


def test_a_test_is_one_round_of_the_fire_sound_and_tells_how_it_went() -> None:
    player = Player()
    heard = player.play(Sounding.TEST, player.stop_after(8))
    assert heard[:8] == [
        (0.0, "on test"),
        (0.5, "off"),
        (1.0, "on test"),
        (1.5, "off"),
        (2.0, "on test"),
        (2.5, "off"),
        (4.0, "off"),  # how the last tone went
        (4.0, "silence"),
    ]
    assert player.tests == [(True, "")]


def test_a_test_that_failed_says_why() -> None:
    player = Player()
    player.tape.fails = True
    player.play(Sounding.TEST, player.stop_after(8))
    assert player.tests == [(False, "no such pin")]


def test_what_is_real_ends_a_test_and_nothing_is_told_of_that() -> None:
    player = Player()

    def then() -> None:
        match len(player.tape.heard):
            case 3:
                player.loop.set(Sounding.FIRE)
            case 9:
                player.loop.stop()

    heard = player.play(Sounding.TEST, then)
    assert [what for _, what in heard[:5]] == ["on test", "off", "on test", "off", "on fire"]
    assert player.tests == []


class Trial:
    """One tone asked for while nothing sounds, on a tape or a pin; ends with the loop."""

    def __init__(self, player: Player) -> None:
        self.player = player
        self.made: Future[str] | None = None

    def ask(self, then: Callable[[], None]) -> list[str]:
        """Ask for it once the loop is silent; what was switched after that."""

        def switched() -> None:
            if self.made is None:
                self.made = self.player.loop.try_out()
            then()

        heard = self.player.play(Sounding.SILENT, switched)
        assert heard[0][1] == "silence"
        return [what for _, what in heard[1:]]


def test_a_trial_is_one_tone_of_a_second_and_says_how_it_went() -> None:
    trial = Trial(Player())
    heard = trial.ask(trial.player.stop_after(5))
    assert heard[:4] == ["on test", "off", "silence", "silence"]
    (on_s, off_s) = (t_s for t_s, what in trial.player.tape.heard if what in ("on test", "off"))
    assert off_s - on_s == TRIAL_S
    assert trial.made is not None and trial.made.result(0) == ""


def test_a_trial_that_failed_says_why() -> None:
    player = Player()
    player.tape.fails = True
    trial = Trial(player)
    trial.ask(player.stop_after(5))
    assert trial.made is not None and trial.made.result(0) == "no such pin"
    assert player.troubles == [(True, "no such pin")]


def test_what_is_real_ends_a_trial_at_once_and_sounds_whole() -> None:
    player = Player()

    def then() -> None:
        match len(player.tape.heard):
            case 2:
                player.loop.set(Sounding.FIRE)
            case 7:
                player.loop.stop()

    heard = Trial(player).ask(then)
    assert heard[:5] == ["on test", "off", "silence", "on fire", "off"]
    times_s = [t_s for t_s, what in player.tape.heard]
    assert times_s[2] == times_s[1], "cut short"
    assert times_s[5] - times_s[4] == 0.5, "and its first tone is a whole one"


@pytest.mark.parametrize("sounding", sorted(set(Sounding) - {Sounding.SILENT}))
def test_nothing_is_tried_while_something_sounds(sounding: Sounding) -> None:
    player = Player()
    player.loop.set(sounding)
    assert player.loop.try_out() is None


def test_danger_between_asking_for_a_trial_and_its_tone_sounds_at_once() -> None:
    player = Player()
    trial = player.loop.try_out()
    heard = player.play(Sounding.FIRE, player.stop_after(2))
    assert heard[:2] == [(0.0, "on fire"), (0.5, "off")]
    assert trial is not None and trial.cancelled()


def test_one_trial_at_a_time_and_each_ends() -> None:
    player = Player()
    first, more = player.loop.try_out(), list[Future[str] | None]()
    assert player.loop.try_out() is None, "asked for, and not begun"

    def then() -> None:
        match player.tape.heard[-1][1]:
            case "on test":
                more.append(player.loop.try_out())
            case "silence" if len(more) == 1 and first is not None and first.done():
                more.append(player.loop.try_out())
        if len(player.tape.heard) == 8:
            player.loop.stop()

    heard = [what for _, what in player.play(Sounding.SILENT, then)]
    assert heard[:3] == ["on test", "off", "silence"]
    assert heard.count("on test") == 2, "the next one begins after it"
    assert first is not None and first.result(0) == ""
    asked, again, *_ = more
    assert asked is None, "it sounds"
    assert again is not None and again.result(0) == ""


def test_a_trial_that_never_began_is_given_up_with_the_loop() -> None:
    player = Player()
    trial = player.loop.try_out()
    assert trial is not None
    player.loop.stop()
    player.loop._thread.start()
    player.loop._thread.join(10)
    assert trial.cancelled()
    assert [what for _, what in player.tape.heard if what.startswith("on")] == []


def test_a_trial_switches_a_pin_for_its_second() -> None:
    """On the pins of gpiozero's own board that isn't there."""
    with pins() as factory:
        clock = ManualClock()
        pin = factory.pin(18)
        loop = SounderLoop(GpioOutput(18, pin_factory=factory), clock, lambda *_: None)
        loop.start()
        give_up_s = time.monotonic() + 10.0
        while pin.function != "output":  # silent, and waiting
            assert time.monotonic() < give_up_s
            time.sleep(0.01)
        pin.clear_states()
        trial = loop.try_out()
        assert trial is not None
        assert trial.result(10) == ""
        loop.stop()
        assert [bool(each.state) for each in pin.states][:3] == [False, True, False]


def test_attention_is_one_short_tone_every_ten_seconds() -> None:
    player = Player()
    heard = player.play(Sounding.ATTENTION, player.stop_after(5))
    assert heard[:5] == [
        (0.0, "on attention"),
        (0.2, "off"),
        (10.0, "on attention"),
        (10.2, "off"),
        (20.0, "on attention"),
    ]


def test_patterns_do_not_drift_over_a_day() -> None:
    player = Player()

    def then() -> None:
        if player.clock.now_s() >= 86_400:
            player.loop.stop()

    heard = player.play(Sounding.FIRE, then)
    begun = [t_s for t_s, what in heard if what == "on fire"]
    assert begun[::3] == [4.0 * n for n in range(len(begun[::3]))]


def test_fire_takes_over_at_once_and_silence_too() -> None:
    player = Player()

    def then() -> None:
        match len(player.tape.heard):
            case 1:
                player.loop.set(Sounding.FIRE)
            case 4:
                player.loop.set(Sounding.SILENT)
            case 5:
                player.loop.stop()

    heard = player.play(Sounding.ATTENTION, then)
    assert [what for _, what in heard[:5]] == ["on attention", "off", "on fire", "off", "silence"]
    assert heard[2][0] == heard[0][0], "the tone in between was cut short"
    assert heard[4][0] == heard[3][0]


def test_the_same_again_does_not_begin_the_pattern_anew() -> None:
    player = Player()
    stop = player.stop_after(7)

    def then() -> None:
        player.loop.set(Sounding.FIRE)
        stop()

    assert [t_s for t_s, _ in player.play(Sounding.FIRE, then)][:7] == [0, 0.5, 1, 1.5, 2, 2.5, 4]


def test_a_suspended_machine_is_not_caught_up_with() -> None:
    player = Player()
    stop = player.stop_after(9)

    def then() -> None:
        if len(player.tape.heard) == 6:
            player.clock.advance(1000.0)
        stop()

    heard = player.play(Sounding.FIRE, then)
    assert [t_s for t_s, _ in heard[6:9]] == [1002.5, 1003.0, 1003.5]


def test_an_output_that_fails_is_told_once_and_tried_with_every_tone() -> None:
    player = Player()

    def then() -> None:
        tones = len([what for _, what in player.tape.heard if what == "on fire"])
        player.tape.fails = tones <= 4
        if tones == 4 + FIT_TONES + 1:
            player.loop.stop()

    heard = player.play(Sounding.FIRE, then)
    assert player.troubles == [(True, "no such pin"), (False, "")]
    assert [t_s for t_s, what in heard if what == "on fire"][:5] == [0, 1, 2, 4, 5]


def test_silence_does_not_prove_that_it_works() -> None:
    player = Player()
    player.tape.fails = True

    def then() -> None:
        if len(player.tape.heard) == 3:
            player.tape.fails = False
            player.loop.set(Sounding.SILENT)
        if player.tape.heard[-1][1] == "silence":
            player.loop.stop()

    player.play(Sounding.FIRE, then)
    assert player.troubles == [(True, "no such pin")]


def test_whoever_is_told_can_not_silence_it(caplog: pytest.LogCaptureFixture) -> None:
    clock = ManualClock()
    tape = Tape(clock, fails=True)

    def told(failing: bool, reason: str) -> None:
        raise RuntimeError("the listener is broken")

    loop = SounderLoop(tape, clock, told)
    tape.then = lambda: loop.stop() if len(tape.heard) == 8 else None
    loop.set(Sounding.FIRE)
    loop.start()
    loop._thread.join(10)
    assert len(tape.heard) >= 8
    assert tape.heard[-1][1] == "close"


def test_setting_waits_for_nothing() -> None:
    clock = SystemClock()
    stuck, begun = threading.Event(), threading.Event()

    class Stuck(NoOutput):
        def on(self, sounding: Sounding) -> None:
            begun.set()
            assert stuck.wait(10)

    loop = SounderLoop(Stuck(), clock, lambda *_: None)
    loop.set(Sounding.FIRE)
    loop.start()
    assert begun.wait(10)
    for sounding in [*Sounding] * 1000:
        loop.set(sounding)  # would never come back if it waited for the output
    stuck.set()
    loop.stop()
    loop.stop()


def test_a_loop_that_never_began_can_be_stopped() -> None:
    SounderLoop(NoOutput(), ManualClock(), lambda *_: None).stop()


def test_every_sound_has_its_pattern() -> None:
    assert set(PATTERNS) == set(Sounding) - {Sounding.SILENT}


# --- outputs --------------------------------------------------------------------


@contextmanager
def pins() -> Iterator[MockFactory]:
    factory = MockFactory()
    try:
        yield factory
    finally:
        factory.reset()
        factory.close()


def test_a_pin_is_low_but_for_the_tone() -> None:
    with pins() as factory:
        output = GpioOutput(18, pin_factory=factory)
        output.silence()
        pin = factory.pin(18)
        states = [pin.state]
        output.on(Sounding.FIRE)
        states.append(pin.state)
        output.off()
        states.append(pin.state)
        output.on(Sounding.FIRE)
        output.close()
        output.close()
        assert [bool(state) for state in states] == [False, True, False]
        assert pin.function == "input", "let go, and so silent"


def test_a_pin_that_is_taken_is_told_and_tried_again() -> None:
    with pins() as factory:
        other = GpioOutput(18, pin_factory=factory)
        other.off()
        output = GpioOutput(18, pin_factory=factory)
        with pytest.raises(DeliveryError, match="pin 18 can't be switched"):
            output.on(Sounding.FIRE)
        other.close()
        output.on(Sounding.FIRE)
        assert factory.pin(18).state
        output.close()


@pytest.mark.parametrize(
    ("output", "said"),
    [
        (NoOutput(), "no sounder"),
        (GpioOutput(18), "sounder on GPIO 18"),
        (CommandOutput("play 'a tone.wav'"), "sounder by play"),
    ],
)
def test_outputs_say_what_they_are(output: SounderOutput, said: str) -> None:
    assert output.describe() == said


@pytest.mark.parametrize("command", ["", "  ", "play 'tone.wav"])
def test_a_command_that_is_none_is_refused(command: str) -> None:
    with pytest.raises(ValueError, match=r"empty|quotation"):
        CommandOutput(command)


def test_an_output_that_hangs_is_late_until_it_comes_back() -> None:
    player = Player()
    asked, release = threading.Event(), threading.Event()

    def hang() -> None:
        asked.set()
        assert release.wait(10)

    player.tape.then = hang
    assert player.loop.on_time(10.0), "not begun yet"
    player.loop.start()
    assert asked.wait(10)
    assert player.loop.on_time(10.0)
    player.clock.advance(10.5)
    late = player.loop.on_time(10.0)
    player.tape.then = lambda: None
    release.set()
    while player.loop._asked_s is not None:
        player.loop._thread.join(0.001)
    assert not late
    assert player.loop.on_time(10.0)
    player.loop.stop()
