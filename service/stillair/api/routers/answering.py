"""Answering one alarm by the link of its message, without signing in.

The token in the path is all that is asked for, so nothing here writes it down, and
nothing that is merely looked at changes anything: mail programs and messengers open
links by themselves. Only a POST answers, which a button on the page sends.
"""

from __future__ import annotations

import html
from collections.abc import Callable
from http import HTTPStatus
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import FileResponse, HTMLResponse

from stillair.access.answers import Answer, Purpose, Refused
from stillair.access.people import TooManyTriesError
from stillair.access.store import is_told
from stillair.api import problems
from stillair.api.description import ANYBODY
from stillair.api.entry import TheAccess, TheService, access, address
from stillair.api.problems import Problem
from stillair.api.schemas import AnsweredAlarm, Columns, Done, Quieting
from stillair.errors import CommandRefused, Refusal, StillairError
from stillair.model import Acknowledge, Command, Shelve
from stillair.runtime.service import Service

POINTS = 300  # of the last hour, on a telephone

EXPIRED = (
    "This link has run out: it was good for 12 hours. Sign in to see how the chamber is, or "
    "take the link of a newer message."
)
UNKNOWN = (
    "This link answers nothing here: it isn't whole, or it has been withdrawn. Sign in to see "
    "how the chamber is."
)
ELSEWHERE = "This link is for something else."
EARLIER = "This link is of an earlier alarm test: take the one of the newest message."
FORGOTTEN = "That alarm is not known here any more. Sign in to see how the chamber is."

router = APIRouter(prefix="/api/answer", tags=["answering"])


def answer_to(*purposes: Purpose) -> Callable[[Request, str], Answer]:
    """A dependency: what the token in the path allows, if that is of one of these purposes.

    Raises `Problem` (404, 410) and `TooManyTriesError` (429).
    """

    def answer(request: Request, token: str) -> Answer:
        service: Service = request.app.state.service
        found = service.answering.asked(token)
        if isinstance(found, Answer):
            if found.purpose not in purposes:
                raise Problem(HTTPStatus.NOT_FOUND, ELSEWHERE)
            return found
        if found is Refused.EXPIRED:
            raise Problem(HTTPStatus.GONE, EXPIRED)
        pause_s, times = service.answering.answers.guessed(address(request))
        if is_told(times):
            access(request).act(
                f"answer link refused ({times})", "", by="", address=address(request)
            )
        if pause_s > 0:
            raise TooManyTriesError(pause_s)
        raise Problem(HTTPStatus.NOT_FOUND, UNKNOWN)

    return answer


AlarmAnswer = Annotated[Answer, Depends(answer_to(Purpose.ALARM))]


@router.get("/{token}", openapi_extra=ANYBODY)
def shown(token: str, answer: AlarmAnswer, service: TheService) -> AnsweredAlarm:
    """What stands, since when, and what this link's person can do about it; changes nothing."""
    found = service.answering.shown(answer)
    if found is None:
        raise Problem(HTTPStatus.NOT_FOUND, FORGOTTEN)
    here = f"/api/answer/{token}"
    watched = found.pop("watched")
    return AnsweredAlarm(
        **found,
        stored=service.writer.stored,
        picture=f"{here}/picture" if watched else None,
        readings=f"{here}/readings",
    )


@router.get(
    "/{token}/picture",
    openapi_extra=ANYBODY,
    response_class=Response,
    responses={200: {"content": {"image/jpeg": {}}}},
)
def picture(answer: AlarmAnswer, service: TheService) -> Response:
    """The latest picture of the alarm's chamber; its age in seconds is in the header `Age`."""
    chamber = service.answering.chamber_of(answer)
    latest = None if chamber is None else service.picture(chamber.key)
    if latest is None:
        raise Problem(
            HTTPStatus.NOT_FOUND,
            "There is no picture: no camera, one that is paused or gives none.",
        )
    jpeg, age_s = latest
    return Response(jpeg, media_type="image/jpeg", headers={"Age": str(int(age_s))})


@router.get("/{token}/readings", openapi_extra=ANYBODY)
def readings(answer: AlarmAnswer, service: TheService) -> Columns:
    """The last hour of the air in the alarm's chamber, and of the sensor that it is about."""
    chamber = service.answering.chamber_of(answer)
    if chamber is None:
        raise Problem(HTTPStatus.NOT_FOUND, FORGOTTEN)
    found = service.readings(chamber.key, None, None, POINTS)
    drawn = service.answering.drawn(answer)
    return Columns(
        time_s=found["time_s"],
        sensors={name: found["sensors"][name] for name in drawn if name in found["sensors"]},
    )


@router.post("/{token}/seen", openapi_extra=ANYBODY)
async def seen(
    request: Request, answer: AlarmAnswer, service: TheService, known: TheAccess
) -> Done:
    """This link's person has seen it; harmless twice, and when it is over."""

    def command(t_s: float) -> Command:
        return Acknowledge(t_s=t_s, by=answer.by, alarm=answer.subject)

    done = await _commanded(service, answer, command)
    known.act("alarm acknowledged", answer.subject, by=answer.by, address=address(request))
    return done


@router.post("/{token}/quiet", openapi_extra=ANYBODY)
async def quiet(
    told: Quieting, request: Request, answer: AlarmAnswer, service: TheService, known: TheAccess
) -> Done:
    """Quiet for some minutes; never possible for danger (403), nor for what is over (409)."""

    def command(t_s: float) -> Command:
        return Shelve(
            t_s=t_s, by=answer.by, alarm=answer.subject, minutes=told.minutes, reason=answer.by
        )

    done = await _commanded(service, answer, command)
    known.act("alarm made quiet for a time", answer.subject, by=answer.by, address=address(request))
    return done


async def _commanded(service: Service, answer: Answer, command: Callable[[float], Command]) -> Done:
    """Have it carried out. What the watch has forgotten is over: seen is harmless, quiet isn't."""
    try:
        done = await service.alarm_command(answer.subject, command)
    except CommandRefused as refused:
        if refused.refusal is not Refusal.UNKNOWN:
            raise
        if isinstance(command(0.0), Acknowledge):
            return Done()
        raise Problem(HTTPStatus.CONFLICT, "That is over already.") from None
    return Done(stored=done.stored)


def page(pages: Path) -> APIRouter:
    """The page that a link opens, and one that says why it answers nothing."""
    made = APIRouter(include_in_schema=False)
    asked = answer_to(Purpose.ALARM, Purpose.TEST)

    @made.api_route("/answer/{token}", methods=["GET", "HEAD"])
    def answer(request: Request, token: str) -> Response:
        service: Service = request.app.state.service
        try:
            found = asked(request, token)
            if found.purpose is Purpose.TEST:
                if service.answering.tried(found) is None:
                    raise Problem(HTTPStatus.NOT_FOUND, EARLIER)
                return FileResponse(pages / "answer-test.html")
            if service.answering.alarm(found) is None:
                raise Problem(HTTPStatus.NOT_FOUND, FORGOTTEN)
        except StillairError as error:
            problem = problems.of(error)
            text = (pages / "no-answer.html").read_text("utf-8")
            return HTMLResponse(
                text.replace("{why}", html.escape(problem.detail)),
                problem.status.value,
                headers=problem.headers,
            )
        return FileResponse(pages / "answer.html")

    return made
