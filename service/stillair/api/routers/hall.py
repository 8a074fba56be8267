"""All chambers of a hall, one of them, and what can be done about them from afar."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path, Query, Request
from pydantic import BaseModel, Field

from stillair.access.roles import Principal, Role
from stillair.api.entry import Operator, Viewer, access, acting, shown
from stillair.api.problems import Problem
from stillair.api.routers.jobs import MOST_SEQ
from stillair.api.schemas import Created, Done
from stillair.runtime import hall_seeing
from stillair.runtime.hall_service import AT_THE_BOARD, HALL, HallService

router = APIRouter(prefix="/api", tags=["hall"])


async def hall(request: Request) -> HallService:
    """The hall that this application shows."""
    found: HallService = request.app.state.service
    return found


TheHall = Annotated[HallService, Depends(hall)]
Key = Annotated[str, Path(max_length=160, description="BOARD.CHAMBER")]
SAID = "alarm seen from the hall, with others"
Acknowledger = Annotated[Principal, acting("alarm acknowledged from the hall")]
Seer = Annotated[Principal, acting("alarm of the hall seen")]
Forgetter = Annotated[Principal, acting("chamber taken off the hall", Role.OWNER)]
Tester = Annotated[Principal, acting("alarm test begun", Role.OWNER)]
# What is done at a board, with all below it.
BOARDS_OWN = (
    "/jobs",
    "/jobs/{rest:path}",
    "/alarms/{rest:path}",
    "/chambers/{rest:path}",
    "/camera/{rest:path}",
)


class Rows(BaseModel):
    """Chambers that changed; with `whole` these are all there are."""

    revision: int = Field(description="what to ask on from")
    whole: bool
    items: list[dict[str, Any]]
    gone: list[str] = Field(description="keys of those that were taken off")


class Ordered(BaseModel):
    """An order is on its way; what becomes of it, the chamber's own answer says."""

    order: str


class Unseen(BaseModel):
    """What nobody has seen: items have `id`, `text`, `chamber` and its `name`."""

    items: list[dict[str, Any]]
    more: int = Field(description="for which there is no room in one answer")
    dangers: int = Field(description="left out: each is looked at by itself")
    unasked: int = Field(description="left out: their boards can't be asked just now")


class SeenMany(BaseModel):
    """What somebody has seen, by ids as `unseen` gives them."""

    alarms: list[Annotated[str, Field(max_length=400)]] = Field(
        min_length=1, max_length=hall_seeing.MOST
    )


class SeenOf(BaseModel):
    """Of which alarms that could not be said, and why."""

    refused: dict[str, str]


@router.get("/hall")
def chambers(
    service: TheHall,
    person: Viewer,
    after: Annotated[int, Query(ge=0, le=8 * MOST_SEQ, description="a `revision`")] = 0,
) -> Rows:
    """One line for each chamber that has become another after a revision; without one, of all."""
    return Rows(**shown(service, person, service.rows(after)))


@router.get("/hall/unseen")
def unseen(
    service: TheHall,
    person: Viewer,
    chamber: Annotated[str | None, Query(max_length=160, description="of all without one")] = None,
) -> Unseen:
    """What nobody has seen so far and can be said of many at once: no danger."""
    return Unseen(**shown(service, person, hall_seeing.unseen(service, chamber)))


@router.post("/hall/seen")
def see_many(told: SeenMany, service: TheHall, person: Operator, request: Request) -> SeenOf:
    """Note that somebody has seen all of these; each goes to its board by itself.

    What becomes of them, the answer of each chamber says. Harmless twice.
    """
    refused = hall_seeing.see(service, told.alarms, by=person.name)
    for alarm in told.alarms:
        if alarm not in refused:
            access(request).act(SAID, alarm, by=person.name, address=person.address)
    return SeenOf(refused=refused)


@router.get("/hall/{chamber}")
def chamber(chamber: Key, service: TheHall, person: Viewer) -> dict[str, Any]:
    """How a chamber is as far as its board has told: sensors, job, alarms, orders."""
    found: dict[str, Any] = shown(service, person, service.one(chamber))
    return found


@router.post("/hall/alarms/{alarm:path}/seen")
def see(alarm: str, service: TheHall, person: Seer) -> Done:
    """Note that somebody has seen what is the hall's own: nobody else is told of it then.

    Its id stands as `alarm` at a trouble of the hall, and at a chamber that is out of reach. When
    it is over and comes again, people are told again. Harmless twice.
    """
    service.see(alarm, by=person.name)
    return Done()


@router.delete("/hall/{chamber}")
def forget(chamber: Key, service: TheHall, _: Forgetter) -> Done:
    """Take a chamber off the page that is no more; its past stays. 409 while it is heard."""
    service.forget(chamber)
    return Done()


@router.post("/alarms/{alarm}/acknowledge", status_code=HTTPStatus.ACCEPTED)
def acknowledge(alarm: str, service: TheHall, person: Acknowledger) -> Ordered:
    """Have its board note that somebody has seen an alarm; harmless twice."""
    return Ordered(order=service.acknowledge(alarm, by=person.name))


@router.post("/alarm-tests", status_code=HTTPStatus.CREATED, tags=["alarm tests"])
async def test(service: TheHall, person: Tester) -> Created:
    """A message marked as a test on every route of everybody whom the hall tells.

    409 while another one runs, or there is real danger in any chamber.
    """
    make = service.alarm_tests.command(HALL, by=person.name)
    answer = await service.test_command("", make)
    return Created(id=answer.created or "", stored=answer.stored)


def elsewhere(_: Operator) -> None:
    """What is done at a board is said there."""
    raise Problem(HTTPStatus.CONFLICT, AT_THE_BOARD)


def nothing(_: Viewer) -> None:
    """What only a board has: pictures, films, toolpaths."""
    raise Problem(HTTPStatus.NOT_FOUND, "There is no such thing in a hall.")


for path in BOARDS_OWN:
    router.add_api_route(
        path,
        elsewhere,
        methods=["POST", "PATCH", "PUT", "DELETE"],
        include_in_schema=False,
        name=f"at the board {path}",
    )
    router.add_api_route(path, nothing, methods=["GET"], include_in_schema=False, name=path)
