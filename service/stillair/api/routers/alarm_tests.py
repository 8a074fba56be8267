"""Alarm tests: begin one, say what arrived, look at those that were."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter

from stillair.access.roles import Principal, Role
from stillair.api.entry import ThePast, TheService, Viewer, acting, shown
from stillair.api.routers.jobs import After, Limit
from stillair.api.schemas import (
    ConfirmedTest,
    Created,
    Done,
    Listing,
    NewAlarmTest,
    SounderTried,
    listing,
)
from stillair.model import ConfirmAlarmTest

router = APIRouter(prefix="/api/alarm-tests", tags=["alarm tests"])

Tester = Annotated[Principal, acting("alarm test begun")]
SounderTrier = Annotated[Principal, acting("sounder tried", Role.OWNER)]
Confirmer = Annotated[Principal, acting("alarm test confirmed")]


@router.get("")
def alarm_tests(
    service: ThePast,
    person: Viewer,
    chamber: str | None = None,
    after: After = 0,
    limit: Limit = 200,
) -> Listing:
    """Alarm tests with what is known of them by now, the newest word last.

    One of which something new becomes known comes again, with a new `seq`.
    """
    key = service.chamber(chamber) if chamber is not None else None
    found = listing(service.alarm_tests.kept.alarm_tests(after, limit, chamber=key))
    return Listing(items=shown(service, person, found.items), next=found.next)


@router.post("", status_code=HTTPStatus.CREATED)
async def start(told: NewAlarmTest, service: TheService, person: Tester) -> Created:
    """Simulated signs go the whole way of an alarm, to every route of everybody, marked as a test.

    409 while another one runs, or there is real danger.
    """
    key = service.chamber(told.chamber)
    answer = await service.command(key, service.alarm_tests.command(key, by=person.name))
    return Created(id=answer.created or "", stored=answer.stored)


@router.post("/sounder")
def try_sounder(told: NewAlarmTest, service: TheService, _: SounderTrier) -> SounderTried:
    """One tone of a second from a chamber's sounder alone; nobody is told, nothing is kept.

    409 in danger, where there is no sounder, and where it sounds already.
    """
    tried = service.alarm_tests.try_sounder(service.chamber(told.chamber))
    return SounderTried(well=tried.well is True, fault=tried.told or None)


@router.post("/{test}/confirm")
async def confirm(test: str, told: ConfirmedTest, service: ThePast, person: Confirmer) -> Done:
    """A person says what arrived, and whether it was heard; the newest word counts.

    404 for a test that isn't the newest of its chamber, or for nobody's route.
    """
    answer = await service.test_command(
        test,
        lambda t_s: ConfirmAlarmTest(
            t_s=t_s,
            by=person.name,
            test=test,
            person=told.person,
            heard=told.heard,
            route=told.route,
        ),
    )
    return Done(stored=answer.stored)
