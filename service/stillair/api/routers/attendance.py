"""Somebody near a box that can burn: here, handed over, gone, or not needed on purpose."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Request

from stillair.access.roles import Principal
from stillair.api.entry import TheService, acting, in_chamber
from stillair.api.nearness import refuse_from_afar
from stillair.api.schemas import Attended, HandingOver, LettingRun
from stillair.model import HandOver, Leave, Present, RunUnattended
from stillair.runtime.attending import due_at, name_of
from stillair.runtime.past import Answer
from stillair.runtime.service import Service

router = APIRouter(prefix="/api/chambers/{chamber}", tags=["attendance"])

SOMEBODY = "Somebody"  # whoever sits at this computer

Nearby = Annotated[Principal, acting("somebody near the box")]
Handing = Annotated[Principal, acting("asked to take over")]
Leaving = Annotated[Principal, acting("left the box")]
LetsRun = Annotated[Principal, acting("job let run unattended")]


@router.post("/presence")
async def presence(chamber: str, request: Request, service: TheService, person: Nearby) -> Attended:
    """Whoever asks is near the box; 409 for a tap from another network, which doesn't count."""
    key = _key(service, chamber, person)
    settings = service.watched(key).settings
    refuse_from_afar(request, settings)
    name = name_of(settings, person.name)
    answer = await service.command(key, lambda t_s: Present(t_s=t_s, by=person.name, person=name))
    return _attended(service, key, answer)


@router.post("/hand-over")
async def hand_over(
    chamber: str, told: HandingOver, service: TheService, person: Handing
) -> Attended:
    """Ask somebody of the chamber's people to come; they get a message, and take over by a tap."""
    key = _key(service, chamber, person)
    by = name_of(service.watched(key).settings, person.name) or SOMEBODY
    answer = await service.command(key, lambda t_s: HandOver(t_s=t_s, by=by, to=told.to))
    return _attended(service, key, answer)


@router.post("/leave")
async def leave(chamber: str, service: TheService, person: Leaving) -> Attended:
    """Whoever was near goes: the next person is told at once."""
    key = _key(service, chamber, person)
    answer = await service.command(key, lambda t_s: Leave(t_s=t_s, by=person.name))
    return _attended(service, key, answer)


@router.post("/unattended")
async def unattended(
    chamber: str, told: LettingRun, service: TheService, person: LetsRun
) -> Attended:
    """Nobody has to be near until this job is over, on purpose and for a reason."""
    key = _key(service, chamber, person)
    answer = await service.command(
        key,
        lambda t_s: RunUnattended(t_s=t_s, by=person.name, reason=told.reason, job=told.job),
    )
    return _attended(service, key, answer)


def _attended(service: Service, key: str, answer: Answer) -> Attended:
    return Attended(stored=answer.stored, due_at=due_at(service.watched(key)))


def _key(service: Service, chamber: str, person: Principal) -> str:
    key = service.chamber(chamber)
    in_chamber(person, key)
    return key
