"""What boards say, without what could harm who shows it or tells of it: pure."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime
from typing import Any, Final, TypeVar

from pydantic import BaseModel

from stillair.hall.names import plain

# For a label that nobody can read: so does one look whose clock was never set.
NEVER_SET: Final = "1970-01-01T00:00:00.000Z"
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?(Z|[+-]\d\d:\d\d)")
M = TypeVar("M", bound=BaseModel)


def harmless(told: M) -> M:
    """The same without numbers that are none, for which JSON has no word; with text made plain.

    And with instants alone where instants belong: a page fails as a whole where one can't be read.
    """
    return told.model_copy(update={name: _harmless(name, value) for name, value in told})


def _harmless(name: str, value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, str):
        is_label = name == "at" or name.endswith(("_at", "_until"))
        return (instant(value) or NEVER_SET) if is_label else plain(value)
    if isinstance(value, BaseModel):
        return harmless(value)
    if isinstance(value, tuple):
        return tuple(_harmless("", each) for each in value)
    return value


def instant(text: str | None) -> str | None:
    """A label that can be read as an instant, in any zone; None for anything else."""
    if text is None or not _INSTANT.fullmatch(text):
        return None
    try:
        year = datetime.fromisoformat(text).astimezone(UTC).year
    except (ValueError, OverflowError):
        return None
    return text if 1 < year < 9999 else None
