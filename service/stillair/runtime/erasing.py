"""Erase a job's pictures, or all that is kept of it, at its owner's word."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from functools import partial
from uuid import uuid4

from stillair.errors import CommandRefused, Refusal
from stillair.runtime.clips import Clips
from stillair.runtime.pictures import Pictures
from stillair.storage import erasing
from stillair.storage.archive import Archive
from stillair.storage.history import History
from stillair.storage.journal import Journal

FLUSH_S = 1.0  # what is on its way to the journal would come back after erasing


class Erasing:
    """Erase what is kept; every method raises `CommandRefused` and `StoreError`."""

    def __init__(
        self,
        *,
        journal: Journal,
        archive: Archive,
        history: History,
        pictures: Pictures,
        clips: Clips,
        flush: Callable[[float], bool],
        forget: Callable[[str], object],
        is_handed_on: Callable[[], bool],
        wall: Callable[[], datetime],
    ) -> None:
        self._journal = journal
        self._archive = archive
        self._history = history
        self._pictures = pictures
        self._clips = clips
        self._flush = flush
        self._forget = forget
        self.last_seq = 0  # of what says so
        self._is_handed_on = is_handed_on  # whether a hall may have what was kept
        self._wall = wall

    def pictures_of(self, job: str) -> int:
        """Erase a job's stills and films and those of its events; returns how many pictures."""
        chamber = self._chamber(job)
        remove = partial(self._pictures.erase, chamber)
        films = self._clips.erase
        return len(erasing.pictures_of(self._journal, chamber, job, remove, films))

    def job(self, job: str) -> None:
        """Erase a job that is over and everything that belongs to it."""
        chamber = self._chamber(job)
        begun_s, over_s = self._history.job_span(job)
        erasing.check_over(self._journal, job)
        # First: without its row nobody could ask for the rest again if this failed.
        if over_s is not None:
            self._archive.forget_between(chamber, begun_s, over_s)
        remove = partial(self._pictures.erase, chamber)
        erased = None
        if over_s is not None and self._is_handed_on():
            times_us = (round(s * 1e6) for s in (self._wall().timestamp(), begun_s, over_s))
            erased = erasing.Erased(uuid4().hex, *times_us)
        erasing.job(self._journal, chamber, job, remove, self._clips.erase, erased=erased)
        self.last_seq = self._history.last_seq()
        self._forget(job)  # what the first page has of it, in memory

    def film(self, clip: str) -> None:
        """Erase one film."""
        if self._history.clips().one(clip) is None:
            raise CommandRefused(Refusal.UNKNOWN, "There is no such film.")
        erasing.film(self._journal, clip, self._clips.erase)

    def _chamber(self, job: str) -> str:
        self._flush(FLUSH_S)
        item = self._history.job(job)
        if item is None:
            raise CommandRefused(Refusal.UNKNOWN, "There is no such job.")
        return str(item["chamber"])
