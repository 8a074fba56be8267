"""A running job against the last sound one of its part."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stillair.model import Job, JobPhase, Phase, Place, Sounding
from stillair.runtime.comparing import Curve, LastSound, clock_s, same_part, sentence
from stillair.thermal.plan import SensorView, ThermalView
from stillair.watch import WatchView

JOB = Job(
    id="north-bench-7",
    chamber="north-bench",
    name="Six rigger spacers",
    material="PA",
    machine="",
    notes="",
    state=JobPhase.RUNNING,
    started_s=1000.0,
    box="real 1",
)


def view(t_s: float, job: Job | None, **temperatures_c: float | None) -> WatchView:
    """How it is at `t_s`, `bed` a bed and all others in the air."""
    sensors = tuple(
        SensorView(name, Place.BED if name == "bed" else Place.CHAMBER, value_c, t_s)
        for name, value_c in temperatures_c.items()
    )
    thermal = ThermalView(Phase.STEADY, 0.0, 45.0, 20.0, False, sensors, 45.0)
    return WatchView(t_s, thermal, (), None, job, (), (), Sounding.SILENT)


def warm(here_c: float = 47.0, *, minutes: int = 12, job: Job = JOB) -> LastSound:
    """A chamber whose job has run for so long, `low` 2 degrees below `top`."""
    last = LastSound()
    for second in range(minutes * 60 + 1):
        last.seen(view(1000.0 + second, job, top=here_c, low=here_c - 2.0, bed=95.0))
    return last


def curve(
    then_c: float = 49.0, *, minutes: int = 600, soak_s: float | None = None, **more: float
) -> Curve:
    columns = {"top": [then_c] * minutes, "low": [then_c - 2.0] * minutes}
    return Curve("north-bench-3", columns | {n: [c] * minutes for n, c in more.items()}, soak_s)


def test_both_are_told_in_one_line() -> None:
    last = warm()
    assert last.item(JOB) is None
    last.compare_with(JOB.id, curve())
    item = last.item(JOB)
    assert item == {
        "job": "north-bench-3",
        "since": "start",
        "here_c": 46.0,
        "then_c": 48.0,
        "difference_k": -2.0,
        "text": "The air is 2.0 degrees colder than in the last sound job of this part at the "
        "same point: 46.0 °C here, 48.0 °C then.",
    }


@pytest.mark.parametrize(
    ("here_c", "then_c", "said"),
    [
        pytest.param(47.3, 49.4, "2.1 degrees colder", id="colder"),
        pytest.param(51.0, 49.4, "1.6 degrees warmer", id="warmer"),
        pytest.param(49.1, 49.4, "as it was", id="alike"),
        pytest.param(48.9, 49.4, "0.5 degrees colder", id="just not alike"),
    ],
)
def test_sentence(here_c: float, then_c: float, said: str) -> None:
    assert said in sentence(here_c, then_c)


@pytest.mark.parametrize(
    "job",
    [
        pytest.param(None, id="no job"),
        pytest.param(replace(JOB, state=JobPhase.PAUSED), id="paused"),
        pytest.param(replace(JOB, state=JobPhase.COOLING), id="cooling"),
        pytest.param(replace(JOB, id="north-bench-8"), id="another"),
    ],
)
def test_nothing_is_said_of_any_other(job: Job | None) -> None:
    last = warm()
    last.compare_with(JOB.id, curve())
    assert last.item(job) is None


@pytest.mark.parametrize(
    "against",
    [
        pytest.param(None, id="no sound job"),
        pytest.param(curve(minutes=1), id="it was over long before"),
        pytest.param(Curve("x", {"middle": [50.0] * 600}), id="no sensor that both have"),
        pytest.param(Curve("x", {"top": [None] * 600}), id="its readings are given up"),
    ],
)
def test_where_nothing_can_be_compared_nothing_is_said(against: Curve | None) -> None:
    last = warm()
    last.compare_with(JOB.id, against)
    assert last.item(JOB) is None


def test_the_first_minutes_say_nothing() -> None:
    last = warm(minutes=2)
    last.compare_with(JOB.id, curve())
    assert last.item(JOB) is None


def test_only_sensors_that_both_have_count() -> None:
    last = LastSound()
    for second in range(700):
        gone = None if second > 300 else 47.0
        last.seen(view(1000.0 + second, JOB, top=gone, low=45.0, new=99.0))
    last.compare_with(JOB.id, curve(old=5.0))
    item = last.item(JOB)
    assert item is not None
    assert item["difference_k"] == -2.0, "each minute's sensor against its own"


@pytest.mark.parametrize(
    ("cold_min", "told"),
    [
        pytest.param(0, True, id="both begun warm"),
        pytest.param(30, False, id="then it had to warm up first"),
    ],
)
def test_a_warm_box_waits_for_one_that_began_cold(cold_min: int, told: bool) -> None:
    last = warm()
    heating = [20.0] * cold_min + [47.0] * 300
    last.compare_with(JOB.id, Curve("x", {"top": heating}, soak_s=60.0 * cold_min))

    assert (last.item(JOB) is not None) is told
    assert bool(last.lines(JOB)[1]) is told

    last.soaked(0.0)

    item = last.item(JOB)
    assert item is not None
    assert (item["since"], item["then_c"]) == ("soak", 47.0)
    assert last.lines(JOB)[1]["top"][-1] == 47.0


def test_after_the_soak_its_time_counts() -> None:
    """Then 49 before and 40 after minute 300; here the soak came 290 min earlier."""
    then = Curve("x", {"top": [49.0] * 300 + [40.0] * 300}, soak_s=17_700.0)
    last = warm()
    last.compare_with(JOB.id, then)
    last.soaked(300.0)
    item = last.item(JOB)
    assert item is not None
    # Minutes 2 to 11 here are minutes 292 to 301 there: eight of 49, two of 40.
    assert (item["since"], item["then_c"]) == ("soak", 47.2)
    last.soaked(None)
    item = last.item(JOB)
    assert item is not None
    assert (item["since"], item["then_c"]) == ("start", 49.0)


def test_a_pause_is_left_out_of_the_clock() -> None:
    """Twenty minutes paused and cold: the minutes before and after follow each other."""
    last = LastSound()
    for second in range(400):
        last.seen(view(1000.0 + second, JOB, top=47.0))
    paused = replace(JOB, state=JobPhase.PAUSED, paused_since_s=1400.0)
    for second in range(400, 1600):
        last.seen(view(1000.0 + second, paused, top=25.0))
    again = replace(JOB, paused_s=1200.0)
    for second in range(1600, 1900):
        last.seen(view(1000.0 + second, again, top=47.0))
    last.compare_with(JOB.id, Curve("x", {"top": [47.0] * 11 + [0.0] * 100}))
    item = last.item(again)
    assert item is not None
    assert item["difference_k"] == 0.0


def test_the_other_jobs_minutes_stand_beside_the_last_hour() -> None:
    last = warm(minutes=100)
    assert last.lines(JOB) == ([], {})
    column = [40.0] + [float(minute) for minute in range(1, 90)]  # it began as warm
    last.compare_with(JOB.id, Curve("x", {"top": column, "low": []}, soak_s=600.0))
    times_s, columns = last.lines(JOB)
    assert len(times_s) == 61
    assert times_s[-1] == 1000.0 + 100 * 60.0 + 30.0
    assert columns["top"] == [*column[40:], *[None] * 11]
    assert set(columns["low"]) == {None}
    last.soaked(1200.0)  # ten minutes later than then
    assert last.lines(JOB)[1]["top"] == [*column[30:], None]
    assert last.lines(replace(JOB, state=JobPhase.COOLING)) == ([], {})
    assert last.lines(None) == ([], {})


def test_a_new_job_begins_anew() -> None:
    last = warm()
    other = replace(JOB, id="north-bench-8", started_s=2000.0)
    last.seen(view(2000.0, other, top=47.0))
    last.compare_with(other.id, curve())
    assert last.item(other) is None


@pytest.mark.parametrize(
    ("at_s", "clock"),
    [(100.0, 0.0), (150.0, 50.0), (200.0, 50.0), (300.0, 100.0), (700.0, 450.0)],
)
def test_a_jobs_own_clock(at_s: float, clock: float) -> None:
    """From 100 s, paused from 150 to 250 and from 300 to 350 s."""
    pauses = [(150.0, 250.0), (300.0, 350.0)]
    assert clock_s(at_s, 100.0, pauses) == clock


@pytest.mark.parametrize(
    ("changes", "same"),
    [
        pytest.param({}, True, id="the same"),
        pytest.param({"name": "six  rigger Spacers"}, True, id="typed otherwise"),
        pytest.param({"id": JOB.id}, False, id="itself"),
        pytest.param({"name": "Fin box"}, False, id="another part"),
        pytest.param({"material": "ASA"}, False, id="another material"),
        pytest.param({"chamber": "south-bench"}, False, id="another chamber"),
        pytest.param({"box": "simulated 1"}, False, id="a simulated one"),
        pytest.param({"box": ""}, False, id="of a box that isn't known"),
    ],
)
def test_same_part(changes: dict[str, str], same: bool) -> None:
    other = replace(JOB, **{"id": "north-bench-3", **changes})  # type: ignore[arg-type]  # of str alone
    assert same_part(JOB, other) is same
    for unknown in ("", "recorded 1"):  # a recording may be of a simulated box
        assert not same_part(replace(JOB, box=unknown), replace(other, box=unknown))
