"""What sound jobs had that flawed ones had not."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from stillair.jobs.comparison import (
    MEASURES,
    JudgedJob,
    alike,
    differences,
    is_many,
    seasons_of,
    unlike,
)
from stillair.model import JobOutcome

USUAL = {measure.name: 20.0 * measure.least for measure in MEASURES}


def job(number: int, outcome: JobOutcome = JobOutcome.SOUND, **figures: float | None) -> JudgedJob:
    return JudgedJob(f"north-bench-{number}", "ASA", "simulated", outcome, {**USUAL, **figures})


def season(
    count: int, seed: int, *, cause: str | None, odds: tuple[float, float] = (0.8, 0.1)
) -> list[JudgedJob]:
    """Jobs whose figures vary by chance; with `cause` a third of them have too much of it."""
    chance = np.random.default_rng(seed)
    jobs: list[JudgedJob] = []
    for number in range(count):
        figures: dict[str, float | None] = {
            m.name: USUAL[m.name] + float(chance.normal(0.0, 2.0 * m.least)) for m in MEASURES
        }
        hit = cause is not None and chance.random() < 0.35
        if hit and cause is not None:
            least = next(m.least for m in MEASURES if m.name == cause)
            figures[cause] = (figures[cause] or 0.0) + float(chance.uniform(5.0, 12.0)) * least
        bad = chance.random() < (odds[0] if hit else odds[1] if cause is not None else 0.3)
        outcome = JobOutcome.FLAWED if bad else JobOutcome.SOUND
        jobs.append(JudgedJob(f"n-{number}", "ASA", "simulated", outcome, figures))
    return jobs


def told(jobs: Sequence[JudgedJob], seed: int = 1) -> list[str]:
    found = differences(jobs, chance=np.random.default_rng(seed), shuffles=500)
    return [each.measure.name for each in found if each.told]


@pytest.mark.parametrize("cause", ["deepest_drop_k", "drying_h", "spread_k"])
def test_a_planted_cause_comes_first(cause: str) -> None:
    seasons = [season(40, seed, cause=cause) for seed in range(20)]
    first = [
        differences(jobs, chance=np.random.default_rng(0), shuffles=200)[0].measure.name
        for jobs in seasons
    ]
    assert first.count(cause) >= 18
    assert sum(cause in told(jobs) for jobs in seasons) >= 14


def test_a_season_without_a_cause_seldom_names_one() -> None:
    named = [seed for seed in range(120) if told(season(40, seed, cause=None), seed)]
    assert len(named) <= 9  # three or four are expected; of ten or more p < 0.005


def test_the_same_jobs_say_the_same_in_whatever_order_they_come() -> None:
    """Each job's page has that job at another place; with other shuffles one of them would tell."""
    jobs = season(24, 5, cause=None)
    found = [
        differences(order, chance=np.random.default_rng(2), shuffles=200)
        for order in (jobs, jobs[::-1], jobs[7:] + jobs[:7])
    ]
    assert found[0] == found[1] == found[2]


def test_each_material_that_is_compared_is_one_more_season() -> None:
    jobs = season(40, 3, cause="deepest_drop_k")
    alone, beside = (
        differences(jobs, chance=np.random.default_rng(2), seasons=seasons)[0] for seasons in (1, 3)
    )
    assert beside.p == pytest.approx(1.0 - (1.0 - alone.p) ** 3)
    assert beside.chance > alone.chance
    assert beside.effect == alone.effect


def of(material: str, sound: int, flawed: int, origin: str = "real") -> list[JudgedJob]:
    outcomes = [JobOutcome.SOUND] * sound + [JobOutcome.FLAWED] * flawed
    return [
        JudgedJob(f"{material}-{origin}-{n}", material, origin, outcome)
        for n, outcome in enumerate(outcomes)
    ]


@pytest.mark.parametrize(
    ("others", "seasons"),
    [
        pytest.param([], 1, id="this alone"),
        pytest.param(of("PA", 9, 4), 2, id="two materials"),
        pytest.param(of("PA", 9, 3), 1, id="too few flawed ones of the other"),
        pytest.param(of("pc", 2, 2) + of("PC ", 2, 2), 2, id="one material, typed in two ways"),
        pytest.param(of("PA", 9, 4, "simulated"), 1, id="a simulated season is another's"),
        pytest.param(of("", 9, 4), 1, id="no material named"),
    ],
)
def test_seasons_are_counted(others: list[JudgedJob], seasons: int) -> None:
    mine = of("ASA", 8, 8)
    assert seasons_of(mine[0], mine + others) == seasons


def test_the_sign_is_that_of_flawed_jobs() -> None:
    jobs = [job(n, deepest_drop_k=2.0 + 0.1 * n) for n in range(10)]
    jobs += [job(20 + n, JobOutcome.FAILED, deepest_drop_k=9.0 + 0.1 * n) for n in range(6)]
    first = differences(jobs, chance=np.random.default_rng(0))[0]
    assert first.measure.name == "deepest_drop_k"
    assert first.effect == 1.0, "in all pairs the flawed one has more"
    assert first.told
    assert (first.sound, first.flawed) == (10, 6)
    assert 0.0 < first.chance < 1.0
    assert first.sound_median < first.flawed_median


def test_figures_that_are_missing_or_all_alike_are_left_out() -> None:
    jobs = [job(n, hottest_c=None if n < 14 else 60.0, room_c=float(n)) for n in range(16)]
    jobs = [
        JudgedJob(j.job, j.material, j.origin, list(JobOutcome)[n % 2], j.figures)
        for n, j in enumerate(jobs)
    ]
    found = {each.measure.name for each in differences(jobs, chance=np.random.default_rng(0))}
    assert found == {"room_c"}


