"""A thermostat's swings: known after four rounds, and broken by cold air alone."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

import pytest

from stillair.model import Change, Finding, Kind
from stillair.thermal.air import AirTrack
from stillair.thermal.balance import Balance
from stillair.thermal.cycles import Cycles
from stillair.thermal.drops import DropWatch

Curve = Callable[[float], float]

PERIOD_S = 160.0
MIDDLE_C, HALF_K = 50.0, 1.5
KNOWN_S = 6.0 * PERIOD_S
ROOM_C = 20.0


def swing(t_s: float) -> float:
    return MIDDLE_C + HALF_K * math.sin(math.tau * t_s / PERIOD_S)


def loses(lost_k: float, from_s: float, rate_per_s: float = 0.1) -> Curve:
    """Swings from which cold air takes a part from some instant on."""

    def curve(t_s: float) -> float:
        gone = 1.0 - math.exp(-rate_per_s * max(0.0, t_s - from_s))
        return swing(t_s) - lost_k * gone

    return curve


def heater_fails(t_s: float) -> float:
    """From the peak after `KNOWN_S` on it falls as in every pause, and goes on, ever slower."""
    peak_s = KNOWN_S + PERIOD_S / 4.0
    if t_s < peak_s + PERIOD_S / 4.0:
        return swing(t_s)
    slope_k_per_s = HALF_K * math.tau / PERIOD_S
    since_s = t_s - peak_s - PERIOD_S / 4.0
    return MIDDLE_C - slope_k_per_s * 90.0 * (1.0 - math.exp(-since_s / 90.0))


def rounds(curves: Sequence[Curve], until_s: float) -> Iterator[tuple[float, list[AirTrack]]]:
    tracks = [AirTrack(f"sensor {number}") for number in range(len(curves))]
    for second in range(int(until_s)):
        t_s = float(second)
        for track, curve in zip(tracks, curves, strict=True):
            track.push(round(curve(t_s) / 0.0625) * 0.0625, 1.0)
        yield t_s, tracks


def broken_at_s(curves: Sequence[Curve], until_s: float) -> float | None:
    cycles = Cycles(Balance())
    for t_s, tracks in rounds(curves, until_s):
        cycles.see(t_s, tracks)
        if cycles.broken(tracks):
            return t_s
    return None


def test_swings_are_known_after_four_rounds() -> None:
    cycles = Cycles(Balance())
    known_s = None
    for t_s, tracks in rounds([swing], KNOWN_S):
        cycles.see(t_s, tracks)
        if known_s is None and cycles.swinging(tracks):
            known_s = t_s
    assert known_s is not None
    assert 3.0 * PERIOD_S < known_s < 5.0 * PERIOD_S


def test_what_swings_is_never_broken_by_itself() -> None:
    assert broken_at_s([swing, lambda t_s: swing(t_s - 9.0) - 2.0], 20.0 * PERIOD_S) is None


@pytest.mark.parametrize("phase", [0.0, 0.25, 0.5, 0.75])
def test_cold_air_breaks_them_wherever_they_are(phase: float) -> None:
    from_s = KNOWN_S + phase * PERIOD_S
    at_s = broken_at_s([loses(4.0, from_s)], from_s + 300.0)
    assert at_s is not None
    assert from_s < at_s < from_s + 150.0


def test_a_heater_that_stays_off_does_not() -> None:
    assert broken_at_s([heater_fails, heater_fails], KNOWN_S + 900.0) is None


def test_a_fan_that_mixes_does_not() -> None:
    from_s = KNOWN_S
    cold = loses(3.0, from_s)
    warm = loses(-3.0, from_s)
    assert broken_at_s([cold, warm], from_s + 400.0) is None
    assert broken_at_s([cold, swing], from_s + 400.0) is not None, "one alone is cold air"


def test_what_is_forgotten_is_learned_anew() -> None:
    cycles = Cycles(Balance())
    forgotten_s = KNOWN_S
    for t_s, tracks in rounds([swing], 2.0 * KNOWN_S):
        if t_s == forgotten_s:
            assert cycles.swinging(tracks)
            cycles.forget()
        cycles.see(t_s, tracks)
        if forgotten_s <= t_s < forgotten_s + 3.0 * PERIOD_S:
            assert not cycles.swinging(tracks)
    assert cycles.swinging(tracks)


def test_a_level_that_changes_is_forgotten_in_time() -> None:
    """A target set 5 K lower: below its old troughs, but no more than the new ones for long."""
    cycles = Cycles(Balance())
    for t_s, tracks in rounds([loses(5.0, KNOWN_S, 0.004)], KNOWN_S + 3600.0):
        cycles.see(t_s, tracks)
    assert cycles.swinging(tracks)
    assert cycles.below_s == 0.0


def drops(curves: Sequence[Curve], until_s: float) -> list[Finding]:
    watch = DropWatch()
    found: list[Finding] = []
    for t_s, tracks in rounds(curves, until_s):
        found += watch.tick(t_s, tracks, ROOM_C, None, calm=True)
    return found


def test_cold_air_in_a_pause_is_told_with_its_onset_and_end() -> None:
    from_s, to_s = KNOWN_S + 0.35 * PERIOD_S, KNOWN_S + 0.35 * PERIOD_S + 200.0

    def curve(t_s: float) -> float:
        return loses(5.0, from_s)(t_s) + 5.0 * (1.0 - math.exp(-0.1 * max(0.0, t_s - to_s)))

    found = drops([curve, lambda t_s: curve(t_s) - 2.0], to_s + 600.0)
    told = [f for f in found if f.change is Change.RAISED]
    assert len(told) == 1
    assert told[0].kind in (Kind.DOOR_OPEN, Kind.DRAFT)
    assert told[0].at_s - from_s < 60.0
    assert told[0].onset_s == pytest.approx(from_s, abs=10.0)
    assert "heat_lost" not in (told[0].detail.get("or"), told[0].kind.value)
    ended = [f for f in found if f.change is Change.CLEARED]
    assert len(ended) == 1
    assert ended[0].end_s is not None
    assert ended[0].end_s == pytest.approx(to_s, abs=60.0)


def test_a_thermostat_alone_is_told_of_never() -> None:
    assert drops([swing, lambda t_s: swing(t_s) - 2.0], 4.0 * KNOWN_S) == []
