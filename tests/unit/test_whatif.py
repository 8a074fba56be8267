"""Two stories of one job, held against each other."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.errors import InputError
from stillair.model import Kind, Place
from stillair.runtime.again import Kept, Row, Told, story
from stillair.runtime.whatif import differences, table
from stillair.thermal.plan import SensorPlan, ThermalPlan
from stillair.watch import WatchPlan


def told(
    kind: Kind = Kind.DOOR_OPEN, at_s: float = 100.0, end_s: float | None = 160.0, subject: str = ""
) -> Told:
    return Told(kind, subject, at_s, at_s - 8.0, end_s, ("top",))


@pytest.mark.parametrize(
    ("before", "after", "what"),
    [
        pytest.param([], [], [], id="nothing at all"),
        pytest.param([told()], [told()], ["same"], id="alike"),
        pytest.param([told()], [told(at_s=101.5)], ["same"], id="1.5 s later is alike"),
        pytest.param([told()], [told(at_s=102.5)], ["same"], id="2.5 s later, too"),
        pytest.param([told()], [told(at_s=110.0)], ["changed"], id="10 s later"),
        pytest.param([told()], [told(end_s=None)], ["changed"], id="no longer over at the end"),
        pytest.param([told()], [told(end_s=162.5)], ["same"], id="over 2.5 s later"),
        pytest.param([told()], [told(end_s=7160.0)], ["changed"], id="over two hours later"),
        pytest.param([told(end_s=None)], [told(end_s=None)], ["same"], id="neither over"),
        pytest.param([told()], [told(Kind.DRAFT)], ["changed"], id="called otherwise"),
        pytest.param([], [told()], ["new"], id="new"),
        pytest.param([told()], [], ["gone"], id="gone"),
        pytest.param([told()], [told(at_s=900.0, end_s=960.0)], ["gone", "new"], id="two doors"),
        pytest.param(
            [told(Kind.SENSOR_FAULT, subject="top")],
            [told(Kind.SENSOR_FAULT, subject="low")],
            ["gone", "new"],
            id="another sensor",
        ),
        pytest.param(
            [told(), told(at_s=300.0, end_s=400.0)],
            [told(at_s=301.0, end_s=400.0)],
            ["gone", "same"],
            id="the nearer one is the same",
        ),
    ],
)
def test_differences(before: list[Told], after: list[Told], what: list[str]) -> None:
    found = differences(before, after)
    assert sorted(d.what for d in found) == sorted(what)
    differ = sum(w != "same" for w in what)
    told = f"{differ} of {len(what)} events differ" if differ else "Nothing differs"
    assert (told if what else "Neither way would anything") in table(found)


STORIES = st.lists(
    st.builds(
        lambda kind, at, lasts: Told(
            kind, "", at, at - 5.0, None if lasts is None else at + lasts, ()
        ),
        st.sampled_from([Kind.DOOR_OPEN, Kind.DRAFT, Kind.HEAT_LOST]),
        st.floats(0.0, 5000.0),
        st.none() | st.floats(0.0, 900.0),
    ),
    max_size=8,
)


@given(STORIES, STORIES)
def test_every_event_stands_in_just_one_line(before: list[Told], after: list[Told]) -> None:
    found = differences(before, after)
    assert sorted(map(id, before)) == sorted(id(d.before) for d in found if d.before)
    assert sorted(map(id, after)) == sorted(id(d.after) for d in found if d.after)
    assert all(
        (d.before is None) == (d.what == "new") and (d.after is None) == (d.what == "gone")
        for d in found
    )


@given(STORIES)
def test_a_story_is_like_itself(events: list[Told]) -> None:
    assert all(d.what == "same" for d in differences(events, [replace(e) for e in events]))


PLAN = WatchPlan("bench", "Bench", ThermalPlan((SensorPlan("top", Place.CHAMBER),), limit_c=80.0))


def rows(until_s: int = 3000) -> Iterator[Row]:
    """50 degrees, 75 from 1,000 s to 1,200 s, slowly."""
    for second in range(until_s):
        rise = min(25.0, max(0.0, (second - 600) / 16.0)) - max(0.0, (second - 1200) / 16.0)
        yield float(second), (50.0 + max(0.0, rise) + 0.0625 * (second % 2),)


def test_a_lower_limit_tells_more() -> None:
    as_it_is = story(PLAN, ["top"], rows())
    lower = replace(PLAN, thermal=replace(PLAN.thermal, limit_c=70.0))
    found = differences(as_it_is, story(lower, ["top"], rows()))
    assert [(d.what, d.after.kind) for d in found if d.after and d.what == "new"] == [
        ("new", Kind.OVER_TEMPERATURE)
    ]
    assert "over_temperature" in table(found)
    (item,) = [d.item() for d in found if d.what == "new"]
    assert item["before"] is None


def test_the_material_and_the_end_of_the_job_count() -> None:
    """Too warm for ASA, whose ceiling is 70; not any more once the job is over."""
    warm = story(PLAN, ["top"], rows(), Kept("ASA"))
    assert [e.kind for e in warm if e.kind is Kind.TOO_WARM] == [Kind.TOO_WARM]
    over = story(PLAN, ["top"], rows(), Kept("ASA", finish_s=500.0))
    assert Kind.TOO_WARM not in {e.kind for e in over}


def test_a_job_without_readings_is_refused() -> None:
    with pytest.raises(InputError, match="no readings"):
        story(PLAN, ["top"], ())


def test_of_a_stretch_in_which_nobody_watched_no_sensor_is_said_to_be_silent() -> None:
    there = [row for row in rows() if not 800.0 < row[0] < 1400.0]
    faults = [e for e in story(PLAN, ["top"], there) if e.kind is Kind.SENSOR_FAULT]
    assert faults
    unwatched = Kept(unwatched=[(800.0, 1400.5)])
    assert Kind.SENSOR_FAULT not in {e.kind for e in story(PLAN, ["top"], there, unwatched)}


def test_a_gap_of_a_year_is_passed_over() -> None:
    late = [(t_s + 3e7, values) for t_s, values in rows(100)]
    assert story(PLAN, ["top"], [*rows(100), *late]) is not None
