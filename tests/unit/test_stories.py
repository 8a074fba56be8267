"""The last hour's events, as the first page tells them from memory."""

from __future__ import annotations

from stillair.model import Timeline
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
