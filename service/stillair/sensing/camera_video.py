"""Cameras whose pictures OpenCV fetches: a V4L2 device, a network stream, a video file.

A capture is only touched by the thread that reads it; `close` from another
thread has the reader free it, because OpenCV bears no release under a read.
"""

from __future__ import annotations

import math
import os
import socket
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.clock import SystemClock
from stillair.errors import CameraError, InputError
from stillair.sensing.board_files import camera_names
from stillair.sensing.cameras import (
    TIMEOUT_S,
    USUAL_PORTS,
    Lease,
    Pacer,
    network_reason,
    shown_address,
)
from stillair.sensing.holding import Holding
from stillair.sensing.mjpeg import FrameCutter
from stillair.sensing.pictures import fitted, working_picture_of_pixels
from stillair.sensing.protocols import Frame

if TYPE_CHECKING:
    from stillair.clock import Clock

USUAL_FRAMES_PER_S = 25.0  # of a file that doesn't say
BEHIND_S = 2.0  # further behind the clock than this a file is wound on, not read through
BROKEN_FRAMES = 50  # so many in a row that can't be decoded are no stream
STABLE_LINKS = ("by-id", "by-path")  # of udev, best first

_MACHINE = SystemClock()  # devices and networks wait in the machine's time
_REPLUG = "unplug it and plug it in again, into another port or with a shorter cable"
_MJPG = cv2.VideoWriter.fourcc(*"MJPG")

# Read by OpenCV when it first needs them. Addresses with passwords stay out of the log.
os.environ.setdefault("OPENCV_VIDEOIO_V4L_SELECT_TIMEOUT", f"{TIMEOUT_S:.0f}")
os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")
# Its TLS looks at no certificate, and is old: whatever a stream leads to, it isn't spoken. Nor may
# a stream lead to a file of this computer.
_OPTIONS = "OPENCV_FFMPEG_CAPTURE_OPTIONS"
_OF_STREAMS = "rtsp_flags;prefer_tcp|protocol_whitelist;http,rtsp,rtp,udp,tcp"
_OF_FILES = "protocol_whitelist;file"
os.environ[_OPTIONS] = _OF_STREAMS
_FILE_OPENS = threading.Lock()


class _Open:
    """An opened capture and the right to use it."""

    holding: Holding | None = None

    def __init__(self, capture: cv2.VideoCapture, source: str, per_s: float) -> None:
        self.capture = capture
        self.lease = Lease(source, capture.release)
        self.pacer = Pacer(per_s)


