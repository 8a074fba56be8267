"""Fine particles in the air as a sign of smoke, and what ails those who count them. Pure.

Theory of operation. Smoke is fine particles, so their mass in the air rises as
soon as something burns or smoulders. A cheap counter is far more sensitive than
a listed detector: those respond at 0.05 to 0.3 dB/m (EN 54-7, recalled), which
at 8.7 m2 a gram of smoke (Mulholland and Croarkin 2000) is 1300 to 8000 ug/m3,
while such a counter measures up to 500 or 1000 ug/m3 (data sheets). But it can't
tell smoke from dust, frying or a fog machine, so it is held against the air's
own usual level: what is there for hours is no fire.

Level: the median of the last 15 s, at least 5 values, so that no puff counts.
Usual level: follows the level down within a minute, and up by at most 2 ug/m3 a
minute, while nothing is told, and never above 150: fumes of a job, which rise by
some tens in half an hour, are learned; a smoulder that rises faster is not. At
the start no more than 50 is taken for usual, so that what burns already is told.
Sign: the level is above the usual by 150 ug/m3 and by twice the usual. That much
has strength 0.5, half of it 0.3 (enough to be a second witness), each doubling
0.1 more, up to 0.7: never certain, as a grinder makes dust too.

All these figures are assumed but for those with a source: nobody has held them
against a sensor in a workshop. The first 30 s after the sensor began to tell, or
told again after a silence, are its fan's (data sheets) and count for nothing.

References
----------
Mulholland, G. W. and Croarkin, C. (2000). Specific extinction coefficient of
flame generated smoke. Fire and Materials 24, 227-230.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from statistics import median

from stillair.model import Change, Detail, EventChange, Finding, Kind, Particles, Sense, Sign

NAME = "particles"  # of the sign
WINDOW_S = 15.0
LEAST_VALUES = 5
SETTLE_S = 30.0
SILENT_S = 10.0
RISE_UG = 150.0  # above the usual level, from which it is told
FACTOR = 2.0  # and this many times the usual level above it
USUAL_AT_START_UG = 50.0
MOST_USUAL_UG = 150.0
UP_UG_PER_S = 2.0 / 60.0
DOWN_TAU_S = 60.0
TOLD, SPEAKS, SUREST = 0.5, 0.3, 0.7


class ParticleSigns:
    """Take what every particle sensor of one chamber tells; say when that is smoke."""

    def __init__(self) -> None:
        self._courses: dict[str, _Course] = {}
        self._latest: dict[str, Particles] = {}

    def take(self, told: Particles) -> Sign | None:
        """Take one value or fault; give a sign, anew each time while it holds."""
        self._latest[told.sensor] = told
        course = self._courses.setdefault(told.sensor, _Course())
        if told.pm2_5_ug_per_m3 is None:
            return None
        return course.take(told.sensor, told.t_s, told.pm2_5_ug_per_m3)

    def latest(self) -> tuple[Particles, ...]:
        """The last word of each sensor."""
        return tuple(self._latest.values())

    def heard_s(self) -> dict[str, float]:
        """When each that could show smoke was heard last: none that is at fault or settles."""
        return {
            name: told.t_s
            for name, told in self._latest.items()
            if told.pm2_5_ug_per_m3 is not None and self._courses[name].settled(told.t_s)
        }

    def fault(self, told: Particles, event: EventChange | None) -> Finding | None:
        """What there is to be told of a sensor's readability; `event` is its fault as it stands."""
        failed = told.pm2_5_ug_per_m3 is None
        if failed is (event is not None):
            return None
        detail: Detail = {"cause": "clear", "reason": told.reason}
        return Finding(
            Kind.SENSOR_FAULT,
            Change.RAISED if event is None else Change.CLEARED,
            told.t_s,
            told.t_s if event is None else event.onset_s,
            (told.sensor,),
            detail if event is None else event.detail,
            end_s=None if event is None else told.t_s,
            subject=particles_subject(told.sensor),
        )

    def tells(self, event: EventChange) -> bool:
        """Whether an event is the fault of a particle sensor, and that is still at fault."""
        return event.kind is Kind.SENSOR_FAULT and any(
            told.pm2_5_ug_per_m3 is None and event.subject == particles_subject(told.sensor)
            for told in self._latest.values()
        )


def particles_subject(sensor: str) -> str:
    """By what its fault is told from a temperature sensor's."""
    return f"particles {sensor}"


@dataclass(slots=True)
class _Course:
    """What one sensor has told lately, and what is usual there."""

    values: deque[tuple[float, float]] = field(default_factory=deque)  # of the last 15 s
    usual_ug: float | None = None
    began_s: float = 0.0  # when it began to tell without a silence
    last_s: float = -math.inf
    onset_s: float | None = None

    def settled(self, t_s: float) -> bool:
        return t_s - self.began_s >= SETTLE_S

    def take(self, sensor: str, t_s: float, value_ug: float) -> Sign | None:
        passed_s = t_s - self.last_s
        if passed_s <= 0.0:
            return None
        self.last_s = t_s
        if passed_s > SILENT_S:
            self.began_s, self.onset_s = t_s, None
            self.values.clear()
            passed_s = 0.0
        self.values.append((t_s, value_ug))
        while t_s - self.values[0][0] >= WINDOW_S:
            self.values.popleft()
        if not self.settled(t_s) or len(self.values) < LEAST_VALUES:
            return None
        level_ug = median(value for _, value in self.values)
        if self.usual_ug is None:
            self.usual_ug = min(level_ug, USUAL_AT_START_UG)
        needed_ug = max(RISE_UG, FACTOR * self.usual_ug)
        share = (level_ug - self.usual_ug) / needed_ug
        strength = _strength(share)
        if strength < TOLD:
            self._learn(level_ug, passed_s)
        if strength < SPEAKS:
            self.onset_s = None
            return None
        if self.onset_s is None:
            half_ug = self.usual_ug + needed_ug / 2.0
            self.onset_s = next(at_s for at_s, value in self.values if value >= half_ug)
        detail: Detail = {
            "pm2_5_ug_per_m3": round(level_ug),
            "usual_ug_per_m3": round(self.usual_ug),
            "reason": f"{level_ug:.0f} micrograms of fine particles in a cubic metre of air,"
            f" where {self.usual_ug:.0f} are usual",
        }
        return Sign(Sense.PARTICLES, NAME, t_s, self.onset_s, strength, (sensor,), detail=detail)

    def _learn(self, level_ug: float, passed_s: float) -> None:
        assert self.usual_ug is not None
        if level_ug < self.usual_ug:
            self.usual_ug += (level_ug - self.usual_ug) * -math.expm1(-passed_s / DOWN_TAU_S)
        else:
            up_ug = min(level_ug - self.usual_ug, UP_UG_PER_S * passed_s)
            self.usual_ug = min(self.usual_ug + up_ug, MOST_USUAL_UG)


def _strength(share: float) -> float:
    """From the share of what is told: 0.3 at a half, 0.5 at 1, 0.6 at 2, up to 0.7."""
    if share <= 0.0:
        return 0.0
    doublings = math.log2(share)
    return min(SUREST, TOLD + (0.2 if doublings < 0.0 else 0.1) * doublings)
