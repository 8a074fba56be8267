"""What the courier has in hand: messages that wait, and those that are settled.

A message may come twice, handed over at once and out of the outbox, in either order;
its key says that it is one. Once settled - sent, lost for good, or superseded - it never
goes again, also while the outbox can't be told and shows it still.
"""

from __future__ import annotations

import logging
import threading
from collections import OrderedDict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields

from stillair.alerts.pacing import Waiting
from stillair.alerts.routes import Due, Message

log = logging.getLogger(__name__)

REMEMBERED = 2000  # messages not known to be stored, and as many that are settled
WITHDRAWN = "withdrawn before it was sent"
_FIELDS = tuple(each.name for each in fields(Message) if each.name != "link")


@dataclass(slots=True)
class Settled:
    """A message that is never sent again, and whether the outbox knows it."""

    sent: bool
    outcome: str
    superseded: bool = False
    recorded: bool = False  # or about to be


class Tray:
    """Messages by their key; every call is safe from any thread and waits for nothing."""

    def __init__(self) -> None:
        self._waiting: dict[str, Waiting] = {}
        self._settled: OrderedDict[str, Settled] = OrderedDict()
        self._lock = threading.Lock()

    def hand(self, messages: Iterable[Message]) -> None:
        """Take messages that may not be stored; without room the oldest go, those that press last.

        One that is known already is left as it is.
        """
        with self._lock:
            for message in messages:
                if message.key not in self._settled and message.key not in self._waiting:
                    self._waiting[message.key] = Waiting(message, stored=False)
            handed = [each for each in self._waiting.values() if not each.stored]
            if len(handed) > REMEMBERED:
                handed.sort(key=lambda each: each.presses)  # keeps the order of each half
                for each in handed[:-REMEMBERED]:
                    log.error("message %s can't be held any more", each.message.key)
                    del self._waiting[each.message.key]

    def take(self, rows: Sequence[Due]) -> list[tuple[str, Settled]]:
        """Take what the outbox shows; give what is settled and not yet recorded there."""
        unrecorded = []
        with self._lock:
            shown = {row.key for row in rows}
            for row in rows:
                settled, waiting = self._settled.get(row.key), self._waiting.get(row.key)
                if settled is not None:
                    if not settled.recorded:
                        unrecorded.append((row.key, settled))
                elif waiting is not None:
                    waiting.stored = True
                else:
                    self._waiting[row.key] = Waiting(_message(row), stored=True)
            for key, waiting in list(self._waiting.items()):
                if waiting.stored and key not in shown and not waiting.under_way:
                    del self._waiting[key]  # settled elsewhere, or it will be shown again
        return unrecorded

    def idle(self) -> list[Waiting]:
        """What waits and isn't under way."""
        with self._lock:
            return [each for each in self._waiting.values() if not each.under_way]

    def of(self, route: str) -> list[Waiting]:
        """What waits for one address."""
        with self._lock:
            return [each for each in self._waiting.values() if each.message.route == route]

    def withdraw(self, keys: str) -> None:
        """Messages whose key begins so never go, but for one that is under way already."""
        with self._lock:
            for key in [key for key in self._waiting if key.startswith(keys)]:
                del self._waiting[key]
                self._settled[key] = Settled(False, WITHDRAWN)

    def settle(self, waiting: Waiting, settled: Settled) -> None:
        """This message never goes again."""
        key = waiting.message.key
        with self._lock:
            self._waiting.pop(key, None)
            self._settled[key] = settled
            while len(self._settled) > REMEMBERED:
                self._settled.popitem(last=False)


def _message(due: Due) -> Message:
    return Message(**{name: getattr(due, name) for name in _FIELDS})