class DeviceCamera:
    """A V4L2 device, found again at the same plug or by the same name.

    The number in /dev/videoN changes with the order of plugging in. At the
    first opening the device's stable link under `links` (udev's by-id, else
    by-path) is looked up, and from then on that link is opened. MJPG is asked
    for, so that a frame comes as the camera packed it; a device that has none
    is decoded here. With `lock` what it adapts is held (`Holding`).
    """

    def __init__(
        self,
        path: str,
        clock: Clock,
        *,
        size: tuple[int, int],
        frames_per_s: float,
        lock: bool = True,
        links: Path = Path("/dev/v4l"),
        machine_clock: Clock | None = None,
    ) -> None:
        self.source = path
        self._path = Path(path)
        self._clock = clock
        self._size = size
        self._frames_per_s = frames_per_s
        self._lock = lock
        self._links = links
        self._machine = machine_clock or _MACHINE
        self._link: Path | None = None
        self._open: _Open | None = None
        self._number = 0

    def open(self) -> None:
        self.close()
        path = self.stable_path()
        if not path.exists():
            raise CameraError(
                self.source, "there is no such device", retry=True, remedy=self._elsewhere(path)
            )
        if not os.access(path, os.R_OK | os.W_OK):
            reason = "may not be read by this user, who must be in the group video"
            remedy = "sudo usermod -aG video $USER, then sign in anew"
            raise CameraError(self.source, reason, retry=True, remedy=remedy)
        # numbers change, so the link is followed at each opening
        capture = cv2.VideoCapture(str(path.resolve()), cv2.CAP_V4L2)
        if not capture.isOpened():
            capture.release()
            reason = "is in use elsewhere, or is no camera"
            remedy = self._elsewhere(path) or (
                "stop what uses it, perhaps the service itself, or name another device"
            )
            raise CameraError(self.source, reason, retry=True, remedy=remedy)
        capture.set(cv2.CAP_PROP_FOURCC, _MJPG)
        capture.set(cv2.CAP_PROP_FRAME_WIDTH, self._size[0])
        capture.set(cv2.CAP_PROP_FRAME_HEIGHT, self._size[1])
        capture.set(cv2.CAP_PROP_FPS, self._frames_per_s)
        capture.set(cv2.CAP_PROP_BUFFERSIZE, 1)
        if int(capture.get(cv2.CAP_PROP_FOURCC)) == _MJPG:
            capture.set(cv2.CAP_PROP_CONVERT_RGB, 0)  # the camera's own bytes
        self._open = _Open(capture, self.source, self._frames_per_s)
        if self._lock:
            self._open.holding = Holding(capture, self.source)

    def grab(self) -> Frame:
        opened = _required(self._open, self.source)
        with opened.lease:
            for _ in range(BROKEN_FRAMES):
                if not opened.capture.grab():
                    reason = "gives no more pictures"
                    raise CameraError(self.source, reason, retry=True, remedy=_REPLUG)
                if not opened.pacer.due(self._machine.now_s()):
                    continue
                done, picture = opened.capture.retrieve()
                frame = self._frame(picture) if done else None
                if frame is not None:
                    if opened.holding is not None:
                        opened.holding.after(frame, self._machine.now_s())
                        return replace(frame, is_settling=opened.holding.is_settling)
                    return frame
        raise CameraError(self.source, "gives only broken pictures", retry=True, remedy=_REPLUG)

    def describe(self) -> str:
        path, holding = self.stable_path(), self._open.holding if self._open else None
        place = f" ({path})" if str(path) != self.source else ""
        held = f", {holding.describe()}" if holding is not None else ""
        return f"video device {self.source}{place}{held}"

    def close(self) -> None:
        opened, self._open = self._open, None
        if opened is not None:
            opened.lease.end()

    def stable_path(self) -> Path:
        """The path that stays with the camera; looked up once, while the device is there."""
        if self._link is None and self._path.exists():
            self._link = self._find_link()
        return self._link or self._path

    def _elsewhere(self, path: Path) -> str:
        """By which lasting name the camera may be meant, where its number went to another one."""
        others = [name for name in camera_names(self._links) if Path(name) != path]
        if not others:
            return ""
        return f"its number may have changed: name it {' or '.join(others[:3])} in camera.source"

    def _find_link(self) -> Path:
        if self._path.is_symlink():
            return self._path
        for part in STABLE_LINKS:
            folder = self._links / part
            for link in sorted(folder.iterdir()) if folder.is_dir() else ():
                if link.resolve() == self._path.resolve():
                    return link
        return self._path

    def _frame(self, picture: object) -> Frame | None:
        pixels = np.asarray(picture, dtype=np.uint8)
        self._number += 1
        if pixels.ndim == 3 and pixels.shape[2] == 3:
            small = fitted(pixels, *self._size)
            return Frame(self._clock.now_s(), self._number, pixels=small)
        whole = FrameCutter().feed(pixels.tobytes())
        return Frame(self._clock.now_s(), self._number, jpeg=whole[-1]) if whole else None


