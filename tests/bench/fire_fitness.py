"""What `stillair inspect` foretells of a view, held against what is found when it burns there.

    nice .venv/bin/python tests/bench/fire_fitness.py            # odd seeds, for reporting
    nice .venv/bin/python tests/bench/fire_fitness.py --tuning   # even seeds

Views are drawn by lot and spoilt in some way: slow, noisy, soft, small, dim, bright. Some
seconds of each go through `ViewTest`; then a flame of half, once, one and a half and twice
the width that it foretells burns there for 15 s. Smoke that hides so much contrast over a
tenth of the picture is there for 60 s: as an even veil somewhere before a machine at rest,
which is what the foretelling is for, and as a column or layer that billows before a machine
at work. A foretelling is good where from once on most are told, and clearly fewer of half.
"""

from __future__ import annotations

import argparse
import math
import sys
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]

from bench.fire import wilson  # noqa: E402
from bench.fire_plot import draw_lots  # noqa: E402 - the paths above come first
from stillair.fire.fitness import LOOK_S, Fitness, ViewTest  # noqa: E402
from stillair.fire.regions import Region  # noqa: E402
from stillair.fire.vision import Vision  # noqa: E402
from stillair.simulation.scene import Scene  # noqa: E402
from stillair.simulation.view import Flame, SceneState, Smoke  # noqa: E402

Picture = NDArray[np.uint8]
TIMES = (0.5, 1.0, 1.5, 2.0)  # what is foretold
CALM_S, FLAME_S = 15.0, 15.0
SMOKE_CALM_S, SMOKE_S = 35.0, 60.0  # until there is something to compare with
SMOKE_PER_S = 5.0
GROWS_S = 5.0
# A veil that, wherever it lies, covers a tenth of the picture in whole cells: shares of the edges
VEIL = 6.0 / 16.0, 5.0 / 12.0
WHAT = ("flame", "veil", "smoke")
WHOLE: Region = (0.0, 0.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True)
class View:
    """How a place drawn by lot is spoilt."""

    name: str
    frames_per_s: float = 12.0
    size: tuple[int, int] = (320, 240)
    noise: float = 1.0
    blur_px: float = 0.0
    gain: float = 1.0


VIEWS = (
    View("as drawn"),
    View("5 pictures a second", frames_per_s=5.0),
    View("noisy", noise=4.0),
    View("soft", blur_px=1.5),
    View("160 x 120", size=(160, 120)),
    View("dim", gain=0.3),
    View("bright", gain=2.0),
)


class Place:
    """One view by seed, with what may burn in it."""

    def __init__(self, view: View, seed: int) -> None:
        self.view = view
        self._plot = draw_lots(zlib.crc32(f"fitness/{seed}".encode()), SMOKE_CALM_S + SMOKE_S)
        look = replace(self._plot.look, noise=self._plot.look.noise * view.noise)
        self._drawing = Scene(self._plot.seed, look, view.size, self._plot.source)
        self._rng = np.random.default_rng((seed, 0xF17))
        self._foot = float(self._rng.uniform(0.15, 0.85)), float(self._rng.uniform(0.45, 0.9))
        self._tall, self._power = self._rng.uniform(1.4, 3.0), self._rng.uniform(1.5, 6.0)
        self._corner = self._rng.uniform(0.0, 1.0 - np.array(VEIL))
        self._as_column = seed % 4 < 2

    def test(self) -> Fitness:
        test = ViewTest()
        for t_s, picture in self._frames(LOOK_S + 0.1, self.view.frames_per_s, lambda _, s: s):
            test.update(t_s, picture)
        return test.result()

    def flame_found(self, width: float) -> bool:
        flame = Flame(*self._foot, width, 0.5 * width, float(self._tall), None, float(self._power))

        def burning(t_s: float, state: SceneState) -> SceneState:
            return replace(state, flames=(flame,)) if t_s >= CALM_S else state

        frames = self._frames(CALM_S + FLAME_S, self.view.frames_per_s, burning)
        x, y = self._foot
        tip = y - 1.5 * float(self._tall) * width * 4.0 / 3.0
        return _told("flame", frames, CALM_S, (x - width, tip, x + width, y + 0.02))

    def veil_found(self, hidden: float) -> bool:
        def resting(_: float, state: SceneState) -> SceneState:
            return replace(state, working=False, parked=True, built_s=0.0, height_mm=4.0)

        def veiled() -> Iterator[tuple[float, Picture]]:
            for t_s, picture in self._frames(SMOKE_CALM_S + SMOKE_S, SMOKE_PER_S, resting):
                grown = min(1.0, (t_s - SMOKE_CALM_S) / GROWS_S)
                if grown > 0.0:
                    self._veil(picture, grown * hidden)
                yield t_s, picture

        return _told("smoke", veiled(), SMOKE_CALM_S, WHOLE)

    def _veil(self, picture: Picture, hidden: float) -> None:
        high, wide = picture.shape[:2]
        left, top = round(self._corner[0] * wide), round(self._corner[1] * high)
        part = picture[top : top + round(VEIL[1] * high), left : left + round(VEIL[0] * wide)]
        grey = part.mean(axis=(0, 1))
        dither = self._rng.uniform(-0.5, 0.5, part.shape)
        part[:] = np.clip(np.rint(part + hidden * (grey - part) + dither), 0, 255)

    def smoke_found(self, hidden: float) -> bool:
        smoke = self._smoke(hidden)

        def smoking(t_s: float, state: SceneState) -> SceneState:
            grown = min(1.0, (t_s - SMOKE_CALM_S) / GROWS_S)
            if grown <= 0.0:
                return state
            now = replace(smoke, plume=grown * smoke.plume, layer=grown * smoke.layer)
            return replace(state, smoke=now)

        frames = self._frames(SMOKE_CALM_S + SMOKE_S, SMOKE_PER_S, smoking)
        return _told("smoke", frames, SMOKE_CALM_S, WHOLE)

    def _smoke(self, hidden: float) -> Smoke:
        """A column or a layer that hides so much over a tenth of the picture, in the mean."""
        smoke = Smoke(plume=1.0) if self._as_column else Smoke(layer=1.0, layer_to=0.2)
        state = self._plot.at(0.0)
        over_tenth = [
            float(np.quantile(self._drawing.smoke_depth(replace(state, smoke=smoke, t_s=t_s)), 0.9))
            for t_s in np.arange(0.0, 20.0, 1.3)
        ]
        times = -math.log(1.0 - hidden) / float(np.mean(over_tenth))
        return replace(smoke, plume=times * smoke.plume, layer=times * smoke.layer)

    def _frames(
        self, seconds: float, per_s: float, change: Callable[[float, SceneState], SceneState]
    ) -> Iterator[tuple[float, Picture]]:
        for number in range(round(seconds * per_s)):
            t_s = number / per_s
            state = self._plot.at(t_s)
            optics = replace(
                state.optics, blur_px=self.view.blur_px, gain=state.optics.gain * self.view.gain
            )
            yield t_s, self._drawing.draw(change(t_s, replace(state, optics=optics)))


