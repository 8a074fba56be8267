"""The reading thread over a real stream: it tells what ails it, and comes back.

The machine's clock runs four times as fast, so that 5 s take little more than one.
"""

from __future__ import annotations

import queue
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest

from integration.mjpeg_server import Manner, MjpegServer, drawn_frames
from stillair.clock import Clock, FasterClock, SystemClock
from stillair.fire.vision import Vision
from stillair.model import CameraCondition, CameraState, Movement, Sign
from stillair.sensing.camera_http import HttpCamera
from stillair.sensing.camera_loop import CameraLoop
from stillair.sensing.protocols import Camera

FIT, LOST = CameraCondition.FIT, CameraCondition.LOST
FRAMES = drawn_frames(10)
WAIT_S = 10.0  # a test that waits longer has failed

Told = CameraState | Sign | Movement


@dataclass
class Live:
    server: MjpegServer
    states: queue.Queue[CameraState]
    loop: CameraLoop

    def wait_for(self, condition: CameraCondition) -> CameraState:
        """The next state of this condition, while `check` is called as the supervisor does."""
        give_up_s = time.monotonic() + WAIT_S
        while time.monotonic() < give_up_s:
            self.loop.check(self.clock.now_s())
            try:
                state = self.states.get(timeout=0.02)
            except queue.Empty:
                continue
            if state.condition is condition:
                return state
        raise AssertionError(f"never {condition}")

    clock: Clock = field(default_factory=SystemClock)


@pytest.fixture
def live() -> Iterator[Live]:
    def no_other_stream() -> Camera:
        raise AssertionError("not to be left to another camera")

    fast = FasterClock(SystemClock(), 4.0)
    states: queue.Queue[CameraState] = queue.Queue()
    with MjpegServer(FRAMES, frames_per_s=40.0) as server:
        camera = HttpCamera(
            server.address, fast, frames_per_s=100.0, other_stream=no_other_stream, timeout_s=0.5
        )

        def take(told: Told) -> None:
            if isinstance(told, CameraState):
                states.put(told)

        loop = CameraLoop(camera, fast, Vision(), take, machine_clock=fast)
        loop.start()
        yield Live(server, states, loop, fast)
        loop.stop()


def test_a_server_that_goes_and_comes_back(live: Live) -> None:
    live.wait_for(FIT)
    live.server.stop()
    lost = live.wait_for(LOST)
    assert lost.reason == f"nothing listens at 127.0.0.1, port {live.server.port}"
    live.server.start()
    came_s = live.clock.now_s()
    assert live.wait_for(FIT).t_s - came_s < 50.0  # 5 s where nothing else runs


@pytest.mark.parametrize(
    ("manner", "reason"),
    [
        (Manner.STALL, "connected, but no picture for 0 s"),
        (Manner.GARBAGE, "sends data, but no picture"),
        (Manner.ONLY_HALF_FRAMES, "connected, but no picture for 0 s"),
        (Manner.UNDECODABLE, "sends pictures that can't be decoded"),
        (Manner.HUGE_FRAME, "sends data, but no picture"),
    ],
)
def test_a_server_that_ails_and_recovers(live: Live, manner: Manner, reason: str) -> None:
    live.wait_for(FIT)
    live.server.manner = manner
    lost = live.wait_for(LOST)
    give_up_s = time.monotonic() + WAIT_S
    while lost.reason != reason:  # first, perhaps, that no picture comes any more
        assert time.monotonic() < give_up_s, f"told {lost.reason!r}"
        lost = live.wait_for(LOST)
    live.server.manner = Manner.PLAY
    live.wait_for(FIT)
    latest = live.loop.latest_jpeg()
    assert latest is not None
    assert latest[0] in FRAMES


def test_half_frames_among_whole_ones_do_no_harm(live: Live) -> None:
    live.wait_for(FIT)
    live.server.manner = Manner.HALF_FRAMES
    live.server.wait_until_sent(live.server.frames_sent + 20)
    live.loop.check(live.clock.now_s())
    told = {live.states.get().condition for _ in range(live.states.qsize())}
    assert told <= {FIT}
