"""What a hall's pages say of a chamber: why it needs a hand, and what to see to first."""

from __future__ import annotations

from typing import Any

import pytest

from hall_voices import alarm, an_alarm, board_mark, now, watch
from stillair.database import store_errors
from stillair.database.server import server_engine
from stillair.errors import StoreError
from stillair.hall.matters import own_words
from stillair.hall.mirror import Heard, Mirror
from stillair.runtime import hall_shown

ONE = board_mark(1)


def chamber(*alarms: Any, simulated: bool = False, **more: Any) -> Heard:
    mirror = Mirror()
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE, simulated=simulated), 0.0)
    names = tuple(each.id for each in alarms)
    mirror.take(
        f"{ONE}/north-bench/now", now(ONE, standing=names, simulated=simulated, **more), 0.0
    )
    for each in alarms:
        payload = alarm(ONE, each, simulated=simulated)
        mirror.take(f"{ONE}/north-bench/alarms/{each.id}", payload, 0.0)
    return mirror.chambers[f"{ONE}.north-bench"]


def trouble(number: int, text: str, *, seen: bool = False, **more: Any) -> Any:
    told = {"kind": "door_open", "class": "trouble", "priority": "medium", "text": text}
    told["annunciation"] = "acknowledged" if seen else "unacknowledged"
    return an_alarm(f"north-bench-{number}", **{**told, **more})


def test_a_row_says_why_it_needs_a_hand() -> None:
    seen = trouble(1, "The door is open. Close it.", seen=True, priority="low")
    news = trouble(2, "A sensor is lost. Look at its plug.")
    assert hall_shown.row(chamber(seen, news))["needs"] == "A sensor is lost"
    assert hall_shown.row(chamber(seen))["needs"] == "The door is open"
    said = chamber(news, sentence="A sensor is lost, for 3 min", tone="trouble")
    assert hall_shown.row(said)["needs"] == ""
    assert hall_shown.row(chamber())["needs"] == ""


def test_danger_comes_first_then_what_nobody_has_seen() -> None:
    danger = an_alarm("north-bench-4", annunciation="acknowledged")
    alarms = (
        trouble(1, "Low and seen.", seen=True, priority="low"),
        trouble(2, "Medium and seen.", seen=True),
        trouble(3, "Low and new.", priority="low"),
        danger,
        trouble(5, "High and seen.", seen=True, priority="high"),
    )
    items: Any = hall_shown.whole(chamber(*alarms), [])["alarm_items"]
    order = [str(each["id"]).rpartition("-")[2] for each in items]
    assert order == ["4", "5", "3", "2", "1"]


def test_times_of_a_simulated_board_stand_beside_no_others() -> None:
    row = hall_shown.row(chamber(trouble(1, "The door is open."), simulated=True))
    assert (row["since_at"], row["last_at"]) == (None, None)
    assert hall_shown.row(chamber())["last_at"] is not None


def test_when_a_simulated_board_was_heard_is_told_by_the_halls_own_clock() -> None:
    """Not by what the broker has kept of it, nor by the broker's word that it broke off."""
    mirror, topic = Mirror(), f"{ONE}/north-bench/now"
    mirror.take(topic, now(ONE, simulated=True), 5.0, kept=True)
    of = mirror.chambers[f"{ONE}.north-bench"]
    before_s = of.live_s
    mirror.take(topic, now(ONE, simulated=True), 15.0)
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE, state="silent", simulated=True), 70.0)
    mirror.joined(80.0)
    assert (before_s, of.live_s) == (None, 15.0)
    here = "2026-05-08T10:00:00.000Z"
    assert hall_shown.row(of, here)["last_at"] == here
    assert hall_shown.whole(of, [], here)["last_at"] == here


def test_danger_of_a_simulated_chamber_says_so_and_comes_after_what_is_real() -> None:
    made, real = chamber(an_alarm(), simulated=True), chamber(an_alarm())
    told = hall_shown.dangers([made, real], over=False)
    assert told[0].startswith("north bench: ")
    assert told[1].startswith("Simulated: north bench: ")


def test_what_fails_of_the_hall_is_said_whole_and_with_what_to_do() -> None:
    with pytest.raises(StoreError) as caught, store_errors("the hall's database can't be reached"):
        server_engine("postgresql://stillair@127.0.0.1:15/stillair")[0].connect()
    said = own_words("database", str(caught.value), active=True)
    assert said.startswith(
        "The hall's database can't be reached: connection refused at 127.0.0.1:15. Boards keep"
    )
    assert "See whether PostgreSQL runs" in said
    assert own_words("database", "it works again", active=False) == "The hall's database is back."
    assert own_words("mail", "no answer.", active=True) == "no answer."
