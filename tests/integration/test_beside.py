"""What a job is held against, and its stages: from what is kept to the answer."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from kept_things import BOOT, CHAMBER, job
from stillair.errors import CommandRefused, InputError
from stillair.model import (
    CameraCondition,
    Change,
    EventChange,
    JobOutcome,
    JobPhase,
    Kind,
    Outcome,
    OutcomeTold,
    Priority,
    SignalClass,
)
from stillair.runtime.beside import BAND, LAST, HeldAgainst, beside_of
from stillair.runtime.course import course_of
from stillair.runtime.heights import Heights
from stillair.storage.archive import Archive
from stillair.storage.history import History
from stillair.storage.journal import Journal

APART_S = 10_000.0
LONG_S = 1200.0


class Bench:
    """A chamber in which jobs of twenty minutes are built."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.journal = Journal.open(folder / "journal.db")
        self.archive = Archive.open(folder / "archive.db")
        self.count = 0

    def built(
        self,
        air_c: float,
        *,
        name: str = "spacers",
        material: str = "ASA",
        box: str = "real 1",
        word: JobOutcome | None = JobOutcome.SOUND,
        pause_s: float = 0.0,
        steady_s: float | None = None,
    ) -> str:
        self.count += 1
        t_s = APART_S * self.count
        made = replace(job(self.count, started_s=t_s), name=name, material=material, box=box)
        steps = [made]
        if pause_s:
            paused = replace(made, state=JobPhase.PAUSED, paused_since_s=t_s + 300.0, height_mm=0.4)
            steps += [paused, replace(made, paused_s=pause_s, height_mm=0.4)]
        for offset_s, step in zip((0.0, 300.0, 300.0 + pause_s), steps, strict=False):
            self.journal.commit(Outcome(CHAMBER, t_s + offset_s, jobs=(step,)), BOOT)
        if steady_s is not None:
            self.told(made.id, Kind.SOAK_READY, t_s + steady_s)
            self.told(made.id, Kind.SOAK_READY, t_s + LONG_S - 90.0, over=True)
        over_s = t_s + LONG_S + pause_s
        done = replace(steps[-1], state=JobPhase.FINISHED, finished_s=over_s - 60.0)
        words = () if word is None else (OutcomeTold(made.id, over_s, word, "cox"),)
        self.journal.commit(Outcome(CHAMBER, over_s, jobs=(done,), outcomes=words), BOOT)
        for second in range(int(LONG_S + pause_s)):
            stands = pause_s and 300.0 <= second < 300.0 + pause_s
            at_s = BOOT.wall_at_zero_s + t_s + second
            self.archive.add(CHAMBER, "top", at_s, 20.0 if stands else air_c)
        self.archive.flush(sync=True)
        return made.id

    def told(self, of: str, kind: Kind, at_s: float, *, over: bool = False, view: str = "") -> None:
        """One word on an event."""
        change = EventChange(
            event=900 + self.count,
            change=Change.CLEARED if over else Change.RAISED,
            at_s=at_s,
            kind=kind,
            signal_class=SignalClass.NOTICE,
            priority=Priority.LOW,
            onset_s=at_s,
            sensors=(),
            detail={"condition": view},
            end_s=at_s if over or kind is Kind.SOAK_READY else None,
            job=of,
        )
        self.journal.commit(Outcome(CHAMBER, at_s, events=(change,)), BOOT)

    def beside(self, of: str, wanted: str, *, marks: dict[str, str] | None = None) -> object:
        asked = HeldAgainst(of, wanted, ("top",), BOOT.wall_at_zero_s + 1e6, marks or {})
        return beside_of(self.folder, asked)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def test_the_last_sound_job_of_the_part_stands_beside_this_one(bench: Bench) -> None:
    bench.built(44.0)
    last = bench.built(47.0)
    bench.built(61.0, name="fin box")
    bench.built(62.0, box="simulated 1")
    bench.built(63.0, word=JobOutcome.FLAWED)
    mine = bench.built(50.0, word=None)
    bench.built(64.0)  # came later
    found = bench.beside(mine, LAST)
    assert isinstance(found, dict)
    assert [each["id"] for each in found["jobs"]] == [last]
    assert found["aligned"] == "start"
    begun_s = BOOT.wall_at_zero_s + 6 * APART_S
    assert found["time_s"][:2] == [begun_s + 30.0, begun_s + 90.0]
    assert {t for t in found["sensors"]["top"]["low"] if t is not None} == {47.0}
    assert found["sensors"]["top"]["low"] == found["sensors"]["top"]["high"]


