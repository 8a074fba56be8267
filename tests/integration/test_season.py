"""What good jobs had that a job had not: from kept jobs to the answer."""

from __future__ import annotations

from dataclasses import asdict, replace

import pytest

from kept_things import BOOT, CHAMBER, job
from stillair.errors import CommandRefused
from stillair.jobs.figures import RULE
from stillair.jobs.toolpath import Toolpath
from stillair.jobs.toolpath.analysis import analyse
from stillair.model import (
    JobDiagnosis,
    JobLog,
    JobOutcome,
    JobPhase,
    LogTold,
    Outcome,
    OutcomeTold,
)
from stillair.runtime.season import compared
from stillair.simulation.toolpaths import BUSHING, Build, toolpath_lines
from stillair.storage import toolpaths as kept
from stillair.storage.history import History
from stillair.storage.journal import Journal
from stillair.storage.layers import packed


class Season:
    """Kept jobs of one box."""

    def __init__(self, journal: Journal, history: History) -> None:
        self.journal = journal
        self.history = history
        self.count = 0

    def built(
        self,
        outcome: JobOutcome | None,
        drop_k: float,
        *,
        material: str = "ASA",
        box: str = "real 1",
        log: JobLog | None = None,
        along: Toolpath | None = None,
        rule: int = RULE,
        lasted_s: float = 900.0,
    ) -> str:
        """A job that is over, as it was measured and judged."""
        self.count += 1
        t_s = 1000.0 * self.count
        made = replace(
            job(self.count, JobPhase.FINISHED, t_s),
            material=material,
            box=box,
            finished_s=t_s + lasted_s,
        )
        measured = {"deepest_drop_k": drop_k, "air_c": 50.0 + self.count % 3}
        logs: tuple[LogTold, ...] = ()
        if log is not None:
            named = tuple(name for name, value in asdict(log).items() if value is not None)
            logs = (LogTold(made.id, t_s + 600.0, "cox", log=log, named=named),)
        told = () if outcome is None else (OutcomeTold(made.id, t_s + 600.0, outcome, "cox"),)
        found = JobDiagnosis(made.id, t_s + 600.0, box=box, measured=measured, rule=rule)
        self.journal.commit(
            Outcome(
                CHAMBER, t_s + 600.0, jobs=(made,), outcomes=told, diagnoses=(found,), logs=logs
            ),
            BOOT,
        )
        if along is not None:
            self.follows(made.id, along)
        return made.id

    def follows(self, job: str, along: Toolpath) -> None:
        """Keep a toolpath that a job was built along."""
        path = f"toolpath-{job}"
        kept.add(
            self.journal,
            path,
            chamber=CHAMBER,
            name="spacers",
            source="",
            size_bytes=1,
            at_us=self.count,
        )
        kept.keep(self.journal, path, along.whole, packed(along))
        kept.follow(self.journal, job, path, self.count)


@pytest.fixture
def season(journal: Journal, history: History) -> Season:
    return Season(journal, history)


def test_with_few_jobs_three_things_are_named(season: Season) -> None:
    for n in range(3):
        season.built(JobOutcome.SOUND, 2.0 + 0.1 * n)
    mine = season.built(None, 9.0)
    found = compared(season.history, mine)
    assert (found["sound"], found["many"], found["differences"]) == (3, False, [])
    (drop,) = found["unlike"]
    assert (drop["figure"], drop["value"], drop["sound"]) == ("deepest_drop_k", 9.0, 3)
    assert (drop["lowest"], drop["highest"]) == (2.0, 2.2)
    assert found["figures"]["air_c"] == 51.0


