"""Lost heat told from made-up courses: of a creeping box, of none that only cycles or coasts."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillair.model import Change, Finding, JobPhase, Kind
from stillair.thermal import weighing
from stillair.thermal.air import AirTrack
from stillair.thermal.balance import Balance, BalanceMemory
from stillair.thermal.drops import DropWatch
from stillair.thermal.heating import Explain, HeatingWatch
from stillair.thermal.hypotheses import CLEAR_LEAD, Cause, Verdict
from unit.air_courses import (
    BEADS,
    CANS,
    ROOM_C,
    Course,
    Feeler,
    Rig,
    cycles,
    gap,
    plus,
    ramp,
    stands_after,
)

T0 = 3600.0
HOUR_S = 3600.0
Airs = Mapping[str, Course] | Course


def creeping(
    off_s: float = T0,
    on_s: float = math.inf,
    *,
    level_c: float = 48.0,
    climb_s: float = 3000.0,
    cool_s: float = 1000.0,
    floor_share: float = 0.0,
) -> Course:
    """A box on the bed's heat alone: up to its level by one time constant, down by another.

    Without heat it falls to `floor_share` of its excess, until the heat is back.
    """

    def up(t_s: float) -> float:
        return level_c - (level_c - ROOM_C - 2.0) * math.exp(-t_s / climb_s)

    peak_c = up(off_s)
    floor_c = ROOM_C + floor_share * (peak_c - ROOM_C)

    def air_c(t_s: float) -> float:
        if t_s <= off_s:
            return up(t_s)
        fallen_c = floor_c + (peak_c - floor_c) * math.exp(-(min(t_s, on_s) - off_s) / cool_s)
        if t_s <= on_s:
            return fallen_c
        return peak_c - (peak_c - fallen_c) * math.exp(-(t_s - on_s) / climb_s)

    return air_c


def unexplained(_: Sequence[float]) -> Verdict | None:
    return None


def running(_: float) -> JobPhase | None:
    return JobPhase.RUNNING


def no(_: float) -> bool:
    return False


def watched(
    feelers: Sequence[Feeler],
    airs: Airs,
    until_s: float,
    *,
    seed: int = 1,
    target_c: float | None = None,
    job: Callable[[float], JobPhase | None] = running,
    explain: Explain = unexplained,
    cold_air: Callable[[float], bool] = no,
    good: Callable[[float, AirTrack], bool] = lambda *_: True,
) -> list[Finding]:
    """All findings of a watch of its own over a course."""
    watch = HeatingWatch(target_c)
    rig = Rig(feelers, airs, seed)
    findings: list[Finding] = []
    for t_s in rig.seconds(until_s):
        findings += watch.tick(
            t_s,
            [track for track in rig.tracks if good(t_s, track)],
            ROOM_C,
            job(t_s),
            explain=explain,
            cold_air=cold_air(t_s),
        )
    assert all(finding.kind is Kind.HEAT_LOST for finding in findings)
    return findings


def changes(findings: Sequence[Finding]) -> list[Change]:
    return [f.change for f in findings if f.change is not Change.REVISED]


def verdict(best: Cause, lead: float, *, ago_s: float = 160.0, at_edge: bool = False) -> Verdict:
    """A verdict for one cause, so far before lost heat, or before a draft where it is that."""
    rival = Cause.DRAFT if best is Cause.HEAT_LOST else Cause.HEAT_LOST
    scores = {best: 50.0, rival: 50.0 - lead, Cause.NOTHING: 0.0}
    return Verdict(scores, ago_s, 0.0, 4.0, (), at_edge)


FEELERS = [
    pytest.param(BEADS[:1], id="bead"),
    pytest.param(BEADS, id="3 beads"),
    pytest.param(CANS[:1], id="can"),
    pytest.param(CANS, id="3 cans"),
]

# --- lost heat -------------------------------------------------------------


@pytest.mark.parametrize("feelers", FEELERS)
@pytest.mark.parametrize(
    "cool_s",
    [
        pytest.param(600.0, id="10 % a minute"),
        pytest.param(1000.0, id="6 % a minute"),
        pytest.param(1500.0, id="4 % a minute"),
    ],
)
@pytest.mark.parametrize("seed", [1, 2])
def test_a_creeping_box_that_loses_its_heat_is_told_within_three_minutes(
    feelers: tuple[Feeler, ...], cool_s: float, seed: int
) -> None:
    """Three minutes of falling at the sensors, which follow the air by their lag."""
    findings = watched(feelers, creeping(cool_s=cool_s), T0 + 900.0, seed=seed)
    assert changes(findings) == [Change.RAISED]
    first = findings[0]
    lag_s = sum(feeler.tau_s for feeler in feelers) / len(feelers)
    assert first.at_s <= T0 + 180.0 + lag_s
    assert first.onset_s == pytest.approx(T0 + lag_s, abs=30.0)
    assert first.sensors == tuple(feeler.name for feeler in feelers)


@pytest.mark.parametrize("feelers", FEELERS)
def test_lost_heat_ends_when_the_air_turns(feelers: tuple[Feeler, ...]) -> None:
    on_s = T0 + 1200.0
    air = creeping(on_s=on_s)
    findings = watched(feelers, air, on_s + 1800.0)
    assert changes(findings) == [Change.RAISED, Change.CLEARED]
    last = findings[-1]
    assert last.end_s == pytest.approx(on_s, abs=60.0)
    assert "ended" not in last.detail
    lost_k = air(T0) - air(on_s)
    assert last.detail["drop_k"] == pytest.approx(lost_k, abs=0.6)
    assert last.detail["fastest_k_per_min"] == pytest.approx(-60.0 * lost_k / 1200.0, rel=0.6)


@pytest.mark.parametrize("feelers", FEELERS)
def test_what_goes_on_falling_is_told_anew_as_it_doubles(feelers: tuple[Feeler, ...]) -> None:
    findings = watched(feelers, creeping(), T0 + 1100.0)
    uncertain = [f for f in findings if f.detail["cause"] == "uncertain"]
    drops_k = [f.detail["drop_k"] for f in (findings[0], *findings[len(uncertain) + 1 :])]
    assert 2 <= len(findings) <= 4
    for earlier, later in pairwise(drops_k):
        assert isinstance(earlier, float) and isinstance(later, float)
        assert later >= 1.9 * earlier


@pytest.mark.parametrize("feelers", FEELERS)
def test_a_thermostat_box_that_loses_its_heat_leaves_its_band(feelers: tuple[Feeler, ...]) -> None:
    """It has cycled by 1 K every five minutes, and then falls 1.5 K a minute."""
    air = plus(cycles(50.0, 1.0, 300.0), ramp(0.0, -1.5, T0, T0 + 900.0))
    findings = watched(feelers, air, T0 + 600.0)
    assert changes(findings) == [Change.RAISED]
    assert T0 < findings[0].at_s <= T0 + 300.0


@pytest.mark.parametrize("feelers", FEELERS)
def test_it_settles_at_a_lower_level(feelers: tuple[Feeler, ...]) -> None:
    """One of two heaters is gone: the air holds 40 % less, and that is then how it is."""
    findings = watched(feelers, creeping(cool_s=600.0, floor_share=0.6), T0 + 2.0 * HOUR_S)
    assert changes(findings) == [Change.RAISED, Change.CLEARED]
    last = findings[-1]
    assert last.detail["ended"] == "the air holds a lower level: heat comes in again"
    assert last.end_s is not None
    assert last.end_s == last.at_s - 300.0
    assert T0 + 900.0 < last.end_s < T0 + 2400.0


def test_it_ends_where_no_heat_is_left() -> None:
    findings = watched(CANS, creeping(cool_s=600.0), T0 + 1.5 * HOUR_S)
    assert changes(findings) == [Change.RAISED, Change.CLEARED]
    assert findings[-1].detail["ended"] == "no heat is left that could be lost"
    assert findings[-1].end_s == findings[-1].at_s


def test_it_ends_when_the_job_is_over() -> None:
    over_s = T0 + 600.0
    findings = watched(
        CANS,
        creeping(),
        T0 + HOUR_S,
        job=lambda t_s: JobPhase.RUNNING if t_s < over_s else JobPhase.COOLING,
    )
    assert changes(findings) == [Change.RAISED, Change.CLEARED]
    assert findings[-1].at_s == pytest.approx(over_s, abs=10.0)
    assert findings[-1].detail["ended"] == "the job is over: the chamber is cooling down"


def test_heat_lost_a_second_time_is_told_a_second_time() -> None:
    first = creeping(on_s=T0 + 900.0)
    again_s = T0 + 2.5 * HOUR_S
    second = gap(first(again_s), 1.0, 1.0 / 1000.0, again_s)
    findings = watched(
        CANS, lambda t_s: first(t_s) if t_s < again_s else second(t_s), again_s + 600.0
    )
    assert changes(findings) == [Change.RAISED, Change.CLEARED, Change.RAISED]
    assert findings[-1].onset_s == pytest.approx(again_s + 29.0, abs=40.0)


def test_without_a_jobs_marks_it_says_so() -> None:
    marked = watched(CANS, creeping(), T0 + 400.0)
    unmarked = watched(CANS, creeping(), T0 + 400.0, job=lambda _: None)
    assert marked[0].detail["reason"] == "a bed that is set lower looks like this too"
    assert unmarked[0].detail["reason"] == "without a job's marks this may be the end of a job"


@pytest.mark.parametrize("feelers", [CANS[:1], CANS])
def test_what_could_not_be_weighed_is_not_sure(feelers: tuple[Feeler, ...]) -> None:
    first = watched(feelers, creeping(), T0 + 400.0)[0]
    assert (first.detail["cause"], first.detail["or"]) == ("uncertain", "draft")


# --- what is none ----------------------------------------------------------


@pytest.mark.parametrize("feelers", FEELERS)
@pytest.mark.parametrize(
    "air",
    [
        pytest.param(lambda _: 50.0, id="nothing but noise"),
        pytest.param(cycles(50.0, 1.0, 180.0), id="thermostat, 1 K in 3 min"),
        pytest.param(cycles(50.0, 2.0, 400.0), id="thermostat, 2 K in 7 min"),
        pytest.param(cycles(50.0, 2.0, 900.0), id="thermostat, 2 K in 15 min"),
        pytest.param(cycles(50.0, 3.0, 420.0), id="thermostat, 3 K in 7 min"),
        pytest.param(cycles(50.0, 1.5, 600.0, T0), id="its first cycles"),
        pytest.param(creeping(math.inf), id="creeping on"),
        pytest.param(creeping(cool_s=900.0, floor_share=0.93), id="bed set 5 K lower"),
        pytest.param(gap(50.0, 0.06, 0.01, T0), id="2 K lower"),
        pytest.param(gap(50.0, 0.12, 0.02, T0), id="4 K lower, but soon through"),
        pytest.param(lambda t_s: 65.0 - (t_s / 1500.0) ** 2, id="ever faster, from no instant on"),
        pytest.param(ramp(50.0, -0.15, T0 - 1800.0), id="the room cools down"),
        pytest.param(gap(50.0, 0.4, 0.05, T0, T0 + 75.0), id="a door, were it not told"),
        pytest.param(creeping(level_c=23.0), id="hardly warmer than the room"),
    ],
)
def test_nothing_is_told_of(feelers: tuple[Feeler, ...], air: Course) -> None:
    assert watched(feelers, air, T0 + HOUR_S) == []


@pytest.mark.parametrize("feelers", FEELERS)
def test_a_chamber_above_its_target_coasts_down_to_it(feelers: tuple[Feeler, ...]) -> None:
    """From 40 to 36 degrees, where the target is 35; the same where it is 45 is lost heat."""
    air = creeping(cool_s=900.0, floor_share=0.75)
    assert air(T0) == pytest.approx(40.2, abs=0.1)
    assert watched(feelers, air, T0 + HOUR_S, target_c=35.0) == []
    assert changes(watched(feelers, air, T0 + HOUR_S, target_c=45.0))[:1] == [Change.RAISED]


@pytest.mark.parametrize("job", [JobPhase.COOLING, JobPhase.FINISHED])
def test_after_a_job_it_may_cool_down(job: JobPhase) -> None:
    assert watched(CANS, creeping(), T0 + HOUR_S, job=lambda _: job) == []


def test_what_falls_at_one_sensor_only_is_no_lost_heat() -> None:
    airs: dict[str, Course] = {"a": creeping(), "b": creeping(), "c": creeping(math.inf)}
    assert watched(CANS, airs, T0 + HOUR_S) == []


def test_a_door_stands_before_lost_heat_and_for_four_minutes_more() -> None:
    shut_s = T0 + 60.0
    findings = watched(CANS, creeping(), T0 + 900.0, cold_air=lambda t_s: T0 < t_s <= shut_s)
    assert changes(findings) == [Change.RAISED]
    assert shut_s + 240.0 <= findings[0].at_s <= shut_s + 300.0
    assert watched(CANS, creeping(), T0 + 900.0, cold_air=lambda t_s: t_s > T0) == []


@pytest.mark.parametrize("lost", [True, False])
def test_a_sensor_that_breaks_off_moves_the_mean_but_not_the_air(lost: bool) -> None:
    """The warmest of three, 6 K above the others: the mean falls 2 K at once."""
    off_s = T0 if lost else math.inf
    airs: dict[str, Course] = {
        "a": plus(creeping(off_s), lambda _: 6.0),
        "b": creeping(off_s),
        "c": creeping(off_s),
    }
    findings = watched(
        CANS, airs, T0 + 900.0, good=lambda t_s, track: track.name != "a" or t_s < T0 + 60.0
    )
    assert changes(findings) == ([Change.RAISED] if lost else [])
    if lost:
        assert findings[0].onset_s == pytest.approx(T0 + 30.0, abs=30.0)
        drop_k = findings[0].detail["drop_k"]
        assert isinstance(drop_k, float) and drop_k < 5.0


# --- the last word ---------------------------------------------------------


@pytest.mark.parametrize("cause", [Cause.DOOR, Cause.DRAFT, Cause.MIXING])
def test_what_is_clearly_something_else_is_not_told(cause: Cause) -> None:
    clear, close = verdict(cause, CLEAR_LEAD + 0.1), verdict(cause, CLEAR_LEAD - 0.1)
    assert watched(CANS, creeping(), T0 + 600.0, explain=lambda _: clear) == []
    findings = watched(CANS, creeping(), T0 + 600.0, explain=lambda _: close)
    assert changes(findings) == [Change.RAISED]
    if cause is not Cause.MIXING:  # which is no kind of event
        assert findings[0].detail["cause"] == "uncertain"
        assert findings[0].detail["or"] == cause.value


@pytest.mark.parametrize("at_edge", [True, False])
def test_the_fitted_onset_counts_unless_it_is_the_last_that_was_tried(at_edge: bool) -> None:
    fitted = verdict(Cause.HEAT_LOST, 12.0, ago_s=177.0, at_edge=at_edge)
    first = watched(CANS, creeping(cool_s=600.0), T0 + 400.0, explain=lambda _: fitted)[0]
    assert (first.onset_s == first.at_s - 177.0) != at_edge
    assert first.detail["cause"] == "clear"
    lead = first.detail["lead"]
    assert isinstance(lead, float) and CLEAR_LEAD < lead < 12.0, "a step comes nearer than a draft"


def test_it_becomes_clear_once_no_step_goes_so_far() -> None:
    findings = watched(CANS, creeping(), T0 + HOUR_S)
    assert (findings[0].detail["cause"], findings[0].detail["or"]) == ("uncertain", "draft")
    clear = next(f for f in findings if f.detail["cause"] == "clear")
    assert clear.change is Change.REVISED
    assert "or" not in clear.detail and "reason" not in clear.detail
    lead = clear.detail["lead"]
    assert isinstance(lead, float) and lead >= CLEAR_LEAD
    later = findings[findings.index(clear) :]
    assert {f.detail["cause"] for f in later} == {"clear"}, "and stays so"


def test_air_that_stood_still_needs_two_minutes() -> None:
    first = watched(BEADS, creeping(climb_s=600.0, cool_s=1200.0), T0 + 400.0)[0]
    assert first.at_s <= T0 + 145.0


def test_in_an_announced_pause_more_has_to_be_gone() -> None:
    air = creeping(cool_s=1500.0)
    paused = watched(BEADS, air, T0 + 900.0, job=lambda _: JobPhase.PAUSED)[0]
    running_ = watched(BEADS, air, T0 + 900.0)[0]
    drops_k = [f.detail["drop_k"] for f in (running_, paused)]
    assert all(isinstance(drop_k, float) for drop_k in drops_k)
    assert running_.at_s < paused.at_s <= T0 + 260.0
    assert float(str(drops_k[1])) >= 0.12 * (air(T0) - ROOM_C) - 0.1


def test_air_that_swung_needs_more_than_two_minutes() -> None:
    lost = creeping(climb_s=600.0, cool_s=1200.0)
    swing = cycles(0.0, 1.8, 300.0)

    def air_c(t_s: float) -> float:
        return lost(t_s) + swing(min(t_s, T0))

    first = watched(BEADS, air_c, T0 + 400.0)[0]
    assert T0 + 150.0 < first.at_s <= T0 + 260.0


def learned(cooling_per_min: float | None, heat_k_per_min: float | None = None) -> Balance:
    return Balance(
        BalanceMemory(cooling_per_min=cooling_per_min, heat_k_per_min=heat_k_per_min, coolings=3.0)
    )


@pytest.mark.parametrize(
    ("balance", "told"),
    [
        pytest.param(learned(None), True, id="nothing learned yet"),
        pytest.param(learned(0.04), True, id="as fast as it cools without heat"),
        pytest.param(learned(0.2), False, id="a fifth as fast: some of the heat only"),
        pytest.param(learned(0.2, 3.0), False, id="most of its usual 3 K/min is there"),
        pytest.param(learned(0.2, 50.0), True, id="colder than such a heat would let it be"),
    ],
)
def test_what_falls_slower_than_its_losses_make_it_has_not_lost_all_heat(
    balance: Balance, told: bool
) -> None:
    watch, rig = HeatingWatch(None), Rig(CANS, creeping(cool_s=1500.0), 1)
    findings: list[Finding] = []
    for t_s in rig.seconds(T0 + 600.0):
        findings += watch.tick(
            t_s,
            rig.tracks,
            ROOM_C,
            JobPhase.RUNNING,
            explain=unexplained,
            cold_air=False,
            balance=balance,
        )
    assert bool(findings) == told


# --- its supply ------------------------------------------------------------


def supplied(
    supply: Callable[[float], bool | None],
    until_s: float,
    *,
    air: Course = lambda _: 50.0,
    job: Callable[[float], JobPhase | None] = running,
    heard: Callable[[float], bool] = lambda _: True,
) -> list[Finding]:
    watch, rig = HeatingWatch(None), Rig(CANS, air, 1)
    findings: list[Finding] = []
    for t_s in rig.seconds(until_s):
        findings += watch.tick(
            t_s,
            rig.tracks if heard(t_s) else (),
            ROOM_C,
            job(t_s),
            explain=unexplained,
            cold_air=False,
            supply_on=supply(t_s),
        )
    return findings


def off_between(start_s: float, end_s: float) -> Callable[[float], bool | None]:
    return lambda t_s: not start_s <= t_s < end_s


@pytest.mark.parametrize("heard", [True, False], ids=["sensors", "no sensor"])
def test_a_supply_that_goes_off_in_a_job_is_told_at_once_and_until_it_is_on(heard: bool) -> None:
    first, last = supplied(
        off_between(1000.0, 1300.0), 1600.0, heard=lambda t_s: heard or t_s < 900.0
    )
    assert (first.change, first.at_s, first.onset_s) == (Change.RAISED, 1000.0, 1000.0)
    assert (first.detail["cause"], first.detail["by"]) == ("clear", "supply")
    assert first.detail["reason"] == "its supply is switched off"
    assert (last.change, last.at_s, last.end_s) == (Change.CLEARED, 1300.0, 1300.0)
    assert last.detail["ended"] == "its supply is on again"


def test_heat_that_the_air_has_told_lost_becomes_clear_by_its_supply() -> None:
    told = supplied(off_between(T0 + 220.0, math.inf), T0 + 250.0, air=creeping())
    assert [f.change for f in told] == [Change.RAISED, Change.REVISED]
    assert told[1].at_s == T0 + 220.0
    assert told[1].onset_s == told[0].onset_s
    assert told[1].detail["by"] == "supply" and "or" not in told[1].detail


def test_a_supply_off_is_no_news_in_a_cold_chamber_or_after_a_job() -> None:
    off = off_between(1000.0, math.inf)
    assert supplied(off, 1400.0, air=lambda _: ROOM_C + 1.0) == []
    assert supplied(off, 1400.0, job=lambda _: JobPhase.COOLING) == []
    assert supplied(off, 1400.0, job=lambda _: None) == []
    over = supplied(off, 1400.0, job=lambda t: JobPhase.RUNNING if t < 1200.0 else JobPhase.COOLING)
    assert [f.change for f in over] == [Change.RAISED, Change.CLEARED]
    assert over[1].at_s == 1200.0


def test_a_supply_that_cant_be_read_any_more_leaves_the_end_to_the_air() -> None:
    told = supplied(lambda t_s: None if t_s >= 1100.0 else t_s < 1000.0, 1300.0)
    assert [f.change for f in told] == [Change.RAISED]
    told = supplied(lambda t_s: None if t_s >= 1100.0 else t_s < 1000.0, 2400.0)
    assert told[-1].detail["ended"] == "the air holds a lower level: heat comes in again"


def test_it_asks_about_falls_as_old_as_the_one_it_sees() -> None:
    asked: list[Sequence[float]] = []

    def explain(agos_s: Sequence[float]) -> None:
        asked.append(agos_s)

    first = watched(CANS, creeping(), T0 + 400.0, explain=explain)[0]
    age_s = first.at_s - first.onset_s
    assert len(asked) == 1
    assert min(asked[0]) < age_s < max(asked[0])


def test_light_air_without_its_heater_falls_at_once_and_then_with_the_walls() -> None:
    """Twice as far as the thermostat ever let it, fast at first: never mind that it slows down."""

    def air_c(t_s: float) -> float:
        swings_c = cycles(50.0, 3.0, 240.0)(min(t_s, T0))
        off_s = max(0.0, t_s - T0)
        return swings_c - 6.0 * -math.expm1(-off_s / 30.0) - 8.0 * -math.expm1(-off_s / 1500.0)

    findings = watched(BEADS, air_c, T0 + 400.0)
    assert [f.kind for f in findings if f.change is Change.RAISED] == [Kind.HEAT_LOST]
    assert findings[0].at_s <= T0 + 200.0


@pytest.mark.parametrize(
    "feelers", [pytest.param(BEADS, id="beads"), pytest.param(CANS, id="cans")]
)
def test_the_true_weighing_dates_a_loss_and_is_clear(feelers: tuple[Feeler, ...]) -> None:
    """By the explanations themselves: within 20 s of the heater's end."""
    balance = Balance()
    drops = DropWatch(balance)
    heating = HeatingWatch(None)
    rig = Rig(feelers, creeping(cool_s=800.0), 1)
    findings: list[Finding] = []
    for t_s in rig.seconds(T0 + 400.0):
        assert drops.tick(t_s, rig.tracks, ROOM_C, None, calm=True) == []
        findings += heating.tick(
            t_s,
            rig.tracks,
            ROOM_C,
            JobPhase.RUNNING,
            explain=lambda agos_s: weighing.explain(balance, rig.tracks, ROOM_C, agos_s),
            cold_air=drops.standing,
        )
    first = findings[0]
    assert first.onset_s == pytest.approx(T0, abs=20.0)
    assert first.detail["cause"] == "clear"
    lead = first.detail["lead"]
    assert isinstance(lead, float) and lead >= CLEAR_LEAD


# --- whatever comes --------------------------------------------------------


@settings(max_examples=30)
@given(
    st.lists(
        st.tuples(st.integers(20, 900), st.floats(-10.0, 90.0), st.sampled_from([None, *JobPhase])),
        min_size=1,
        max_size=8,
    ),
    st.none() | st.floats(20.0, 90.0),
    st.booleans(),
)
def test_whatever_comes_what_is_told_is_in_order_and_finite(
    course: list[tuple[int, float, JobPhase | None]], target_c: float | None, door: bool
) -> None:
    """Straight lines from level to level."""
    watch = HeatingWatch(target_c)
    track = AirTrack("a")
    findings: list[Finding] = []
    t_s, value_c = 0.0, course[0][1]
    for seconds, level_c, job in course:
        step_k = (level_c - value_c) / seconds
        for second in range(seconds):
            t_s += 1.0
            value_c += step_k
            track.push(round(value_c * 16.0) / 16.0, 1.0)
            if track.seconds > 3:
                cold_air = door and second < 20
                findings += watch.tick(
                    t_s, [track], ROOM_C, job, explain=unexplained, cold_air=cold_air
                )
    assert stands_after(findings) == watch.standing
