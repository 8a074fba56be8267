"""A camera on trial, in a program of its own: what it shows and what its view is worth.

`trying_camera` starts `python -m stillair.runtime.look_through`, writes one question as a line
of JSON, and keeps standard input open: its end is the end of this. What comes back are lines of
JSON; one with `picture_bytes` is followed by so many bytes of JPEG. Whatever a camera or a
stream does to the library that decodes it, it does here, and no watch is in this program: it can
be ended at any moment, and is the first to go where memory runs out.

Nothing is read but devices of pictures and what comes over the network: the library may open
no file, wherever a stream sends it (`sensing.camera_video`).
"""

from __future__ import annotations

import json
import os
import resource
import stat
import sys
import threading
from collections import deque
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from stillair.clock import SystemClock
from stillair.errors import CameraError
from stillair.fire.fitness import LOOK_S, Fitness, ViewTest
from stillair.runtime.viewing import HOLD_S, advice, facets
from stillair.sensing.cameras import open_camera
from stillair.sensing.pictures import packed_anew, working_picture
from stillair.sensing.protocols import Camera, Frame

NICE = 15
VIDEO_MAJOR = 81  # Documentation/admin-guide/devices.txt
PICTURE_PX = (640, 480)  # to aim by
PICTURE_EVERY_S = 0.3
RATE_OVER_S = 3.0
MEMORY_BYTES = 768 << 20  # 16 Mpx, the largest picture taken, need 150 MB
DIED = "the program that looks through it failed"


def main() -> None:
    """Look through one camera until standard input ends, or the camera fails."""
    _be_modest()
    question = json.loads(sys.stdin.readline())
    threading.Thread(target=_end_with_who_asks, daemon=True).start()
    _say({"begun": True})
    try:
        _look(question)
    except CameraError as error:
        _say({"failed": error.reason, "todo": error.remedy})
    except MemoryError:
        _say({"failed": "its pictures are too large for this computer", "todo": ""})
    except Exception as error:  # its words may hold an address
        _say({"failed": f"its driver failed ({type(error).__name__})", "todo": ""})
    sys.stdout.flush()
    os._exit(0)  # a driver's thread may hang


def _be_modest() -> None:
    with suppress(OSError):
        os.nice(NICE)
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("1000")
    for limit, most in (
        (resource.RLIMIT_DATA, MEMORY_BYTES),
        (resource.RLIMIT_CORE, 0),
        (resource.RLIMIT_FSIZE, 0),
    ):
        with suppress(OSError, ValueError):
            resource.setrlimit(limit, (most, most))


def _end_with_who_asks() -> None:
    while os.read(sys.stdin.fileno(), 1 << 10):
        pass
    os._exit(0)


def check_is_camera(source: str) -> None:
    """Refuse what lies under /dev and is no device of pictures: opening one may do something.

    One that isn't there is told by its driver, which knows the others. Raises `CameraError`.
    """
    with suppress(OSError):
        told = Path(source).stat()
        if not stat.S_ISCHR(told.st_mode) or os.major(told.st_rdev) != VIDEO_MAJOR:
            remedy = "name a video device, as one of those that are plugged in"
            raise CameraError(source, "is no camera", retry=False, remedy=remedy)


def _look(question: Mapping[str, Any]) -> None:
    clock = SystemClock()
    source = str(question["source"])
    if "://" not in source:
        check_is_camera(source)
    camera = open_camera(
        source,
        clock,
        width=int(question["width"]),
        height=int(question["height"]),
        frames_per_s=float(question["frames_per_s"]),
        lock=bool(question["lock"]),
    )
    try:
        camera.open()
        _show(camera, clock, question.get("width_mm"))
    finally:
        camera.close()


def _show(camera: Camera, clock: SystemClock, width_mm: float | None) -> None:
    """Tell each picture that is due, and every `LOOK_S` what the view is worth."""
    test, test_s = ViewTest(), clock.now_s()
    came_s: deque[float] = deque()
    begun_s, shown_s = test_s, -PICTURE_EVERY_S
    while True:
        frame = camera.grab()
        picture = working_picture(frame)
        if picture is None:
            raise CameraError(camera.source, "its picture can't be decoded", retry=False)
        now_s = clock.now_s()
        came_s.append(now_s)
        while now_s - came_s[0] > RATE_OVER_S:
            came_s.popleft()
        is_settling = frame.is_settling and now_s - begun_s < HOLD_S
        if is_settling:  # what it will be like is what counts
            test, test_s = ViewTest(), now_s
        else:
            if test.pictures == 0:
                test_s = now_s
            test.update(frame.t_s, picture)
        if test.pictures > 1 and now_s - test_s >= LOOK_S:
            _say({"view": _view(test.result(), width_mm)})
            test, test_s = ViewTest(), now_s
        if now_s - shown_s >= PICTURE_EVERY_S:
            shown_s = now_s
            _say_picture(frame, _rate(came_s), is_settling=is_settling)


def _rate(came_s: deque[float]) -> float | None:
    """Pictures a second of late; None while too few have come to tell."""
    lasted_s = came_s[-1] - came_s[0]
    return round((len(came_s) - 1) / lasted_s, 1) if lasted_s > 1.0 else None


def _view(of: Fitness, width_mm: float | None) -> dict[str, Any]:
    sides = list(facets(of, width_mm))
    return {
        "advice": [{"fault": a.fault.value, "said": a.said, "todo": a.todo} for a in advice(of)],
        "told": sides[-1].told,
        "fit": not any(side.remedy for side in sides),
        "sides": [{"name": side.name, "told": side.told} for side in sides[:-1]],
    }


def _say_picture(frame: Frame, frames_per_s: float | None, *, is_settling: bool) -> None:
    jpeg = packed_anew(frame, *PICTURE_PX)
    if jpeg is None:
        return
    told = {"frames_per_s": frames_per_s, "settling": is_settling, "picture_bytes": len(jpeg)}
    _say(told, jpeg)


def _say(told: Mapping[str, Any], jpeg: bytes = b"") -> None:
    sys.stdout.buffer.write(json.dumps(told).encode() + b"\n" + jpeg)
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    main()
