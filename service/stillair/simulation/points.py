"""What a simulated sensor indicates: where it sits, how slow, how noisy, how broken.

*Lag.* First order. A metal can in air takes 60 s in still air and 13 s at
3 m/s (maker's figure), that is `60 / (1 + 2.09 sqrt(v))`: heat transfer to a
small body grows with the root of the speed (Hilpert, R. (1933), Forsch.
Ing.-Wes. 4, for cylinders at small Reynolds numbers). A bare thermocouple
bead takes 4 s. A given `tau_s` stands for itself.

*Place.* Height 0 is the floor, 1 the lid; between a quarter and three
quarters the layers blend. `bed_view` is the share by which the bed's
radiation draws the indication towards the bed. Eddies of the two layers pass
by: a few hundredths of their difference, with a memory of 8 s, and more while
the door stands open.

*Noise and steps.* Successive readings of a DS18B20 in steady air differ by a
standard deviation of 0.02 to 0.04 K at its 1/16 K step; a MAX31855 steps by
0.25 K.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from random import Random
from typing import Final

from stillair.errors import ReadingFault, SensorError
from stillair.model import Place
from stillair.simulation.physics import HeatModel

EDDY_MEMORY_S: Final = 8.0
ELECTRONICS_RISE_K: Final = 14.0
THERMOCOUPLE_HIGHEST_C: Final = 1350.0


class PointKind(StrEnum):
    """The two shapes of sensor that matter to the air."""

    METAL_CAN = "metal_can"
    BEAD = "bead"


RESOLUTION_K: Final[Mapping[PointKind, float]] = {
    PointKind.METAL_CAN: 0.0625,
    PointKind.BEAD: 0.25,
}
NOISE_K: Final[Mapping[PointKind, float]] = {PointKind.METAL_CAN: 0.014, PointKind.BEAD: 0.08}


class PointFault(StrEnum):
    """How a scripted sensor fails."""

    OPEN = "open"
    SHORT = "short"
    POWER_ON = "power_on"  # indicates 85.0
    FAILED_CONVERSION = "failed_conversion"  # indicates 127.94
    STUCK = "stuck"
    SPIKE = "spike"  # one wrong value now and then
    DRIFT = "drift"
    SILENT = "silent"  # gives nothing new
    VANISHED = "vanished"
    LOOSE = "loose"  # a wire that breaks and makes, with wild values round about


@dataclass(frozen=True, slots=True)
class PointPlan:
    """One simulated sensor. None: as its kind has it."""

    name: str
    place: Place = Place.CHAMBER
    height: float = 0.75
    kind: PointKind = PointKind.METAL_CAN
    tau_s: float | None = None
    resolution_k: float | None = None
    noise_k: float | None = None
    offset_k: float = 0.0
    bed_view: float = 0.0


class SensingPoint:
    """One sensor of the simulated chamber, updated with every step of the world."""

    __slots__ = (
        "name",
        "plan",
        "_bed_view",
        "_blend",
        "_body_c",
        "_eddy_k",
        "_fault",
        "_fault_size",
        "_fault_since_s",
        "_held_c",
        "_noise_k",
        "_resolution_k",
        "_rng",
        "_shown_c",
        "_tau_s",
        "_wild_k",
        "_broken",
    )

    def __init__(self, plan: PointPlan, rng: Random) -> None:
        self.name = plan.name
        self.plan = plan
        self._rng = rng
        self._blend = min(1.0, max(0.0, (plan.height - 0.25) / 0.5))
        self._bed_view = plan.bed_view
        self._tau_s = plan.tau_s if plan.tau_s is not None else None
        if self._tau_s is None and plan.kind is PointKind.BEAD:
            self._tau_s = 4.0
        self._resolution_k = (
            plan.resolution_k if plan.resolution_k is not None else RESOLUTION_K[plan.kind]
        )
        self._noise_k = plan.noise_k if plan.noise_k is not None else NOISE_K[plan.kind]
        self._body_c = self._shown_c = self._held_c = 20.0
        self._eddy_k = 0.0
        self._fault: PointFault | None = None
        self._fault_size = 0.0
        self._fault_since_s = 0.0
        self._wild_k = 0.0
        self._broken = False

    def around_c(self, heat: HeatModel) -> float:
        """The temperature that the sensor would take if it had all the time."""
        place = self.plan.place
        if place is Place.CHAMBER:
            air_c = heat.lower_c + self._blend * (heat.upper_c - heat.lower_c)
            return air_c + self._bed_view * (heat.bed_c - air_c)
        if place is Place.BED:
            return heat.bed_c
        if place is Place.ROOM:
            return heat.room_c
        return heat.room_c + ELECTRONICS_RISE_K

    def settle(self, heat: HeatModel) -> None:
        """Take the present temperature as if it had long been so."""
        self._body_c = self.around_c(heat)
        self._indicate()

    def update(self, step_s: float, heat: HeatModel) -> None:
        """Follow the chamber for one step."""
        around_c = self.around_c(heat)
        if self.plan.place is Place.CHAMBER:
            unrest_k = 0.03 * (heat.upper_c - heat.lower_c)
            if heat.door_m3_per_s > 0.0:
                unrest_k += 0.08 * (heat.upper_c - heat.room_c)
            share = step_s / EDDY_MEMORY_S
            self._eddy_k += -self._eddy_k * share + unrest_k * math.sqrt(
                2.0 * share
            ) * self._rng.gauss(0.0, 1.0)
            around_c += self._eddy_k
        tau_s = self._tau_s
        if tau_s is None:
            tau_s = can_tau_s(heat.air_m_per_s)
        # Half a step forward, half back: exact to second order, and never overshoots.
        share = step_s / tau_s
        self._body_c += (around_c - self._body_c) * min(1.0, share / (1.0 + 0.5 * share))
        if self._fault is not None:
            self._fault_since_s += step_s
            self._ail()
        self._indicate()

    def _indicate(self) -> None:
        raw_c = self._body_c + self.plan.offset_k + self._noise_k * self._rng.gauss(0.0, 1.0)
        step_k = self._resolution_k
        self._shown_c = round(raw_c / step_k) * step_k if step_k > 0.0 else raw_c

    def fail(self, fault: PointFault, size: float) -> None:
        """Begin to fail; `size` is K for a spike, K per hour for a drift."""
        self._fault, self._fault_size, self._fault_since_s = fault, size, 0.0
        self._held_c = self._shown_c
        self._broken, self._wild_k = False, 0.0

    def mend(self) -> None:
        """Work again."""
        self._fault = None
        self._broken, self._wild_k = False, 0.0

    def _ail(self) -> None:
        """Draw what this second's fault does; only faults of chance draw anything."""
        if self._fault is PointFault.SPIKE:
            self._wild_k = self._fault_size if self._rng.random() < 0.02 else 0.0
        elif self._fault is PointFault.LOOSE:
            was_broken = self._broken
            self._broken = self._rng.random() < (0.6 if was_broken else 0.08)
            # A bad contact shows wild values within some three readings of a break.
            self._wild_k *= 0.3
            if was_broken != self._broken and self._rng.random() < 0.5:
                self._wild_k = self._rng.uniform(-40.0, 180.0)

    def indication_c(self) -> float | None:
        """What the sensor says now; None when it says nothing. Raises `SensorError`."""
        fault = self._fault
        if fault is None:
            if self._shown_c > THERMOCOUPLE_HIGHEST_C or (
                self.plan.kind is PointKind.METAL_CAN and self._shown_c > 125.0
            ):
                raise SensorError(
                    self.name,
                    f"reads {self._shown_c:.1f} degrees, beyond what the sensor can measure",
                    fault=ReadingFault.OUT_OF_RANGE,
                )
            return self._shown_c
        match fault:
            case PointFault.OPEN:
                raise self._error(ReadingFault.OPEN_CIRCUIT, "the wire is open")
            case PointFault.SHORT:
                raise self._error(ReadingFault.SHORT_TO_GROUND, "shorted to ground")
            case PointFault.VANISHED:
                raise self._error(ReadingFault.VANISHED, "no longer on the bus")
            case PointFault.SILENT:
                return None
            case PointFault.POWER_ON:
                return 85.0
            case PointFault.FAILED_CONVERSION:
                return 127.94
            case PointFault.STUCK:
                return self._held_c
            case PointFault.DRIFT:
                return self._stepped(self._fault_size * self._fault_since_s / 3600.0)
            case PointFault.SPIKE:
                return self._stepped(self._wild_k)
            case PointFault.LOOSE:
                if self._broken:
                    raise self._error(ReadingFault.OPEN_CIRCUIT, "the wire is open")
                return self._stepped(self._wild_k)

    def _stepped(self, more_k: float) -> float:
        step_k = self._resolution_k
        if step_k <= 0.0:
            return self._shown_c + more_k
        return self._shown_c + round(more_k / step_k) * step_k

    def _error(self, fault: ReadingFault, reason: str) -> SensorError:
        return SensorError(self.name, reason, fault=fault)


def can_tau_s(air_m_per_s: float) -> float:
    """Time constant of a small metal can in air of this speed."""
    return 60.0 / (1.0 + 2.09 * math.sqrt(air_m_per_s))
