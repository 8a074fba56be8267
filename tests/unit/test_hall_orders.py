"""Who at a hall may have an alarm acknowledged here, and who may not."""

from __future__ import annotations

import json
from concurrent.futures import Future
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.clock import ManualClock
from stillair.errors import CommandRefused, Refusal
from stillair.hall.messages import ActMessage
from stillair.hall.orders import (
    ANSWER_S,
    MANY,
    MOST_ORDERS,
    WITHIN_S,
    Answers,
    NotOursError,
    Orders,
    read_order,
    signature,
    who,
)

SECRET = "an oarlock turns by chance"


class Board:
    """One chamber's orders, and what they have done."""

    def __init__(self) -> None:
        self.clock = ManualClock()
        self.asked: list[tuple[str, str]] = []
        self.done: list[tuple[str, str]] = []
        self.forged: list[bool] = []
        self.futures: list[Future[Any]] = []
        answers = Answers(
            SECRET, self._acknowledge, lambda *told: self.done.append(told), self.forged.append
        )
        self.orders = Orders(answers, "3a36de4fab20", "north-bench", self.clock)

    def _acknowledge(self, alarm: str, by: str) -> Future[Any]:
        self.asked.append((alarm, by))
        self.futures.append(Future())
        return self.futures[-1]

    def order(self, **fields: Any) -> str:
        told = {
            "id": "1",
            "board": "3a36de4fab20",
            "chamber": "north-bench",
            "at": self.clock.wall().isoformat(),
            "act": "acknowledge",
            "alarm": "north-bench-7",
            "by": "cox",
        }
        return json.dumps({**told, **fields})

    def take(self, **fields: Any) -> None:
        self.orders.take(signed(self.order(**fields)))


def signed(order: str, secret: str = SECRET) -> bytes:
    return ActMessage(order=order, signature=signature(secret, order)).payload()


def test_an_order_is_carried_out_once_and_put_on_record() -> None:
    board = Board()
    board.take()
    board.take()
    assert board.asked == [("north-bench-7", "cox at the hall")]
    assert board.orders.outcome() is None
    assert not board.done
    board.futures[0].set_result(None)
    assert board.orders.outcome() == ("1", None)
    assert board.orders.outcome() is None
    assert board.done == board.asked
    board.clock.advance(61.0)
    board.take(at=(board.clock.wall() - timedelta(seconds=61)).isoformat())
    assert len(board.asked) == 1, "who listened can't say it again"


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        pytest.param({"board": "000000000000"}, "another chamber", id="another board"),
        pytest.param({"chamber": "south-bench"}, "another chamber", id="another chamber"),
        pytest.param({"alarm": "south-bench-7"}, "no such alarm", id="alarm of another chamber"),
        pytest.param({"at": "2026-05-02T00:00:00Z"}, "clocks", id="old"),
        pytest.param({"at": "2999-05-02T00:00:00Z"}, "clocks", id="of the future"),
    ],
)
def test_what_is_signed_but_not_for_here_and_now_is_refused(
    fields: dict[str, Any], why: str
) -> None:
    board = Board()
    board.take(**fields)
    told = board.orders.outcome()
    assert told is not None
    assert why in (told[1] or "")
    assert not board.asked
    assert not board.forged


@pytest.mark.parametrize("act", ["reset", "shelve", "stop", "acknowledge_all", ""])
def test_nothing_else_can_be_ordered(act: str) -> None:
    board = Board()
    board.take(act=act)
    assert board.orders.outcome() is None
    assert not board.asked


@given(st.binary(max_size=200))
def test_no_bytes_are_an_order_without_the_secret(payload: bytes) -> None:
    with pytest.raises(NotOursError):
        read_order(payload, SECRET)


def test_a_signature_holds_for_each_letter() -> None:
    board = Board()
    order = board.order()
    right = signature(SECRET, order)
    read_order(signed(order), SECRET)
    for wrong in (
        signed(order, "another secret of sixteen"),
        signed(order).replace(b"north-bench-7", b"north-bench-8"),
        ActMessage(order=order, signature=right.upper()).payload(),
        ActMessage(order=order, signature=right[:-1]).payload(),
        ActMessage(order=order, signature="").payload(),
        ActMessage(order=order, signature="ü").payload(),
        signed(order) + b" " * 10_000,
        signed("[]"),
        signed(board.order(by="x" * 81)),
    ):
        with pytest.raises(NotOursError):
            read_order(wrong, SECRET)


def test_many_wrong_ones_are_told_until_ten_minutes_without() -> None:
    board = Board()
    for _ in range(MANY - 1):
        board.orders.take(b"{}")
    board.orders.outcome()
    assert not board.forged
    board.orders.take(signed(board.order(), "another secret of sixteen"))
    for _ in range(3):
        board.orders.outcome()
    assert board.forged == [True]
    board.clock.advance(WITHIN_S + 1.0)
    board.orders.outcome()
    assert board.forged == [True, False]
    for _ in range(MANY - 1):  # few in a long time are none
        board.clock.advance(WITHIN_S / 2)
        board.orders.take(b"{}")
        board.orders.outcome()
    assert board.forged == [True, False]


def test_what_the_watch_refuses_or_never_answers_is_said() -> None:
    board = Board()
    board.take(id="unknown")
    board.futures[0].set_exception(CommandRefused(Refusal.UNKNOWN, "There is no such alarm."))
    assert board.orders.outcome() == ("unknown", "There is no such alarm.")
    board.take(id="broken")
    board.futures[1].set_exception(RuntimeError("a defect"))
    assert "log" in ((board.orders.outcome() or ("", ""))[1] or "")
    board.take(id="late")
    assert board.orders.outcome() is None
    board.clock.advance(ANSWER_S + 1.0)
    assert board.orders.outcome() == ("late", "The watch did not answer in time.")
    assert not board.done


def test_more_orders_than_anybody_gives_are_refused_and_remembered_no_longer() -> None:
    board = Board()
    for number in range(MOST_ORDERS + 5):
        board.take(id=str(number))
    assert len(board.asked) == MOST_ORDERS
    assert (board.orders.outcome() or ("", ""))[1] == "Too many orders have come."
    board.clock.advance(61.0)
    board.take(id="a minute later")
    assert len(board.asked) == MOST_ORDERS + 1


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("cox", "cox at the hall"),
        ("cox\n\tof the\x00 eight", "cox of the eight at the hall"),
        ("cox\u202e\u200b", "cox at the hall"),
        (" \x1b ", "somebody at the hall"),
        ("x" * 200, "x" * 80 + " at the hall"),
    ],
)
def test_a_name_is_one_plain_line(name: str, shown: str) -> None:
    assert who(name) == shown
