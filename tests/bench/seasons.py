"""Seasons of jobs with one planted cause, and without any: what is named, and how quickly.

    .venv/bin/python tests/bench/seasons.py [--seasons 400] [--jobs 40] [--json]

Each season's jobs have figures that vary by chance, some of them together, as the figures
of real jobs do: a cold room makes the air colder, a deep drop lasts longer. In a third of
the jobs the planted cause is there; of these 8 in 10 come out flawed, of the others 1 in 10.
A season counts as found if the cause, or a figure that moves with it, comes first. Without
a cause 3 in 10 are flawed, whatever their figures, and a season in which any figure is told
counts as a false one: of one material, of two that share the jobs, and looked at anew after
each job. Shares come with the 95 % interval (Wilson, 1927) that so many seasons leave.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]

from bench.figures import Figure, show  # noqa: E402 - the paths above come first
from stillair.jobs.comparison import (  # noqa: E402
    LEAST_EACH,
    MEASURES,
    JudgedJob,
    differences,
    is_many,
)
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


def interval(hits: int, of: int) -> str:
    """What share so many hits leave open, in per cent (Wilson 1927, 95 %)."""
    share, z = hits / of, 1.96
    middle = (share + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(share * (1 - share) / of + (z / (2 * of)) ** 2)
    return f"{100 * (middle - half):.1f} to {100 * (middle + half):.1f}"


def share(named: str, hits: int, of: int, most: float | None = None) -> Figure:
    return Figure(named, 100.0 * hits / of, f"% of {of} ({interval(hits, of)})", most)


def names_one(jobs: list[JudgedJob], number: int, seasons: int = 1) -> bool:
    found = differences(jobs, chance=np.random.default_rng(number), seasons=seasons)
    return any(each.told for each in found)


def planted(asked: argparse.Namespace, chance: np.random.Generator) -> list[Figure]:
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
    return [
        share("planted cause, or what moves with it, comes first", first, looked),
        share("and is told as more than chance", told, looked),
        share("something else is told besides", wrong, looked),
    ]


def without_cause(asked: argparse.Namespace, chance: np.random.Generator) -> list[Figure]:
    count = 5 * asked.seasons
    one = sum(names_one(season(asked.jobs, chance, None, 1.0), n) for n in range(count))
    two = 0
    for number in range(count // 2):
        jobs = season(2 * asked.jobs, chance, None, 1.0)
        halves = jobs[: asked.jobs], jobs[asked.jobs :]
        many = max(1, sum(map(is_many, halves)))
        two += any(names_one(half, number, many) for half in halves)
    grown = count // 20
    ever = 0
    for number in range(grown):
        jobs = season(asked.jobs, chance, None, 1.0)
        ever += any(
            names_one(jobs[:so_far], 1000 * number + so_far)
            for so_far in range(2 * LEAST_EACH, asked.jobs + 1)
        )
    return [
        share("a season without a cause names one", one, count, 5.0),
        share("one of two materials does", two, count // 2, 5.0),
        share("one is named for a while, looked at after each job", ever, grown),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--seasons", type=int, default=400)
    parser.add_argument("--jobs", type=int, default=40)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    chance = np.random.default_rng(7)
    figures = [*planted(asked, chance), *without_cause(asked, chance)]
    jobs = season(500, chance, "deepest_drop_k", 1.0)
    began = time.perf_counter()
    differences(jobs, chance=np.random.default_rng(0))
    figures.append(Figure("500 jobs compared", 1000.0 * (time.perf_counter() - began), "ms", 300.0))
    show(figures, as_json=asked.json)


if __name__ == "__main__":
    main()
