"""Fit the curves of `stillair.fire.flame_curves`: what each measure of a place says of a flame.

    .venv/bin/python tests/bench/fire_fit.py [--clips DIR] [--workers 2]

Logistic regression on every look at every active place: simulated scenes of even seeds, and
the half of the real clips that is for tuning (see `fire.py`). A recording weighs by the root
of how many looks it has. Each curve has four points; a piece that would go against what
physics says of its measure (`WAY`) is left level.
Prints the curves as they stand in `flame_curves.py`, all but `YOUNG`, which is set by hand.
"""

from __future__ import annotations

import argparse
import os
import sys
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1] / "service")]

from bench.fire_clips import Clip, by_set, paced  # noqa: E402 - the paths above come first
from bench.fire_scenes import FLAMES, HARMLESS, scene  # noqa: E402
from stillair.fire.flame import NEWBORN_S, FlameWatch, Place  # noqa: E402
from stillair.simulation.view import SceneState  # noqa: E402

RATES_PER_S = (10.0, 12.0, 15.0)  # how fast cameras come
SURE_AFTER_S = 1.0  # after its onset a place is one of flame
MOSTLY = 0.3  # of a place's box in the flame's: less is neither
CLIP_WEIGHT = 8.0  # of a real clip, scenes have 1
RIDGE = 4.0
ROUNDS = 12
KNOTS = {
    "alike": (0.33, 0.54, 0.70, 0.96),
    "near": (-0.40, 0.20, 0.60, 0.93),
    "unexplained": (0.17, 0.35, 0.58, 0.86),
    "settled": (0.38, 0.50, 0.60, 0.76),
    "loud": (0.0, 0.40, 0.75, 0.98),
    "glow": (-0.60, 0.0, 0.40, 0.97),
    "top": (85.0, 150.0, 185.0, 237.0),
    "edge": (-1.6, -0.4, 0.8, 2.0),
}
NOVEL = (0.0, 0.1, 0.5)
FOR, AGAINST = 1, -1
WAY = {
    "alike": AGAINST,
    "near": FOR,
    "unexplained": FOR,
    "settled": AGAINST,
    "loud": AGAINST,
    "glow": FOR,
    "top": FOR,
    "edge": FOR,
}
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Looks:
    """Every look at every place of one recording: its measures and whether it is a flame."""

    measures: Floats  # (looks, KNOTS and then novel)
    flame: NDArray[np.bool_]
    weight: float


def of_scene(task: tuple[str, int, float]) -> Looks:
    kind, seed, seconds = task
    per_s = RATES_PER_S[zlib.crc32(f"{kind}{seed}".encode()) % len(RATES_PER_S)]
    labelled = scene(kind, seed, seconds, per_s)
    onset_s = labelled.burns[0].onset_s if kind in FLAMES else seconds

    def is_flame(place: Place, t_s: float) -> bool | None:
        if t_s < onset_s:
            return False
        if t_s <= onset_s + SURE_AFTER_S or _in_flame(place, labelled.state(t_s)) < MOSTLY:
            return None
        return True

    return _looks(labelled.frames(), is_flame, 1.0)


def of_clip(clip: Clip) -> Looks:
    def is_flame(_: Place, t_s: float) -> bool | None:
        if not clip.flame or t_s < clip.onset_s:
            return False
        return True if t_s > clip.onset_s + SURE_AFTER_S else None

    return _looks(paced(clip.path), is_flame, CLIP_WEIGHT)


def _looks(
    frames: Iterator[tuple[float, NDArray[np.uint8]]],
    is_flame: Callable[[Place, float], bool | None],
    weight: float,
) -> Looks:
    watch = FlameWatch()
    measures: list[list[float]] = []
    flame: list[bool] = []
    for t_s, picture in frames:
        for place in watch.update(t_s, picture) or ():
            truth = is_flame(place, t_s) if place.seen_s == t_s else None
            if truth is not None and place.age_s >= NEWBORN_S:
                measures.append([place.features[name] for name in (*KNOTS, "novel")])
                flame.append(truth)
    return Looks(np.array(measures).reshape(-1, len(KNOTS) + 1), np.array(flame, bool), weight)


def _in_flame(place: Place, state: SceneState) -> float:
    """The share of a place's box in that of a flame of the scene, in pixels of 320 x 240."""
    most = 0.0
    for flame in state.flames:
        x, y, half = flame.x * 320.0, flame.y * 240.0, flame.width * 320.0
        foot = y if flame.behind is None else min(y, flame.behind * 240.0)
        across = min(place.right, x + half) - max(place.left, x - half)
        down = min(place.bottom, foot + 5.0) - max(place.top, y - 2.0 * half * flame.tall - 5.0)
        most = max(most, max(0.0, across) * max(0.0, down) / place.area)
    return most


