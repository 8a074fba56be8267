"""Which stretches become films: of events that follow each other one; of a job few pictures."""

from __future__ import annotations

import math
from itertools import accumulate, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.media.cutting import (
    AFTER_S,
    BEFORE_S,
    BYTES_PER_S,
    FILMED,
    FIRST_EVERY_S,
    LONGEST_S,
    MOST_PICTURES,
    REST_S,
    Cut,
    Cutter,
    Spacing,
    evenly,
)
from stillair.model import Kind

Told = tuple[float, Kind, str | None]
JOB, OTHER = "shed-1", "shed-2"


def cuts_of(told: list[Told]) -> list[Cut]:
    """All films that these events make; each ends by the clock before the next event comes."""
    cutter = Cutter()
    found: list[Cut] = []
    for number, (at_s, kind, job) in enumerate(told, start=1):
        if cutter.open is not None and at_s > cutter.open.to_s:
            cutter.open = None
        cut = cutter.happened(number, kind, at_s, job)
        if cut is not None and all(cut is not each for each in found):
            found.append(cut)
    return found


@pytest.mark.parametrize(
    ("told", "spans", "events"),
    [
        pytest.param(
            [(100.0, Kind.SMOKE, None)], [(70.0, 160.0)], [[1]], id="30 s before to 60 s after"
        ),
        pytest.param(
            [(100.0, Kind.SMOKE, None), (130.0, Kind.FIRE, None)],
            [(70.0, 190.0)],
            [[1, 2]],
            id="a second one within goes on: one film, both named",
        ),
        pytest.param(
            [(100.0, Kind.DOOR_OPEN, None), (161.0, Kind.DOOR_OPEN, None)],
            [(70.0, 160.0), (131.0, 221.0)],
            [[1], [2]],
            id="one after its end has a film of its own",
        ),
        pytest.param(
            [(100.0, Kind.DOOR_OPEN, JOB), (130.0, Kind.DOOR_OPEN, OTHER)],
            [(70.0, 130.0), (100.0, 190.0)],
            [[1], [2]],
            id="another job's never shares one",
        ),
        pytest.param(
            [(100.0 + 50.0 * n, Kind.SMOKE, None) for n in range(12)],
            [(70.0, 650.0), (620.0, 710.0)],
            [list(range(1, 12)), [12]],
            id="ten minutes at most: the twelfth begins the next",
        ),
        pytest.param(
            [(100.0 + 50.0 * n, Kind.DOOR_OPEN, None) for n in range(30)],
            [(70.0, 660.0)],
            [list(range(1, 12))],
            id="a door that flaps has one of ten minutes, and then a rest",
        ),
        pytest.param(
            [
                *((100.0 + 50.0 * n, Kind.DOOR_OPEN, None) for n in range(14)),
                (760.0, Kind.FLAME, None),
            ],
            [(70.0, 660.0), (730.0, 820.0)],
            [list(range(1, 12)), [15]],
            id="danger has one in that rest too",
        ),
        pytest.param(
            [(100.0, Kind.BELOW_TARGET, JOB), (101.0, Kind.STORE_FAULT, None)],
            [],
            [],
            id="what no picture shows has none",
        ),
    ],
)
def test_films_of_events(
    told: list[Told], spans: list[tuple[float, float]], events: list[list[int]]
) -> None:
    cuts = cuts_of(told)
    assert [(cut.from_s, cut.to_s) for cut in cuts] == spans
    assert [[moment.event for moment in cut.moments] for cut in cuts] == events


def test_after_the_rest_a_door_has_films_again() -> None:
    told: list[Told] = [(100.0 + 50.0 * n, Kind.DOOR_OPEN, None) for n in range(12)]
    told.append((650.0 + REST_S, Kind.DOOR_OPEN, None))
    assert [cut.moments[0].event for cut in cuts_of(told)] == [1, 13]


