"""What the thermal watch is told and what it answers: plan, context, view, result."""

from __future__ import annotations

from dataclasses import dataclass

from stillair.model import Finding, JobPhase, Kind, Phase, Place, Sign


@dataclass(frozen=True, slots=True)
class SensorPlan:
    """One sensor: its name, its place, and a limit of its own where it sits on electronics.

    `correction_k` is what has been added to its raw indications already; with
    it a power-on value is known again. `usual_s` is how far apart its readings
    are, where that is known beforehand; else a few of them will tell.
    """

    name: str
    place: Place
    limit_c: float | None = None
    correction_k: float = 0.0
    usual_s: float = 1.0


@dataclass(frozen=True, slots=True)
class ThermalPlan:
    """The chamber: its sensors, target and limit in degrees Celsius, whether its box burns."""

    sensors: tuple[SensorPlan, ...]
    target_c: float | None = None
    limit_c: float = 80.0
    combustible: bool = True


@dataclass(frozen=True, slots=True)
class ThermalContext:
    """What others know at this second.

    `door_open` is a door switch's word, None where there is no switch; so are
    `heater_on`, whether a heater heats just now, and `supply_on`, whether the heat's
    supply is switched on at all. `smoke_or_fire`: whether there has been any in this
    warm spell, or any that nobody has cleared yet; `burns`: whether any is told just now.
    """

    door_open: bool | None = None
    heater_on: bool | None = None
    supply_on: bool | None = None
    job: JobPhase | None = None
    material: str = ""
    smoke_or_fire: bool = False
    burns: bool = False


@dataclass(frozen=True, slots=True)
class SensorView:
    """The latest good temperature of one sensor, and why it has none now if it hasn't.

    `fault` is said from the first bad reading on, before it is an event; `doubted`: it tells
    temperatures all the same.
    `expected_c` is what its next reading should be and `u_k` one standard
    deviation of that, for sensors in the chamber's air with some past; `off_k`
    by how much readings of the last minute lay above what was expected, 0
    unless they clearly did, or below (negative).
    """

    name: str
    place: Place
    temperature_c: float | None
    t_s: float | None
    fault: str = ""
    expected_c: float | None = None
    u_k: float | None = None
    off_k: float = 0.0
    doubted: bool = False


@dataclass(frozen=True, slots=True)
class ThermalView:
    """How the air is just now.

    `soak_forecast_s` is the instant at which it should be warm and steady,
    `cool_forecast_s` that at which the part may come out; None where nothing
    can be said. Their uncertainties `_u_s` are expanded (k = 2), in seconds.
    `phase_since_s` is None while the phase is unknown.
    """

    phase: Phase
    phase_since_s: float | None
    air_c: float | None
    room_c: float | None
    room_estimated: bool
    sensors: tuple[SensorView, ...]
    target_c: float | None
    soak_forecast_s: float | None = None
    soak_forecast_u_s: float | None = None
    cool_forecast_s: float | None = None
    cool_forecast_u_s: float | None = None

    @property
    def heard_s(self) -> dict[str, float]:
        """When each sensor was heard last that can be trusted now."""
        return {s.name: s.t_s for s in self.sensors if s.t_s is not None and not s.fault}

    @property
    def doubted(self) -> frozenset[str]:
        """The sensors that tell temperatures which can't be trusted now."""
        return frozenset(s.name for s in self.sensors if s.doubted)


@dataclass(frozen=True, slots=True)
class RuleFailure:
    """A defect in a rule, which must not take the other rules' word away.

    `what` the rule watches, in words for people; `kinds` of event that it alone
    can end. `begun_anew`: it goes on as after a restart, which would cure no more.
    """

    what: str
    kinds: frozenset[Kind]
    error: Exception
    begun_anew: bool = True


@dataclass(frozen=True, slots=True)
class ThermalResult:
    """What one second has brought: findings for the story, signs of heat for the fire verdict.

    `failures` are the rules that broke meanwhile and gave nothing.
    """

    findings: tuple[Finding, ...] = ()
    signs: tuple[Sign, ...] = ()
    failures: tuple[RuleFailure, ...] = ()