def test_with_many_flawed_are_held_against_sound(season: Season) -> None:
    for n in range(12):
        season.built(JobOutcome.SOUND, 2.0 + 0.1 * n, log=JobLog(dried_h=4.0))
    for n in range(7):
        season.built(JobOutcome.FLAWED, 7.0 + 0.1 * n, log=JobLog(dried_h=4.0))
    mine = season.built(JobOutcome.FLAWED, 8.0, log=JobLog(dried_h=4.0))
    found = compared(season.history, mine)
    assert found["many"]
    first = found["differences"][0]
    assert (first["figure"], first["told"], first["effect"]) == ("deepest_drop_k", True, 1.0)
    assert (first["sound"], first["flawed"]) == (12, 8)
    assert "drying_h" not in {each["figure"] for each in found["differences"]}, "all alike"
    for other in range(1, 20):
        again = compared(season.history, f"{CHAMBER}-{other}")["differences"]
        assert again == found["differences"], "the same jobs say the same on each one's page"


def test_other_materials_and_what_was_simulated_are_left_alone(season: Season) -> None:
    season.built(JobOutcome.SOUND, 2.0, material="PA12")
    season.built(JobOutcome.SOUND, 2.0, box="simulated 1")
    season.built(None, 2.0)
    mine = season.built(JobOutcome.FLAWED, 9.0)
    found = compared(season.history, mine)
    assert (found["sound"], found["judged"], found["unlike"]) == (0, 1, [])


def test_a_figure_by_an_earlier_rule_is_held_against_none(season: Season) -> None:
    for n in range(3):
        season.built(JobOutcome.SOUND, 2.0 + 0.1 * n, rule=1)
    mine = season.built(JobOutcome.FLAWED, 9.0)
    found = compared(season.history, mine)
    assert (found["sound"], found["unlike"]) == (3, [])
    early = compared(season.history, f"{CHAMBER}-1")["figures"]
    assert set(early) == {"air_c"}, "until it is measured anew"


def test_a_log_counts(season: Season) -> None:
    for _ in range(3):
        season.built(JobOutcome.SOUND, 2.0, log=JobLog(dried_h=8.0))
    mine = season.built(JobOutcome.FLAWED, 2.0, log=JobLog(dried_h=0.0))
    (dry,) = compared(season.history, mine)["unlike"]
    assert (dry["figure"], dry["value"], dry["median"]) == ("drying_h", 0.0, 8.0)


def path_with(fan_share: float, speed_mm_s: float = 30.0) -> Toolpath:
    build = Build(BUSHING, fan_share=fan_share, wall_mm_s=speed_mm_s, filling_mm_s=speed_mm_s)
    return analyse(line.encode() for line in toolpath_lines(build))


def test_a_toolpath_counts_and_what_was_told_by_hand_more(season: Season) -> None:
    usual, quick = path_with(0.1), path_with(0.6, 120.0)
    for _ in range(3):
        season.built(JobOutcome.SOUND, 2.0, along=usual)
    mine = season.built(JobOutcome.FLAWED, 2.0, along=quick)
    found = {each["figure"]: each for each in compared(season.history, mine)["unlike"]}
    assert found["fan_share"]["value"] == pytest.approx(
        100 * (quick.whole.fan_share or 0), abs=0.01
    )
    assert found["layer_s"]["value"] < found["layer_s"]["lowest"]
    by_hand = season.built(JobOutcome.FLAWED, 2.0, along=usual, log=JobLog(fan_percent=80.0))
    assert compared(season.history, by_hand)["figures"]["fan_share"] == 80.0


def test_a_job_that_never_was_is_refused(season: Season) -> None:
    season.built(None, 2.0)
    with pytest.raises(CommandRefused):
        compared(season.history, f"{CHAMBER}-9")


def test_what_was_over_before_anything_was_built_is_held_against_none(season: Season) -> None:
    for _ in range(3):
        season.built(JobOutcome.SOUND, 2.0)
    brief = season.built(JobOutcome.SOUND, 9.0, lasted_s=8.0)
    mine = season.built(JobOutcome.FLAWED, 9.0)
    found = compared(season.history, mine)
    assert (found["built"], found["sound"], found["judged"]) == (True, 3, 4)
    assert [each["highest"] for each in found["unlike"]] == [2.0], "of the sound ones that built"
    alone = compared(season.history, brief)
    assert (alone["built"], alone["lasted_s"]) == (False, 8.0)
    assert (alone["sound"], alone["judged"], alone["unlike"], alone["many"]) == (0, 0, [], False)
