"""News as it happens, as server-sent events.

An entry of the ledger has its `seq` as id and its topic as type; `now` is the
state of the chambers, newest only. `Last-Event-ID` resumes; `reset` says that
something was skipped and the page should ask anew.
"""

from __future__ import annotations

import time
from collections.abc import AsyncIterator
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Depends, Header, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import EventSourceResponse
from fastapi.sse import ServerSentEvent

from stillair.access.roles import Role
from stillair.api.entry import ThePast, Viewer, caller, shown
from stillair.api.problems import Problem
from stillair.storage.journal import Entry

router = APIRouter(prefix="/api", tags=["live"])

CHECK_EVERY_S = 30.0  # how long a stream outlives the right to see it
CATCH_UP = 500  # entries sent again after a break; beyond that a page asks anew


async def a_place(service: ThePast, _: Viewer) -> None:
    """Refuse who would be one too many, before the stream has begun. Raises `Problem` (503)."""
    if service.feed.full:
        raise Problem(
            HTTPStatus.SERVICE_UNAVAILABLE,
            "Too many pages are open.",
            headers={"Retry-After": str(round(CHECK_EVERY_S))},
        )


@router.get("/live", response_class=EventSourceResponse, dependencies=[Depends(a_place)])
async def live(
    request: Request,
    service: ThePast,
    person: Viewer,
    last_event_id: Annotated[str | None, Header()] = None,
) -> AsyncIterator[ServerSentEvent]:
    """One stream for each open page."""
    owner = person.may(Role.OWNER)
    viewer = service.feed.join(owner=owner)

    def told_of(entry: Entry) -> ServerSentEvent:
        body = shown(service, person, entry.body)
        return ServerSentEvent(event=entry.topic, id=str(entry.seq), data=body)

    try:
        seen = service.last_seq
        if last_event_id is not None:
            last = int(last_event_id[:18]) if last_event_id.isdecimal() else seen + 1
            missed = await run_in_threadpool(service.missed, last, CATCH_UP)
            if missed.next is not None or last > seen:
                yield ServerSentEvent(event="reset", id=str(seen), data={"reason": "too long away"})
            else:
                for entry in missed.entries:
                    seen = max(seen, entry.seq)
                    yield told_of(entry)
        yield ServerSentEvent(event="now", id=str(seen), raw_data=service.feed.state(owner))
        checked_s = time.monotonic()
        while True:
            told = await viewer.next()
            if time.monotonic() - checked_s > CHECK_EVERY_S:
                checked_s = time.monotonic()
                if await run_in_threadpool(caller, request) is None:
                    return  # signed out or removed meanwhile
            if told.reset:
                seen = service.last_seq
                yield ServerSentEvent(event="reset", id=str(seen), data={"reason": "too slow"})
            for entry in told.entries:
                if entry.seq > seen:
                    seen = entry.seq
                    yield told_of(entry)
            if told.now is not None:
                yield ServerSentEvent(event="now", id=str(seen), raw_data=told.now)
            if told.closed:
                return
    finally:
        service.feed.leave(viewer)
