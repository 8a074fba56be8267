"""Strangers at the door of a TLS server: silent ones go, others get in."""

from __future__ import annotations

import asyncio
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
import uvicorn
from starlette.types import Receive, Scope, Send

from stillair.access.certificates import Certificates
from stillair.runtime import greeting
from stillair.runtime.connections import Connection
from stillair.runtime.greeting import Greetings
from stillair.runtime.identity import IdentityKeeper
from stillair.runtime.server import Server

ENOUGH_S = 20.0
NOW = datetime(2027, 3, 14, tzinfo=UTC)
ASKED = b"GET / HTTP/1.1\r\nHost: here\r\n\r\n"
UNKNOWN = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)  # of whom the other is, other tests ask
UNKNOWN.check_hostname = False
UNKNOWN.verify_mode = ssl.CERT_NONE


async def answers(scope: Scope, receive: Receive, send: Send) -> None:
    """200 to everybody, and over what it was asked."""
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": scope["scheme"].encode()})


@dataclass(frozen=True)
class Door:
    """A TLS server that listens."""

    port: int
    server: Server

    def connect(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), ENOUGH_S)

    def ask(self) -> bytes:
        with self.connect() as plain, UNKNOWN.wrap_socket(plain) as secure:
            secure.sendall(ASKED)
            said = b""
            while not said.endswith((b"https\r\n0\r\n\r\n",)) and (more := secure.recv(1000)):
                said += more
            return said


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    kept = Certificates(tmp_path)
    kept.make("shed", ["127.0.0.1"], NOW)
    keeper = IdentityKeeper(kept, names=list, wall=lambda: NOW, on_trouble=lambda *_: None)
    keeper.start()
    greetings = Greetings(keeper.context, Connection)
    with socket.create_server(("127.0.0.1", 0), backlog=200) as listener:
        config = uvicorn.Config(
            answers,
            http=greetings,  # type: ignore[arg-type]  # it is called like a class
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
        )
        ready = threading.Event()
        server = Server(config, ready=ready.set, goodbye=greetings.close)
        thread = threading.Thread(target=lambda: asyncio.run(server.serve(sockets=[listener])))
        thread.start()
        assert ready.wait(ENOUGH_S)
        try:
            yield Door(listener.getsockname()[1], server)
        finally:
            server.should_exit = True
            thread.join(ENOUGH_S)
            assert not thread.is_alive()


def hung_up(connection: socket.socket) -> bool:
    """Whether the other side ends it, before the socket's own patience does."""
    try:
        while connection.recv(1000):
            pass  # an alert may come first
    except ConnectionError:
        pass
    return True


def test_it_answers_over_https(door: Door) -> None:
    for _ in range(3):
        assert door.ask().startswith(b"HTTP/1.1 200")


def test_one_who_comes_too_often_crowds_out_nobody_else(
    door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(greeting, "HANDSHAKES", 5)
    with ExitStack() as open_ones:

        def come(address: str) -> socket.socket:
            return open_ones.enter_context(
                socket.create_connection(("127.0.0.1", door.port), ENOUGH_S, (address, 0))
            )

        slow = come("127.0.0.2")
        many = [come("127.0.0.3") for _ in range(12)]
        for one in many[:-4]:
            assert hung_up(one)
        with UNKNOWN.wrap_socket(slow) as secure:
            secure.sendall(ASKED)
            assert secure.recv(1000).startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize(
    "said",
    [
        pytest.param(b"", id="nothing at all"),
        pytest.param(b"\x16\x03\x01\x02\x00", id="the beginning of a hello"),
    ],
)
def test_who_does_not_greet_is_hung_up_on(
    door: Door, said: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(greeting, "HEAD_S", 0.1)
    with door.connect() as slow:
        slow.sendall(said)
        assert hung_up(slow)
    assert not door.server.server_state.connections


@pytest.mark.parametrize(
    "said",
    [pytest.param(ASKED, id="HTTP in clear"), pytest.param(bytes(500), id="junk")],
)
def test_who_speaks_something_else_is_hung_up_on(door: Door, said: bytes) -> None:
    with door.connect() as other:
        other.sendall(said)
        assert hung_up(other)
    assert door.ask().startswith(b"HTTP/1.1 200")


def test_of_too_many_silent_ones_the_oldest_goes(
    door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(greeting, "HANDSHAKES", 10)
    with ExitStack() as stack:
        silent = [stack.enter_context(door.connect()) for _ in range(25)]
        assert all(hung_up(one) for one in silent[:15])
        assert door.ask().startswith(b"HTTP/1.1 200")
        silent[-1].setblocking(False)
        with pytest.raises(BlockingIOError):
            silent[-1].recv(1)


def test_what_comes_with_the_last_word_of_the_greeting_is_not_lost(door: Door) -> None:
    there, back = ssl.MemoryBIO(), ssl.MemoryBIO()
    client = UNKNOWN.wrap_bio(back, there)
    with door.connect() as plain:
        while True:
            try:
                client.do_handshake()
                break
            except ssl.SSLWantReadError:
                plain.sendall(there.read())
                back.write(plain.recv(10_000))
        client.write(ASKED)
        plain.sendall(there.read())  # Finished and the request in one piece
        said = b""
        while b"https" not in said:
            try:
                said += client.read(10_000)
            except ssl.SSLWantReadError:
                more = plain.recv(10_000)
                assert more, said
                back.write(more)
    assert said.startswith(b"HTTP/1.1 200")


def test_who_leaves_in_the_middle_leaves_nothing_behind(door: Door) -> None:
    for _ in range(20):
        with door.connect() as gone:
            gone.sendall(b"\x16\x03\x01\x02\x00")
    assert door.ask().startswith(b"HTTP/1.1 200")
