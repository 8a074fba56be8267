"""Strangers that connect and say nothing: they go, and others get in."""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass

import pytest
import uvicorn
from starlette.types import Receive, Scope, Send

from stillair.runtime import connections
from stillair.runtime.connections import Connection
from stillair.runtime.server import Server, listen

STRANGER, NEIGHBOUR = "127.0.0.2", "127.0.0.3"
ENOUGH_S = 20.0
ASKED = b"GET / HTTP/1.1\r\nHost: here\r\n\r\n"


async def answers(scope: Scope, receive: Receive, send: Send) -> None:
    """200 to everybody; on /body after all of it, on /stream without ever ending, on /flood with
    more than anybody keeps."""
    if scope["path"] == "/body":
        while (await receive()).get("more_body"):
            pass
    await send({"type": "http.response.start", "status": 200, "headers": []})
    if scope["path"] == "/flood":
        for _ in range(1000):
            await send({"type": "http.response.body", "body": bytes(65536), "more_body": True})
    if scope["path"] == "/stream":
        await send({"type": "http.response.body", "body": b"so far", "more_body": True})
        while (await receive())["type"] != "http.disconnect":
            pass
    await send({"type": "http.response.body", "body": b"whole"})


@dataclass(frozen=True)
class Reached:
    """A server that listens, and its port."""

    port: int
    server: Server

    def hung_up_on_all(self) -> bool:
        """Whether all connections end within the patience of this test."""
        give_up_s = time.monotonic() + ENOUGH_S
        while self.server.server_state.connections:
            if time.monotonic() > give_up_s:
                return False
            time.sleep(0.02)
        return True

    @contextmanager
    def held(self) -> Iterator[None]:
        """It looks at nothing meanwhile: who connects and sends has done both when it does."""
        go_on = threading.Event()
        self.server.servers[0].get_loop().call_soon_threadsafe(go_on.wait, ENOUGH_S)
        try:
            yield
        finally:
            go_on.set()

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
    with listen("127.0.0.1", 0) as listener:
        config = uvicorn.Config(
            answers, http=Connection, ws="none", lifespan="off", log_config=None, access_log=False
        )
        ready = threading.Event()
        server = Server(config, ready=ready.set, goodbye=lambda: None)
        thread = threading.Thread(target=lambda: asyncio.run(server.serve(sockets=[listener])))
        thread.start()
        assert ready.wait(ENOUGH_S)
        try:
            yield Reached(listener.getsockname()[1], server)
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
    with serving() as server, ExitStack() as stack:
        with server.held():
            slow = stack.enter_context(server.connect())
            slow.sendall(said)
        if said.startswith(ASKED):
            assert slow.recv(1000).startswith(b"HTTP/1.1 200")
            slow.sendall(b" HTTP/1.1\r\n")
        begun_s = time.monotonic()
        while not hung_up(slow):
            assert time.monotonic() - begun_s < ENOUGH_S


def test_who_trickles_a_body_after_the_answer_is_hung_up_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(connections, "HEAD_S", 0.1)
    with serving() as server, server.connect() as slow:
        slow.sendall(ASKED.replace(b"\r\n\r\n", b"\r\nContent-Length: 60000\r\n\r\n"))
        heard = b""
        while not heard.endswith(b"0\r\n\r\n"):
            heard += slow.recv(1000)
        slow.settimeout(0.01)
        begun_s = time.monotonic()
        with suppress(ConnectionError):
            while time.monotonic() - begun_s < ENOUGH_S:
                slow.sendall(b"x")
                with suppress(TimeoutError):
                    slow.recv(1)
        assert server.hung_up_on_all()


@pytest.mark.parametrize(
    ("method", "path"),
    [(b"GET", b"/"), (b"GET", b"/stream"), (b"POST", b"/body"), (b"HEAD", b"/body")],
)
def test_junk_in_the_midst_of_a_body_is_refused_and_no_error_of_our_own(
    method: bytes, path: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    chunked = ASKED.replace(b"GET / ", b"%s %s " % (method, path), 1)
    chunked = chunked.replace(b"\r\n\r\n", b"\r\nTransfer-Encoding: chunked\r\n\r\n")
    with serving() as server:
        for begun in (chunked + b"zz\r\n", chunked):
            with server.connect() as line:
                line.sendall(begun)
                if begun is chunked:
                    if path != b"/body":
                        assert line.recv(15) == b"HTTP/1.1 200 OK"
                    line.sendall(b"zz\r\n")
                with suppress(ConnectionError):
                    while line.recv(65536):
                        pass
            assert server.hung_up_on_all()
    assert not [record for record in caplog.records if record.exc_info]


def test_who_takes_nothing_is_hung_up_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "STALLED_S", 0.1)
    with serving() as server, server.connect() as asleep:
        asleep.sendall(ASKED.replace(b"/ ", b"/flood ", 1))
        taken = len(asleep.recv(1000))
        assert server.hung_up_on_all()
        with suppress(ConnectionError):
            while data := asleep.recv(65536):
                taken += len(data)
        assert taken < 20 * 2**20, "the rest of 64 MB was kept for nobody"


def test_who_takes_slowly_gets_all(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "STALLED_S", 0.5)
    monkeypatch.setattr(connections, "TAKEN_BYTES", 1)
    with serving() as server, server.connect() as slow:
        slow.sendall(ASKED.replace(b"/ ", b"/flood ", 1))
        taken = 0
        for turn in range(6):
            time.sleep(0.2)
            for _ in range(64 if turn < 5 else 10**6):
                data = slow.recv(65536)
                taken += len(data)
                if not data or data.endswith(b"5\r\nwhole\r\n0\r\n\r\n"):
                    break
        assert taken > 1000 * 65536


async def test_what_is_written_goes_at_once() -> None:
    made: asyncio.Queue[asyncio.StreamWriter] = asyncio.Queue()
    with listen("127.0.0.1", 0) as listener:
        server = await asyncio.start_server(
            lambda _, writer: made.put_nowait(writer), sock=listener
        )
        async with server:
            _, writer = await asyncio.open_connection(*listener.getsockname())
            accepted = await made.get()
            ours = accepted.get_extra_info("socket")
            assert ours.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
            for each in (writer, accepted):
                each.close()
                await each.wait_closed()


def test_a_stream_may_last(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "HEAD_S", 0.05)
    with serving() as server, ExitStack() as stack:
        with server.held():
            stream = stack.enter_context(server.connect())
            stream.sendall(ASKED.replace(b"/ ", b"/stream ", 1))
        heard = b""
        while b"so far" not in heard:
            heard += stream.recv(1000)
        stream.settimeout(0.3)
        with pytest.raises(TimeoutError):
            stream.recv(1000)


def test_two_requests_on_one_connection_with_a_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "HEAD_S", 0.05)
    with serving() as server, ExitStack() as stack:
        with server.held():
            page = stack.enter_context(server.connect())
            page.sendall(ASKED)
        for number in range(2):
            if number:
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
