"""The heat balance of one chamber, learned while it runs and kept between jobs.

Around sensor i, with x the excess of the air over the room and s the excess
that the sensor shows:

    dx/dt = q - lambda x - Lambda w x        ds/dt = (x - s) / tau

q is the heat input over the air's heat capacity, lambda the losses by walls
and leaks, Lambda the air exchanged while a door or gap stands open, w how much
of it reaches this sensor (well-stirred volume: ASHRAE Handbook Fundamentals,
chapter on ventilation; first-order lag of a sensor: any text on control).
Walls, bed and part give heat back within seconds, so that under an open door
the air goes to a new level at a rate of its own (see `hypotheses`).

What is learned, and from what:

- tau of each sensor: the same disturbance reaches all sensors, its rate is
  common and the lags are not, so each quick change (door, lid shut, heater on)
  gives a lag for each sensor. Before the first, resolution and noise tell a
  metal can on 1-Wire (1/16 K steps, little noise: 15 to 60 s) from a bare
  thermocouple (3 to 6 s);
- lambda: from falls that came back by themselves (a thermostat's pauses), the
  fastest of them, which lost heat can't outrun by much;
- lambda of the whole box and its heat input: from undisturbed stretches without
  and with heat (see `decays`); both tell how much of the heat is gone (`heating`);
- how far each sensor stands from the mean of all while nothing happens.

Lags are ratios, so they are averaged in logarithms, with a weight that grows
to eight changes and then forgets slowly. The room is in `air.RoomEstimate`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from stillair.thermal.neighbours import NeighbourMemory

METAL_CAN_S, BEAD_S = 28.0, 4.5
METAL_CAN_STEP_K = 0.06
METAL_CAN_NOISE_K = 0.055
UNKNOWN_SPREAD, KNOWN_SPREAD = 0.45, 0.25  # standard deviation of the logarithm of a lag
MOST_CHANGES = 8.0
OFFSET_S = 1800.0
LEAST_COOLING_PER_MIN = 0.0005  # 33 h to a third: no box is as tight
HEAT_SHARE = 0.25
USUAL_MOST_PER_MIN = 1.0  # what is faster is no habit


@dataclass(frozen=True, slots=True)
class SensorMemory:
    """What is known of one sensor: its lag, how many changes taught it, its offset in K."""

    tau_s: float
    changes: float
    offset_k: float = 0.0


@dataclass(frozen=True, slots=True)
class BalanceMemory:
    """A chamber's balance as kept between jobs; None is what was never seen.

    `loss_per_min` is the fastest lambda of falls that came back, `cooling_per_min`
    that of the whole box while nothing heats it, learned from so many
    `coolings`, and `heat_k_per_min` the heat input that goes with it.
    """

    sensors: Mapping[str, SensorMemory] = field(default_factory=dict)
    loss_per_min: float | None = None
    neighbours: NeighbourMemory = field(default_factory=NeighbourMemory)
    cooling_per_min: float | None = None
    coolings: float = 0.0
    heat_k_per_min: float | None = None


class SensorBalance:
    """One sensor's lag and offset, as far as they are known."""

    def __init__(self, memory: SensorMemory | None = None) -> None:
        # Of a sensor that no change has taught yet only the hint was kept: it is looked at anew.
        self._learned_s = memory.tau_s if memory and memory.changes > 0.0 else None
        self.changes = memory.changes if memory else 0.0
        self.offset_k = memory.offset_k if memory else 0.0
        self._prior_s = BEAD_S
        self._least_noise_k = math.inf

    @property
    def tau_s(self) -> float:
        """The best estimate of the lag, s."""
        return self._prior_s if self._learned_s is None else self._learned_s

    @property
    def spread(self) -> float:
        """Standard deviation of the lag's logarithm."""
        return max(KNOWN_SPREAD, UNKNOWN_SPREAD / math.sqrt(1.0 + self.changes))

    def see(self, step_k: float, noise_k: float) -> None:
        """Take resolution and noise as a first hint of what kind of sensor this is."""
        self._least_noise_k = min(self._least_noise_k, noise_k)
        can = step_k >= METAL_CAN_STEP_K and self._least_noise_k < METAL_CAN_NOISE_K
        self._prior_s = METAL_CAN_S if can else BEAD_S

    def learn(self, tau_s: float) -> None:
        """Take the lag that one quick change gave."""
        prior = math.log(self.tau_s)
        weight = 1.0 / (2.0 + self.changes)  # the hint counts as one change
        self._learned_s = math.exp(prior + weight * (math.log(tau_s) - prior))
        self.changes = min(self.changes + 1.0, MOST_CHANGES)

    def memory(self) -> SensorMemory:
        return SensorMemory(round(self.tau_s, 2), self.changes, round(self.offset_k, 3))


