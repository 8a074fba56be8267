"""What presses goes at once, past stores and servers that hang, and nothing goes twice."""

from __future__ import annotations

import asyncio
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.alerts.courier import CourierPlan
from stillair.alerts.routes import Due, Message
from stillair.alerts.tray import OTHER, REMEMBERED, Counts, Settled, Tray
from stillair.errors import DeliveryError
from stillair.model import Kind
from unit.test_alerts_courier import (
    CAPTAIN,
    COX,
    QUICK,
    FailingOutbox,
    MemoryOutbox,
    Post,
    message,
    waits,
)

STALLED = replace(QUICK, outbox_s=60.0)  # the outbox may hang for longer than the test


def fire(key: str, route: str = CAPTAIN, **more: object) -> Message:
    return message(key, route, "critical", kind=Kind.FIRE.value, stage="raised", **more)


async def test_what_presses_goes_while_the_outbox_hangs_in_that_very_moment() -> None:
    outbox = FailingOutbox(defects={"hangs"})
    post = Post(outbox, plan=STALLED)
    async with post.at_work():
        await post.until(lambda: outbox.asked == 1)
        post.courier.hand([fire("m")])
        await post.until(lambda: post.texts == ["m"])
        post.courier.hand([fire("n", COX)])
        await post.until(lambda: post.texts == ["m", "n"])
        assert outbox.asked == 1
        outbox.answers.set()


@pytest.mark.parametrize("stored", ["before", "while", "after"])
async def test_what_is_handed_over_and_stored_goes_once(stored: str) -> None:
    post = Post()
    release = threading.Event()
    post.route.answer = waits(release)
    told = fire("m")
    async with post.at_work():
        if stored == "before":
            post.outbox.put(told)
        post.courier.hand([told])
        await post.until(lambda: post.route.tried == ["m"])
        if stored == "while":
            post.outbox.put(told)
            post.courier.wake()
        release.set()
        await post.until(lambda: post.texts == ["m"])
        if stored == "after":
            post.outbox.put(told)
        post.courier.wake()
        await post.until(lambda: not post.outbox.rows)
        post.courier.hand([told])  # as a service does that isn't sure
        await asyncio.sleep(0.1)  # several rounds
    assert post.route.tried == ["m"]
    assert post.outbox.outcomes == [("m", True, "sent")]


async def test_what_was_sent_but_not_recorded_goes_again_after_a_kill_under_the_same_key() -> None:
    outbox = MemoryOutbox(deaf=True)
    first = Post(outbox)
    outbox.put(fire("m"))
    async with first.at_work():
        await first.until(lambda: first.texts == ["m"])
    outbox.deaf = False
    second = Post(outbox)
    async with second.at_work():
        await second.until(lambda: not outbox.rows)
    assert second.texts == ["m"]


async def test_slow_servers_leave_room_for_what_presses() -> None:
    post = Post(plan=replace(QUICK, concurrency=2, concurrency_pressing=3))
    release = threading.Event()
    post.route.answer = waits(release)
    async with post.at_work():
        post.outbox.put(*(message(f"m{n}", f"mailto:m{n}@shed.example") for n in range(9)))
        post.courier.wake()
        await post.until(lambda: post.route.at_once == 2)
        post.courier.hand([fire(f"f{n}", f"mailto:f{n}@shed.example") for n in range(9)])
        await post.until(lambda: post.route.at_once == 5)
        await asyncio.sleep(0.05)
        assert post.route.most_at_once == 5
        release.set()
        await post.until(lambda: len(post.route.sent) == 18)


async def test_a_route_that_never_comes_back_does_not_keep_a_danger_for_ever() -> None:
    post = Post(plan=replace(QUICK, try_s=0.02, pressing_pause_s=0.1))
    release = threading.Event()
    post.route.answer = waits(release)
    async with post.at_work():
        post.outbox.put(message("door"))
        await post.until(lambda: post.route.tried == ["door"])
        post.courier.hand([fire("m")])
        await post.until(lambda: post.route.at_once == 3)
        await asyncio.sleep(0.3)
        assert post.route.tried.count("door") == 1, "what doesn't press waits for the thread"
        assert post.route.most_at_once == 3, "and no more threads than that are left to it"
        release.set()
        await post.until(lambda: "m" in post.texts and "door" in post.texts)


async def test_a_danger_does_not_wait_for_a_server_that_hangs_over_what_was_taken_back() -> None:
    post = Post()
    release = threading.Event()
    post.route.answer = lambda of: waits(release)(of) if of.stage == "test" else None
    async with post.at_work():
        post.courier.hand([replace(fire("test:a:0"), stage="test"), fire("other", COX)])
        await post.until(lambda: "test:a:0" in post.route.tried and post.texts == ["other"])
        post.courier.withdraw("test:a:")
        post.courier.hand([fire("m")])
        await post.until(lambda: "m" in post.texts)
        assert "test:a:0" not in post.texts, "its server hangs still"
        release.set()


@pytest.mark.parametrize(
    ("address", "limit_s"),
    [
        (CAPTAIN, 20.0),
        ("MQTT:boat-shed", 10.0),
        ("webhook:shed-1a2b", 15.0),
        ("webpush:cox", 15.0),
        ("apprise:x-1a2b", 30.0),
        ("pigeon:", 20.0),
    ],
)
def test_how_long_a_try_may_take(address: str, limit_s: float) -> None:
    assert CourierPlan().limit_s(address) == limit_s


