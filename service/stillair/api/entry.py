"""Who asks, and what they may do.

Before an owner has been made, only this computer can reach the service and
whoever sits at it may do everything. After that a session's cookie or a token
says who it is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from http import HTTPStatus
from typing import Annotated, Any

from fastapi import Depends, Request

from stillair.access.people import Access
from stillair.access.roles import THIS_COMPUTER, Principal, Role, Scope
from stillair.api.problems import Problem
from stillair.runtime.past import Past
from stillair.runtime.service import Service

COOKIE, MARK = "stillair_session", "stillair_known"
FORWARDED = frozenset({"forwarded", "x-forwarded-for", "x-real-ip", "via"})
AT_THE_MACHINE = Principal(name=THIS_COMPUTER, role=Role.OWNER)


async def service(request: Request) -> Service:
    """The service that this application shows; in the loop, so that it needs no free thread."""
    found: Service = request.app.state.service
    return found


async def past(request: Request) -> Past:
    """The same as far as a board and a hall have it in common."""
    found: Past = request.app.state.service
    return found


def access(request: Request) -> Access:
    """Who may sign in here."""
    found: Access = request.app.state.access
    return found


def is_private(request: Request) -> bool:
    """Whether it came over HTTPS, to us or to the proxy that is believed."""
    return request.url.scheme == "https"


def address(request: Request) -> str:
    """Where a request comes from."""
    return request.client.host if request.client else ""


def cookie_name(request: Request, cookie: str = COOKIE) -> str:
    """How a cookie is called: nobody else can set one so named (RFC 6265bis).

    Cookies know no ports: without the prefix, another program on this machine, or who answers in
    its place in clear, could put somebody into a session of theirs.
    """
    return f"__Host-{cookie}" if is_private(request) else cookie


def session_token(request: Request) -> str | None:
    """The token of the session in which a browser asks."""
    return request.cookies.get(cookie_name(request))


def mark(request: Request) -> str:
    """By what a browser is known in which somebody has signed in before."""
    return request.cookies.get(cookie_name(request, MARK), "")


def caller(request: Request) -> Principal | None:
    """The person or program that asks; None for a stranger."""
    found = _known(request)
    return None if found is None else replace(found, address=address(request))


def _known(request: Request) -> Principal | None:
    known = access(request)
    if not known.has_owner():
        # A proxy comes from this computer too, told of or not, with anybody behind it.
        proxied = request.app.state.behind_proxy or FORWARDED & set(request.headers)
        return None if proxied else AT_THE_MACHINE
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer":
        return known.bearer(token.strip())
    cookie = session_token(request)
    return known.session(cookie) if cookie else None


def _able(
    request: Request, role: Role, scope: Scope | None = None, *, anywhere: bool = False
) -> Principal:
    """Whoever asks, if they may. `anywhere`: in which chamber is looked at later."""
    principal = caller(request)
    if principal is None:
        raise Problem(
            HTTPStatus.UNAUTHORIZED,
            "Sign in first, or send a token.",
            headers={"WWW-Authenticate": "Bearer"},
        )
    chamber = str(request.path_params.get("job", "")).rpartition("-")[0] or None
    if not principal.may(role, scope, principal.chamber if anywhere else chamber):
        access(request).refused(
            f"{request.method} {request.url.path}", by=principal.name, address=principal.address
        )
        narrow = principal.may(role, next(iter(principal.scopes or ()), None), principal.chamber)
        raise Problem(
            HTTPStatus.FORBIDDEN,
            "This token is not for that."
            if narrow
            else f"This needs the role {role.value}{'' if role is Role.OWNER else ' or above'}.",
        )
    return principal


def viewer(request: Request) -> Principal:
    """Somebody who may see."""
    return _able(request, Role.VIEWER, Scope.READ)


def operator(request: Request) -> Principal:
    """Somebody who may run jobs and answer alarms."""
    return _able(request, Role.OPERATOR)


def owner(request: Request) -> Principal:
    """Somebody who may do everything."""
    return _able(request, Role.OWNER)


def named_owner(request: Request) -> Principal:
    """An owner who has a name: whoever merely sits at the computer makes one first."""
    principal = _able(request, Role.OWNER)
    if principal.name == AT_THE_MACHINE.name and not access(request).has_owner():
        raise Problem(HTTPStatus.CONFLICT, "There is no owner yet: make one first.")
    return principal


def starter(request: Request) -> Principal:
    """Somebody who may begin a job; in which chamber, `in_chamber` looks at."""
    return _able(request, Role.OPERATOR, Scope.JOBS, anywhere=True)


def progress_teller(request: Request) -> Principal:
    """Somebody who may tell the height of a part."""
    return _able(request, Role.OPERATOR, Scope.PROGRESS)


def in_chamber(principal: Principal, chamber: str) -> None:
    """Refuse a token that acts in another chamber. Raises `Problem`."""
    if principal.chamber not in (None, chamber):
        raise Problem(HTTPStatus.FORBIDDEN, "This token is for another chamber.")


def acting(what: str, role: Role = Role.OPERATOR, scope: Scope | None = None) -> Any:
    """Who may do something that is put on record once it is done, as `what` with its object."""

    def actor(request: Request) -> Iterator[Principal]:
        principal = _able(request, role, scope)
        yield principal  # what is refused raises here
        subject = " ".join(str(value) for value in request.path_params.values())
        access(request).act(what, subject, by=principal.name, address=principal.address)

    dependency: Callable[[Request], Iterator[Principal]] = actor
    return Depends(dependency)


def acting_person(what: str, role: Role = Role.OPERATOR, *, named: bool = False) -> Any:
    """As `acting`, for people alone: no program decides this in somebody's place.

    Whoever sits at the computer that nobody owns yet counts, unless they have to be `named`.
    """

    def actor(request: Request) -> Iterator[Principal]:
        principal = _able(request, role)
        if access(request).has_owner():
            signed_in(request)
        elif named:
            raise Problem(
                HTTPStatus.CONFLICT,
                "There is no owner yet: make one first, so that it is known who says so.",
            )
        yield principal  # what is refused raises here
        subject = " ".join(str(value) for value in request.path_params.values())
        access(request).act(what, subject, by=principal.name, address=principal.address)

    dependency: Callable[[Request], Iterator[Principal]] = actor
    return Depends(dependency)


def shown(service: Past, person: Principal, item: Any) -> Any:
    """With where things hang for owners, without for everybody else."""
    return item if person.may(Role.OWNER) else service.places.shown(item)


@dataclass(frozen=True, slots=True)
class Me:
    """A person in a browser, and the token of their session."""

    person: Principal
    token: str


def signed_in(request: Request) -> Me:
    """A person who has signed in; a program has no password and no sessions."""
    principal = _able(request, Role.VIEWER, Scope.READ)
    cookie = session_token(request)
    if cookie is None or access(request).session(cookie) is None:
        raise Problem(HTTPStatus.FORBIDDEN, "This is only for people who have signed in.")
    if "authorization" in request.headers:
        raise Problem(HTTPStatus.FORBIDDEN, "A program with a token has no sessions.")
    return Me(principal, cookie)


TheService = Annotated[Service, Depends(service)]
ThePast = Annotated[Past, Depends(past)]
TheAccess = Annotated[Access, Depends(access)]
Viewer = Annotated[Principal, Depends(viewer)]
Operator = Annotated[Principal, Depends(operator)]
SignedIn = Annotated[Me, Depends(signed_in)]
Owner = Annotated[Principal, Depends(owner)]
NamedOwner = Annotated[Principal, Depends(named_owner)]
Starter = Annotated[Principal, Depends(starter)]
ProgressTeller = Annotated[Principal, Depends(progress_teller)]
