"""Long answers of the interface, packed for who takes them so.

Columns of readings become a fifth. Only whole JSON answers to a GET are packed: event streams,
pictures, films and files pass through as they are, byte for byte. What packing could tell of a
secret by its length (as a page of another origin might try) is nothing: no answer to a GET holds
one, and such a page has no session here.
"""

from __future__ import annotations

import gzip

from fastapi.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from stillair.api.page_files import takes_gzip

LEAST_BYTES = 1024
LEVEL = 5
AT_ONCE_BYTES = 8 * 1024  # so many are packed within half a millisecond; more get a thread
LEFT = ("content-encoding", "content-range", "etag")


class Packed:
    """Pack what is long and whole."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] != "GET" or not _takes(scope):
            await self._app(scope, receive, send)
            return
        held: Message | None = None

        async def packed(message: Message) -> None:
            nonlocal held
            if message["type"] == "http.response.start" and _is_long(message):
                held = message
                return
            if held is not None:
                start, held = held, None
                if not message.get("more_body", False):
                    message = await _pack(start, message)
                await send(start)
            await send(message)

        await self._app(scope, receive, packed)


def _takes(scope: Scope) -> bool:
    return takes_gzip(Headers(scope=scope).get("accept-encoding", ""))


def _is_long(start: Message) -> bool:
    headers = Headers(raw=start["headers"])
    form = headers.get("content-type", "").partition(";")[0]
    length = headers.get("content-length", "")
    return (
        form == "application/json"
        and length.isdecimal()
        and int(length) >= LEAST_BYTES
        and not any(name in headers for name in LEFT)
    )


async def _pack(start: Message, message: Message) -> Message:
    """The body of an answer packed; the head says so."""
    body: bytes = message["body"]
    if len(body) <= AT_ONCE_BYTES:
        body = gzip.compress(body, LEVEL, mtime=0)
    else:
        body = await run_in_threadpool(gzip.compress, body, LEVEL, mtime=0)
    headers = MutableHeaders(raw=start["headers"])
    headers["content-encoding"] = "gzip"
    headers["content-length"] = str(len(body))
    headers.add_vary_header("Accept-Encoding")
    start["headers"] = headers.raw
    return {**message, "body": body}
