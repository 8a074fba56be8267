"""Strangers that connect and say nothing: they go, and others get in."""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

import pytest
import uvicorn
from starlette.types import Receive, Scope, Send

from stillair.runtime import connections
from stillair.runtime.connections import Connection
from stillair.runtime.server import Server

STRANGER, NEIGHBOUR = "127.0.0.2", "127.0.0.3"
ENOUGH_S = 20.0
ASKED = b"GET / HTTP/1.1\r\nHost: here\r\n\r\n"


async def answers(scope: Scope, receive: Receive, send: Send) -> None:
    """200 to everybody; on /stream without ever ending."""
    await send({"type": "http.response.start", "status": 200, "headers": []})
    if scope["path"] == "/stream":
        await send({"type": "http.response.body", "body": b"so far", "more_body": True})
        while (await receive())["type"] != "http.disconnect":
            pass
    await send({"type": "http.response.body", "body": b"whole"})


@dataclass(frozen=True)
class Reached:
    """A server that listens, and its port."""

    port: int

    def connect(self, source: str = "127.0.0.1") -> socket.socket:
        return socket.create_connection(
            ("127.0.0.1", self.port), ENOUGH_S, source_address=(source, 0)
        )

    def ask(self, source: str, request: bytes = ASKED) -> bytes:
        """The beginning of an answer, b"" if it hangs up."""
        with self.connect(source) as asking:
            try:
                asking.sendall(request)
                return asking.recv(1000)
            except ConnectionError:
                return b""


@contextmanager
def serving() -> Iterator[Reached]:
    with socket.create_server(("127.0.0.1", 0), backlog=100) as listener:
        config = uvicorn.Config(
            answers, http=Connection, ws="none", lifespan="off", log_config=None, access_log=False
        )
        ready = threading.Event()
        server = Server(config, ready=ready.set, goodbye=lambda: None)
        thread = threading.Thread(target=lambda: asyncio.run(server.serve(sockets=[listener])))
        thread.start()
        assert ready.wait(ENOUGH_S)
        try:
            yield Reached(listener.getsockname()[1])
        finally:
            server.should_exit = True
            thread.join(ENOUGH_S)


def hung_up(connection: socket.socket) -> bool:
    """Whether the other side ends it, before the socket's own patience does."""
    try:
        return connection.recv(1000) == b""
    except ConnectionError:
        return True


@pytest.mark.parametrize(
    "said",
    [
        pytest.param(b"", id="nothing at all"),
        pytest.param(b"GET / HTTP/1.1\r\nHost: he", id="half a head"),
        pytest.param(ASKED + b"GET /", id="one request and half a head"),
    ],
)
def test_who_sends_no_whole_head_is_hung_up_on(
    said: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connections, "HEAD_S", 0.1)
    with serving() as server, server.connect() as slow:
        slow.sendall(said)
        if said.startswith(ASKED):
            assert slow.recv(1000).startswith(b"HTTP/1.1 200")
            slow.sendall(b" HTTP/1.1\r\n")
        begun_s = time.monotonic()
        while not hung_up(slow):
            assert time.monotonic() - begun_s < ENOUGH_S


def test_a_stream_may_last(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "HEAD_S", 0.05)
    with serving() as server, server.connect() as stream:
        stream.sendall(ASKED.replace(b"/ ", b"/stream ", 1))
        heard = b""
        while b"so far" not in heard:
            heard += stream.recv(1000)
        stream.settimeout(0.3)
        with pytest.raises(TimeoutError):
            stream.recv(1000)


def test_two_requests_on_one_connection_with_a_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "HEAD_S", 0.05)
    with serving() as server, server.connect() as page:
        for _ in range(2):
            page.sendall(ASKED)
            heard = b""
            while not heard.endswith(b"0\r\n\r\n"):
                heard += page.recv(1000)
            assert heard.startswith(b"HTTP/1.1 200")
            time.sleep(0.15)  # longer than a head may take: between requests is another matter


@pytest.mark.parametrize("source", [STRANGER, NEIGHBOUR], ids=["the same address", "another"])
def test_silent_ones_make_room(source: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "PER_ADDRESS", 5)
    with serving() as server, ExitStack() as stack:
        silent = [stack.enter_context(server.connect(STRANGER)) for _ in range(12)]
        assert server.ask(source).startswith(b"HTTP/1.1 200")
        assert all(hung_up(each) for each in silent[:7])


def test_who_uses_all_of_an_address_is_refused_and_others_are_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(connections, "PER_ADDRESS", 3)
    with serving() as server, ExitStack() as stack:
        for _ in range(3):
            stream = stack.enter_context(server.connect(STRANGER))
            stream.sendall(ASKED.replace(b"/ ", b"/stream ", 1))
            assert stream.recv(1000)
        assert server.ask(STRANGER) == b""
        assert server.ask(NEIGHBOUR).startswith(b"HTTP/1.1 200")


def test_many_addresses_together_keep_nobody_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "ALL_CONNECTIONS", 6)
    with serving() as server, ExitStack() as stack:
        for number in range(20):
            stack.enter_context(server.connect(f"127.0.1.{number + 1}"))
        assert server.ask(NEIGHBOUR).startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize(
    ("client", "counted_as"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::"),
        ("fe80::1%eth0", "fe80::"),
        ("", ""),
    ],
)
def test_an_address_is_what_one_stranger_has(client: str, counted_as: str) -> None:
    assert connections.neighbourhood_of(client) == counted_as
