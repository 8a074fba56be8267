"""Where the chamber stands in its day, and what a person waits for.

    cold -> warming -> soak -> steady -> cooling -> cool enough -> cold

Phases follow from the readings; a job's marks only make them surer. `soak` is
air at its target (without one: no longer rising by more than 0.25 K/min, well
above the room); `steady` is that for five minutes with slope and spread
between the sensors settled, which for a box warmed by its bed means slow
enough, not still. `soak_ready` is told on becoming steady, `cool_enough` when
the hottest sensor of a cooling chamber is down to what the material bears and
falls slowly, so that the part has followed; never after smoke or fire.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

from stillair.model import Change, Finding, JobPhase, JsonValue, Kind, Phase
from stillair.thermal.air import AirTrack
from stillair.thermal.materials import COOL_C, material
from stillair.thermal.plan import ThermalContext

GRID_S = 10.0
KEEP = 61  # ten minutes
COLD_K = 4.0
WARM_K = 8.0
RISING_K_PER_MIN = 0.3
SOAK_K_PER_MIN = 0.25
STEADY_K_PER_MIN = 0.15
STEADY_S = 300.0
SPREAD_K = 0.7
AT_TARGET_K = 1.0
FALLEN_K, FALLEN_SHARE = 3.0, 0.10
SHIFT_K, SHIFT_SHARE = 1.5, 0.05
BELOW_K, BELOW_BACK_K, BELOW_S = 3.0, 1.5, 120.0
WARM_OVER_K, WARM_BACK_K, WARM_S = 0.5, 1.0, 60.0
COOL_S = 60.0
COOL_K_PER_MIN = 1.0  # falling faster, the part hasn't followed
HOT_K = 5.0  # only what was this much hotter can become cool enough
ABOVE_ROOM_K = 4.0
BED_OVER_K = 5.0
UNKNOWN_S = 60.0
AFTER_DOOR_S = 600.0  # so long a chamber that had cold air let in may lag behind
HOT_PHASES = (Phase.SOAK, Phase.STEADY)
ENDED = (JobPhase.COOLING, JobPhase.FINISHED)


class _Delayed:
    """A condition with an on-delay, a deadband and an off-delay of the same length."""

    def __init__(self, delay_s: float) -> None:
        self._delay_s = delay_s
        self._since_s: float | None = None
        self.onset_s: float | None = None

    def update(self, t_s: float, on: bool, off: bool) -> Change | None:
        """RAISED or CLEARED at the second at which it changes."""
        wanted = off if self.onset_s is not None else on
        if not wanted:
            self._since_s = None
            return None
        if self._since_s is None:
            self._since_s = t_s
        if t_s - self._since_s < self._delay_s:
            return None
        since_s, self._since_s = self._since_s, None
        if self.onset_s is None:
            self.onset_s = since_s
            return Change.RAISED
        return Change.CLEARED


class PhaseWatch:
    """Follow the phases of one chamber and tell what depends on them."""

    def __init__(self, target_c: float | None, limit_c: float) -> None:
        self.phase = Phase.UNKNOWN
        self.phase_since_s = 0.0
        self.air_c: float | None = None
        self.soak_forecast_s: float | None = None
        self._target_c = target_c
        self._limit_c = limit_c
        self._grid: deque[tuple[float, float, float]] = deque(maxlen=KEEP)  # time, air, spread
        self._seen_s: float | None = None
        self._since_s: float | None = None  # of unbroken air
        self._peak_c = self._low_c = 0.0
        self._hottest_c = -math.inf  # since the chamber was last cold
        self._soaked = False
        self._told: dict[Kind, float] = {}
        self._below = _Delayed(BELOW_S)
        self._warm = _Delayed(WARM_S)
        self._cool_since_s: float | None = None
        self._door_s = -math.inf  # when cold air last came in
        self._cool_c = COOL_C
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

        `cold_air` says that a door or draft stands, `unheated` that heat is lost.
        """
        findings: list[Finding] = []
        if not tracks:
            self.air_c = None
            if self._seen_s is None or t_s - self._seen_s > UNKNOWN_S:
                self._go(Phase.UNKNOWN, t_s)
                self._since_s = None
                self._grid.clear()
            return findings
        values = [track.now_c for track in tracks]
        self.air_c = air_c = sum(values) / len(values)
        hottest_c = max(values)
        self._seen_s = t_s
        if self._since_s is None:
            self._since_s = t_s
            self._peak_c = self._low_c = air_c
        self._hottest_c = max(self._hottest_c, hottest_c)
        if context.material != self._material:
            self._material = context.material
            row = material(context.material)
            self._cool_c = row.cool_c if row else COOL_C
        if not self._grid or t_s - self._grid[-1][0] >= GRID_S - 0.5:
            self._grid.append((t_s, air_c, hottest_c - min(values)))
            self._move(t_s, air_c, room_c, context.job, cold_air, unheated)
        self._tell_soak(t_s, air_c, findings)
        self._tell_cool(t_s, hottest_c, room_c, bed_c, context, findings)
        self._tell_band(t_s, air_c, context, findings)
        return findings

    # --- phases ------------------------------------------------------------

    def _slope_k_per_min(self, window_s: float) -> float | None:
        """Rise per minute over the last `window_s`; None while the past is too short."""
        steps = round(window_s / GRID_S)
        if len(self._grid) <= steps:
            return None
        then_s, then_c, _ = self._grid[-1 - steps]
        now_s, now_c, _ = self._grid[-1]
        return (now_c - then_c) * 60.0 / (now_s - then_s)

    def _move(
        self,
        t_s: float,
        air_c: float,
        room_c: float,
        job: JobPhase | None,
        cold_air: bool,
        unheated: bool,
    ) -> None:
        if cold_air:
            self._door_s = t_s
        cold_air = t_s - self._door_s < AFTER_DOOR_S
        self._peak_c = max(self._peak_c, air_c)
        self._low_c = min(self._low_c, air_c)
        slope = self._slope_k_per_min(120.0)
        if slope is None:
            return
        excess_k = air_c - room_c
        at_target = self._target_c is not None and air_c >= self._target_c - AT_TARGET_K
        phase = self.phase
        if phase is Phase.UNKNOWN:
            if excess_k < COLD_K and slope < RISING_K_PER_MIN:
                self._go(Phase.COLD, t_s)
            elif slope >= RISING_K_PER_MIN:
                self._go(Phase.WARMING, t_s)
            elif (slow := self._slope_k_per_min(300.0)) is not None:
                self._go(Phase.COOLING if slow <= -RISING_K_PER_MIN else Phase.SOAK, t_s)
        elif phase in (Phase.COLD, Phase.COOL_ENOUGH, Phase.COOLING):
            if slope >= RISING_K_PER_MIN and air_c >= self._low_c + 1.5 and job not in ENDED:
                self._go(Phase.WARMING, t_s)
            elif phase is not Phase.COLD and excess_k < COLD_K and slope < RISING_K_PER_MIN:
                self._go(Phase.COLD, t_s)
        elif job in ENDED or (
            not cold_air
            and slope < -0.05
            and air_c < self._peak_c - max(FALLEN_K, FALLEN_SHARE * (self._peak_c - room_c))
            and (unheated or self._shift_k() < -max(SHIFT_K, SHIFT_SHARE * excess_k))
            and not at_target
        ):
            self._go(Phase.COOLING, t_s)
        elif phase is Phase.WARMING:
            slow = self._slope_k_per_min(300.0)
            if at_target or (
                self._target_c is None
                and slow is not None
                and abs(slow) < SOAK_K_PER_MIN
                and excess_k >= WARM_K
            ):
                self._go(Phase.SOAK, t_s)
            elif excess_k < COLD_K and slope < RISING_K_PER_MIN and self._peak_c - room_c < WARM_K:
                self._go(Phase.COLD, t_s)
            self._forecast(t_s, air_c)
        elif phase is Phase.SOAK and t_s - self.phase_since_s >= STEADY_S:
            slow = self._slope_k_per_min(300.0)
            if (
                slow is not None
                and abs(slow) < STEADY_K_PER_MIN
                and self._spread_settled()
                and excess_k >= WARM_K
                and (self._target_c is None or at_target)
                and not cold_air
            ):
                self._go(Phase.STEADY, t_s)

    def _shift_k(self) -> float:
        """How much the last five minutes were warmer than the five before, on average."""
        values = [air_c for _, air_c, _ in self._grid]
        if len(values) < KEEP:
            return 0.0
        half = KEEP // 2
        return (sum(values[-half:]) - sum(values[-2 * half : -half])) / half

    def _spread_settled(self) -> bool:
        spreads = [spread for _, _, spread in list(self._grid)[-31:]]
        return max(spreads) - min(spreads) < max(SPREAD_K, 0.2 * max(spreads))

    def _forecast(self, t_s: float, air_c: float) -> None:
        """When an exponential through now, five and ten minutes ago will be at the target."""
        self.soak_forecast_s = None
        if self._target_c is None or len(self._grid) < KEEP:
            return
        first_c, middle_c = self._grid[0][1], self._grid[KEEP // 2][1]
        early_k, late_k = middle_c - first_c, air_c - middle_c
        if not 0.0 < late_k < early_k:
            return
        ratio = late_k / early_k
        end_c = air_c + late_k * ratio / (1.0 - ratio)
        to_go_k = self._target_c - air_c
        if to_go_k <= 0.0 or end_c <= self._target_c:
            return
        steps = math.log(1.0 - to_go_k / (end_c - air_c)) / math.log(ratio)
        self.soak_forecast_s = round(t_s + steps * GRID_S * (KEEP // 2) + STEADY_S)

    def _go(self, phase: Phase, t_s: float) -> None:
        if phase is self.phase:
            return
        self.phase, self.phase_since_s = phase, t_s
        self.soak_forecast_s = None
        if self.air_c is not None:
            self._peak_c = self._low_c = self.air_c
        if phase is Phase.COLD:
            self._hottest_c = -math.inf
            self._soaked = False
        elif phase is Phase.STEADY:
            self._soaked = True

    # --- what is told ------------------------------------------------------

    def _tell_soak(self, t_s: float, air_c: float, findings: list[Finding]) -> None:
        ready = self.phase is Phase.STEADY
        if ready and Kind.SOAK_READY not in self._told:
            detail: dict[str, JsonValue] = {"cause": "clear", "temperature_c": round(air_c, 1)}
            if self._target_c is not None:
                detail["target_c"] = self._target_c
            self._notice(Kind.SOAK_READY, t_s, detail, findings)
        elif not ready and self.phase is not Phase.UNKNOWN and Kind.SOAK_READY in self._told:
            self._unnotice(Kind.SOAK_READY, t_s, findings)

    def _tell_cool(
        self,
        t_s: float,
        hottest_c: float,
        room_c: float,
        bed_c: float | None,
        context: ThermalContext,
        findings: list[Finding],
    ) -> None:
        enough_c = max(self._cool_c, room_c + ABOVE_ROOM_K)
        if Kind.COOL_ENOUGH in self._told:
            if (
                self.phase is Phase.WARMING
                or context.smoke_or_fire
                or hottest_c > enough_c + 3.0
                or context.job in (JobPhase.RUNNING, JobPhase.PAUSED)
            ):
                self._unnotice(Kind.COOL_ENOUGH, t_s, findings)
                if self.phase is Phase.COOL_ENOUGH:
                    self._go(Phase.COOLING, t_s)
            return
        slope = self._slope_k_per_min(120.0)
        if (
            self.phase is not Phase.COOLING
            or context.smoke_or_fire
            or context.job in (JobPhase.RUNNING, JobPhase.PAUSED)
            or hottest_c > enough_c
            or self._hottest_c < enough_c + HOT_K
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
            self._notice(Kind.COOL_ENOUGH, t_s, detail, findings)

    def _tell_band(
        self, t_s: float, air_c: float, context: ThermalContext, findings: list[Finding]
    ) -> None:
        """Too cool after soak, too warm for the material."""
        row = material(context.material)
        floor_c = self._target_c if self._target_c is not None else (row.floor_c if row else None)
        quiet = context.job in (JobPhase.PAUSED, *ENDED) or not self._soaked
        if floor_c is not None:
            change = self._below.update(
                t_s,
                air_c < floor_c - BELOW_K and not quiet and self.phase is not Phase.UNKNOWN,
                air_c > floor_c - BELOW_BACK_K or quiet,
            )
            self._tell_delayed(
                Kind.BELOW_TARGET, self._below, change, t_s, air_c, ("target_c", floor_c), findings
            )
        ceiling_c = row.ceiling_c if row else None
        if ceiling_c is not None and ceiling_c < self._limit_c:
            working = context.job in (JobPhase.RUNNING, JobPhase.PAUSED)
            change = self._warm.update(
                t_s,
                air_c > ceiling_c + WARM_OVER_K and working,
                air_c < ceiling_c - WARM_BACK_K or not working,
            )
            self._tell_delayed(
                Kind.TOO_WARM, self._warm, change, t_s, air_c, ("ceiling_c", ceiling_c), findings
            )
        elif self._warm.onset_s is not None:
            change = self._warm.update(t_s, False, True)
            self._tell_delayed(
                Kind.TOO_WARM, self._warm, change, t_s, air_c, ("ceiling_c", 0.0), findings
            )

    def _tell_delayed(
        self,
        kind: Kind,
        delayed: _Delayed,
        change: Change | None,
        t_s: float,
        air_c: float,
        bound: tuple[str, float],
        findings: list[Finding],
    ) -> None:
        if change is None or delayed.onset_s is None:
            return
        onset_s = delayed.onset_s
        if change is Change.CLEARED:
            delayed.onset_s = None
        findings.append(
            Finding(
                kind,
                change,
                t_s,
                onset_s,
                (),
                {"cause": "clear", "temperature_c": round(air_c, 1), bound[0]: bound[1]},
                end_s=t_s if change is Change.CLEARED else None,
            )
        )

    def _notice(
        self, kind: Kind, t_s: float, detail: dict[str, JsonValue], findings: list[Finding]
    ) -> None:
        self._told[kind] = t_s
        findings.append(Finding(kind, Change.RAISED, t_s, t_s, (), detail))

    def _unnotice(self, kind: Kind, t_s: float, findings: list[Finding]) -> None:
        onset_s = self._told.pop(kind)
        findings.append(
            Finding(kind, Change.CLEARED, t_s, onset_s, (), {"cause": "clear"}, end_s=t_s)
        )
