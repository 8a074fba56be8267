"""Signing in and out."""

from __future__ import annotations

from http import HTTPStatus

from fastapi import APIRouter, Request, Response
from fastapi.concurrency import run_in_threadpool

from stillair.api import commands
from stillair.api.entry import COOKIE, TheAccess, Viewer
from stillair.api.schemas import Done, Shell, SignIn, Who

router = APIRouter(prefix="/api/session", tags=["session"])


@router.get("")
def who(person: Viewer) -> Who:
    """Who asks."""
    return Who(name=person.name, role=person.role.value)


@router.get("/shell")
def shell(request: Request, _: Viewer) -> Shell:
    """How the program and its folder of history are named in a shell, quoted for it."""
    return Shell(program=commands.program(), option=commands.at(request.app.state.folder))


@router.post("", status_code=HTTPStatus.CREATED)
async def sign_in(told: SignIn, request: Request, response: Response, access: TheAccess) -> Done:
    """Sign in with name and password; the answer sets the session's cookie."""
    address = request.client.host if request.client else ""
    token = await run_in_threadpool(access.sign_in, told.name, told.password, address=address)
    response.set_cookie(
        COOKIE,
        token,
        max_age=90 * 86_400,
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
    )
    return Done()


@router.delete("")
def sign_out(request: Request, response: Response, access: TheAccess) -> Done:
    """End this session; harmless without one."""
    cookie = request.cookies.get(COOKIE)
    if cookie:
        access.sign_out(cookie)
    response.delete_cookie(COOKIE, httponly=True, samesite="strict")
    return Done()
