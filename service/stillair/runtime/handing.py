"""What the courier is given past the journal: what presses at once, all else where it is late.

Alarm first, archive second: a disk that is full or hangs keeps no message from going out.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from typing import Protocol

from stillair.alerts.pacing import presses
from stillair.alerts.routes import Message
from stillair.model import Outcome, Timeline
from stillair.storage.records import Parcel

PATIENCE_S = 2.0  # a message not stored by then goes out all the same


class Writer(Protocol):
    """Who keeps outcomes."""

    @property
    def waiting(self) -> int: ...
    @property
    def stored(self) -> bool: ...
    def put(self, outcome: Outcome, timeline: Timeline) -> None: ...


class Handing:
    """Hand outcomes to the writer, and messages that may not wait for it to the courier.

    Every call is safe from any thread and never blocks. The courier knows by its key a
    message that it is given here and finds in the outbox as well.
    """

    def __init__(
        self, now_s: Callable[[], float], at_once: Callable[[Message], bool] = presses
    ) -> None:
        self._now_s = now_s
        self._at_once = at_once
        self._lock = threading.RLock()  # `put` may tell within `take` what it had to drop
        self._unkept: dict[str, tuple[float, Message]] = {}  # messages not known to be stored

    def take(
        self,
        outcome: Outcome,
        timeline: Timeline,
        writer: Writer,
        hand: Callable[[list[Message]], None],
    ) -> None:
        """Have it kept, and what presses sent meanwhile."""
        put_s = self._now_s()
        messages = list(_messages(outcome, timeline))
        if pressing := [message for message in messages if self._at_once(message)]:
            hand(pressing)
        # Together: `late` takes an empty queue as a sign that all of these are kept.
        with self._lock:
            for message in messages:
                self._unkept[message.key] = (put_s, message)
            writer.put(outcome, timeline)

    def never_kept(self, parcel: Parcel) -> list[Message]:
        """The messages of an outcome that will never be written."""
        messages = list(_messages(parcel.outcome, parcel.timeline))
        with self._lock:
            for message in messages:
                self._unkept.pop(message.key, None)
        return messages

    def late(self, writer: Writer) -> list[Message]:
        """The messages that the journal has not taken in time."""
        with self._lock:
            if not self._unkept:
                return []
            if writer.waiting == 0 and writer.stored:
                self._unkept.clear()
                return []
            late_s = self._now_s() - PATIENCE_S
            late = [key for key, (put_s, _) in self._unkept.items() if put_s <= late_s]
            return [self._unkept.pop(key)[1] for key in late]


def _messages(outcome: Outcome, timeline: Timeline) -> Iterator[Message]:
    for notice in outcome.notices:
        if not notice.within:
            yield Message.of(notice, timeline.at(notice.created_s))
