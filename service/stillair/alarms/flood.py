"""When too much is told at once, the rest is gathered into one message.

Nobody reads an eleventh message in ten minutes. Danger is never gathered: it goes out
at once, however much else does.

References
----------
EEMUA 191, 3rd edition: an alarm flood begins with more than 10 alarms in 10 minutes.
"""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Iterable
from dataclasses import replace

from stillair.alarms import figures
from stillair.alarms.entries import URGENCY
from stillair.model import Notice

MOST = 10
WITHIN_S = 600.0
GATHER_S = 60.0  # the first of what is gathered waits so long for the others
REST_S = 300.0  # and between two gathered messages as long as that
_LISTED = 12


class Flood:
    """Count what is told, and gather what is more than `most` within ten minutes.

    `whose` heads the last line of what was gathered, before a name. With `keeps_each` what was
    gathered comes beside the one message that tells it, for who has to know later what was told
    of each; that one is of no alarm then.
    """

    def __init__(
        self, most: int = MOST, *, whose: str = "Chamber", keeps_each: bool = False
    ) -> None:
        self._most = most
        self._whose = whose
        self._keeps_each = keeps_each
        self._said_s: deque[float] = deque()
        self._waiting: dict[tuple[str, str], Notice] = {}  # newest word by route and alarm
        self._due_s = 0.0
        self._rest_until_s = 0.0

    def takes(self, notices: Iterable[Notice], t_s: float, *, danger: bool) -> bool:
        """Whether these, one saying to several people, are kept back to be gathered."""
        while self._said_s and t_s - self._said_s[0] >= WITHIN_S:
            self._said_s.popleft()
        told = tuple(notices)
        if danger or len(self._said_s) < self._most:
            if told:
                self._said_s.append(t_s)
            for notice in told:  # an older word that waits would come after this one, as news
                self._waiting.pop(_of(notice), None)
            return False
        for notice in told:
            if not self._waiting:
                self._due_s = max(t_s + GATHER_S, self._rest_until_s)
            self._waiting.pop(_of(notice), None)
            self._waiting[_of(notice)] = notice
        return True

    def due(self, t_s: float, *, name: str, mark: str) -> tuple[Notice, ...]:
        """What has been gathered, one message to each route, once it is time."""
        if not self._waiting or t_s < self._due_s:
            return ()
        routes: dict[str, list[Notice]] = {}
        for notice in self._waiting.values():
            routes.setdefault(notice.route, []).append(notice)
        self._waiting.clear()
        self._rest_until_s = t_s + REST_S
        self._said_s.append(t_s)
        notices: list[Notice] = []
        for found in routes.values():
            told = _together(found, t_s, self._whose, name, mark)
            if self._keeps_each and len(found) > 1:
                told = replace(told, alarm=None)
                notices += [replace(each, within=told.key) for each in found]
            notices.append(told)
        return tuple(notices)


def _of(notice: Notice) -> tuple[str, str]:
    return notice.route, notice.alarm or notice.key


def _together(found: list[Notice], t_s: float, whose: str, name: str, mark: str) -> Notice:
    """One message for several to the same route; it is the most urgent one's."""
    first = min(found, key=lambda notice: URGENCY[notice.priority])
    if len(found) == 1:
        return first
    place = f"{mark}: " if mark else ""
    start = f"{place}{figures.clause(name)}: "
    heads = [_head(notice, start) for notice in found]
    more = len(heads) - _LISTED
    listed = [f"- {head}" for head in heads[:_LISTED]] + (
        [f"- and {more} more"] if more > 0 else []
    )
    mixed = hashlib.sha256("".join(n.key for n in found).encode("utf-8", "replace")).hexdigest()
    return replace(
        first,
        key=f"{first.key}:{mixed[:12]}",
        title=f"{start}{first.title.removeprefix(start)}, and {len(found) - 1} more",
        text=(
            f"{place}So much happens at once that this is told together:\n"
            + "\n".join(listed)
            + f"\n\nThe page has each of them.\n\n{whose}: {figures.clause(name)}\n"
        ),
        created_s=t_s,
        stage="gathered",
    )


def _head(notice: Notice, start: str) -> str:
    """One of several in a line: what it is, and the first sentence about it.

    Of a hall's chambers only some may be simulated. That stands in a message's title as well as in
    its text, and in a line once.
    """
    mark = notice.title.partition(": ")[0] + ": "
    line = notice.text.removeprefix(mark).partition("\n")[0]
    first = line.partition(". ")[0].removesuffix(".")
    return f"{notice.title.removeprefix(start)}. {first}"
