"""What every request has to pass before a router sees it.

- The Host must be one that this service is known by, or a bare address: a
  name that somebody else's name server points here is refused (DNS
  rebinding).
- What a browser asks must come from this service's own pages (Origin,
  Sec-Fetch-Site).
- A body is JSON, says so, is at most 64 KiB and comes within 20 s; but where a file or a
  photograph is sent it is given on as it comes, and the router looks at its size and time.
- Who is refused reads why: what they still send is thrown away first, up to 1 MiB or 2 s, as
  a connection that is closed over an unread body takes the answer with it (RFC 9112, 9.6).
- Answers carry the headers that keep a page from being framed, sniffed or fed with foreign code.

Plain ASGI, so that event streams pass through untouched.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import itertools
from collections.abc import Container
from http import HTTPStatus
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from stillair.api.problems import Problem
from stillair.runtime.lines import request

BODY_BYTES = 64 * 1024
BODY_S = 20.0
MOST_UNREAD_BYTES = 1 << 20  # of a refused body; then the connection is closed over it
UNREAD_S = 2.0
TOO_LARGE = f"A body is at most {BODY_BYTES} bytes here."
# What a form of a foreign page can't send, and what it is called.
JSON = "JSON", frozenset({"application/json"})
FILE = "the file itself", frozenset({"application/octet-stream"})
ANYTHING = "anything", frozenset[str]()
PICTURE = "the picture itself", frozenset({"image/jpeg", "image/png", "image/webp"})
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
        "media-src 'self'; "
        "connect-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'"
    ),
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cache-Control": "no-store",
}


class Guard:
    """Refuse what does not come from here, and mark every answer.

    Parameters
    ----------
    app : the application
    names : host names (lower case, without port) by which this service is known; may grow
    """

    def __init__(self, app: ASGIApp, *, names: Container[str]) -> None:
        self._app = app
        self._names = names
        self._numbers = itertools.count(1)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        request.set(str(next(self._numbers)))  # what is logged meanwhile carries it

        async def marked(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        problem = self._problem(scope)
        wanted = _wanted(scope)
        # Who sends a body only when asked has none on its way.
        if problem is not None and "expect" not in Headers(scope=scope):
            await _throw_away(receive)
        if problem is None and scope["method"] not in SAFE_METHODS and wanted is JSON:
            try:
                receive = await _taken(receive)
            except Problem as too_much:
                problem = too_much
        if problem is not None:
            await problem.response()(scope, receive, marked)
            return
        await self._app(scope, receive, marked)

    def _problem(self, scope: Scope) -> Problem | None:
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._is_ours(hosts[0]):
            return Problem(
                HTTPStatus.MISDIRECTED_REQUEST,
                "This service is not known by that name; use its address or its own host name.",
            )
        origin = headers.get("origin")
        if origin is not None and origin != f"{scope['scheme']}://{hosts[0]}":
            return Problem(HTTPStatus.FORBIDDEN, "A page of another origin may ask nothing here.")
        foreign = headers.get("sec-fetch-site") in ("cross-site", "same-site")
        if foreign and scope["method"] not in SAFE_METHODS:
            return Problem(
                HTTPStatus.FORBIDDEN, "A page of another origin may change nothing here."
            )
        length = headers.get("content-length", "0")
        what, forms = wanted = _wanted(scope)
        if not length.isdecimal() or (wanted is JSON and int(length[:12]) > BODY_BYTES):
            return Problem(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, TOO_LARGE)
        has_body = length.strip("0") or "transfer-encoding" in headers
        form = headers.get("content-type", "").partition(";")[0].strip().lower()
        unsafe = scope["method"] not in SAFE_METHODS
        if has_body and unsafe and wanted is not ANYTHING and form not in forms:
            return Problem(
                HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
                f"The body of a request is {what} here, with Content-Type: "
                f"{' or '.join(sorted(forms))}.",
            )
        return None

    def _is_ours(self, host: str) -> bool:
        try:
            name = urlsplit(f"//{host}").hostname or ""
        except ValueError:
            return False
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return name == "localhost" or name in self._names
        return True


def _wanted(scope: Scope) -> tuple[str, frozenset[str]]:
    """What a request's body has to be."""
    parts = str(scope["path"]).split("/")
    if parts in (["", "api", "toolpaths"], ["", "api", "archive"]):
        wanted = FILE
    elif parts[1:3] == ["api", "jobs"] and parts[4:] == ["photographs"]:
        wanted = PICTURE
    else:
        return JSON
    # With another method the router refuses it unread, whatever it is.
    return wanted if scope["method"] == "POST" else ANYTHING


async def _throw_away(receive: Receive) -> None:
    """Take what still comes of a body that nobody wants, within limits of size and time."""
    more, taken = True, 0
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(UNREAD_S):
            while more and taken <= MOST_UNREAD_BYTES:
                message = await receive()
                taken += len(message.get("body", b""))
                more = message.get("more_body", False)


async def _taken(receive: Receive) -> Receive:
    """Take the whole body, within limits of size and time; give it on as if it came now.

    Raises `Problem` (413, 408).
    """
    messages: list[Message] = []
    taken = 0
    try:
        async with asyncio.timeout(BODY_S):
            while not messages or messages[-1].get("more_body", False):
                message = await receive()
                messages.append(message)
                taken += len(message.get("body", b""))
                if taken > BODY_BYTES:
                    if message.get("more_body", False):
                        await _throw_away(receive)
                    raise Problem(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, TOO_LARGE)
    except TimeoutError:
        raise Problem(
            HTTPStatus.REQUEST_TIMEOUT, f"The body did not come within {BODY_S:g} s."
        ) from None
    waiting = iter(messages)

    async def given() -> Message:
        for message in waiting:
            return message
        return await receive()

    return given
