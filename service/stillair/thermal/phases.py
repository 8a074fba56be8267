"""Where the chamber stands in its day, and what a person waits for.

    cold -> warming -> soak -> steady -> cooling -> cool enough -> cold

Phases follow from the readings; a job's marks only make them surer: while one
runs or is paused, and while cold air comes in, a chamber that falls isn't one
that cools down, and its phase stays. `soak` is air at its target (without one:
no longer rising by more than 0.25 K/min, well above the room; or standing still
below it); `steady` is that, at the target, for five minutes with slope and
spread between the sensors settled. A box warmed by its bed alone creeps for
hours; what a part feels of 0.25 K/min is little, so the longer the soak, up to
20 minutes, the more slope is steady. Under a thermostat with a wide band the
air never stands still: after 20 minutes the means of ten minutes decide, and a
fall that ends where the last one ended isn't the end of heating. Air that
falls no more isn't cooling down, whatever made it fall.

`soak_ready` is told on becoming steady, `cool_enough` when the hottest sensor
of a cooling chamber is down to what the material bears and falls slowly, so
that the part has followed; never after smoke or fire, and never while a sensor
that was hot when last heard gives no reading. Neither stands for longer than a
minute in which no sensor of the chamber can be trusted.

When a sensor comes or goes, the mean of the rest is another figure, not
another temperature: the past and the present are put on one level, by what the
sensors differed by five minutes before, when the fault can't have begun.

Who knows the heat's switches needn't wait for the air: a heater that comes on
in a cold chamber warms it, and one whose supply is off cools down.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

from stillair.model import AT_WORK, Finding, JobPhase, JsonValue, Kind, Phase
from stillair.model.materials import COOL_C, material
from stillair.thermal.air import AirTrack
from stillair.thermal.bands import BandWatch, notice_cleared, notice_raised
from stillair.thermal.forecast import Forecast
from stillair.thermal.foretelling import (
    BED_OVER_K,
    COOL_S,
    SOAK_K_PER_MIN,
    foretell_cool,
    foretell_soak,
)
from stillair.thermal.plan import ThermalContext
from stillair.thermal.settling import (
    CREEP_S,
    STEADY_S,
    TEN_MINUTES,
    AirPast,
    Sample,
    steady_k_per_min,
)

COLD_K = 4.0
WARM_K = 8.0
RISING_K_PER_MIN = 0.3
CREEPING_UP_K_PER_MIN, CREPT_K = 0.1, 5.0  # a room warms by 2 K/h, rarely more
SWINGS_SHIFT_K, SWINGS_BELOW_K = 1.5, 2.0  # of the means of ten minutes
FLAT_S = 1800.0  # so long flat, it won't get any further
AT_TARGET_K = 1.0
FALLEN_K, FALLEN_SHARE = 3.0, 0.10
COOL_K_PER_MIN = 1.0  # falling faster, the part hasn't followed
HOT_K = 5.0  # only what was this much hotter can become cool enough
ABOVE_ROOM_K = 4.0
UNKNOWN_S = 60.0
BLIND = "no sensor tells the chamber's temperature"
COOLED_S = 600.0  # so long after it began to fall the means of ten minutes say whether it does
LONG_DOOR_S = 900.0  # what lets in cold air for so long is no passing thing
AFTER_DOOR_S = 600.0  # so long a chamber that had cold air let in may lag behind
NO_LONGER_S = 120.0  # so far down for so long, it isn't ready any more
BEFORE_S, SNAPSHOT_S = 300.0, 30.0  # no fault is found later than so long after its onset
FORECAST_S = 30.0  # a forecast is made anew so often
ENDED = (JobPhase.COOLING, JobPhase.FINISHED)
HEATED = (Phase.WARMING, Phase.SOAK, Phase.STEADY)


class PhaseWatch:
    """Follow the phases of one chamber and tell what depends on them."""

    def __init__(self, target_c: float | None, limit_c: float) -> None:
        self.phase = Phase.UNKNOWN
        self.phase_since_s: float | None = None
        self.air_c: float | None = None  # the mean of the good sensors
        self.soak_forecast: Forecast | None = None
        self.cool_forecast: Forecast | None = None
        self.forecast_at_s = 0.0
        self._target_c = target_c
        self._bands = BandWatch(target_c, limit_c)
        self._past = AirPast()
        self._seen_s: float | None = None
        self._since_s: float | None = None  # of unbroken air
        self._level_c = 0.0  # the mean, as if all known sensors were there
        self._off_k = 0.0  # what the missing ones would add to the mean
        self._names: tuple[str, ...] = ()
        self._whole: deque[tuple[float, dict[str, float]]] = deque(maxlen=12)  # all sensors' values
        self._last_c: dict[str, float] = {}  # of every sensor heard
        self._peak_c = self._low_c = 0.0
        self._hottest_c = -math.inf  # since the chamber was last cold
        self._soaked = False
        self._told: dict[Kind, float] = {}
        self._ready_c = 0.0  # the level that was told to be ready
        self._fallen_s: float | None = None  # since when it is far below that
        self._ready_later = False
        self._cool_since_s: float | None = None
        self._door_s = -math.inf  # when cold air last came in
        self._door_from_s = -math.inf  # when it last didn't
        self._enough_c = self._cool_c = COOL_C
        self._warm_c = math.inf
        self._material = ""

    def tick(
        self,
        t_s: float,
        tracks: Sequence[AirTrack],
        room_c: float,
        bed_c: float | None,
        context: ThermalContext,
        *,
        cold_air: bool,
        unheated: bool,
    ) -> list[Finding]:
        """Judge at a whole second.

        `tracks` are those of the sensors that can be trusted now; `cold_air`
        says that a door or draft stands, `unheated` that heat is lost.
        """
        findings: list[Finding] = []
        if not tracks:
            self.air_c = None
            if self._seen_s is None or t_s - self._seen_s > UNKNOWN_S:
                self._go(Phase.UNKNOWN, t_s)
                self._since_s = None
                self._past.clear()
                findings.extend(
                    notice_cleared(self._told, kind, t_s, BLIND) for kind in [*self._told]
                )
            return findings
        values = [track.now_c for track in tracks]
        self.air_c = sum(values) / len(values)
        hottest_c = max(values)
        self._seen_s = t_s
        names = tuple(track.name for track in tracks)
        if names != self._names:
            self._change_set(t_s, names, max(values) - min(values))
        self._last_c.update(zip(names, values, strict=True))
        if len(names) == len(self._last_c) and (
            not self._whole or t_s - self._whole[-1][0] >= SNAPSHOT_S
        ):
            self._whole.append((t_s, dict(self._last_c)))
        self._level_c = level_c = self.air_c + self._off_k
        if self._since_s is None:
            self._since_s = t_s
            self._peak_c = self._low_c = level_c
        self._hottest_c = max(self._hottest_c, hottest_c)
        if context.material != self._material:
            self._material = context.material
            row = material(context.material)
            self._cool_c = row.cool_c if row else COOL_C
        self._enough_c = max(self._cool_c, room_c + ABOVE_ROOM_K)
        self._warm_c = room_c + WARM_K
        if not cold_air:
            self._door_from_s = t_s
        elif t_s - self._door_from_s < LONG_DOOR_S:
            self._door_s = t_s
        if unheated and not cold_air:
            self._door_s = -math.inf  # what looked like cold air was lost heat
        if self._past.is_due(t_s):
            spread_k = hottest_c - min(values)
            self._past.push(Sample(t_s, level_c, spread_k, hottest_c, bed_c))
            self._move(t_s, level_c, room_c, context, unheated)
            if t_s - self.forecast_at_s >= FORECAST_S - 0.5:
                self._foretell(t_s, context)
        self._tell_soak(t_s, level_c, room_c, context, findings)
        self._tell_cool(t_s, hottest_c, bed_c, context, findings)
        known = self.phase is not Phase.UNKNOWN and self._soaked
        cooling = context.job is None and (
            unheated or self.phase in (Phase.COOLING, Phase.COOL_ENOUGH)
        )
        self._bands.tick(t_s, level_c, context, soaked=known, cooling=cooling, findings=findings)
        return findings

    # --- sensors that come and go --------------------------------------------

    def _change_set(self, t_s: float, names: tuple[str, ...], spread_k: float) -> None:
        """Put past and present on one level, whoever takes part in the mean now."""
        assert self.air_c is not None
        self._names = names
        if self._since_s is None or t_s - self._since_s < UNKNOWN_S:
            self._off_k = 0.0
            self._past.clear()
            self._since_s = None
            return
        if set(names) >= set(self._last_c):  # all are there: their mean is the level again
            off_k = self.air_c - self._level_c
            self._off_k = 0.0
            self._peak_c += off_k
            self._low_c += off_k
            self._ready_c += off_k
            self._past.raise_by(off_k)
        else:
            self._off_k = self._missing_k(t_s, names)
        self._past.spread_by(spread_k)

    def _missing_k(self, t_s: float, names: tuple[str, ...]) -> float:
        """What the missing sensors would add to the mean, as far as was to be seen before."""
        before = [values_c for then_s, values_c in self._whole if then_s <= t_s - BEFORE_S]
        if before:
            values_c = before[-1]
        elif self._whole:
            values_c = self._whole[0][1]
        else:
            return self._off_k
        here = [values_c[name] for name in names if name in values_c]
        if not here:
            return self._off_k
        return sum(values_c.values()) / len(values_c) - sum(here) / len(here)

    def _hot_one_missing(self) -> bool:
        """Whether a sensor that was hotter than a part may be taken out gives no reading now."""
        return len(self._last_c) > len(self._names) and any(
            value_c > self._enough_c
            for name, value_c in self._last_c.items()
            if name not in self._names
        )

    # --- phases ------------------------------------------------------------

    def _move(
        self,
        t_s: float,
        air_c: float,
        room_c: float,
        context: ThermalContext,
        unheated: bool,
    ) -> None:
        job = context.job
        self._peak_c = max(self._peak_c, air_c)
        self._low_c = min(self._low_c, air_c)
        excess_k = air_c - room_c
        if self._moves_by_switch(t_s, excess_k, context):
            return
        slope = self._past.slope_k_per_min(120.0)
        if slope is None:
            return
        at_target = self._at_target(air_c)
        # A box that can't come to its target is told; one that is still cold when its job
        # begins has only not been heated yet.
        warm = job in AT_WORK and excess_k >= WARM_K
        if (self.phase is Phase.SOAK or warm) and self._past.is_flat(t_s, FLAT_S):
            self._soaked = True
        phase = self.phase
        if phase is Phase.UNKNOWN:
            self._find(t_s, excess_k, slope, job)
        elif phase in (Phase.COLD, Phase.COOL_ENOUGH, Phase.COOLING):
            if slope >= RISING_K_PER_MIN and air_c >= self._low_c + 1.5 and job not in ENDED:
                self._go(Phase.WARMING, t_s)
            elif phase is Phase.COOLING and job in AT_WORK and slope > -0.05 and excess_k >= WARM_K:
                self._go(Phase.WARMING, t_s)  # begun before the last one's warmth was gone
            elif phase is Phase.COLD:
                creep = self._past.slope_k_per_min(600.0)
                if creep is not None and creep >= CREEPING_UP_K_PER_MIN and excess_k >= CREPT_K:
                    self._go(Phase.WARMING, t_s)
            elif excess_k < COLD_K and slope < RISING_K_PER_MIN:
                self._go(Phase.COLD, t_s)
            elif (
                phase is Phase.COOLING
                and job not in ENDED
                and excess_k >= WARM_K
                and t_s - (self.phase_since_s or t_s) >= COOLED_S
                and self._past.is_heated(excess_k)
            ):
                self._go(Phase.SOAK, t_s)
        elif job in ENDED or (
            job not in AT_WORK
            and not self._cold_air(t_s)
            and slope < -0.05
            and air_c < self._peak_c - max(FALLEN_K, FALLEN_SHARE * (self._peak_c - room_c))
            and (unheated or self._past.falls_away(excess_k))
            and not at_target
        ):
            self._go(Phase.COOLING, t_s)
        elif phase is Phase.WARMING:
            slow = self._past.slope_k_per_min(300.0)
            if at_target or (
                self._target_c is None
                and slow is not None
                and abs(slow) < SOAK_K_PER_MIN
                and excess_k >= WARM_K
            ):
                self._go(Phase.SOAK, t_s)
            elif self._past.is_flat(t_s, CREEP_S) and excess_k >= WARM_K:
                self._go(Phase.SOAK, t_s)  # below its target, and on its way no more
            elif excess_k < COLD_K and slope < RISING_K_PER_MIN and self._peak_c - room_c < WARM_K:
                self._go(Phase.COLD, t_s)
        elif phase is Phase.SOAK and self._is_steady(t_s, air_c, excess_k):
            self._go(Phase.STEADY, t_s)

    def _moves_by_switch(self, t_s: float, excess_k: float, context: ThermalContext) -> bool:
        """Take the word of the heat's switches; whether that says all there is to say."""
        if context.supply_on is False and self.phase is not Phase.UNKNOWN:
            if excess_k < COLD_K:
                self._go(Phase.COLD, t_s)
            elif self.phase in HEATED:
                self._go(Phase.COOLING, t_s)
            return True
        cold = self.phase is Phase.COLD or (self.phase is Phase.WARMING and excess_k < COLD_K)
        if not (cold and context.heater_on) or context.job in ENDED:
            return False
        self._go(Phase.WARMING, t_s)
        return True

    def _find(self, t_s: float, excess_k: float, slope: float, job: JobPhase | None) -> None:
        """Find the phase of a chamber of which only some minutes are known."""
        if excess_k < COLD_K and slope < RISING_K_PER_MIN:
            self._go(Phase.COLD, t_s)
        elif slope >= RISING_K_PER_MIN:
            self._go(Phase.WARMING, t_s)
        elif (slow := self._past.slope_k_per_min(300.0)) is not None:
            falls = slow <= -RISING_K_PER_MIN and job not in AT_WORK
            self._go(Phase.COOLING if falls else Phase.SOAK, t_s)

    def _is_steady(self, t_s: float, air_c: float, excess_k: float) -> bool:
        slow = self._past.slope_k_per_min(300.0)
        soak_s = t_s - (self.phase_since_s or 0.0)
        if slow is None or soak_s < STEADY_S or self._cold_air(t_s) or excess_k < WARM_K:
            return False
        if (
            abs(slow) < steady_k_per_min(soak_s)
            and self._past.spread_has_settled()
            and (self._target_c is None or self._at_target(air_c))
        ):
            return True
        return (
            soak_s >= CREEP_S
            and self._past.only_swings(SWINGS_SHIFT_K)
            and (
                self._target_c is None
                or self._past.mean_c(TEN_MINUTES) >= self._target_c - SWINGS_BELOW_K
            )
        )

    def _at_target(self, air_c: float) -> bool:
        return self._target_c is not None and air_c >= self._target_c - AT_TARGET_K

    def _cold_air(self, t_s: float) -> bool:
        return t_s - self._door_s < AFTER_DOOR_S

    def _go(self, phase: Phase, t_s: float) -> None:
        if phase is self.phase:
            return
        self.phase = phase
        self.phase_since_s = None if phase is Phase.UNKNOWN else t_s
        self.soak_forecast = self.cool_forecast = None
        self.forecast_at_s = -math.inf
        self._fallen_s = None
        self._ready_later = False
        self._peak_c = self._low_c = self._level_c
        if phase is Phase.COLD:
            self._hottest_c = -math.inf
            self._soaked = False
            self._last_c = {name: c for name, c in self._last_c.items() if name in self._names}
        elif phase is Phase.STEADY:
            self._soaked = True

    # --- forecasts -----------------------------------------------------------

    def _foretell(self, t_s: float, context: ThermalContext) -> None:
        """Say when it will be ready, or cool enough, from the air's way since the phase began."""
        self.forecast_at_s = t_s
        self.soak_forecast = self.cool_forecast = None
        if self.phase_since_s is None or self._cold_air(t_s):
            return
        if self.phase in (Phase.WARMING, Phase.SOAK):
            self.soak_forecast = foretell_soak(
                self._past,
                self.phase_since_s,
                t_s,
                warming=self.phase is Phase.WARMING,
                goal_c=None if self._target_c is None else self._target_c - AT_TARGET_K,
                warm_c=self._warm_c,
            )
        elif self.phase is Phase.COOLING and not context.smoke_or_fire:
            self.cool_forecast = foretell_cool(self._past.since(self.phase_since_s), self._enough_c)

    # --- what is told ------------------------------------------------------

    def _tell_soak(
        self,
        t_s: float,
        air_c: float,
        room_c: float,
        context: ThermalContext,
        findings: list[Finding],
    ) -> None:
        if Kind.SOAK_READY in self._told:
            if self.phase is not Phase.STEADY or context.burns:
                self._ready_later = context.burns
                findings.append(notice_cleared(self._told, Kind.SOAK_READY, t_s))
            elif air_c >= self._ready_c - max(FALLEN_K, FALLEN_SHARE * (self._ready_c - room_c)):
                self._fallen_s = None
            elif self._fallen_s is None:
                self._fallen_s = t_s
            elif t_s - self._fallen_s >= NO_LONGER_S:
                findings.append(notice_cleared(self._told, Kind.SOAK_READY, t_s))
                self._go(Phase.SOAK, t_s)  # it has to settle anew
        elif self.phase is Phase.STEADY and (self.phase_since_s == t_s or self._ready_later):
            self._ready_later = context.burns  # nobody is sent to start a job in smoke
            if self._ready_later:
                return
            self._ready_c = air_c
            detail: dict[str, JsonValue] = {"cause": "clear", "temperature_c": round(air_c, 1)}
            if self._target_c is not None:
                detail["target_c"] = self._target_c
            findings.append(notice_raised(self._told, Kind.SOAK_READY, t_s, detail))

    def _tell_cool(
        self,
        t_s: float,
        hottest_c: float,
        bed_c: float | None,
        context: ThermalContext,
        findings: list[Finding],
    ) -> None:
        enough_c = self._enough_c
        if Kind.COOL_ENOUGH in self._told:
            if (
                self.phase is Phase.WARMING
                or context.smoke_or_fire
                or hottest_c > enough_c + 3.0
                or context.job in AT_WORK
            ):
                findings.append(notice_cleared(self._told, Kind.COOL_ENOUGH, t_s))
                if self.phase is Phase.COOL_ENOUGH:
                    self._go(Phase.COOLING, t_s)
            return
        slope = self._past.slope_k_per_min(120.0)
        if (
            self.phase is not Phase.COOLING
            or context.smoke_or_fire
            or context.job in AT_WORK
            or hottest_c > enough_c
            or self._hottest_c < enough_c + HOT_K
            or self._hot_one_missing()
            or (bed_c is not None and bed_c > enough_c + BED_OVER_K)
            or slope is None
            or not -COOL_K_PER_MIN <= slope < RISING_K_PER_MIN
        ):
            self._cool_since_s = None
            return
        if self._cool_since_s is None:
            self._cool_since_s = t_s
        if t_s - self._cool_since_s >= COOL_S:
            self._cool_since_s = None
            self._go(Phase.COOL_ENOUGH, t_s)
            detail: dict[str, JsonValue] = {
                "cause": "clear",
                "temperature_c": round(hottest_c, 1),
                "below_c": round(enough_c, 1),
            }
            findings.append(notice_raised(self._told, Kind.COOL_ENOUGH, t_s, detail))
