"""Doors and drafts told from made-up courses: when, as what, with which figures, and till when."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillair.model import Change, Finding, Kind
from stillair.thermal.air import AirTrack
from stillair.thermal.balance import Balance, BalanceMemory, SensorMemory
from stillair.thermal.drops import DropWatch
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

T0 = 1500.0
LEVEL_C = 50.0
EXCESS_K = LEVEL_C - ROOM_C
Airs = Mapping[str, Course] | Course


def no(_: float) -> bool:
    return False


@dataclass
class Told:
    """What a watch told, and what it is like after it."""

    findings: list[Finding]
    watch: DropWatch
    balance: Balance

    def only(self, change: Change) -> Finding:
        (found,) = [f for f in self.findings if f.change is change]
        return found

    @property
    def kinds(self) -> list[Kind]:
        return [f.kind for f in self.findings if f.change is Change.RAISED]


def watched(
    feelers: Sequence[Feeler],
    airs: Airs,
    until_s: float,
    *,
    seed: int = 1,
    switch: Callable[[float], bool | None] = lambda _: None,
    calm: Callable[[float], bool] = lambda _: True,
    unheated: Callable[[float], bool] = no,
    room_c: float = ROOM_C,
    balance: Balance | None = None,
) -> Told:
    """All findings of a watch of its own over a course."""
    balance = balance or Balance()
    watch = DropWatch(balance)
    rig = Rig(feelers, airs, seed)
    findings: list[Finding] = []
    for t_s in rig.seconds(until_s):
        findings += watch.tick(
            t_s, rig.tracks, room_c, switch(t_s), calm=calm(t_s), unheated=unheated(t_s)
        )
    return Told(findings, watch, balance)


def shown(feeler: Feeler, air: Course, until_s: float) -> list[float]:
    """What a sensor would show each second without noise or steps."""
    rig = Rig([replace(feeler, noise_k=0.0, step_k=1e-6)], air, 0)
    return [rig.tracks[0].now_c for _ in rig.seconds(until_s)]


def number(finding: Finding, key: str) -> float:
    value = finding.detail[key]
    assert isinstance(value, int | float)
    return float(value)


def at_one_side(share: float, elsewhere: float, rate_per_s: float, end_s: float) -> Airs:
    return {
        name: gap(LEVEL_C, share if name == "a" else elsewhere, rate_per_s, T0, end_s)
        for name in "abc"
    }


def again(share: float, rate_per_s: float, start_s: float, end_s: float) -> Course:
    """One more gap, on top of what else goes on."""
    course = gap(LEVEL_C, share, rate_per_s, start_s, end_s)
    return lambda t_s: course(t_s) - LEVEL_C


SEVERAL = [
    pytest.param(BEADS[:2], id="2 beads"),
    pytest.param(BEADS, id="3 beads"),
    pytest.param(CANS[:2], id="2 cans"),
    pytest.param(CANS, id="3 cans"),
]
ANY = [pytest.param(BEADS[:1], id="bead"), pytest.param(CANS[:1], id="can"), *SEVERAL]


def delay_s(feelers: Sequence[Feeler]) -> float:
    return 8.0 if feelers[0].tau_s < 10.0 else 20.0


def near_s(feelers: Sequence[Feeler]) -> float:
    """How near onset and end have to be."""
    return 5.0 if feelers[0].tau_s < 10.0 else 15.0


# --- a door ----------------------------------------------------------------


@pytest.mark.parametrize("feelers", ANY)
@pytest.mark.parametrize(
    ("share", "rate_per_s", "open_s"),
    [
        pytest.param(0.4, 0.1, 30.0, id="30 s"),
        pytest.param(0.4, 0.1, 75.0, id="75 s"),
        pytest.param(0.4, 0.1, 400.0, id="400 s"),
        pytest.param(0.6, 0.2, 75.0, id="wide open"),
        pytest.param(0.3, 0.2, 60.0, id="quick"),
    ],
)
@pytest.mark.parametrize("seed", [1, 2])
def test_a_door_is_told_once_soon_and_till_it_is_shut(
    feelers: tuple[Feeler, ...], share: float, rate_per_s: float, open_s: float, seed: int
) -> None:
    shut_s = T0 + open_s
    told = watched(feelers, gap(LEVEL_C, share, rate_per_s, T0, shut_s), shut_s + 900.0, seed=seed)
    assert told.kinds == [Kind.DOOR_OPEN]
    first, last = told.only(Change.RAISED), told.only(Change.CLEARED)
    assert T0 < first.at_s <= T0 + delay_s(feelers)
    assert {f.kind for f in told.findings} == {Kind.DOOR_OPEN}
    for finding in told.findings:
        assert finding.onset_s == pytest.approx(T0, abs=near_s(feelers))
    assert last.end_s == pytest.approx(shut_s, abs=near_s(feelers))
    assert last.at_s <= shut_s + (25.0 if feelers[0].tau_s < 10.0 else 45.0)
    assert set(last.sensors) == {feeler.name for feeler in feelers}
    assert not told.watch.standing


@pytest.mark.parametrize(
    "feelers", [pytest.param(BEADS, id="beads"), pytest.param(CANS, id="cans")]
)
def test_the_figures_of_a_door(feelers: tuple[Feeler, ...]) -> None:
    """Against the same course without noise at the sensor that lost most."""
    shut_s = T0 + 90.0
    air = gap(LEVEL_C, 0.4, 0.1, T0, shut_s)
    known = {f.name: SensorMemory(f.tau_s, 8.0) for f in feelers}
    told = watched(feelers, air, shut_s + 900.0, balance=Balance(BalanceMemory(known)))
    last = told.only(Change.CLEARED)
    assert last.end_s is not None
    truth = shown(feelers[0], air, shut_s + 900.0)  # the quickest loses most
    lost_k = [LEVEL_C - value_c for value_c in truth]
    assert number(last, "drop_k") == pytest.approx(max(lost_k), abs=0.3)
    fastest = max(later - now for now, later in zip(lost_k, lost_k[10:], strict=False)) * 6.0
    assert number(last, "fastest_k_per_min") == pytest.approx(-fastest, rel=0.1)
    minutes = sum(lost_k[: int(last.at_s)]) / 60.0
    assert number(last, "degree_minutes") == pytest.approx(minutes, rel=0.1)
    assert number(last, "air_changes_per_h") == pytest.approx(144.0, rel=0.1)
    back = next(i for i, k in enumerate(lost_k) if i > shut_s and k < 0.1 * max(lost_k))
    assert 0.7 < number(last, "recovery_s") / (back - last.end_s) < 1.8


def test_the_keys_of_what_is_told() -> None:
    told = watched(BEADS, gap(LEVEL_C, 0.4, 0.1, T0, T0 + 75.0), T0 + 600.0)
    figures = {"drop_k", "fastest_k_per_min", "degree_minutes", "air_changes_per_h"}
    for finding in told.findings:
        assert finding.detail["cause"] in ("clear", "uncertain")
        assert ("or" in finding.detail) == (finding.detail["cause"] == "uncertain")
        assert number(finding, "lead") > 0.0
        assert figures <= set(finding.detail)
        assert ("recovery_s" in finding.detail) == (finding.change is Change.CLEARED)
    assert told.findings[-1].detail["cause"] == "clear"
    drops = [number(finding, "drop_k") for finding in told.findings]
    assert drops == sorted(drops) and drops[-1] > drops[0] + 3.0


def test_a_deepening_fall_is_told_anew_but_not_every_second() -> None:
    told = watched(CANS, gap(LEVEL_C, 0.9, 0.01, T0, T0 + 400.0), T0 + 380.0)
    times = [finding.at_s for finding in told.findings]
    assert 2 <= len(times) <= 12
    assert all(later - earlier >= 5.0 for earlier, later in pairwise(times))


def test_a_door_on_the_warm_up() -> None:
    """Air that climbs 1 K a minute bends down; it is as warm as never before."""
    climb = ramp(0.0, 1.0, 0.0)
    air = plus(climb, gap(30.0, 0.6, 0.1, T0, T0 + 75.0))
    told = watched(BEADS, air, T0 + 600.0)
    assert told.kinds == [Kind.DOOR_OPEN]
    assert told.only(Change.RAISED).at_s <= T0 + 12.0
    assert told.only(Change.CLEARED).end_s == pytest.approx(T0 + 75.0, abs=8.0)


# --- a draft ---------------------------------------------------------------


@pytest.mark.parametrize("feelers", SEVERAL)
@pytest.mark.parametrize(
    ("share", "rate_per_s"),
    [
        pytest.param(0.1, 0.03, id="11 changes/h"),
        pytest.param(0.08, 0.05, id="14 changes/h"),
    ],
)
@pytest.mark.parametrize("seed", [1, 2])
def test_a_gap_is_a_draft_till_it_is_closed(
    feelers: tuple[Feeler, ...], share: float, rate_per_s: float, seed: int
) -> None:
    closed_s = T0 + 400.0
    told = watched(feelers, gap(LEVEL_C, share, rate_per_s, T0, closed_s), T0 + 900.0, seed=seed)
    assert told.kinds == [Kind.DRAFT]
    assert told.only(Change.RAISED).at_s <= T0 + 120.0
    last = told.only(Change.CLEARED)
    assert last.kind is Kind.DRAFT
    assert last.onset_s == pytest.approx(T0, abs=15.0)
    assert last.end_s == pytest.approx(closed_s, abs=near_s(feelers))
    assert number(last, "drop_k") == pytest.approx(share * EXCESS_K, abs=0.5)


@pytest.mark.parametrize("feelers", SEVERAL)
@pytest.mark.parametrize("seed", [1, 2])
def test_a_draft_at_one_side_names_that_sensor(feelers: tuple[Feeler, ...], seed: int) -> None:
    told = watched(feelers, at_one_side(0.2, 0.02, 0.03, T0 + 400.0), T0 + 900.0, seed=seed)
    assert told.kinds == [Kind.DRAFT]
    last = told.only(Change.CLEARED)
    assert {finding.kind for finding in told.findings} == {Kind.DRAFT}
    assert last.sensors == ("a",)
    assert last.end_s == pytest.approx(T0 + 400.0, abs=near_s(feelers))


@pytest.mark.parametrize("feelers", ANY)
def test_one_sensor_alone_is_not_sure_of_a_draft(feelers: tuple[Feeler, ...]) -> None:
    told = watched(feelers[:1], gap(LEVEL_C, 0.15, 0.05, T0, T0 + 400.0), T0 + 900.0)
    assert len(told.kinds) == 1
    for finding in told.findings:
        assert finding.kind in (Kind.DRAFT, Kind.DOOR_OPEN)
        assert finding.detail["cause"] == "uncertain"
        assert finding.detail["or"] in ("draft", "door_open", "heat_lost")
        assert finding.detail["or"] != finding.kind.value


@pytest.mark.parametrize("feelers", SEVERAL)
def test_a_door_opened_over_a_standing_draft(feelers: tuple[Feeler, ...]) -> None:
    door_s = T0 + 300.0
    air = plus(gap(LEVEL_C, 0.1, 0.04, T0), again(0.4, 0.1, door_s, door_s + 75.0))
    told = watched(feelers, air, T0 + 900.0)
    assert told.kinds == [Kind.DRAFT, Kind.DOOR_OPEN]
    draft, door = [f for f in told.findings if f.change is Change.CLEARED]
    raised = [f for f in told.findings if f.change is Change.RAISED][1]
    assert raised.at_s <= door_s + delay_s(feelers)
    assert (draft.kind, draft.detail["ended"]) == (Kind.DRAFT, "a door was opened")
    assert draft.at_s == raised.at_s
    assert door.onset_s == pytest.approx(door_s, abs=near_s(feelers))
    assert door.end_s == pytest.approx(door_s + 75.0, abs=near_s(feelers))


@pytest.mark.parametrize("feelers", SEVERAL)
def test_a_door_opened_after_another_has_stood_for_long(feelers: tuple[Feeler, ...]) -> None:
    """What lowered the air for good, and was told as a door, hides no door twenty minutes on."""
    door_s = T0 + 1200.0
    air = plus(gap(LEVEL_C, 0.3, 0.1, T0), again(0.4, 0.1, door_s, door_s + 120.0))
    told = watched(feelers, air, door_s + 700.0)
    assert told.kinds == [Kind.DOOR_OPEN, Kind.DOOR_OPEN]
    raised = [f for f in told.findings if f.change is Change.RAISED][1]
    assert raised.at_s <= door_s + delay_s(feelers)
    assert raised.onset_s == pytest.approx(door_s, abs=near_s(feelers))


# --- several, and how they end ---------------------------------------------


@pytest.mark.parametrize("feelers", SEVERAL)
def test_a_second_door_minutes_later_is_a_second_door(feelers: tuple[Feeler, ...]) -> None:
    second_s = T0 + 300.0
    air = plus(gap(LEVEL_C, 0.4, 0.1, T0, T0 + 60.0), again(0.4, 0.1, second_s, second_s + 60.0))
    told = watched(feelers, air, T0 + 900.0)
    assert told.kinds == [Kind.DOOR_OPEN, Kind.DOOR_OPEN]
    ends = [f.end_s for f in told.findings if f.change is Change.CLEARED]
    assert ends == pytest.approx([T0 + 60.0, second_s + 60.0], abs=near_s(feelers))


@pytest.mark.parametrize("feelers", SEVERAL)
@pytest.mark.parametrize("back_per_s", [0.1, 0.02, 0.008])
def test_air_on_its_way_back_is_no_new_fall(feelers: tuple[Feeler, ...], back_per_s: float) -> None:
    """However slowly it comes, through what ripple: 0.3 K in 40 s."""
    air = gap(LEVEL_C, 0.4, 0.1, T0, T0 + 75.0, back_per_s=back_per_s)
    told = watched(feelers, plus(air, cycles(0.0, 0.3, 40.0)), T0 + 1200.0)
    assert told.kinds == [Kind.DOOR_OPEN]
    assert told.findings[-1].change is Change.CLEARED


@pytest.mark.parametrize("feelers", SEVERAL)
def test_a_door_held_ajar_that_falls_in_two_steps_is_one(feelers: tuple[Feeler, ...]) -> None:
    air = plus(gap(LEVEL_C, 0.3, 0.1, T0, T0 + 240.0), again(0.3, 0.1, T0 + 90.0, T0 + 240.0))
    told = watched(feelers, air, T0 + 900.0)
    assert told.kinds == [Kind.DOOR_OPEN]
    last = told.only(Change.CLEARED)
    assert last.onset_s == pytest.approx(T0, abs=near_s(feelers))
    assert last.end_s == pytest.approx(T0 + 240.0, abs=near_s(feelers))
    assert number(last, "drop_k") == pytest.approx(0.6 * EXCESS_K, abs=1.0)


@pytest.mark.parametrize("feelers", SEVERAL[:2])
@pytest.mark.parametrize("into_s", [25.0, 60.0, 95.0])
def test_a_door_within_a_thermostats_pause(feelers: tuple[Feeler, ...], into_s: float) -> None:
    """The pause has a bend of its own; the door is measured from the one that it makes."""
    swings = cycles(LEVEL_C, 4.0, 240.0)
    door_s = T0 + 240.0 - T0 % 240.0 + into_s
    told = watched(feelers, plus(swings, again(0.35, 0.1, door_s, door_s + 90.0)), door_s + 600.0)
    assert told.kinds == [Kind.DOOR_OPEN]
    assert told.only(Change.RAISED).at_s <= door_s + 25.0
    assert told.only(Change.RAISED).onset_s == pytest.approx(door_s, abs=8.0)


@pytest.mark.parametrize("feelers", SEVERAL[:2])
def test_a_fall_no_larger_than_rises_seen_before_is_their_mirror_image(
    feelers: tuple[Feeler, ...],
) -> None:
    """A lamp that warms the air, slowly let go at first, and then switched off at once."""

    def lamp_k(t_s: float, on_s: float, off_s: float, fades_s: float) -> float:
        up_k = 2.5 * -math.expm1(-max(0.0, min(t_s, off_s) - on_s) / 20.0)
        return up_k * math.exp(-max(0.0, t_s - off_s) / fades_s)

    def air_c(t_s: float) -> float:
        slow_k = sum(lamp_k(t_s, on_s, on_s + 400.0, 600.0) for on_s in (900.0, 3300.0))
        return LEVEL_C + slow_k + lamp_k(t_s, 6000.0, 6600.0, 20.0)

    assert watched(feelers, air_c, 7000.0).findings == []
    told = watched(feelers, gap(LEVEL_C, 0.085, 0.05, 6600.0), 7000.0)  # nothing rose before
    assert told.kinds == [Kind.DRAFT]


def test_a_fall_ends_though_the_sensor_that_lost_most_has_died() -> None:
    """What is left of it has lost too little to have been asked at first."""
    rig = Rig(BEADS[:2], at_one_side(0.3, 0.05, 0.1, T0 + 90.0), 1)
    watch = DropWatch()
    findings = []
    for t_s in rig.seconds(T0 + 600.0):
        if t_s > T0 + 60.0:
            rig.tracks[0].blank()
        tracks = [track for track in rig.tracks if track.seconds > 3]
        findings += watch.tick(t_s, tracks, ROOM_C, None, calm=True)
    assert [f.change for f in findings if f.change is not Change.REVISED] == [
        Change.RAISED,
        Change.CLEARED,
    ]


def test_one_low_reading_of_a_sensor_read_seldom_is_a_slip() -> None:
    """It is held for ten seconds, as if the air had fallen and stayed."""
    watch = DropWatch()
    tracks = [AirTrack("top"), AirTrack("low")]
    findings = []
    for second in range(1500):
        for track in tracks:
            slip_k = 10.0 if second == 1200 and track.name == "top" else 0.0
            value_c = LEVEL_C - slip_k + 0.0625 * (second // 10 % 2)
            track.push(None if second % 10 else value_c, 10.0)
        findings += watch.tick(float(second), tracks, ROOM_C, None, calm=True)
    assert findings == []


def test_a_door_left_open_settles_at_a_new_level() -> None:
    told = watched(CANS, gap(LEVEL_C, 0.3, 0.1, T0), T0 + 3600.0)
    assert told.kinds == [Kind.DOOR_OPEN]
    last = told.only(Change.CLEARED)
    assert last.detail["ended"] == "the air has settled at its new level"
    assert last.at_s - T0 == pytest.approx(2700.0, abs=60.0)
    assert last.end_s == last.at_s


def test_a_chamber_gone_cold_has_nothing_to_be_told_any_longer() -> None:
    told = watched(CANS, gap(LEVEL_C, 0.96, 0.02, T0), T0 + 1200.0)
    last = told.only(Change.CLEARED)
    ended = last.detail["ended"]
    assert isinstance(ended, str) and ended.startswith("too close to the room")
    cold_s = next(
        i for i, c in enumerate(shown(CANS[2], gap(LEVEL_C, 0.96, 0.02, T0), 3000.0)) if c < 23.0
    )
    assert last.at_s == pytest.approx(cold_s + 300.0, abs=20.0)


def test_sensors_that_break_off_leave_it_to_those_that_remain() -> None:
    watch = DropWatch()
    rig = Rig(CANS, gap(LEVEL_C, 0.4, 0.1, T0, T0 + 120.0), 1)
    findings: list[Finding] = []
    for t_s in rig.seconds(T0 + 900.0):
        tracks = rig.tracks if t_s < T0 + 60.0 else rig.tracks[1:]
        findings += watch.tick(t_s, tracks, ROOM_C, None, calm=True)
    assert [f.change for f in findings if f.change is not Change.REVISED] == [
        Change.RAISED,
        Change.CLEARED,
    ]
    assert findings[-1].end_s == pytest.approx(T0 + 120.0, abs=15.0)


# --- what is neither -------------------------------------------------------


@pytest.mark.parametrize("feelers", ANY)
@pytest.mark.parametrize(
    "air",
    [
        pytest.param(lambda _: LEVEL_C, id="nothing but noise"),
        pytest.param(cycles(LEVEL_C, 1.5, 240.0), id="thermostat, 0.8 K/min"),
        pytest.param(cycles(LEVEL_C, 3.0, 600.0), id="thermostat, 0.6 K/min"),
        pytest.param(cycles(LEVEL_C, 3.0, 240.0, T0), id="its first cycles, 1.5 K/min"),
        pytest.param(cycles(LEVEL_C, 0.6, 30.0), id="ripple"),
        pytest.param(ramp(LEVEL_C, -0.8, T0), id="slow fall"),
        pytest.param(ramp(LEVEL_C, 2.0, T0, T0 + 600.0), id="climb"),
        pytest.param(gap(LEVEL_C, 0.04, 0.1, T0, T0 + 12.0), id="a blip"),
        pytest.param(gap(LEVEL_C, 0.01, 0.1, T0), id="0.3 K"),
        pytest.param(gap(LEVEL_C, -0.2, 0.05, T0, T0 + 300.0, back_per_s=0.002), id="heat"),
    ],
)
@pytest.mark.parametrize("seed", [1, 2])
def test_nothing_is_told_of(feelers: tuple[Feeler, ...], air: Course, seed: int) -> None:
    assert watched(feelers, air, T0 + 1800.0, seed=seed).findings == []


@pytest.mark.parametrize("feelers", ANY)
@pytest.mark.parametrize("climb_k_per_min", [1.0, 2.5])
def test_the_overshoot_of_a_warm_up_is_nothing(
    feelers: tuple[Feeler, ...], climb_k_per_min: float
) -> None:
    """The heater goes off at the target; the air turns, and loses 3 K with 2 min of lag."""
    climb = ramp(LEVEL_C - 3.0 - climb_k_per_min * T0 / 60.0, climb_k_per_min, 0.0, T0)
    told = watched(feelers, plus(climb, gap(3.0, 1.0, 1.0 / 120.0, T0, room_c=0.0)), T0 + 1800.0)
    assert told.findings == []


@pytest.mark.parametrize("feelers", SEVERAL)
def test_air_that_is_mixed_falls_here_and_rises_there(feelers: tuple[Feeler, ...]) -> None:
    told = watched(feelers, at_one_side(0.15, -0.12, 0.05, T0 + 300.0), T0 + 900.0)
    assert told.findings == []


@pytest.mark.parametrize("feelers", ANY)
def test_near_the_rooms_temperature_nothing_can_be_told(feelers: tuple[Feeler, ...]) -> None:
    told = watched(feelers, gap(23.5, 1.0, 0.1, T0, T0 + 75.0), T0 + 600.0)
    assert told.findings == []


@pytest.mark.parametrize("feelers", ANY)
@pytest.mark.parametrize("cycled", [True, False])
def test_a_fall_within_what_is_usual_here_is_no_draft(
    feelers: tuple[Feeler, ...], cycled: bool
) -> None:
    """The same 2.7 K, where the air has just been as cold as that and where it never was."""
    usual = cycles(LEVEL_C, 4.0, 300.0)
    quiet_s = 1800.0  # from a peak on

    def air(t_s: float) -> float:
        if cycled and t_s < quiet_s:
            return usual(t_s)
        return gap(LEVEL_C, 0.09, 0.04, quiet_s + 150.0, quiet_s + 400.0)(t_s)

    kinds = watched(feelers, air, quiet_s + 900.0).kinds
    assert len(kinds) == (0 if cycled else 1)


@pytest.mark.parametrize("feelers", SEVERAL)
def test_falls_that_come_back_time_and_again_are_learned_as_a_habit(
    feelers: tuple[Feeler, ...],
) -> None:
    """2.5 K/min for a minute, every five: 8 % of the excess a minute."""

    def habit(t_s: float) -> float:
        since_s = (t_s - 600.0) % 300.0
        if t_s < 600.0:
            return LEVEL_C
        return LEVEL_C - 2.5 * min(since_s / 60.0, 1.0, max(0.0, 1.0 - (since_s - 60.0) / 120.0))

    told = watched(feelers, habit, 6000.0)
    assert told.balance.loss_per_min is not None
    assert 0.05 < told.balance.loss_per_min < 0.5
    assert [f for f in told.findings if f.at_s > 2400.0] == []


# --- what else is known ----------------------------------------------------


def open_between(start_s: float, end_s: float) -> Callable[[float], bool | None]:
    return lambda t_s: start_s <= t_s < end_s


@pytest.mark.parametrize("feelers", ANY)
def test_a_switch_tells_at_once_and_its_end_to_the_second(feelers: tuple[Feeler, ...]) -> None:
    shut_s = T0 + 75.0
    told = watched(
        feelers,
        gap(LEVEL_C, 0.4, 0.1, T0, shut_s),
        T0 + 900.0,
        switch=open_between(T0, shut_s),
    )
    first, last = told.only(Change.RAISED), told.only(Change.CLEARED)
    assert (first.kind, first.at_s, first.onset_s) == (Kind.DOOR_OPEN, T0, T0)
    assert first.detail == {"cause": "clear", "by": "switch"}
    assert (last.at_s, last.end_s, last.detail["ended"]) == (shut_s, shut_s, "by switch")
    truth = shown(feelers[0], gap(LEVEL_C, 0.4, 0.1, T0, shut_s), shut_s)
    assert number(last, "drop_k") == pytest.approx(LEVEL_C - min(truth), abs=0.5)
    assert set(last.sensors) == {feeler.name for feeler in feelers}


def test_a_switch_is_told_even_in_a_cold_chamber() -> None:
    told = watched(CANS, lambda _: ROOM_C, T0 + 300.0, switch=open_between(T0, T0 + 60.0))
    assert [f.change for f in told.findings] == [Change.RAISED, Change.CLEARED]
    assert told.findings[0].sensors == ()


def test_a_switch_is_told_even_beside_signs_of_fire() -> None:
    told = watched(
        CANS,
        gap(LEVEL_C, 0.4, 0.1, T0, T0 + 75.0),
        T0 + 300.0,
        switch=open_between(T0, T0 + 75.0),
        calm=no,
    )
    assert told.kinds == [Kind.DOOR_OPEN]


def test_a_door_felt_before_its_switch_is_heard_keeps_its_onset() -> None:
    heard_s = T0 + 15.0
    told = watched(
        BEADS,
        gap(LEVEL_C, 0.4, 0.1, T0, T0 + 75.0),
        T0 + 600.0,
        switch=lambda t_s: (
            True if heard_s <= t_s < T0 + 75.0 else (False if t_s > heard_s else None)
        ),
    )
    assert told.kinds == [Kind.DOOR_OPEN]
    at = next(f for f in told.findings if f.at_s == heard_s)
    assert (at.change, at.detail["by"], at.was_kind) == (Change.REVISED, "switch", None)
    assert at.onset_s == pytest.approx(T0, abs=5.0)
    assert told.only(Change.CLEARED).end_s == T0 + 75.0


def test_a_draft_turns_into_the_door_that_its_switch_tells() -> None:
    heard_s = T0 + 200.0
    told = watched(
        BEADS,
        gap(LEVEL_C, 0.1, 0.04, T0, T0 + 400.0),
        T0 + 390.0,
        switch=lambda t_s: True if t_s >= heard_s else None,
    )
    assert told.kinds == [Kind.DRAFT]
    at = next(f for f in told.findings if f.at_s == heard_s)
    assert (at.change, at.kind, at.was_kind) == (Change.REVISED, Kind.DOOR_OPEN, Kind.DRAFT)
    assert told.watch.standing


def test_lost_heat_does_not_turn_into_the_door_that_somebody_opens() -> None:
    """They come to see why it gets cold: two things, each with its own beginning and end."""

    def goes_cold(t_s: float) -> float:
        return ROOM_C + EXCESS_K * math.exp(-max(0.0, t_s - T0) / 800.0)

    open_s, shut_s = T0 + 200.0, T0 + 230.0
    told = watched(
        CANS,
        plus(goes_cold, again(0.03, 0.05, T0, T0 + 25.0)),  # like a draft at first
        shut_s + 5.0,
        switch=open_between(open_s, shut_s),
    )
    assert [f.kind for f in told.findings if f.at_s < open_s][-1] is Kind.HEAT_LOST
    lost, door, shut = [f for f in told.findings if f.at_s >= open_s and f.change != "revised"]
    assert (lost.kind, lost.change, lost.end_s) == (Kind.HEAT_LOST, Change.CLEARED, open_s)
    assert "nobody can see" in str(lost.detail["ended"])
    assert (door.kind, door.change, door.onset_s) == (Kind.DOOR_OPEN, Change.RAISED, open_s)
    assert (shut.kind, shut.change, shut.end_s) == (Kind.DOOR_OPEN, Change.CLEARED, shut_s)


@pytest.mark.parametrize("feelers", SEVERAL)
def test_where_the_switch_says_shut_a_fall_is_a_draft(feelers: tuple[Feeler, ...]) -> None:
    told = watched(
        feelers, gap(LEVEL_C, 0.25, 0.05, T0, T0 + 300.0), T0 + 900.0, switch=lambda _: False
    )
    assert told.kinds == [Kind.DRAFT]


def test_a_switch_that_breaks_leaves_the_open_door_to_the_temperatures() -> None:
    told = watched(
        CANS,
        gap(LEVEL_C, 0.4, 0.1, T0, T0 + 120.0),
        T0 + 600.0,
        switch=lambda t_s: t_s >= T0 if t_s < T0 + 60.0 else None,
    )
    assert told.kinds == [Kind.DOOR_OPEN]
    assert told.only(Change.CLEARED).end_s == pytest.approx(T0 + 120.0, abs=15.0)


@pytest.mark.parametrize("unread_s", [1.0, 30.0, 300.0])
@pytest.mark.parametrize("share", [0.1, 0.4])
def test_a_switch_that_reads_again_and_says_shut_ends_what_it_told(
    share: float, unread_s: float
) -> None:
    """Though part of what it told, while the air stays cold, looked like a draft."""
    broke_s, read_s = T0 + 50.0, T0 + 50.0 + unread_s

    def switch(t_s: float) -> bool | None:
        return None if broke_s <= t_s < read_s else T0 <= t_s < broke_s

    told = watched(CANS, gap(LEVEL_C, share, 0.05, T0), read_s + 50.0, switch=switch)
    assert {f.kind for f in told.findings} == {Kind.DOOR_OPEN}
    last = told.only(Change.CLEARED)
    assert (last.end_s, last.detail["ended"]) == (read_s, "by switch")
    assert not told.watch.standing


@pytest.mark.parametrize(
    "feelers", [pytest.param((), id="no sensor"), pytest.param(CANS, id="cold")]
)
def test_an_open_door_that_no_temperature_shows_stands_though_its_switch_breaks(
    feelers: tuple[Feeler, ...],
) -> None:
    def switch(t_s: float) -> bool | None:
        return True if T0 <= t_s < T0 + 50.0 else None

    told = watched(feelers, lambda _: ROOM_C, T0 + 4000.0, switch=switch)
    assert [f.change for f in told.findings] == [Change.RAISED]
    assert told.watch.standing
    again_s = T0 + 4000.0
    told = watched(
        feelers,
        lambda _: ROOM_C,
        again_s + 5.0,
        switch=lambda t_s: switch(t_s) if t_s < again_s else False,
    )
    assert told.only(Change.CLEARED).end_s == again_s


def test_once_the_air_keeps_warm_a_door_whose_switch_broke_is_no_longer_held_for_open() -> None:
    told = watched(
        CANS,
        ramp(ROOM_C, 2.0, T0 + 200.0, T0 + 1100.0),
        T0 + 3000.0,
        switch=lambda t_s: True if T0 <= t_s < T0 + 50.0 else None,
    )
    ended = str(told.only(Change.CLEARED).detail["ended"])
    assert ended.startswith("its switch can't be read any more")
    assert told.only(Change.CLEARED).at_s > T0 + 800.0


def test_beside_signs_of_fire_a_fall_is_no_news() -> None:
    air = gap(LEVEL_C, 0.4, 0.1, T0, T0 + 75.0)
    assert watched(BEADS, air, T0 + 300.0, calm=no).findings == []


@pytest.mark.parametrize("feelers", SEVERAL)
def test_in_a_chamber_that_is_unheated_a_door_is_told_all_the_same(
    feelers: tuple[Feeler, ...],
) -> None:
    door = gap(LEVEL_C, 0.4, 0.1, T0, T0 + 75.0)
    told = watched(feelers, door, T0 + 600.0, unheated=lambda _: True)
    assert told.kinds == [Kind.DOOR_OPEN]
    assert told.only(Change.RAISED).at_s <= T0 + delay_s(feelers)


@pytest.mark.parametrize("feelers", SEVERAL[:2])
def test_in_a_chamber_that_is_unheated_a_draft_takes_a_minute_to_be_told(
    feelers: tuple[Feeler, ...],
) -> None:
    """It falls by itself; only what falls otherwise for long is a draft."""
    draft = at_one_side(0.2, 0.02, 0.03, T0 + 400.0)
    heated = watched(feelers, draft, T0 + 300.0).only(Change.RAISED)
    unheated = watched(feelers, draft, T0 + 300.0, unheated=lambda _: True).only(Change.RAISED)
    assert heated.kind is unheated.kind is Kind.DRAFT
    assert heated.at_s < T0 + 45.0
    assert T0 + 55.0 <= unheated.at_s < T0 + 90.0


def test_lags_are_learned_from_doors() -> None:
    """Beads of 3, 4.5 and 6 s, all taken for 4.5 at first."""
    balance = Balance()
    for seed in range(6):
        watched(
            BEADS, gap(LEVEL_C, 0.4, 0.2, T0, T0 + 150.0), T0 + 400.0, seed=seed, balance=balance
        )
    lags_s = [balance.sensor(name).tau_s for name in "abc"]
    assert lags_s == pytest.approx([3.0, 4.5, 6.0], rel=0.15)
    assert all(balance.sensor(name).changes >= 5.0 for name in "abc")


# --- whatever comes --------------------------------------------------------

stretches = st.tuples(
    st.integers(1, 300),
    st.tuples(*[st.floats(-30.0, 150.0) | st.none()] * 2),
    st.sampled_from([None, None, True, False]),
    st.booleans(),
    st.booleans(),
)


@settings(max_examples=40)
@given(st.lists(stretches, min_size=1, max_size=8), st.floats(-10.0, 60.0))
def test_whatever_comes_what_is_told_is_in_order_and_finite(
    course: list[tuple[int, tuple[float | None, float | None], bool | None, bool, bool]],
    room_c: float,
) -> None:
    watch = DropWatch()
    rig = Rig(CANS[:2], lambda _: LEVEL_C, 1)
    findings: list[Finding] = []
    t_s = 0.0
    for seconds, levels_c, switch, calm, unheated in course:
        for second in range(seconds):
            t_s += 1.0
            for track, level_c in zip(rig.tracks, levels_c, strict=True):
                track.push(None if level_c is None else level_c + 0.05 * (second % 3), 1.0)
            tracks = [track for track in rig.tracks if track.seconds > 3]
            told = watch.tick(t_s, tracks, room_c, switch, calm=calm, unheated=unheated)
            assert all(finding.at_s == t_s for finding in told)
            findings += told
    assert stands_after(findings) == watch.standing
