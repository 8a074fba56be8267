"""While smoke or fire is told, no alarm sends anybody to the box."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stillair.alarms.catalogue import CATALOGUE
from stillair.alarms.words import FROM_AFAR, THAT_WAITS, WORDS
from stillair.model import (
    BURNING,
    KIND_CLASS,
    Kind,
    Reset,
    SignalClass,
)
from unit.alarm_shed import Shed, make_desk


@pytest.fixture
def shed() -> Shed:
    return Shed(make_desk())


SENDS_NOBODY = (*sorted(BURNING), Kind.DELIVERY_FAULT, Kind.CLOCK_FAULT)


@pytest.mark.parametrize("danger", sorted(BURNING))
@pytest.mark.parametrize(
    "kind", [k for k in CATALOGUE if k not in (*SENDS_NOBODY, Kind.SOAK_READY, Kind.COOL_ENOUGH)]
)
def test_no_alarm_sends_anybody_to_a_box_that_may_be_burning(
    shed: Shed, danger: Kind, kind: Kind
) -> None:
    words = WORDS[kind]
    shed.begins(kind, "top")
    shed.wait(70)
    before = shed.only().text
    assert words.todo in before
    assert THAT_WAITS not in before and FROM_AFAR not in before
    shed.begins(danger)
    begun = len(shed.told)
    beside = next(a.text for a in shed.desk.standing() if a.kind is kind)
    assert beside == next(a for a in shed.alarms.values() if a.kind is kind).text, "and kept"
    shed.wait(4000)  # repeats of both
    said = [beside, *(n.text for _, n in shed.told[begun:] if n.kind is kind)]
    instead = FROM_AFAR if KIND_CLASS[kind][0] is SignalClass.ALARM else THAT_WAITS
    for text in said:
        assert text.count(instead) == bool(words.todo)
        assert words.stands in text
    told = len(shed.told)
    shed.ends(kind, "top")
    shed.wait(100)
    said += [n.text for _, n in shed.told[told:] if n.kind is kind]
    for text in said:
        assert not words.todo or words.todo not in text
        assert not words.after or words.after not in text
        rest = text.replace(THAT_WAITS, "").replace(FROM_AFAR, "").lower()
        for sends in ("go there", "go and", "unplug", "shut it", "switch", "wipe", "look"):
            assert sends not in rest
    assert all(THAT_WAITS not in n.text for _, n in shed.told if n.kind is danger)


@pytest.mark.parametrize(
    "todo",
    [
        WORDS[Kind.OVER_TEMPERATURE].todo,
        "Switch the machine off and stay with it: a bed that goes on heating can burn.",
    ],
)
def test_an_alarm_whose_event_is_not_known_keeps_its_figures_beside_a_fire(
    shed: Shed, todo: str
) -> None:
    shed.begins(Kind.OVER_TEMPERATURE)
    kept = replace(shed.only(), text=f"It is too hot. It is 95.0 °C. {todo}")
    shed = Shed(make_desk(alarms=(kept,)), t_s=0.0, numbers=1)
    shed.wait(1)
    shed.begins(Kind.SMOKE)
    hot = next(a for a in shed.desk.standing() if a.kind is Kind.OVER_TEMPERATURE)
    assert hot.text == f"It is too hot. It is 95.0 °C. {FROM_AFAR}"


def test_an_end_that_still_has_to_last_is_not_told_beside_a_fire(shed: Shed) -> None:
    shed.begins(Kind.OVER_TEMPERATURE)
    shed.ends(Kind.OVER_TEMPERATURE)
    hot = shed.only()
    assert hot.condition
    shed.begins(Kind.SMOKE)
    hot = next(a for a in shed.desk.standing() if a.kind is Kind.OVER_TEMPERATURE)
    assert hot.condition
    assert WORDS[Kind.OVER_TEMPERATURE].now in hot.text
    assert FROM_AFAR in hot.text


def test_what_begins_beside_a_fire_waits_until_the_fire_is_done_with(shed: Shed) -> None:
    shed.begins(Kind.SMOKE)
    shed.begins(Kind.DOOR_OPEN)
    shed.wait(20)
    smoke, door = shed.desk.standing()
    assert THAT_WAITS in door.text
    assert "Shut it" not in door.text + shed.told[-1][1].text
    shed.ends(Kind.SMOKE)
    shed.wait(70)
    assert THAT_WAITS in shed.alarms[door.id].text, "no sign of smoke is no proof"
    shed.seen(smoke.id)
    shed.keep(shed.desk.command(Reset(t_s=shed.t_s, by="cox", alarm=smoke.id)))
    assert "Shut it" in shed.only().text


def test_after_a_restart_nobody_is_sent_to_what_may_still_burn(shed: Shed) -> None:
    shed.begins(Kind.FIRE)
    alarms, events = shed.desk.standing(), tuple(shed.open.values())
    shed = Shed(make_desk(alarms=alarms, events=events), t_s=0.0, open=shed.open, numbers=1)
    shed.begins(Kind.OVER_TEMPERATURE)
    assert FROM_AFAR in shed.told[-1][1].text
