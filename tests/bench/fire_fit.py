"""Fit the net of `stillair.fire.flame_terms`: what the measures of a place say of a flame.

    .venv/bin/python tests/bench/fire_fit.py [--clips DIR] [--write]

Logistic loss on every look at every active place of simulated scenes of even seeds, many of
them short, for what a start shows, and of the half of the real clips that is for tuning (see
`fire.py`). A recording weighs by the root of how many looks it has of flame and of none; in
the second round what looks most like a flame and is none weighs most. Prints what a net that
was fitted to one half of the seeds finds, and tells falsely, in the other half, and the other
way round (`flame.SURE` was chosen by that); `--write` then fits to both halves and puts the
net where the watch reads it. Drawing the scenes takes about an hour on two cores.
"""

from __future__ import annotations

import argparse
import os
import sys
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1] / "service")]

from bench.figures import share  # noqa: E402 - the paths above come first
from bench.fire_clips import Clip, by_set, paced  # noqa: E402
from bench.fire_scenes import FLAMES, HARMLESS, scene  # noqa: E402
from bench.small_nets import Floats, Net, Nets  # noqa: E402
from stillair.fire import flame  # noqa: E402
from stillair.fire.flame import FlameWatch, Place  # noqa: E402
from stillair.fire.flame_terms import TERMS, terms  # noqa: E402
from stillair.simulation.view import SceneState  # noqa: E402

RATES_PER_S = (10.0, 12.0, 15.0)  # how fast cameras come
SURE_AFTER_S = 1.0  # after its onset a place is one of flame
MOSTLY = 0.3  # of a place's box in the flame's: less is neither
CLIP_WEIGHT = 8.0  # of a real clip, scenes have 1
UNITS, NETS = 24, 3  # what three nets say is steadier than what one says
ROUNDS, EPOCHS, BATCH, RIDGE = 2, 20, 1024, 3e-4
RATE, LAST_RATE = 4e-3, 1e-4
HARD, EASY = 3.0, 0.1  # in the second round
AGAIN_S = 20.0  # what is told again so much later is told falsely twice
LEAST_LEFT_S = 8.0  # of a scene after the onset: with less nothing is asked of it
LONG_S = {
    "all sorts": 600.0,
    "dust": 150.0,
    "wet filament": 150.0,
    "purge": 150.0,
    "door and hands": 150.0,
}
WRITTEN = HERE.parents[1] / "service/stillair/fire/flame.csv"


@dataclass(frozen=True, slots=True)
class Recording:
    """Every look at every place of it: its terms `(looks, terms)`, and what it is."""

    kind: str
    seed: int
    length_s: float
    onset_s: float
    weight: float
    t_s: Floats
    terms: Floats
    newborn: NDArray[np.bool_]
    truth: NDArray[np.int8]  # 1 flame, 0 none, -1 neither
    was: tuple[tuple[int, ...], ...]  # the looks that each goes on from

    @property
    def is_clip(self) -> bool:
        return self.weight == CLIP_WEIGHT


class _Taken(FlameWatch):
    """Takes down every look, and which ones it goes on from."""

    def __init__(self, is_flame: Callable[[Place, float], bool | None]) -> None:
        super().__init__()
        self._is_flame = is_flame
        self.looks: list[tuple[float, Floats, bool, int, tuple[int, ...]]] = []
        self._kept: list[Place] = []  # so that no place has the identity of one before
        self._number: dict[int, int] = {}

    def _follow(self, place: Place, known: Sequence[Place]) -> list[Place]:
        was = super()._follow(place, known)
        self._was = tuple(self._number[id(each)] for each in was)
        return was

    def _measure(self, place: Place, *what: object) -> None:
        super()._measure(place, *what)  # type: ignore[arg-type]
        truth = self._is_flame(place, place.seen_s)
        self._number[id(place)] = len(self.looks)
        self._kept.append(place)
        self.looks.append(
            (
                place.seen_s,
                terms(place.features),
                place.age_s < flame.NEWBORN_S,
                -1 if truth is None else int(truth),
                self._was,
            )
        )


