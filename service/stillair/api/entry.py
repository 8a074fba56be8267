"""Who asks, and what they may do.

Before an owner has been made, only this computer can reach the service and
whoever sits at it may do everything. After that a session's cookie or a token
says who it is.
"""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import Depends, Request

from stillair.access.people import Access, Principal, Role
from stillair.api.problems import Problem
from stillair.runtime.service import Service

COOKIE = "stillair_session"
AT_THE_MACHINE = Principal(name="this computer", role=Role.OWNER)


def service(request: Request) -> Service:
    """The service that this application shows."""
    found: Service = request.app.state.service
    return found


def access(request: Request) -> Access:
    """Who may sign in here."""
    found: Access = request.app.state.access
    return found


def caller(request: Request) -> Principal | None:
    """The person or program that asks; None for a stranger."""
    known = access(request)
    if not known.has_owner():
        return AT_THE_MACHINE
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer":
        return known.bearer(token.strip())
    cookie = request.cookies.get(COOKIE)
    return known.session(cookie) if cookie else None


def _at_least(request: Request, role: Role) -> Principal:
    principal = caller(request)
    if principal is None:
        raise Problem(
            HTTPStatus.UNAUTHORIZED,
            "Sign in first, or send a token.",
            headers={"WWW-Authenticate": "Bearer"},
        )
    if not principal.may(role):
        raise Problem(HTTPStatus.FORBIDDEN, f"This needs the role {role.value} or above.")
    return principal


def viewer(request: Request) -> Principal:
    """Somebody who may see."""
    return _at_least(request, Role.VIEWER)


def operator(request: Request) -> Principal:
    """Somebody who may run jobs and answer alarms."""
    return _at_least(request, Role.OPERATOR)


TheService = Annotated[Service, Depends(service)]
TheAccess = Annotated[Access, Depends(access)]
Viewer = Annotated[Principal, Depends(viewer)]
Operator = Annotated[Principal, Depends(operator)]
