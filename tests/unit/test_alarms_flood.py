"""Too much at once, what comes and goes, and what has stood for days: told once, and together."""

from __future__ import annotations

from itertools import pairwise

import pytest

from stillair.alarms.flood import GATHER_S, MOST, REST_S, WITHIN_S, Flood
from stillair.alarms.reaching import Person
from stillair.model import Annunciation, Kind, Notice, Priority
from unit.alarm_shed import CAPTAIN, Shed, make_desk

COX = Person("cox", ("mailto:cox@shed.example",), after_s=0.0)


@pytest.fixture
def shed() -> Shed:
    return Shed(make_desk())


def many(shed: Shed, count: int, *, apart_s: int = 5) -> None:
    """So many troubles that have nothing to do with each other."""
    for number in range(count):
        shed.begins(Kind.STORE_FAULT, f"thing {number}")
        shed.wait(apart_s)
        shed.ends(Kind.STORE_FAULT, f"thing {number}")
        shed.open.clear()
        shed.wait(apart_s + 10)


def test_ten_messages_in_ten_minutes_go_out_and_the_rest_is_one(shed: Shed) -> None:
    many(shed, 12)  # 24 messages, raised and over, in 4 min
    assert len([n for _, n in shed.told if n.stage != "gathered"]) == MOST
    shed.wait(GATHER_S)
    gathered, *_ = [n for _, n in shed.told if n.stage == "gathered"]
    assert gathered.title.startswith("north bench: Over: history is not being kept, and ")
    assert gathered.title.endswith(" more")
    assert gathered.text.count("\n- ") >= 3
    assert gathered.text.count("\n\n") == 2, "each is one line"
    assert len({n.key for _, n in shed.told}) == len(shed.told)


def test_what_was_over_by_then_is_not_told_as_if_it_began() -> None:
    """Its end may go out at once, ten minutes after the first, while its beginning still waits."""
    flood = Flood(most=1)

    def word(alarm: str, stage: str) -> list[Notice]:
        title, route = f"north bench: {alarm} {stage}", "mailto:captain@shed.example"
        kind, of = Kind.SENSOR_FAULT, Priority.HIGH
        key = f"{alarm}:{stage}"
        return [Notice(key, "north-bench", alarm, kind, of, "captain", route, title, title, 0.0)]

    assert not flood.takes(word("top", "raised"), 0.0, danger=False)
    assert flood.takes(word("low", "raised"), WITHIN_S - 10.0, danger=False)
    assert flood.takes(word("bed", "raised"), WITHIN_S - 10.0, danger=False)
    assert not flood.takes(word("low", "over"), WITHIN_S + 10.0, danger=False)
    told = flood.due(WITHIN_S + GATHER_S, name="north bench", mark="")
    assert [notice.key for notice in told] == ["bed:raised"]


def test_no_danger_is_gathered(shed: Shed) -> None:
    many(shed, 12)
    for kind in (Kind.SMOKE, Kind.ATTENDANCE_OVERDUE):
        shed.begins(kind)
        t_s, notice = shed.told[-1]
        assert (t_s, notice.kind) == (shed.t_s, kind)
        shed.wait(1)


def test_a_long_flood_is_gathered_every_five_minutes(shed: Shed) -> None:
    many(shed, 90)  # 30 min
    shed.wait(600)
    gathered_s = [t_s for t_s, n in shed.told if n.stage == "gathered"]
    assert len(gathered_s) >= 3
    assert all(b - a >= REST_S for a, b in pairwise(gathered_s))


def test_each_hears_of_what_was_theirs() -> None:
    shed = Shed(make_desk(CAPTAIN, COX))
    many(shed, 12)
    shed.wait(GATHER_S)
    gathered = [n.route for _, n in shed.told if n.stage == "gathered"]
    assert set(gathered) == {"mailto:captain@shed.example", "mailto:cox@shed.example"}


def test_one_that_waits_alone_goes_out_as_it_is(shed: Shed) -> None:
    many(shed, 5)
    shed.wait(5)
    assert len(shed.told) == MOST
    shed.begins(Kind.DRAFT)
    shed.wait(20 + 60 + GATHER_S)  # its delay, and a minute that the page alone tells of it
    assert [n.title for _, n in shed.told[MOST:]] == ["north bench: Draft"]


# --- chattering ------------------------------------------------------------------------


def test_what_comes_and_goes_is_told_once_and_its_end_once(shed: Shed) -> None:
    for _ in range(40):
        shed.begins(Kind.SENSOR_FAULT, "top")
        shed.wait(12)
        shed.ends(Kind.SENSOR_FAULT, "top")
        shed.wait(3)
    shed.wait(400)
    stages = [n.stage for _, n in shed.told]
    assert stages == ["raised", "over"]
    assert shed.told[0][0] == 30.0, "with its third beginning, however short each time"
    assert len(shed.alarms) == 1


def test_the_page_says_that_it_comes_and_goes(shed: Shed) -> None:
    for _ in range(4):
        shed.begins(Kind.STORE_FAULT, "journal")
        shed.wait(2)
        shed.ends(Kind.STORE_FAULT, "journal")
        shed.wait(11)
    shed.begins(Kind.STORE_FAULT, "journal")
    assert "It comes and goes." in shed.only().text
    shed.ends(Kind.STORE_FAULT, "journal")
    shed.wait(301)
    assert shed.only().annunciation is Annunciation.RETURNED_UNACKNOWLEDGED
    assert "It comes and goes." not in shed.only().text


def test_a_danger_that_comes_and_goes_stands(shed: Shed) -> None:
    for _ in range(6):
        shed.begins(Kind.OVER_TEMPERATURE)
        shed.wait(5)
        shed.ends(Kind.OVER_TEMPERATURE)
        shed.wait(5)
    shed.wait(200)
    assert shed.only().condition
    shed.wait(100)
    assert not shed.only().condition


# --- stale -------------------------------------------------------------------------------


def test_what_has_stood_for_a_day_is_said_once_more_and_then_no_longer(shed: Shed) -> None:
    shed.begins(Kind.SENSOR_FAULT, "top")
    shed.wait(86_400 + 350)
    last_s, last = shed.told[-1]
    assert last_s == 340.0 + 86_400
    assert "isn't said again before it is over" in last.text
    count = len(shed.told)
    shed.wait(86_400)
    assert len(shed.told) == count
    shed.ends(Kind.SENSOR_FAULT, "top")
    shed.wait(30)
    assert shed.told[-1][1].stage == "over"
    shed.wait(600)
    shed.begins(Kind.SENSOR_FAULT, "top")
    shed.wait(4000)
    assert [n.stage for _, n in shed.told[count + 1 :]] == ["raised", "still"], "it is news again"


def test_a_danger_is_said_for_as_long_as_it_stands(shed: Shed) -> None:
    shed.begins(Kind.OVER_TEMPERATURE)
    shed.wait(2 * 86_400)
    assert shed.t_s - shed.told[-1][0] <= 1800
