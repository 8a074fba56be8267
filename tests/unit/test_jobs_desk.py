"""A job's life by the marks that people and machines give, twice given or out of place."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.errors import CommandRefused, Refusal
from stillair.jobs.desk import BLIND_S, HIGHEST_MM, JobDesk, JobResult
from stillair.jobs.lines import NAME_LENGTH, NOTE_LENGTH
from stillair.model import (
    AddNote,
    FinishJob,
    Job,
    JobCommand,
    JobNote,
    JobPhase,
    PauseJob,
    Phase,
    PinHeight,
    ReportHeight,
    ResumeJob,
    StartJob,
    TakePinBack,
)

BY = "cox"


@dataclass
class Bench:
    """A desk with everything that came out of it, as a journal would keep it."""

    desk: JobDesk = field(default_factory=lambda: JobDesk(chamber="shed"))
    jobs: dict[str, Job] = field(default_factory=dict)
    notes: list[JobNote] = field(default_factory=list)

    def keep(self, result: JobResult) -> JobResult:
        self.jobs |= {job.id: job for job in result.jobs}
        self.notes += result.notes
        return result

    def does(self, command: JobCommand) -> JobResult:
        return self.keep(self.desk.command(command))

    def starts(self, t_s: float, name: str = "oarlock bushings") -> str:
        created = self.does(StartJob(t_s=t_s, by=BY, name=name, material="ASA")).created
        assert created is not None
        return created

    def tick(self, t_s: float, phase: Phase) -> JobResult:
        return self.keep(self.desk.tick(t_s, phase=phase))


@pytest.fixture
def bench() -> Bench:
    return Bench()


def refused(bench: Bench, command: JobCommand) -> Refusal:
    before = (bench.desk.job, bench.desk.next_job)
    with pytest.raises(CommandRefused) as refusal:
        bench.does(command)
    assert (bench.desk.job, bench.desk.next_job) == before, "refused, yet changed"
    return refusal.value.refusal


def test_a_job_from_start_to_cooled_down(bench: Bench) -> None:
    bench.tick(0, Phase.STEADY)
    job = bench.starts(10)
    assert job == "shed-1"
    bench.does(PauseJob(t_s=100, by=BY, job=job))
    bench.does(ResumeJob(t_s=160, by=BY, job=job))
    bench.does(ReportHeight(t_s=200, by=BY, job=job, height_mm=12.4))
    bench.does(PauseJob(t_s=300, by=BY, job=job))
    bench.does(FinishJob(t_s=330, by=BY, job=job))
    # pauses: 160 - 100 and, ended by the finish, 330 - 300
    assert bench.jobs[job].paused_s == 90
    assert bench.jobs[job].paused_since_s is None
    assert bench.jobs[job].state is JobPhase.COOLING
    assert bench.jobs[job].finished_s == 330
    bench.tick(400, Phase.COOLING)
    assert bench.desk.job is not None
    bench.tick(900, Phase.COOL_ENOUGH)
    assert bench.jobs[job].state is JobPhase.FINISHED
    assert bench.jobs[job].finished_s == 330
    assert bench.jobs[job].height_mm == 12.4
    assert bench.desk.job is None


COOLS, OVER = JobPhase.COOLING, JobPhase.FINISHED


@pytest.mark.parametrize(
    ("begun_s", "ticked_s", "hot", "state"),
    [
        # The service began at 0; the job is said to be done at 100.
        pytest.param(-7200.0, (1.0, 99.0), True, COOLS, id="of before the restart, hot"),
        pytest.param(-7200.0, (1.0, 99.0), False, OVER, id="of before the restart, cold"),
        pytest.param(-7200.0, (), None, COOLS, id="before the first second"),
        pytest.param(-7200.0, (98.0,), None, COOLS, id="before a sensor was heard"),
        pytest.param(-7200.0, (1.0, 99.0), None, OVER, id="no sensor tells in a minute"),
        pytest.param(10.0, (1.0, 99.0), True, OVER, id="begun since: the heat is another's"),
        pytest.param(-499.0, (1.0, 99.0), True, OVER, id="too brief to have warmed it"),
        pytest.param(-500.0, (1.0, 99.0), True, COOLS, id="just long enough"),
    ],
)
def test_a_job_done_just_after_a_restart_cools_if_the_box_is_hot(
    begun_s: float, ticked_s: tuple[float, ...], hot: bool | None, state: JobPhase
) -> None:
    kept = Job("shed-1", "shed", "fin box", "ASA", "", "", JobPhase.RUNNING, begun_s)
    bench = Bench(JobDesk(chamber="shed", next_job=2, job=kept))
    for t_s in ticked_s:
        bench.keep(bench.desk.tick(t_s, phase=Phase.UNKNOWN, hot=hot))
    bench.does(FinishJob(t_s=100, by=BY, job="shed-1"))
    assert bench.jobs["shed-1"].state is state
    assert bench.jobs["shed-1"].finished_s == 100


@pytest.mark.parametrize(
    ("phase", "at_s", "state"),
    [
        pytest.param(Phase.COLD, 101, OVER, id="it is cold after all"),
        pytest.param(Phase.COOLING, 100 + 2 * BLIND_S, COOLS, id="it is found to cool"),
        pytest.param(Phase.UNKNOWN, 99 + BLIND_S, COOLS, id="not known yet"),
        pytest.param(Phase.UNKNOWN, 100 + BLIND_S, OVER, id="nobody can ever tell"),
    ],
)
def test_what_a_box_was_is_found_after_the_job(phase: Phase, at_s: float, state: JobPhase) -> None:
    """Blindness counts from the job's end, however long nobody could tell before."""
    kept = Job("shed-1", "shed", "fin box", "ASA", "", "", JobPhase.RUNNING, -7200.0)
    bench = Bench(JobDesk(chamber="shed", next_job=2, job=kept))
    bench.keep(bench.desk.tick(1, phase=Phase.UNKNOWN, hot=True))
    bench.does(FinishJob(t_s=100, by=BY, job="shed-1"))
    bench.tick(100, Phase.UNKNOWN)
    bench.tick(at_s, phase)
    assert bench.jobs["shed-1"].state is state


