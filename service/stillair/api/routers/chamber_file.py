"""The chamber file from a page: what is there, what would change, written, undone: for owners."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated, Any, Literal

from fastapi import APIRouter, BackgroundTasks, Depends, Request
from pydantic import Field

from stillair.access.roles import Principal, Role
from stillair.api.entry import Owner, access, acting
from stillair.api.problems import Problem
from stillair.api.schemas import Done, Posted
from stillair.config.change import AddParticles, AddSensor, Change, SameServer, SetBroker
from stillair.config.changed_words import plain
from stillair.config.changes import Proposal
from stillair.config.together import table_for
from stillair.errors import SettingsError
from stillair.runtime.changing import Changing, FileNow
from stillair.runtime.file_shown import materials
from stillair.sensing.board_files import bus_devices, serial_ports

router = APIRouter(prefix="/api", tags=["setting up"])

MOST_CHANGES = 60


def changing(request: Request) -> Changing:
    found: Changing = request.app.state.changing
    return found


TheFiles = Annotated[Changing, Depends(changing)]
Changer = Annotated[Principal, acting("chamber file changed", Role.OWNER)]
Undoer = Annotated[Principal, acting("change of the chamber file undone", Role.OWNER)]


GivenUp = Annotated[
    list[Annotated[str, Field(max_length=200)]],
    Field(max_length=MOST_CHANGES, default_factory=list),
]


class Changes(Posted):
    """What to change in the file of a chamber, of which `base` is what it was known by.

    `gives_up` names each listed detector that goes with it, as the proposal does: who writes
    it without is refused (409).
    """

    chamber: Annotated[str, Field(max_length=200)]
    base: Annotated[str, Field(max_length=64)]
    changes: Annotated[list[Change], Field(min_length=1, max_length=MOST_CHANGES)]
    gives_up: GivenUp


class BrokerToTry(Posted):
    """The broker to reach: as a change would name it, or as the file of a chamber does."""

    chamber: Annotated[str, Field(max_length=200)]
    base: Annotated[str, Field(max_length=64)]
    broker: Annotated[SetBroker | SameServer | None, Field(discriminator="do")] = None
    topic: Annotated[str, Field(max_length=1000)] = ""
    pointer: Annotated[str, Field(max_length=1000)] = ""
    expects: Literal["number", "word"] = "number"


class RouteToTake(Posted):
    """Where a person is to be told."""

    route: Annotated[str, Field(min_length=1, max_length=1000, repr=False)]


class Undone(Posted):
    """The chamber whose newest change goes; of a box that was taken away, its file's name."""

    chamber: Annotated[str, Field(max_length=200)]
    base: Annotated[str, Field(max_length=64)]
    gives_up: GivenUp


class Wanted(Posted):
    """A sensor as it would be added."""

    sensor: Annotated[AddSensor | AddParticles, Field(discriminator="do")]


