"""Long work in a program of its own: begun, asked one question, and ended whatever happens."""

from __future__ import annotations

import asyncio
import os
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import Mapping
from contextlib import suppress

BLOCK_BYTES = 1 << 16
LINE_BYTES = 1 << 16  # asyncio's own bound


async def begun(
    module: str,
    *,
    environment: Mapping[str, str] | None = None,
    longest_line_bytes: int = LINE_BYTES,
    quiet: bool = False,
) -> Process:
    """A module of ours as a program; whoever begins it has it `ended`.

    `environment` comes on top of our own; `quiet`: what it says on standard error is dropped.
    """
    return await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        module,
        stdin=PIPE,
        stdout=PIPE,
        stderr=asyncio.subprocess.DEVNULL if quiet else None,
        env=os.environ | (environment or {}),
        limit=longest_line_bytes,
    )


async def ask(process: Process, question: bytes) -> None:
    """Write the question. One that has ended already says by its status how."""
    assert process.stdin is not None
    with suppress(ConnectionError):
        process.stdin.write(question)
        await process.stdin.drain()
        process.stdin.close()


async def ended(process: Process) -> None:
    """Kill it if it still runs, and wait until it is gone."""
    if process.returncode is not None:
        return
    with suppress(ProcessLookupError):
        process.kill()
    assert process.stdout is not None
    while await process.stdout.read(BLOCK_BYTES):
        pass  # what still lies in the pipe: nobody is told of its end before that is read
    await process.wait()


async def answered(
    module: str,
    question: bytes,
    patience_s: float,
    *,
    environment: Mapping[str, str] | None = None,
    quiet: bool = False,
) -> tuple[int, bytes]:
    """Its status and all that it says to one question. Raises `TimeoutError`."""
    process = await begun(module, environment=environment, quiet=quiet)
    try:
        async with asyncio.timeout(patience_s):
            answer, _ = await process.communicate(question)
    finally:
        await ended(process)
    assert process.returncode is not None
    return process.returncode, answer
