"""Heat in an enclosed chamber: nine lumped masses, explicit units.

The model
---------
Two layers of air (lower, upper), a wall to each, the bed, the part, the
machine's metal, a heater with its own mass, and the room, whose temperature
is given. Every path between two of them is one conductance in W/K, so what
leaves one arrives at the other:

    room --leak, draft, door--> lower air --mixing, door--> upper air --> room
    each layer -- film and half the wall -- wall -- half the wall and film -- room
    bed, part, machine, heater -- film -- air;   bed -- part;   bed -- radiation -- walls

*Layers.* At constant pressure the enthalpy of a fixed volume follows
`rho(T) cp V dT/dt = sum of flows`; rho = 353 / T (dry air, 1013 hPa). Warm
air over cold mixes only as the fan makes it; cold over warm turns over.

*Door.* `Q = Cd (A/3) sqrt(g H dT/T)` with `Cd = 0.40 + 0.0045 dT`, both
ways at once through the lower and the upper half of the opening (Brown, W. G.
and Solvason, K. R. (1962) Natural convection through rectangular openings in
partitions, Int. J. Heat Mass Transfer 5; Kiel, D. E. and Wilson, D. J. (1989)
Combining door swing pumping with density driven flow, ASHRAE Trans. 95 (2)).
Cold air enters the lower layer and pushes it up into the upper one and out. A
lid is treated as a door of the same size. Air stirred by a fan adds
`0.1 A v` (Warren, P. R. (1977) Ventilation through openings on one wall only).

*Walls.* U values from `materials`, heat capacity in the middle of the wall.
Moving air adds 3.9 W/(m2 K) per m/s to a film (McAdams, W. H. (1954) Heat
Transmission), smoky gas its radiation, 4 eps sigma T^3.

*Fire.* 35 % of its heat is radiation, the rest goes up with the plume; neither
warms gas or wall beyond the flame's own 1000 K or so above the room (McCaffrey,
B. J. (1979) Purely buoyant diffusion flames, NBSIR 79-1910, has 800 to 900 K);
what finds no taker shines out at the openings.

*Stepping.* The air, which is quick, is solved implicitly (two equations);
the slow masses then take exactly the heat the air gave, so energy is kept to
rounding, and a step of 1 s can't become unstable. A door, a draft or a fire
divides the step, because implicit steps blur what is faster than they are.

Temperatures are degrees Celsius, powers watts, flows m3/s, times seconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from stillair.simulation.materials import FILM_W_PER_M2K, layered

KELVIN: Final = 273.15
AIR_J_PER_KGK: Final = 1006.0
AIR_KGK_PER_M3: Final = 353.0
GRAVITY_M_PER_S2: Final = 9.81
STEFAN_BOLTZMANN: Final = 5.67e-8
STEEL_J_PER_KGK: Final = 480.0
PLASTIC_J_PER_KGK: Final = 1500.0
PLASTIC_KG_PER_M3: Final = 1070.0
FLAME_RISE_K: Final = 1000.0
RADIANT_SHARE: Final = 0.35

QUIET_STEP_S: Final = 1.0
STIRRED_STEP_S: Final = 0.25


@dataclass(frozen=True, slots=True)
class Box:
    """The enclosure. `walls` are layers of one wall; `mix_m3_per_s` is what the fan exchanges
    between the layers, `stir_m_per_s` the speed of the air it makes at the sensors."""

    walls: tuple[str, ...] = ("plywood",)
    width_m: float = 0.6
    depth_m: float = 0.6
    height_m: float = 0.6
    leak_per_h: float = 1.5
    door_width_m: float = 0.5
    door_height_m: float = 0.5
    mix_m3_per_s: float = 0.002
    stir_m_per_s: float = 0.3
    machine_kg: float = 6.0
    machine_area_m2: float = 0.35

    @property
    def volume_m3(self) -> float:
        return self.width_m * self.depth_m * self.height_m

    @property
    def wall_area_m2(self) -> float:
        w, d, h = self.width_m, self.depth_m, self.height_m
        return 2.0 * (w * d + w * h + d * h)


@dataclass(frozen=True, slots=True)
class RoomPlan:
    """The room around the box: a mean, a daily swing to either side, and its warmest hour."""

    mean_c: float = 20.0
    swing_k: float = 0.0
    warmest_at_h: float = 15.0

    def temperature_c(self, hour: float) -> float:
        """The room at an hour of the day (any number; days repeat)."""
        if self.swing_k == 0.0:
            return self.mean_c
        turn = math.tau * (hour - self.warmest_at_h) / 24.0
        return self.mean_c + self.swing_k * math.cos(turn)


@dataclass(frozen=True, slots=True)
class BedPlan:
    """The heated plate; without a target it is off."""

    width_m: float = 0.25
    depth_m: float = 0.25
    mass_kg: float = 0.9
    power_w: float = 250.0
    target_c: float | None = None
    heat_j_per_kgk: float = 900.0  # aluminium


@dataclass(frozen=True, slots=True)
class HeaterPlan:
    """A chamber heater with a thermostat in the air; it has a mass of its own, so it heats on."""

    power_w: float = 250.0
    target_c: float | None = None
    hysteresis_k: float = 0.5
    capacity_j_per_k: float = 180.0
    conductance_w_per_k: float = 3.0
    upper_share: float = 0.8
    thermostat_tau_s: float = 20.0
    cut_out: bool = False  # a switch of the heater's own stops it while the door is open


@dataclass(slots=True)
class Drives:
    """What acts on the chamber during a step; the script and the fire set it."""

    room_c: float = 20.0
    door_fraction: float = 0.0
    draft_per_h: float = 0.0
    draft_upper: float = 0.5  # share of a draft's cold air that comes into the upper layer
    fan: float = 1.0
    part_fan: float = 0.0
    bed_target_c: float | None = None
    heater_target_c: float | None = None
    machine_w: float = 0.0  # motors and hot end, into the lower air
    flame_w: float = 0.0  # a fire's heat release
    smoke_per_m: float = 0.0  # extinction of the upper layer: radiates when hot

    @property
    def stirred(self) -> bool:
        """Whether something quick is going on."""
        return self.door_fraction > 0.0 or self.draft_per_h > 0.0 or self.flame_w > 0.0


def door_flow_m3_per_s(width_m: float, height_m: float, inside_c: float, room_c: float) -> float:
    """Air that goes each way through an opening by buoyancy alone; see the module's *Door*."""
    difference_k = abs(inside_c - room_c)
    # The correlation was measured up to some 40 K; a fire's thousand must not multiply Cd.
    discharge = 0.40 + 0.0045 * min(difference_k, 60.0)
    absolute_k = max(inside_c, room_c) + KELVIN
    return (
        discharge
        * (width_m * height_m / 3.0)
        * math.sqrt(GRAVITY_M_PER_S2 * height_m * difference_k / absolute_k)
    )


