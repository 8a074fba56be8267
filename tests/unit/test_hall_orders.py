"""What becomes of an order of somebody at a hall."""

from __future__ import annotations

import itertools
import subprocess
from typing import Any

import pytest

from hall_voices import board_mark
from stillair.clock import ManualClock
from stillair.errors import CommandRefused
from stillair.hall.messages import ActedMessage, ActMessage
from stillair.hall.mirror import Heard
from stillair.hall.orders import NotOursError, own_secret, read_order, signature
from stillair.runtime.hall_orders import MOST, Orders

SECRET = "oars, riggers and spacers"
ONE = Heard(f"{board_mark(1)}.north-bench", board_mark(1), "north-bench")


class Given:
    """Orders with a clock that is set by hand, and what they send."""

    def __init__(self, secret: str | None = SECRET, *, sends: bool = True) -> None:
        self.sent: list[bytes] = []
        self.clock = ManualClock()
        numbers = itertools.count(1)

        def send(_: Heard, payload: bytes) -> bool:
            self.sent.append(payload)
            return sends

        self.orders = Orders(
            secret, send, make_id=lambda: f"order-{next(numbers)}", clock=self.clock
        )

    def states(self) -> list[Any]:
        return [each["state"] for each in self.orders.of(ONE.key)]


def answer(order: str, **more: Any) -> ActedMessage:
    told = {"board": ONE.board, "chamber": ONE.chamber, "simulated": False, "done": True}
    return ActedMessage(**{**told, "id": order, **more})


def test_it_is_signed_sent_and_answered() -> None:
    given = Given()
    order = given.orders.acknowledge(ONE, "north-bench-1", by="cox")
    read = read_order(given.sent[0], SECRET)
    assert (read.id, read.alarm, read.by, read.act) == (
        order,
        "north-bench-1",
        "cox",
        "acknowledge",
    )
    assert given.states() == ["sent"]
    assert given.orders.answered(answer(order)) == ONE.key
    assert given.states() == ["done"]


def test_a_board_may_have_a_secret_of_its_own_which_is_of_no_use_against_others() -> None:
    # As the page on setting up a hall has it made.
    line = ("openssl", "dgst", "-sha256", "-hmac", SECRET)
    made = subprocess.run(line, input=ONE.board.encode(), capture_output=True, check=True)
    own = made.stdout.decode().split()[-1]
    assert own == own_secret(SECRET, ONE.board)
    given = Given()
    order = given.orders.acknowledge(ONE, "north-bench-1", by="cox")
    assert read_order(given.sent[0], own).id == order
    assert read_order(given.sent[0], SECRET).id == order
    other = Heard(f"{board_mark(2)}.north-bench", board_mark(2), "north-bench")
    given.orders.acknowledge(other, "north-bench-1", by="cox")
    text = ActMessage.model_validate_json(given.sent[1]).order
    forged = ActMessage(order=text, signature=signature(own, text), own_signature="")
    for secret, payload in ((own, given.sent[1]), (SECRET, forged.payload())):
        with pytest.raises(NotOursError):
            read_order(payload, secret)
    with pytest.raises(NotOursError):
        read_order(forged.payload(), own_secret(SECRET, board_mark(2)))


def test_a_board_that_says_nothing_for_ten_seconds_did_not_answer() -> None:
    given = Given()
    order = given.orders.acknowledge(ONE, "north-bench-1", by="cox")
    given.clock.advance(11.0)
    assert given.states() == ["unanswered"]
    given.orders.answered(answer(order, done=False, reason="too old"))
    assert given.states() == ["refused"]
    given.clock.advance(3600.0)
    assert given.states() == []


@pytest.mark.parametrize("more", [{"id": "another"}, {"board": board_mark(2)}, {"chamber": "loft"}])
def test_an_answer_of_somebody_else_counts_for_nothing(more: dict[str, str]) -> None:
    given = Given()
    order = given.orders.acknowledge(ONE, "north-bench-1", by="cox")
    assert given.orders.answered(answer(order, **more)) is None
    assert given.states() == ["sent"]


@pytest.mark.parametrize(
    ("given", "said"),
    [(Given(None), "no secret in common"), (Given(sends=False), "The broker is out of reach")],
)
def test_what_can_t_be_sent_is_refused_and_forgotten(given: Given, said: str) -> None:
    with pytest.raises(CommandRefused, match=said):
        given.orders.acknowledge(ONE, "north-bench-1", by="cox")
    assert given.states() == []


def test_only_so_many_are_remembered() -> None:
    given = Given()
    for _ in range(MOST + 10):
        given.orders.acknowledge(ONE, "north-bench-1", by="x" * 500)
    assert len(given.states()) == MOST
