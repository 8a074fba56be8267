"""One door to every kind of camera: `open_camera` looks at the source and picks the driver.

    /dev/video0, /dev/v4l/by-id/...   DeviceCamera   camera_video.py
    a file                            FileCamera     camera_video.py
    rtsp://, rtsps://                 StreamCamera   camera_video.py
    http://, https://                 HttpCamera     camera_http.py
    command:PROGRAM ARGUMENTS         CommandCamera  camera_command.py

A name or password in an address, and whatever stands after its "?", never
appears in `source`, in a message or in a log line.
"""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable
from http.client import HTTPException
from types import TracebackType
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from stillair.errors import CameraError
from stillair.sensing.mjpeg import MAX_FRAME_BYTES, FrameCutter

if TYPE_CHECKING:
    from stillair.clock import Clock
    from stillair.sensing.protocols import Camera

TIMEOUT_S = 5.0  # for opening, and for the next frame
USUAL_PORTS = {"rtsp": 554, "rtsps": 322, "http": 80, "https": 443}
FRUITLESS_BYTES = 2 * MAX_FRAME_BYTES  # so much without a picture is no picture stream
DRAIN_BYTES = 2**22  # what a kernel keeps for a reader that paused


def open_camera(
    source: str,
    clock: Clock,
    *,
    width: int = 640,
    height: int = 480,
    frames_per_s: float = 10.0,
    lock: bool = True,
) -> Camera:
    """A camera for `source`, not yet opened.

    Frames are stamped with `clock`. A device is asked for `width` x `height`;
    a source that is decoded here is shrunk to fit into it; a motion-JPEG
    source is handed through as it comes. No more than `frames_per_s` are
    handed on. A video file plays in `clock`'s time and begins again at its end.
    With `lock` a device's exposure, white balance and focus are held.

    Raises `CameraError` (`retry` False) for a source that no driver could ever take.
    """
    scheme = source.partition(":")[0].lower()
    if scheme == "command":
        from stillair.sensing.camera_command import CommandCamera

        return CommandCamera(source.partition(":")[2], clock, frames_per_s=frames_per_s)
    if scheme in ("http", "https"):
        from stillair.sensing.camera_http import HttpCamera

        def other_stream() -> Camera:
            from stillair.sensing.camera_video import StreamCamera

            return StreamCamera(source, clock, size=(width, height), frames_per_s=frames_per_s)

        return HttpCamera(source, clock, frames_per_s=frames_per_s, other_stream=other_stream)
    from stillair.sensing import camera_video

    size = (width, height)
    if scheme in ("rtsp", "rtsps"):
        return camera_video.StreamCamera(source, clock, size=size, frames_per_s=frames_per_s)
    if "://" in source or not source.strip():
        reason = "not a device, a file, an http, https or rtsp address, or command:PROGRAM"
        raise CameraError(shown_address(source), reason, retry=False)
    if source.startswith("/dev/"):
        return camera_video.DeviceCamera(
            source, clock, size=size, frames_per_s=frames_per_s, lock=lock
        )
    return camera_video.FileCamera(source, clock, size=size, frames_per_s=frames_per_s)


def shown_address(address: str) -> str:
    """The address as it may be shown: without name, password and query.

    Raises `CameraError` where it is no address at all.
    """
    try:
        parts = urlsplit(address)
        host, port = parts.hostname or "", parts.port
    except ValueError:
        raise CameraError("camera", "its address is not well formed", retry=False) from None
    if parts.scheme and not host:
        raise CameraError("camera", "its address names no host", retry=False)
    host = f"[{host}]" if ":" in host else host
    return f"{parts.scheme}://{host}{f':{port}' if port else ''}{parts.path}"


class Pacer:
    """Hold a source that is too fast to `per_s`, counted in the seconds handed in.

    A frame that comes a twentieth of the period early is on time.
    """

    def __init__(self, per_s: float) -> None:
        self._period_s = 1.0 / per_s
        self._due_s: float | None = None

    def due(self, t_s: float) -> bool:
        """Whether the frame of this instant is to be handed on."""
        if self._due_s is None:
            self._due_s = t_s
        if t_s < self._due_s - 0.05 * self._period_s:
            return False
        # a source that is slower than `per_s` saves up one period, not more
        self._due_s = max(self._due_s, t_s - self._period_s) + self._period_s
        return True


class Tap:
    """Draw the newest picture out of a motion-JPEG stream, not more often than `per_s`."""

    def __init__(self, per_s: float, boundary: bytes = b"") -> None:
        self._cutter = FrameCutter(boundary)
        self._pacer = Pacer(per_s)
        self._newest: bytes | None = None
        self._fruitless_bytes = 0
        self._drained_bytes = 0

    @property
    def fruitless(self) -> bool:
        """Whether what came for a long time holds no picture: 16 MiB, twice the longest one."""
        return self._fruitless_bytes > FRUITLESS_BYTES

    def take(self, data: bytes, more: Callable[[], bool], now_s: float) -> bytes | None:
        """Take the next bytes; return a picture when it is the newest one and due at `now_s`.

        `more` says whether the stream holds more already, so that a newer one may be there.
        """
        self._fruitless_bytes += len(data)
        self._drained_bytes += len(data)
        frames = self._cutter.feed(data)
        if frames:
            self._newest, self._fruitless_bytes = frames[-1], 0
        if self._newest is None or (self._drained_bytes < DRAIN_BYTES and more()):
            return None
        newest = self.rest()
        return newest if self._pacer.due(now_s) else None

    def rest(self) -> bytes | None:
        """The picture that was held back for a newer one, when the stream has ended."""
        newest, self._newest, self._drained_bytes = self._newest, None, 0
        return newest


class Lease:
    """Free something exactly once, from any thread, but never under one who is using it.

    Used as a context by the thread that reads. `end` frees at once, or has
    the reader free it as it leaves; after that entering raises `CameraError`.
    """

    def __init__(self, source: str, free: Callable[[], None]) -> None:
        self._source = source
        self._free = free
        self._lock = threading.Lock()
        self._used = False
        self._ended = False

    def end(self) -> None:
        with self._lock:
            if self._ended:
                return
            self._ended = True
            if self._used:
                return
        self._free()

    def __enter__(self) -> None:
        with self._lock:
            if self._ended:
                raise CameraError(self._source, "closed", retry=True)
            self._used = True

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with self._lock:
            self._used = False
            if not self._ended:
                return
        self._free()


def network_reason(error: Exception, host: str, port: int, timeout_s: float) -> str:
    """What went wrong between here and `host`, as one clause for a person."""
    match error:
        case socket.gaierror():
            return f"the name {host} is not known here"
        case ConnectionRefusedError():
            return f"nothing listens at {host}, port {port}"
        case TimeoutError():
            return f"no answer within {timeout_s:.0f} s"
        case ssl.SSLCertVerificationError():
            return f"its certificate is not trusted here ({error.verify_message})"
        case ssl.SSLError():
            return "no secure connection can be agreed with it"
        case HTTPException() | ValueError():
            return "does not answer as a web server does"
        case OSError():
            return (error.strerror or "the connection broke").lower()
    return "the connection broke"