def of_scene(task: tuple[str, int, float]) -> Recording:
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

    return _recording(kind, seed, seconds, onset_s, 1.0, labelled.frames(), is_flame)


def of_clip(clip: Clip) -> Recording:
    onset_s = clip.onset_s if clip.flame else float("inf")

    def is_flame(_: Place, t_s: float) -> bool | None:
        if t_s < onset_s:
            return False
        return True if t_s > onset_s + SURE_AFTER_S else None

    name = f"clip {clip.path.name}"
    return _recording(name, 0, 0.0, onset_s, CLIP_WEIGHT, paced(clip.path), is_flame)


def _recording(
    kind: str,
    seed: int,
    length_s: float,
    onset_s: float,
    weight: float,
    frames: Iterator[tuple[float, NDArray[np.uint8]]],
    is_flame: Callable[[Place, float], bool | None],
) -> Recording:
    taken = _Taken(is_flame)
    for t_s, picture in frames:
        taken.update(t_s, picture)
    looks = taken.looks
    return Recording(
        kind,
        seed,
        length_s,
        onset_s,
        weight,
        np.array([look[0] for look in looks]),
        np.array([look[1] for look in looks]).reshape(len(looks), len(TERMS) + 1),
        np.array([look[2] for look in looks], bool),
        np.array([look[3] for look in looks], np.int8),
        tuple(look[4] for look in looks),
    )


def _in_flame(place: Place, state: SceneState) -> float:
    """The share of a place's box in that of a flame of the scene, in pixels of 320 x 240."""
    most = 0.0
    for burning in state.flames:
        x, y, half = burning.x * 320.0, burning.y * 240.0, burning.width * 320.0
        foot = y if burning.behind is None else min(y, burning.behind * 240.0)
        across = min(place.right, x + half) - max(place.left, x - half)
        down = min(place.bottom, foot + 5.0) - max(place.top, y - 2.0 * half * burning.tall - 5.0)
        most = max(most, max(0.0, across) * max(0.0, down) / place.area)
    return most


def fitted(recordings: Sequence[Recording]) -> Nets:
    return Nets(tuple(_fitted(recordings, lot) for lot in range(NETS)))


def _fitted(recordings: Sequence[Recording], lot: int) -> Net:
    rng = np.random.default_rng(lot)
    net: Net | None = None
    for number in range(ROUNDS):
        parts = [_weighed(each, net) for each in recordings if len(each.t_s)]
        given, burns, weight = (np.concatenate(part) for part in zip(*parts, strict=True))
        weight = np.minimum(weight, np.percentile(weight, 99.5))
        weight[burns > 0.0] *= weight[burns == 0.0].sum() / weight[burns > 0.0].sum()
        net = net or Net(given.shape[1], UNITS, RIDGE, rng)
        for epoch in range(EPOCHS):
            rate = RATE * 0.5 * (1.0 + np.cos(np.pi * epoch / EPOCHS)) + LAST_RATE
            net.epoch(given, burns, weight, rate, BATCH)
        loss = net.loss(given, burns, weight)
        print(f"round {number + 1}: {len(given)} looks, loss {loss:.4f}", flush=True)
    assert net is not None
    return net


def _weighed(recording: Recording, net: Net | None) -> tuple[Floats, Floats, Floats]:
    """The looks that have a say, whether they show a flame, and their weight."""
    used = (recording.truth >= 0) & ~recording.newborn
    given, burns = recording.terms[used], recording.truth[used].astype(np.float64)
    number = np.where(burns > 0.0, burns.sum(), len(burns) - burns.sum())
    weight = recording.weight / np.sqrt(np.maximum(1.0, number))
    if net is not None:
        likely = 1.0 / (1.0 + np.exp(-np.clip(net(given), -20.0, 20.0)))
        weight *= np.where(burns > 0.0, 1.0, EASY + HARD * likely)
    return given, burns, weight


