"""What somebody at a hall wants done here: checked, and carried out as if it were said here.

An order can do one thing, acknowledge an alarm. It counts only with the signature that the board's
secret makes, for a minute, once, and for the chamber that it names; whoever reaches the broker
can write there. That secret is the hall's, or one that is made of it for this board alone, with
which nobody can order anything of another. Nothing here waits: what the watch answers is asked
for again and again.

References
----------
RFC 2104, HMAC.
"""

from __future__ import annotations

import hashlib
import hmac
import logging
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from pydantic import ValidationError

from stillair.clock import Clock
from stillair.errors import CommandRefused
from stillair.hall.messages import ActMessage, Order

log = logging.getLogger(__name__)

LARGEST_BYTES: Final = 8 * 1024
GOOD_FOR: Final = timedelta(seconds=60)  # from when it was given; and our clock may be behind
MOST_ORDERS: Final = 200  # that are remembered: more in two minutes are refused
ANSWER_S: Final = 5.0  # the watch answers within one round of its loop
MANY: Final = 10  # wrong ones within
WITHIN_S: Final = 600.0  # so long are told as trouble, until none has come for as long
BY: Final = "{name} at the hall"
LONGEST_NAME: Final = 80


@dataclass(frozen=True, slots=True)
class Answers:
    """What a board does at a hall's word; no call waits.

    `secret` is the hall's, or what is made of it for this board. `acknowledge` takes an alarm and
    who has seen it; the future raises `CommandRefused`. `done` puts that on record. `forged` is
    told when somebody sends many orders that nobody signed, and when that is over.
    """

    secret: str
    acknowledge: Callable[[str, str], Future[Any]]
    done: Callable[[str, str], object]
    forged: Callable[[bool], None]


class NotOursError(ValueError):
    """What came is no order of who knows the secret."""


def signature(secret: str, text: str) -> str:
    """What signs the text of an order."""
    return hmac.new(secret.encode(), text.encode(), hashlib.sha256).hexdigest()


def own_secret(secret: str, board: str) -> str:
    """What is made of a hall's secret for one board."""
    return signature(secret, board)


def read_order(payload: bytes, secret: str) -> Order:
    """The order in a message. Raises `NotOursError` unless it is whole and signed."""
    if len(payload) > LARGEST_BYTES:
        raise NotOursError("it is too long")
    try:
        told = ActMessage.model_validate_json(payload)
        right = signature(secret, told.order).encode()
        given = (told.signature.encode(), told.own_signature.encode())
        if not any(hmac.compare_digest(each, right) for each in given):
            raise NotOursError("its signature is wrong")
        return Order.model_validate_json(told.order)
    except (ValidationError, UnicodeError):
        raise NotOursError("it has not the form of an order") from None


def who(name: str) -> str:
    """How the one who ordered it is called here: one line, without what deceives a reader."""
    line = " ".join("".join(c if c.isprintable() else " " for c in name).split())
    return BY.format(name=line[:LONGEST_NAME] or "somebody")


@dataclass(slots=True)
class _Known:
    """An order that was understood, and what became of it so far."""

    order: Order
    given_s: float
    future: Future[Any] | None = None


class Orders:
    """The orders to one chamber; for one thread.

    Parameters
    ----------
    board, chamber : str
        As orders have to name them.
    clock : Clock
        The machine's; its wall clock says how old an order is.
    """

    def __init__(self, answers: Answers, board: str, chamber: str, clock: Clock) -> None:
        self._answers = answers
        self._board = board
        self._chamber = chamber
        self._clock = clock
        self._ids: dict[str, datetime] = {}  # of those that came, and when they were given
        self._open: deque[_Known] = deque()
        self._told: deque[tuple[str, str | None]] = deque(maxlen=MOST_ORDERS)
        self._wrong = 0
        self._wrong_s: deque[float] = deque(maxlen=MANY)
        self._is_forged = False

    def take(self, payload: bytes) -> None:
        """An order has come, or what looks like one."""
        try:
            order = read_order(payload, self._answers.secret)
        except NotOursError as error:
            self._is_wrong(str(error))
            return
        now = self._clock.wall()
        self._ids = {id_: at for id_, at in self._ids.items() if now - at <= GOOD_FOR}
        if order.id in self._ids:
            return  # a broker may hand on the same one twice
        reason = self._refusal(order, now)
        if reason is not None:
            log.warning("hall: an order is not carried out: %s", reason)
            self._told.append((order.id, reason))
            return
        self._ids[order.id] = order.at
        known = _Known(order, self._clock.now_s())
        known.future = self._answers.acknowledge(order.alarm, who(order.by))
        self._open.append(known)

    def _refusal(self, order: Order, now: datetime) -> str | None:
        if (order.board, order.chamber) != (self._board, self._chamber):
            return "It is for another chamber."
        if order.alarm.rpartition("-")[0] != self._chamber:
            return "This chamber has no such alarm."
        if abs(now - order.at) > GOOD_FOR:
            return "It is not of this minute, or the clocks of hall and board differ."
        if len(self._ids) >= MOST_ORDERS:
            return "Too many orders have come."
        return None

    def outcome(self) -> tuple[str, str | None] | None:
        """The next order of which it is known what became, with why not; call it each round."""
        self._look()
        for _ in range(len(self._open)):
            known = self._open.popleft()
            try:
                self._told.append((known.order.id, self._answer(known)))
            except TimeoutError:
                self._open.append(known)
        return self._told.popleft() if self._told else None

    def _answer(self, known: _Known) -> str | None:
        """Why it was not done, None where it was. Raises `TimeoutError` before that is known."""
        assert known.future is not None
        order = known.order
        if not known.future.done():
            if self._clock.now_s() - known.given_s > ANSWER_S:
                return "The watch did not answer in time."
            raise TimeoutError
        try:
            known.future.result()
        except CommandRefused as error:
            return str(error)
        except Exception:
            log.exception("hall: alarm %s can't be acknowledged", order.alarm)
            return "It failed; the board's log says why."
        self._answers.done(order.alarm, who(order.by))
        return None

    # --- wrong ones -----------------------------------------------------------------------

    def _is_wrong(self, why: str) -> None:
        self._wrong += 1
        self._wrong_s.append(self._clock.now_s())
        if self._wrong & (self._wrong - 1) == 0:  # 1, 2, 4, 8 ...
            log.warning("hall: %d wrong orders so far; of the last one %s", self._wrong, why)

    def _look(self) -> None:
        """Tell when many wrong ones come, and when that is over."""
        now_s, came_s = self._clock.now_s(), self._wrong_s
        if not self._is_forged and len(came_s) == MANY and now_s - came_s[0] <= WITHIN_S:
            self._is_forged = True
            self._answers.forged(True)
        elif self._is_forged and now_s - came_s[-1] > WITHIN_S:
            self._is_forged = False
            self._answers.forged(False)
