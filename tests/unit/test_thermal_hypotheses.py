"""Explanations weighed on courses whose cause, instant and size are known."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillair.thermal.air import AirTrack
from stillair.thermal.hypotheses import CLEAR_LEAD, Cause, Subject, Verdict, weigh
from unit.air_courses import BEADS, CANS, ROOM_C, Course, Feeler, Rig, gap, plus, ramp

T0 = 900.0
LEVEL_C = 50.0
AROUND_S = (-14, -8, -4, -2, -1, 0, 1, 2, 4, 8, 14)
WIDE_S = (-50, -35, -22, -12, -5, 0, 5, 12, 22, 35, 50)
SPREAD = 0.25

Airs = Mapping[str, Course] | Course


def subject(feeler: Feeler, track: AirTrack, age_s: int, spread: float = SPREAD) -> Subject:
    """One sensor, with its trend in the minute before."""
    back = age_s + 2
    trend = (track.mean_c(back, back + 8) - track.mean_c(back + 60, back + 68)) / 60.0
    return Subject(track, feeler.tau_s, spread, trend, float(feeler.period_s))


def weighed(
    feelers: Sequence[Feeler],
    airs: Airs,
    age_s: int,
    *,
    guess_off_s: int = 0,
    around_s: Sequence[int] = AROUND_S,
    seed: int = 1,
    spread: float = SPREAD,
    door_possible: bool = True,
    habit_per_h: float = 0.0,
) -> Verdict:
    """The verdict `age_s` after T0, where the onset is guessed so far off."""
    rig = Rig(feelers, airs, seed)
    rig.run(T0 + age_s)
    guess_s = age_s + guess_off_s
    verdict = weigh(
        [subject(f, t, guess_s, spread) for f, t in zip(feelers, rig.tracks, strict=True)],
        sorted({max(2, guess_s + around) for around in around_s}),
        ROOM_C,
        door_possible=door_possible,
        habit_per_h=habit_per_h,
    )
    assert verdict is not None
    return verdict


def at_one_side(share: float, elsewhere: float, rate_per_s: float) -> dict[str, Course]:
    return {
        name: gap(LEVEL_C, share if name == "a" else elsewhere, rate_per_s, T0) for name in "abc"
    }


def against(one: float, other: float) -> dict[str, Course]:
    """Air that falls by a share at one sensor and by another, perhaps negative, at the rest."""
    return at_one_side(one, other, 0.05)


FEELERS = [
    pytest.param(BEADS[:2], id="2 beads"),
    pytest.param(BEADS, id="3 beads"),
    pytest.param(CANS[:2], id="2 cans"),
    pytest.param(CANS, id="3 cans"),
]


@pytest.mark.parametrize("feelers", FEELERS)
@pytest.mark.parametrize(
    ("airs", "age_s", "best"),
    [
        pytest.param(gap(LEVEL_C, 0.4, 0.1, T0), 10, Cause.DOOR, id="door, 10 s ago"),
        pytest.param(gap(LEVEL_C, 0.4, 0.1, T0), 45, Cause.DOOR, id="door, 45 s ago"),
        pytest.param(gap(LEVEL_C, 0.6, 0.2, T0), 20, Cause.DOOR, id="wide door"),
        pytest.param(gap(LEVEL_C, 0.08, 0.05, T0), 60, Cause.DRAFT, id="gap of 14 changes/h"),
        pytest.param(at_one_side(0.25, 0.05, 0.05), 60, Cause.DRAFT, id="at one side"),
        pytest.param(ramp(LEVEL_C, -1.5, T0), 150, Cause.HEAT_LOST, id="5 % a minute"),
        pytest.param(ramp(LEVEL_C, -0.6, T0), 180, Cause.HEAT_LOST, id="2 % a minute"),
        pytest.param(gap(LEVEL_C, 0.3, 0.003, T0), 180, Cause.HEAT_LOST, id="to a lower level"),
        pytest.param(against(0.1, -0.1), 45, Cause.MIXING, id="falls here, rises there"),
        pytest.param(gap(LEVEL_C, -0.2, 0.05, T0), 45, Cause.HEAT, id="rises everywhere"),
        pytest.param(ramp(LEVEL_C, 2.0, T0), 150, Cause.HEAT, id="climbs everywhere"),
    ],
)
@pytest.mark.parametrize("seed", [1, 2])
def test_the_cause_is_best(
    feelers: tuple[Feeler, ...], airs: Airs, age_s: int, best: Cause, seed: int
) -> None:
    around_s = WIDE_S if age_s > 100 else AROUND_S
    verdict = weighed(feelers, airs, age_s, around_s=around_s, seed=seed)
    assert verdict.best is best
    assert verdict.scores[best] > 40.0
    assert verdict.lead > 0.0


@pytest.mark.parametrize("feelers", FEELERS)
@pytest.mark.parametrize("off_s", [-9, -3, 0, 3, 9])
@pytest.mark.parametrize(
    ("share", "rate_per_s"),
    [
        pytest.param(0.3, 0.2, id="door at once"),
        pytest.param(0.4, 0.1, id="door"),
        pytest.param(0.2, 0.05, id="wide gap"),
        pytest.param(0.1, 0.025, id="narrow gap"),
    ],
)
def test_instant_share_and_exchange_are_found_again(
    feelers: tuple[Feeler, ...], off_s: int, share: float, rate_per_s: float
) -> None:
    """L = r A / x: what was let in per hour, from rate and share.

    Where the true instant is among those tried, all is exact; else a neighbour of
    the rate may fit as well, and the exchange with it by a step of the grid.
    """
    verdict = weighed(feelers, gap(LEVEL_C, share, rate_per_s, T0), 60, guess_off_s=off_s)
    exact = off_s == 0
    assert not verdict.at_edge
    assert verdict.ago_s == pytest.approx(60.0, abs=1.5 if feelers[0].tau_s < 10.0 else 3.0)
    for part in verdict.parts:
        assert part.share == pytest.approx(share, rel=0.05 if exact else 0.15)
        assert part.amount_k == pytest.approx(share * (LEVEL_C - ROOM_C), rel=0.15)
    factor = verdict.exchange_per_h / (3600.0 * share * rate_per_s)
    assert 1.0 / 2.6 < factor < 2.6
    if exact:
        assert verdict.rate_per_s == rate_per_s
        assert factor == pytest.approx(1.0, abs=0.05)


def test_a_rate_between_those_of_the_grid_is_met_by_one_beside_it() -> None:
    verdict = weighed(BEADS, gap(LEVEL_C, 0.35, 0.07, T0), 45)
    assert verdict.best is Cause.DOOR
    assert verdict.rate_per_s in (0.05, 0.1)
    assert verdict.ago_s == pytest.approx(45.0, abs=3.0)
    assert verdict.exchange_per_h == pytest.approx(3600.0 * 0.35 * 0.07, rel=0.45)


def test_a_ramp_is_a_rate_of_nought_and_its_share_is_that_of_a_minute() -> None:
    verdict = weighed(CANS, ramp(LEVEL_C, -1.5, T0), 150, around_s=WIDE_S)
    assert verdict.rate_per_s == 0.0
    assert verdict.ago_s == pytest.approx(150.0, abs=5.0)
    assert verdict.exchange_per_h == pytest.approx(60.0 * 1.5 / (LEVEL_C - ROOM_C), rel=0.1)


def test_each_sensor_has_a_share_of_its_own() -> None:
    airs = {
        name: gap(LEVEL_C, share, 0.05, T0)
        for name, share in zip("abc", (0.3, 0.2, 0.1), strict=True)
    }
    verdict = weighed(BEADS, airs, 60)
    assert [part.track.name for part in verdict.parts] == ["a", "b", "c"]
    assert [part.share for part in verdict.parts] == pytest.approx([0.3, 0.2, 0.1], rel=0.1)
    gains = [part.gain for part in verdict.parts]
    assert gains == sorted(gains, reverse=True) and gains[-1] > 0.0


@pytest.mark.parametrize("after_s", [0, 3, 5, 8])
@pytest.mark.parametrize(
    "feelers", [pytest.param(BEADS, id="beads"), pytest.param(CANS, id="cans")]
)
def test_sensors_read_every_ten_seconds_find_the_instant_too(
    feelers: tuple[Feeler, ...], after_s: int
) -> None:
    """Whenever it falls between two readings."""
    seldom = tuple(replace(feeler, period_s=10) for feeler in feelers)
    verdict = weighed(seldom, gap(LEVEL_C, 0.4, 0.1, T0 + after_s), 60 + after_s)
    assert verdict.best is Cause.DOOR
    assert verdict.ago_s == pytest.approx(60.0, abs=2.0)


def test_lags_that_were_known_wrongly_are_found() -> None:
    """All change alike: a sensor thought half as slow as it is shows its true lag."""
    truth = (Feeler("a", 3.0), Feeler("b", 9.5))
    rig = Rig(truth, gap(LEVEL_C, 0.4, 0.2, T0), 3)
    rig.run(T0 + 50)
    thought = [Feeler("a", 3.0), Feeler("b", 4.5)]
    verdict = weigh(
        [subject(f, t, 50, 0.45) for f, t in zip(thought, rig.tracks, strict=True)],
        [50 + around for around in AROUND_S],
        ROOM_C,
    )
    assert verdict is not None
    quick, slow = verdict.parts
    assert slow.tau_s == 9.5
    assert quick.tau_s in (2.0, 3.0)


def test_the_trend_of_the_minute_before_is_no_fall() -> None:
    """Air that has been falling all along and goes on so: nothing has begun."""
    verdict = weighed(BEADS, ramp(LEVEL_C, -0.8, 0.0), 60, around_s=WIDE_S)
    assert verdict.best is Cause.NOTHING or verdict.scores[verdict.best] < 8.0


def test_a_door_on_a_warm_up_is_a_door() -> None:
    climb = ramp(0.0, 1.0, 0.0)
    verdict = weighed(BEADS, plus(climb, gap(35.0, 0.4, 0.1, T0)), 30)
    assert verdict.best is Cause.DOOR
    assert verdict.ago_s == pytest.approx(30.0, abs=2.0)
    assert verdict.parts[0].amount_k == pytest.approx(6.0, rel=0.1)


# --- how sure --------------------------------------------------------------


@pytest.mark.parametrize("feelers", FEELERS)
def test_the_greater_the_fall_the_further_is_a_door_before_nothing(
    feelers: tuple[Feeler, ...],
) -> None:
    scores = [
        weighed(feelers, gap(LEVEL_C, share, 0.1, T0), 20).scores[Cause.DOOR]
        for share in (0.02, 0.04, 0.08, 0.16, 0.32)
    ]
    assert scores == sorted(scores)
    assert scores[0] < 0.3 * scores[-1]


@pytest.mark.parametrize(
    ("rival", "shares"),
    [
        pytest.param(Cause.HEAT_LOST, (0.06, 0.12, 0.24, 0.48), id="lost heat"),
        pytest.param(Cause.DRAFT, (0.06, 0.12, 0.24, 0.48), id="draft"),
    ],
)
@pytest.mark.parametrize("feelers", FEELERS)
def test_the_more_air_is_let_in_the_further_is_a_door_before(
    feelers: tuple[Feeler, ...], rival: Cause, shares: tuple[float, ...]
) -> None:
    leads = []
    for share in shares:
        scores = weighed(feelers, gap(LEVEL_C, share, 0.1, T0), 30).scores
        leads.append(scores[Cause.DOOR] - scores[rival])
    assert leads == sorted(leads)
    assert leads[0] < leads[-1] - 2.0


def test_lead_over_names_only_who_is_asked_about() -> None:
    verdict = weighed(BEADS, gap(LEVEL_C, 0.4, 0.1, T0), 30)
    ordered = list(verdict.scores.values())
    assert verdict.lead == pytest.approx(ordered[0] - ordered[1])
    lost = verdict.scores[verdict.best] - verdict.scores[Cause.HEAT_LOST]
    assert verdict.lead_over(Cause.HEAT_LOST) == pytest.approx(lost)
    assert verdict.lead_over(Cause.HEAT_LOST, Cause.DRAFT) <= lost
    missing = [cause for cause in Cause if cause not in verdict.scores]
    assert verdict.lead_over(*missing) == verdict.scores[verdict.best]


@pytest.mark.parametrize(
    "feelers",
    [
        pytest.param(BEADS, id="beads"),
        pytest.param(CANS, id="cans"),
        pytest.param(tuple(Feeler(n, 4.5, 0.2, 0.25) for n in "ab"), id="coarse and noisy"),
        pytest.param((Feeler("a", 28.0, 0.003),), id="one that hardly moves"),
    ],
)
def test_noise_is_nothing(feelers: tuple[Feeler, ...]) -> None:
    """In 120 courses of noise, weighed as those after a suspicion are, nothing gets firm."""
    best: list[float] = []
    for seed in range(40):
        rig = Rig(feelers, lambda _: LEVEL_C + 0.031, seed)
        rig.run(500)
        for age_s in (6, 25, 70):
            verdict = weigh(
                [subject(f, t, age_s) for f, t in zip(feelers, rig.tracks, strict=True)],
                sorted({max(2, age_s + around) for around in AROUND_S}),
                ROOM_C,
            )
            assert verdict is not None
            assert verdict.scores[Cause.NOTHING] == 0.0
            best.append(verdict.scores[verdict.best])
    assert max(best) < CLEAR_LEAD
    assert sum(score == 0.0 for score in best) > 0.95 * len(best)


# --- what is known beside the course ---------------------------------------


def test_where_a_switch_says_shut_it_is_no_door() -> None:
    verdict = weighed(BEADS, gap(LEVEL_C, 0.4, 0.1, T0), 30, door_possible=False)
    assert Cause.DOOR not in verdict.scores
    assert verdict.best is Cause.DRAFT


def test_what_a_chamber_does_by_habit_speaks_for_lost_heat() -> None:
    """A small box that loses 40 % a minute whenever its thermostat pauses: as 24 changes."""
    course = ramp(LEVEL_C, -12.0, T0)
    leads = []
    for habit_per_h in (0.0, 10.0, 24.0):
        scores = weighed(BEADS, course, 40, habit_per_h=habit_per_h).scores
        leads.append(scores[Cause.HEAT_LOST] - scores[Cause.DRAFT])
    assert leads == sorted(leads)
    assert leads[-1] > leads[0] + 1.0


def test_a_habit_of_less_than_any_box_may_do_changes_nothing() -> None:
    course = ramp(LEVEL_C, -1.5, T0)
    without, little = (weighed(CANS, course, 150, habit_per_h=h) for h in (0.0, 2.0))
    assert without.scores == little.scores


def test_an_instant_outside_of_what_is_tried_is_at_the_edge() -> None:
    early = weighed(BEADS, gap(LEVEL_C, 0.4, 0.1, T0), 60, guess_off_s=-35)
    late = weighed(BEADS, gap(LEVEL_C, 0.4, 0.1, T0), 20, guess_off_s=35)
    assert early.at_edge and early.ago_s == 60.0 - 35.0 + 14.0
    assert late.at_edge and late.ago_s == 20.0 + 35.0 - 14.0


def test_one_sensor_has_nobody_to_be_mixed_with() -> None:
    door = weighed(BEADS[:1], gap(LEVEL_C, 0.4, 0.1, T0), 30)
    heat = weighed(BEADS[:1], gap(LEVEL_C, -0.2, 0.05, T0), 30)
    assert (door.best, heat.best) == (Cause.DOOR, Cause.HEAT)
    assert Cause.MIXING not in door.scores and Cause.MIXING not in heat.scores
    assert len(door.parts) == len(heat.parts) == 1
    assert door.ago_s == pytest.approx(30.0, abs=1.5)
    assert door.exchange_per_h == pytest.approx(144.0, rel=0.1)


def test_sensors_too_young_are_left_out() -> None:
    rig = Rig(BEADS, gap(LEVEL_C, 0.4, 0.1, T0), 1)
    rig.run(T0 + 30)
    young = AirTrack("young")
    for _ in range(40):
        young.push(40.0, 1.0)
    agos = [30 + around for around in AROUND_S]
    subjects = [subject(f, t, 30) for f, t in zip(BEADS, rig.tracks, strict=True)]
    newcomer = Subject(young, 4.5, SPREAD, 0.0, 1.0)
    verdict = weigh([*subjects, newcomer], agos, ROOM_C)
    assert verdict is not None
    assert [part.track.name for part in verdict.parts] == ["a", "b", "c", "young"]  # 16 + 20 < 40
    verdict = weigh([*subjects, newcomer], [ago + 10 for ago in agos], ROOM_C)
    assert verdict is not None
    assert [part.track.name for part in verdict.parts] == ["a", "b", "c"]
    assert weigh([newcomer], [ago + 10 for ago in agos], ROOM_C) is None
    assert weigh([], agos, ROOM_C) is None


# --- whatever comes --------------------------------------------------------

values_c = st.floats(-300.0, 2000.0, allow_nan=False)
stretches = st.tuples(st.integers(1, 400), values_c | st.none(), st.floats(0.0, 50.0))
sensors = st.tuples(
    st.lists(stretches, min_size=1, max_size=5),
    st.floats(0.1, 1000.0),  # lag
    st.floats(0.05, 3.0),  # its spread
    st.floats(-5.0, 5.0),  # trend
    st.floats(1.0, 300.0),  # period
)


@settings(max_examples=120)
@given(
    st.lists(sensors, min_size=1, max_size=4),
    st.lists(st.integers(2, 600), min_size=1, max_size=11, unique=True),
    values_c,
    st.booleans(),
    st.floats(0.0, 100.0),
)
def test_whatever_the_course_scores_are_finite_and_sorted(
    chosen: list[tuple[list[tuple[int, float | None, float]], float, float, float, float]],
    agos: list[int],
    room_c: float,
    door_possible: bool,
    habit_per_h: float,
) -> None:
    subjects = []
    for number, (course, tau_s, spread, trend, period_s) in enumerate(chosen):
        track = AirTrack(f"s{number}")
        for seconds, value_c, ripple_k in course:
            for second in range(seconds):
                value = None if value_c is None else value_c + ripple_k * (second * 7 % 5)
                track.push(value, period_s)
        subjects.append(Subject(track, tau_s, spread, trend, period_s))
    verdict = weigh(
        subjects, sorted(agos), room_c, door_possible=door_possible, habit_per_h=habit_per_h
    )
    if verdict is None:
        return
    scores = list(verdict.scores.values())
    assert all(math.isfinite(score) for score in scores)
    assert scores == sorted(scores, reverse=True)
    assert verdict.scores[Cause.NOTHING] == 0.0
    assert door_possible or Cause.DOOR not in verdict.scores
    assert min(agos) <= verdict.ago_s <= max(agos)
    assert math.isfinite(verdict.exchange_per_h)
    for part in verdict.parts:
        assert math.isfinite(part.amount_k) and math.isfinite(part.share)
        assert math.isfinite(part.gain)
    assert verdict.lead >= 0.0
