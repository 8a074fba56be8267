"""Made-up courses of the air and what sensors of known lag show of them."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from stillair.model import Change, Finding
from stillair.thermal.air import AirTrack

ROOM_C = 20.0
Course = Callable[[float], float]  # s -> degrees of the air


@dataclass(frozen=True)
class Feeler:
    """A sensor that follows the air by one first-order lag, with noise and resolution."""

    name: str
    tau_s: float
    noise_k: float = 0.05
    step_k: float = 0.0625
    period_s: int = 1


BEADS = tuple(
    Feeler(name, tau_s, 0.05, 0.0078) for name, tau_s in (("a", 3.0), ("b", 4.5), ("c", 6.0))
)
CANS = tuple(Feeler(name, tau_s, 0.02) for name, tau_s in (("a", 20.0), ("b", 28.0), ("c", 39.0)))


class Rig:
    """Sensors in given air, read once a second into their tracks."""

    def __init__(self, feelers: Sequence[Feeler], airs: Mapping[str, Course] | Course, seed: int):
        self._feelers = feelers
        self._airs = {f.name: airs[f.name] if isinstance(airs, Mapping) else airs for f in feelers}
        self._felt = {name: air(0.0) for name, air in self._airs.items()}
        self._noise = random.Random(seed)
        self._t_s = 0
        self.tracks = [AirTrack(feeler.name) for feeler in feelers]

    def seconds(self, until_s: float) -> Iterator[float]:
        """Read every second before `until_s`; yield each time after its readings are in."""
        while self._t_s < until_s:
            self._t_s += 1
            for feeler, track in zip(self._feelers, self.tracks, strict=True):
                air_c = self._airs[feeler.name](self._t_s - 0.5)
                felt_c = self._felt[feeler.name]
                felt_c += (air_c - felt_c) * (1.0 - math.exp(-1.0 / feeler.tau_s))
                self._felt[feeler.name] = felt_c
                shown_c = felt_c + self._noise.gauss(0.0, feeler.noise_k)
                if self._t_s % feeler.period_s:
                    track.push(None, feeler.period_s)
                else:
                    track.push(round(shown_c / feeler.step_k) * feeler.step_k, feeler.period_s)
            yield float(self._t_s)

    def run(self, until_s: float) -> None:
        """Read every second before `until_s`."""
        for _ in self.seconds(until_s):
            pass


def gap(
    level_c: float,
    share: float,
    rate_per_s: float,
    start_s: float,
    end_s: float = math.inf,
    *,
    back_per_s: float = 0.05,
    room_c: float = ROOM_C,
) -> Course:
    """Air at a level that loses `share` of its excess from `start_s` on, and has it back later."""

    def air_c(t_s: float) -> float:
        if t_s <= start_s:
            return level_c
        lost = share * (level_c - room_c) * -math.expm1(-rate_per_s * (min(t_s, end_s) - start_s))
        if t_s > end_s:
            lost *= math.exp(-back_per_s * (t_s - end_s))
        return level_c - lost

    return air_c


def ramp(level_c: float, k_per_min: float, start_s: float, end_s: float = math.inf) -> Course:
    """Air at a level that changes by so much a minute between two times."""
    return lambda t_s: level_c + k_per_min * max(0.0, min(t_s, end_s) - start_s) / 60.0


def cycles(level_c: float, height_k: float, period_s: float, start_s: float = 0.0) -> Course:
    """Air that a thermostat drives up and down, from `start_s` on: straight up, straight down."""

    def air_c(t_s: float) -> float:
        phase = (max(0.0, t_s - start_s) / period_s) % 1.0
        return level_c + height_k * (2.0 * abs(phase - 0.5) - 1.0) if t_s > start_s else level_c

    return air_c


def plus(*courses: Course) -> Course:
    """The sum of what courses do."""
    return lambda t_s: sum(course(t_s) for course in courses)


def stands_after(findings: Sequence[Finding]) -> bool:
    """Whether an event stands after findings of one at a time, which must be in good order."""
    stands = False
    for finding in findings:
        assert (finding.change is Change.RAISED) != stands
        stands = finding.change is not Change.CLEARED
        assert finding.onset_s <= finding.at_s
        assert (finding.end_s is not None) == (finding.change is Change.CLEARED)
        if finding.end_s is not None:
            assert finding.onset_s <= finding.end_s <= finding.at_s
        assert all(
            math.isfinite(value) for value in finding.detail.values() if isinstance(value, float)
        )
    return stands
