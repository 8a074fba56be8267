"""What a machine says on its topic, many words in one second, as commands about its jobs."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from stillair.model import JobCommand, ReportHeight, StartJob, Tick
from stillair.runtime.company import Company
from stillair.runtime.found import State
from stillair.runtime.machine import TWICE_S, UNNAMED, MachineHeard, ToldMachine
from stillair.sensing.job_words import JobWord, job_word
from unit.watch_story import Story


class Topic:
    """Gives what was said since it was asked last."""

    def __init__(self) -> None:
        self.where = "a topic"
        self._words: list[JobWord] = []

    def says(self, *words: str) -> None:
        self._words += [job_word(word.encode()) for word in words]

    def take(self) -> Sequence[JobWord]:
        words, self._words = self._words, []
        return words


@pytest.mark.parametrize(
    ("words", "jobs"),
    [
        pytest.param(("start A",), [("A", "running", 0.0)], id="a start"),
        pytest.param(
            ("start A", "height 12.4"), [("A", "running", 12.4)], id="a height just after"
        ),
        pytest.param(("start A", "pause"), [("A", "paused", 0.0)], id="a pause just after"),
        pytest.param(
            ("start A", "finish"), [("A", "finished", 0.0)], id="over as soon as it began"
        ),
        pytest.param(
            ("start A", "height 9", "finish", "start B", "height 0.2"),
            [("A", "finished", 9.0), ("B", "running", 0.2)],
            id="the next plate in the same second",
        ),
        pytest.param(("start A", "start A"), [("A", "running", 0.0)], id="the same start twice"),
        pytest.param(
            ("start A", "start B", "height 3"),
            [("A", "finished", 0.0), ("B", "running", 3.0)],
            id="a next part, though nobody said that the one before is done",
        ),
        pytest.param(
            ("start A", "height 40", "start A", "height 0.2"),
            [("A", "finished", 40.0), ("A", "running", 0.2)],
            id="the same part once more",
        ),
        pytest.param(
            ("start A", "start B\u202ebox", "height 3"),
            [("A", "finished", 0.0), (UNNAMED, "running", 3.0)],
            id="a name that deceives",
        ),
        pytest.param(("height 3", "finish"), [], id="of a job that there isn't"),
    ],
)
def test_words_of_one_second_are_each_about_the_job_of_then(
    words: tuple[str, ...], jobs: list[tuple[str, str, float]]
) -> None:
    story, topic = Story(), Topic()
    machine = ToldMachine(topic)  # type: ignore[arg-type]
    topic.says(*words)
    for t_s in range(1, 8):
        for command in machine.commands(float(t_s), story.watch.view()):
            assert isinstance(command, JobCommand)
            story.take(command)
        story.take(Tick(float(t_s)))
    kept = {job.id: job for outcome in story.outcomes for job in outcome.jobs}
    assert [(job.name, job.state.value, job.height_mm or 0.0) for job in kept.values()] == jobs


def said(story: Story, machine: ToldMachine, seconds: range) -> None:
    for t_s in seconds:
        for command in machine.commands(float(t_s), story.watch.view()):
            assert isinstance(command, JobCommand)
            story.take(command)
        story.take(Tick(float(t_s)))


@pytest.mark.parametrize(
    ("height_mm", "jobs", "note"),
    [
        pytest.param(
            None, [("fin box", "running", 0.2)], "taken for this job", id="no height has come"
        ),
        pytest.param(
            12.4,
            [("fin box", "finished", 12.4), ("B", "running", 0.2)],
            "ended here",
            id="its height has been told",
        ),
    ],
)
def test_a_start_beside_a_job_that_a_person_began_is_noted_on_it(
    height_mm: float | None,
    jobs: list[tuple[str, str, float]],
    note: str,
    caplog: pytest.LogCaptureFixture,
) -> None:
    story, topic = Story(), Topic()
    machine = ToldMachine(topic)  # type: ignore[arg-type]
    story.take(StartJob(t_s=0.5, by="cox", name="fin box"))
    if height_mm is not None:
        job = story.watch.view().job
        assert job is not None
        story.take(ReportHeight(t_s=0.6, by="cox", job=job.id, height_mm=height_mm))
    topic.says("start B", "height 0.2")
    with caplog.at_level("INFO"):
        said(story, machine, range(1, 5))
    kept = {job.id: job for outcome in story.outcomes for job in outcome.jobs}
    assert [(job.name, job.state.value, job.height_mm or 0.0) for job in kept.values()] == jobs
    (told,) = [each for outcome in story.outcomes for each in outcome.notes]
    assert told.job == next(iter(kept)) and "“B”" in told.text and note in told.text
    assert f"job {told.job}: the machine begins 'B'" in caplog.text


def test_the_same_start_long_after_is_the_next_part() -> None:
    story, topic = Story(), Topic()
    machine = ToldMachine(topic)  # type: ignore[arg-type]
    for at_s in (1, 3 + int(TWICE_S)):
        topic.says("start A")
        said(story, machine, range(at_s, at_s + 2))
    assert len({job.id for outcome in story.outcomes for job in outcome.jobs}) == 2


def test_a_height_that_no_job_can_take_is_logged_once(caplog: pytest.LogCaptureFixture) -> None:
    topic = Topic()
    topic.says("height 3", "height 4")
    assert not ToldMachine(topic).commands(1.0, Story().watch.view())  # type: ignore[arg-type]
    assert caplog.text.count("height is told, but no job runs") == 1


class Line:
    """A topic as its connection is said to be."""

    where = "a topic"

    def __init__(self) -> None:
        self.is_open, self.refused, self.why = False, "", ""

    def outage(self) -> str:
        return self.why or self.refused


@pytest.mark.parametrize(
    ("besides", "refused", "told"),
    [
        pytest.param(False, False, [(False, ""), (True, "gone"), (False, "")], id="the broker"),
        pytest.param(True, False, [(False, "")], id="its sensors tell that"),
        pytest.param(True, True, [(False, ""), (True, "gone"), (False, "")], id="this topic"),
    ],
)
def test_that_the_machine_can_not_be_heard_is_told_once_it_has_lasted(
    besides: bool, refused: bool, told: list[tuple[bool, str]]
) -> None:
    line, heard = Line(), list[tuple[bool, str]]()
    machine = MachineHeard(
        line,  # type: ignore[arg-type]
        lambda active, why: heard.append((active, why)),
        is_told_besides=besides,
    )
    machine.check(0.0)
    setting_up = Company(None, (), machine)
    assert not heard and next(setting_up.found("")).state is State.NOT_TRIED
    line.is_open = True
    machine.check(1.0)
    assert next(setting_up.found("")).state is State.FIT
    line.is_open, line.why, line.refused = False, "gone", "gone" if refused else ""
    for t_s in range(10, 40):
        machine.check(float(t_s))
    assert heard == told[:1], "a broker that starts anew is no news"
    for t_s in range(40, 90):
        machine.check(float(t_s))
    assert heard == told[:2]
    (found,) = setting_up.found("")
    assert (found.state, found.told) == (State.UNFIT, "gone") and "[mqtt]" in found.remedy
    line.is_open, line.why, line.refused = True, "", ""
    machine.check(100.0)
    assert heard == told
