"""The chamber file from a page: what is there, what would change, written, undone: for owners."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated, Any

from fastapi import APIRouter, BackgroundTasks, Depends, Request
from pydantic import Field

from stillair.access.roles import Principal, Role
from stillair.api.entry import Owner, acting
from stillair.api.problems import Problem
from stillair.api.schemas import Done, Posted
from stillair.config.changes import Change, Proposal
from stillair.errors import SettingsError
from stillair.runtime.changing import Changing, materials

router = APIRouter(prefix="/api", tags=["setting up"])

MOST_CHANGES = 60


def changing(request: Request) -> Changing:
    found: Changing = request.app.state.changing
    return found


TheFiles = Annotated[Changing, Depends(changing)]
Changer = Annotated[Principal, acting("chamber file changed", Role.OWNER)]
Undoer = Annotated[Principal, acting("change of the chamber file undone", Role.OWNER)]


class Changes(Posted):
    """What to change in the file of a chamber, of which `base` is what it was known by."""

    chamber: Annotated[str, Field(max_length=200)]
    base: Annotated[str, Field(max_length=64)]
    changes: Annotated[list[Change], Field(min_length=1, max_length=MOST_CHANGES)]


class Undone(Posted):
    chamber: Annotated[str, Field(max_length=200)]
    base: Annotated[str, Field(max_length=64)]


@router.get("/chamber-files")
def chamber_files(files: TheFiles, _: Owner) -> dict[str, Any]:
    """Each chamber file as it is, without secrets, and what can be undone."""
    returned = files.returned
    return {
        "items": [
            {
                "chamber": now.chamber,
                "file": now.file,
                "base": now.digest,
                "simulated": now.simulated,
                "fixed": now.fixed,
                "by_hand": now.by_hand,
                "faults": list(now.faults),
                "settings": now.settings,
                "undo": now.undo,
            }
            for now in files.now()
        ],
        "returned": None
        if returned is None
        else {"words": returned.words, "why": returned.why, "at": returned.at},
        "materials": materials(),
        "gap_s": None if files.gap_s is None else round(files.gap_s, 1),
    }


@router.post("/chamber-files/proposal")
def proposal(body: Changes, files: TheFiles, _: Owner) -> dict[str, Any]:
    """What would change, in words; nothing is written."""
    return _told(checked(lambda: files.propose(body.chamber, body.base, body.changes)))


@router.post("/chamber-files", status_code=202)
def change(
    body: Changes, files: TheFiles, by: Changer, afterwards: BackgroundTasks
) -> dict[str, Any]:
    """Write the changes, and have the service begin anew with them within seconds."""
    found, anew = checked(lambda: files.change(body.chamber, body.base, body.changes, by.name))
    if anew:
        afterwards.add_task(files.begin_anew)
    return {**_told(found), "begins_anew": anew}


@router.post("/chamber-files/undo", status_code=202)
def undo(body: Undone, files: TheFiles, by: Undoer, afterwards: BackgroundTasks) -> dict[str, Any]:
    """Put back what was before the newest change, and have the service begin anew with it."""
    words = checked(lambda: files.undo(body.chamber, body.base, by.name))
    afterwards.add_task(files.begin_anew)
    return {"words": words, "begins_anew": True}


@router.post("/chamber-files/seen")
def seen(files: TheFiles, _: Owner) -> Done:
    """Whoever looks after it has read that a change was taken back by itself, and why."""
    files.seen()
    return Done()


@router.get("/finding")
def finding(files: TheFiles, _: Owner) -> dict[str, Any]:
    """Chips on the 1-Wire lines as they are now, and cameras; asking keeps them being read."""
    cameras = files.finder.cameras()
    return {
        "sensors": [
            {
                "address": chip.address,
                "name": chip.name,
                "temperature_c": None
                if chip.temperature_c is None
                else round(chip.temperature_c, 2),
                "fault": chip.fault,
                "rise_k": chip.rise_k,
            }
            for chip in files.finder.chips()
        ],
        "cameras": list(cameras),
        "camera_names": dict(cameras),
    }


@router.post("/finding/anew")
def find_anew(files: TheFiles, _: Owner) -> Done:
    """Count rises from now on."""
    files.finder.begin_anew()
    return Done()


def _told(found: Proposal) -> dict[str, Any]:
    return {"words": list(found.words), "chamber": found.settings.key}


def checked(work: Any) -> Any:
    """What `work` gives; faults of settings as a problem."""
    try:
        return work()
    except SettingsError as error:
        raise Problem(
            HTTPStatus.UNPROCESSABLE_ENTITY,
            " ".join(f"{fault[:1].upper()}{fault[1:]}." for fault in error.faults[:5]),
            faults=[{"where": fault.partition(":")[0], "what": fault} for fault in error.faults],
        ) from None
