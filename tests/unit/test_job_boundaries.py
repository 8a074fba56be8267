"""Jobs that nobody announces: where they began and ended, from heat and motion."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pytest

from stillair.errors import CommandRefused, Refusal
from stillair.jobs.boundaries import (
    COLD_S,
    COLD_UNSEEN_S,
    LONGEST_HEAT_UP_S,
    MOVED_AGAIN_S,
    MOVED_S,
    STEADY_S,
    STILL_S,
)
from stillair.jobs.desk import JobDesk, JobResult
from stillair.model import CorrectJob, FinishJob, Job, JobPhase, Movement, PauseJob, Phase, StartJob

BY = "captain"


@dataclass
class Bench:
    """A desk that guesses, and seconds that pass."""

    desk: JobDesk = field(
        default_factory=lambda: JobDesk(chamber="shed", guesses=True, has_target=True)
    )
    t_s: float = 0.0
    jobs: dict[str, Job] = field(default_factory=dict)
    pauses: list[tuple[str, float]] = field(default_factory=list)

    def passes(
        self,
        for_s: float,
        *,
        hot: bool | None,
        moving: bool | None = None,
        phase: Phase | None = None,
        camera: bool = True,
    ) -> None:
        phase = phase or (Phase.STEADY if hot else Phase.COLD)
        for _ in range(round(for_s)):
            self.t_s += 1.0
            movement = Movement(self.t_s, moving, self.t_s) if camera else None
            self.keep(self.desk.tick(self.t_s, phase=phase, hot=hot, movement=movement))

    def keep(self, result: JobResult) -> None:
        self.jobs.update({job.id: job for job in result.jobs})
        self.pauses += [
            (job.id, job.paused_since_s) for job in result.jobs if job.paused_since_s is not None
        ]

    def begins(self) -> Job:
        """A guessed job that runs."""
        self.passes(600, hot=False, moving=False)
        self.passes(1800, hot=True, moving=False, phase=Phase.WARMING)
        self.passes(MOVED_S + 10, hot=True, moving=True)
        assert self.desk.job is not None
        return self.desk.job


@pytest.fixture
def bench() -> Bench:
    return Bench()


def test_it_began_when_the_heat_did(bench: Bench) -> None:
    job = bench.begins()
    assert (job.id, job.state, job.guessed, job.name) == ("shed-1", JobPhase.RUNNING, True, "")
    assert job.started_s == pytest.approx(601, abs=2)


def test_at_most_two_hours_of_heating_belong_to_it(bench: Bench) -> None:
    bench.passes(3 * 3600, hot=True, moving=False)
    bench.passes(MOVED_S + 10, hot=True, moving=True)
    assert bench.desk.job is not None
    assert bench.t_s - bench.desk.job.started_s == pytest.approx(LONGEST_HEAT_UP_S, abs=20)


@pytest.mark.parametrize(
    ("hot", "moving", "camera"),
    [
        pytest.param(False, True, True, id="moved by hand in a cold box"),
        pytest.param(True, False, True, id="heated, and nothing moves"),
        pytest.param(True, None, True, id="heated, and nobody can tell what moves"),
        pytest.param(None, True, True, id="nobody can tell how warm it is"),
    ],
)
def test_it_takes_heat_and_motion(
    bench: Bench, hot: bool | None, moving: bool | None, camera: bool
) -> None:
    phase = Phase.STEADY if hot else Phase.UNKNOWN if hot is None else Phase.COLD
    bench.passes(7200, hot=hot, moving=moving, camera=camera, phase=phase)
    assert bench.desk.job is None


def test_a_move_now_and_then_is_no_job(bench: Bench) -> None:
    for _ in range(20):
        bench.passes(20, hot=True, moving=True)
        bench.passes(280, hot=True, moving=False)
    assert bench.desk.job is None


def test_without_a_camera_steady_heat_at_the_target_is_one(bench: Bench) -> None:
    bench.passes(STEADY_S - 5, hot=True, camera=False)
    assert bench.jobs == {}
    bench.passes(10, hot=True, camera=False)
    assert bench.jobs["shed-1"].guessed


def test_it_ends_with_the_last_movement(bench: Bench) -> None:
    job = bench.begins()
    moved_s = bench.t_s
    bench.passes(STILL_S - 5, hot=True, moving=False)
    assert bench.jobs[job.id].state is JobPhase.RUNNING
    bench.passes(10, hot=True, moving=False)
    assert bench.jobs[job.id].state is JobPhase.COOLING
    assert bench.jobs[job.id].finished_s == pytest.approx(moved_s, abs=2)
    bench.passes(10, hot=False, moving=False)
    assert bench.jobs[job.id].state is JobPhase.FINISHED
    assert bench.jobs[job.id].guessed, "until somebody confirms it"


def test_it_ends_sooner_when_its_heat_is_gone_too(bench: Bench) -> None:
    job = bench.begins()
    moved_s = bench.t_s
    bench.passes(COLD_S + 10, hot=False, moving=False, phase=Phase.COOLING)
    assert bench.jobs[job.id].finished_s == pytest.approx(moved_s, abs=2)


def test_heat_that_goes_while_it_moves_is_no_end(bench: Bench) -> None:
    job = bench.begins()
    bench.passes(7200, hot=False, moving=True, phase=Phase.COOLING)
    assert bench.jobs[job.id].state is JobPhase.RUNNING


def test_where_nobody_sees_it_move_lost_heat_has_an_hour_to_be_told(bench: Bench) -> None:
    job = bench.begins()
    bench.passes(COLD_UNSEEN_S - 5, hot=False, moving=None, phase=Phase.COOLING)
    assert bench.jobs[job.id].state is JobPhase.RUNNING
    bench.passes(10, hot=False, moving=None, phase=Phase.COOLING)
    assert bench.jobs[job.id].state is JobPhase.COOLING


def test_what_was_announced_never_ends_by_a_guess(bench: Bench) -> None:
    result = bench.desk.command(StartJob(t_s=0.0, by=BY, name="fin box"))
    bench.keep(result)
    bench.passes(MOVED_S, hot=True, moving=True)
    bench.passes(3 * 3600, hot=False, moving=False)
    assert bench.jobs["shed-1"].state is JobPhase.RUNNING


def test_what_nobody_watched_is_no_motion(bench: Bench) -> None:
    bench.passes(3600, hot=True, moving=False)
    for _ in range(4):
        bench.t_s += 250.0
        bench.passes(1, hot=True, moving=True)
    assert bench.desk.job is None


def test_it_ended_no_later_than_its_heat(bench: Bench) -> None:
    job = bench.begins()
    cold_s = bench.t_s
    bench.passes(900, hot=False, moving=True)
    bench.passes(10, hot=False, moving=False)
    assert bench.jobs[job.id].finished_s == pytest.approx(cold_s, abs=2)


def test_a_pause_is_no_end(bench: Bench) -> None:
    job = bench.begins()
    bench.keep(bench.desk.command(PauseJob(t_s=bench.t_s, by=BY, job=job.id)))
    bench.passes(3 * 3600, hot=False, moving=False)
    assert bench.jobs[job.id].state is JobPhase.PAUSED


def test_it_ends_also_where_a_restart_found_the_machine_still(bench: Bench) -> None:
    job = bench.begins()
    again = Bench(JobDesk(chamber="shed", next_job=2, job=job, guesses=True, has_target=True))
    again.t_s = bench.t_s
    again.passes(STILL_S - 10, hot=True, moving=False)
    assert again.desk.job == job
    again.passes(20, hot=True, moving=False)
    assert again.jobs[job.id].finished_s == pytest.approx(bench.t_s, abs=2)


def test_an_empty_spool_was_a_pause_where_the_machine_goes_on(bench: Bench) -> None:
    job = bench.begins()
    stood_s = bench.t_s
    bench.passes(3 * STILL_S, hot=True, moving=False)
    assert bench.jobs[job.id].state is JobPhase.COOLING
    bench.passes(MOVED_AGAIN_S + 10, hot=True, moving=True)
    mine = bench.jobs[job.id]
    assert (mine.state, mine.guessed, mine.finished_s) == (JobPhase.RUNNING, True, None)
    assert mine.paused_s == pytest.approx(3 * STILL_S, abs=3)
    assert list(bench.jobs) == [job.id]
    ((of_job, since_s),) = bench.pauses
    assert of_job == job.id and since_s == pytest.approx(stood_s, abs=2)
    bench.passes(3600, hot=True, moving=True)
    assert bench.desk.job == mine


def test_the_next_plate_in_a_hot_box_is_a_job_of_its_own(bench: Bench) -> None:
    job = bench.begins()
    mine = bench.desk.command(StartJob(t_s=bench.t_s, by=BY, name="fin box", material="ASA"))
    bench.keep(mine)
    bench.keep(bench.desk.command(FinishJob(t_s=bench.t_s, by=BY, job=job.id)))
    assert bench.jobs[job.id].state is JobPhase.COOLING
    bench.passes(600, hot=True, moving=False, phase=Phase.COOLING)
    began_s = bench.t_s
    bench.passes(MOVED_AGAIN_S + 10, hot=True, moving=True, phase=Phase.COOLING)
    assert bench.jobs[job.id].state is JobPhase.FINISHED
    assert bench.desk.job is not None and bench.desk.job.id == "shed-2"
    assert bench.desk.job.guessed
    assert bench.desk.job.started_s == pytest.approx(began_s, abs=2)


@pytest.mark.parametrize(
    ("hot", "for_s"),
    [
        pytest.param(True, MOVED_AGAIN_S - 60, id="a part that is taken out"),
        pytest.param(False, 2 * MOVED_AGAIN_S, id="in a box that isn't hot any more"),
        pytest.param(None, 2 * MOVED_AGAIN_S, id="where nobody can tell"),
    ],
)
def test_motion_in_a_job_that_cools_is_not_yet_another(
    bench: Bench, hot: bool | None, for_s: float
) -> None:
    job = bench.begins()
    bench.keep(bench.desk.command(FinishJob(t_s=bench.t_s, by=BY, job=job.id)))
    bench.passes(for_s, hot=hot, moving=True, phase=Phase.COOLING)
    assert bench.jobs[job.id].state is JobPhase.COOLING
    assert list(bench.jobs) == [job.id]


def test_whoever_begins_it_late_takes_over_what_was_guessed(bench: Bench) -> None:
    job = bench.begins()
    begun = bench.desk.command(StartJob(t_s=bench.t_s, by=BY, name="fin box", material="ASA"))
    bench.keep(begun)
    assert begun.created == job.id
    mine = bench.jobs[job.id]
    assert (mine.name, mine.guessed, mine.started_s) == ("fin box", False, job.started_s)
    assert bench.desk.next_job == 2


def test_a_desk_that_does_not_guess_never_does() -> None:
    bench = Bench(JobDesk(chamber="shed"))
    bench.passes(7200, hot=True, moving=True)
    assert bench.desk.job is None


# --- confirmed and corrected --------------------------------------------------------------


def correct(bench: Bench, job: Job, **told: object) -> None:
    mended = replace(job, **told)  # type: ignore[arg-type]
    bench.keep(bench.desk.command(CorrectJob(t_s=bench.t_s, by=BY, corrected=mended)))


def test_a_running_one_is_confirmed_with_its_name(bench: Bench) -> None:
    job = bench.begins()
    correct(bench, job, name=" oarlock bushings ", started_s=job.started_s + 60.0)
    mine = bench.jobs[job.id]
    assert (mine.name, mine.guessed, mine.state) == ("oarlock bushings", False, JobPhase.RUNNING)
    assert mine.started_s == job.started_s + 60.0
    assert bench.desk.job == mine


def test_one_that_is_over_is_corrected_days_later(bench: Bench) -> None:
    job = bench.begins()
    bench.passes(STILL_S + 10, hot=True, moving=False)
    bench.passes(10, hot=False, moving=False)
    over = bench.jobs[job.id]
    bench.passes(86_400, hot=False, moving=False)
    correct(bench, over, finished_s=(over.finished_s or 0.0) - 100.0, material="ASA")
    mine = bench.jobs[job.id]
    assert (mine.material, mine.guessed, mine.state) == ("ASA", False, JobPhase.FINISHED)
    assert mine.finished_s == (over.finished_s or 0.0) - 100.0
    assert bench.desk.job is None


@pytest.mark.parametrize(
    ("told", "refusal"),
    [
        pytest.param({"started_s": 1e7}, Refusal.FORBIDDEN, id="begins later than now"),
        pytest.param({"finished_s": 700.0}, Refusal.CONFLICT, id="ends, though it runs"),
        pytest.param({"finished_s": 100.0}, Refusal.FORBIDDEN, id="ends before it begins"),
        pytest.param({"name": "a\nb"}, Refusal.FORBIDDEN, id="a name of two lines"),
        pytest.param({"id": "shed-7"}, Refusal.UNKNOWN, id="a job that never was"),
    ],
)
def test_what_cannot_be_is_refused(bench: Bench, told: dict[str, object], refusal: Refusal) -> None:
    job = bench.begins()
    with pytest.raises(CommandRefused) as caught:
        correct(bench, job, **told)
    assert caught.value.refusal is refusal
    assert bench.desk.job == job
