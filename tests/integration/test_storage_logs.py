"""The logs of jobs in the journal: what stands, what follows for the job, what is erased."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace

import pytest

from kept_things import BOOT, CHAMBER, job, judged
from stillair.model import (
    Brim,
    Flaw,
    FlawKind,
    JobLog,
    JobOutcome,
    JobPhase,
    LogKept,
    LogTold,
    Outcome,
    PieceOutcome,
    Spot,
    Timeline,
)
from stillair.storage import erasing
from stillair.storage.history import History
from stillair.storage.journal import Journal
from stillair.storage.records import Parcel

JOB = f"{CHAMBER}-1"
SOUND, FLAWED, FAILED = JobOutcome.SOUND, JobOutcome.FLAWED, JobOutcome.FAILED
CRACK = Flaw(FlawKind.CRACK, 30.2, Spot.BACK_LEFT, "opens")
LATER = Timeline("boot-later", BOOT.wall_at_zero_s + 3 * 86_400.0)


def keep(journal: Journal, *told: LogTold, timeline: Timeline = BOOT) -> None:
    for word in told:
        journal.commit(Outcome(CHAMBER, word.t_s, logs=(word,)), timeline)


def begun(
    journal: Journal,
    number: int,
    material: str = "ASA",
    box: str = "real 1",
    machine: str = "left bench",
) -> None:
    state = replace(job(number, JobPhase.FINISHED), material=material, box=box, machine=machine)
    journal.commit(Outcome(CHAMBER, 50.0, jobs=(state,)), BOOT)


def prepared(log: JobLog, *named: str, job_id: str = JOB, by: str = "cox") -> LogTold:
    return LogTold(job_id, 60.0, by, log, named)


def piece(number: int, outcome: JobOutcome | None, job_id: str = JOB, by: str = "cox") -> LogTold:
    told = PieceOutcome(number, outcome=outcome)
    return LogTold(job_id, 70.0, by, piece=told, piece_named=("outcome",))


def test_words_are_kept_one_by_one_and_stand_together(journal: Journal, history: History) -> None:
    begun(journal, 1)
    assert history.logs().of([JOB]) == {}
    keep(
        journal,
        prepared(JobLog(batch="ASA 4", brim=Brim.RAFT), "batch", "brim"),
        prepared(JobLog(brim=Brim.BRIM), "brim", by="bench captain"),
    )
    with_crack = PieceOutcome(2, Spot.BACK_LEFT, flaws=(CRACK,))
    days_later = LogTold(JOB, 9.0, "cox", piece=with_crack, piece_named=("place", "flaws"))
    keep(journal, days_later, timeline=LATER)
    assert history.logs().of([JOB, f"{CHAMBER}-2"]) == {
        JOB: LogKept(
            JOB,
            9.0,
            "cox",
            JobLog(batch="ASA 4", brim=Brim.BRIM),
            (PieceOutcome(2, Spot.BACK_LEFT, FLAWED, (CRACK,)),),
            "cox",
        )
    }
    words = [entry.body for entry in history.entries(topic="log", job=JOB).entries]
    assert [(word["by"], word["said"]) for word in words] == [
        ("cox", {"batch": "ASA 4", "brim": "raft"}),
        ("bench captain", {"brim": "brim"}),
        ("cox", {}),
    ]
    assert words[2]["piece"] == {
        "number": 2,
        "place": "back left",
        "flaws": [
            {
                "kind": "crack between layers",
                "height_mm": 30.2,
                "place": "back left",
                "text": "opens",
            }
        ],
    }
    assert words[2]["at"] > words[1]["at"]  # type: ignore[operator]  # labels


def test_the_same_parcel_twice_is_one_word(journal: Journal, history: History) -> None:
    begun(journal, 1)
    gone = LogTold(JOB, 80.0, "cox", gone=1)
    parcels = [
        Parcel(Outcome(CHAMBER, 60.0, logs=(word,)), BOOT) for word in (piece(1, SOUND), gone)
    ]
    journal.commit_all(parcels)
    keep(journal, piece(1, FAILED))
    journal.commit_all(parcels)  # after a power cut nobody knows whether it was written
    assert history.logs().of([JOB])[JOB].pieces == (PieceOutcome(1, outcome=FAILED),)


@pytest.mark.parametrize(
    ("pieces", "said", "state", "found"),
    [
        pytest.param([SOUND, FLAWED], [], "finished", ("flawed", "cox", "pieces"), id="worst"),
        pytest.param([SOUND], [], "finished", ("sound", "cox", "pieces"), id="all sound"),
        pytest.param([SOUND, None], [], "cooling", ("sound", "cox", "pieces"), id="cooling"),
        pytest.param([FAILED], [], "running", (None, None, None), id="too early"),
        pytest.param([None], [], "finished", (None, None, None), id="nothing said"),
        pytest.param(
            [FAILED], [SOUND], "finished", ("sound", "bench captain", "person"), id="told itself"
        ),
        pytest.param(
            [FAILED], [SOUND, None], "finished", ("failed", "cox", "pieces"), id="taken back"
        ),
        pytest.param([], [FLAWED], "finished", ("flawed", "bench captain", "person"), id="no log"),
    ],
)
def test_how_a_job_came_out_follows_from_its_pieces(
    journal: Journal,
    history: History,
    pieces: list[JobOutcome | None],
    said: list[JobOutcome | None],
    state: str,
    found: tuple[str | None, ...],
) -> None:
    journal.commit(Outcome(CHAMBER, 50.0, jobs=(job(1, JobPhase(state)),)), BOOT)
    for outcome in said:
        journal.commit(Outcome(CHAMBER, 65.0, outcomes=(judged(outcome),)), BOOT)
    keep(journal, *(piece(n, outcome) for n, outcome in enumerate(pieces, 1)))
    item = history.job(JOB)
    assert item is not None
    assert tuple(item[f"outcome{key}"] for key in ("", "_by", "_from")) == found
    sound = found[0] == "sound" and state == "finished"
    assert [each.id for each in history.sound_jobs(CHAMBER)] == ([JOB] if sound else [])


@pytest.mark.parametrize(
    ("others", "offered"),
    [
        pytest.param([], None, id="first of all"),
        pytest.param([("asa", "real 1", "A")], "A", id="same material, written otherwise"),
        pytest.param([("ASA", "real 1", "A"), ("ASA", "real 2", "B")], "B", id="the last"),
        pytest.param([("ASA", "real 1", "A"), ("PA", "real 1", "B")], "A", id="same material"),
        pytest.param([("ASA", "simulated 1", "A")], None, id="never of a simulated box"),
        pytest.param([("ASA", "real 1", "A"), ("ASA", "real 1", None)], "A", id="one without"),
    ],
)
def test_the_last_time_is_of_the_same_material_in_the_same_sort_of_box(
    journal: Journal,
    history: History,
    others: list[tuple[str, str, str | None]],
    offered: str | None,
) -> None:
    for number, (material, box, batch) in enumerate(others, 1):
        begun(journal, number, material, box)
        if batch is not None:
            keep(journal, prepared(JobLog(batch=batch), "batch", job_id=f"{CHAMBER}-{number}"))
        else:
            keep(journal, piece(1, SOUND, f"{CHAMBER}-{number}"))
    this = len(others) + 1
    begun(journal, this)
    begun(journal, this + 1)
    keep(journal, prepared(JobLog(batch="after"), "batch", job_id=f"{CHAMBER}-{this + 1}"))
    found = history.logs().before(f"{CHAMBER}-{this}")
    assert (None if found is None else found[2].batch) == offered


@pytest.mark.parametrize(
    ("machines", "offered"),
    [
        pytest.param(["left bench", "right bench"], "1", id="its own, though another is newer"),
        pytest.param(["Left Bench", "left bench"], "2", id="the newest of its own"),
        pytest.param(["right bench", "right bench"], "2", id="another's, where there is no other"),
    ],
)
def test_the_same_machine_s_log_is_offered_first(
    journal: Journal, history: History, machines: list[str], offered: str
) -> None:
    for number, machine in enumerate([*machines, "left bench"], 1):
        begun(journal, number, machine=machine)
        if number <= len(machines):
            said = JobLog(batch=str(number))
            keep(journal, prepared(said, "batch", job_id=f"{CHAMBER}-{number}"))
    found = history.logs().before(f"{CHAMBER}-{len(machines) + 1}")
    assert found is not None
    assert found[2].batch == offered


def test_a_material_that_nobody_named_is_like_none(journal: Journal, history: History) -> None:
    for number in (1, 2):
        begun(journal, number, material="")
    keep(journal, prepared(JobLog(batch="A"), "batch"))
    assert history.logs().before(f"{CHAMBER}-2") is None
    assert history.logs().before(f"{CHAMBER}-9") is None


def test_a_broken_row_does_not_refuse_later_words(
    journal: Journal, history: History, caplog: pytest.LogCaptureFixture
) -> None:
    begun(journal, 1)
    keep(journal, prepared(JobLog(batch="A"), "batch"))
    with closing(sqlite3.connect(journal.path)) as file, file:
        file.execute("UPDATE job_said SET body = '{\"log\": 3}'")
    assert history.logs().of([JOB]) == {}
    keep(journal, piece(1, FLAWED))
    assert history.logs().of([JOB])[JOB].pieces == (PieceOutcome(1, outcome=FLAWED),)
    assert "begun anew" in caplog.text


def test_a_log_goes_with_its_job(journal: Journal, history: History) -> None:
    begun(journal, 1)
    keep(journal, prepared(JobLog(batch="Seed 77"), "batch"), piece(1, SOUND))
    erasing.job(journal, CHAMBER, JOB, lambda _: None, len)
    assert history.logs().of([JOB]) == {}
    assert history.entries(topic="log").entries == ()
    assert b"Seed 77" not in journal.path.read_bytes()
