"""The telephones of people: who has joined one, joining, trying and removing it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path
from starlette.convertors import Convertor, register_url_convertor

from stillair.access.roles import Principal, Role
from stillair.alerts.telephones import telephone
from stillair.api.entry import Operator, TheAccess, ThePast, Viewer, acting
from stillair.api.schemas import (
    Created,
    Done,
    Joined,
    JoinedTelephone,
    NewTelephone,
    SenderKey,
    Tried,
)
from stillair.errors import CommandRefused, Refusal
from stillair.storage.items import label


class _Id(Convertor[str]):
    """Only what can be an id is taken for one: `key` stands beside them."""

    regex = "[0-9a-f]{16}"

    def convert(self, value: str) -> str:
        return value

    def to_string(self, value: str) -> str:
        return value


register_url_convertor("telephone", _Id())
router = APIRouter(prefix="/api/telephones", tags=["telephones"])

Id = Annotated[str, Path(pattern=r"^[0-9a-f]{16}$", description="its id")]
Remover = Annotated[Principal, acting("telephone removed", Role.OPERATOR)]
Trier = Annotated[Principal, acting("trial sent", Role.OPERATOR)]


@router.get("")
def telephones(service: ThePast, _: Viewer) -> Joined:
    """Those that have joined, the first first, and whose may join; never their addresses."""
    return Joined(
        items=[
            JoinedTelephone(
                id=each.id,
                person=each.person,
                label=each.label,
                added_at=label(each.added_at.timestamp()),
                last_ok_at=None if each.last_ok_at is None else label(each.last_ok_at.timestamp()),
                failing=service.push.failing(each.id),
            )
            for each in service.push.telephones.all()
        ],
        people=list(service.with_telephones()),
    )


@router.get("/key")
def key(service: ThePast, _: Viewer) -> SenderKey:
    """What a telephone's browser is told of this service when it joins (RFC 8292, 3.2)."""
    return SenderKey(key=service.push.public_key())


@router.post("", status_code=201)
def join(new: NewTelephone, service: ThePast, access: TheAccess, by: Operator) -> Created:
    """Take a telephone in; the same one again is harmless.

    409 for somebody without a route "webpush:", for an address to which nothing may be
    posted, and where there are too many.
    """
    if new.person not in service.with_telephones():
        raise CommandRefused(
            Refusal.CONFLICT,
            f'{new.person} is not reached by telephone: the route "webpush:" has to stand among '
            "the person's routes in the chamber file.",
        )
    kept = service.push.telephones
    made = telephone(
        new.person,
        new.label,
        new.endpoint,
        new.p256dh,
        new.auth,
        at=service.wall(),
        own_servers=kept.own_servers,
    )
    kept.add(made, replaces=new.replaces)
    access.act("telephone joined", f"{made.person} {made.id}", by=by.name, address=by.address)
    return Created(id=made.id)


@router.delete("/{telephone:telephone}")
def remove(telephone: Id, service: ThePast, _: Remover) -> Done:
    """Write to it no more; harmless twice."""
    service.push.telephones.remove(telephone)
    return Done()


@router.post("/{telephone:telephone}/trial")
def trial(telephone: Id, service: ThePast, _: Trier) -> Tried:
    """Send it a message that is marked as a trial, within ten seconds, and say what came of it."""
    taken, told = service.push.trial(telephone)
    return Tried(taken=taken, told=told)
