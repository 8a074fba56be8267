"""Labelled scenes of the simulated camera, by kind and seed: harmless, flames, smokes, blind views.

Drawn by `stillair.simulation.scene`; here they are only put together and
labelled. Nothing in a label comes from what a detector says. The smoke's label
is what the physics did: the share of contrast hidden, by place.

    for t_s, picture in scene("flame at the part", 7).frames(): ...
"""

from __future__ import annotations

import sys
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]

from bench import fire_burning, fire_harmless  # noqa: E402 - the paths above come first
from bench.fire_plot import Burn, Plot, draw_lots  # noqa: E402
from stillair.simulation.chance import even  # noqa: E402
from stillair.simulation.scene import Scene  # noqa: E402
from stillair.simulation.view import SceneState  # noqa: E402

Frame = tuple[float, NDArray[np.uint8]]
SIZE = (320, 240)

HARMLESS = tuple(fire_harmless.HARMLESS)
FLAMES = tuple(fire_burning.FLAMES)
SMOKES = tuple(fire_burning.SMOKES)
BLIND = tuple(f"blind: {condition}" for condition in fire_burning.BLIND)
USUAL_S = {"slow smoulder": 1200.0, "all sorts": 1200.0}


@dataclass(frozen=True, slots=True)
class LabelledScene:
    """One scene: what is in it, its state at any second, and its pictures."""

    name: str
    kind: str
    seed: int
    frames_per_s: float
    seconds: float
    burns: tuple[Burn, ...]
    blind: tuple[tuple[str, float, float], ...]
    wall: str
    state: Callable[[float], SceneState]
    _play: Callable[[], Iterator[Frame]]

    def frames(self) -> Iterator[Frame]:
        """The time and the picture, `(240, 320, 3) uint8, BGR`, from the beginning."""
        return self._play()


def usual_seconds(kind: str) -> float:
    """How long a scene of this kind is unless told."""
    if kind in USUAL_S:
        return USUAL_S[kind]
    return 300.0 if kind in HARMLESS else 150.0 if kind in SMOKES else 75.0


def scene(
    kind: str, seed: int, seconds: float | None = None, frames_per_s: float = 12.0
) -> LabelledScene:
    """The scene of this kind and seed. Raises `KeyError` for no such kind."""
    if kind not in (*HARMLESS, *FLAMES, *SMOKES, *BLIND):
        raise KeyError(kind)
    seconds = usual_seconds(kind) if seconds is None else seconds
    plot = draw_lots(zlib.crc32(f"{kind}/{seed}".encode()), seconds)
    burns: tuple[Burn, ...] = ()
    blind: tuple[tuple[str, float, float], ...] = ()
    if kind in HARMLESS:
        fire_harmless.HARMLESS[kind](plot)
    elif kind in FLAMES:
        burns = fire_burning.FLAMES[kind](plot)
    elif kind in SMOKES:
        burns = fire_burning.SMOKES[kind](plot)
    else:
        plot.exposure = 0.0
        blind = fire_burning.blind(kind.removeprefix("blind: "))(plot)
    return LabelledScene(
        f"{kind} {seed}",
        kind,
        seed,
        frames_per_s,
        seconds,
        burns,
        blind,
        plot.look.wall,
        plot.at,
        lambda: _frames(plot, frames_per_s),
    )


def _frames(plot: Plot, frames_per_s: float) -> Iterator[Frame]:
    """Draw; times have the small unevenness that real ones have."""
    drawing = Scene(plot.seed, plot.look, SIZE, plot.source)
    usual_mean: float | None = None
    gain, n, t_s = 1.0, 0, 0.0
    last: NDArray[np.uint8] | None = None
    while True:
        t_s = (n + 0.2 * even(plot.seed + 400, n)) / frames_per_s
        n += 1
        if t_s >= plot.seconds:
            return
        if plot.slow_from is not None:
            from_s, until_s, per_s = plot.slow_from
            every = max(1, round(frames_per_s / per_s))
            if from_s <= t_s < until_s and n % every:
                continue
        if plot.frozen and last is not None and plot.frozen[0] <= t_s < plot.frozen[1]:
            yield t_s, last
            continue
        state = plot.at(t_s)
        if plot.exposure > 0.0:
            state = replace(state, optics=replace(state.optics, gain=state.optics.gain * gain))
        picture = drawing.draw(state)
        if plot.exposure > 0.0:
            mean = float(picture[::4, ::4].mean())
            usual_mean = mean if usual_mean is None else usual_mean
            wanted = gain * (usual_mean / max(mean, 1.0)) ** plot.exposure
            gain += (min(4.0, max(0.25, wanted)) - gain) * min(1.0, 1.5 / frames_per_s)
        last = picture
        yield t_s, picture
