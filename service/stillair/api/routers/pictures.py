"""Pictures of what happened: of events, of jobs, and a person's word on what they show."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Header, Path, Response
from pydantic import AfterValidator

from stillair.access.roles import Principal
from stillair.api.entry import TheService, Viewer, acting
from stillair.api.problems import Problem
from stillair.api.schemas import Evidence, Ignoring, Judged, Judgement, Listing, Seen
from stillair.media.judging import Ignoring as WouldIgnore

router = APIRouter(prefix="/api", tags=["pictures"])


def _of_an_event(number: int) -> int:
    """Events count from 1, and those that were brought in from -1 down."""
    if number == 0:
        raise ValueError("no event has the number 0")
    return number


Event = Annotated[
    int,
    Path(ge=-(2**31), le=2**31, description="the `event` of its changes"),
    AfterValidator(_of_an_event),
]
Judge = Annotated[Principal, acting("event judged")]
# A picture is never another one, but who has signed out may not see it again, nor one erased.
ASK_FIRST = "private, no-cache"


@router.get("/events/{event}/pictures")
def of_event(event: Event, service: TheService, _: Viewer, chamber: str | None = None) -> Listing:
    """The pictures of an event, oldest first; `part` is marked, moment, before or after.

    Seconds from the moment it was known are `offset_s`.
    """
    found = service.judging.evidence(service.kept_chamber(chamber), event)
    return Listing(items=[dict(item) for item in found.pictures], next=None)


@router.get("/events/{event}/evidence")
def evidence(event: Event, service: TheService, _: Viewer, chamber: str | None = None) -> Evidence:
    """All that helps to judge an event in one look."""
    key = service.kept_chamber(chamber)
    found = service.judging.evidence(key, event)
    return Evidence(
        chamber=key,
        event=event,
        kind=found.kind.value,
        saw=found.saw,
        signs=[
            Seen(
                sign=saw.sign,
                strength=saw.strength,
                regions=list(saw.regions),
                share=saw.share,
            )
            for saw in found.signs
        ],
        pictures=[dict(item) for item in found.pictures],
        coming=service.pictures.is_coming(key, event),
        judged=found.judged,
        settings=_settings(found.ignoring),
        warning=found.warning,
    )


@router.post("/events/{event}/judge")
async def judge(
    event: Event,
    told: Judgement,
    service: TheService,
    person: Judge,
    chamber: str | None = None,
) -> Judged:
    """Say that an event was nothing, or that it was so; the newest word counts.

    Answers which setting would have ignored it; it changes none, and no alarm.
    """
    said = await service.judging.judge(
        service.chamber(chamber), event, false=told.false, note=told.note, by=person.name
    )
    return Judged(stored=said.stored, settings=_settings(said.ignoring), warning=said.warning)


@router.get("/jobs/{job}/pictures")
def of_job(job: str, service: TheService, _: Viewer) -> Listing:
    """A job's stills, one for each millimetre of height, in the order of their times."""
    service.job(job)
    items = service.history.pictures().of_job(job)
    return Listing(items=[dict(item) for item in items], next=None)


@router.get(
    "/pictures/{picture}",
    response_class=Response,
    responses={200: {"content": {"image/jpeg": {}}}, 304: {"description": "As you have it."}},
)
def picture(
    picture: str,
    service: TheService,
    _: Viewer,
    if_none_match: Annotated[str | None, Header()] = None,
) -> Response:
    """One kept picture as JPEG; it never changes."""
    name = service.history.pictures().name(picture)
    jpeg = None if name is None else service.pictures.read(name)
    if jpeg is None:
        raise Problem(HTTPStatus.NOT_FOUND, "There is no such picture, or it is not kept any more.")
    tag = f'"{picture}"'
    headers = {"ETag": tag, "Cache-Control": ASK_FIRST}
    if if_none_match is not None and tag in (each.strip() for each in if_none_match.split(",")):
        return Response(status_code=HTTPStatus.NOT_MODIFIED, headers=headers)
    return Response(jpeg, media_type="image/jpeg", headers=headers)


def _settings(found: tuple[WouldIgnore, ...]) -> list[Ignoring]:
    return [Ignoring(setting=each.setting, value=each.value, text=each.text) for each in found]
