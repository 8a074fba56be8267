"""The job that is over, its cooling too, and of which nobody has said yet how it came out."""

from __future__ import annotations

from stillair.model import JobPhase
from stillair.runtime.diagnosing import epoch_s
from stillair.storage.history import History
from stillair.storage.items import Item

ASKED_FOR_S = 3 * 86_400.0  # who hasn't looked at the part by then won't for being asked


class Unsaid:
    """What the first page asks about; found beside the watch, read by many threads."""

    def __init__(self) -> None:
        self._item: Item | None = None

    @property
    def item(self) -> Item | None:
        """Id, name and end of the job to ask about, None for none."""
        return self._item

    def find(self, history: History, chamber: str, now_s: float) -> None:
        """Look the chamber's newest job up; `now_s` since the epoch. Raises `StoreError`."""
        newest = history.jobs(chamber=chamber, last=True, limit=1).entries
        job = newest[0].body if newest else {}
        finished_s = epoch_s(job.get("finished_at"))
        self._item = (
            {key: job[key] for key in ("id", "name", "finished_at")}
            if job.get("state") == JobPhase.FINISHED.value
            and job["outcome"] is None
            and finished_s is not None
            and now_s - finished_s < ASKED_FOR_S
            else None
        )

    def forget(self, job: str) -> None:
        """Ask about this job no more: it is erased."""
        if self._item is not None and self._item["id"] == job:
            self._item = None
