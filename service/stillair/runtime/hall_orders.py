"""What people at a hall want boards to do, and what became of it."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

from stillair.clock import Clock
from stillair.errors import CommandRefused, Refusal
from stillair.hall.messages import ActedMessage, ActMessage, Order
from stillair.hall.mirror import Heard
from stillair.hall.orders import own_secret, signature
from stillair.storage.items import Item, label

ANSWER_S = 10.0  # then the board hasn't answered
KEPT_S = 600.0
MOST = 500
UNSIGNED = (
    "This hall has no secret in common with its boards, so they would not believe it: "
    "say it at the board, or set [answers] in the hall file and answers_secret at the boards."
)
NOT_SENT = "The broker is out of reach, so nothing was sent: say it at the board."


@dataclass(slots=True)
class Sent:
    """One order; `done` and `reason` are the board's words, None before it has answered."""

    order: Order
    key: str
    sent_s: float
    done: bool | None = None
    reason: str = ""

    def item(self, now_s: float) -> Item:
        """For the page."""
        state = "sent"
        if self.done is not None:
            state = "done" if self.done else "refused"
        elif now_s - self.sent_s > ANSWER_S:
            state = "unanswered"
        return {
            "order": self.order.id,
            "alarm": self.order.alarm,
            "by": self.order.by,
            "at": label(self.order.at.timestamp()),
            "state": state,
            "reason": self.reason,
        }


class Orders:
    """Sign orders, send them, and know what became of each. Thread-safe.

    Parameters
    ----------
    secret : str or None
        Of the hall, from which boards have theirs; None: nothing can be ordered.
    send : callable
        Takes a chamber and the signed message; False where it can't be sent just now.
    make_id : callable
        Gives an id that can't be guessed.
    """

    def __init__(
        self,
        secret: str | None,
        send: Callable[[Heard, bytes], bool],
        *,
        make_id: Callable[[], str],
        clock: Clock,
    ) -> None:
        self._secret = secret
        self._send = send
        self._make_id = make_id
        self._clock = clock
        self._lock = threading.Lock()
        self._sent: OrderedDict[str, Sent] = OrderedDict()

    @property
    def able(self) -> bool:
        """Whether boards would believe us."""
        return self._secret is not None

    def acknowledge(self, of: Heard, alarm: str, *, by: str) -> str:
        """Have a board note that somebody has seen an alarm; gives the order's id.

        `alarm` is as the board calls it. Raises `CommandRefused` where nothing can be sent.
        """
        if self._secret is None:
            raise CommandRefused(Refusal.CONFLICT, UNSIGNED)
        order = Order(
            id=self._make_id(),
            board=of.board,
            chamber=of.chamber,
            at=self._clock.wall(),
            act="acknowledge",
            alarm=alarm,
            by=by[:80],
        )
        text = order.model_dump_json()
        message = ActMessage(
            order=text,
            signature=signature(self._secret, text),
            own_signature=signature(own_secret(self._secret, of.board), text),
        )
        now_s = self._clock.now_s()
        with self._lock:
            self._sent[order.id] = Sent(order, of.key, now_s)
            while len(self._sent) > MOST:
                self._sent.popitem(last=False)
        if not self._send(of, message.payload()):
            with self._lock:
                self._sent.pop(order.id, None)
            raise CommandRefused(Refusal.CONFLICT, NOT_SENT)
        return order.id

    def answered(self, told: ActedMessage) -> str | None:
        """Take a board's word; gives the chamber's key if it is on an order of ours."""
        with self._lock:
            sent = self._sent.get(told.id)
            if sent is None or (sent.order.board, sent.order.chamber) != (told.board, told.chamber):
                return None
            sent.done, sent.reason = told.done, told.reason[:200]
            return sent.key

    def of(self, key: str) -> list[Item]:
        """Those of a chamber in the last minutes, the newest last."""
        now_s = self._clock.now_s()
        with self._lock:
            return [
                sent.item(now_s)
                for sent in self._sent.values()
                if sent.key == key and now_s - sent.sent_s < KEPT_S
            ]
