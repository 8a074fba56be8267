"""The simulated season's plan: drawn from one seed, causes planted in what is done, honest odds."""

from __future__ import annotations

import io
from collections.abc import Iterator
from importlib import resources
from itertools import islice, pairwise

import pytest

from stillair.config import default_chamber
from stillair.model import FlawKind, JobOutcome
from stillair.runtime.marks import box_mark
from stillair.runtime.season_file import NAME, SeasonError, read_season, shipped
from stillair.simulation.scenario import Scenario, Step, load
from stillair.simulation.season import (
    BEGUN_S,
    Cause,
    ShedJob,
    scenario_of,
    shed_jobs,
    times_of,
)
from stillair.simulation.toolpaths import toolpath_lines

TOOLPATH_S = 10_000.0
MOST_BYTES = 1_500_000


@pytest.fixture(scope="module")
def shed() -> Scenario:
    return load("boat_shed_day")


def test_the_same_seed_draws_the_same_season() -> None:
    assert shed_jobs(5) == shed_jobs(5)
    assert shed_jobs(5) != shed_jobs(6)


def test_jobs_follow_each_other_over_three_months() -> None:
    jobs = shed_jobs()

    assert [job.number for job in jobs] == list(range(1, len(jobs) + 1))
    assert all(later.day > earlier.day for earlier, later in pairwise(jobs))
    assert 60 <= jobs[-1].day <= 100


def _drawn(seeds: int) -> Iterator[ShedJob]:
    for seed in range(seeds):
        yield from shed_jobs(seed)


@pytest.mark.parametrize(
    ("with_cause", "odds"),
    [pytest.param(True, 0.8, id="with a cause"), pytest.param(False, 0.1, id="without")],
)
def test_outcomes_come_by_odds(with_cause: bool, odds: float) -> None:
    jobs = [job for job in _drawn(60) if (job.cause is not Cause.NONE) is with_cause]
    flawed = sum(job.outcome is not JobOutcome.SOUND for job in jobs) / len(jobs)

    assert flawed == pytest.approx(odds, abs=0.04)  # three standard deviations of 800 jobs


def test_a_crack_is_found_where_the_door_stood_open() -> None:
    cracked = [
        (job, flaw)
        for job in _drawn(5)
        if job.cause is Cause.DOOR
        for piece in job.pieces
        for flaw in piece.flaws
    ]

    assert cracked
    for job, flaw in cracked:
        assert flaw.kind is FlawKind.CRACK
        built_mm = job.openings[0].share * job.what.part.height_mm
        assert flaw.height_mm == pytest.approx(built_mm, abs=0.3)


def test_pieces_and_the_whole_agree() -> None:
    for job in _drawn(5):
        worst = {piece.outcome for piece in job.pieces}
        assert len(job.pieces) == len(job.what.build.places)
        assert (worst == {JobOutcome.SOUND}) is (job.outcome is JobOutcome.SOUND)
        assert all(bool(p.flaws) is (p.outcome is not JobOutcome.SOUND) for p in job.pieces)


def _of(cause: Cause) -> ShedJob:
    return next(job for job in shed_jobs() if job.cause is cause)


def _steps(shed: Scenario, job: ShedJob, do: str) -> list[Step]:
    return [step for step in scenario_of(job, shed, TOOLPATH_S).steps if step.do == do]


def test_the_door_opens_while_it_builds(shed: Scenario) -> None:
    job = _of(Cause.DOOR)
    times = times_of(job, TOOLPATH_S)
    (opened,) = _steps(shed, job, "open_door")

    assert times.built_from_s < opened.at_s < times.done_s
    assert not _steps(shed, job, "job_pause")


def test_an_empty_spool_is_changed_in_a_pause(shed: Scenario) -> None:
    job = next(j for j in shed_jobs() if any(opening.pause for opening in j.openings))
    (paused,) = _steps(shed, job, "job_pause")
    opened = _steps(shed, job, "open_door")[0]
    paused_s, open_s = paused.number("for_s"), opened.number("for_s")

    assert paused_s is not None
    assert open_s is not None
    assert paused.at_s < opened.at_s
    assert opened.at_s + open_s < paused.at_s + paused_s
    assert times_of(job, TOOLPATH_S).done_s > times_of(job, TOOLPATH_S).built_from_s + TOOLPATH_S


@pytest.mark.parametrize(
    ("cause", "do", "from_s", "to_s"),
    [
        pytest.param(Cause.SEAM, "draft", 0.0, BEGUN_S, id="the seam leaks all along"),
        pytest.param(Cause.UNSOAKED, "job_start", 0.0, BEGUN_S + 1000.0, id="begun at once"),
        pytest.param(Cause.COLD_OUT, "open_door", 10_000.0, 99_999.0, id="opened when done"),
    ],
)
def test_other_causes_are_in_the_script(
    shed: Scenario, cause: Cause, do: str, from_s: float, to_s: float
) -> None:
    *_, last = _steps(shed, _of(cause), do)

    assert from_s <= last.at_s <= to_s


def test_damp_filament_was_dried_for_too_short_a_time() -> None:
    hours = {job.cause: job.log.dried_h or 0.0 for job in _drawn(3) if job.what.material == "PA"}

    assert hours[Cause.DAMP] < 4.0 < hours[Cause.NONE]


def test_the_season_that_is_shipped_is_small_and_all_simulated() -> None:
    file = resources.files("stillair.simulation") / NAME
    season = shipped()

    assert len(file.read_bytes()) < MOST_BYTES
    assert len(season.follows) == len(shed_jobs())
    boxes = {job.box for parcel in season.parcels for job in parcel.outcome.jobs}
    assert boxes == {season.box}
    assert season.box.startswith("simulated ")


def test_its_jobs_are_of_the_box_in_which_a_newcomers_own_are_built() -> None:
    chamber = default_chamber()

    assert (shipped().chamber, shipped().box) == (chamber.key, box_mark(chamber))


def test_what_is_no_season_is_refused() -> None:
    with pytest.raises(SeasonError, match="can't be read"):
        read_season(io.BytesIO(b"no zip file"))


@pytest.mark.parametrize("job", [pytest.param(job, id=job.of) for job in shed_jobs()[:3]])
def test_log_and_picture_are_of_what_the_toolpath_builds(job: ShedJob, shed: Scenario) -> None:
    ordered = set(islice(toolpath_lines(job.what.build), 10_000))
    assert [line for line in ordered if line.startswith("M190")] == [f"M190 S{job.log.bed_c:g}\n"]
    assert f"M104 S{job.log.nozzle_c:g}\n" in ordered, "after the first layer"
    part = job.what.part
    (begun,) = (s for s in scenario_of(job, shed, TOOLPATH_S).steps if s.do == "job_start")
    is_long = part.half_x_mm > 2.0 * part.half_y_mm
    assert begun.number("wide_mm") == (2.0 * part.half_x_mm if is_long else 0.0)
