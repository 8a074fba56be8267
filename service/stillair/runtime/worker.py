"""Long work in a program of its own, so that no lock of the interpreter delays a reading.

`ask` starts `python -m stillair.runtime.worker`, which makes itself as nice as
can be, reads one question as JSON from standard input, and writes one answer
to standard output. One question at a time; what takes too long is given up.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from stillair.errors import CommandRefused, InputError, Refusal, StillairError
from stillair.runtime.whatif import what_if
from stillair.storage.items import Item
from stillair.storage.records import from_record, to_record
from stillair.watch import WatchPlan

PATIENCE_S = 120.0
NICE = 15
LONGEST_ANSWER_BYTES = 4_000_000


class Workshop:
    """Where the service has long work done."""

    def __init__(self, folder: Path, *, patience_s: float = PATIENCE_S) -> None:
        self._folder = folder
        self._patience_s = patience_s
        self._busy = False

    async def what_if(self, job: str, before: WatchPlan, after: WatchPlan) -> list[Item]:
        """The differences of two plans over a job; see `whatif`.

        Raises `CommandRefused` where another question is being worked on, where
        the job can't be watched again, or where it takes too long.
        """
        if self._busy:
            raise CommandRefused(
                Refusal.CONFLICT, "Another job is being looked into; ask again in a minute."
            )
        self._busy = True
        try:
            question = {
                "folder": str(self._folder),
                "job": job,
                "before": to_record(before),
                "after": to_record(after),
            }
            answer = await self._ask(json.dumps(question).encode())
        finally:
            self._busy = False
        if "refused" in answer:
            raise CommandRefused(Refusal.CONFLICT, f"{answer['refused']}.")
        items: list[Item] = answer["items"]
        return items

    async def _ask(self, question: bytes) -> dict[str, Any]:
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "stillair.runtime.worker",
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
        )
        try:
            out, _ = await asyncio.wait_for(process.communicate(question), self._patience_s)
        except TimeoutError:
            raise CommandRefused(
                Refusal.CONFLICT, "It took too long and was given up: the job is very long."
            ) from None
        finally:
            if process.returncode is None:
                with suppress(ProcessLookupError):
                    process.kill()
                await process.wait()
        if process.returncode or len(out) > LONGEST_ANSWER_BYTES:
            raise StillairError(f"the worker ended with {process.returncode}")
        found: dict[str, Any] = json.loads(out)
        return found


def answer(question: Mapping[str, Any]) -> dict[str, Any]:
    """Work on one question."""
    try:
        found = what_if(
            Path(question["folder"]),
            question["job"],
            from_record(WatchPlan, question["before"]),
            from_record(WatchPlan, question["after"]),
        )
    except (InputError, StillairError) as error:
        return {"refused": str(error).rstrip(".")}
    return {"items": [difference.item() for difference in found]}


def main() -> None:
    """One question in, one answer out."""
    with suppress(OSError):
        os.nice(NICE)
    json.dump(answer(json.load(sys.stdin)), sys.stdout)


if __name__ == "__main__":
    main()
