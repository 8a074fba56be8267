"""Fit the weights of `stillair.fire.flame`: what each measure of a place says of a flame.

    .venv/bin/python tests/bench/fire_fit.py [--rounds 6] [--clips DIR] [--workers 2]

Logistic regression on every look at every active place, with each recording of the same
weight: simulated scenes of even seeds and the half of the real clips that is for tuning
(see `fire.py`). Prints the first term and the weights of a view too young to know what is
novel, and of one that does. Two weights are set by hand, because what they are against is
rare in the scenes: what changes as one (a light), and what is smaller than any flame that is
looked for. `flame.likelihood` adds two terms against a machine that are no straight line.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1] / "service")]

from bench.fire_clips import Clip, by_set, paced  # noqa: E402 - the paths above come first
from bench.fire_scenes import FLAMES, HARMLESS, scene  # noqa: E402
from stillair.fire.flame import FlameWatch, Place  # noqa: E402
from stillair.simulation.view import SceneState  # noqa: E402

FRAMES_PER_S = 14.0
SECONDS = {True: 45.0, False: 60.0}  # of a scene with a flame, and of one without
SURE_AFTER_S = 1.0  # after its onset a place is one of flame
SCENE_WEIGHT, CLIP_WEIGHT = 50.0, 200.0
RIDGE = 1.0
# Measure, floor and ceiling; more than one of a measure bends its line.
TERMS = (
    ("age_s", 0.0, 3.0),
    ("activity", 0.2, 0.5),
    ("occupancy", 0.6, 1.0),
    ("alike", 0.3, 0.95),
    ("alike", 0.85, 1.0),
    ("alike", 0.94, 1.0),
    ("size", 3.0, 5.0),
    ("unexplained", 0.2, 0.8),
    ("core", 0.0, 0.4),
    ("settled", 0.35, 0.7),
    ("foreign", 0.1, 0.9),
    ("size", 3.0, 9.0),
    ("rooted", 0.3, 0.8),
    ("rooted", 0.0, 0.3),
    ("occupancy", 0.4, 0.6),
    ("novel", 0.0, 0.5),
)
BY_HAND = {("alike", 0.94): -60.0, ("size", 3.0): 1.5}  # the second for `size` up to 5
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Looks:
    """Every look at every place of one recording: its terms and whether it is a flame."""

    terms: Floats
    novel_known: NDArray[np.bool_]
    flame: NDArray[np.bool_]
    weight: float


def of_scene(task: tuple[str, int]) -> Looks:
    kind, seed = task
    labelled = scene(kind, seed, SECONDS[kind in FLAMES], FRAMES_PER_S)
    onset_s = min((burn.onset_s for burn in labelled.burns), default=math.inf)

    def is_flame(place: Place, t_s: float) -> bool | None:
        if t_s < onset_s:
            return False
        burns = t_s > onset_s + SURE_AFTER_S and _at_flame(place, labelled.state(t_s))
        return True if burns else None

    return _looks(labelled.frames(), is_flame, SCENE_WEIGHT)


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
    terms: list[list[float]] = []
    known: list[bool] = []
    flame: list[bool] = []
    for t_s, picture in frames:
        for place in watch.update(t_s, picture) or ():
            truth = is_flame(place, t_s) if place.seen_s == t_s else None
            if truth is not None:
                terms.append([min(c, max(f, place.features[m])) - f for m, f, c in TERMS])
                known.append(place.features["novel"] >= 0.0)
                flame.append(truth)
    shape = (len(terms), len(TERMS))
    return Looks(np.array(terms).reshape(shape), np.array(known, bool), np.array(flame), weight)


def _at_flame(place: Place, state: SceneState) -> bool:
    """Whether a place touches a flame of the scene, in pixels of 320 x 240."""
    for flame in state.flames:
        x, y, half = flame.x * 320.0, flame.y * 240.0, flame.width * 320.0
        across = place.left < x + half and place.right > x - half
        if across and place.top < y + 5.0 and place.bottom > y - 2.0 * half * flame.tall - 5.0:
            return True
    return False


def fitted(looks: list[Looks], *, known: bool) -> tuple[float, Floats]:
    """First term and weights of one of the two kinds of view."""
    chosen = [(each, each.novel_known == known) for each in looks]
    chosen = [(each, rows) for each, rows in chosen if rows.any()]
    terms = np.concatenate([each.terms[rows] for each, rows in chosen])
    flame = np.concatenate([each.flame[rows] for each, rows in chosen]).astype(float)
    weights = np.concatenate(
        [np.full(rows.sum(), each.weight / rows.sum()) for each, rows in chosen]
    )
    weights[flame > 0] *= weights[flame == 0].sum() / weights[flame > 0].sum()
    use = [i for i, (measure, _, _) in enumerate(TERMS) if known or measure != "novel"]
    values = np.c_[terms[:, use], np.ones(len(terms))]
    found = np.zeros(values.shape[1])
    ridge = np.diag([RIDGE] * len(use) + [1e-9])
    for _ in range(60):
        likely = 1.0 / (1.0 + np.exp(-values @ found))
        slope = values.T @ (weights * (likely - flame)) + ridge @ found
        bend = (values * (weights * likely * (1.0 - likely))[:, None]).T @ values + ridge
        found -= np.linalg.solve(bend, slope)
    whole = np.zeros(len(TERMS))
    whole[use] = found[:-1]
    first = float(found[-1])
    for i, (measure, floor, ceiling) in enumerate(TERMS):
        by_hand = BY_HAND.get((measure, floor))
        if by_hand is not None and ceiling <= 5.0:
            if by_hand > 0.0:  # what is large enough keeps the sum that was fitted
                first -= max(0.0, by_hand - whole[i]) * (ceiling - floor)
                whole[i] = max(by_hand, whole[i])
            else:
                whole[i] = by_hand
    return first, whole


def main() -> None:
    parser = argparse.ArgumentParser(description="fit the weights of the flame watch")
    parser.add_argument("--rounds", type=int, default=6, help="seeds of each harmless kind")
    parser.add_argument("--clips", type=Path)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    seeds = range(2, 2 + 2 * given.rounds, 2)
    tasks = [(kind, seed) for seed in seeds for kind in HARMLESS]
    tasks += [
        (kind, seed + 2 * given.rounds * k) for k in (0, 1) for seed in seeds for kind in FLAMES
    ]
    recordings = os.environ.get("STILLAIR_RECORDINGS")
    folders = [Path(recordings) / "video"] if recordings else []
    folders += [given.clips] if given.clips else []
    clips = [c for (_, which), each in by_set(folders).items() if which == "tuning" for c in each]
    with get_context("spawn").Pool(given.workers) as pool:
        looks = pool.map(of_scene, tasks, chunksize=1) + pool.map(of_clip, clips, chunksize=1)
    for known, name in ((False, "_YOUNG"), (True, "_KNOWN")):
        first, weights = fitted(looks, known=known)
        print(f"{name}: Weights = {first:.2f}, (")
        for (measure, floor, ceiling), weight in zip(TERMS, weights, strict=True):
            if known or measure != "novel":
                print(f'    ("{measure}", {floor:g}, {ceiling:g}, {weight:.2f}),')
        print(")")


if __name__ == "__main__":
    main()
