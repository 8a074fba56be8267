"""What the OpenAPI says beyond the routes: how errors look, and who is let in by what."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from fastapi import FastAPI
from starlette.routing import compile_path

from stillair.api.problems import MEDIA_TYPE

Document = dict[str, Any]

_TEXT: Final = {"type": "string"}
_PROBLEM: Final[Document] = {
    "title": "Problem",
    "description": "An error (RFC 9457); `faults` tells of each part that has the wrong form.",
    "type": "object",
    "required": ["type", "title", "status", "detail"],
    "properties": {
        "type": _TEXT,
        "title": _TEXT,
        "status": {"type": "integer"},
        "detail": _TEXT,
        "faults": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["where", "what"],
                "properties": {"where": _TEXT, "what": _TEXT},
            },
        },
    },
}
_CONTENT: Final = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}

# Given to the application, so that each operation has them.
ERRORS: Final[dict[int | str, Document]] = {
    "4XX": {
        "description": (
            "Refused: 401 without a sign-in, 403 without the right, 404 for what isn't there, "
            "409 for what doesn't go with what is, 422 for a form that is wrong."
        ),
        "content": _CONTENT,
    },
    "503": {"description": "Not just now; ask again.", "content": _CONTENT},
}

COOKIE_OR_TOKEN: Final = [{"token": list[str]()}, {"session": list[str]()}]
ANYBODY: Final[Document] = {"security": []}  # `openapi_extra` of what a stranger may ask
A_PERSON: Final[Document] = {"security": [{"session": []}]}  # and of what a token can't


class Description:
    """The OpenAPI of an application, put together once."""

    def __init__(self, app: FastAPI, *, cookie: str) -> None:
        self._app = app
        self._cookie = cookie
        self._document: Document | None = None

    def document(self) -> Mapping[str, Any]:
        """All of it."""
        if self._document is None:
            document = self._app.openapi()
            parts = document.setdefault("components", {})
            parts.setdefault("schemas", {})["Problem"] = _PROBLEM
            parts["securitySchemes"] = {
                "token": {"type": "http", "scheme": "bearer"},
                "session": {"type": "apiKey", "in": "cookie", "name": self._cookie},
            }
            document["security"] = COOKIE_OR_TOKEN
            self._document = document
        return self._document

    def methods(self, path: str) -> list[str]:
        """What can be done with a path: one route answers for each of its methods."""
        found: set[str] = set()
        paths = self.document()["paths"]
        # What stands there letter by letter is none of those that a variable part stands for.
        for template, operations in ({path: paths[path]} if path in paths else paths).items():
            if compile_path(template)[0].match(path):
                found.update(method.upper() for method in operations)
        return sorted(found)
