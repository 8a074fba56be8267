"""The reading thread: what it tells of its camera, and that it comes back."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from integration.mjpeg_server import (
    drawn_frames,
    packed,
    picture,
    undecodable,
)
from stillair.clock import ManualClock, SystemClock
from stillair.errors import CameraError
from stillair.fire.sparing import Looks, LooksAtAll
from stillair.fire.vision import Sight, Vision
from stillair.model import CameraCondition, CameraState, Movement, Sense, Sign
from stillair.sensing.camera_loop import CameraLoop
from stillair.sensing.mjpeg import picture_size
from stillair.sensing.pictures import narrower
from stillair.sensing.protocols import Frame

FIT, LOST = CameraCondition.FIT, CameraCondition.LOST
FROZEN, DARK = CameraCondition.FROZEN, CameraCondition.DARK
FRAMES = drawn_frames(10)
WAIT_S = 10.0  # a test that waits longer has failed

Event = Frame | Exception
Told = CameraState | Sign | Movement


class ScriptedVision(LooksAtAll):
    """Sees in each picture what the test says; keeps what it was shown."""

    def __init__(self) -> None:
        self.shown: list[tuple[float, tuple[int, ...]]] = []
        self.signs: tuple[Sign, ...] = ()
        self.movement: Movement | None = None
        self.error: Exception | None = None
        self.begun_anew = 0

    def begin_anew(self) -> None:
        self.begun_anew += 1

    def update(self, t_s: float, picture: NDArray[np.uint8]) -> Sight:
        self.shown.append((t_s, picture.shape))
        if self.error is not None:
            raise self.error
        return Sight(t_s, FIT, 0.0, "", self.signs, self.movement)


class ScriptedCamera:
    """Gives what the test pushes: a frame, or an error. `grab` blocks until then."""

    source = "scripted"

    def __init__(self) -> None:
        self.pushed: queue.Queue[Event] = queue.Queue()
        self.open_error: Exception | None = None
        self.opened = threading.Semaphore(0)
        self.asked = threading.Semaphore(0)
        self.grabbing = False

    def open(self) -> None:
        self.opened.release()
        if self.open_error is not None:
            raise self.open_error

    def grab(self) -> Frame:
        self.grabbing = True
        self.asked.release()
        event = self.pushed.get()
        self.grabbing = False
        if isinstance(event, Exception):
            raise event
        return event

    def describe(self) -> str:
        return "scripted"

    def close(self) -> None:
        if self.grabbing:
            self.pushed.put(CameraError("scripted", "closed", retry=True))


@dataclass
class Rig:
    """A loop on clocks that the test moves, and all that it told."""

    camera: ScriptedCamera = field(default_factory=ScriptedCamera)
    clock: ManualClock = field(default_factory=ManualClock)
    machine: ManualClock = field(default_factory=ManualClock)
    vision: Looks = field(default_factory=ScriptedVision)
    states: queue.Queue[CameraState] = field(default_factory=queue.Queue)
    seen: list[Sign | Movement] = field(default_factory=list)
    on_frame: Callable[[Frame, Sight], None] | None = None
    number: int = 0

    def __post_init__(self) -> None:
        self.loop = CameraLoop(
            self.camera,
            self.clock,
            self.vision,
            self.take,
            self.show,
            machine_clock=self.machine,
        )

    def take(self, told: Told) -> None:
        if isinstance(told, CameraState):
            self.states.put(told)
        else:
            self.seen.append(told)

    def show(self, frame: Frame, sight: Sight) -> None:
        if self.on_frame is not None:
            self.on_frame(frame, sight)

    def advance(self, seconds: float) -> None:
        self.clock.advance(seconds)
        self.machine.advance(seconds)

    def push(self, jpeg: bytes) -> None:
        """Have the loop take this picture; return when it asks for the next one."""
        self.number += 1
        assert self.camera.asked.acquire(timeout=WAIT_S)
        self.camera.pushed.put(Frame(self.clock.now_s(), self.number, jpeg=jpeg))
        assert self.camera.asked.acquire(timeout=WAIT_S)
        self.camera.asked.release()

    def opened_again(self) -> None:
        """Wait until an opening has failed: the loop waits for its next one."""
        assert self.camera.opened.acquire(timeout=WAIT_S)
        give_up_s = time.monotonic() + WAIT_S
        while self.loop.is_starting:
            assert time.monotonic() < give_up_s
            time.sleep(0.01)

    def told(self) -> list[CameraState]:
        """What was told since the last time, after a `check`."""
        self.loop.check(self.clock.now_s())
        told: list[CameraState] = []
        while not self.states.empty():
            told.append(self.states.get())
        return told

    def next_state(self) -> CameraState:
        return self.states.get(timeout=WAIT_S)


@pytest.fixture
def rig() -> Iterator[Rig]:
    made = Rig()
    yield made
    made.loop.stop()


def test_fit_with_the_first_picture(rig: Rig) -> None:
    rig.loop.start()
    assert rig.told() == []
    rig.push(FRAMES[0])
    assert rig.told() == [CameraState(0.0, FIT, 0.0, "")]


def test_lost_while_the_driver_hangs(rig: Rig) -> None:
    rig.loop.start()
    rig.push(FRAMES[0])
    rig.advance(4.9)
    assert [state.condition for state in rig.told()] == [FIT]
    rig.advance(0.1)
    assert rig.told() == [CameraState(5.0, LOST, 0.0, "no picture comes any more")]
    rig.push(FRAMES[1])
    assert rig.told() == [CameraState(5.0, FIT, 5.0, "")]


def test_lost_when_no_picture_ever_comes(rig: Rig) -> None:
    rig.loop.start()
    rig.advance(9.9)
    assert rig.told() == []
    rig.advance(0.1)
    assert rig.told() == [CameraState(10.0, LOST, 0.0, "no picture has come yet")]


@pytest.mark.parametrize(
    ("chamber_s", "machine_s"),
    [
        pytest.param(1000.0, 1.0, id="the chamber is played fast"),
        pytest.param(1.0, 1000.0, id="the chamber is played slowly"),
    ],
)
def test_not_lost_by_one_clock_alone(rig: Rig, chamber_s: float, machine_s: float) -> None:
    rig.loop.start()
    rig.push(FRAMES[0])
    rig.clock.advance(chamber_s)
    rig.machine.advance(machine_s)
    assert {state.condition for state in rig.told()} == {FIT}


def test_lost_at_once_when_trying_again_will_not_help(rig: Rig) -> None:
    rig.camera.open_error = CameraError("scripted", "is no camera", retry=False)
    rig.loop.start()
    state = rig.next_state()
    assert (state.condition, state.since_s, state.reason) == (LOST, 0.0, "is no camera")


def test_a_camera_that_can_not_be_opened_yet_has_as_long_as_one_that_begins(rig: Rig) -> None:
    """Just after a start its device is still the old process's: no fault, and no later alarm."""
    rig.camera.open_error = CameraError("scripted", "is in use elsewhere", retry=True)
    rig.loop.start()
    rig.opened_again()
    rig.advance(9.0)
    rig.opened_again()
    assert rig.told() == []
    assert not rig.loop.is_starting, "who asks for its picture doesn't wait"
    rig.advance(1.0)
    assert rig.told() == [CameraState(10.0, LOST, 0.0, "is in use elsewhere")]


