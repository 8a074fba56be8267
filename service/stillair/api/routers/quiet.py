"""What is to be quiet before it comes: the door opened on purpose, alarms out of service."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter

from stillair.access.roles import Principal
from stillair.api.entry import TheService, acting
from stillair.api.schemas import Done, InService, Opening, OutOfService
from stillair.model import EndOpening, ExpectOpening, PutBack, TakeOut

router = APIRouter(prefix="/api/chambers/{chamber}", tags=["watching"])

Opener = Annotated[Principal, acting("door opened on purpose")]
Closer = Annotated[Principal, acting("door said to be shut")]
Remover = Annotated[Principal, acting("alarm switched off")]
Returner = Annotated[Principal, acting("alarm switched on")]


@router.post("/opening")
async def expect_opening(chamber: str, told: Opening, service: TheService, person: Opener) -> Done:
    """The door is opened on purpose: what that does is quiet for some minutes; never danger."""
    answer = await service.command(
        service.chamber(chamber),
        lambda t_s: ExpectOpening(
            t_s=t_s, by=person.name, minutes=told.minutes, reason=told.reason
        ),
    )
    return Done(stored=answer.stored)


@router.post("/opening/end")
async def end_opening(chamber: str, service: TheService, person: Closer) -> Done:
    """The door is shut again; harmless if none was expected open."""
    answer = await service.command(
        service.chamber(chamber), lambda t_s: EndOpening(t_s=t_s, by=person.name)
    )
    return Done(stored=answer.stored)


@router.post("/out-of-service")
async def take_out(chamber: str, told: OutOfService, service: TheService, person: Remover) -> Done:
    """Switch an alarm off until it is put back, for a reason; never danger or attendance."""
    answer = await service.command(
        service.chamber(chamber),
        lambda t_s: TakeOut(
            t_s=t_s, by=person.name, kind=told.kind, subject=told.subject, reason=told.reason
        ),
    )
    return Done(stored=answer.stored)


@router.post("/in-service")
async def put_back(chamber: str, told: InService, service: TheService, person: Returner) -> Done:
    """Switch it on again; harmless if it is on."""
    answer = await service.command(
        service.chamber(chamber),
        lambda t_s: PutBack(t_s=t_s, by=person.name, kind=told.kind, subject=told.subject),
    )
    return Done(stored=answer.stored)
