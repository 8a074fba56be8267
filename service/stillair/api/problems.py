"""Every error as a problem document (RFC 9457)."""

from __future__ import annotations

import json
import logging
import math
from collections.abc import Awaitable, Callable, Mapping, Sequence
from http import HTTPStatus
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, Response

from stillair.access.people import TooManyTriesError
from stillair.errors import (
    AccessError,
    CertificateError,
    CommandRefused,
    CopyError,
    NotKnownError,
    Refusal,
    StillairError,
    StoreError,
)
from stillair.runtime.past import NotAnsweredError

log = logging.getLogger(__name__)

MOST_TOLD = 5  # sentences at once; the list has all
MEDIA_TYPE = "application/problem+json"
COPY_AWAY = (
    "The copy of the database that pages read can't be read just now."
    " What boards hand on is kept all the same."
)
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
        case NotKnownError():
            return Problem(HTTPStatus.UNAUTHORIZED, _sentence(str(error)))
        case AccessError():
            return Problem(HTTPStatus.CONFLICT, _sentence(str(error)))
        case CopyError():
            return Problem(HTTPStatus.SERVICE_UNAVAILABLE, COPY_AWAY)
        case StoreError():
            return Problem(
                HTTPStatus.SERVICE_UNAVAILABLE, "History can't be read or kept just now."
            )
        case CertificateError():
            return Problem(HTTPStatus.SERVICE_UNAVAILABLE, "The authority can't be read just now.")
        case NotAnsweredError():
            return Problem(HTTPStatus.SERVICE_UNAVAILABLE, _sentence(str(error)))
        case RequestValidationError():
            faults = [
                {"where": ".".join(str(p) for p in fault["loc"]), "what": plain(fault)}
                for fault in error.errors()
            ]
            return Problem(
                HTTPStatus.UNPROCESSABLE_ENTITY,
                " ".join(fault["what"] for fault in faults[:MOST_TOLD]),
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


# What is asked for, in the words of the page, and the unit of its figures.
_NAMES: Mapping[str, tuple[str, str]] = {
    "height_mm": ("The height", " mm"),
    "limit_c": ("The limit", " °C"),
    "target_c": ("The target", " °C"),
    "minutes": ("The time of quiet", " minutes"),
    "name": ("The name", ""),
    "material": ("The material", ""),
    "machine": ("The machine", ""),
    "notes": ("What is noted of the job", ""),
    "text": ("The note", ""),
    "reason": ("The reason", ""),
    "note": ("The remark", ""),
    "event": ("The number of the event", ""),
    "outcome": ("How the part came out", ""),
    "batch": ("The batch", ""),
    "dried_h": ("The time of drying", " h"),
    "dried_c": ("The temperature of drying", " °C"),
    "humidity_percent": ("The room's humidity", " %"),
    "hold": ("What holds the part", ""),
    "held_since": ("The day", ""),
    "brim": ("The brim", ""),
    "fan_percent": ("The fan's share", " %"),
    "nozzle_c": ("The nozzle's temperature", " °C"),
    "bed_c": ("The bed's temperature", " °C"),
    "toolpath": ("The toolpath's name", ""),
    "place": ("The place", ""),
    "flaws": ("The list of flaws", ""),
    "kind": ("The kind of flaw", ""),
    "number": ("The number of the piece", ""),
    "password": ("The password", ""),
    "old": ("The password so far", ""),
    "new": ("The new password", ""),
    "code": ("The code", ""),
    "role": ("The role", ""),
    "person": ("The person", ""),
    "label": ("The telephone's name", ""),
    "endpoint": ("The telephone's address", ""),
}
_PLAIN: Mapping[str, str] = {
    "missing": "is missing",
    "extra_forbidden": "is not known here",
    "string_too_short": "may not be empty",
    "string_too_long": "may have {max_length} characters at most",
    "string_type": "has to be text",
    "int_type": "has to be a whole number",
    "int_parsing": "has to be a whole number",
    "float_type": "has to be a number, such as 12.4",
    "float_parsing": "has to be a number, such as 12.4",
    "finite_number": "has to be a number, such as 12.4",
    "greater_than": "has to be more than {gt:g}{unit}",
    "greater_than_equal": "has to be {ge:g}{unit} or more",
    "less_than": "has to be less than {lt:g}{unit}",
    "less_than_equal": "has to be {le:g}{unit} or less",
    "enum": "has to be one of {expected}",
    "literal_error": "has to be one of {expected}",
    "bool_type": "has to be true or false",
    "bool_parsing": "has to be true or false",
    "int_from_float": "has to be a whole number",
    "dict_type": "has to be a JSON object",
    "model_attributes_type": "has to be a JSON object",
    "too_long": "may have {max_length} entries at most",
}


def plain(fault: Mapping[str, Any]) -> str:
    """What is wrong with a part of a request and what it has to be, in one sentence."""
    where = [str(part) for part in fault["loc"]]
    kind = str(fault["type"])
    if kind == "json_invalid":
        return "The body of the request is no JSON."
    if len(where) < 2:
        return "The body of the request is missing." if kind == "missing" else _OBJECT
    name, unit = _NAMES.get(where[-1], (f'"{where[-1][:60]}"', ""))
    if where[1] == "sensors" and len(where) == 4:
        name = f"{name} of the sensor {where[2][:60]}"
    words = _PLAIN.get(kind, "has not the form that is wanted; /api/openapi.json tells it")
    return f"{name} {words.format(**{'unit': unit, **fault.get('ctx', {})})}."


_OBJECT = "The body of the request has to be a JSON object."


def told_path(path: str) -> str:
    """A path as it may stand in the log: of a link, no token."""
    parts = path.split("/")
    return "/".join(
        "..." if before == "answer" else part
        for before, part in zip(["", *parts], parts, strict=False)
    )


def _sentence(clause: str) -> str:
    return f"{clause[:1].upper()}{clause[1:].rstrip('.')}."


def _reads_pages(request: Request) -> bool:
    """Whether a person asks, with a browser, for something that would be a page."""
    return (
        request.method == "GET"
        and not request.url.path.startswith("/api/")
        and "text/html" in request.headers.get("accept", "")
    )


def install(app: FastAPI, methods: Callable[[str], Sequence[str]], nowhere: Path) -> None:
    """Answer every error of `app` with its problem document.

    `methods` tells what can be done with a path; the router knows one route of several.
    `nowhere` is the page for people at an address where nothing is.
    """

    async def answer(request: Request, error: Exception) -> Response:
        problem = of(error)
        if problem.status is HTTPStatus.INTERNAL_SERVER_ERROR:
            path = told_path(request.url.path)
            log.error("%s %s failed", request.method, path, exc_info=error)
        if problem.status is HTTPStatus.METHOD_NOT_ALLOWED and (able := methods(request.url.path)):
            problem.headers = {"Allow": ", ".join(able)}
        if problem.status is HTTPStatus.NOT_FOUND and _reads_pages(request):
            return FileResponse(nowhere, problem.status.value)
        return problem.response()

    handler: Callable[[Request, Exception], Awaitable[Response]] = answer
    for kind in (StillairError, RequestValidationError, HTTPException, Exception):
        app.add_exception_handler(kind, handler)
