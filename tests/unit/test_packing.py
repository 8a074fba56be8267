"""Long answers are packed, and nothing else is touched."""

from __future__ import annotations

import gzip

import pytest
from starlette.types import Message, Receive, Scope, Send

from stillair.api.packing import AT_ONCE_BYTES, Packed

LONG = b'{"time_s": [' + b"1795950325.777, " * 100 + b"1]}"
VERY_LONG = LONG * (1 + AT_ONCE_BYTES // len(LONG))


async def answered(
    bodies: list[bytes], form: str, accepted: str = "gzip", method: str = "GET", **more: str
) -> tuple[dict[str, str], bytes]:
    """Headers and body of an answer of these parts, through the packing."""
    whole = {"content-type": form, "content-length": str(len(b"".join(bodies))), **more}
    told: list[Message] = []

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        headers = [
            (name.replace("_", "-").encode(), value.encode()) for name, value in whole.items()
        ]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        for at, body in enumerate(bodies):
            more_body = at + 1 < len(bodies)
            await send({"type": "http.response.body", "body": body, "more_body": more_body})

    async def receive() -> Message:
        raise AssertionError("nothing is asked for")

    async def send(message: Message) -> None:
        told.append(message)

    scope = {"type": "http", "method": method, "headers": [(b"accept-encoding", accepted.encode())]}
    await Packed(app)(scope, receive, send)
    headers = {name.decode(): value.decode() for name, value in told[0]["headers"]}
    return headers, b"".join(message["body"] for message in told[1:])


@pytest.mark.parametrize("body", [LONG, VERY_LONG], ids=["long", "very long"])
async def test_a_long_answer_is_packed_and_says_so(body: bytes) -> None:
    headers, sent = await answered([body], "application/json")
    assert gzip.decompress(sent) == body
    assert len(sent) < len(body) / 5
    assert headers["content-encoding"] == "gzip"
    assert headers["content-length"] == str(len(sent))
    assert headers["vary"] == "Accept-Encoding"


@pytest.mark.parametrize(
    ("bodies", "form", "how"),
    [
        pytest.param([b"{}"], "application/json", {}, id="short"),
        pytest.param([LONG, LONG], "application/json", {}, id="in parts"),
        pytest.param([LONG], "text/event-stream", {}, id="an event stream"),
        pytest.param([LONG], "image/jpeg", {}, id="a picture"),
        pytest.param([LONG], "video/webm", {}, id="a film"),
        pytest.param([LONG], "application/json", {"content_encoding": "br"}, id="packed already"),
        pytest.param([LONG], "application/json", {"content_range": "bytes 0-9/99"}, id="a part"),
        pytest.param([LONG], "application/json", {"accepted": "br"}, id="for who doesn't take it"),
        pytest.param([LONG], "application/json", {"method": "POST"}, id="no GET"),
        pytest.param([LONG], "application/json", {"method": "HEAD"}, id="a head alone"),
    ],
)
async def test_all_else_passes_as_it_is(
    bodies: list[bytes], form: str, how: dict[str, str]
) -> None:
    headers, sent = await answered(bodies, form, **how)
    assert sent == b"".join(bodies)
    assert headers["content-length"] == str(len(sent))
    assert headers.get("content-encoding") == how.get("content_encoding")