@router.get("/chamber-files")
def chamber_files(files: TheFiles, _: Owner) -> dict[str, Any]:
    """Each chamber file as it is, without secrets, and what can be undone."""
    returned = files.returned
    another, why = files.another()
    return {
        "items": [_file(now) for now in files.now()],
        "another": None if another is None else _file(another),
        "another_why": why,
        "gone": [
            {"file": gone.file, "words": gone.done.words, "by": gone.done.by, "at": gone.done.at}
            for gone in files.gone()
        ],
        "returned": None
        if returned is None
        else {"words": returned.words, "why": returned.why, "at": returned.at},
        "on_trial": files.on_trial,
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
    found, anew = checked(
        lambda: files.change(body.chamber, body.base, body.changes, by.name, gives_up=body.gives_up)
    )
    if anew:
        afterwards.add_task(files.begin_anew)
    return {**_told(found), "begins_anew": anew}


@router.post("/chamber-files/undo", status_code=202)
def undo(body: Undone, files: TheFiles, by: Undoer, afterwards: BackgroundTasks) -> dict[str, Any]:
    """Put back what was before the newest change, and have the service begin anew with it."""
    words = checked(lambda: files.undo(body.chamber, body.base, by.name, gives_up=body.gives_up))
    afterwards.add_task(files.begin_anew)
    return {"words": words, "begins_anew": True}


@router.post("/chamber-files/seen")
def seen(files: TheFiles, _: Owner) -> Done:
    """Whoever looks after it has read that a change was taken back by itself, and why."""
    files.seen()
    return Done()


@router.get("/finding")
def finding(files: TheFiles, _: Owner) -> dict[str, Any]:
    """Chips on 1-Wire and I2C as they are now, and cameras; asking keeps them being read."""
    cameras = files.finder.cameras()
    return {
        "sensors": [
            {
                "address": chip.address,
                "name": chip.known.name if chip.known else None,
                "chamber": chip.known.chamber if chip.known else None,
                "place": chip.known.place if chip.known else None,
                "driver": chip.driver,
                "device": chip.device,
                "temperature_c": None
                if chip.temperature_c is None
                else round(chip.temperature_c, 2),
                "fault": chip.fault,
                "rise_k": chip.rise_k,
            }
            for chip in files.finder.chips()
        ],
        "buses": list(bus_devices()),
        "ports": list(serial_ports()),
        "watched": files.readings(),
        "cameras": list(cameras),
        "camera_names": dict(cameras),
    }


@router.post("/finding/anew")
def find_anew(files: TheFiles, _: Owner) -> Done:
    """Count rises from now on."""
    files.finder.begin_anew()
    return Done()


@router.post("/finding/trial")
def try_sensor(body: Wanted, files: TheFiles, _: Owner) -> dict[str, Any]:
    """What a sensor reads that is not in a chamber file yet: as a person has named it."""
    tried = checked(lambda: files.sensor_trial.read(body.sensor))
    return {
        "value": None if tried.value is None else round(tried.value, 2),
        "fault": tried.fault or None,
    }


@router.post("/finding/route")
def check_route(body: RouteToTake, _: Owner) -> dict[str, Any]:
    """Whether a person can be told there; nothing is sent, and nothing written.

    `fault`: a clause, or null; `needs`: what belongs beside it: mail, mqtt, webhook, or null.
    """
    try:
        return {"fault": None, "needs": table_for(body.route)}
    except ValueError as error:
        return {"fault": str(error), "needs": None}


@router.post("/finding/broker")
def try_broker(
    body: BrokerToTry, files: TheFiles, owner: Owner, request: Request
) -> dict[str, Any]:
    """Whether a broker answers, and what comes first on a topic; nothing is written.

    `answer`: connects, refuses, no answer, unknown name, certificate, no broker; `heard` of a
    topic: yes, no, unreadable, refused. It takes some seconds.
    """
    of = checked(lambda: files.broker_asked(body.chamber, body.base, body.broker))
    tried = checked(
        lambda: files.broker_trial.reach(
            of, body.topic, body.pointer, is_number=body.expects == "number"
        )
    )
    access(request).act(
        "broker tried", f"{of.host}:{of.port}", by=owner.name, address=owner.address
    )
    return {
        "where": tried.where,
        "answer": tried.answer.value,
        "why": tried.why or None,
        "heard": None if tried.heard is None else tried.heard.value,
        "value": tried.value or None,
    }


@router.get("/finding/pins")
def pins(files: TheFiles, _: Owner) -> dict[str, Any]:
    """The board's pins: free ones as they are while somebody looks, and by whom others are used."""
    now = files.pins.now()
    return {
        "is_looking": now.is_looking,
        "free": [
            {"pin": pin.number, "is_closed": pin.is_closed, "changes": pin.changes}
            for pin in now.free
        ],
        "used": [{"pin": pin.number, "by": pin.used_by} for pin in now.used],
        "unused": list(now.unused),
        "why": now.why,
    }


@router.post("/finding/pins")
def look_at_pins(files: TheFiles, _: Owner) -> Done:
    """Look at the free pins, as inputs, and count their changes from now on."""
    files.pins.begin()
    return Done()


def _file(now: FileNow) -> dict[str, Any]:
    return {
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


def _told(found: Proposal) -> dict[str, Any]:
    gives_up = list(found.gives_up)
    return {"words": list(found.words), "chamber": found.settings.key, "gives_up": gives_up}


def checked(work: Any) -> Any:
    """What `work` gives; faults of settings as a problem."""
    try:
        return work()
    except SettingsError as error:
        raise Problem(
            HTTPStatus.UNPROCESSABLE_ENTITY,
            " ".join(f"{plain(fault)}." for fault in error.faults[:5]),
            faults=[{"where": fault.partition(":")[0], "what": fault} for fault in error.faults],
        ) from None
