"""The whole history, taken out as one file, and another one brought in beside it: for owners."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Annotated, Any, BinaryIO

from fastapi import APIRouter, Query, Request
from fastapi.responses import StreamingResponse

from stillair.access.roles import Principal, Role
from stillair.api.entry import TheService, acting
from stillair.api.receiving import BODY, receiving, sent

router = APIRouter(prefix="/api", tags=["archive"])

Taker = Annotated[Principal, acting("history taken out", Role.OWNER)]
Bringer = Annotated[Principal, acting("history brought in", Role.OWNER)]
BLOCK_BYTES = 2**18


@router.get("/archive", response_class=StreamingResponse)
async def take_out(service: TheService, _: Taker) -> StreamingResponse:
    """Everything that is kept, in a zip that other programs read; no accounts, no addresses.

    It is made first, which takes a minute for each half year or so.
    """
    file = await service.moving.take_out()
    headers = {
        "Content-Length": str(os.fstat(file.fileno()).st_size),
        "Content-Disposition": f'attachment; filename="stillair-{datetime.now(UTC):%Y-%m-%d}.zip"',
    }
    return StreamingResponse(_blocks(file), media_type="application/zip", headers=headers)


def _blocks(file: BinaryIO) -> Iterator[bytes]:
    with file:
        while block := file.read(BLOCK_BYTES):
            yield block


@router.post("/archive", openapi_extra=BODY)
async def bring_in(
    request: Request,
    service: TheService,
    _: Bringer,
    as_chamber: Annotated[str | None, Query(alias="as", min_length=1, max_length=200)] = None,
) -> dict[str, Any]:
    """Bring such a file in beside what is here, all of it or nothing; twice is harmless.

    `as`: under which key to bring its chamber in; of several, "key-in-file=key". Answers
    `chambers` (key in the file, key here), and how much was `added` or `already` here.
    """
    with receiving():
        answer: dict[str, Any] = await service.moving.bring_in(sent(request), as_chamber)
    return answer
