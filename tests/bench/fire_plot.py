"""What every simulated scene has in common: a place by lot, a machine at work, changes."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]

from stillair.simulation.chance import even, wobble  # noqa: E402 - the paths above come first
from stillair.simulation.look import Look  # noqa: E402
from stillair.simulation.plume import Source  # noqa: E402
from stillair.simulation.view import Block, Optics, SceneState  # noqa: E402


@dataclass(frozen=True, slots=True)
class Burn:
    """What really burns, and when.

    A flame has its greatest `width` as a share of the picture's. Smoke has a
    `curve` of (second, contrast hidden over a tenth of the picture or more,
    share of the picture in which 8 % or more is hidden), the greatest of both
    as `hidden` and `share`, and when it first hid 15 % and 8 % over a tenth.
    """

    what: str
    onset_s: float
    end_s: float
    width: float = 0.0
    hidden: float = 0.0
    share: float = 0.0
    curve: tuple[tuple[float, float, float], ...] = ()
    hides_15_s: float | None = None
    hides_8_s: float | None = None


@dataclass(slots=True)
class Plot:
    """What happens over time: a chain of changes to the state of ordinary building."""

    seed: int
    seconds: float
    look: Look
    rng: np.random.Generator
    changes: list[Callable[[float, SceneState], SceneState]]
    jpeg: int | None
    source: Source
    exposure: float = 0.0  # how much of a change of brightness the camera evens out
    slow_from: tuple[float, float, float] | None = None
    frozen: tuple[float, float] | None = None
    blocks: tuple[Block, ...] = ()

    def at(self, t_s: float) -> SceneState:
        state = building(self, t_s)
        for change in self.changes:
            state = change(t_s, state)
        return state

    def some_time(self, early: float = 0.15, late: float = 0.5) -> float:
        return float(self.rng.uniform(early, late)) * self.seconds


def building(plot: Plot, t_s: float) -> SceneState:
    """A machine at work on some pieces, with pauses; daylight that goes its way over hours."""
    seed = plot.seed
    span_s = 240.0 + 600.0 * even(seed, 1)
    phase = (t_s + span_s * even(seed, 2)) % span_s
    working = phase < 0.88 * span_s
    begun_s = 7200.0 * even(seed, 3)
    hour = 24.0 * even(seed, 4) + t_s / 3600.0
    daylight = max(0.05, min(1.0, 1.3 - abs(hour % 24.0 - 13.0) / 6.0))
    return SceneState(
        t_s=t_s,
        daylight=daylight * (1.0 + 0.03 * wobble(seed + 300, t_s, 0.02)),
        working=working,
        parked=not working,
        built_s=begun_s + t_s,
        height_mm=4.0 + (begun_s + t_s) / 120.0,
        pieces=1 + int(8 * even(seed, 5) ** 2),
        optics=Optics(gain=_gain(plot), jpeg=plot.jpeg),
        blocks=plot.blocks,
    )


def _gain(plot: Plot) -> float:
    """The exposure that a camera chose for this place: darker boxes are exposed longer."""
    dark = {"fabric": 2.6, "white": 0.75, "plywood": 1.2, "foil": 0.9}.get(plot.look.wall, 1.2)
    return dark / (0.45 + 0.55 * plot.look.lamp) * (0.8 + 0.4 * even(plot.seed, 6))


def draw_lots(seed: int, seconds: float) -> Plot:
    """A place and a camera by lot; in four of ten cameras the exposure follows the light."""
    rng = np.random.default_rng((seed, 0x5CE2E))
    jpeg = int(rng.integers(60, 91)) if rng.random() < 0.6 else None
    source = Source(
        x=float(rng.uniform(0.25, 0.75)),
        y=float(rng.uniform(0.6, 0.88)),
        width=float(rng.uniform(0.03, 0.09)),
        lift=float(rng.uniform(0.25, 0.6)),
    )
    exposure = float(rng.uniform(0.2, 0.9)) if rng.random() < 0.4 else 0.0
    return Plot(seed, seconds, Look.by_lot(seed), rng, [], jpeg, source, exposure)


def pulse(t_s: float, from_s: float, until_s: float, ramp_s: float) -> float:
    """0, up to 1, and down again."""
    return max(0.0, min(1.0, (t_s - from_s) / ramp_s, (until_s - t_s) / ramp_s))


def every(t_s: float, seed: int, span_s: float, lasts_s: float) -> tuple[float, float, int]:
    """Something comes about once in `span_s`: its share, seconds since it began, number."""
    number = math.floor(t_s / span_s)
    begins_s = (number + 0.1 + 0.5 * even(seed, 1000 + number)) * span_s
    since_s = t_s - begins_s
    share = pulse(t_s, begins_s, begins_s + lasts_s, max(0.05, 0.15 * lasts_s))
    return share, since_s, number
