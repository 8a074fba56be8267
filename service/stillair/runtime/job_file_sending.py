"""A job's file on its way to somebody's browser, made by a program of its own meanwhile."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import TYPE_CHECKING

from stillair.errors import CommandRefused, Refusal
from stillair.runtime import programs
from stillair.runtime.worker import WorkFailedError
from stillair.storage.records import to_record

if TYPE_CHECKING:
    from stillair.runtime.job_file import Asked

BLOCK_BYTES = 1 << 16
FIRST_S = 60.0  # until something comes, on a busy board
AT_ONCE = 2


class JobFiles:
    """Have files of jobs made, two at a time."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._under_way = 0

    async def begin(self, asked: Asked) -> JobFile:
        """A file whose first block is there.

        Raises `CommandRefused` while others are made, and `WorkFailedError`.
        """
        if self._under_way >= AT_ONCE:
            raise CommandRefused(
                Refusal.CONFLICT, "Others are just being made; ask again in a minute."
            )
        self._under_way += 1
        file = JobFile(self)
        try:
            await file.start(self._folder, asked)
        except BaseException:
            await file.close()
            raise
        return file

    def ended(self) -> None:
        """One is done."""
        self._under_way -= 1


class JobFile:
    """One file under way; whoever has it closes it, whatever becomes of it."""

    def __init__(self, of: JobFiles) -> None:
        self._of: JobFiles | None = of
        self._process: asyncio.subprocess.Process | None = None
        self._first = b""

    async def start(self, folder: Path, asked: Asked) -> None:
        """Begin, and wait for the first block."""
        process = self._process = await programs.begun("stillair.runtime.job_file")
        assert process.stdout is not None
        question = json.dumps({"folder": str(folder), "asked": to_record(asked)}) + "\n"
        await programs.ask(process, question.encode())
        try:
            async with asyncio.timeout(FIRST_S):
                self._first = await process.stdout.read(BLOCK_BYTES)
        except TimeoutError:
            raise WorkFailedError(f"nothing came within {FIRST_S:g} s") from None
        if not self._first:
            raise WorkFailedError(f"the program ended with {await process.wait()}")

    async def blocks(self) -> AsyncIterator[bytes]:
        """The file, block by block. Raises `WorkFailedError` where it doesn't come to its end."""
        process = self._process
        assert process is not None
        assert process.stdout is not None
        block, self._first = self._first, b""
        while block:
            yield block
            block = await process.stdout.read(BLOCK_BYTES)
        if status := await process.wait():
            raise WorkFailedError(f"the program ended with {status}")

    async def close(self) -> None:
        """End what is under way; harmless twice."""
        of, self._of = self._of, None
        if of is None:
            return
        of.ended()
        if self._process is not None:
            await programs.ended(self._process)
