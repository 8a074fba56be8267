"""A web server on loopback that takes what is posted to it, or does what no server should."""

from __future__ import annotations

import json
import socket
import ssl
import struct
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

Answer = Callable[[socket.socket, threading.Event], None]
HEAD_BYTES = 64 * 1024


@dataclass(frozen=True)
class Posted:
    """One request, as it came."""

    line: str
    headers: dict[str, str]  # by name, in small letters
    body: bytes

    @property
    def told(self) -> dict[str, Any]:
        """Its body as JSON."""
        given: dict[str, Any] = json.loads(self.body)
        return given


class WebReceiver:
    """Take requests one a connection, and answer as `answer` does; it may be changed."""

    def __init__(self, tls: ssl.SSLContext | None = None) -> None:
        self.posted: list[Posted] = []
        self.answer: Answer = answers(200)
        self.connections = 0
        self._tls = tls
        self._came = threading.Condition()
        self._stopping = threading.Event()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listening.getsockname()[1]
        self._threads = [threading.Thread(target=self._listen, name="web receiver")]
        self._threads[0].start()

    def address(self, path: str = "/", host: str = "127.0.0.1") -> str:
        """Where it listens."""
        return f"{'https' if self._tls else 'http'}://{host}:{self.port}{path}"

    def wait_for(self, count: int, timeout_s: float = 60.0) -> list[Posted]:
        """The requests so far, as soon as there are `count`. Fails the test after the timeout."""
        with self._came:
            came = self._came.wait_for(lambda: len(self.posted) >= count, timeout_s)
        assert came, f"{len(self.posted)} of {count} requests came within {timeout_s:.0f} s"
        return list(self.posted)

    def stop(self) -> None:
        """Close the port and whatever is open; safe to call twice."""
        self._stopping.set()
        with suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        for thread in self._threads:
            thread.join(5.0)

    def _listen(self) -> None:
        while not self._stopping.is_set():
            try:
                wire, _ = self._listening.accept()
            except OSError:
                return
            self.connections += 1
            self._threads.append(
                threading.Thread(target=self._serve, args=(wire,), name="web receiver, one")
            )
            self._threads[-1].start()

    def _serve(self, wire: socket.socket) -> None:
        wire.settimeout(10.0)
        with suppress(OSError):
            if self._tls is not None:
                wire = self._tls.wrap_socket(wire, server_side=True)
            request = _request(wire)
            if request is not None:
                with self._came:
                    self.posted.append(request)
                    self._came.notify_all()
                self.answer(wire, self._stopping)
        with suppress(OSError):
            wire.close()


@contextmanager
def receiving(tls: ssl.SSLContext | None = None) -> Iterator[WebReceiver]:
    """A receiver for one block."""
    receiver = WebReceiver(tls)
    try:
        yield receiver
    finally:
        receiver.stop()


def _request(wire: socket.socket) -> Posted | None:
    head = b""
    while b"\r\n\r\n" not in head and len(head) < HEAD_BYTES:
        if not (more := wire.recv(4096)):
            return None
        head += more
    first, _, body = head.partition(b"\r\n\r\n")
    line, *lines = first.decode("latin-1").split("\r\n")
    pairs = [each.partition(": ") for each in lines]
    headers = {name.lower(): value for name, _, value in pairs}
    while len(body) < int(headers.get("content-length", "0")):
        if not (more := wire.recv(4096)):
            return None
        body += more
    return Posted(line, headers, body)


# --- answers ----------------------------------------------------------------------------


def answers(status: int, *headers: str) -> Answer:
    """An ordinary answer."""
    lines = "".join(f"{each}\r\n" for each in (*headers, "Content-Length: 2"))
    return lambda wire, _: wire.sendall(f"HTTP/1.1 {status} said\r\n{lines}\r\nno".encode())


def says_nothing(wire: socket.socket, stopping: threading.Event) -> None:
    """Takes the request and waits."""
    stopping.wait(30.0)


def resets(wire: socket.socket, stopping: threading.Event) -> None:
    """Breaks the connection off with a reset."""
    wire.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))


def hangs_up(wire: socket.socket, stopping: threading.Event) -> None:
    """Closes it without a word."""


def babbles(wire: socket.socket, stopping: threading.Event) -> None:
    """Says what is no HTTP."""
    wire.sendall(b"220 mail.example.org ready\r\n" * 10)


def drips(beginning: bytes, each: bytes) -> Answer:
    """Begins, then says a little now and then, for as long as anybody listens."""

    def drip(wire: socket.socket, stopping: threading.Event) -> None:
        wire.sendall(beginning)
        while not stopping.wait(0.02):
            wire.sendall(each)

    return drip


def floods(wire: socket.socket, stopping: threading.Event) -> None:
    """Sends a body that never ends, as fast as it is taken."""
    wire.sendall(b"HTTP/1.1 200 OK\r\n\r\n")
    while not stopping.is_set():
        wire.sendall(b"x" * 65536)


def in_turn(*each: Answer) -> Answer:
    """One answer after the other, the last of them for ever."""
    left = list(each)

    def answer(wire: socket.socket, stopping: threading.Event) -> None:
        (left.pop(0) if len(left) > 1 else left[0])(wire, stopping)

    return answer


def certified(folder: Path) -> tuple[Path, ssl.SSLContext]:
    """A certificate for localhost that nobody trusts, and the context of a server with it."""
    certificate, key = folder / "certificate.pem", folder / "key.pem"
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256"),
            *("-nodes", "-days", "2", "-subj", "/CN=localhost"),
            *("-addext", "subjectAltName=DNS:localhost"),
            *("-keyout", str(key), "-out", str(certificate)),
        ],
        check=True,
        capture_output=True,
    )
    tls = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    tls.load_cert_chain(certificate, key)
    return certificate, tls
