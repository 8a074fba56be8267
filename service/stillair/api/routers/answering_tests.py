"""Confirming a message of an alarm test by its link, without signing in.

As with alarms, looking changes nothing: only a button's POST does.
"""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Depends, Request

from stillair.access.answers import Answer, Purpose
from stillair.alarms import testing
from stillair.api.description import ANYBODY
from stillair.api.entry import TheAccess, TheService, address
from stillair.api.problems import Problem
from stillair.api.routers.answering import EARLIER, answer_to
from stillair.api.schemas import AnsweredTest, Done, HeardOfTest
from stillair.model import AlarmTestPhase, AlarmTestState, ConfirmAlarmTest, RouteTried
from stillair.runtime.service import Service
from stillair.storage.items import label

router = APIRouter(prefix="/api/answer", tags=["answering"])

TestAnswer = Annotated[Answer, Depends(answer_to(Purpose.TEST))]


@router.get("/{token}/test", openapi_extra=ANYBODY)
def shown(answer: TestAnswer, service: TheService) -> AnsweredTest:
    """The test and the route of this link's message; changes nothing."""
    state, route = _tried(service, answer)
    chamber = service.answering.chamber_of(answer)
    assert chamber is not None  # it has the test
    return AnsweredTest(
        person=answer.person,
        until_at=label(answer.ends_at.timestamp()),
        name=chamber.settings.name,
        at=label(chamber.labels.timeline().epoch_s(state.started_s)),
        route=testing.spoken(route.route),
        heard=route.heard,
        open=state.phase in (AlarmTestPhase.RUNNING, AlarmTestPhase.DONE),
        text=testing.summary(state),
    )


@router.post("/{token}/heard", openapi_extra=ANYBODY)
async def heard(
    told: HeardOfTest, request: Request, answer: TestAnswer, service: TheService, known: TheAccess
) -> Done:
    """This link's person says whether its message was heard; the newest word counts."""
    state, route = _tried(service, answer)
    done = await service.test_command(
        state.id,
        lambda t_s: ConfirmAlarmTest(
            t_s=t_s,
            by=answer.by,
            test=state.id,
            person=route.person,
            route=route.route,
            heard=told.heard,
        ),
    )
    known.act("alarm test confirmed", state.id, by=answer.by, address=address(request))
    return Done(stored=done.stored)


def _tried(service: Service, answer: Answer) -> tuple[AlarmTestState, RouteTried]:
    tried = service.answering.tried(answer)
    if tried is None:
        raise Problem(HTTPStatus.NOT_FOUND, EARLIER)
    return tried
