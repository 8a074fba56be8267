"""Seasons of jobs with one planted cause, and without any: what is named, and how quickly.

    .venv/bin/python tests/bench/seasons.py [--seasons 200] [--jobs 40] [--json]

Each season's jobs have figures that vary by chance, some of them together, as the figures
of real jobs do: a cold room makes the air colder, a deep drop lasts longer. In a third of
the jobs the planted cause is there; of these 8 in 10 come out flawed, of the others 1 in 10.
A season counts as found if the cause, or a figure that moves with it, comes first. Without
a cause 3 in 10 are flawed, whatever their figures, and a season in which any figure is told
counts as a false one.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]

from bench.figures import Figure, show  # noqa: E402 - the paths above come first
from stillair.jobs.comparison import MEASURES, JudgedJob, differences  # noqa: E402
from stillair.model import JobOutcome  # noqa: E402

NAMES = [measure.name for measure in MEASURES]
LEAST = {measure.name: measure.least for measure in MEASURES}
# What moves with what, and by how much of its own spread for one of the other's.
MOVES: dict[str, dict[str, float]] = {
    "deepest_drop_k": {"longest_drop_s": 0.8, "below_target_share": 0.6, "air_c": -0.3},
    "room_c": {"air_c": 0.7, "hottest_c": 0.6, "below_target_share": -0.5},
    "soak_s": {"spread_k": -0.6},
    "drying_h": {"humidity_share": -0.3},
    "layer_s": {},
    "cooling_k_per_min": {"room_c": -0.4},
}


def season(
    jobs: int, chance: np.random.Generator, cause: str | None, sign: float
) -> list[JudgedJob]:
    """One season's jobs."""
    made: list[JudgedJob] = []
    for number in range(jobs):
        z = {name: float(chance.normal()) for name in NAMES}
        for first, others in MOVES.items():
            for other, share in others.items():
                z[other] = share * z[first] + (1.0 - share**2) ** 0.5 * z[other]
        hit = cause is not None and chance.random() < 1.0 / 3.0
        if hit and cause is not None:
            shift = sign * chance.uniform(2.0, 5.0)
            z[cause] += shift
            for other, share in MOVES[cause].items():
                z[other] += share * shift
        flawed = chance.random() < (0.3 if cause is None else 0.8 if hit else 0.1)
        outcome = JobOutcome.FLAWED if flawed else JobOutcome.SOUND
        figures = {name: 30.0 * LEAST[name] + 2.0 * LEAST[name] * z[name] for name in NAMES}
        made.append(JudgedJob(f"n-{number}", "ASA", "simulated", outcome, figures))
    return made


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--seasons", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=40)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    chance = np.random.default_rng(7)
    figures: list[Figure] = []
    first = told = wrong = looked = 0
    for number in range(asked.seasons):
        for cause, moves in MOVES.items():
            sign = -1.0 if cause in ("room_c", "soak_s", "drying_h", "layer_s") else 1.0
            jobs = season(asked.jobs, chance, cause, sign)
            found = differences(jobs, chance=np.random.default_rng(number))
            right = {cause, *moves}
            looked += 1
            first += bool(found) and found[0].measure.name in right
            told += bool(found) and found[0].measure.name in right and found[0].told
            wrong += any(each.told and each.measure.name not in right for each in found)
    of = f"of {looked}"
    figures += [
        Figure(
            "planted cause, or what moves with it, comes first", 100.0 * first / looked, f"% {of}"
        ),
        Figure("and is told as more than chance", 100.0 * told / looked, f"% {of}"),
        Figure("something else is told besides", 100.0 * wrong / looked, f"% {of}"),
    ]
    named = 0
    for number in range(5 * asked.seasons):
        found = differences(
            season(asked.jobs, chance, None, 1.0), chance=np.random.default_rng(number)
        )
        named += any(each.told for each in found)
    share = 100.0 * named / (5 * asked.seasons)
    of = f"% of {5 * asked.seasons}"
    figures.append(Figure("a season without a cause names one", share, of, 5.0))
    jobs = season(500, chance, "deepest_drop_k", 1.0)
    began = time.perf_counter()
    differences(jobs, chance=np.random.default_rng(0))
    figures.append(Figure("500 jobs compared", 1000.0 * (time.perf_counter() - began), "ms", 300.0))
    show(figures, as_json=asked.json)


if __name__ == "__main__":
    main()