@pytest.mark.parametrize(
    ("phase", "hot", "state"),
    [
        pytest.param(Phase.COLD, False, JobPhase.FINISHED, id="cold"),
        pytest.param(Phase.COOL_ENOUGH, True, JobPhase.FINISHED, id="cool enough"),
        pytest.param(Phase.UNKNOWN, None, JobPhase.FINISHED, id="nobody can tell"),
        pytest.param(Phase.UNKNOWN, False, JobPhase.FINISHED, id="just started, cold"),
        pytest.param(Phase.STEADY, True, JobPhase.COOLING, id="hot"),
        pytest.param(Phase.COOLING, None, JobPhase.COOLING, id="cooling already"),
    ],
)
def test_a_finished_job_cools_only_if_there_is_heat(
    bench: Bench, phase: Phase, hot: bool | None, state: JobPhase
) -> None:
    job = bench.starts(0)
    bench.keep(bench.desk.tick(1, phase=phase, hot=hot))
    bench.does(FinishJob(t_s=2, by=BY, job=job))
    assert bench.jobs[job].state is state


def test_a_job_does_not_cool_for_ever_when_blind(bench: Bench) -> None:
    job = bench.starts(0)
    bench.tick(1, Phase.STEADY)
    bench.does(FinishJob(t_s=2, by=BY, job=job))
    bench.tick(10, Phase.UNKNOWN)
    bench.tick(10 + BLIND_S - 1, Phase.UNKNOWN)
    assert bench.jobs[job].state is JobPhase.COOLING
    bench.tick(10 + BLIND_S, Phase.UNKNOWN)
    assert bench.jobs[job].state is JobPhase.FINISHED


def test_one_job_at_a_time(bench: Bench) -> None:
    job = bench.starts(0)
    assert refused(bench, StartJob(t_s=1, by=BY, name="fin box")) is Refusal.CONFLICT
    bench.does(PauseJob(t_s=2, by=BY, job=job))
    assert refused(bench, StartJob(t_s=3, by=BY, name="fin box")) is Refusal.CONFLICT


