"""What a person is told after a replay."""

from __future__ import annotations

import json
from typing import Any

from stillair.runtime.summary import Summary


def line(event: int, change: str, kind: str = "door_open", **more: Any) -> str:
    return json.dumps(
        {
            "event": event,
            "change": change,
            "at_s": 5000.0,
            "kind": kind,
            "class": "supervisory",
            "priority": "medium",
            "onset_s": 5038.0,
            "sensors": ["top"],
            "detail": {"cause": "clear"},
            **more,
        }
    )


def summed(*lines: str) -> list[str]:
    summary = Summary()
    for each in lines:
        summary.take(each)
    return summary.text().splitlines()


def test_events_are_counted_by_kind_the_most_serious_first() -> None:
    door: dict[str, Any] = {
        "onset_s": 7200.0,
        "end_s": 7290.0,
        "detail": {"cause": "uncertain", "or": "draft"},
    }
    fire: dict[str, Any] = {
        "class": "alarm",
        "priority": "critical",
        "onset_s": -75.0,
        "sensors": ["top", "low"],
    }
    told = summed(
        line(1, "raised"),
        line(1, "cleared", end_s=5118.0),
        line(2, "raised", "soak_ready", priority="low", **{"class": "notice"}),
        line(3, "raised", **door),
        line(3, "cleared", **door),
        line(4, "raised", "fire", **fire),
    )
    assert told == [
        "4 events were found:",
        "  Fire: once, at -0:01:15, not over at the end",
        "  Door open: 2 times, first at 1:23:58 for 1 min 20 s; last at 2:00:00 for 1 min 30 s; "
        "of 1 of them the cause isn't certain",
        "  Warm and steady: once, at 1:23:58",
        "Look first at event 4 (fire, from -0:01:15) on top and low.",
        "Times are hours, minutes and seconds of the recording.",
    ]


def test_an_event_counts_as_what_it_turned_out_to_be() -> None:
    assert summed(line(1, "raised", "draft"), line(1, "revised"))[:2] == [
        "1 event was found:",
        "  Door open: once, at 1:23:58, not over at the end",
    ]


def test_that_nothing_was_found_is_no_proof() -> None:
    (told,) = summed()
    assert "Nothing was found" in told
    assert "no proof" in told