def test_a_camera_that_opens_a_little_later_was_never_lost(rig: Rig) -> None:
    rig.camera.open_error = CameraError("scripted", "is in use elsewhere", retry=True)
    rig.loop.start()
    rig.opened_again()
    rig.advance(6.0)
    rig.camera.open_error = None
    rig.push(FRAMES[0])
    assert {state.condition for state in rig.told()} == {FIT}


def test_what_would_help_is_told_with_the_reason(rig: Rig) -> None:
    remedy = "its number may have changed: name it /dev/v4l/by-id/a in camera.source"
    rig.camera.open_error = CameraError("scripted", "no such device", retry=False, remedy=remedy)
    rig.loop.start()
    assert rig.next_state().reason == f"no such device; {remedy}"


def test_a_short_break_is_not_lost(rig: Rig) -> None:
    rig.loop.start()
    rig.push(FRAMES[0])
    rig.camera.pushed.put(CameraError("scripted", "broke off", retry=True))
    assert rig.camera.opened.acquire(timeout=WAIT_S)
    assert rig.camera.opened.acquire(timeout=WAIT_S)
    rig.camera.asked.acquire(timeout=WAIT_S)
    rig.push(FRAMES[1])
    assert {state.condition for state in rig.told()} == {FIT}


def test_told_again_every_10_s(rig: Rig) -> None:
    rig.loop.start()
    told_s: list[float] = []
    for second in range(31):
        rig.push(FRAMES[second % 10])
        told_s += [state.t_s for state in rig.told()]
        rig.advance(1.0)
    assert told_s == [0.0, 10.0, 20.0, 30.0]


