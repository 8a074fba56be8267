"""Which stretches become films: of events that follow each other one; of a job few pictures."""

from __future__ import annotations

import math
from itertools import pairwise

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
    kept_of,
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


@pytest.mark.parametrize("hours", [0.05, 1.0, 7.0, 60.0])
def test_a_time_lapse_has_at_most_thirty_seconds_of_pictures_evenly_apart(hours: float) -> None:
    spacing = Spacing()
    taken: list[float] = []
    for tick in range(round(hours * 3600 * 2)):
        if spacing.due(tick / 2):
            taken.append(tick / 2)
            if len(taken) > MOST_PICTURES:
                taken = [taken[n] for n in kept_of(len(taken))]
                spacing.thinned()
    assert len(taken) <= MOST_PICTURES
    apart = [b - a for a, b in pairwise(taken)]
    assert max(apart) <= 2 * min(apart)
    assert len(taken) >= min(MOST_PICTURES / 2 - 1, hours * 3600 / FIRST_EVERY_S)


@pytest.mark.parametrize("hours", [0.5, 4.0, 12.0])
@pytest.mark.parametrize("size_bytes", [500, 12_000, 40_000])
@pytest.mark.parametrize("layer_s", [None, 7.0])
def test_the_larger_its_pictures_are_the_fewer_come(
    hours: float, size_bytes: int, layer_s: float | None
) -> None:
    spacing = Spacing()
    written_bytes = count = 0
    for tick in range(round(hours * 3600 * 2)):
        t_s = tick / 2
        if spacing.due(t_s, None if layer_s is None else math.floor(t_s / layer_s) * 0.2):
            spacing.took(size_bytes)
            count += 1
            written_bytes += size_bytes
            if count > MOST_PICTURES:
                count = len(kept_of(count))
                written_bytes += count * size_bytes  # those that stay go into a new file
                spacing.thinned()
    # Half as much again where a thinning has just been, and less and less before the next.
    assert written_bytes <= 1.6 * hours * 3600 * BYTES_PER_S + size_bytes


def test_a_picture_just_after_a_layer_is_preferred() -> None:
    spacing = Spacing()
    taken = [
        t_s
        for tick in range(200)
        if spacing.due(t_s := tick / 2, height_mm=math.floor(t_s / 7.0) * 0.2)  # a layer in 7 s
    ]
    assert all(t_s % 7.0 == 0.0 for t_s in taken)
    assert taken[:4] == [0.0, 7.0, 14.0, 21.0]


@pytest.mark.parametrize("count", [1, 2, 301, 302])
def test_of_those_thinned_out_the_newest_stays(count: int) -> None:
    stay = list(kept_of(count))
    assert stay[-1] == count - 1
    assert len(stay) == (count + 1) // 2
