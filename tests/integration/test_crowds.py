"""Five hundred open streams, and worse readers: the watch goes on, others are answered.

Each stranger has an address of its own on the loopback network, as a crowd in a shed's has.
"""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from integration.test_rights import PASSWORD, command
from running import RunningService, wait_until

STREAMS = 500
EACH = 50  # streams of one address, of 60 connections that it may have
ENOUGH_S = 60.0
ROOM_MB = 100.0  # 300 streams took 18 to 60 MB, 20 of them a service's own of its first minute
POOLED_FILES = 24  # three stores are read through four connections each, of two files
HELD_FILES = 450  # connections and handshakes; a process has 1024


class Crowd(RunningService):
    """A service among many who want something."""

    def connect(self, source: str, *, takes_bytes: int | None = None) -> socket.socket:
        asking = socket.socket()
        if takes_bytes is not None:
            asking.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, takes_bytes)
        asking.settimeout(ENOUGH_S)
        asking.bind((source, 0))
        asking.connect(("127.0.0.1", self.port))
        return asking

    def answers(self, source: str) -> bool:
        """Whether somebody from there gets an answer."""
        with self.connect(source) as asking:
            asking.sendall(head("/api/health"))
            return asking.recv(1000).startswith(b"HTTP/1.1 200")

    def memory_mb(self) -> float:
        found = re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{self.pid}/status").read_text())
        assert found
        return int(found[1]) / 1024

    def files(self) -> int:
        return len(list(Path(f"/proc/{self.pid}/fd").iterdir()))


def head(path: str, *more: str) -> bytes:
    lines = [f"GET {path} HTTP/1.1", "Host: localhost", *more, "", ""]
    return "\r\n".join(lines).encode()


@pytest.fixture(scope="module")
def crowd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Crowd]:
    with Crowd(tmp_path_factory.mktemp("crowd")) as service:
        wait_until(lambda: service.now()["sensors"], within_s=60)
        yield service


@pytest.fixture(autouse=True)
def watched_and_freed(crowd: Crowd) -> Iterator[None]:
    """Whatever happens: no gap in the watch, and everything is given back."""
    mb, files = crowd.memory_mb(), crowd.files()
    yield
    assert not [each for each in crowd.events() if each["kind"] == "watch_gap"]
    assert crowd.get("/api/health")["status"] == "ok"
    wait_until(lambda: crowd.files() <= files + POOLED_FILES, within_s=ENOUGH_S)
    assert crowd.memory_mb() < mb + ROOM_MB
    assert "Traceback" not in crowd.log.read_text()


def test_five_hundred_streams_leave_room_for_others(crowd: Crowd) -> None:
    first_mb = crowd.memory_mb()
    with ExitStack() as stack:
        streams, told = [], []
        for number in range(STREAMS):
            stream = stack.enter_context(crowd.connect(f"127.0.2.{number // EACH + 1}"))
            stream.sendall(head("/api/live"))
            streams.append(stream)
            told.append(stream.recv(12)[9:])
        assert told.count(b"200") == 300
        assert told.count(b"503") == 200
        for _ in range(3):
            assert crowd.answers("127.0.3.1")
            at = crowd.now()["sensors"][0]["at"]
            wait_until(lambda: crowd.now()["sensors"][0]["at"] > at, within_s=ENOUGH_S)  # noqa: B023
        for stream in streams[::100]:
            heard = b""
            while b"event: now" not in heard and (more := stream.recv(65536)):
                heard += more
            assert b"event: now" in heard or b"Too many pages" in heard
        assert crowd.memory_mb() < first_mb + ROOM_MB
        assert crowd.files() < HELD_FILES


def test_who_guesses_passwords_keeps_no_thread_from_others(tmp_path: Path) -> None:
    """More at once than there are threads, while each of them takes as long as it likes."""
    let_go = tmp_path / "let-go"
    slow = f"""
import pathlib, time
from stillair.access import passwords
def is_password(kept, tried):
    while not pathlib.Path({str(let_go)!r}).exists():
        time.sleep(0.01)
    return False
passwords.is_password = is_password
"""
    folder = str(tmp_path / "data")
    command("owner", "add", "captain", "--data-dir", folder, typed=PASSWORD)
    token = command("token", "add", "page", "--role", "viewer", "--data-dir", folder).split()[-1]
    body = b'{"name": "captain", "password": "oars"}'
    lines = ("Content-Type: application/json", f"Content-Length: {len(body)}")
    guess = head("/api/session", *lines).replace(b"GET", b"POST") + body
    with Crowd(tmp_path / "data", before=slow) as service, ExitStack() as stack:
        guessing = [
            stack.enter_context(service.connect(f"127.0.6.{number // EACH + 1}"))
            for number in range(2 * EACH)
        ]
        for each in guessing:
            each.sendall(guess)
        for _ in range(3):
            seen = service.web.get("/api/now", headers={"Authorization": f"Bearer {token}"})
            assert seen.status_code == 200
        let_go.touch()
        told = {each.recv(12)[9:] for each in guessing}
        assert told == {b"401", b"429"}, "most are not even looked at"


def test_readers_that_take_nothing_hold_little(crowd: Crowd) -> None:
    first_mb = crowd.memory_mb()
    with ExitStack() as stack:
        for number in range(200):
            source = f"127.0.4.{number // EACH + 1}"
            asleep = stack.enter_context(crowd.connect(source, takes_bytes=2048))
            path = ("/api/live", "/api/picture", "/api/openapi.json")[number % 3]
            asleep.sendall(head(path))
        assert crowd.answers("127.0.3.1")
        at = crowd.now()["sensors"][0]["at"]
        wait_until(lambda: crowd.now()["sensors"][0]["at"] > at, within_s=ENOUGH_S)
        assert crowd.memory_mb() < first_mb + ROOM_MB


def test_who_sends_byte_by_byte_keeps_nobody_out(crowd: Crowd) -> None:
    body = "Content-Length: 60000"
    half = [
        head("/api/now")[:-2],
        b"GET / HTTP/1.1\r\nHost: " + b"a" * 20_000,
        head("/api/jobs", body).replace(b"GET", b"POST") + b'{"name": "',
        head("/api/jobs", "Transfer-Encoding: chunked").replace(b"GET", b"POST") + b"1\r\n{\r\n",
        head("/api/health", body),
    ]
    with ExitStack() as stack:
        slow = [
            stack.enter_context(crowd.connect(f"127.0.5.{number // 100 + 1}"))
            for number in range(600)
        ]
        for turn in range(3):
            for number, each in enumerate(slow):
                begun = half[number % len(half)]
                try:
                    each.sendall(begun if turn == 0 else b"x")
                except OSError:
                    continue  # hung up on, to make room
            assert crowd.answers("127.0.3.1")
            assert crowd.answers("127.0.5.1"), "one of their own address"
        assert crowd.files() < HELD_FILES
