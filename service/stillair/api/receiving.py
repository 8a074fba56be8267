"""A file that somebody sends as the body of a request, block by block, and what may go wrong."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from http import HTTPStatus

from fastapi import Request
from starlette.requests import ClientDisconnect

from stillair.api.guard import FILE
from stillair.api.problems import Problem
from stillair.errors import NoRoomError

SILENT_S = 20.0  # for the next block of a file
WHOLE_S = 3600.0  # for all of it, over the slowest wireless network of a shed
BODY = {
    "requestBody": {
        "required": True,
        "content": {form: {"schema": {"type": "string", "format": "binary"}} for form in FILE[1]},
    }
}


async def sent(request: Request) -> AsyncIterator[bytes]:
    """The body block by block. Raises `TimeoutError` where it doesn't come."""
    stream = request.stream()
    async with asyncio.timeout(WHOLE_S):
        while True:
            try:
                async with asyncio.timeout(SILENT_S):
                    block = await anext(stream)
            except StopAsyncIteration:
                return
            yield block


@contextmanager
def receiving() -> Iterator[None]:
    """Tell whoever sends a file why it can't be taken."""
    try:
        yield
    except NoRoomError as error:
        raise Problem(HTTPStatus.INSUFFICIENT_STORAGE, str(error)) from None
    except TimeoutError:
        raise Problem(
            HTTPStatus.REQUEST_TIMEOUT, f"Nothing more of the file came for {SILENT_S:g} s."
        ) from None
    except ClientDisconnect:
        raise Problem(HTTPStatus.BAD_REQUEST, "The file did not come to its end.") from None
