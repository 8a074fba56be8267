"""Every error as a problem document (RFC 9457)."""

from __future__ import annotations

import json
import logging
import math
from collections.abc import Awaitable, Callable, Mapping
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from stillair.access.people import TooManyTriesError
from stillair.errors import AccessError, CommandRefused, Refusal, StillairError, StoreError

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
REFUSALS = {
    Refusal.UNKNOWN: HTTPStatus.NOT_FOUND,
    Refusal.CONFLICT: HTTPStatus.CONFLICT,
    Refusal.FORBIDDEN: HTTPStatus.FORBIDDEN,
}


class Problem(StillairError):
    """An error with the status and the sentence that the asker gets."""

    def __init__(
        self,
        status: HTTPStatus,
        detail: str,
        *,
        headers: dict[str, str] | None = None,
        faults: list[dict[str, str]] | None = None,
    ) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.headers = headers
        self.faults = faults

    def body(self) -> dict[str, object]:
        """The members of the document."""
        body: dict[str, object] = {
            "type": "about:blank",
            "title": self.status.phrase,
            "status": self.status.value,
            "detail": self.detail,
        }
        if self.faults:
            body["faults"] = self.faults
        return body

    def response(self) -> Response:
        """The document as an answer."""
        return Response(
            json.dumps(self.body()),
            self.status.value,
            headers=self.headers,
            media_type=MEDIA_TYPE,
        )


def of(error: Exception) -> Problem:
    """The problem that an error is to the asker; anything unforeseen is a 500 without details."""
    match error:
        case Problem():
            return error
        case CommandRefused():
            return Problem(REFUSALS[error.refusal], _sentence(error.reason))
        case TooManyTriesError():
            later = {"Retry-After": str(max(1, math.ceil(error.wait_s)))}
            return Problem(HTTPStatus.TOO_MANY_REQUESTS, _sentence(str(error)), headers=later)
        case AccessError():
            return Problem(HTTPStatus.UNAUTHORIZED, _sentence(str(error)))
        case StoreError():
            return Problem(
                HTTPStatus.SERVICE_UNAVAILABLE, "History can't be read or kept just now."
            )
        case RequestValidationError():
            faults = [
                {"where": ".".join(str(p) for p in fault["loc"]), "what": _plain(fault)}
                for fault in error.errors()
            ]
            return Problem(
                HTTPStatus.UNPROCESSABLE_ENTITY,
                "; ".join(f"{fault['where']}: {fault['what']}" for fault in faults[:5]),
                faults=faults,
            )
        case HTTPException():
            status = HTTPStatus(error.status_code)
            headers = dict(error.headers) if error.headers else None
            return Problem(status, str(error.detail), headers=headers)
        case _:
            return Problem(
                HTTPStatus.INTERNAL_SERVER_ERROR, "Stillair met an error of its own; see its log."
            )


_PLAIN = {
    "json_invalid": "is no JSON",
    "extra_forbidden": "is no key here",
    "missing": "is missing",
    "string_too_short": "may not be empty",
}


def _plain(fault: Mapping[str, Any]) -> str:
    """What is wrong, in our words where the library's are meant for its own users."""
    return _PLAIN.get(fault["type"], str(fault["msg"]).removeprefix("Value error, "))


def _sentence(clause: str) -> str:
    return f"{clause[:1].upper()}{clause[1:].rstrip('.')}."


def install(app: FastAPI) -> None:
    """Answer every error of `app` with its problem document."""

    async def answer(request: Request, error: Exception) -> Response:
        problem = of(error)
        if problem.status is HTTPStatus.INTERNAL_SERVER_ERROR:
            log.error("%s %s failed", request.method, request.url.path, exc_info=error)
        return problem.response()

    handler: Callable[[Request, Exception], Awaitable[Response]] = answer
    for kind in (StillairError, RequestValidationError, HTTPException, Exception):
        app.add_exception_handler(kind, handler)
