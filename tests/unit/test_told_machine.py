"""What a machine says on its topic, many words in one second, as commands about its jobs."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from stillair.model import JobCommand, Tick
from stillair.runtime.machine import ToldMachine
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
        pytest.param(("start A", "start B"), [("A", "running", 0.0)], id="a second beside it"),
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