class HeatModel:
    """The chamber's temperatures, moved on by `step`.

    All attributes ending in `_c` may be read at any time; flows of the last
    step stand in `door_m3_per_s`, `leak_m3_per_s` and `mix_m3_per_s`.
    """

    __slots__ = (
        "air_m_per_s",
        "bed_c",
        "bed_on_w",
        "box",
        "door_m3_per_s",
        "heater_c",
        "heater_on",
        "leak_m3_per_s",
        "lower_c",
        "machine_c",
        "mix_m3_per_s",
        "part_c",
        "part_kg",
        "room_c",
        "thermostat_c",
        "upper_c",
        "wall_lower_c",
        "wall_upper_c",
        "_bed",
        "_bed_area_m2",
        "_bed_j_per_k",
        "_half_m3",
        "_heater",
        "_machine_j_per_k",
        "_wall_area_m2",
        "_wall_half_m2k_per_w",
        "_wall_j_per_k",
        "_wall_out_w_per_k",
    )

    def __init__(self, box: Box, bed: BedPlan, heater: HeaterPlan | None, room_c: float) -> None:
        wall = layered(box.walls)
        self.box = box
        self._bed = bed
        self._heater = heater
        self._half_m3 = box.volume_m3 / 2.0
        self._wall_area_m2 = box.wall_area_m2 / 2.0
        self._wall_half_m2k_per_w = wall.resistance_m2k_per_w / 2.0
        self._wall_j_per_k = wall.capacity_j_per_m2k * self._wall_area_m2
        self._wall_out_w_per_k = self._wall_area_m2 / (
            self._wall_half_m2k_per_w + 1.0 / FILM_W_PER_M2K
        )
        self._bed_area_m2 = bed.width_m * bed.depth_m
        self._bed_j_per_k = bed.mass_kg * bed.heat_j_per_kgk
        self._machine_j_per_k = box.machine_kg * STEEL_J_PER_KGK
        self.room_c = room_c
        self.lower_c = self.upper_c = self.wall_lower_c = self.wall_upper_c = room_c
        self.bed_c = self.machine_c = self.part_c = self.heater_c = self.thermostat_c = room_c
        self.heater_on = False
        self.bed_on_w = 0.0
        self.part_kg = 0.0
        self.door_m3_per_s = self.leak_m3_per_s = self.mix_m3_per_s = 0.0
        self.air_m_per_s = 0.0

    def add_plastic(self, mass_kg: float, temperature_c: float) -> None:
        """Lay plastic on the part; the heat it brings comes with it."""
        if mass_kg > 0.0:
            total_kg = self.part_kg + mass_kg
            self.part_c += (temperature_c - self.part_c) * mass_kg / total_kg
            self.part_kg = total_kg

    def take_part_away(self) -> None:
        """The part is lifted out of the chamber."""
        self.part_kg = 0.0
        self.part_c = self.bed_c

    def heat_j(self) -> float:
        """Heat stored above the room, air counted at its present density. For checks of energy."""
        room_c = self.room_c
        stored = 0.0
        for air_c in (self.lower_c, self.upper_c):
            stored += _air_j_per_k(air_c, self._half_m3) * (air_c - room_c)
        for wall_c in (self.wall_lower_c, self.wall_upper_c):
            stored += self._wall_j_per_k * (wall_c - room_c)
        stored += self._bed_j_per_k * (self.bed_c - room_c)
        stored += self._machine_j_per_k * (self.machine_c - room_c)
        stored += self.part_kg * PLASTIC_J_PER_KGK * (self.part_c - room_c)
        if self._heater is not None:
            stored += self._heater.capacity_j_per_k * (self.heater_c - room_c)
        return stored

    def step(self, duration_s: float, drives: Drives, *, coarse_s: float = QUIET_STEP_S) -> None:
        """Move `duration_s` on, in sub-steps of `coarse_s` when quiet, shorter when stirred."""
        self.room_c = drives.room_c
        least_s = STIRRED_STEP_S if drives.stirred else coarse_s
        parts = max(1, math.ceil(duration_s / least_s - 1e-9))
        part_s = duration_s / parts
        for _ in range(parts):
            self._thermostats(part_s, drives)
            self._move(part_s, drives)

    def _thermostats(self, step_s: float, drives: Drives) -> None:
        heater = self._heater
        if heater is not None:
            air_c = (self.lower_c + self.upper_c) / 2.0
            self.thermostat_c += (
                (air_c - self.thermostat_c) * step_s / (heater.thermostat_tau_s + step_s)
            )
            target_c = drives.heater_target_c
            stopped = heater.cut_out and drives.door_fraction > 0.0
            if target_c is None or stopped:
                self.heater_on = False
            elif self.thermostat_c < target_c - heater.hysteresis_k:
                self.heater_on = True
            elif self.thermostat_c > target_c + heater.hysteresis_k:
                self.heater_on = False
        if drives.bed_target_c is None:
            self.bed_on_w = 0.0
        else:
            # A machine holds its bed within a fraction of a kelvin: proportional over 4 K.
            power_w = self._bed.power_w
            error_k = drives.bed_target_c - self.bed_c
            self.bed_on_w = min(power_w, max(0.0, power_w * (error_k + 0.5) / 4.0))

    def _move(self, step_s: float, drives: Drives) -> None:
        box = self.box
        room_c, lower_c, upper_c = self.room_c, self.lower_c, self.upper_c
        heater = self._heater
        mean_c = (lower_c + upper_c) / 2.0

        # Flows of air, m3/s each way.
        speed_m_per_s = 0.03 + drives.fan * box.stir_m_per_s + 0.2 * drives.part_fan
        door = 0.0
        if drives.door_fraction > 0.0:
            opening_m2 = box.door_width_m * box.door_height_m * drives.door_fraction
            door = door_flow_m3_per_s(
                box.door_width_m * drives.door_fraction, box.door_height_m, mean_c, room_c
            )
            door += 0.1 * opening_m2 * speed_m_per_s
            speed_m_per_s += 2.0 * door / (box.width_m * box.depth_m)
        leak = (box.leak_per_h + drives.draft_per_h) * box.volume_m3 / 3600.0
        over_k = lower_c - upper_c
        mix = 0.0002 + drives.fan * box.mix_m3_per_s + 0.002 * drives.part_fan
        if over_k > 0.0:
            mix += 0.004 * math.sqrt(over_k)  # cold over warm turns over by itself
        self.door_m3_per_s, self.leak_m3_per_s, self.mix_m3_per_s = door, leak, mix
        self.air_m_per_s = speed_m_per_s

        # Conductances, W/K.
        air_j_per_m3k = AIR_KGK_PER_M3 * AIR_J_PER_KGK / (mean_c + KELVIN)
        g_door = door * air_j_per_m3k
        g_draft = drives.draft_per_h * box.volume_m3 / 3600.0 * air_j_per_m3k
        g_leak_lower = g_leak_upper = leak * air_j_per_m3k / 2.0
        g_leak_lower += g_draft * (0.5 - drives.draft_upper)
        g_leak_upper += g_draft * (drives.draft_upper - 0.5)
        g_mix = mix * air_j_per_m3k
        film = FILM_W_PER_M2K + 3.9 * speed_m_per_s
        half = self._wall_half_m2k_per_w
        g_wall_lower = self._wall_area_m2 / (half + 1.0 / film)
        g_wall_upper = g_wall_lower
        if drives.smoke_per_m > 0.01:
            gas_k = (upper_c + self.wall_upper_c) / 2.0 + KELVIN
            emissivity = 1.0 - math.exp(-drives.smoke_per_m * box.height_m)
            glowing = 4.0 * emissivity * STEFAN_BOLTZMANN * gas_k * gas_k * gas_k
            g_wall_upper = self._wall_area_m2 / (half + 1.0 / (film + glowing))
        # 3 W/(m2 K): a film's convection alone, for what stands inside facing equal walls.
        g_bed = self._bed_area_m2 * (3.0 + 3.9 * speed_m_per_s) * 2.0
        bed_k = self.bed_c + KELVIN
        g_glow = 0.9 * STEFAN_BOLTZMANN * 4.0 * bed_k * bed_k * bed_k * self._bed_area_m2
        g_machine = box.machine_area_m2 * film / 2.0
        part_j_per_k = self.part_kg * PLASTIC_J_PER_KGK
        g_part = g_part_bed = 0.0
        if part_j_per_k > 1.0:
            part_m = (self.part_kg / (0.25 * PLASTIC_KG_PER_M3)) ** (1.0 / 3.0)  # sparse filling
            g_part = 5.0 * part_m * part_m * (film + 15.0 * drives.part_fan)
            g_part_bed = 40.0 * part_m * part_m
        g_heater = heater.conductance_w_per_k if heater is not None else 0.0
        to_upper = heater.upper_share if heater is not None else 0.0
        g_heater_lower, g_heater_upper = g_heater * (1.0 - to_upper), g_heater * to_upper

        g_plume = (1.0 - RADIANT_SHARE) * drives.flame_w / FLAME_RISE_K

        # The two layers, implicitly. Air that enters cold sinks to the lower layer, warm rises.
        sinks = room_c <= mean_c
        g_in_lower, g_in_upper = (g_door, 0.0) if sinks else (0.0, g_door)
        from_upper = g_mix + (0.0 if sinks else g_door)
        from_lower = g_mix + (g_door if sinks else 0.0)
        per_lower = _air_j_per_k(lower_c, self._half_m3) / step_s
        per_upper = _air_j_per_k(upper_c, self._half_m3) / step_s
        # Part of a hot plate's plume passes through the lower layer.
        g_bed_lower, g_bed_upper = 0.4 * g_bed, 0.6 * g_bed
        a_ll = (
            per_lower + g_in_lower + g_leak_lower + from_upper + g_wall_lower
            + g_bed_lower + g_machine + g_part + g_heater_lower
        )  # fmt: skip
        b_l = (
            per_lower * lower_c + (g_in_lower + g_leak_lower) * room_c
            + g_wall_lower * self.wall_lower_c + g_bed_lower * self.bed_c
            + g_machine * self.machine_c + g_part * self.part_c
            + g_heater_lower * self.heater_c + drives.machine_w
        )  # fmt: skip
        a_uu = (
            per_upper + g_in_upper + g_leak_upper + from_lower + g_wall_upper
            + g_bed_upper + g_machine + g_heater_upper + g_plume
        )  # fmt: skip
        b_u = (
            per_upper * upper_c + (g_in_upper + g_leak_upper) * room_c
            + g_wall_upper * self.wall_upper_c + g_bed_upper * self.bed_c
            + g_machine * self.machine_c + g_heater_upper * self.heater_c
            + g_plume * (room_c + FLAME_RISE_K)
        )  # fmt: skip
        determinant = a_ll * a_uu - from_upper * from_lower
        lower_c = (b_l * a_uu + from_upper * b_u) / determinant
        upper_c = (b_u * a_ll + from_lower * b_l) / determinant

        # The slow masses take exactly what the air gave.
        radiant_w = 0.0
        if g_plume > 0.0:
            colder = 1.0 - (self.wall_upper_c - room_c) / FLAME_RISE_K
            radiant_w = RADIANT_SHARE * drives.flame_w * max(0.0, colder)
        glow_lower_w = 0.5 * g_glow * (self.bed_c - self.wall_lower_c)
        glow_upper_w = 0.5 * g_glow * (self.bed_c - self.wall_upper_c)
        to_part_w = g_part_bed * (self.bed_c - self.part_c)
        bed_w = (
            self.bed_on_w + 0.1 * radiant_w - glow_lower_w - glow_upper_w - to_part_w
            - g_bed_lower * (self.bed_c - lower_c) - g_bed_upper * (self.bed_c - upper_c)
        )  # fmt: skip
        lower_w = (
            g_wall_lower * (lower_c - self.wall_lower_c)
            + self._wall_out_w_per_k * (room_c - self.wall_lower_c)
            + glow_lower_w + 0.4 * radiant_w
        )  # fmt: skip
        upper_w = (
            g_wall_upper * (upper_c - self.wall_upper_c)
            + self._wall_out_w_per_k * (room_c - self.wall_upper_c)
            + glow_upper_w + 0.5 * radiant_w
        )  # fmt: skip
        machine_w = g_machine * (lower_c + upper_c - 2.0 * self.machine_c)
        if part_j_per_k > 1.0:
            part_w = to_part_w + g_part * (lower_c - self.part_c)
            self.part_c += part_w * step_s / part_j_per_k
        else:
            self.part_c = self.bed_c
        if heater is not None:
            heater_w = (
                (heater.power_w if self.heater_on else 0.0)
                + g_heater_lower * (lower_c - self.heater_c)
                + g_heater_upper * (upper_c - self.heater_c)
            )
            self.heater_c += heater_w * step_s / heater.capacity_j_per_k
        self.bed_c += bed_w * step_s / self._bed_j_per_k
        self.wall_lower_c += lower_w * step_s / self._wall_j_per_k
        self.wall_upper_c += upper_w * step_s / self._wall_j_per_k
        self.machine_c += machine_w * step_s / self._machine_j_per_k
        self.lower_c, self.upper_c = lower_c, upper_c


def _air_j_per_k(air_c: float, volume_m3: float) -> float:
    return AIR_KGK_PER_M3 / (air_c + KELVIN) * AIR_J_PER_KGK * volume_m3
