"""Once a minute the sensors of a chamber are held against each other.

Gathers what `drift` and `places` have to know, and gives their findings the
form of troubles: a sensor that has drifted or changed places is told, but its
readings still count as the air's. What is usual between the sensors can be
kept (`NeighbourMemory`) and given to the next watch.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from stillair.model import Phase
from stillair.thermal.air import AirTrack
from stillair.thermal.drift import DriftWatch
from stillair.thermal.health import SensorTrouble
from stillair.thermal.places import PlaceWatch

MINUTE_S = 60.0
LIKE = (Phase.SOAK, Phase.STEADY)
CALM_S = 300.0  # after what disturbs
COLD_K = 2.0


@dataclass(frozen=True, slots=True)
class NeighbourMemory:
    """What is usual between the sensors of one chamber, as kept between jobs.

    `cold_k` is how far each stands above the mean of all while the chamber is
    cold, K; `shares` how far a sensor stands above another while it is warm, as
    a share of the excess over the room, by both their names.
    """

    cold_k: Mapping[str, float] = field(default_factory=dict)
    shares: Mapping[str, Mapping[str, float]] = field(default_factory=dict)


class NeighbourWatch:
    """Tell of sensors that no longer agree with their neighbours.

    Parameters
    ----------
    air, others : sequence of str
        The sensors of the chamber's air, and all others.
    memory : NeighbourMemory
        What `memory` gave at the end of an earlier job.
    """

    def __init__(
        self, air: Sequence[str], others: Sequence[str], memory: NeighbourMemory | None = None
    ) -> None:
        self.troubles: dict[str, SensorTrouble] = {}
        known = memory or NeighbourMemory()
        self._drift = DriftWatch(air, known.cold_k)
        usual = {(a, b): share for a, row in known.shares.items() for b, share in row.items()}
        self._places = PlaceWatch((*air, *others), air, usual)
        self._minute_s: float | None = None
        self._phase = Phase.UNKNOWN
        self._disturbed_s = -math.inf

    def tick(
        self,
        t_s: float,
        tracks: Sequence[AirTrack],
        others_c: Mapping[str, float],
        room_c: float,
        phase: Phase,
        *,
        disturbed: bool,
    ) -> None:
        """Judge at a whole second, of which one a minute does anything.

        `others_c` are the good sensors outside the air; `disturbed` says that
        cold air comes in or heat is lost.
        """
        if disturbed:
            self._disturbed_s = t_s
        if self._minute_s is not None and t_s - self._minute_s < MINUTE_S - 0.5:
            return
        self._minute_s = t_s
        air_c = {t.name: t.mean_c(0, 60) for t in tracks if t.seconds > 60}
        if phase is not self._phase:
            self._phase = phase
            if phase is Phase.COLD and _mean(air_c) - room_c < COLD_K:
                self._drift.forget()
                self._places.cold()
        self._places.push(t_s, {**air_c, **others_c})
        calm = t_s - self._disturbed_s >= CALM_S
        if calm and self._drift.push(t_s, air_c, room_c) and phase in LIKE:
            values_c, excess_k = self._drift.newest
            self._places.settled(t_s, values_c, excess_k)
        self._tell()

    def restart(self) -> None:
        """A sensor has had a fault: it may be another one now."""
        self._drift.suspect()

    def memory(self) -> NeighbourMemory:
        """What is usual between the sensors, to be kept between jobs."""
        shares: dict[str, dict[str, float]] = {}
        for (a, b), share in self._places.usual.items():
            shares.setdefault(a, {})[b] = round(share, 4)
        return NeighbourMemory(self._drift.cold_k, shares)

    def _tell(self) -> None:
        self.troubles.clear()
        for word, found in (("drift", self._drift.drifted), ("swapped", self._places.swapped)):
            if found is not None:
                self.troubles[found.sensors[0]] = SensorTrouble(
                    word, found.reason, found.since_s, found.sensors
                )


def _mean(air_c: Mapping[str, float]) -> float:
    return sum(air_c.values()) / len(air_c) if air_c else math.inf
