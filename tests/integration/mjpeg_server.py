"""A motion-JPEG server on loopback that can be told to misbehave.

    with MjpegServer(drawn_frames(20)) as server:
        ... server.address ...
        server.manner = Manner.STALL       # every open and later connection
        server.stop(); server.start()      # gone, and back at the same port

`frames_of_video` takes the frames of a real clip.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import socket
import threading
from collections.abc import Callable, Sequence
from enum import StrEnum
from pathlib import Path
from types import TracebackType

import cv2
import numpy as np
from numpy.typing import NDArray

from films import opened_film

BOUNDARY = "frame-by-frame"


class Manner(StrEnum):
    """How the server behaves; looked at before each frame and each answer."""

    PLAY = "play"
    NO_LENGTHS = "no lengths"  # parts without Content-Length
    WRONG_LENGTHS = "wrong lengths"
    CHUNKED = "chunked"  # transfer coding of RFC 9112 7.1, cut in the midst of frames
    STALL = "stall"  # connected, then silent
    MUTE = "mute"  # takes the request and never answers
    GARBAGE = "garbage"  # random bytes as fast as they go
    HALF_FRAMES = "half frames"  # every second frame breaks off
    ONLY_HALF_FRAMES = "only half frames"
    UNDECODABLE = "undecodable"  # whole by its segments, but with nothing to decode in it
    CLOSE = "close"  # ends the stream after each frame
    HANG_UP = "hang up"  # closes before any answer
    WRONG_TYPE = "wrong type"  # a web page
    NOT_HTTP = "not http"
    ENDLESS_HEADERS = "endless headers"
    TRICKLED_HEADERS = "trickled headers"  # one byte at a time
    HUGE_FRAME = "huge frame"  # one picture that never ends
    LOCKED = "locked"  # wants a name and password
    MISSING = "missing"
    ELSEWHERE = "elsewhere"  # redirects to `elsewhere`
    ROUND_IN_CIRCLES = "round in circles"  # redirects to itself


class MjpegServer:
    """Serve `frames` round and round, `frames_per_s` of them, to any number of readers."""

    def __init__(self, frames: Sequence[bytes], *, frames_per_s: float = 20.0) -> None:
        assert frames
        self.frames = frames
        self.frames_per_s = frames_per_s
        self.manner = Manner.PLAY
        self.elsewhere = ""
        self.requests: list[str] = []
        self.frames_sent = 0
        self._sent = threading.Condition()
        self._listener: socket.socket | None = None
        self._port = 0
        self._stopping = threading.Event()
        self._threads: list[threading.Thread] = []
        self._readers: list[socket.socket] = []

    @property
    def port(self) -> int:
        return self._port

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self._port}/stream"

    def __enter__(self) -> MjpegServer:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def start(self) -> None:
        """Listen, at the port of the last time if there was one."""
        self._stopping = threading.Event()
        self._listener = socket.create_server(("127.0.0.1", self._port))
        self._port = self._listener.getsockname()[1]
        self._spawn(self._accept, self._listener)

    def stop(self) -> None:
        """Hang up on everyone and close the port; safe to call twice."""
        self._stopping.set()
        for connection in [*self._readers, *([self._listener] if self._listener else [])]:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
            connection.close()
        for thread in self._threads:
            thread.join()
        self._threads, self._readers, self._listener = [], [], None

    def wait_until_sent(self, count: int, timeout_s: float = 10.0) -> None:
        """Block until so many frames have gone out. Fails the test after the timeout."""
        with self._sent:
            assert self._sent.wait_for(lambda: self.frames_sent >= count, timeout_s)

    def _spawn(self, work: Callable[[socket.socket], None], connection: socket.socket) -> None:
        thread = threading.Thread(target=work, args=(connection,), name="mjpeg server")
        self._threads.append(thread)
        thread.start()

    def _accept(self, listener: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while True:
                reader, _ = listener.accept()
                self._readers.append(reader)
                self._spawn(self._serve, reader)

    def _serve(self, reader: socket.socket) -> None:
        with contextlib.suppress(OSError), reader:
            request = b""
            while b"\r\n\r\n" not in request:
                received = reader.recv(4096)
                if not received:
                    return
                request += received
            self.requests.append(request.decode("latin-1"))
            if self._answer(reader):
                self._play(reader)

    def _answer(self, reader: socket.socket) -> bool:
        """Send the head of the answer; False when no frames are to follow."""
        match self.manner:
            case Manner.MUTE:
                self._stopping.wait()
            case Manner.HANG_UP:
                pass
            case Manner.NOT_HTTP:
                reader.sendall(b"\x00\x01\x02 not a web server\r\n\r\n")
            case Manner.WRONG_TYPE:
                reader.sendall(_head("200 OK", "text/html") + b"<p>Come in</p>")
            case Manner.LOCKED:
                if b"Authorization: Basic" in self.requests[-1].encode("latin-1"):
                    reader.sendall(_head("403 Forbidden", "text/plain"))
                else:
                    reader.sendall(_head("401 Unauthorized", "text/plain"))
            case Manner.MISSING:
                reader.sendall(_head("404 Not Found", "text/plain"))
            case Manner.ELSEWHERE | Manner.ROUND_IN_CIRCLES:
                target = self.elsewhere if self.manner is Manner.ELSEWHERE else "/stream"
                reader.sendall(f"HTTP/1.1 302 Found\r\nLocation: {target}\r\n\r\n".encode())
            case Manner.ENDLESS_HEADERS:
                reader.sendall(b"HTTP/1.1 200 OK\r\n")
                while not self._stopping.is_set():
                    reader.sendall(b"X-More: " + b"m" * 1000 + b"\r\n")
            case Manner.TRICKLED_HEADERS:
                reader.sendall(b"HTTP/1.1 200 OK\r\n")
                for byte in itertools.cycle(b"X: y\r\n"):
                    if self._stopping.wait(0.02):
                        break
                    reader.sendall(bytes([byte]))
            case _:
                kind = f"multipart/x-mixed-replace; boundary={BOUNDARY}"
                chunked = "Transfer-Encoding: chunked\r\n" if self._chunked else ""
                reader.sendall(_head("200 OK", kind, chunked))
                return True
        return False

    def _still(self, manner: Manner) -> bool:
        return self.manner is manner and not self._stopping.is_set()

    @property
    def _chunked(self) -> bool:
        return self.manner is Manner.CHUNKED

    def _play(self, reader: socket.socket) -> None:
        chunked = self._chunked
        for number, frame in enumerate(itertools.cycle(self.frames)):
            if self._stopping.wait(1.0 / self.frames_per_s):
                return
            match self.manner:
                case Manner.STALL | Manner.MUTE:
                    continue
                case Manner.GARBAGE:
                    while self._still(Manner.GARBAGE):
                        reader.sendall(os.urandom(2**16))
                    continue
                case Manner.HUGE_FRAME:
                    reader.sendall(_part(frame[: len(frame) // 2], None))
                    while self._still(Manner.HUGE_FRAME):
                        reader.sendall(b"\x55" * 2**16)
                    continue
                case Manner.HALF_FRAMES if number % 2:
                    part = _part(frame[: len(frame) // 2], len(frame))
                case Manner.ONLY_HALF_FRAMES:
                    part = _part(frame[: len(frame) // 2], len(frame))
                case Manner.UNDECODABLE:
                    part = _part(undecodable(), None)
                case Manner.NO_LENGTHS:
                    part = _part(frame, None)
                case Manner.WRONG_LENGTHS:
                    part = _part(frame, len(frame) // 3)
                case _:
                    part = _part(frame, len(frame))
            if chunked:
                cut = len(part) // 3
                part = b"".join(
                    b"%x\r\n%s\r\n" % (len(piece), piece) for piece in (part[:cut], part[cut:])
                )
            reader.sendall(part)
            with self._sent:
                self.frames_sent += 1
                self._sent.notify_all()
            if self.manner is Manner.CLOSE:
                return


def _head(status: str, kind: str, more: str = "") -> bytes:
    return (
        f"HTTP/1.1 {status}\r\nContent-Type: {kind}\r\n{more}Connection: close\r\n\r\n"
    ).encode()


def _part(body: bytes, length: int | None) -> bytes:
    told = "" if length is None else f"Content-Length: {length}\r\n"
    return f"--{BOUNDARY}\r\nContent-Type: image/jpeg\r\n{told}\r\n".encode() + body + b"\r\n"


def picture(number: int, *, width: int = 640, height: int = 480) -> NDArray[np.uint8]:
    """A scene with a sensor's noise and a bright square that moves from frame to frame."""
    random = np.random.default_rng(number)
    rows = np.linspace(40, 160, height)[:, None, None]
    pixels = rows + random.normal(0.0, 2.0, (height, width, 3))
    left = (number * 17) % (width - width // 8)
    pixels[height // 3 : height // 2, left : left + width // 8] = 230
    return np.clip(pixels, 0, 255).astype(np.uint8)


def packed(pixels: NDArray[np.uint8], quality: int = 80) -> bytes:
    done, data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])
    assert done
    return data.tobytes()


def drawn_frames(count: int, *, width: int = 640, height: int = 480) -> list[bytes]:
    return [packed(picture(number, width=width, height=height)) for number in range(count)]


def frames_of_video(path: Path, count: int, *, width: int = 640) -> list[bytes]:
    """The first frames of a clip, at most `width` wide."""
    capture = opened_film(path)
    frames: list[bytes] = []
    while len(frames) < count and capture.grab():
        done, pixels = capture.retrieve()
        if done:
            scale = min(1.0, width / pixels.shape[1])
            small = cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
            frames.append(packed(np.asarray(small, dtype=np.uint8)))
    capture.release()
    return frames


def undecodable() -> bytes:
    """Segments in good order that promise a picture without any table to decode it by."""
    size = bytes([8, 0, 64, 0, 64, 1, 1, 0x11, 0])
    scan = bytes([1, 1, 0, 0, 63, 0])
    return b"".join(
        (
            b"\xff\xd8",
            b"\xff\xc0" + (len(size) + 2).to_bytes(2) + size,
            b"\xff\xda" + (len(scan) + 2).to_bytes(2) + scan,
            b"\x12\x34\x56",
            b"\xff\xd9",
        )
    )
