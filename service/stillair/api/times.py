"""Moments in addresses: seconds since the epoch, or RFC 3339."""

from __future__ import annotations

import re
from datetime import datetime
from http import HTTPStatus
from math import isfinite
from typing import Annotated

from pydantic import WithJsonSchema

from stillair.api.problems import Problem

EARLIEST_S, LATEST_S = 0.0, 253_402_300_799.0  # the years 1970 to 9999; beyond, there is nothing

Moment = Annotated[
    str,
    WithJsonSchema(
        {
            "description": "seconds since the epoch, or RFC 3339 with a zone",
            "anyOf": [{"type": "number"}, {"type": "string", "format": "date-time"}],
        }
    ),
]

_LEAP_SECOND = re.compile(r"(?<=:\d\d):60")  # RFC 3339 has it, Python doesn't


def epoch_s(moment: str | None) -> float | None:
    """Seconds since the epoch, or None where no moment was given.

    Raises `Problem` (422) for anything that is neither form, or has no zone.
    """
    if moment is None:
        return None
    try:
        seconds = float(moment)
    except ValueError:
        try:
            # A plus sign in an address arrives as a blank.
            text = _LEAP_SECOND.sub(":59", moment.upper().replace(" ", "+"))
            at = datetime.fromisoformat(text)
            seconds = at.timestamp() if at.tzinfo else float("nan")
        except (ValueError, OverflowError):
            seconds = float("nan")
    if not isfinite(seconds):
        raise Problem(
            HTTPStatus.UNPROCESSABLE_ENTITY,
            f"{moment[:40]!r} is no moment: give seconds since the epoch, or RFC 3339 with a zone.",
        )
    return min(max(seconds, EARLIEST_S), LATEST_S)


def stretch(start: str | None, end: str | None) -> tuple[float | None, float | None]:
    """Both ends of a stretch of time. Raises `Problem` (409) also for one that ends first."""
    start_s, end_s = epoch_s(start), epoch_s(end)
    if start_s is not None and end_s is not None and end_s < start_s:
        raise Problem(HTTPStatus.CONFLICT, "The stretch ends before it begins.")
    return start_s, end_s
