"""Heights wait for the journal and are safe meanwhile: from a kill, a power cut, what refuses."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from disks import LoopDisk
from kept_things import BOOT, CHAMBER, job, outcome
from killed_keepers import keepers, told_before_kill
from stillair.clock import ManualClock
from stillair.database import check_soundness
from stillair.errors import StoreError
from stillair.model import JobPhase, Outcome, Timeline
from stillair.storage.emergency import EmergencyJournal
from stillair.storage.history import History
from stillair.storage.journal import Entry, Journal
from stillair.storage.later import LATER_S, MOST_PARCELS
from stillair.storage.records import Parcel
from stillair.storage.writer import JournalWriter

ENOUGH_S = 20.0
JOB = f"{CHAMBER}-1"
KILLS = 10


def height(mm: float, t_s: float = 100.0) -> Outcome:
    """The machine says how high the part is."""
    return Outcome(CHAMBER, t_s, jobs=(replace(job(), height_mm=mm),))


class Kept:
    """A writer over real files, and what it has told."""

    def __init__(self, folder: Path) -> None:
        self.clock = ManualClock()
        self.commits = 0
        self.troubles: list[bool] = []
        self.journal = Journal(folder / "journal.db")
        self.emergency = EmergencyJournal(folder / "emergency", size_bytes=16_384)
        self.writer = JournalWriter(
            self.journal,
            self.emergency,
            self._told,
            self.troubles.append,
            first_pause_s=0.01,
            monotonic_s=self.clock.now_s,
        )
        self.history = History(
            folder / "journal.db",
            folder / "archive.db",
            catch_up=lambda: self.writer.catch_up(ENOUGH_S),
        )
        self._plain = History(folder / "journal.db", folder / "archive.db")

    def _told(self, entries: list[Entry]) -> None:
        self.commits += 1

    def put(self, *outcomes: Outcome, timeline: Timeline = BOOT) -> None:
        """One after the other, each of them safe before the next comes."""
        for each in outcomes:
            self.writer.put(each, timeline)
            assert self.writer.flush(ENOUGH_S)

    def begun(self) -> None:
        """A job with its first height, which waits for nothing."""
        self.put(Outcome(CHAMBER, 50.0, jobs=(job(),)), height(0.2))

    def heights(self) -> list[float | None]:
        """What another process finds in the journal."""
        return [step.height_mm for step in self._plain.courses().steps(JOB)]

    def close(self) -> None:
        self.writer.stop()
        self.history.close()
        self._plain.close()
        self.journal.close()
        self.emergency.close()


@contextmanager
def keeping(folder: Path) -> Iterator[Kept]:
    with closing(Kept(folder)) as kept:
        kept.writer.recover()
        kept.writer.start()
        yield kept


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Kept]:
    with keeping(tmp_path) as found:
        found.begun()
        yield found


def test_heights_come_into_the_journal_together_after_some_minutes(kept: Kept) -> None:
    before = kept.commits
    kept.put(*(height(0.2 * n) for n in range(2, 8)))
    assert kept.writer.stored
    assert kept.heights() == [None, 0.2]
    assert kept.commits == before
    kept.clock.advance(LATER_S + 1.0)
    kept.put(height(1.6))
    assert kept.heights() == [None, *(pytest.approx(0.2 * n) for n in range(1, 9))]
    assert kept.commits == before + 1
    assert kept.emergency.read() == []


def test_many_heights_in_a_minute_do_not_wait_until_there_is_no_room(kept: Kept) -> None:
    kept.put(*(height(0.2 * n) for n in range(2, 2 + MOST_PARCELS)))
    assert len(kept.heights()) == 2 + MOST_PARCELS


@pytest.mark.parametrize(
    "matters",
    [
        pytest.param(outcome(7, 200.0), id="an alarm"),
        pytest.param(
            Outcome(CHAMBER, 200.0, jobs=(replace(job(), height_mm=0.4, material="PC"),)),
            id="a correction of the job",
        ),
        pytest.param(
            Outcome(CHAMBER, 200.0, jobs=(replace(job(state=JobPhase.FINISHED), height_mm=0.4),)),
            id="its end",
        ),
        pytest.param(replace(height(0.6), created=JOB), id="what says a word more"),
    ],
)
def test_whatever_matters_waits_for_nothing_and_takes_them_along(
    kept: Kept, matters: Outcome
) -> None:
    kept.put(height(0.4))
    before = kept.commits
    kept.put(matters)
    assert kept.heights()[:3] == [None, 0.2, 0.4]
    assert kept.commits == before + 1, "in its own transaction"
    assert kept.emergency.read() == []


def test_who_asks_how_the_job_went_finds_all_of_them(kept: Kept) -> None:
    kept.put(height(0.4), height(0.6))
    assert [step.height_mm for step in kept.history.courses().steps(JOB)] == [None, 0.2, 0.4, 0.6]
    kept.put(height(0.8))
    newest = kept.history.courses().last_seq(JOB)
    assert kept.heights()[-1] == 0.8
    assert newest == kept.history.last_seq()


def test_they_get_the_labels_of_a_clock_that_was_set_meanwhile(kept: Kept) -> None:
    kept.put(height(0.4))
    late = replace(BOOT, wall_at_zero_s=BOOT.wall_at_zero_s + 3600.0)
    kept.writer.relabel(late)
    kept.put(height(0.6), timeline=late)
    steps = kept.history.courses().steps(JOB)
    assert [step.at_s for step in steps[1:]] == [late.wall_at_zero_s + 100.0] * 3


def test_where_nothing_else_takes_them_the_journal_does_at_once(tmp_path: Path) -> None:
    class Refusing(EmergencyJournal):
        def append(self, parcels: object) -> int:
            raise StoreError("no such disk")

    with closing(Kept(tmp_path)) as kept:
        kept.writer._emergency = Refusing(tmp_path / "none")
        kept.writer.start()
        kept.begun()
        kept.put(height(0.4))
        assert kept.heights() == [None, 0.2, 0.4]
        assert kept.troubles == []


def test_a_height_does_not_say_that_history_is_kept_again(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    commit_all = kept.journal.commit_all

    def full(parcels: object) -> list[list[Entry]]:
        raise StoreError("the disk is full")

    monkeypatch.setattr(kept.journal, "commit_all", full)
    kept.writer.put(outcome(7, 200.0), BOOT)
    assert not kept.writer.flush(0.2)
    kept.writer.put(height(0.4), BOOT)
    assert not kept.writer.flush(0.2)
    assert kept.troubles == [True]
    monkeypatch.setattr(kept.journal, "commit_all", commit_all)
    assert kept.writer.flush(ENOUGH_S)
    assert kept.troubles == [True, False]
    assert kept.heights() == [None, 0.2, 0.4]


def test_a_stop_leaves_none_behind(tmp_path: Path) -> None:
    with keeping(tmp_path) as kept:
        kept.begun()
        kept.put(height(0.4))
        assert kept.writer.stop()
        assert kept.heights() == [None, 0.2, 0.4]
        assert kept.emergency.read() == []


def test_no_height_that_was_told_as_kept_is_lost_by_ten_kills(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    chance = random.Random(5)
    last = 0
    with keepers("heights", path) as process:
        for _ in range(KILLS):
            told = told_before_kill(process, "go", chance.randint(3, 2 * MOST_PARCELS))
            assert told[0][0] <= last + 2, "the next goes on behind the last that is known"
            last = told[-1][0]
    check_soundness(path)
    with keeping(tmp_path) as kept:
        found = [round(mm) for mm in kept.heights() if mm is not None]
    assert len(found) > last
    assert found == list(range(len(found))), "in order, and each once"


def test_a_power_cut_costs_no_height_that_was_told_as_kept(tmp_path: Path) -> None:
    disk = LoopDisk.make(tmp_path)
    try:
        with keeping(disk.path) as kept:
            kept.begun()
            kept.put(*(height(0.2 * n) for n in range(2, 20)))
            assert kept.heights() == [None, 0.2]
            disk.cut_power()
        disk.unmount()
        disk.power_on()
        with keeping(disk.path) as kept:
            assert kept.heights() == [None, *(pytest.approx(0.2 * n) for n in range(1, 20))]
            known = kept.journal.memory(CHAMBER, BOOT).job
            assert known is not None
            assert known.height_mm == pytest.approx(3.8)
    finally:
        disk.remove()


def test_what_was_kept_twice_is_there_once(tmp_path: Path) -> None:
    """A kill between the journal's commit and the emptying of what was written beside it."""
    parcels = [Parcel(height(mm), BOOT) for mm in (0.2, 0.4)]
    with keeping(tmp_path) as kept:
        kept.journal.commit_all(parcels)
        kept.emergency.append(parcels)
    with keeping(tmp_path) as kept:
        assert kept.heights() == [0.2, 0.4]
