"""What a metrics server asks for; there only when it is switched on."""

from __future__ import annotations

from collections.abc import Callable

from fastapi import APIRouter, Response

from stillair.api.entry import Viewer
from stillair.runtime.metrics import CONTENT_TYPE

FORM = CONTENT_TYPE.partition(";")[0]


def router(text: Callable[[], bytes]) -> APIRouter:
    """The one operation that tells of this service, by what makes its text."""
    found = APIRouter(tags=["watching"])

    @found.get(
        "/metrics",
        response_class=Response,
        responses={200: {"content": {FORM: {"schema": {"type": "string"}}}}},
    )
    def tell(_: Viewer) -> Response:
        """How the service and its chambers are, as OpenMetrics text 1.0."""
        return Response(text(), media_type=CONTENT_TYPE)

    return found