def _told(name: str, frames: Iterator[tuple[float, Picture]], from_s: float, where: Region) -> bool:
    """Whether such a sign is told by itself once it burns, and there."""
    vision = Vision()
    return any(
        sign.name == name and sign.strength >= 0.5 and _meets(sign.detail["regions"], where)
        for t_s, picture in frames
        for sign in vision.update(t_s, picture).signs
        if t_s >= from_s
    )


def _meets(regions: object, where: Region) -> bool:
    assert isinstance(regions, list)
    left, top, right, bottom = where
    return any(r[0] < right and r[2] > left and r[1] < bottom and r[3] > top for r in regions)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tuning", action="store_true", help="even seeds instead of odd ones")
    parser.add_argument("--seeds", type=int, default=8, help="places of each kind of view")
    parser.add_argument("--only", choices=WHAT)
    arguments = parser.parse_args()
    seeds = [2 * n + (not arguments.tuning) for n in range(arguments.seeds)]
    found: dict[tuple[str, str, float], list[bool]] = {}
    for view in VIEWS:
        foretold: dict[str, list[tuple[float, float]]] = {what: [] for what in WHAT}
        for seed in seeds:
            place = Place(view, seed)
            fitness = place.test()
            for what, least, share, burns in (
                ("flame", fitness.flame_width, fitness.flame_share, place.flame_found),
                ("veil", fitness.smoke_hidden, fitness.smoke_share, place.veil_found),
                ("smoke", fitness.smoke_hidden, fitness.smoke_share, place.smoke_found),
            ):
                if least is None or arguments.only not in (None, what):
                    continue
                foretold[what].append((least, share))
                for times in TIMES:
                    told = burns(min(0.9, times * least))
                    found.setdefault((what, view.name, times), []).append(told)
        for what, values in foretold.items():
            if not values:
                continue
            size, places = np.median(values, axis=0)
            print(f"{what} in views {view.name}: foretold {size:.1%}", end="")
            print(
                f" in {places:.0%} of places for {len(values)} of {len(seeds)} views; told at",
                end="",
            )
            for times in TIMES:
                here = found[what, view.name, times]
                print(f"  {times:g} x: {sum(here)}/{len(here)}", end="")
            print(flush=True)
    for what in WHAT:
        for times in TIMES:
            every = [
                told
                for (w, _, x), all_ in found.items()
                if (w, x) == (what, times)
                for told in all_
            ]
            if every:
                low, high = wilson(sum(every), len(every))
                shown = f"{sum(every) / len(every):.0%} ({low:.0%} to {high:.0%})"
                print(f"{what} of {times:g} x what was foretold: told {shown} of {len(every)}")


if __name__ == "__main__":
    main()
