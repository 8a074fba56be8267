"""Which rules of the watch broke: told at once, and until all have been sound for a minute."""

from __future__ import annotations

from collections.abc import Iterable

from stillair.alarms import figures
from stillair.alarms.words import RULES
from stillair.model import Change, EventChange, Finding, Kind

WHOLE_S = 60.0  # rules that broke are sound again after so long without a defect


class BrokenRules:
    """Say that part of the watch isn't working, and which.

    Parameters
    ----------
    spared : str
        What people want to know of above all: said not to be held up, while it isn't.
    """

    def __init__(self, spared: str) -> None:
        self._spared = spared
        self._names: set[str] = set()
        self._last_s: float | None = None  # when a rule last broke; None: all are sound

    def __bool__(self) -> bool:
        return self._last_s is not None

    def tick(self, t_s: float, names: set[str], known: EventChange | None) -> Iterable[Finding]:
        """Take the rules that broke in this second; `known` is what is told by now."""
        if not names:
            if known is not None and (self._last_s is None or t_s - self._last_s >= WHOLE_S):
                self._names, self._last_s = set(), None
                yield known.ended(t_s)
            return
        told, self._names, self._last_s = self._names, self._names | names, t_s
        if names <= told:
            return
        reason = f"held up by a defect: {figures.row(sorted(self._names))}"
        if self._spared not in self._names:
            reason += f", but not {self._spared}"
        yield Finding(
            Kind.WATCH_GAP,
            Change.REVISED if known else Change.RAISED,
            t_s,
            known.onset_s if known else t_s,
            detail={"cause": "clear", "reason": reason},
            subject=RULES,
        )