@given(
    st.lists(
        st.tuples(
            st.floats(0.0, 300.0), st.sampled_from(sorted(FILMED)), st.sampled_from([None, JOB])
        ),
        max_size=60,
    )
)
def test_no_film_is_too_long_and_danger_is_always_in_one(
    steps: list[tuple[float, Kind, str | None]],
) -> None:
    at_s = 0.0
    told: list[Told] = []
    for step_s, kind, job in steps:
        at_s += step_s
        told.append((at_s, kind, job))
    cuts = cuts_of(told)
    for cut in cuts:
        assert cut.to_s - cut.from_s <= LONGEST_S
        for moment in cut.moments[:1]:
            assert cut.from_s == moment.at_s - BEFORE_S
            assert cut.to_s <= cut.moments[-1].at_s + AFTER_S
    shown = {moment.event for cut in cuts for moment in cut.moments}
    dangers = {n for n, (_, kind, _) in enumerate(told, 1) if kind in (Kind.FIRE, Kind.SMOKE)}
    full = any(len(cut.moments) == 50 for cut in cuts)
    assert full or dangers <= shown


def test_a_film_is_called_by_the_danger_in_it() -> None:
    (cut,) = cuts_of([(100.0, Kind.DOOR_OPEN, None), (110.0, Kind.SMOKE, None)])
    assert cut.danger
    assert cut.kind == "smoke"


# --- time-lapses -------------------------------------------------------------------


def taken(
    hours: float, *, every_s: float = 0.5, size_bytes: int = 0, layer_s: float | None = None
) -> list[float]:
    """When a job's pictures are taken, where one could be each `every_s`."""
    spacing = Spacing()
    found: list[float] = []
    for tick in range(round(hours * 3600 / every_s)):
        t_s = tick * every_s
        if spacing.due(t_s, None if layer_s is None else math.floor(t_s / layer_s) * 0.2):
            spacing.took(size_bytes)
            found.append(t_s)
    return found


@pytest.mark.parametrize("hours", [0.05, 1.0, 7.0, 60.0])
def test_a_time_lapse_has_at_most_thirty_seconds_of_pictures_evenly_apart(hours: float) -> None:
    times_s = taken(hours)
    shown_s = [times_s[place] for place in evenly(times_s)]
    assert shown_s[-1] == times_s[-1], "the part as it is now"
    assert len(shown_s) <= MOST_PICTURES
    assert len(shown_s) >= min(MOST_PICTURES / 2, hours * 3600 / FIRST_EVERY_S)
    apart = [b - a for a, b in pairwise(shown_s)]
    assert max(apart) <= 2 * min(apart)


@pytest.mark.parametrize("hours", [0.5, 4.0, 12.0])
@pytest.mark.parametrize("size_bytes", [500, 12_000, 40_000])
@pytest.mark.parametrize("layer_s", [None, 7.0, 40.0])
def test_the_larger_its_pictures_are_the_fewer_come(
    hours: float, size_bytes: int, layer_s: float | None
) -> None:
    written_bytes = size_bytes * len(taken(hours, size_bytes=size_bytes, layer_s=layer_s))
    assert written_bytes <= hours * 3600 * BYTES_PER_S + size_bytes


@pytest.mark.parametrize("size_bytes", [500, 12_000, 40_000])
def test_a_job_of_days_wears_the_card_little_more_than_one_of_an_afternoon(size_bytes: int) -> None:
    afternoon, days = (len(taken(hours, every_s=5.0, size_bytes=size_bytes)) for hours in (5, 60))
    assert days <= afternoon + MOST_PICTURES * math.log(60 / 5) + 1


@pytest.mark.parametrize(
    ("layer_s", "apart_s"),
    [
        pytest.param(7.0, 14.0, id="every second one, where they come fast"),
        pytest.param(24.0, 24.0, id="each"),
        pytest.param(40.0, 25.0, id="and between, where they are long"),
    ],
)
def test_a_picture_just_after_a_layer_is_preferred(layer_s: float, apart_s: float) -> None:
    times_s = taken(0.1, layer_s=layer_s)
    assert times_s[:2] == [0.0, apart_s]
    layers = range(0, 360, round(max(layer_s, apart_s)))
    assert {t_s for t_s in times_s if t_s % layer_s == 0.0} == set(layers)


@given(
    st.lists(st.floats(0.5, 1e5), min_size=1, max_size=80).map(
        lambda steps: list(accumulate(steps))
    ),
    st.integers(1, 40),
)
def test_those_shown_are_as_many_as_fit_and_in_order(times_s: list[float], most: int) -> None:
    places = evenly(times_s, most)
    assert places == sorted(set(places))
    assert places[-1] == len(times_s) - 1
    assert len(places) == len(times_s) or len(places) <= most
