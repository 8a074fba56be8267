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
from dataclasses import dataclass, fields, replace

from stillair.alerts.pacing import Waiting
from stillair.alerts.routes import Due, Message

log = logging.getLogger(__name__)

REMEMBERED = 2000  # messages not known to be stored, and as many that are settled
WITHDRAWN = "withdrawn before it was sent"
OTHER = "other"  # what counts for schemes that aren't set up: no address becomes a name
_FIELDS = tuple(each.name for each in fields(Message) if each.name != "link")


@dataclass(slots=True)
class Settled:
    """A message that is never sent again, and whether the outbox knows it."""

    sent: bool
    outcome: str
    superseded: bool = False
    recorded: bool = False  # or about to be


@dataclass(slots=True)
class Counts:
    """What has become of the messages of one kind of route since the start."""

    waiting: int = 0  # just now, those under way among them
    sent: int = 0
    failed: int = 0  # for good
    failed_tries: int = 0


class Tray:
    """Messages by their key; every call is safe from any thread and waits for nothing.

    Parameters
    ----------
    schemes : iterable of str
        The schemes of the routes, by which messages are counted; others count as `OTHER`.
    """

    def __init__(self, schemes: Iterable[str] = ()) -> None:
        self._counts = {scheme: Counts() for scheme in (*schemes, OTHER)}
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
            counts = self._of_scheme(waiting.message.route)
            if settled.sent:
                counts.sent += 1
            elif not settled.superseded:
                counts.failed += 1
            while len(self._settled) > REMEMBERED:
                self._settled.popitem(last=False)

    def try_failed(self, route: str) -> None:
        """A try on this address came to nothing."""
        with self._lock:
            self._of_scheme(route).failed_tries += 1

    def counts(self) -> dict[str, Counts]:
        """By scheme, how many wait and what has become of the others."""
        with self._lock:
            counts = {scheme: replace(each) for scheme, each in self._counts.items()}
            for each in self._waiting.values():
                counts[self._scheme(each.message.route)].waiting += 1
        return counts

    def _of_scheme(self, route: str) -> Counts:
        return self._counts[self._scheme(route)]

    def _scheme(self, route: str) -> str:
        scheme = route.partition(":")[0].lower()
        return scheme if scheme in self._counts else OTHER


def _message(due: Due) -> Message:
    return Message(**{name: getattr(due, name) for name in _FIELDS})