def test_a_new_job_ends_one_that_still_cools(bench: Bench) -> None:
    bench.tick(0, Phase.STEADY)
    first = bench.starts(1)
    bench.does(FinishJob(t_s=2, by=BY, job=first))
    second = bench.starts(3)
    assert second == "shed-2"
    assert bench.jobs[first].state is JobPhase.FINISHED
    assert bench.desk.job == bench.jobs[second]


@pytest.mark.parametrize(
    "commands",
    [
        pytest.param([PauseJob], id="pause"),
        pytest.param([ResumeJob], id="resume a running one"),
        pytest.param([PauseJob, ResumeJob], id="resume"),
        pytest.param([FinishJob], id="finish"),
    ],
)
def test_the_same_twice_changes_nothing(
    bench: Bench, commands: list[type[PauseJob | ResumeJob | FinishJob]]
) -> None:
    bench.tick(0, Phase.STEADY)
    job = bench.starts(1)
    for t_s, command in enumerate(commands):
        bench.does(command(t_s=10.0 * t_s + 10.0, by=BY, job=job))
    before = bench.desk.job
    assert bench.does(commands[-1](t_s=50.0, by=BY, job=job)) == JobResult()
    assert bench.desk.job == before


def test_the_same_height_twice_is_stored_once(bench: Bench) -> None:
    job = bench.starts(0)
    report = ReportHeight(t_s=1, by=BY, job=job, height_mm=12.4)
    assert bench.does(report).jobs
    assert bench.does(report) == JobResult()


def test_pieces_built_in_turn_begin_again_at_the_bed(bench: Bench) -> None:
    job = bench.starts(0)
    for t_s, height_mm in enumerate([0.2, 19.0, 0.2]):
        bench.does(ReportHeight(t_s=t_s, by=BY, job=job, height_mm=height_mm))
    assert bench.jobs[job].height_mm == 0.2


@pytest.mark.parametrize(
    "height_mm",
    [float("nan"), float("inf"), float("-inf"), -0.1, HIGHEST_MM + 0.1, 1e308],
)
def test_an_impossible_height_is_refused(bench: Bench, height_mm: float) -> None:
    job = bench.starts(0)
    report = ReportHeight(t_s=1, by=BY, job=job, height_mm=height_mm)
    assert refused(bench, report) is Refusal.FORBIDDEN
    bench.does(FinishJob(t_s=2, by=BY, job=job))
    assert refused(bench, report) is Refusal.FORBIDDEN, "also for a job that is over"


@pytest.mark.parametrize(
    "job",
    [
        "shed-2",  # not yet
        "shed-0",
        "shed--1",
        "shed-01",
        "shed-1 ",
        "shed-١",  # a digit, but not ours
        "north-1",
        "shed-" + "9" * 5000,
        "shed",
        "",
    ],
)
def test_a_job_that_never_was_is_unknown(bench: Bench, job: str) -> None:
    bench.starts(0)
    for command in (
        PauseJob(t_s=1, by=BY, job=job),
        FinishJob(t_s=1, by=BY, job=job),
        ReportHeight(t_s=1, by=BY, job=job, height_mm=1.0),
        AddNote(t_s=1, by=BY, job=job, text="compressor on"),
    ):
        assert refused(bench, command) is Refusal.UNKNOWN


def test_what_comes_late_for_an_old_job(bench: Bench) -> None:
    old = bench.starts(0)
    bench.does(FinishJob(t_s=1, by=BY, job=old))
    bench.starts(2)
    assert bench.does(FinishJob(t_s=3, by=BY, job=old)) == JobResult()
    assert bench.does(ReportHeight(t_s=3, by=BY, job=old, height_mm=5)) == JobResult()
    assert refused(bench, PauseJob(t_s=3, by=BY, job=old)) is Refusal.CONFLICT
    bench.does(AddNote(t_s=4, by=BY, job=old, text="a crack at the top"))
    assert bench.notes == [JobNote(old, 4, "a crack at the top", BY, None)]


