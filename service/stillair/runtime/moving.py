"""Take the whole history out, or bring one in, for an owner at a page.

Both run in a program of their own, as nice as can be. A file lies in the folder `moving` of the
data directory only while it is on its way.
"""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO
from uuid import uuid4

from stillair.database import store_errors
from stillair.errors import CommandRefused, NoRoomError, Refusal, StillairError
from stillair.late import Late
from stillair.media.files import FREE_BYTES
from stillair.runtime.backup import BRINGING_IN
from stillair.runtime.programs import answered
from stillair.runtime.worker import NICE, WorkFailedError

if TYPE_CHECKING:
    from stillair.runtime import archive_file, bringing_in
else:
    archive_file = Late("stillair.runtime.archive_file")
    bringing_in = Late("stillair.runtime.bringing_in")

FOLDER = "moving"
PATIENCE_S = 3600.0  # of the slowest card with years on it
BUSY = "Another archive is just on its way; wait until it is done."


class Moving:
    """One archive at a time, out or in."""

    def __init__(
        self,
        folder: Path,
        *,
        names: Callable[[], Mapping[str, str]],
        write_out: Callable[[], Awaitable[None]],
        look: Callable[[], object],
    ) -> None:
        self._folder = folder
        self._names = names
        self._write_out = write_out
        self._look = look
        self._busy = self._tidied = False

    def tidy(self) -> None:
        """Once: take away what an earlier process left, and end what it had begun to bring in."""
        if not self._tidied:
            if not self._busy:
                shutil.rmtree(self._folder / FOLDER, ignore_errors=True)
            if (self._folder / BRINGING_IN).is_dir():
                bringing_in.finish(self._folder)
            self._tidied = True

    async def take_out(self) -> BinaryIO:
        """A file with everything that is kept; it is gone once it is closed.

        Raises `CommandRefused`, `StillairError`, `TimeoutError`.
        """
        with self._alone():
            await self._write_out()
            path = self._new()
            try:
                await self._run({"out": str(path), "names": dict(self._names())})
                with store_errors("the archive can't be read"):
                    return await asyncio.to_thread(path.open, "rb")
            finally:
                _remove(path)

    async def bring_in(self, blocks: AsyncIterator[bytes], as_chamber: str | None) -> Any:
        """Take a file as it comes, and bring it in; what was added, what was there.

        Raises `CommandRefused`, `NoRoomError`, `StillairError`, and what `blocks` raises.
        """
        with self._alone():
            path = self._new()
            try:
                await asyncio.to_thread(path.touch, 0o600)
                async for block in blocks:
                    await asyncio.to_thread(self._add, path, block)
                answer = await self._run({"in": str(path), "as": as_chamber})
            finally:
                _remove(path)
            await asyncio.to_thread(self._look)
            return answer

    def _new(self) -> Path:
        with store_errors("no archive can be kept"):
            (self._folder / FOLDER).mkdir(mode=0o700, exist_ok=True)
        return self._folder / FOLDER / f"{uuid4().hex}.zip"

    def _add(self, path: Path, block: bytes) -> None:
        with store_errors("an archive can't be taken"):
            if shutil.disk_usage(self._folder).free < FREE_BYTES + len(block):
                raise NoRoomError("There is no room for that file here.")
            with path.open("ab") as file:
                file.write(block)

    @contextmanager
    def _alone(self) -> Iterator[None]:
        if self._busy:
            raise CommandRefused(Refusal.CONFLICT, BUSY)
        self._busy = True
        try:
            yield
        finally:
            self._busy = False

    async def _run(self, question: Mapping[str, Any]) -> Any:
        asked = json.dumps({"folder": str(self._folder), **question}).encode()
        status, told = await answered("stillair.runtime.moving", asked, PATIENCE_S)
        if status or not told:
            raise WorkFailedError(f"the program that moves archives ended with {status}")
        answer = json.loads(told)
        if "refused" in answer:
            raise CommandRefused(Refusal.CONFLICT, answer["refused"])
        return answer


def _remove(path: Path) -> None:
    with suppress(OSError):
        path.unlink()


def answer(question: Mapping[str, Any]) -> dict[str, Any]:
    """Make an archive or bring one in; what was done, or why not."""
    folder = Path(question["folder"])
    try:
        if "out" in question:
            made = archive_file.export(folder, Path(question["out"]), names=question["names"])
            return {"counts": asdict(made.counts)}
        done = bringing_in.bring_in(Path(question["in"]), folder, as_chamber=question["as"])
    except StillairError as error:
        # The name that it has here says nothing to whoever sent it.
        why = str(error).replace(str(question.get("in", question.get("out"))), "the file")
        return {"refused": f"{why[:1].upper()}{why[1:].rstrip('.')}."}
    return {
        "chambers": dict(done.chambers),
        "added": asdict(done.added),
        "already": asdict(done.already),
    }


def main() -> None:
    """One question in, one answer out."""
    with suppress(OSError):
        os.nice(NICE)
    sys.stdout.write(json.dumps(answer(json.loads(sys.stdin.read()))))


if __name__ == "__main__":
    main()
