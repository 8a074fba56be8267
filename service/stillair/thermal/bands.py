"""Too cool after soak, too warm for the material: told late, and with a deadband.

The floor is the target, or where there is none that of the job's material;
the ceiling is the material's. Neither says anything of danger, so both wait:
two minutes below, one above. Without a job's marks a chamber that cools down isn't
below its target.
"""

from __future__ import annotations

from stillair.model import AT_WORK, Change, Detail, Finding, JobPhase, JsonValue, Kind
from stillair.model.materials import material
from stillair.thermal.plan import ThermalContext

BELOW_K, BELOW_BACK_K, BELOW_S = 3.0, 1.5, 120.0
WARM_OVER_K, WARM_BACK_K, WARM_S = 0.5, 1.0, 60.0
RETELL_K = 1.0  # further away by so much: it is told again


class Delayed:
    """A condition with an on-delay, a deadband and an off-delay of the same length."""

    def __init__(self, delay_s: float) -> None:
        self._delay_s = delay_s
        self._since_s: float | None = None
        self.onset_s: float | None = None

    @property
    def is_waiting(self) -> bool:
        """Whether it holds, but not yet for long enough to be told."""
        return self.onset_s is None and self._since_s is not None

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


class BandWatch:
    """Tell when the air leaves the band that the part wants."""

    def __init__(self, target_c: float | None, limit_c: float) -> None:
        self._target_c = target_c
        self._limit_c = limit_c
        self._below = Delayed(BELOW_S)
        self._warm = Delayed(WARM_S)
        self._floor_c = self._ceiling_c = 0.0  # those that were told
        self._furthest: dict[Kind, tuple[float, float]] = {}  # of what stands, and as told

    def tick(
        self,
        t_s: float,
        air_c: float,
        context: ThermalContext,
        *,
        soaked: bool,
        cooling: bool,
        findings: list[Finding],
    ) -> None:
        """Judge at a whole second.

        `soaked` says that the chamber has been steady since it was cold, `cooling`
        that it is no longer heated and nobody has said that it should be.
        """
        row = material(context.material)
        floor_c = self._target_c if self._target_c is not None else (row.floor_c if row else None)
        ended = context.job in (JobPhase.COOLING, JobPhase.FINISHED)
        quiet = cooling or context.job is JobPhase.PAUSED or ended or not soaked or floor_c is None
        self._floor_c = floor_c if floor_c is not None else self._floor_c
        change = self._below.update(
            t_s,
            not quiet and air_c < self._floor_c - BELOW_K,
            quiet or air_c > self._floor_c - BELOW_BACK_K,
        )
        bound: dict[str, JsonValue] = {"target_c": self._floor_c}
        if change is Change.CLEARED and cooling:
            bound["ended"] = "the chamber is cooling down"
        self._tell(Kind.BELOW_TARGET, self._below, change, t_s, air_c, bound, findings)
        ceiling_c = row.ceiling_c if row else None
        working = ceiling_c is not None and ceiling_c < self._limit_c and context.job in AT_WORK
        self._ceiling_c = ceiling_c if ceiling_c is not None else self._ceiling_c
        change = self._warm.update(
            t_s,
            working and air_c > self._ceiling_c + WARM_OVER_K,
            not working or air_c < self._ceiling_c - WARM_BACK_K,
        )
        bound = {"ceiling_c": self._ceiling_c}
        self._tell(Kind.TOO_WARM, self._warm, change, t_s, air_c, bound, findings)

    def _tell(
        self,
        kind: Kind,
        delayed: Delayed,
        change: Change | None,
        t_s: float,
        air_c: float,
        bound: dict[str, JsonValue],
        findings: list[Finding],
    ) -> None:
        if delayed.onset_s is None and not delayed.is_waiting:
            self._furthest.pop(kind, None)
            return
        # A figure of the moment would say least of all at the end, when it has come back.
        further = min if kind is Kind.BELOW_TARGET else max
        before_c, told_c = self._furthest.get(kind, (air_c, air_c))
        air_c = further(before_c, air_c)
        onset_s = delayed.onset_s
        if change is None and onset_s is not None and abs(air_c - told_c) >= RETELL_K:
            change = Change.REVISED
        self._furthest[kind] = (air_c, told_c if change is None else air_c)
        if change is None or onset_s is None:
            return
        end_s = None
        if change is Change.CLEARED:
            delayed.onset_s = None
            del self._furthest[kind]
            end_s = t_s
        detail: Detail = {"cause": "clear", "temperature_c": round(air_c, 1), **bound}
        findings.append(Finding(kind, change, t_s, onset_s, (), detail, end_s=end_s))


def notice_raised(told: dict[Kind, float], kind: Kind, t_s: float, detail: Detail) -> Finding:
    """A thing that a person waited for has come; `told` remembers since when."""
    told[kind] = t_s
    return Finding(kind, Change.RAISED, t_s, t_s, (), detail)


def notice_cleared(told: dict[Kind, float], kind: Kind, t_s: float, why: str = "") -> Finding:
    """It is no longer so, and why, where the temperatures don't say it."""
    onset_s = told.pop(kind)
    detail: Detail = {"cause": "clear", "ended": why} if why else {"cause": "clear"}
    return Finding(kind, Change.CLEARED, t_s, onset_s, (), detail, end_s=t_s)
