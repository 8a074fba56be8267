"""Findings become numbered events: the story of one chamber.

A detector knows that a condition holds; here it gets the number under which it is
told, kept and found again, and the job and height it fell in. One event stands for
each kind and subject; one that turns out to be what already stands ends that.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from stillair.alarms.seen import number, smoke_before_s
from stillair.model import KIND_CLASS, Change, Detail, EventChange, Finding, Job, Kind

TOLD_ON = "it is told on with another event"


class Events:
    """Number what is found, and know what stands.

    Parameters
    ----------
    standing : iterable of EventChange
        What stood at the last stop.
    next_event : int
        The number of the next one: all lower ones have existed.
    """

    def __init__(self, standing: Iterable[EventChange], next_event: int) -> None:
        self._open = {(e.kind, e.subject): e for e in standing}
        self._next_event = next_event

    @property
    def standing(self) -> Mapping[tuple[Kind, str], EventChange]:
        """The newest word on each event that stands, by kind and subject; always the present."""
        return self._open

    def take(self, t_s: float, finding: Finding, job: Job | None) -> tuple[EventChange, ...]:
        """The line of the story that a finding makes, and before it the end of what it displaces.

        None for the end of what doesn't stand.
        """
        told = []
        known = self._open.get((finding.kind, finding.subject))
        turns = finding.was_kind not in (None, finding.kind) and finding.change is Change.REVISED
        if known and turns and (finding.was_kind, finding.subject) in self._open:
            told.append(self._event(t_s, known.ended(t_s, TOLD_ON), job))
        told.append(self._event(t_s, finding, job))
        return tuple(event for event in told if event is not None)

    def _event(self, t_s: float, finding: Finding, job: Job | None) -> EventChange | None:
        key = (finding.kind, finding.subject)
        known = self._open.get((finding.was_kind or key[0], key[1])) or self._open.get(key)
        over = finding.change is Change.CLEARED
        if known is None and over:
            return None
        change = Change.CLEARED if over else Change.REVISED if known else Change.RAISED
        number = known.event if known else self._next_event
        self._next_event = max(self._next_event, number + 1)
        signal_class, priority = KIND_CLASS[finding.kind]
        event = EventChange(
            event=number,
            change=change,
            at_s=t_s,
            kind=finding.kind,
            signal_class=signal_class,
            priority=finding.priority or (known.priority if known else None) or priority,
            onset_s=finding.onset_s,
            sensors=finding.sensors,
            detail=_dated(finding, known),
            end_s=finding.end_s if change is Change.CLEARED else None,
            subject=finding.subject,
            job=known.job if known else (job.id if job else None),
            height_mm=known.height_mm if known else (job.height_mm if job else None),
        )
        if known is not None:
            del self._open[known.kind, known.subject]
            if finding.was_kind is not None and finding.priority is None:
                event = replace(event, priority=priority)
        if change is not Change.CLEARED:
            self._open[key] = event
        return event


def _dated(finding: Finding, known: EventChange | None) -> Detail:
    """Its figures, and of a fire for how long it was smoke alone; known best when it began."""
    if finding.kind is not Kind.FIRE:
        return finding.detail
    before_s = smoke_before_s(finding.detail)
    if known is not None and known.kind is Kind.FIRE:
        before_s = number(known.detail.get("smoke_before_s"))
    return {**finding.detail, "smoke_before_s": before_s} if before_s > 0.0 else finding.detail
