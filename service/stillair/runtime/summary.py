"""What a replay found, in a few plain sentences for the person who ran it."""

from __future__ import annotations

import json
from typing import Any

from stillair.alarms.figures import clock, duration, row
from stillair.alarms.words import WORDS
from stillair.model import Change, Kind

_CLASSES = ("alarm", "supervisory", "trouble", "notice")
_PRIORITIES = ("critical", "high", "medium", "low")
_INSTANTS = frozenset({Kind.SOAK_READY, Kind.COOL_ENOUGH})


class Summary:
    """Gather the lines of a replay and sum them up."""

    def __init__(self) -> None:
        self._events: dict[int, dict[str, Any]] = {}  # the newest word on each

    def take(self, line: str) -> None:
        """Take a line that `replay` printed."""
        told = json.loads(line)
        self._events[told["event"]] = told

    def text(self) -> str:
        """How many of each kind, the most serious first, when, and where to look."""
        events = sorted(self._events.values(), key=lambda e: float(e["onset_s"]))
        if not events:
            return (
                "Nothing was found that had to be told. "
                "That is no proof that nothing was the matter: see that every column was read as "
                "what it is (--chamber FILE says where sensors sit)."
            )
        groups: dict[str, list[dict[str, Any]]] = {}
        for event in sorted(events, key=_rank):
            groups.setdefault(str(event["kind"]), []).append(event)
        said = [f"{len(events)} {'event was' if len(events) == 1 else 'events were'} found:"]
        for kind, found in groups.items():
            said.append(f"  {WORDS[Kind(kind)].title}: {_spans(found)}")
        worst = min(events, key=_rank)
        said.append(
            f"Look first at event {worst['event']} "
            f"({WORDS[Kind(worst['kind'])].title.lower()}, from {clock(worst['onset_s'])})"
            + (f" on {row(worst['sensors'])}." if worst["sensors"] else ".")
        )
        said.append("Times are hours, minutes and seconds of the recording.")
        return "\n".join(said)


def _spans(found: list[dict[str, Any]]) -> str:
    unsure = sum(event["detail"].get("cause") == "uncertain" for event in found)
    doubt = f"; of {unsure} of them the cause isn't certain" if unsure else ""
    if len(found) == 1:
        return f"once, {_one(found[0])}" + ("; the cause isn't certain" if unsure else "")
    return f"{len(found)} times, first {_one(found[0])}; last {_one(found[-1])}{doubt}"


def _one(event: dict[str, Any]) -> str:
    at = f"at {clock(event['onset_s'])}"
    if Kind(event["kind"]) in _INSTANTS:
        return at
    if event["change"] != Change.CLEARED.value:
        return f"{at}, not over at the end"
    return f"{at} for {duration(event['end_s'] - event['onset_s'])}"


def _rank(event: dict[str, Any]) -> tuple[int, int, float]:
    return (
        _CLASSES.index(event["class"]),
        _PRIORITIES.index(event["priority"]),
        float(event["onset_s"]),
    )