def test_the_time_that_either_stood_paused_is_left_out(bench: Bench) -> None:
    bench.built(47.0, pause_s=600.0)
    mine = bench.built(50.0, word=None, pause_s=900.0)
    found = bench.beside(mine, LAST)
    assert isinstance(found, dict)
    begun_s = BOOT.wall_at_zero_s + 2 * APART_S
    held = dict(zip(found["time_s"], found["sensors"]["top"]["low"], strict=True))
    assert held[begun_s + 270.0] == 47.0
    assert held[begun_s + 300.0] is None, "no line is drawn across the pause"
    assert held[begun_s + 330.0 + 900.0] == 47.0
    assert not [at_s for at_s in held if begun_s + 300.0 < at_s < begun_s + 1200.0]
    assert set(held.values()) == {47.0, None}, "what the other was while paused isn't shown"


def test_both_fall_together_where_each_box_was_warm_and_steady(bench: Bench) -> None:
    bench.built(47.0, steady_s=120.0)
    mine = bench.built(50.0, word=None, steady_s=360.0)
    found = bench.beside(mine, LAST)
    assert isinstance(found, dict)
    assert found["aligned"] == "steady"
    assert found["sensors"]["top"]["low"][:6] == [None] * 4 + [47.0] * 2


def test_three_sound_jobs_of_the_material_make_a_band_and_two_do_not(bench: Bench) -> None:
    bench.built(44.0, name="fin box")
    bench.built(46.0, box="simulated 1")
    bench.built(90.0, material="PA")
    bench.built(48.0)
    mine = bench.built(50.0, word=None)
    found = bench.beside(mine, BAND)
    assert isinstance(found, dict)
    assert (found["jobs"], found["time_s"], found["sensors"]) == ([], [], {})
    bench.built(47.0)
    found = bench.beside(mine, BAND)
    assert isinstance(found, dict)
    assert len(found["jobs"]) == 3
    ends = found["sensors"]["top"]
    assert (ends["low"][3], ends["high"][3]) == (44.0, 48.0)


def test_a_job_that_never_was_is_refused(bench: Bench) -> None:
    with pytest.raises(InputError, match="there is no job"):
        bench.beside("north-bench-77", LAST)


def test_a_job_of_which_nothing_else_is_kept_stands_alone(bench: Bench) -> None:
    mine = bench.built(50.0)
    found = bench.beside(mine, LAST)
    assert isinstance(found, dict)
    assert found["jobs"] == []


def test_stages_and_the_cameras_pauses_follow_from_what_is_kept(bench: Bench) -> None:
    of = bench.built(50.0, pause_s=600.0, steady_s=120.0)
    paused = CameraCondition.PAUSED.value
    bench.told(of, Kind.CAMERA_FAULT, APART_S + 500.0, view=paused)
    bench.told(of, Kind.CAMERA_FAULT, APART_S + 560.0, over=True, view=paused)
    history = History(bench.folder / "journal.db", bench.folder / "archive.db")
    try:
        found = course_of(history, Heights(history), of, BOOT.wall_at_zero_s + 1e6)
        with pytest.raises(CommandRefused, match="no such job"):
            course_of(history, Heights(history), "north-bench-77", 0.0)
    finally:
        history.close()
    stages = found["stages"]
    assert isinstance(stages, list)
    told = [stage["stage"] for stage in stages if isinstance(stage, dict)]
    # The first height was told as the pause began.
    assert told == ["warming", "soaking", "paused", "building", "cooling"]
    assert len(found["camera_paused"]) == 1  # type: ignore[arg-type]  # a list
