"""Which message goes to an address next, and when: pure, told the time.

What presses - a danger, or nobody at a box that can burn - goes first and waits for
nobody's sake. All else goes by urgency and not faster than somebody can read: after
a burst one message in `every_s`. What waits meanwhile is told once: a newer word on an
alarm takes the place of the older ones that have not gone out yet, so that after a
night's outage a person gets one message of each thing and not forty.

Of a danger only its repeats are left out. That it began, that it became another thing
and that it is over is told each, and in that order: whoever reads "over" has to know
of what.

A message whose try failed waits for its own pause, so that one that is refused again
and again holds up no other.

References
----------
ITU-T I.371, generic cell rate algorithm (the leaky bucket as a meter).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from stillair.alarms.catalogue import CATALOGUE
from stillair.alarms.testing import TEST
from stillair.alarms.wording import Stage
from stillair.alerts.circuit import Circuit, Patience
from stillair.alerts.routes import Due, Message
from stillair.model import Kind

URGENCY = {"critical": 0, "high": 1, "medium": 2, "low": 3}
_PRESSING = frozenset(kind.value for kind in Kind if not CATALOGUE[kind].may_hide)
_WORDS = frozenset({Stage.RAISED, Stage.CHANGED, Stage.STILL, Stage.OVER})


def presses(message: Due) -> bool:
    """Whether it is told at once, whatever else waits."""
    return message.priority == "critical" or message.kind in _PRESSING


def superseded(waiting: Iterable[Due]) -> set[str]:
    """Keys of those in whose place a newer word on the same alarm goes to the same address."""
    stories: dict[tuple[str, str], list[Due]] = {}
    for message in waiting:
        if message.alarm is not None and message.stage in _WORDS:
            stories.setdefault((message.alarm, message.route), []).append(message)
    overtaken: set[str] = set()
    for words in stories.values():
        newest_at = max(word.created_at for word in words)
        for word in words:
            may = word.stage == Stage.STILL or not presses(word)
            if may and word.created_at < newest_at:
                overtaken.add(word.key)
    return overtaken


@dataclass(slots=True)
class Waiting:
    """A message on its way, and what has become of it so far."""

    message: Message
    stored: bool  # it stands in the outbox
    not_before_s: float = -math.inf
    under_way: bool = False

    @property
    def presses(self) -> bool:
        return presses(self.message)

    def turn(self, *, failing: bool = False) -> tuple[bool, bool, int, int, int, float]:
        """The least goes first: what presses and is no test, then by urgency.

        While the address is `failing` what was tried least comes before what is urgent: it
        may be that one message which is refused, and when any has arrived all may go.
        """
        message = self.message
        return (
            not self.presses,
            message.stage == TEST,
            message.tries if failing else 0,
            URGENCY.get(message.priority, 3),
            message.tries,
            message.created_at.timestamp(),
        )


class Bucket:
    """Let through a burst, and then one in `every_s`.

    In any stretch of `t` seconds at most `burst + t / every_s` go through, beside what
    presses; that takes its share but is never held.
    """

    def __init__(self, *, burst: int, every_s: float) -> None:
        self._every_s = every_s
        self._ahead_s = (burst - 1) * every_s
        self._empty_s = -math.inf  # when it will have leaked out

    def free_s(self) -> float:
        """From when on another may go."""
        return self._empty_s - self._ahead_s

    def take(self, now_s: float) -> None:
        """One goes."""
        full_s = now_s + self._ahead_s + self._every_s
        self._empty_s = min(max(self._empty_s, now_s) + self._every_s, full_s)


@dataclass(frozen=True, slots=True)
class Pacing(Patience):
    """How often one address is written to."""

    burst: int = 10
    every_s: float = 10.0


class Pace:
    """The turn of messages to one address; at most one is under way at a time."""

    def __init__(self, plan: Pacing) -> None:
        self._plan = plan
        self._bucket = Bucket(burst=plan.burst, every_s=plan.every_s)
        self.circuit = Circuit(plan)

    def ready_s(self, waiting: Waiting) -> float:
        """From when on a message may go, as far as is known now."""
        pressing = waiting.presses
        ready_s = max(waiting.not_before_s, self.circuit.again_s(pressing=pressing))
        return ready_s if pressing else max(ready_s, self._bucket.free_s())

    def choose(self, waiting: Sequence[Waiting], now_s: float) -> tuple[Waiting | None, float]:
        """The message that goes now, and until when to wait where there is none."""
        chosen: Waiting | None = None
        next_s = math.inf
        failing = self.circuit.failures > 0
        for each in _in_order(waiting):
            ready_s = self.ready_s(each)
            if ready_s > now_s:
                next_s = min(next_s, ready_s)
            elif chosen is None or each.turn(failing=failing) < chosen.turn(failing=failing):
                chosen = each
        return chosen, next_s

    def begun(self, now_s: float) -> None:
        """A message goes."""
        self._bucket.take(now_s)

    def arrived(self, waiting: Iterable[Waiting]) -> None:
        """One has arrived: if nothing had for long, all that waits may go, by urgency."""
        if self.circuit.worked():
            for each in waiting:
                each.not_before_s = -math.inf

    def failed(
        self, tried: Waiting, now_s: float, *, chance: float, wait_s: float | None = None
    ) -> float:
        """A try has failed: it is counted; the seconds after which it may be tried again."""
        pressing = tried.presses
        self.circuit.failed(now_s, pressing=pressing, chance=chance, wait_s=wait_s)
        tried.message = replace(tried.message, tries=tried.message.tries + 1)
        pause_s = max(
            self._plan.pause_s(tried.message.tries, chance, pressing=pressing),
            self._plan.asked_s(wait_s, pressing=pressing),
        )
        tried.not_before_s = now_s + pause_s
        return pause_s


def _in_order(waiting: Sequence[Waiting]) -> list[Waiting]:
    """All but what is over while an older word on the same alarm hasn't gone yet."""
    oldest: dict[str, float] = {}
    for each in waiting:
        if each.message.alarm is not None and each.message.stage in _WORDS:
            at_s = each.message.created_at.timestamp()
            oldest[each.message.alarm] = min(at_s, oldest.get(each.message.alarm, at_s))
    return [
        each
        for each in waiting
        if each.message.stage != Stage.OVER
        or each.message.alarm is None
        or each.message.created_at.timestamp() <= oldest[each.message.alarm]
    ]
