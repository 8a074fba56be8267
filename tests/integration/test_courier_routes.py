"""A receiver that is ill for ten minutes, played on a clock that the test moves."""

from __future__ import annotations

import asyncio
import threading
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import pytest

from stillair.alerts.courier import Courier, CourierPlan
from stillair.alerts.routes import Message
from stillair.alerts.webhook import WebhookRoute
from stillair.clock import ManualClock
from web_receivers import Answer, answers, hangs_up, receiving, resets

ILL_S = 600.0
STEP_S = 5.0
LONGEST_S = 7200.0
PUBLIC = "webhook:127.0.0.1-1a2b3c4d"
FIRE = Message(
    key="north-bench-12:raised:0:1f2e3d4c5b6a",
    route=PUBLIC,
    title="Fire: north bench",
    text="Smoke and heat.",
    created_at=datetime(2026, 5, 2, 9, 0, tzinfo=UTC),
    alarm="north-bench-12",
    priority="critical",
)


@dataclass
class OneMessage:
    """An outbox of one message; `ended` is set whenever a try has been recorded."""

    message: Message | None = FIRE
    outcomes: list[tuple[bool, str]] = field(default_factory=list)
    ended: threading.Event = field(default_factory=threading.Event)

    def waiting_notices(self, limit: int) -> list[Message]:
        return [] if self.message is None else [self.message][:limit]

    def record_superseded(self, key: str) -> None:
        raise AssertionError("there is no newer word")

    def record_delivery(
        self, key: str, *, at: datetime, sent: bool, outcome: str, next_try_at: datetime | None
    ) -> None:
        self.outcomes.append((sent, outcome))
        if next_try_at is None or self.message is None:
            self.message = None
        else:
            self.message = replace(self.message, tries=self.message.tries + 1)
        self.ended.set()


@pytest.mark.parametrize(
    ("ill", "said"),
    [
        pytest.param(answers(500), "it answered 500", id="500"),
        pytest.param(answers(503, "Retry-After: 10"), "it answered 503", id="busy"),
        pytest.param(resets, "hung up", id="resets"),
        pytest.param(hangs_up, "hung up", id="hangs up"),
    ],
)
async def test_what_a_receiver_refused_for_ten_minutes_arrives_once_it_is_well(
    ill: Answer, said: str
) -> None:
    clock = ManualClock()
    outbox = OneMessage()
    told: list[tuple[str, bool]] = []
    with receiving() as server:
        server.answer = ill
        courier = Courier(
            outbox,
            {"webhook": WebhookRoute(server.address("/a"), "sixteen oars", wall=clock.wall)},
            clock=clock,
            chance=lambda: 0.5,
            on_trouble=lambda route, failing, _: told.append((route, failing)),
            plan=CourierPlan(idle_s=0.02),
        )
        rounds = asyncio.create_task(courier.run())
        while outbox.message is not None and clock.now_s() < LONGEST_S:
            # Time stands still while a try is under way, and passes between two.
            if await asyncio.to_thread(outbox.ended.wait, 0.05):
                outbox.ended.clear()
            if clock.now_s() >= ILL_S:
                server.answer = answers(200)
            clock.advance(STEP_S)
            courier.wake()
        rounds.cancel()
        with suppress(asyncio.CancelledError):
            await rounds
        refused, arrived = server.posted[:-1], server.posted[-1]
    assert outbox.outcomes[-1] == (True, "sent")
    assert all(said in outcome for sent, outcome in outbox.outcomes[:-1] if not sent)
    # A danger: after 5, 10, 20 s each half a minute, and each shortened by chance.
    assert 15 <= len(refused) <= 30, "neither given up nor hammered at"
    keys = {each.headers["idempotency-key"] for each in (*refused, arrived)}
    assert keys == {f'"{FIRE.number}"'}, "the same message each time"
    assert told == [(PUBLIC, True), (PUBLIC, False)]
    assert clock.now_s() < ILL_S + 60.0, "and soon after it is well"
