"""Heights that a machine tells: safe at once, in the journal a few minutes later.

A height that comes with each layer is a transaction of a dozen pages, and no outcome that
anybody waits for. So it goes to the emergency journal, where it costs a sector or two, and
into the journal with those that came after it: soon, or together with the next that matters.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from stillair.model import Job, Outcome
from stillair.storage.records import Parcel

LATER_S = 300.0  # the first of them waits no longer than this
MOST_PARCELS = 30  # an alarm behind them goes into their transaction: see `BATCH_PARCELS`


class Later:
    """Outcomes that are safe elsewhere and wait for the journal, in order. Not thread-safe.

    Every outcome is noted as it comes, and forgotten once it waits for nobody, or here.
    """

    def __init__(self) -> None:
        self.parcels: list[Parcel] = []
        self.due_s = math.inf  # when they have to go into the journal
        self._jobs: dict[str, Job] = {}  # as each chamber's was told last
        self._growth: set[str] = set()  # ids of what says only that a part has grown

    def note(self, parcel: Parcel) -> None:
        """Take note of the next outcome."""
        outcome = parcel.outcome
        known = self._jobs.get(outcome.chamber)
        if outcome.jobs:
            self._jobs[outcome.chamber] = outcome.jobs[-1]
        if _is_growth(outcome, known):
            self._growth.add(parcel.id)

    def forget(self, parcel: Parcel) -> None:
        """It waits for no decision any more."""
        self._growth.discard(parcel.id)

    def may_have(self, parcels: Sequence[Parcel]) -> bool:
        """Whether all of these may wait."""
        return all(parcel.id in self._growth for parcel in parcels)

    def add(self, parcels: Sequence[Parcel], now_s: float) -> None:
        """Let these wait."""
        self.due_s = min(self.due_s, now_s + LATER_S)
        self.parcels += parcels
        if len(self.parcels) >= MOST_PARCELS:
            self.due_s = -math.inf

    def clear(self) -> None:
        """The journal has them."""
        self.parcels.clear()
        self.due_s = math.inf


def _is_growth(outcome: Outcome, known: Job | None) -> bool:
    """Whether it says no more than that a part has grown.

    Not with its first height: with that, who looks back on jobs knows that it goes on.
    """
    if known is None or known.height_mm is None or len(outcome.jobs) != 1:
        return False
    (job,) = outcome.jobs
    alone = outcome == Outcome(outcome.chamber, outcome.t_s, jobs=outcome.jobs)
    return alone and job == replace(known, height_mm=job.height_mm)