def test_pictures_that_can_not_be_decoded_are_none(rig: Rig) -> None:
    rig.loop.start()
    rig.push(FRAMES[0])
    for _ in range(6):
        rig.advance(1.0)
        rig.push(undecodable())
    assert rig.told()[-1] == CameraState(5.0, LOST, 0.0, "sends pictures that can't be decoded")
    latest = rig.loop.latest_jpeg()
    assert latest == (FRAMES[0], 6.0)
    rig.advance(1.0)
    rig.push(FRAMES[1])
    assert rig.told()[-1].condition is FIT


def test_a_frozen_and_a_dark_picture() -> None:
    rig = Rig(vision=Vision())
    rig.loop.start()
    told: list[tuple[float, CameraCondition]] = []
    black = packed(picture(1) // 40)
    for n in range(400):
        t_s = n / 4
        rig.push(FRAMES[n % 10] if t_s < 10 else FRAMES[0] if t_s < 60 else black)
        for state in rig.told():
            if not told or told[-1][1] is not state.condition:
                told.append((state.t_s, state.condition))
        rig.advance(0.25)
    rig.loop.stop()
    assert [condition for _, condition in told] == [FIT, FROZEN, DARK]
    assert told[0][0] == 0.0
    assert 10.0 < told[1][0] <= 45.0
    assert 60.0 < told[2][0] <= 66.0


@pytest.fixture
def scripted() -> Iterator[tuple[Rig, ScriptedVision]]:
    vision = ScriptedVision()
    made = Rig(vision=vision)
    yield made, vision
    made.loop.stop()


def test_lost_when_nobody_can_look_at_the_pictures(scripted: tuple[Rig, ScriptedVision]) -> None:
    rig, vision = scripted
    vision.error = ZeroDivisionError("no area")
    rig.loop.start()
    rig.camera.pushed.put(Frame(0.0, 1, jpeg=FRAMES[0]))
    state = rig.next_state()
    assert state.condition is LOST
    assert state.reason == "its pictures can't be examined (ZeroDivisionError)"


def test_the_scene_begins_anew_with_the_next_picture(scripted: tuple[Rig, ScriptedVision]) -> None:
    rig, vision = scripted
    rig.loop.start()
    rig.push(FRAMES[0])
    rig.loop.begin_anew()
    assert vision.begun_anew == 0
    rig.push(FRAMES[1])
    rig.push(FRAMES[2])
    assert vision.begun_anew == 1


def test_every_frame_is_looked_at_in_colour_and_small(scripted: tuple[Rig, ScriptedVision]) -> None:
    rig, vision = scripted
    rig.loop.start()
    for number in range(3):
        rig.push(FRAMES[number])
        rig.advance(0.1)
    assert [t_s for t_s, _ in vision.shown] == pytest.approx([0.0, 0.1, 0.2])
    assert {shape for _, shape in vision.shown} == {(240, 320, 3)}


def test_a_frame_of_an_earlier_time_is_looked_at_as_of_now(
    scripted: tuple[Rig, ScriptedVision],
) -> None:
    rig, vision = scripted
    rig.loop.start()
    rig.advance(9.0)
    rig.push(FRAMES[0])
    rig.number += 1
    rig.camera.asked.acquire(timeout=WAIT_S)
    rig.camera.pushed.put(Frame(8.0, rig.number, jpeg=FRAMES[1]))
    rig.push(FRAMES[2])
    assert [t_s for t_s, _ in vision.shown] == [9.0, 9.0, 9.0]


def test_what_is_seen_is_told_after_the_condition(scripted: tuple[Rig, ScriptedVision]) -> None:
    rig, vision = scripted
    vision.signs = (Sign(Sense.CAMERA, "smoke", 0.0, 0.0, 0.6, ("camera",)),)
    vision.movement = Movement(0.0, True, 0.0)
    told: list[Told] = []
    rig.loop = CameraLoop(rig.camera, rig.clock, vision, told.append, machine_clock=rig.machine)
    rig.loop.start()
    rig.push(FRAMES[0])
    assert told == [CameraState(0.0, FIT, 0.0, ""), *vision.signs, vision.movement]


def test_a_reason_that_changes_with_each_picture_is_not_told_each_time() -> None:
    class Measuring(ScriptedVision):
        def update(self, t_s: float, picture: NDArray[np.uint8]) -> Sight:
            return Sight(t_s, DARK, 0.0, f"the mean is {t_s:g}")

    rig = Rig(vision=Measuring())
    rig.loop.start()
    told: list[CameraState] = []
    for second in range(21):
        rig.push(FRAMES[0])
        told += rig.told()
        rig.advance(1.0)
        assert second == 20 or len(told) <= 1 + second // 10
    rig.loop.stop()
    assert [(state.t_s, state.reason) for state in told] == [
        (0.0, "the mean is 0"),
        (10.0, "the mean is 10"),
        (20.0, "the mean is 20"),
    ]


def test_the_next_frame_is_asked_for_when_one_has_been_looked_at() -> None:
    """A camera gives its newest frame when asked, so a slow look leaves frames out."""
    looking, look_on = threading.Event(), threading.Event()

    class Slow(ScriptedVision):
        def update(self, t_s: float, picture: NDArray[np.uint8]) -> Sight:
            looking.set()
            assert look_on.wait(WAIT_S)
            return super().update(t_s, picture)

    rig = Rig(vision=Slow())
    rig.loop.start()
    assert rig.camera.asked.acquire(timeout=WAIT_S)
    rig.camera.pushed.put(Frame(0.0, 1, jpeg=FRAMES[0]))
    assert looking.wait(WAIT_S)
    assert not rig.camera.asked.acquire(blocking=False)
    look_on.set()
    assert rig.camera.asked.acquire(timeout=WAIT_S)
    rig.loop.stop()


def test_who_takes_frames_holds_up_no_watching(rig: Rig) -> None:
    taken: list[tuple[int, float]] = []

    def stumble(frame: Frame, sight: Sight) -> None:
        taken.append((frame.number, sight.t_s))
        raise OSError("no space left")

    rig.on_frame = stumble
    rig.loop.start()
    rig.push(FRAMES[0])
    rig.advance(1.0)
    rig.push(FRAMES[1])
    assert taken == [(1, 0.0), (2, 1.0)]
    assert {state.condition for state in rig.told()} == {FIT}


def test_a_driver_that_fails_in_its_own_way_is_opened_again(rig: Rig) -> None:
    rig.camera.open_error = RuntimeError("a fault of the driver")
    rig.loop.start()
    rig.opened_again()
    rig.advance(10.0)
    assert rig.told()[-1].reason == "its driver failed (RuntimeError)"
    rig.camera.open_error = None
    rig.push(FRAMES[0])
    assert rig.told()[-1].condition is FIT


@pytest.mark.parametrize(
    ("retry", "pauses_s"),
    [
        pytest.param(True, [0.5, 1.0, 2.0, 4.0, 4.0], id="may come back"),
        pytest.param(False, [4.0, 4.0, 4.0, 4.0, 4.0], id="hopeless"),
    ],
)
def test_the_pauses_between_openings(rig: Rig, retry: bool, pauses_s: list[float]) -> None:
    opened_s: list[float] = []

    class Gone(ScriptedCamera):
        def open(self) -> None:
            opened_s.append(rig.machine.now_s())
            if len(opened_s) == 6:
                enough.set()
                leave.wait(WAIT_S)
            raise CameraError("gone", "gone", retry=retry)

    enough, leave = threading.Event(), threading.Event()
    loop = CameraLoop(Gone(), rig.clock, Vision(), rig.take, machine_clock=rig.machine)
    loop.start()
    assert enough.wait(WAIT_S)
    leave.set()
    loop.stop()
    gaps_s = [later - earlier for earlier, later in pairwise(opened_s[:6])]
    assert gaps_s == pauses_s


def test_a_slow_refusal_is_not_waited_for_twice(rig: Rig) -> None:
    """Pauses count from one opening to the next, so a 5 s timeout needs no pause after it."""
    opened_s: list[float] = []
    enough = threading.Event()

    class Unreachable(ScriptedCamera):
        def open(self) -> None:
            opened_s.append(rig.machine.now_s())
            rig.machine.advance(5.0)
            if len(opened_s) == 4:
                enough.set()
            raise CameraError("far", "no answer within 5 s", retry=True)

    loop = CameraLoop(Unreachable(), rig.clock, Vision(), rig.take, machine_clock=rig.machine)
    loop.start()
    assert enough.wait(WAIT_S)
    loop.stop()
    assert opened_s[:4] == pytest.approx([0.0, 5.1, 10.2, 15.3])


def test_stop_does_not_wait_for_a_driver_that_hangs() -> None:
    let_go = threading.Event()
    told: list[Told] = []

    class Hanging(ScriptedCamera):
        def close(self) -> None:
            let_go.wait(WAIT_S)

        def grab(self) -> Frame:
            let_go.wait(WAIT_S)
            raise CameraError("hanging", "let go", retry=True)

    loop = CameraLoop(Hanging(), SystemClock(), Vision(), told.append)
    loop.start()
    before_s = time.monotonic()
    loop.stop()
    took_s = time.monotonic() - before_s
    let_go.set()
    assert took_s < 5.0  # 0.9 s where nothing else runs


def test_stop_before_start_and_twice(rig: Rig) -> None:
    rig.loop.stop()
    rig.loop.stop()


def test_the_picture_is_encoded_once_when_asked(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    encoded: list[int] = []

    def encode(frame: Frame) -> bytes:
        encoded.append(frame.number)
        return b"jpeg %d" % frame.number

    monkeypatch.setattr("stillair.sensing.camera_loop.encoded", encode)
    rig.loop.start()
    assert rig.loop.latest_jpeg() is None
    for number in (1, 2):
        assert rig.camera.asked.acquire(timeout=WAIT_S)
        rig.camera.pushed.put(Frame(rig.clock.now_s(), number, pixels=picture(number)))
    assert rig.camera.asked.acquire(timeout=WAIT_S)
    assert encoded == []
    assert rig.loop.latest_jpeg() == (b"jpeg 2", 0.0)
    rig.advance(3.0)
    assert rig.loop.latest_jpeg() == (b"jpeg 2", 3.0)
    assert encoded == [2]


def test_a_small_picture_is_made_once_of_each_frame(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[tuple[bytes, int]] = []

    def make(jpeg: bytes, width: int) -> bytes:
        made.append((jpeg, width))
        return narrower(jpeg, width) or b""

    monkeypatch.setattr("stillair.sensing.camera_loop.narrower", make)
    rig.loop.start()
    for frame in FRAMES[:2]:
        rig.push(frame)
        for _ in range(2):
            for width in (320, 640, None):
                latest = rig.loop.latest_jpeg(width)
                assert latest is not None
                size = picture_size(latest[0])
                assert size is not None and size[0] <= (width or 640)
                assert (latest[0] == frame) is (width != 320), "no wider: as it is"
    assert made == [(frame, width) for frame in FRAMES[:2] for width in (320, 640)]
    rig.loop.pause(rig.clock.now_s() + 60.0, "by the captain")
    assert rig.loop.latest_jpeg(320) is None


def test_a_paused_camera_shows_nothing_until_its_time_is_up(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stillair.sensing.camera_loop.encoded", lambda _: b"jpeg")
    rig.loop.start()
    assert rig.camera.asked.acquire(timeout=WAIT_S)
    rig.camera.pushed.put(Frame(rig.clock.now_s(), 1, pixels=picture(1)))
    assert rig.camera.asked.acquire(timeout=WAIT_S)
    assert rig.loop.latest_jpeg() is not None
    until_s = rig.clock.now_s() + 60.0
    rig.loop.pause(until_s, "by the captain")
    assert rig.loop.latest_jpeg() is None
    assert not rig.loop.is_starting, "nobody waits for a picture"
    # The picture that was under way when it was paused is dropped unseen.
    rig.camera.pushed.put(Frame(rig.clock.now_s(), 2, pixels=picture(2)))
    rig.advance(59.0)
    rig.loop.check(until_s - 1.0)
    told = rig.told()[-1]
    assert (told.condition, told.reason) == (CameraCondition.PAUSED, "by the captain")
    assert rig.loop.latest_jpeg() is None
    rig.loop.check(until_s)
    assert rig.loop.paused_until_s is None


def test_a_picture_that_may_wait_is_shown_unseen_and_let_go_of_when_it_is_paused() -> None:
    vision, handed_on = ScriptedVision(), []
    rig = Rig(vision=vision, on_frame=lambda frame, _: handed_on.append(frame.number))
    rig.loop.start()
    for jpeg in FRAMES[:2]:
        rig.push(jpeg)
        rig.advance(0.1)
        vision.due_s = 10.0
    newest = rig.loop.latest()
    assert newest is not None and newest.jpeg == FRAMES[1]
    assert (len(vision.shown), handed_on) == (1, [1, 2])
    rig.loop.pause(60.0, "by the captain")
    rig.loop.go_on()
    rig.push(FRAMES[2])
    rig.loop.stop()
    assert [t_s for t_s, _ in vision.shown] == pytest.approx([0.0, 0.2])


def test_a_picture_on_its_way_to_who_takes_it_is_let_go_of_when_it_is_paused(rig: Rig) -> None:
    taken: list[int] = []
    forgotten = threading.Event()

    def take(frame: Frame, _sight: Sight) -> None:
        loop.pause(rig.clock.now_s() + 60.0, "by the captain")
        taken.append(frame.number)  # it was faster than the pausing, and comes after it

    def forget() -> None:
        if taken:
            taken.clear()
            forgotten.set()

    loop = CameraLoop(
        rig.camera,
        rig.clock,
        rig.vision,
        rig.take,
        take,
        on_pause=forget,
        machine_clock=rig.machine,
    )
    loop.start()
    rig.camera.pushed.put(Frame(rig.clock.now_s(), 1, pixels=picture(1)))
    assert forgotten.wait(WAIT_S)
    loop.stop()
