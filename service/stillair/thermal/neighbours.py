"""Once a minute the sensors of a chamber are held against each other.

Gathers what `drift` has to know, and gives its findings the form of troubles:
a sensor that has drifted or changed places is told, but its readings still
count as the air's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from stillair.model import Phase
from stillair.thermal.air import AirTrack
from stillair.thermal.drift import DriftWatch, PlaceWatch
from stillair.thermal.health import SensorTrouble

MINUTE_S = 60.0
LIKE = (Phase.SOAK, Phase.STEADY)


class NeighbourWatch:
    """Tell of sensors that no longer agree with their neighbours."""

    def __init__(self, air: Sequence[str], others: Sequence[str]) -> None:
        self.troubles: dict[str, SensorTrouble] = {}
        self._drift = DriftWatch(air)
        self._places = PlaceWatch((*air, *others), air)
        self._minute_s: float | None = None
        self._phase = Phase.UNKNOWN

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
        if phase is not self._phase:
            self._phase = phase
            if phase is Phase.COLD:
                self._drift.restart()
                self._places.cold()
                self._tell()
        if self._minute_s is not None and t_s - self._minute_s < MINUTE_S - 0.5:
            return
        self._minute_s = t_s
        air_c = {t.name: t.mean_c(0, 60) for t in tracks if t.seconds > 60}
        self._places.push(t_s, {**air_c, **others_c})
        if phase in LIKE and not disturbed and self._drift.push(t_s, air_c, room_c):
            values_c, excess_k = self._drift.newest
            self._places.settled(t_s, values_c, excess_k)
        self._tell()

    def restart(self) -> None:
        """A sensor has had a fault: it may be another one now."""
        self._drift.restart()
        self._tell()

    def _tell(self) -> None:
        self.troubles.clear()
        for word, found in (("drift", self._drift.drifted), ("swapped", self._places.swapped)):
            if found is not None:
                self.troubles[found.sensors[0]] = SensorTrouble(
                    word, found.reason, found.since_s, found.sensors
                )