@pytest.mark.parametrize(
    ("sound", "flawed", "many"),
    [
        pytest.param(4, 4, True, id="four of each"),
        pytest.param(30, 3, False, id="three flawed"),
        pytest.param(3, 30, False, id="three sound"),
    ],
)
def test_with_few_of_either_nothing_is_told(sound: int, flawed: int, many: bool) -> None:
    jobs = [job(n, air_c=50.0 + n) for n in range(sound)]
    jobs += [job(100 + n, JobOutcome.FLAWED, air_c=20.0 + n) for n in range(flawed)]
    assert is_many(jobs) is many
    assert bool(differences(jobs, chance=np.random.default_rng(0))) is many


def test_three_things_at_most_are_unlike_the_good_ones() -> None:
    good = [job(n, deepest_drop_k=2.0 + 0.2 * n, soak_s=1500.0 + 100.0 * n) for n in range(5)]
    bad = job(9, JobOutcome.FLAWED, deepest_drop_k=9.0, soak_s=300.0, hottest_c=90.0, spread_k=26.0)
    found = unlike(bad, good)
    assert [each.measure.name for each in found] == ["hottest_c", "deepest_drop_k", "spread_k"]
    drop = found[1]
    assert (drop.value, drop.sound) == (9.0, 5)
    assert (drop.lowest, drop.highest) == pytest.approx((2.0, 2.8))


@pytest.mark.parametrize(
    ("value", "named"),
    [
        pytest.param(4.9, True, id="far more than the one good job had"),
        pytest.param(3.5, False, id="no more than jobs alike differ by"),
        pytest.param(None, False, id="not known"),
    ],
)
def test_one_good_job_is_enough_for_what_differs_much(value: float | None, named: bool) -> None:
    found = unlike(job(2, JobOutcome.FLAWED, deepest_drop_k=value), [job(1, deepest_drop_k=2.0)])
    assert bool(found) is named


def test_what_lies_within_the_good_ones_is_not_unlike() -> None:
    good = [job(1, room_c=10.0), job(2, room_c=20.0), job(3, room_c=20.5), job(4, room_c=21.0)]
    assert unlike(job(9, JobOutcome.FLAWED, room_c=11.0), good) == ()


def test_only_jobs_alike_are_compared() -> None:
    one = job(1)
    others = [
        one,
        job(2),
        JudgedJob("n-3", " asa ", "simulated", JobOutcome.SOUND),
        JudgedJob("n-4", "PA12", "simulated", JobOutcome.SOUND),
        JudgedJob("n-5", "ASA", "real", JobOutcome.SOUND),
    ]
    assert [each.job for each in alike(one, others)] == ["north-bench-2", "n-3"]


def test_the_effect_is_that_of_all_pairs_with_ties_and_gaps() -> None:
    chance = np.random.default_rng(3)
    jobs = [
        job(
            n,
            JobOutcome.FLAWED if n % 3 == 0 else JobOutcome.SOUND,
            room_c=None if n % 7 == 0 else float(chance.integers(15, 19)),
        )
        for n in range(40)
    ]
    (found,) = differences(jobs, chance=chance, shuffles=500)
    values = [
        [
            v
            for each in jobs
            if each.outcome is outcome and (v := each.figures["room_c"]) is not None
        ]
        for outcome in (JobOutcome.FLAWED, JobOutcome.SOUND)
    ]
    pairs = [np.sign(bad - good) for bad in values[0] for good in values[1]]
    assert found.effect == pytest.approx(np.mean(pairs), abs=1e-3)
    assert (found.flawed, found.sound) == (len(values[0]), len(values[1]))


def test_what_is_as_large_in_many_shuffles_is_not_told() -> None:
    """A figure with two values: its shuffles are often as far apart as the true one."""
    jobs = [
        job(n, JobOutcome.FLAWED if n < 4 else JobOutcome.SOUND, fan_share=100.0 * (n < 2))
        for n in range(8)
    ]
    (found,) = differences(jobs, chance=np.random.default_rng(1))
    # 2 of the 4 flawed ones: by hand (6 + 6) of 70 choices have both on one side, so 0.43.
    assert found.p == pytest.approx(0.43, abs=0.04)
    assert not found.told
    assert found.chance == 0.5, "half of all pairs is what chance can do"


def test_a_figure_that_two_of_the_flawed_have_is_left_out() -> None:
    def known(n: int) -> float | None:
        return float(n) if n in (0, 1) or n >= 8 else None

    jobs = [
        job(n, JobOutcome.FLAWED if n < 8 else JobOutcome.SOUND, drying_h=known(n))
        for n in range(20)
    ]
    assert differences(jobs, chance=np.random.default_rng(1)) == ()


@pytest.mark.parametrize(
    ("material", "origin"),
    [
        pytest.param(" ", "real", id="no material named"),
        pytest.param("ASA", "", id="nobody knows whether it was real"),
        pytest.param("ASA", "recorded", id="a recording may be of a simulated job"),
        pytest.param("ASA", "Real", id="a word that nobody here has written"),
    ],
)
def test_what_is_not_known_is_compared_with_nothing(material: str, origin: str) -> None:
    one, other = (JudgedJob(f"n-{n}", material, origin, JobOutcome.SOUND) for n in range(2))
    assert alike(one, [other]) == []
