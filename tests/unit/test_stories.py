"""The last hour's events, as the first page tells them from memory."""

from __future__ import annotations

from dataclasses import replace

from stillair.model import Change, EventChange, Kind, Priority, SignalClass, Timeline
from stillair.runtime.stories import Stories

AT = "2026-01-01T00:00:00.000Z"
TIMELINE = Timeline("boot", 1767225600.0)  # the same instant at 0


def test_of_a_job_that_was_erased_nothing_more_is_told() -> None:
    ends = {2: "north-bench-1", 5: "north-bench-2", 7: None}
    kept = Stories(
        "north-bench",
        [
            {"event": event, "change": "cleared", "job": job, "end_at": AT, "onset_at": AT}
            for event, job in ends.items()
        ],
    )
    kept.forget("north-bench-1")
    told = [item["event"] for item in kept.told(60.0, TIMELINE) if isinstance(item, dict)]
    assert told == [5, 7]


def test_what_stood_before_a_restart_goes_on() -> None:
    """However long ago it began, as long as nobody has told its end."""
    draft = EventChange(
        event=3,
        change=Change.REVISED,
        at_s=-7000.0,
        kind=Kind.DRAFT,
        signal_class=SignalClass.SUPERVISORY,
        priority=Priority.MEDIUM,
        onset_s=-7200.0,
        sensors=("top",),
        detail={"cause": "clear"},
    )
    kept = Stories("north-bench", standing=(draft,))
    (told,) = kept.told(60.0, TIMELINE)
    assert isinstance(told, dict)
    assert (told["event"], told["end_at"], told["change"]) == (3, None, "revised")
    assert "for 2 h 1 min so far" in str(told["text"])
    over = replace(draft, change=Change.CLEARED, at_s=70.0, end_s=70.0)
    kept.take([over], TIMELINE)
    (told,) = kept.told(80.0, TIMELINE)
    assert isinstance(told, dict)
    assert (told["event"], told["change"]) == (3, "cleared"), "and ends once"


def test_what_was_said_once_is_of_the_hour_in_which_it_was_said() -> None:
    """That it is cool enough may stay so for a day; a draft that stands is news each hour."""
    said = EventChange(
        event=4,
        change=Change.RAISED,
        at_s=0.0,
        kind=Kind.COOL_ENOUGH,
        signal_class=SignalClass.NOTICE,
        priority=Priority.LOW,
        onset_s=0.0,
        sensors=("top",),
        detail={"cause": "clear", "temperature_c": 39.0, "below_c": 40.0},
    )
    kept = Stories("north-bench", standing=(said,))
    assert len(kept.told(3500.0, TIMELINE)) == 1
    assert kept.told(3700.0, TIMELINE) == []
    kept.take([replace(said, change=Change.CLEARED, at_s=3710.0, end_s=3710.0)], TIMELINE)
    assert kept.told(3720.0, TIMELINE) == [], "its end is no news"