def told_s(recording: Recording, net: Nets) -> list[tuple[float, int]]:
    """When a flame would be told, look by look, and what was there."""
    if not len(recording.t_s):
        return []
    sums: list[float] = []
    for likely, newborn, was in zip(
        net(recording.terms), recording.newborn, recording.was, strict=True
    ):
        before = max((sums[number] for number in was), default=0.0)
        sums.append(flame.with_look(before, float(likely), newborn=bool(newborn)))
    return [
        (float(t_s), int(truth))
        for t_s, truth, evidence in zip(recording.t_s, recording.truth, sums, strict=True)
        if evidence >= flame.TOLD_SUM
    ]


def report(recordings: Sequence[Recording], net: Nets) -> None:
    delays_s: list[float] = []
    missed: list[str] = []
    false: list[str] = []
    hours = 0.0
    for each in recordings:
        quiet_s = min(each.onset_s, each.length_s)
        hours += quiet_s / 3600.0
        told = told_s(each, net)
        last_s = -AGAIN_S
        for t_s in (t for t, _ in told if t < quiet_s):
            if t_s - last_s >= AGAIN_S:
                false.append(f"{each.kind} {each.seed} at {t_s:.0f} s")
            last_s = t_s
        if each.kind in FLAMES and each.length_s - each.onset_s > LEAST_LEFT_S:
            first = next((t for t, truth in told if t >= each.onset_s and truth), None)
            if first is None:
                missed.append(f"{each.kind} {each.seed}")
            else:
                delays_s.append(first - each.onset_s)
    print(f"  flames: {len(delays_s)} of {len(delays_s) + len(missed)}", end="")
    if delays_s:
        print(f", median {share(delays_s, 0.5):.1f} s, 95 % {share(delays_s, 0.95):.1f} s", end="")
    print(f"; missed: {', '.join(missed) or '-'}")
    print(f"  harmless: {len(false)} in {hours:.1f} h: {', '.join(false) or '-'}", flush=True)


def tasks() -> list[tuple[str, int, float]]:
    """Kind, seed and seconds of all scenes: many short ones, for what a start shows."""
    return [
        *((kind, seed, LONG_S.get(kind, 90.0)) for seed in range(30, 90, 2) for kind in HARMLESS),
        *((kind, seed, 150.0) for seed in range(90, 160, 2) for kind in LONG_S),
        *((kind, seed, 16.0) for seed in range(1030, 1130, 2) for kind in HARMLESS),
        *((kind, seed, 45.0) for seed in range(30, 120, 2) for kind in FLAMES),
        *(("flame from the start", seed, 14.0) for seed in range(1030, 1150, 2)),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description="fit the net of the flame watch")
    parser.add_argument("--clips", type=Path, metavar="DIR", help="real clips with a catalogue")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--write", action="store_true", help=f"into {WRITTEN.name}")
    given = parser.parse_args()
    recordings: list[Recording] = []
    asked = tasks()
    with get_context("spawn").Pool(given.workers) as pool:
        for number, made in enumerate(pool.imap_unordered(of_scene, asked), 1):
            recordings.append(made)
            print(f"\r{number} of {len(asked)} scenes", end="", file=sys.stderr, flush=True)
    recordings.sort(key=lambda each: (each.kind, each.seed, each.length_s))
    beside = os.environ.get("STILLAIR_RECORDINGS")
    folders = [Path(beside) / "video"] if beside else []
    folders += [given.clips] if given.clips else []
    for (_, which), clips in by_set(folders).items():
        recordings += [of_clip(clip) for clip in clips if which == "tuning"]
    for half in (0, 2):
        fit = fitted([each for each in recordings if each.is_clip or each.seed % 4 == half])
        report([each for each in recordings if not each.is_clip and each.seed % 4 != half], fit)
    if given.write and not any(each.is_clip for each in recordings):
        parser.error("without real clips the net is fitted to drawn scenes alone: give --clips")
    if given.write:
        fitted(recordings).write(WRITTEN)


if __name__ == "__main__":
    main()
