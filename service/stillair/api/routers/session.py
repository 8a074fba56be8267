"""Signing in and out, one's own password and sessions, and the first owner."""

from __future__ import annotations

from http import HTTPStatus

from fastapi import APIRouter, Request, Response
from fastapi.concurrency import run_in_threadpool

from stillair.api import commands
from stillair.api.description import A_PERSON, ANYBODY
from stillair.api.entry import (
    COOKIE,
    MARK,
    SignedIn,
    TheAccess,
    Viewer,
    address,
    cookie_name,
    is_private,
    mark,
    session_token,
)
from stillair.api.linking import LinkError
from stillair.api.problems import Problem
from stillair.api.schemas import (
    Done,
    Listing,
    Named,
    NewOwner,
    OtherPassword,
    Shell,
    SignIn,
    Who,
)
from stillair.errors import NotKnownError
from stillair.storage.items import label

# The mark outlasts sessions: whoever was locked out meanwhile has to be known by it.
KEPT_S = {COOKIE: 90 * 86_400, MARK: 400 * 86_400}  # 400 days is the longest that browsers keep

router = APIRouter(prefix="/api/session", tags=["session"])


@router.get("")
def who(person: Viewer, request: Request) -> Who:
    """Who asks; a page that is open since before an update sees here that it is old."""
    try:
        page = request.app.state.page_files.version
    except (LinkError, OSError):
        page = None  # who asks is known all the same
    return Who(name=person.name, role=person.role.value, page=page)


@router.get("/shell")
def shell(request: Request, _: Viewer) -> Shell:
    """How the program and its folder of history are named in a shell, quoted for it."""
    return Shell(program=commands.program(), option=commands.at(request.app.state.folder))


@router.post("", status_code=HTTPStatus.CREATED, openapi_extra=ANYBODY)
async def sign_in(told: SignIn, request: Request, response: Response, access: TheAccess) -> Done:
    """Sign in with name and password; the answer sets the session's cookie."""
    async with request.app.state.signing_in:
        token = await run_in_threadpool(
            access.sign_in,
            told.name,
            told.password,
            address=address(request),
            mark=mark(request),
        )
        known = await run_in_threadpool(access.new_mark, told.name)
    _give(request, response, COOKIE, token)
    _give(request, response, MARK, known)
    return Done()


@router.delete("", openapi_extra=ANYBODY)
def sign_out(request: Request, response: Response, access: TheAccess) -> Done:
    """End this session; harmless without one."""
    cookie = session_token(request)
    if cookie:
        access.sign_out(cookie, address=address(request))
    response.delete_cookie(
        cookie_name(request), httponly=True, samesite="strict", secure=is_private(request)
    )
    return Done()


@router.post("/owner", status_code=HTTPStatus.CREATED, openapi_extra=ANYBODY)
def first_owner(told: NewOwner, request: Request, response: Response, access: TheAccess) -> Done:
    """Make the first owner with the code that the console shows, and sign in as that one.

    403 for a code that is wrong, used or too old; 409 once there is an owner.
    """
    if access.has_owner():
        raise Problem(HTTPStatus.CONFLICT, "There is an owner already.")
    try:
        access.first_owner(
            told.name,
            told.password,
            told.code,
            request.app.state.first_code,
            address=address(request),
        )
    except NotKnownError as error:
        raise Problem(
            HTTPStatus.FORBIDDEN,
            f"{str(error).capitalize()}. It stands where the service was started; "
            f"{commands.command('owner', 'add', 'NAME', folder=request.app.state.folder)} "
            "on the board makes an owner as well.",
        ) from None
    token = access.sign_in(told.name, told.password, address=address(request))
    _give(request, response, COOKIE, token)
    _give(request, response, MARK, access.new_mark(told.name))
    return Done()


@router.post("/password", openapi_extra=A_PERSON)
def password(
    told: OtherPassword, request: Request, response: Response, access: TheAccess, me: SignedIn
) -> Done:
    """Change one's own password; that ends one's other sessions."""
    try:
        access.password_change(
            me.person.name,
            told.old,
            told.new,
            keep=me.token,
            address=me.person.address,
            mark=mark(request),
        )
    except NotKnownError:
        raise Problem(
            HTTPStatus.FORBIDDEN, "That is not your password so far; nothing was changed."
        ) from None
    _give(request, response, MARK, access.new_mark(me.person.name))
    return Done()


@router.get("/all", openapi_extra=A_PERSON)
def sessions(access: TheAccess, me: SignedIn) -> Listing:
    """The browsers in which one has signed in, last used last; `this` is the one that asks."""
    items = [
        {
            "id": kept.id,
            "address": kept.address,
            "created_at": label(kept.created_at.timestamp()),
            "seen_at": label(kept.seen_at.timestamp()),
            "this": kept.is_this,
        }
        for kept in access.sessions(me.person.name, this=me.token)
    ]
    return Listing(items=list(items), next=None)


@router.post("/end", openapi_extra=A_PERSON)
def end(told: Named, access: TheAccess, me: SignedIn) -> Done:
    """End one of one's own sessions, by its id as `name`; harmless if there is none."""
    access.session_end(me.person.name, told.name, address=me.person.address)
    return Done()


@router.post("/end-others", openapi_extra=A_PERSON)
def end_others(access: TheAccess, me: SignedIn) -> Done:
    """End all of one's own sessions but this one."""
    access.sign_out_everywhere(
        me.person.name, by=me.person.name, keep=me.token, address=me.person.address
    )
    return Done()


def _give(request: Request, response: Response, cookie: str, value: str) -> None:
    response.set_cookie(
        cookie_name(request, cookie),
        value,
        max_age=KEPT_S[cookie],
        httponly=True,
        samesite="strict",
        secure=is_private(request),
    )
