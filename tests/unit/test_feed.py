"""What open pages are told: everything in order, the state newest only, never too much."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator

import pytest

from stillair.model import JsonValue
from stillair.runtime.feed import BEHIND, STATE_EVERY_S, LiveFeed, Told, Viewer
from stillair.storage.journal import Entry


def entries(first: int, count: int) -> tuple[Entry, ...]:
    return tuple(Entry(seq, "note", {"seq": seq}) for seq in range(first, first + count))


async def told_state(viewer: Viewer) -> Told:
    told = await viewer.next()
    while told.now is None:
        told = await viewer.next()
    return told


async def test_entries_come_in_order_and_of_the_state_only_the_newest() -> None:
    states: Iterator[dict[str, JsonValue]] = iter([{"n": 1}, {"n": 2}, {"n": 3}])
    feed = LiveFeed(lambda _: next(states))
    viewer = feed.join()
    feed.entries(entries(1, 2))
    assert [entry.seq for entry in (await viewer.next()).entries] == [1, 2]
    feed.changed()
    assert (await told_state(viewer)).now == '{"n":1}'
    for _ in range(1000):
        feed.changed()
    await asyncio.sleep(2 * STATE_EVERY_S)
    feed.entries(entries(3, 1))
    told = await viewer.next()
    assert [entry.seq for entry in told.entries] == [3]
    assert (told.now, told.reset, told.closed) == ('{"n":2}', False, False)


async def test_a_viewer_too_far_behind_is_told_to_ask_anew() -> None:
    feed = LiveFeed(lambda owner: {"owner": owner})
    viewer = feed.join()
    for n in range(3):
        feed.entries(entries(1 + n * BEHIND, BEHIND))
    told = await viewer.next()
    assert told.reset
    assert len(told.entries) <= BEHIND
    feed.entries(entries(9000, 1))
    assert not (await viewer.next()).reset


async def test_nobody_looks_nothing_is_put_together() -> None:
    def never(owner: bool) -> dict[str, JsonValue]:
        raise AssertionError("nobody looks")

    feed = LiveFeed(never)
    viewer = feed.join()
    feed.leave(viewer)
    feed.leave(viewer)
    feed.changed()


@pytest.mark.parametrize("late", [False, True], ids=["while looking", "coming after"])
async def test_closing_sends_everybody_home(late: bool) -> None:
    feed = LiveFeed(lambda owner: {"owner": owner})
    if late:
        feed.close()
    viewer = feed.join()
    if not late:
        feed.close()
    told = await asyncio.wait_for(viewer.next(), 1.0)
    assert told.closed


async def test_owners_and_everybody_else_are_told_what_is_theirs() -> None:
    feed = LiveFeed(lambda owner: {"owner": owner})
    owner, viewer = feed.join(owner=True), feed.join()
    feed.changed()
    assert (await told_state(owner)).now == '{"owner":true}'
    assert (await told_state(viewer)).now == '{"owner":false}'