def _pieces(knots: Sequence[float], values: Floats) -> Iterator[Floats]:
    """How far a measure is along each piece of its curve, 0 to 1."""
    for start, end in pairwise(knots):
        yield (np.clip(values, start, end) - start) / (end - start)


def fitted(looks: Sequence[Looks]) -> Floats:
    """The rise of each piece, then of a view that knows what is novel, then the first term."""
    measures = np.concatenate([each.measures for each in looks])
    flame = np.concatenate([each.flame for each in looks]).astype(float)
    weights = np.concatenate(
        [np.full(len(each.flame), each.weight / max(1, len(each.flame)) ** 0.5) for each in looks]
    )
    weights[flame > 0] *= weights[flame == 0].sum() / weights[flame > 0].sum()
    weights *= 0.2 * len(weights) / weights.sum()
    columns: list[Floats] = []
    ways: list[int] = []
    for number, (name, knots) in enumerate(KNOTS.items()):
        pieces = list(_pieces(knots, measures[:, number]))
        columns += pieces
        ways += [WAY[name]] * len(pieces)
    novel = measures[:, -1]
    known = np.asarray(novel >= 0.0, np.float64)
    columns += [known, *_pieces(NOVEL, novel), np.ones(len(novel))]
    way = np.array([*ways, 0, *(FOR for _ in NOVEL[1:]), 0])
    values = np.stack(columns, axis=1)
    free = np.ones(len(way), bool)
    while True:
        found = np.zeros(len(way))
        found[free] = _regression(values[:, free], flame, weights)
        turned = found * way < -1e-9
        if not turned.any():
            return found
        free &= ~turned


def _regression(values: Floats, flame: Floats, weights: Floats) -> Floats:
    """Ridge logistic regression by Newton's method; the last term is free."""
    found = np.zeros(values.shape[1])
    ridge = np.diag([RIDGE] * (len(found) - 1) + [1e-6])
    for _ in range(ROUNDS):
        likely = 1.0 / (1.0 + np.exp(-np.clip(values @ found, -30.0, 30.0)))
        slope = values.T @ (weights * (likely - flame)) + ridge @ found
        bend = (values * (weights * likely * (1.0 - likely))[:, None]).T @ values + ridge
        found -= np.linalg.solve(bend, slope)
    return found


def told(found: Floats) -> Iterator[str]:
    """The curves as lines of `flame_curves.py`."""
    rises = iter(found)
    curves = []
    for name, knots in KNOTS.items():
        heights = [0.0, *np.cumsum([next(rises) for _ in knots[1:]])]
        points = ", ".join(f"({at:g}, {high:.2f})" for at, high in zip(knots, heights, strict=True))
        curves.append(f'    "{name}": ({points}),')
    known = next(rises)
    heights = [known, *(known + np.cumsum([next(rises) for _ in NOVEL[1:]]))]
    points = ", ".join(f"({at:g}, {high:.2f})" for at, high in zip(NOVEL, heights, strict=True))
    yield f"FIRST = {next(rises):.2f}"
    yield "CURVES: dict[str, Curve] = {"
    yield from curves
    yield "}"
    yield f"NOVEL: Curve = ({points})  # where the view is old enough to know"


def tasks() -> list[tuple[str, int, float]]:
    """Kind, seed and seconds of all scenes: many short ones, for what a start shows."""
    return [
        *((kind, seed, 45.0) for seed in range(2, 26, 2) for kind in FLAMES),
        *(("flame from the start", seed, 14.0) for seed in range(26, 66, 2)),
        *((kind, seed, 30.0) for seed in range(2, 10, 2) for kind in HARMLESS),
        *((kind, seed, 25.0) for seed in range(10, 18, 2) for kind in HARMLESS),
        *((kind, seed, 150.0) for seed in (18, 26) for kind in HARMLESS),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description="fit the curves of the flame watch")
    parser.add_argument("--clips", type=Path)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    recordings = os.environ.get("STILLAIR_RECORDINGS")
    folders = [Path(recordings) / "video"] if recordings else []
    folders += [given.clips] if given.clips else []
    clips = [c for (_, which), each in by_set(folders).items() if which == "tuning" for c in each]
    with get_context("spawn").Pool(given.workers) as pool:
        looks = pool.map(of_scene, tasks(), chunksize=1) + pool.map(of_clip, clips, chunksize=1)
    found = fitted([each for each in looks if len(each.flame)])
    print("\n".join(told(found)))


if __name__ == "__main__":
    main()