async def test_a_flood_arrives_in_its_newest_words_and_the_outbox_knows() -> None:
    post = Post()
    release = threading.Event()
    post.route.answer = waits(release)
    begun_at = datetime.now(UTC)

    def word(key: str, stage: str, at_s: float, alarm: str) -> Message:
        at = begun_at + timedelta(seconds=at_s)
        return message(key, stage=stage, created_at=at, alarm=alarm)

    async with post.at_work():
        post.outbox.put(word("first", "raised", 0.0, "bench-1"))
        await post.until(lambda: post.route.tried == ["first"])
        for n in range(1, 40):
            stage = "over" if n == 39 else "still"
            post.outbox.put(word(f"a{n}", stage, n, "bench-1"), word(f"b{n}", "still", n, "b-2"))
        post.courier.wake()
        await post.until(lambda: len(post.outbox.superseded) == 76)
        release.set()
        await post.until(lambda: not post.outbox.rows)
    assert sorted(post.texts) == ["a39", "b39", "first"]
    assert post.outbox.lost == set()


async def test_a_server_that_asks_to_be_left_alone_is() -> None:
    post = Post(plan=replace(QUICK, longest_asked_s=0.3, pressing_pause_s=0.1))

    def answer(due: Due) -> None:
        if len(post.route.tried) <= 1:
            raise DeliveryError(due.route, "busy", retry=True, wait_s=3600.0)

    post.route.answer = answer
    loop = asyncio.get_running_loop()
    post.outbox.put(message("door"))
    async with post.at_work():
        await post.until(lambda: bool(post.outbox.outcomes))
        begun_s = loop.time()
        post.courier.hand([fire("m")])
        await post.until(lambda: "m" in post.texts)
        assert loop.time() - begun_s < 0.3
        await post.until(lambda: not post.outbox.rows)
    assert post.texts == ["m", "door"]


async def test_a_link_that_hangs_holds_up_a_message_once_and_shortly() -> None:
    never = threading.Event()

    def link_for(_: Due) -> str | None:
        assert never.wait(10)
        return "https://shed.local/answer/late"

    post = Post(link_for=link_for)
    loop = asyncio.get_running_loop()
    async with post.at_work():
        post.courier.hand([fire("m")])
        await post.until(lambda: post.texts == ["m"])
        begun_s = loop.time()
        post.courier.hand([fire("n", COX)])
        await post.until(lambda: post.texts == ["m", "n"])
        assert loop.time() - begun_s < 0.4, "it isn't asked again meanwhile"
        never.set()
    assert all(getattr(each, "link", None) is None for each in post.route.sent)


async def test_addresses_that_rest_are_forgotten() -> None:
    post = Post()
    post.outbox.put(*(message(f"m{n}", f"mailto:m{n}@shed.example") for n in range(450)))
    async with post.at_work():
        await post.until(lambda: not post.outbox.rows)
        post.outbox.put(message("m"))
        await post.until(lambda: not post.outbox.rows)
        assert len(post.courier._addresses) <= 201


# --- the tray ---------------------------------------------------------------------------


def test_without_room_the_oldest_go_and_dangers_last(caplog: pytest.LogCaptureFixture) -> None:
    tray = Tray()
    tray.hand([fire("fire")])
    tray.hand(message(f"m{n}") for n in range(REMEMBERED + 5))
    left = {each.message.key for each in tray.idle()}
    assert len(left) == REMEMBERED
    assert "fire" in left
    assert "m5" not in left and "m6" in left
    assert "can't be held" in caplog.text


def test_messages_are_counted_by_scheme_and_no_address_becomes_a_name() -> None:
    tray = Tray(("mailto", "mqtt"))
    sent, lost, old, waits, strange = (
        *(message(name) for name in ("sent", "lost", "old", "waits")),
        message("strange", "someone@shed.example"),
    )
    tray.hand([sent, lost, old, waits, strange])
    waiting = {each.message.key: each for each in tray.idle()}
    tray.try_failed(lost.route)
    tray.settle(waiting["sent"], Settled(True, "sent"))
    tray.settle(waiting["lost"], Settled(False, "refused"))
    tray.settle(waiting["old"], Settled(False, "", superseded=True))
    assert tray.counts() == {
        "mailto": Counts(waiting=1, sent=1, failed=1, failed_tries=1),
        "mqtt": Counts(),
        OTHER: Counts(waiting=1),
    }


steps = st.lists(
    st.tuples(st.sampled_from(["hand", "store", "send", "show"]), st.integers(0, 5)), max_size=40
)


@given(steps)
def test_in_whatever_order_it_comes_no_message_is_sent_twice(steps: list[tuple[str, int]]) -> None:
    tray = Tray()
    stored: dict[str, Message] = {}
    sent: list[str] = []
    for step, number in steps:
        key = f"m{number}"
        if step == "hand":
            tray.hand([fire(key)])
        elif step == "store" and key not in sent:
            stored[key] = fire(key)
        elif step == "show":
            for known, settled in tray.take(list(stored.values())):
                assert known in sent
                settled.recorded = True
                stored.pop(known)
        elif step == "send":
            for each in tray.idle():
                if each.message.key == key:
                    sent.append(key)
                    tray.settle(each, Settled(sent=True, outcome="sent"))
    assert len(sent) == len(set(sent))
    waiting = {each.message.key for each in tray.idle()}
    assert not waiting & set(sent)