def test_a_note_stands_at_the_height_that_the_part_had(bench: Bench) -> None:
    job = bench.starts(0)
    bench.does(ReportHeight(t_s=1, by=BY, job=job, height_mm=19.0))
    bench.does(AddNote(t_s=2, by=BY, job=job, text="  compressor on\r\nwindow shut  "))
    assert bench.notes == [JobNote(job, 2, "compressor on\nwindow shut", BY, 19.0)]


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("", id="empty"),
        pytest.param(" \n ", id="blank"),
        pytest.param("x" * (NOTE_LENGTH + 1), id="too long"),
        pytest.param("bell\x07", id="control character"),
        pytest.param("\x1b[31mred", id="terminal sequence"),
        pytest.param("nul\0", id="nul"),
        pytest.param("\ud800", id="half a character"),
        pytest.param("abc\u202edef", id="turned round"),
    ],
)
def test_a_note_that_is_none_is_refused(bench: Bench, text: str) -> None:
    job = bench.starts(0)
    assert refused(bench, AddNote(t_s=1, by=BY, job=job, text=text)) is Refusal.FORBIDDEN


@pytest.mark.parametrize("what", ["name", "material", "machine"])
@pytest.mark.parametrize("text", ["two\nlines", "x" * (NAME_LENGTH + 1), "tab\t", "\x00"])
def test_a_name_is_one_short_line(bench: Bench, what: str, text: str) -> None:
    given_: dict[str, str] = {"name": "fin box", what: text}
    if text == "tab\t":
        given_[what] = "a\tb"
    assert refused(bench, StartJob(t_s=0, by=BY, **given_)) is Refusal.FORBIDDEN


def test_a_restart_continues_a_paused_job(bench: Bench) -> None:
    job = bench.starts(0)
    bench.does(PauseJob(t_s=100, by=BY, job=job))
    kept = bench.jobs[job]
    bench.desk = JobDesk(chamber="shed", next_job=2, job=kept)
    bench.does(ResumeJob(t_s=150, by=BY, job=job))
    assert bench.jobs[job].paused_s == 50
    bench.does(FinishJob(t_s=200, by=BY, job=job))
    assert bench.starts(300) == "shed-2"


def test_a_restart_forgets_a_job_that_was_over(bench: Bench) -> None:
    job = bench.starts(0)
    bench.does(FinishJob(t_s=1, by=BY, job=job))
    desk = JobDesk(chamber="shed", next_job=2, job=bench.jobs[job])
    assert desk.job is None


def test_a_clock_that_began_anew_makes_no_pause_negative() -> None:
    job = Job("shed-1", "shed", "", "", "", "", JobPhase.PAUSED, 500.0, paused_since_s=600.0)
    bench = Bench(JobDesk(chamber="shed", next_job=2, job=job))
    bench.does(ResumeJob(t_s=10, by=BY, job="shed-1"))
    assert bench.jobs["shed-1"].paused_s == 0.0
    bench.does(FinishJob(t_s=20, by=BY, job="shed-1"))
    assert bench.jobs["shed-1"].finished_s == 500.0


def test_job_numbers_begin_at_one() -> None:
    with pytest.raises(ValueError, match="begin at 1"):
        JobDesk(chamber="shed", next_job=0)


COMMANDS = st.sampled_from(["start", "pause", "resume", "finish", "height", "note", "tick"])


@given(st.lists(st.tuples(COMMANDS, st.integers(1, 3), st.sampled_from(Phase)), max_size=60))
def test_what_always_holds(steps: list[tuple[str, int, Phase]]) -> None:
    bench = Bench()
    for t_s, (name, number, phase) in enumerate(steps):
        job = f"shed-{number}"
        commands: dict[str, JobCommand] = {
            "start": StartJob(t_s=t_s, by=BY, name="bushing"),
            "pause": PauseJob(t_s=t_s, by=BY, job=job),
            "resume": ResumeJob(t_s=t_s, by=BY, job=job),
            "finish": FinishJob(t_s=t_s, by=BY, job=job),
            "height": ReportHeight(t_s=t_s, by=BY, job=job, height_mm=1.0),
            "note": AddNote(t_s=t_s, by=BY, job=job, text="window open"),
        }
        try:
            if name == "tick":
                bench.tick(t_s, phase)
            else:
                bench.does(commands[name])
        except CommandRefused:
            continue
        finally:
            kept = [job for job in bench.jobs.values() if job.state is not JobPhase.FINISHED]
            assert kept == ([] if bench.desk.job is None else [bench.desk.job])
            for each in bench.jobs.values():
                over = each.state in {JobPhase.COOLING, JobPhase.FINISHED}
                paused = each.state is JobPhase.PAUSED
                assert (each.finished_s is not None) is over
                assert (each.paused_since_s is not None) is paused
                assert 0.0 <= each.paused_s <= t_s - each.started_s


