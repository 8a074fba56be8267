"""Work that may block or never end, in daemon threads, for a loop that waits for nothing.

A thread that doesn't come back is left to itself: it holds neither the loop nor
the end of the process.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import Callable
from functools import partial
from typing import TypeVar

from stillair.errors import StoreError

log = logging.getLogger(__name__)

R = TypeVar("R")


def errand(name: str, work: Callable[[], R]) -> tuple[threading.Thread, asyncio.Future[R]]:
    """The thread that works, and what it gives or raises, unless nobody waits any more.

    Raises `MemoryError` where no thread can be begun.
    """
    loop = asyncio.get_running_loop()
    ended: asyncio.Future[R] = loop.create_future()

    def settle(settled: Callable[[], None]) -> None:
        if not ended.done():
            settled()

    def run() -> None:
        try:
            given = work()
        except Exception as error:
            settled = partial(ended.set_exception, error)
        else:
            settled = partial(ended.set_result, given)
        try:
            loop.call_soon_threadsafe(settle, settled)
        except RuntimeError:
            log.info("%s ended after the loop did", name)

    thread = threading.Thread(target=run, name=name, daemon=True)
    try:
        thread.start()
    except RuntimeError as error:
        raise MemoryError("no thread can be started") from error
    return thread, ended


class Asking:
    """Ask what may hang: an answer within `within_s` or none.

    While one question is overdue no other is asked, so that no thread is added
    to the one that hangs.
    """

    def __init__(self, name: str, within_s: float) -> None:
        self._name = name
        self._within_s = within_s
        self._hanging: threading.Thread | None = None

    async def ask(self, question: Callable[[], R]) -> R:
        """What `question` gives. Raises what it raises, and `StoreError` where it hangs."""
        if self._hanging is not None and self._hanging.is_alive():
            raise StoreError(f"{self._name} does not answer")
        thread, answer = errand(self._name, question)
        try:
            async with asyncio.timeout(self._within_s):
                return await answer
        except TimeoutError:
            if answer.done() and not answer.cancelled():
                raise  # it has answered, by this very error
            self._hanging = thread
            raise StoreError(f"no answer within {self._within_s:g} s") from None
