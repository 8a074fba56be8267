"""Bodies that come too slowly or are too large, and origins that are none, never reach a router."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Sequence

import pytest
from starlette.types import Message, Receive, Scope, Send

from stillair.api import guard
from stillair.api.guard import BODY_BYTES, Guard

HOST = (b"host", b"localhost")


class Router:
    """Takes the body, and remembers it."""

    def __init__(self) -> None:
        self.body: bytes | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        body, more = b"", True
        while more:
            message = await receive()
            body += message.get("body", b"")
            more = message.get("more_body", False)
        self.body = body
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b""})


class Pieces(Sequence[bytes]):
    """Pieces of a body, and how many were taken."""

    def __init__(self, pieces: Sequence[bytes]) -> None:
        self._pieces = pieces
        self.taken = 0

    def __len__(self) -> int:
        return len(self._pieces)

    def __getitem__(self, index: int) -> bytes:  # type: ignore[override]
        piece = self._pieces[index]
        self.taken = index + 1
        return piece


async def asked(
    router: Router,
    pieces: Sequence[bytes],
    *headers: tuple[bytes, bytes],
    method: str = "POST",
    ends: bool = True,
) -> tuple[int, dict[str, object]]:
    """Status and problem; after the pieces nothing comes any more unless the body `ends`."""
    coming = iter(pieces)
    sent: list[Message] = []
    left = len(pieces)

    async def receive() -> Message:
        nonlocal left
        left -= 1
        if left < 0:
            await asyncio.Event().wait()
        return {
            "type": "http.request",
            "body": next(coming),
            "more_body": left > 0 or not ends,
        }

    async def send(message: Message) -> None:
        sent.append(message)

    scope = {
        "type": "http",
        "scheme": "http",
        "method": method,
        "path": "/api/jobs",
        "query_string": b"",
        "headers": [HOST, *headers],
    }
    await Guard(router, names=())(scope, receive, send)
    body = b"".join(message.get("body", b"") for message in sent[1:])
    return int(sent[0]["status"]), json.loads(body or b"{}")


async def test_a_whole_body_is_handed_on() -> None:
    router = Router()
    assert (await asked(router, [b"{", b"", b"}"]))[0] == 200
    assert router.body == b"{}"


async def test_a_body_that_trickles_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "BODY_S", 0.05)
    router = Router()
    status, problem = await asked(router, [b"{", b'"', b"n"], ends=False)
    assert (status, problem["status"]) == (408, 408)
    assert router.body is None


@pytest.mark.parametrize(
    ("pieces", "headers"),
    [
        pytest.param([b"x" * 1000] * 100, [], id="in pieces of which nobody knew"),
        pytest.param([b""], [(b"content-length", b"%d" % (BODY_BYTES + 1))], id="as it says"),
        pytest.param([b""], [(b"content-length", b"9" * 5000)], id="in a number of 5000 figures"),
        pytest.param([b""], [(b"content-length", b"\xb2")], id="in no number"),
    ],
)
async def test_a_body_that_is_too_long_is_refused(
    pieces: list[bytes], headers: list[tuple[bytes, bytes]]
) -> None:
    router = Router()
    assert (await asked(router, pieces, *headers))[0] == 413
    assert router.body is None


@pytest.mark.parametrize(
    ("headers", "taken"),
    [
        pytest.param([], 20, id="within the limit, to its end"),
        pytest.param([(b"content-length", b"2000000")], 20, id="at once"),
        pytest.param(
            [(b"content-length", b"2000000"), (b"expect", b"100-continue")], 0, id="asked"
        ),
    ],
)
async def test_what_is_refused_is_taken_so_that_the_answer_arrives(
    headers: list[tuple[bytes, bytes]], taken: int
) -> None:
    pieces = Pieces([b"x" * 10_000] * 20)
    assert (await asked(Router(), pieces, *headers))[0] == 413
    assert pieces.taken == taken


async def test_of_a_refused_body_without_an_end_only_so_much_is_taken(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pieces = Pieces([b"x" * 100_000] * 50)
    assert (await asked(Router(), pieces))[0] == 413
    assert pieces.taken < 20
    monkeypatch.setattr(guard, "UNREAD_S", 0.05)
    assert (await asked(Router(), [b"x"], (b"content-length", b"2000000"), ends=False))[0] == 413


@pytest.mark.parametrize(
    "origin", [b"http://[::1", b"http://evil.example", b"null", b"\xff", b"", b"http://localhost."]
)
async def test_an_origin_that_is_not_ours_is_refused(origin: bytes) -> None:
    router = Router()
    for method in ("GET", "POST"):
        assert (await asked(router, [b""], (b"origin", origin), method=method))[0] == 403
    assert router.body is None