@pytest.mark.parametrize(
    ("height_mm", "seen_s", "reason"),
    [
        pytest.param(12.4, 700.0, None, id="just now"),
        pytest.param(12.4, 650.0, None, id="a while ago"),
        pytest.param(12.4, 700.1, Refusal.FORBIDDEN, id="yet to come"),
        pytest.param(12.4, 50.0, Refusal.FORBIDDEN, id="before it began"),
        pytest.param(12.4, float("nan"), Refusal.FORBIDDEN, id="no moment"),
        pytest.param(-0.1, 650.0, Refusal.FORBIDDEN, id="below the bed"),
        pytest.param(HIGHEST_MM + 1, 650.0, Refusal.FORBIDDEN, id="higher than any box"),
        pytest.param(float("inf"), 650.0, Refusal.FORBIDDEN, id="no height"),
    ],
)
def test_a_pin_is_a_height_at_a_moment_of_the_job(
    bench: Bench, height_mm: float, seen_s: float, reason: Refusal | None
) -> None:
    job = bench.starts(100.0)
    pin = PinHeight(t_s=700.0, by=BY, job=job, height_mm=height_mm, seen_s=seen_s)
    if reason is not None:
        assert refused(bench, pin) is reason
        return
    (told,) = bench.does(pin).pins
    assert (told.job, told.t_s, told.by) == (job, 700.0, BY)
    assert (told.height_mm, told.seen_s, told.takes_back) == (height_mm, seen_s, None)


def test_a_pin_is_set_and_taken_back_days_after_the_job(bench: Bench) -> None:
    job = bench.starts(100.0)
    bench.does(FinishJob(t_s=900.0, by=BY, job=job))
    late = PinHeight(t_s=200_000.0, by=BY, job=job, height_mm=3.0, seen_s=500.0)
    assert bench.does(late).pins[0].seen_s == 500.0
    (back,) = bench.does(TakePinBack(t_s=200_001.0, by=BY, job=job, pin=17)).pins
    assert (back.takes_back, back.height_mm, back.seen_s) == (17, None, None)
    unknown = PinHeight(t_s=200_000.0, by=BY, job="shed-9", height_mm=3.0, seen_s=500.0)
    assert refused(bench, unknown) is Refusal.UNKNOWN


@pytest.mark.parametrize(
    ("was", "now", "kept"),
    [
        pytest.param("real 1", "real 1", "real 1", id="the same"),
        pytest.param("real 1", "real 2", "real 1", id="its walls are told otherwise"),
        pytest.param("real 1", "simulated 1", "", id="gone on in a simulation"),
        pytest.param("simulated 1", "real 1", "", id="begun in a simulation"),
        pytest.param("", "real 1", "", id="never known"),
        pytest.param("real 1", "", "real 1", id="nothing said of the box"),
    ],
)
def test_a_job_that_is_partly_simulated_is_of_no_known_box(was: str, now: str, kept: str) -> None:
    first = Bench(JobDesk(chamber="shed", box=was))
    job = first.starts(10.0)
    bench = Bench(JobDesk(chamber="shed", next_job=2, job=first.desk.job, box=now))
    assert bench.desk.job is not None
    assert bench.desk.job.box == kept
    bench.does(FinishJob(t_s=20.0, by=BY, job=job))
    assert bench.jobs[job].box == kept, "and the journal keeps it so"
