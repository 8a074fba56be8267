"""What other settings would have told of a job that is over, or still runs.

A job's kept readings go through the watch with each of two plans, together
with what else is kept of it (see `again`), and the two stories are held against
each other. What only a camera or a detector told is in neither.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from stillair.alarms.figures import duration, row
from stillair.errors import InputError
from stillair.model import Kind
from stillair.runtime.again import Share, Told, order, told_then, watched_again
from stillair.storage.history import History
from stillair.storage.items import Item
from stillair.watch import WatchPlan

SAME_S = 3.0  # what is told within this is told alike
COLD_AIR = frozenset({Kind.DOOR_OPEN, Kind.DRAFT, Kind.HEAT_LOST})  # one may be called another


@dataclass(frozen=True, slots=True)
class Difference:
    """One event in both stories: `what` is "new", "gone", "changed" or "same"."""

    what: str
    before: Told | None
    after: Told | None

    def item(self) -> Item:
        """As it is answered."""
        return {
            "what": self.what,
            "before": self.before.item() if self.before else None,
            "after": self.after.item() if self.after else None,
        }


def what_if(
    folder: Path,
    job: str,
    before: WatchPlan | None,
    after: WatchPlan,
    *,
    material: str | None = None,
    share: Share = lambda _: None,
) -> list[Difference]:
    """How the story of a job would have been with the plan `after`, and of another `material`.

    Against the one with `before`, or where that is None against what was told
    at the time. `share` is told how far it is, from 0 to 1, where the job is
    over. Raises `InputError` for an unknown job, one of another chamber or one
    that can't be watched again, `StoreError` where the history can't be read.
    """
    if not (folder / "journal.db").is_file():
        raise InputError(f"there is no history in {folder}; name its folder with --data-dir")
    history = History(folder / "journal.db", folder / "archive.db")
    try:
        item = history.job(job)
        if item is None:
            raise InputError(f"there is no job {job!r} in {folder}")
        for plan in filter(None, (before, after)):
            _check_chamber(item, plan)
        if before is None:
            old = told_then(history, item)
        else:
            old = watched_again(history, item, before, lambda done: share(0.5 * done))
        half = 0.0 if before is None else 0.5
        new = watched_again(
            history, item, after, lambda done: share(half + (1.0 - half) * done), material
        )
        return differences(old, new)
    finally:
        history.close()


def _check_chamber(job: Item, plan: WatchPlan) -> None:
    if plan.chamber != job["chamber"]:
        raise InputError(
            f"job {job['id']} was built in the chamber {str(job['chamber'])!r}, but these settings "
            f"are of {plan.chamber!r} ({plan.name}); change a copy of that chamber's own file, "
            "and leave its name as it is"
        )


def differences(before: Sequence[Told], after: Sequence[Told]) -> list[Difference]:
    """Pair the events of two stories: those of one kind, then falls that are called otherwise."""
    left = list(before)
    found: list[Difference] = []
    unpaired: list[Told] = []
    for event in after:
        same = [e for e in left if _alike(e, event)]
        if not same:
            unpaired.append(event)
            continue
        other = min(same, key=lambda e: abs(e.raised_s - event.raised_s))
        left.remove(other)
        same_way = _near(other.raised_s, event.raised_s) and _near(other.end_s, event.end_s)
        found.append(Difference("same" if same_way else "changed", other, event))
    for event in unpaired:
        called = [e for e in left if {e.kind, event.kind} <= COLD_AIR and _overlap(e, event)]
        if called:
            other = min(called, key=lambda e: abs(e.raised_s - event.raised_s))
            left.remove(other)
            found.append(Difference("changed", other, event))
        else:
            found.append(Difference("new", None, event))
    found += [Difference("gone", event, None) for event in left]
    return sorted(found, key=_order)


def table(found: Sequence[Difference]) -> str:
    """The differences as a person reads them, and how many events stay as they were."""
    from io import StringIO

    from rich.console import Console
    from rich.table import Table

    same = sum(difference.what == "same" for difference in found)
    rows = [difference for difference in found if difference.what != "same"]
    if not found:
        return "Neither way would anything have been told."
    if not rows:
        return f"Nothing differs: {same} of {same} events would be told alike."
    summary = f"{len(rows)} of {len(found)} events differ; {same} would be told alike."
    grid = Table("", "event", "of", "as it is", "with the other settings")
    for difference in rows:
        told = difference.after or difference.before
        assert told is not None
        grid.add_row(
            difference.what,
            told.kind.value,
            told.subject or row(told.sensors) or "the chamber",
            _spoken(difference.before, told.kind),
            _spoken(difference.after, told.kind),
        )
    stream = StringIO()
    Console(file=stream, width=100, color_system=None).print(grid)
    return f"{stream.getvalue()}{summary}"


def _spoken(told: Told | None, kind: Kind) -> str:
    if told is None:
        return "-"
    lasted = "to the end" if told.end_s is None else f"for {duration(told.end_s - told.onset_s)}"
    name = "" if told.kind is kind else f"{told.kind.value} "
    hours, rest_s = divmod(round(told.raised_s), 3600)
    return f"{name}at {hours}:{rest_s // 60:02}:{rest_s % 60:02}, {lasted}"


# --- two stories ---------------------------------------------------------------------


def _near(one_s: float | None, other_s: float | None) -> bool:
    if one_s is None or other_s is None:
        return one_s is other_s
    return abs(one_s - other_s) <= SAME_S


def _alike(one: Told, other: Told) -> bool:
    return one.kind is other.kind and one.subject == other.subject and _overlap(one, other)


def _overlap(one: Told, other: Told) -> bool:
    """Whether they can be one happening: they share time, or begin within a minute."""
    ends = [math.inf if e.end_s is None else e.end_s for e in (one, other)]
    return (one.onset_s <= ends[1] and other.onset_s <= ends[0]) or abs(
        one.onset_s - other.onset_s
    ) <= 60.0


def _order(difference: Difference) -> tuple[float, str, str]:
    told = difference.after or difference.before
    assert told is not None
    return order(told)
