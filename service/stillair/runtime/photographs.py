"""Photographs that people take of a job's part: kept beside the other pictures, and removed."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from stillair.errors import CommandRefused, InputError, Refusal, StillairError
from stillair.media import photographs
from stillair.media.files import PictureFiles, new_id
from stillair.model import Timeline
from stillair.runtime.programs import answered
from stillair.storage import pictures as rows
from stillair.storage.history import History
from stillair.storage.items import Item
from stillair.storage.journal import Journal
from stillair.storage.pictures import KeptPicture, file_name

MOST_PHOTOGRAPHS = 20  # of one job
PATIENCE_S = 30.0  # the slowest board takes 6 s for 40 megapixels
AT_ONCE = 3  # bodies in memory

When = Callable[[str], tuple[float, Timeline]]  # the present second of a chamber


class Photographs:
    """Keep photographs of jobs; every method raises `CommandRefused` and `StoreError`."""

    def __init__(
        self, *, files: PictureFiles, journal: Journal, history: History, when: When
    ) -> None:
        self._files = files
        self._journal = journal
        self._history = history
        self._when = when
        self._one_at_a_time = asyncio.Lock()
        self.taking = asyncio.Semaphore(AT_ONCE)

    def check(self, job: str) -> str:
        """The chamber of a job that may have one photograph more."""
        item = self._history.job(job)
        if item is None:
            raise CommandRefused(Refusal.UNKNOWN, "There is no such job.")
        if rows.count(self._journal, job, rows.PHOTOGRAPH) >= MOST_PHOTOGRAPHS:
            raise CommandRefused(
                Refusal.CONFLICT,
                f"A job has at most {MOST_PHOTOGRAPHS} photographs; remove one first.",
            )
        return str(item["chamber"])

    async def add(self, job: str, data: bytes, by: str) -> str:
        """Keep one photograph, made small; returns its id. Raises `InputError` too."""
        async with self._one_at_a_time:
            jpeg = await _shrunk(data)
            return await asyncio.to_thread(self._keep, job, jpeg, by)

    def items(self, job: str) -> list[Item]:
        """The photographs of a job, oldest first."""
        return self._history.pictures().photographs(job)

    def remove(self, job: str, picture: str) -> None:
        """Remove one photograph for ever."""
        if picture not in {item["id"] for item in self.items(job)}:
            raise CommandRefused(Refusal.UNKNOWN, "This job has no such photograph.")
        self._files.remove(file_name(picture))
        rows.remove(self._journal, [picture])

    def _keep(self, job: str, jpeg: bytes, by: str) -> str:
        chamber = self.check(job)  # once more: others may have been quicker
        t_s, timeline = self._when(chamber)
        picture = KeptPicture(
            id=new_id(),
            chamber=chamber,
            part=rows.PHOTOGRAPH,
            t_s=t_s,
            timeline=timeline,
            size_bytes=len(jpeg),
            job=job,
            detail={"by": by},
        )
        name = file_name(picture.id)
        self._files.write(name, jpeg)
        try:
            rows.add(self._journal, picture)
        except StillairError:
            self._files.remove(name)
            raise
        return picture.id


async def _shrunk(data: bytes) -> bytes:
    """The picture as a program of its own makes it. Raises `InputError`."""
    try:
        status, answer = await answered(
            photographs.__name__,
            data,
            PATIENCE_S,
            environment=photographs.ENVIRONMENT,
            quiet=True,
        )
    except TimeoutError:
        raise InputError("the photograph took too long to read and was given up") from None
    if status == photographs.REFUSED:
        raise InputError(answer.decode())
    if status or not answer:
        raise InputError(photographs.NO_PICTURE)  # it broke who read it
    return answer