class Balance:
    """The balance of a chamber with its sensors."""

    def __init__(self, memory: BalanceMemory | None = None) -> None:
        self._memory = memory or BalanceMemory()
        self._sensors: dict[str, SensorBalance] = {}
        self.loss_per_min = self._memory.loss_per_min
        kept = self._memory.cooling_per_min
        self.cooling_per_min = None if kept is None else _likely_cooling(kept)
        self.heat_k_per_min = self._memory.heat_k_per_min
        self._coolings = min(max(self._memory.coolings, 0.0), MOST_CHANGES)

    def sensor(self, name: str) -> SensorBalance:
        """What is known of a sensor; made at first sight."""
        found = self._sensors.get(name)
        if found is None:
            found = self._sensors[name] = SensorBalance(self._memory.sensors.get(name))
        return found

    def learn_loss(self, per_min: float) -> None:
        """Take the fastest share of its excess a minute of a fall that came back by itself."""
        per_min = min(max(per_min, 0.0), USUAL_MOST_PER_MIN)
        known = self.loss_per_min or 0.0
        self.loss_per_min = per_min if per_min > known else known + 0.1 * (per_min - known)

    def learn_cooling(self, per_min: float) -> None:
        """Take the share of its excess that the unheated chamber lost a minute."""
        per_min = _likely_cooling(per_min)
        known = math.log(self.cooling_per_min or per_min)
        weight = 1.0 / (1.0 + self._coolings)
        self.cooling_per_min = math.exp(known + weight * (math.log(per_min) - known))
        self._coolings = min(self._coolings + 1.0, MOST_CHANGES)

    def learn_heat(self, k_per_min: float) -> None:
        """Take the heat input of a quarter of an hour, as the rise that it alone would give."""
        k_per_min = max(k_per_min, 0.0)
        known = k_per_min if self.heat_k_per_min is None else self.heat_k_per_min
        self.heat_k_per_min = known + HEAT_SHARE * (k_per_min - known)

    def compare(self, excesses_k: Mapping[str, float], elapsed_s: float) -> None:
        """Take what the sensors show together while nothing happens."""
        if len(excesses_k) < 2:
            return
        mean_k = sum(excesses_k.values()) / len(excesses_k)
        for name, excess_k in excesses_k.items():
            sensor = self.sensor(name)
            sensor.offset_k += min(1.0, elapsed_s / OFFSET_S) * (
                excess_k - mean_k - sensor.offset_k
            )

    def memory(self) -> BalanceMemory:
        """All of it as a value to be kept; sensors that weren't seen this time stay in it."""
        known = dict(self._memory.sensors)
        known.update({name: sensor.memory() for name, sensor in self._sensors.items()})
        return BalanceMemory(
            known,
            _rounded(self.loss_per_min),
            cooling_per_min=_rounded(self.cooling_per_min),
            coolings=self._coolings,
            heat_k_per_min=_rounded(self.heat_k_per_min),
        )


def _likely_cooling(per_min: float) -> float:
    return min(max(per_min, LEAST_COOLING_PER_MIN), USUAL_MOST_PER_MIN)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 5)
