"""What has come from the broker and waits to be written: bounded, whatever boards do."""

from __future__ import annotations

import threading
from collections import deque
from typing import Final, NamedTuple

from stillair.clock import Clock

MOST_BYTES: Final = 32 * 2**20
MOST_OF_ONE: Final = 4  # messages of one topic: a board has one of a kind under way
OVERHEAD_BYTES: Final = 300  # of a message, in Python


class Letter(NamedTuple):
    """One message, and when it came."""

    topic: str
    payload: bytes
    at_s: float


class Inbox:
    """One thread puts in, another takes out. What finds no room is left: it is sent again."""

    def __init__(self, clock: Clock) -> None:
        self.left = 0
        self._clock = clock
        self._has_come = threading.Condition()
        self._letters: deque[Letter] = deque()
        self._of_one: dict[str, int] = {}
        self._bytes = 0

    def offer(self, topic: str, payload: bytes) -> None:
        """Put a message in, or leave it."""
        with self._has_come:
            count = self._of_one.get(topic, 0)
            if count >= MOST_OF_ONE or self._bytes > MOST_BYTES:
                self.left += 1
                return
            self._of_one[topic] = count + 1
            self._bytes += len(payload) + OVERHEAD_BYTES
            self._letters.append(Letter(topic, payload, self._clock.now_s()))
            self._has_come.notify()

    def take(self, most: int, most_bytes: int, within_s: float) -> list[Letter]:
        """The oldest messages, once there are any; none after so long.

        No more than `most`, and none behind the one that brings them to so many bytes.
        """
        taken: list[Letter] = []
        size = 0
        with self._has_come:
            self._has_come.wait_for(lambda: bool(self._letters), within_s)
            while self._letters and len(taken) < most and size < most_bytes:
                taken.append(letter := self._letters.popleft())
                size += len(letter.payload)
                self._bytes -= len(letter.payload) + OVERHEAD_BYTES
                if (count := self._of_one[letter.topic] - 1) > 0:
                    self._of_one[letter.topic] = count
                else:
                    del self._of_one[letter.topic]
            return taken

    def clear(self) -> None:
        """Forget all of it."""
        with self._has_come:
            self._letters.clear()
            self._of_one.clear()
            self._bytes = 0

    @property
    def oldest_s(self) -> float | None:
        """When the oldest came."""
        with self._has_come:
            return self._letters[0].at_s if self._letters else None
