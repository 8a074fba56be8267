"""How sensors are told to everybody who may see: what is wrong, and no server, path or device."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any, cast

import pytest

from stillair.config.reading import chamber_from_text
from stillair.model import CameraCondition, CameraState, Kind, Particles
from stillair.runtime.chamber import Chamber
from stillair.runtime.how_it_watches import (
    NO_READING,
    SEE,
    How,
    Line,
    camera,
    messages,
    sensors,
)
from stillair.runtime.redacting import Places
from stillair.storage.outbox import Taken

SHED = """
[chamber]
name = "shed"

[[sensor]]
name = "top"
driver = "onewire"
address = "28-0000075c2f99"

[mqtt]
host = "oarbox"
"""
CLEAN = Places([chamber_from_text(SHED, "shed.toml")]).clean
NOW_S = 1000.0
AT = datetime(2026, 11, 20, tzinfo=UTC)
WIRE = "look at its plug and its wire"


def box(
    *, fault: str = "", particles: tuple[Particles, ...] = (), events: tuple[object, ...] = ()
) -> Chamber:
    """A chamber with one sensor and a broker, as far as its sensors are told."""
    sensor = SimpleNamespace(name="top", fault=fault, t_s=NOW_S - 1.0, temperature_c=46.0)
    view = SimpleNamespace(
        t_s=NOW_S,
        events=events,
        thermal=SimpleNamespace(sensors=(sensor,)),
        contacts=(),
        particles=particles,
    )
    made = SimpleNamespace(
        supervisor=SimpleNamespace(view=view),
        clock=SimpleNamespace(now_s=lambda: NOW_S),
        labels=SimpleNamespace(
            timeline=lambda: SimpleNamespace(at=lambda t_s: AT + timedelta(seconds=t_s))
        ),
        speed=1.0,
        tally=SimpleNamespace(lost=lambda *_: None),
    )
    return cast("Chamber", made)


@pytest.mark.parametrize(
    ("fault", "told", "todo"),
    [
        pytest.param("a wire is broken", "a wire is broken", WIRE, id="plainly"),
        pytest.param("29 of 30 m/s", "29 of 30 m/s", WIRE, id="a stroke is no path"),
        pytest.param("oarbox does not answer", NO_READING, SEE, id="a server"),
        pytest.param(
            "no connection to the broker oldbox:1884: refused", NO_READING, SEE, id="one of before"
        ),
        pytest.param("can't open (/dev/i2c-1)", NO_READING, SEE, id="in brackets"),
        pytest.param("http://192.0.2.7/smoke is silent", NO_READING, SEE, id="an address"),
        pytest.param("28-0000075c2f11 has vanished", NO_READING, SEE, id="a chip"),
        pytest.param("this user may not use /dev/i2c-1", NO_READING, SEE, id="a device"),
        pytest.param("this user may not read /sys/bus/w1/28-1", NO_READING, SEE, id="a path"),
    ],
)
def test_why_a_sensor_gives_no_reading(fault: str, told: str, todo: str) -> None:
    (line,) = sensors(box(fault=fault), "", CLEAN)
    since_at = AT + timedelta(seconds=NOW_S - 1.0)
    assert line == Line("sensors", "sensor top", How.WRONG, told, since_at, todo)


@pytest.mark.parametrize(
    ("reason", "told", "todo"),
    [
        pytest.param("it differs", "46.0 °C, read 1 s ago; it differs", "", id="it reads"),
        pytest.param(
            "no connection to the broker shed.example:1883",
            f"46.0 °C, read 1 s ago; {NO_READING}",
            SEE,
            id="and names a server",
        ),
    ],
)
def test_a_sensor_whose_fault_stands_does_not_work_though_it_reads(
    reason: str, told: str, todo: str
) -> None:
    event = SimpleNamespace(
        kind=Kind.SENSOR_FAULT, subject="top", onset_s=100.0, detail={"reason": reason}
    )
    (line,) = sensors(box(events=(event,)), "", CLEAN)
    since_at = AT + timedelta(seconds=100.0)
    assert line == Line("sensors", "sensor top", How.WRONG, told, since_at, todo)


@pytest.mark.parametrize(
    ("value", "reason", "how", "told"),
    [
        pytest.param(12.4, "", How.WELL, "12 µg/m³ of fine particles", id="it counts"),
        pytest.param(None, "", How.LOOK, "it has told nothing so far", id="nothing yet"),
        pytest.param(None, "its fan stands still", How.WRONG, "its fan stands still", id="a fault"),
        pytest.param(None, "there is no /dev/ttyUSB0", How.WRONG, NO_READING, id="a device"),
    ],
)
def test_a_particle_sensor_has_a_line_as_any_other(
    value: float | None, reason: str, how: How, told: str
) -> None:
    fine = Particles("haze", NOW_S, value, reason=reason)
    _, line = sensors(box(particles=(fine,)), "", CLEAN)
    assert (line.thing, line.how, line.told) == ("particle sensor haze", how, told)


@pytest.mark.parametrize(
    ("fit_s", "how", "told"),
    [
        pytest.param(5.0, How.LOOK, "its view isn't judged yet", id="only just begun"),
        pytest.param(25.0, How.WELL, "its view is fit to watch by", id="seen for a while"),
    ],
)
def test_a_view_is_fit_only_once_it_could_be_judged(fit_s: float, how: How, told: str) -> None:
    of: Any = box()
    of.supervisor.view.camera = CameraState(NOW_S, CameraCondition.FIT, NOW_S - fit_s)
    of.camera = SimpleNamespace(age_s=lambda: 0.2)
    of.tally.pictures_per_s = lambda: 5.0
    line = camera(of, "camera")
    assert (line.how, line.told.split("; ")[1]) == (how, told)


def test_of_each_way_of_each_person_it_says_when_the_last_message_was_taken() -> None:
    """By its kind: where it leads isn't for everybody who may see."""
    later = AT + timedelta(hours=1)
    taken = [
        Taken("cox", "mailto:a@shed.example", AT),
        Taken("cox", "mailto:b@shed.example", later),
        Taken("cox", "webpush:cox", later),
        Taken("gone", "mailto:c@shed.example", later),
    ]
    told = list(messages(["bow", "cox"], taken))
    assert told == [
        Line("people", "messages to bow", How.LOOK, "none has been taken so far"),
        Line("people", "messages to cox", How.WELL, "the e-mail was the last taken there (1)", AT),
        Line(
            "people", "messages to cox", How.WELL, "the e-mail was the last taken there (2)", later
        ),
        Line(
            "people",
            "messages to cox",
            How.WELL,
            "the word to the telephone was the last taken there",
            later,
        ),
    ]
    assert "shed.example" not in str(told)
