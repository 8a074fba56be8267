"""For the owner: people and their roles, tokens of programs, and what everybody did."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from stillair.api.entry import NamedOwner, Owner, TheAccess, ThePast
from stillair.api.routers.jobs import MOST_SEQ, Limit
from stillair.api.schemas import Done, Listing, MadeToken, Named, NewPerson, NewToken, OtherRole
from stillair.storage.items import label

router = APIRouter(prefix="/api", tags=["people"])


@router.get("/people")
def people(access: TheAccess, _: Owner) -> Listing:
    """Everybody who may sign in, by name."""
    items = [
        {
            "name": kept.person.name,
            "role": kept.person.role.value,
            "created_at": label(kept.created_at.timestamp()),
            "sessions": kept.sessions,
        }
        for kept in access.kept_people()
    ]
    return Listing(items=list(items), next=None)


@router.post("/people", status_code=201)
def add(new: NewPerson, access: TheAccess, by: NamedOwner) -> Done:
    """Let somebody sign in; 409 where there is one of that name."""
    access.person_add(new.name, new.role, new.password, by=by.name, address=by.address)
    return Done()


@router.post("/people/role")
def role(told: OtherRole, access: TheAccess, by: NamedOwner) -> Done:
    """Give somebody another role; 409 for the last owner."""
    access.person_role(told.name, told.role, by=by.name, address=by.address)
    return Done()


@router.post("/people/remove")
def remove(told: Named, access: TheAccess, by: NamedOwner) -> Done:
    """Remove somebody and end their sessions; 409 for the last owner."""
    access.person_remove(told.name, by=by.name, address=by.address)
    return Done()


@router.post("/people/sign-out")
def sign_out(told: Named, access: TheAccess, by: NamedOwner) -> Done:
    """End all sessions of somebody."""
    access.sign_out_everywhere(told.name, by=by.name, address=by.address)
    return Done()


@router.get("/tokens")
def tokens(access: TheAccess, _: Owner) -> Listing:
    """All tokens, by name; never what they are."""
    items = [
        {
            "name": kept.holder.name,
            "role": kept.holder.role.value,
            "scopes": None if kept.holder.scopes is None else sorted(kept.holder.scopes),
            "chamber": kept.holder.chamber,
            "created_at": label(kept.created_at.timestamp()),
        }
        for kept in access.kept_tokens()
    ]
    return Listing(items=list(items), next=None)


@router.post("/tokens", status_code=201)
def token(new: NewToken, service: ThePast, access: TheAccess, by: NamedOwner) -> MadeToken:
    """Make a token; the answer is the only time that it is shown."""
    chamber = None if new.chamber is None else service.chamber(new.chamber)
    made = access.token_add(
        new.name,
        new.role,
        scopes=frozenset(new.scopes),
        chamber=chamber,
        by=by.name,
        address=by.address,
    )
    return MadeToken(token=made)


@router.post("/tokens/remove")
def token_remove(told: Named, access: TheAccess, by: NamedOwner) -> Done:
    """Make a token worthless, at once."""
    access.token_remove(told.name, by=by.name, address=by.address)
    return Done()


@router.get("/audit")
def audit(
    access: TheAccess,
    _: Owner,
    after: Annotated[
        int | None, Query(ge=0, le=MOST_SEQ, description="only what came after; else the newest")
    ] = None,
    limit: Limit = 200,
) -> Listing:
    """What was done, by whom and from where, newest last."""
    found = access.audit(limit, after=after)
    items = [
        {
            "seq": entry.seq,
            "at": label(entry.at.timestamp()),
            "what": entry.what,
            "subject": entry.subject,
            "by": entry.by,
            "address": entry.address,
        }
        for entry in found
    ]
    more = after is not None and len(found) == limit
    return Listing(items=list(items), next=found[-1].seq if more else None)
