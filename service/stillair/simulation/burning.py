"""A fire in the chamber: heat, smoke and flame that grow as the literature says.

*Growth.* Heat release `alpha t^2` after a smoulder that gives smoke alone
(NFPA 72, annex B: slow, medium, fast and ultra-fast reach 1055 kW in 600,
300, 150 and 75 s).

*Oxygen.* 13.1 MJ a kilogram of oxygen used (Huggett, C. (1980) Estimation of
rate of heat release by means of oxygen consumption measurements, Fire and
Materials 4). A closed box holds little, so its fire chokes: from 15 % by
volume down to 11 % the flame weakens linearly to nothing, in the range that
Beyler, C. L. (2002), SFPE handbook, gives for flames in vitiated air. A choked
fire smoulders on, and an opened door lets it flare up.

*Smoke.* ABS yields 0.105 kg of soot a kilogram at 30 kJ/g (Tewarson, A.,
SFPE handbook; recalled); extinction 8700 m2 a kilogram of soot (Mulholland,
G. W. and Croarkin, C. (2000) Specific extinction coefficient of flame
generated smoke, Fire and Materials 24). It moves with the air of the heat
model.

*Flame.* Height `0.235 Q^(2/5) - 1.02 D`, kW and m (Heskestad, G. (1983)
Luminous heights of turbulent diffusion flames, Fire Safety J. 5).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from stillair.simulation.physics import HeatModel

GROWTH_KW_PER_S2: Final[Mapping[str, float]] = {
    "slow": 1055.0 / 600.0**2,
    "medium": 1055.0 / 300.0**2,
    "fast": 1055.0 / 150.0**2,
    "ultra_fast": 1055.0 / 75.0**2,
}

JOULE_PER_KG_OXYGEN: Final = 13.1e6
OXYGEN_IN_AIR: Final = 0.2095
OXYGEN_FULL: Final = 0.15
OXYGEN_OUT: Final = 0.11
OXYGEN_KG_PER_M3: Final = 1.33
EXTINCTION_M2_PER_J: Final = 0.105 / 30.0e6 * 8700.0
SMOULDER_M2_PER_S: Final = 0.001  # some 1 mg/s of plastic at a tenth of soot and tar (assumed)
FLAME_WIDTH_M: Final = 0.08


@dataclass(frozen=True, slots=True)
class FirePlan:
    """How one fire goes: smoulder first, then growth to a peak; the fuel is what there is."""

    growth: str = "medium"
    smoulder_s: float = 0.0
    peak_kw: float = 20.0
    fuel_mj: float = 10.0


class Burning:
    """The fire and the smoke of one chamber; `step` once a step of the heat model.

    `flame_w` is what burns now, `lower_per_m` and `upper_per_m` the smoke's
    extinction in the layers, `oxygen` a share of volume.
    """

    __slots__ = (
        "flame_w",
        "lower_per_m",
        "oxygen",
        "upper_per_m",
        "_burnt_j",
        "_half_m3",
        "_plan",
        "_since_s",
    )

    def __init__(self, volume_m3: float) -> None:
        self._half_m3 = volume_m3 / 2.0
        self._plan: FirePlan | None = None
        self._since_s = 0.0
        self._burnt_j = 0.0
        self.flame_w = 0.0
        self.lower_per_m = 0.0
        self.upper_per_m = 0.0
        self.oxygen = OXYGEN_IN_AIR

    @property
    def calm(self) -> bool:
        """Nothing burns and the air is clean."""
        return self._plan is None and self.oxygen == OXYGEN_IN_AIR and self.upper_per_m == 0.0

    @property
    def flame_m(self) -> float:
        """Height of the flame."""
        if self.flame_w <= 0.0:
            return 0.0
        height_m: float = 0.235 * (self.flame_w / 1000.0) ** 0.4 - 1.02 * FLAME_WIDTH_M
        return max(0.0, height_m)

    def light(self, plan: FirePlan) -> None:
        """Begin a fire; one that burns already goes on."""
        if self._plan is None:
            self._plan, self._since_s, self._burnt_j = plan, 0.0, 0.0

    def put_out(self) -> None:
        """End the fire at once; its smoke stays until the air has changed."""
        self._plan = None
        self.flame_w = 0.0

    def step(self, step_s: float, heat: HeatModel) -> None:
        """Burn for `step_s` and move smoke and oxygen with the air."""
        if self.calm:
            return
        made_m2_per_s = 0.0
        plan = self._plan
        if plan is not None:
            self._since_s += step_s
            glowing = min(1.0, self._since_s / 60.0)
            burning_s = self._since_s - plan.smoulder_s
            wanted_w = 0.0
            if burning_s > 0.0:
                wanted_w = 1000.0 * min(
                    plan.peak_kw, GROWTH_KW_PER_S2[plan.growth] * burning_s * burning_s
                )
            air = (self.oxygen - OXYGEN_OUT) / (OXYGEN_FULL - OXYGEN_OUT)
            self.flame_w = wanted_w * min(1.0, max(0.0, air))
            self._burnt_j += self.flame_w * step_s
            made_m2_per_s = self.flame_w * EXTINCTION_M2_PER_J + SMOULDER_M2_PER_S * glowing
            if self._burnt_j > plan.fuel_mj * 1e6:
                self.put_out()
        self._move(step_s, heat, made_m2_per_s)

    def _move(self, step_s: float, heat: HeatModel, made_m2_per_s: float) -> None:
        half = self._half_m3
        door, leak = heat.door_m3_per_s / half, heat.leak_m3_per_s / half / 2.0
        # A plume carries the lower layer up with it; without one only the fan mixes.
        mix = heat.mix_m3_per_s / half
        # Implicit, as the air: clean air into the lower layer, foul out of the upper.
        per_s = 1.0 / step_s
        a_ll, a_uu = per_s + door + leak + mix, per_s + door + leak + mix
        b_l, b_u = per_s * self.lower_per_m, per_s * self.upper_per_m + made_m2_per_s / half
        determinant = a_ll * a_uu - mix * (mix + door)
        self.lower_per_m = (b_l * a_uu + mix * b_u) / determinant
        self.upper_per_m = (b_u * a_ll + (mix + door) * b_l) / determinant
        used_per_s = self.flame_w / JOULE_PER_KG_OXYGEN / (OXYGEN_KG_PER_M3 * 2.0 * half)
        change_per_s = door / 2.0 + leak
        self.oxygen = (per_s * self.oxygen + change_per_s * OXYGEN_IN_AIR - used_per_s) / (
            per_s + change_per_s
        )
        self.oxygen = max(0.0, self.oxygen)
        if self._plan is None and self.upper_per_m < 1e-4 and OXYGEN_IN_AIR - self.oxygen < 1e-4:
            self.lower_per_m = self.upper_per_m = 0.0
            self.oxygen = OXYGEN_IN_AIR


def decibel_per_m(extinction_per_m: float) -> float:
    """Smoke as detector standards tell it: m = 10 log10(I0/I) per metre (EN 54-7, annex on m)."""
    return extinction_per_m * 10.0 / math.log(10.0)
