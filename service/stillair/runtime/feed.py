"""What open pages are told as it happens.

Entries of the ledger (events, alarms, jobs, notes) reach every viewer in
order, each with its `seq`; of the state of the chambers only the newest
matters, so a slow viewer skips the ones between. A viewer that falls too far
behind is told `reset` and asks anew.
"""

from __future__ import annotations

import asyncio
import json
import math
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from stillair.storage.items import Item
from stillair.storage.journal import Entry

MOST_VIEWERS = 300  # of 400 connections: who asks a question gets an answer all the same
BEHIND = 500  # entries a viewer may be behind before it has to ask anew
STATE_EVERY_S = 0.1  # a chamber played fast changes a thousand times a second, no eye follows


@dataclass(frozen=True, slots=True)
class Told:
    """What a viewer gets in one go, oldest entry first."""

    entries: tuple[Entry, ...]
    now: str | None  # the state of the chambers as JSON, when it is new
    reset: bool
    closed: bool


class Viewer:
    """One open page; made by `LiveFeed.join`. `owner`: it may see where things hang, too."""

    def __init__(self, loop: asyncio.AbstractEventLoop, *, owner: bool) -> None:
        self.owner = owner
        self._loop = loop
        self._fresh = asyncio.Event()
        self._lock = threading.Lock()
        self._entries: deque[Entry] = deque()
        self._now: str | None = None
        self._reset = False
        self._closed = False

    def tell(self, entries: tuple[Entry, ...] = (), now: str | None = None) -> None:
        """Take news from any thread; never blocks."""
        with self._lock:
            self._entries.extend(entries)
            if len(self._entries) > BEHIND:
                self._entries.clear()
                self._reset = True
            self._now = now or self._now
        self._ring()

    def close(self) -> None:
        """The service stops; `next` returns at once."""
        with self._lock:
            self._closed = True
        self._ring()

    async def next(self) -> Told:
        """Wait for news and take all of it."""
        await self._fresh.wait()
        self._fresh.clear()
        with self._lock:
            told = Told(tuple(self._entries), self._now, self._reset, self._closed)
            self._entries.clear()
            self._now, self._reset = None, False
        return told

    def _ring(self) -> None:
        try:
            self._loop.call_soon_threadsafe(self._fresh.set)
        except RuntimeError:
            # The web server's loop has ended; so has this viewer.
            self._closed = True


class LiveFeed:
    """Pass news on to every open page.

    `state` gives the state of the chambers, for owners or for all others; it is asked
    only while such look, at most every 0.1 s, and once for all: putting it
    together takes 0.1 ms, telling one more viewer and sending it a picture every two
    seconds 1.3 ms a second (measured). All of it is in the web server's
    time, so that no page costs the watch any.
    """

    def __init__(self, state: Callable[[bool], Item]) -> None:
        self._state = state
        self._lock = threading.Lock()
        self._viewers: set[Viewer] = set()
        self._closed = False
        self._loop: asyncio.AbstractEventLoop | None = None
        self._due: asyncio.TimerHandle | None = None  # in the loop: when the state is told next
        self._told_s = -math.inf  # the loop's time

    @property
    def full(self) -> bool:
        """Whether as many listen as there may be."""
        with self._lock:
            return len(self._viewers) >= MOST_VIEWERS

    def state(self, owner: bool) -> str:
        """The state of the chambers as JSON, as the stream carries it."""
        return json.dumps(self._state(owner), ensure_ascii=False, separators=(",", ":"))

    def join(self, *, owner: bool = False) -> Viewer:
        """Begin to listen; call from the web server's loop."""
        self._loop = asyncio.get_running_loop()
        viewer = Viewer(self._loop, owner=owner)
        with self._lock:
            self._viewers.add(viewer)
        if self._closed:
            viewer.close()
        return viewer

    def leave(self, viewer: Viewer) -> None:
        """Stop listening; harmless twice."""
        with self._lock:
            self._viewers.discard(viewer)

    def entries(self, entries: tuple[Entry, ...]) -> None:
        """Tell everybody what has been kept."""
        for viewer in self._everybody():
            viewer.tell(entries)

    def changed(self) -> None:
        """The chambers are another than before; from any thread, never blocks."""
        if self._loop is not None and self._everybody():
            # The web server's loop may have ended, and every viewer with it.
            with suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._plan)

    def close(self) -> None:
        """Send everybody home."""
        self._closed = True
        for viewer in self._everybody():
            viewer.close()

    def _plan(self) -> None:
        """In the loop: tell the state now, or 0.1 s after the last time."""
        if self._due is None:
            loop = asyncio.get_running_loop()
            due_s = max(loop.time(), self._told_s + STATE_EVERY_S)
            self._due = loop.call_at(due_s, self._tell_state)

    def _tell_state(self) -> None:
        self._due = None
        self._told_s = asyncio.get_running_loop().time()
        viewers = self._everybody()
        states = {owner: self.state(owner) for owner in {viewer.owner for viewer in viewers}}
        for viewer in viewers:
            viewer.tell(now=states[viewer.owner])

    def _everybody(self) -> tuple[Viewer, ...]:
        with self._lock:
            return tuple(self._viewers)
