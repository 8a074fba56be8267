"""What looking at pictures costs: by detector, end to end from a JPEG, and in memory."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from bench.figures import Figure
from bench.fire_scenes import scene
from stillair.fire.sparing import Sparing
from stillair.fire.vision import Vision
from stillair.sensing.pictures import working_picture
from stillair.sensing.protocols import Frame
from stillair.simulation.look import Look
from stillair.simulation.scene import Scene
from stillair.simulation.view import SceneState

PICTURES = 450
USUAL, LARGE = (640, 480), (1280, 720)
SECONDS_SENT = 20  # then from the beginning again


class _Timed:
    """Counts the processor time of a call."""

    def __init__(self, call: Callable[..., Any]) -> None:
        self._call, self.spent_s, self.calls = call, 0.0, 0

    def __call__(self, *given: Any, **named: Any) -> Any:
        begun_s = time.thread_time()
        self.calls += 1
        try:
            return self._call(*given, **named)
        finally:
            self.spent_s += time.thread_time() - begun_s


def by_detector() -> Iterator[Figure]:
    """Milliseconds a picture of 320x240 at 15 a second, for everything and for each part."""
    for kind in ("building", "flame at the part", "plume, then layer"):
        pictures = []
        for frame in scene(kind, 1, frames_per_s=15.0).frames():
            pictures.append(frame)
            if len(pictures) >= PICTURES:
                break
        vision = Vision()
        parts: dict[str, _Timed] = {}
        for name, part in vars(vision).items():
            if hasattr(part, "update") and not isinstance(part, dict):
                timed = _Timed(part.update)
                part.update = timed
                parts[name.strip("_")] = timed
        times_s = []
        for t_s, picture in pictures:
            begun_s = time.thread_time()
            vision.update(t_s, picture)
            times_s.append(time.thread_time() - begun_s)
        name = f"a picture of 320x240, {kind}"
        yield Figure(f"{name}, mean", 1e3 * float(np.mean(times_s)), "ms")
        yield Figure(f"{name}, most", 1e3 * max(times_s), "ms")
        for part, timed in parts.items():
            yield Figure(f"{name}, of it {part}", 1e3 * timed.spent_s / len(pictures), "ms")


def jpegs(size: tuple[int, int], per_s: float, count: int, *, moving: bool) -> list[bytes]:
    """What a camera sends of a box in which a machine builds, or nothing moves but its noise."""
    drawing = Scene(1, Look.by_lot(1), size)
    sent = []
    for n in range(count):
        state = SceneState(n / per_s, parked=not moving, working=moving,
                           built_s=900.0 + n / per_s, height_mm=40.0, pieces=4)  # fmt: skip
        _, data = cv2.imencode(".jpg", drawing.draw(state), [cv2.IMWRITE_JPEG_QUALITY, 85])
        sent.append(data.tobytes())
    return sent


def end_to_end() -> Iterator[Figure]:
    """From a JPEG to what is seen, as the service does it."""
    for size, per_s, moving in (
        (USUAL, 10.0, False),
        (USUAL, 15.0, False),
        (USUAL, 15.0, True),
        (LARGE, 15.0, True),
    ):
        sent = jpegs(size, per_s, round(per_s * SECONDS_SENT), moving=moving)
        vision = Vision()
        decoded = _Timed(working_picture)
        looks: Sparing[Frame] = Sparing(vision, decoded)
        begun_s = time.thread_time()
        for n in range(PICTURES):
            looks.take(n / per_s, Frame(n / per_s, n, jpeg=sent[n % len(sent)]))
        spent_s = time.thread_time() - begun_s
        what = "a machine at work" if moving else "nothing moving"
        name = f"end to end, {what}, {size[0]}x{size[1]} at {per_s:.0f}/s"
        yield Figure(name, 1e3 * spent_s / PICTURES, "ms")
        yield Figure(f"{name}, of it decoding", 1e3 * decoded.spent_s / PICTURES, "ms")
        yield Figure(f"{name}, looked at", decoded.calls / PICTURES * per_s, "a second")


_MEMORY = """
import sys
def resident_mb():
    line = next(l for l in open('/proc/self/status') if l.startswith('VmRSS'))
    return int(line.split()[1]) / 1e3
import stillair.runtime.service, stillair.api.app
before_mb = resident_mb()
import numpy as np
from stillair.fire.vision import Vision
from stillair.sensing.pictures import working_picture
from stillair.sensing.protocols import Frame
from stillair.sensing import cameras
vision, rng = Vision(), np.random.default_rng(1)
base = rng.integers(60, 180, (720, 1280, 3), dtype=np.uint8)
import cv2
jpeg = cv2.imencode('.jpg', cv2.GaussianBlur(base, (0, 0), 3.0))[1].tobytes()
del base
for n in range(1500):
    picture = working_picture(Frame(n / 15, n, jpeg=jpeg))
    vision.update(n / 15, cv2.add(picture, rng.integers(0, 6, picture.shape, dtype=np.uint8)))
print(before_mb, resident_mb())
"""


def memory() -> Iterator[Figure]:
    """Resident memory of the service's own imports, and what a camera's pictures add."""
    service = Path(__file__).resolve().parents[2] / "service"
    code = f"import sys; sys.path.insert(0, {str(service)!r})\n{_MEMORY}"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    before_mb, after_mb = (float(word) for word in done.stdout.split())
    yield Figure("resident memory of the imports, without a camera", before_mb, "MB")
    added_mb = after_mb - before_mb
    yield Figure("more of it with a camera, OpenCV included", added_mb, "MB")


def cost_figures() -> Iterator[Figure]:
    """All of it; times are of one thread's processor time."""
    yield from by_detector()
    yield from end_to_end()
    yield from memory()