class StreamCamera:
    """A network stream that has to be decoded: rtsp, or http other than motion JPEG.

    Opening first tries to connect, because OpenCV can't say why it failed.
    """

    def __init__(
        self,
        address: str,
        clock: Clock,
        *,
        size: tuple[int, int],
        frames_per_s: float,
        timeout_s: float = TIMEOUT_S,
    ) -> None:
        self.source = shown_address(address)
        self._address = address
        self._clock = clock
        self._size = size
        self._frames_per_s = frames_per_s
        self._timeout_s = timeout_s
        self._open: _Open | None = None
        self._number = 0

    def open(self) -> None:
        self.close()
        give_up_s = _MACHINE.now_s() + self._timeout_s
        self._try_to_connect()
        left_ms = max(100, round((give_up_s - _MACHINE.now_s()) * 1000))
        capture = cv2.VideoCapture(
            self._address,
            cv2.CAP_FFMPEG,
            [
                *(cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, left_ms),
                *(cv2.CAP_PROP_READ_TIMEOUT_MSEC, round(self._timeout_s * 1000)),
                *(cv2.CAP_PROP_N_THREADS, 1),
            ],
        )
        if not capture.isOpened():
            capture.release()
            reason = "answers, but not with a video stream that can be read"
            raise CameraError(self.source, reason, retry=True)
        self._open = _Open(capture, self.source, self._frames_per_s)

    def grab(self) -> Frame:
        opened = _required(self._open, self.source)
        with opened.lease:
            for _ in range(BROKEN_FRAMES):
                if not opened.capture.grab():
                    reason = f"the stream ended, or gave no picture for {self._timeout_s:.0f} s"
                    raise CameraError(self.source, reason, retry=True)
                if not opened.pacer.due(_MACHINE.now_s()):
                    continue
                done, picture = opened.capture.retrieve()
                if done and picture is not None:
                    self._number += 1
                    pixels = fitted(np.asarray(picture, dtype=np.uint8), *self._size)
                    return Frame(self._clock.now_s(), self._number, pixels=pixels)
        raise CameraError(self.source, "gives only broken pictures", retry=True)

    def describe(self) -> str:
        return f"video stream {self.source}"

    def close(self) -> None:
        opened, self._open = self._open, None
        if opened is not None:
            opened.lease.end()

    def _try_to_connect(self) -> None:
        parts = urlsplit(self._address)
        host, port = parts.hostname or "", parts.port or USUAL_PORTS[parts.scheme]
        try:
            socket.create_connection((host, port), timeout=self._timeout_s).close()
        except OSError as error:
            reason = network_reason(error, host, port, self._timeout_s)
            raise CameraError(self.source, reason, retry=True) from None


class FileCamera:
    """A video file, played in the chamber's time at its own frame rate, again and again.

    It begins anew at its end, so that a set-up with a file keeps running. Where
    the clock runs faster than the file can be decoded, pictures are left out.
    """

    def __init__(
        self, path: str, clock: Clock, *, size: tuple[int, int], frames_per_s: float
    ) -> None:
        self.source = path
        self._path = Path(path)
        self._clock = clock
        self._size = size
        self._pacer = Pacer(frames_per_s)
        self._frames_per_s = frames_per_s
        self._video: _Video | None = None
        self._closing = threading.Event()
        self._zero_s: float | None = None  # when the clock stood at the file's time 0
        self._next_s: float | None = None  # when the next frame is due, if not at once
        self._number = 0

    def open(self) -> None:
        self.close()
        self._closing = threading.Event()
        self._video = _Video(self._path)
        self._play_on(None)

    def grab(self) -> Frame:
        video, closing = self._video, self._closing
        if video is None:
            raise CameraError(self.source, "not open", retry=True)
        with video.lease:
            due_s = self._clock.now_s()
            broken = 0
            while broken < BROKEN_FRAMES and not closing.is_set():
                position_s = video.advance()
                if position_s is None:
                    video.rewind()
                    self._play_on(due_s + video.period_s)
                    continue
                if self._zero_s is None:
                    begin_s = self._clock.now_s() if self._next_s is None else self._next_s
                    self._zero_s = begin_s - position_s
                due_s = self._zero_s + position_s
                behind_s = self._clock.now_s() - due_s
                if behind_s > BEHIND_S:
                    video.wind_to(position_s + behind_s)
                    self._play_on(None)  # winding takes its time
                    continue
                if behind_s > video.period_s or not self._pacer.due(position_s):
                    continue
                if self._clock.wait(due_s, closing):
                    break
                pixels = video.picture()
                if pixels is not None:
                    self._number += 1
                    small = fitted(pixels, *self._size)
                    return Frame(self._clock.now_s(), self._number, pixels=small)
                broken += 1
        reason = "gives only broken pictures" if broken else "closed"
        raise CameraError(self.source, reason, retry=True)

    def describe(self) -> str:
        return f"video file {self.source}, played again and again"

    def close(self) -> None:
        self._closing.set()
        video, self._video = self._video, None
        if video is not None:
            video.lease.end()

    def _play_on(self, next_s: float | None) -> None:
        """Have the next frame, whatever its place in the file, due at `next_s` or at once."""
        self._zero_s, self._next_s = None, next_s
        self._pacer = Pacer(self._frames_per_s)


class _Video:
    """An opened file and the place in it. Raises `CameraError` where it can't be read."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._capture = self._opened()
        self.lease = Lease(str(path), lambda: self._capture.release())
        frames_per_s = self._capture.get(cv2.CAP_PROP_FPS)
        usable = math.isfinite(frames_per_s) and 0 < frames_per_s <= 1000
        self.period_s = 1.0 / (frames_per_s if usable else USUAL_FRAMES_PER_S)
        self.frames_told = self._capture.get(cv2.CAP_PROP_FRAME_COUNT)
        self.frames_read = 0
        self._position_s: float | None = None

    def advance(self) -> float | None:
        """Go to the next frame; return its time in the file in seconds, or None at the end.

        Times increase: where the container has none, they follow the frame rate.
        """
        if not self._capture.grab():
            if self.frames_read == 0:
                raise CameraError(str(self._path), "holds no picture", retry=False)
            return None
        self.frames_read += 1
        told_s = self._capture.get(cv2.CAP_PROP_POS_MSEC) / 1000.0
        before_s = self._position_s
        if before_s is not None and not told_s > before_s:
            told_s = before_s + self.period_s
        self._position_s = told_s
        return told_s

    def picture(self) -> NDArray[np.uint8] | None:
        """The frame as `(height, width, 3) uint8, BGR`, or None where it can't be decoded."""
        done, picture = self._capture.retrieve()
        return np.asarray(picture, dtype=np.uint8) if done and picture is not None else None

    def rewind(self) -> None:
        """Begin again. Opened anew, because not every container can be wound back."""
        self._capture.release()
        self._capture = self._opened()
        self._position_s = None
        self.frames_read = 0

    def wind_to(self, position_s: float) -> None:
        """Go to about this place of a file that plays round and round."""
        length_s = self.frames_told * self.period_s
        if not (
            length_s > 0
            and self._capture.set(cv2.CAP_PROP_POS_MSEC, position_s % length_s * 1000.0)
        ):
            self.rewind()
        self._position_s = None

    def _opened(self) -> cv2.VideoCapture:
        name = str(self._path)
        if not self._path.exists():
            raise CameraError(name, "there is no such file", retry=True)
        if not self._path.is_file():
            raise CameraError(name, "is no file", retry=True)
        if not os.access(self._path, os.R_OK):
            reason, remedy = "may not be read by this user", "let this user read the file"
            raise CameraError(name, reason, retry=True, remedy=remedy)
        # The library reads its options at each opening, and from the process alone: files have
        # theirs for that moment, and everything else the stricter ones.
        with _FILE_OPENS:
            os.environ[_OPTIONS] = _OF_FILES
            try:
                # the whole path, so that the library can't take a name for an address
                capture = cv2.VideoCapture(
                    str(self._path.resolve()), cv2.CAP_FFMPEG, [cv2.CAP_PROP_N_THREADS, 1]
                )
            finally:
                os.environ[_OPTIONS] = _OF_STREAMS
        if not capture.isOpened():
            capture.release()
            reason, remedy = (
                "is no video that can be read",
                "name a video file that plays elsewhere",
            )
            raise CameraError(name, reason, retry=False, remedy=remedy)
        return capture


def frames_of(path: Path) -> Iterator[tuple[float, NDArray[np.uint8]]]:
    """Each picture of a video file as `(seconds after the first one, working picture)`.

    The times are the container's and increase; the picture is
    `(height, width, 3) uint8, BGR`, at most 320x240. Raises `InputError`, one line,
    for a file that can't be read, holds no picture, or breaks off: fewer than
    half of the pictures that its container tells of.
    """
    video: _Video | None = None
    first_s: float | None = None
    try:
        video = _Video(path)
        while (position_s := video.advance()) is not None:
            if first_s is None:
                first_s = position_s
            pixels = video.picture()
            small = None if pixels is None else working_picture_of_pixels(pixels)
            if small is not None:
                yield position_s - first_s, small
    except CameraError as error:
        raise InputError(f"{path}: {error.reason}") from None
    finally:
        if video is not None:
            video.lease.end()
    if video.frames_told > 2 * video.frames_read:
        told, read = round(video.frames_told), video.frames_read
        raise InputError(f"{path}: breaks off after {read} of {told} pictures")


def _required(opened: _Open | None, source: str) -> _Open:
    if opened is None:
        raise CameraError(source, "not open", retry=True)
    return opened
