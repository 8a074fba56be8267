"""Outcomes reach the journal in order, whatever the disk does, and nobody waits for it."""

from __future__ import annotations

import resource
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from kept_things import BOOT, CHAMBER, event, notice, outcome
from stillair.clock import ManualClock
from stillair.errors import StoreError
from stillair.model import Kind, Outcome, Timeline
from stillair.runtime.known_before import KnownBefore
from stillair.storage.archive import Archive
from stillair.storage.emergency import EmergencyJournal
from stillair.storage.history import History
from stillair.storage.journal import Entry, Journal
from stillair.storage.records import Parcel
from stillair.storage.writer import LATE_S, MARK_EVERY_S, JournalWriter

ENOUGH_S = 20.0  # far more than anything here takes
LONG_S = 100.0  # also where a busy computer writes a thousand times


class FailingJournal(Journal):
    """A journal whose disk can be made to fail."""

    failing = False
    refuse_learned = False
    tries = 0

    def remember(self, chamber: str, body: str) -> None:
        if self.refuse_learned:
            raise StoreError("the disk is full")
        super().remember(chamber, body)

    def commit_all(self, parcels: Sequence[Parcel]) -> list[list[Entry]]:
        self.tries += 1
        if self.failing:
            raise StoreError("the disk is full")
        return super().commit_all(parcels)


class Listener:
    """What the writer has told."""

    def __init__(self) -> None:
        self.entries: list[Entry] = []
        self.troubles: list[bool] = []
        self.told = threading.Event()

    def kept(self, entries: list[Entry]) -> None:
        self.entries += entries

    def trouble(self, active: bool) -> None:
        self.troubles.append(active)
        self.told.set()

    def numbers(self) -> list[object]:
        return [entry.body["event"] for entry in self.entries if entry.topic == "event"]


class StuckListener(Listener):
    """One that holds up the writer's thread as a slow disk does."""

    def __init__(self, release: threading.Event) -> None:
        super().__init__()
        self._release = release
        self.gave_up = False

    def kept(self, entries: list[Entry]) -> None:
        self.gave_up |= not self._release.wait(LONG_S)


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[FailingJournal]:
    opened = FailingJournal(tmp_path / "journal.db")
    yield opened
    opened.close()


@pytest.fixture
def emergency(tmp_path: Path) -> Iterator[EmergencyJournal]:
    opened = EmergencyJournal(tmp_path / "emergency", size_bytes=16_384)
    yield opened
    opened.close()


@contextmanager
def writing(
    journal: Journal, emergency: EmergencyJournal, listener: Listener, *, queue: int = 5000
) -> Iterator[JournalWriter]:
    writer = JournalWriter(
        journal,
        emergency,
        listener.kept,
        listener.trouble,
        first_pause_s=0.01,
        queue_parcels=queue,
    )
    writer.start()
    yield writer
    writer.stop()


def wait_for_trouble(listener: Listener) -> None:
    assert listener.told.wait(ENOUGH_S)
    listener.told.clear()


def test_outcomes_are_kept_in_order_and_told(
    journal: FailingJournal, emergency: EmergencyJournal
) -> None:
    listener = Listener()
    with writing(journal, emergency, listener) as writer:
        for number in range(1, 101):
            writer.put(outcome(number, float(number)), BOOT)
        assert writer.flush(ENOUGH_S)
        assert writer.stored
    assert listener.numbers() == list(range(1, 101))
    assert listener.troubles == []
    # Many that wait share a transaction: the card is written once for all of them.
    assert journal.tries < 50


def test_an_empty_outcome_is_left_out(journal: FailingJournal, emergency: EmergencyJournal) -> None:
    listener = Listener()
    with writing(journal, emergency, listener) as writer:
        writer.put(Outcome(CHAMBER, 1.0), BOOT)
        assert writer.flush(ENOUGH_S)
    assert journal.tries == 0


def test_what_was_learned_is_kept_by_the_writers_thread_and_tried_again(
    journal: FailingJournal, emergency: EmergencyJournal
) -> None:
    listener = Listener()
    journal.refuse_learned = True
    with writing(journal, emergency, listener) as writer:
        writer.remember(CHAMBER, "first")
        wait_for_trouble(listener)
        writer.remember(CHAMBER, "second")
        assert journal.remembered(CHAMBER) is None
        journal.refuse_learned = False
        wait_for_trouble(listener)
        assert listener.troubles == [True, False]
        assert journal.remembered(CHAMBER) == "second"
        writer.remember(CHAMBER, "at the stop")
    assert journal.remembered(CHAMBER) == "at the stop"


def test_a_full_disk_is_told_and_everything_kept_in_order_later(
    journal: FailingJournal, emergency: EmergencyJournal
) -> None:
    listener = Listener()
    with writing(journal, emergency, listener) as writer:
        journal.failing = True
        for number in range(1, 6):
            writer.put(outcome(number, float(number)), BOOT)
        wait_for_trouble(listener)
        assert not writer.stored
        assert "full" in writer.reason
        assert not writer.flush(0.05)
        assert listener.entries == []
        journal.failing = False
        assert writer.flush(ENOUGH_S)
    assert writer.reason == ""
    assert listener.numbers() == [1, 2, 3, 4, 5]
    assert listener.troubles == [True, False]
    assert emergency.read() == []


def test_putting_never_waits_for_the_disk(
    journal: FailingJournal, emergency: EmergencyJournal
) -> None:
    release = threading.Event()
    stuck = StuckListener(release)
    with writing(journal, emergency, stuck) as writer:
        for number in range(1, 1001):
            writer.put(outcome(number), BOOT)
        assert not stuck.gave_up, "all are put while the writer is held up"
        assert writer.waiting > 0
        release.set()
        assert writer.flush(LONG_S)


def test_what_could_not_be_kept_is_kept_by_the_next_process(
    journal: FailingJournal, emergency: EmergencyJournal, tmp_path: Path
) -> None:
    listener = Listener()
    journal.failing = True
    with writing(journal, emergency, listener) as writer:
        for number in (1, 2, 3):
            writer.put(outcome(number, float(number)), BOOT)
        wait_for_trouble(listener)
        assert not writer.stop()
    emergency.close()
    journal.failing = False
    again = EmergencyJournal(tmp_path / "emergency", size_bytes=16_384)
    assert [parcel.outcome for parcel in again.read()] == [outcome(n, float(n)) for n in (1, 2, 3)]
    later = Listener()
    with writing(journal, again, later) as writer:
        writer.put(outcome(4, 4.0), BOOT)
        assert writer.flush(ENOUGH_S)
    assert later.numbers() == [1, 2, 3, 4]
    assert again.read() == []
    again.close()


def known_before(journal: Journal, emergency: EmergencyJournal, folder: Path) -> KnownBefore:
    """What a start asks."""
    history = History(folder / "journal.db", folder / "archive.db")
    writer = JournalWriter(journal, emergency, lambda _: None, lambda _: None)
    return KnownBefore(journal, history, folder / "archive.db", writer.recover)


def test_a_fire_that_a_full_disk_swallowed_is_known_to_the_next_watch(
    journal: FailingJournal, emergency: EmergencyJournal, tmp_path: Path
) -> None:
    """Its number isn't given twice, and nothing is cool enough after it."""
    listener = Listener()
    journal.failing = True
    burning = replace(event(7), kind=Kind.FIRE)
    with writing(journal, emergency, listener) as writer:
        writer.put(Outcome(CHAMBER, 100.0, (burning,)), BOOT)
        wait_for_trouble(listener)
        assert not writer.stop()
    journal.failing = False
    memory = known_before(journal, emergency, tmp_path).memory(CHAMBER, BOOT)
    assert memory.events == (burning,)
    assert (memory.next_event, memory.burnt) == (8, 7)


def test_a_journal_that_refuses_what_was_left_holds_up_no_start(
    journal: FailingJournal, emergency: EmergencyJournal
) -> None:
    emergency.append([Parcel(outcome(3), BOOT)])
    journal.failing = True
    with writing(journal, emergency, Listener()) as writer:
        writer.recover()
        journal.failing = False
        assert writer.flush(ENOUGH_S)
    assert journal.memory(CHAMBER, BOOT).next_event == 4


def test_a_replay_of_what_the_journal_has_already_changes_nothing(
    journal: FailingJournal, emergency: EmergencyJournal, tmp_path: Path
) -> None:
    parcel = Parcel(outcome(), BOOT)
    journal.commit_all([parcel])
    emergency.append([parcel])
    with writing(journal, emergency, Listener()) as writer:
        assert writer.flush(ENOUGH_S)
    assert journal.memory(CHAMBER, BOOT).next_event == 2
    assert len(journal.commit_all([parcel])[0]) == 2
    assert journal.commit(outcome(2), BOOT)[0].seq == 3


def test_a_queue_that_overflows_keeps_what_the_emergency_journal_has(
    journal: FailingJournal, emergency: EmergencyJournal
) -> None:
    listener = Listener()
    journal.failing = True
    with writing(journal, emergency, listener, queue=4) as writer:
        for number in range(1, 4):
            writer.put(outcome(number, float(number)), BOOT)
        wait_for_trouble(listener)
        deadline_s = time.monotonic() + ENOUGH_S
        while len(emergency.read()) < 3 and time.monotonic() < deadline_s:
            time.sleep(0.005)
        for number in range(4, 7):
            writer.put(outcome(number, float(number)), BOOT)
        assert writer.waiting == 4
        journal.failing = False
        assert writer.flush(ENOUGH_S)
        assert writer.lost == 0
    assert listener.numbers() == [1, 2, 3, 4, 5, 6]


def test_what_finds_no_room_anywhere_is_counted(journal: FailingJournal, tmp_path: Path) -> None:
    listener = Listener()
    journal.failing = True
    (tmp_path / "in the way").touch()
    nowhere = EmergencyJournal(tmp_path / "in the way" / "emergency")
    with writing(journal, nowhere, listener, queue=4) as writer:
        for number in range(1, 8):
            writer.put(outcome(number, float(number)), BOOT)
        wait_for_trouble(listener)
        assert writer.lost == 3
        journal.failing = False
        assert writer.flush(ENOUGH_S)
    assert listener.numbers() == [4, 5, 6, 7]


class HangingJournal(Journal):
    """A journal whose card can be made to hang: calls neither return nor fail."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.answers = threading.Event()
        self.answers.set()
        self.asked = threading.Event()

    def commit_all(self, parcels: Sequence[Parcel]) -> list[list[Entry]]:
        self.asked.set()
        self.answers.wait(ENOUGH_S)
        return super().commit_all(parcels)

    def mark_seen(self, chamber: str, timeline: Timeline, t_s: float) -> None:
        self.asked.set()
        self.answers.wait(ENOUGH_S)
        super().mark_seen(chamber, timeline, t_s)


def until(ask: Callable[[], bool]) -> None:
    deadline_s = time.monotonic() + ENOUGH_S
    while not ask():
        assert time.monotonic() < deadline_s
        time.sleep(0.005)


@pytest.fixture
def hanging(tmp_path: Path) -> Iterator[HangingJournal]:
    opened = HangingJournal(tmp_path / "journal.db")
    opened.ready()
    yield opened
    opened.close()


def test_a_card_that_hangs_is_told_and_what_waits_lies_elsewhere(
    hanging: HangingJournal, emergency: EmergencyJournal
) -> None:
    clock, listener = ManualClock(), Listener()
    writer = JournalWriter(
        hanging, emergency, listener.kept, listener.trouble, monotonic_s=clock.now_s
    )
    hanging.answers.clear()
    writer.start()
    writer.put(outcome(1), BOOT)
    assert hanging.asked.wait(ENOUGH_S)
    writer.check()
    assert writer.stored
    assert listener.troubles == []
    clock.advance(LATE_S + 0.1)
    writer.put(outcome(2), BOOT)
    until(lambda: not writer.stored)  # also before anybody has checked
    for _ in range(3):
        writer.check()
    assert listener.troubles == [True]
    assert "answer" in writer.reason
    until(lambda: len(emergency.read()) == 2)
    hanging.answers.set()
    assert writer.flush(ENOUGH_S)
    until(lambda: listener.troubles == [True, False])
    assert writer.stored
    assert listener.numbers() == [1, 2]
    assert emergency.read() == []
    assert writer.stop()


def test_a_mark_that_hangs_is_told_though_nothing_waits(
    hanging: HangingJournal, emergency: EmergencyJournal
) -> None:
    clock, listener = ManualClock(), Listener()
    writer = JournalWriter(
        hanging, emergency, listener.kept, listener.trouble, monotonic_s=clock.now_s
    )
    hanging.answers.clear()
    writer.seen(CHAMBER, BOOT, 10.0)
    writer.start()
    assert hanging.asked.wait(ENOUGH_S)
    clock.advance(LATE_S + 0.1)
    writer.check()
    assert listener.troubles == [True]
    hanging.answers.set()
    until(lambda: listener.troubles == [True, False])
    assert writer.stop()


def test_a_service_that_ends_while_the_card_hangs_leaves_nothing_unkept(
    hanging: HangingJournal, emergency: EmergencyJournal
) -> None:
    writer = JournalWriter(hanging, emergency, lambda _: None, lambda _: None)
    hanging.answers.clear()
    writer.start()
    writer.put(outcome(1), BOOT)
    assert hanging.asked.wait(ENOUGH_S)
    assert not writer.stop(timeout_s=0.6)
    until(lambda: [parcel.outcome for parcel in emergency.read()] == [outcome(1)])
    hanging.answers.set()


def test_nobody_waits_for_ever_for_a_transaction_that_hangs(
    hanging: HangingJournal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stillair.storage.journal.BUSY_S", 0.01)
    monkeypatch.setattr("stillair.storage.journal.CLOSE_S", 0.01)
    begun, release = threading.Event(), threading.Event()

    def hang() -> None:
        with hanging.transaction("a card hangs"):
            begun.set()
            release.wait(ENOUGH_S)

    thread = threading.Thread(target=hang)
    thread.start()
    assert begun.wait(ENOUGH_S)
    with pytest.raises(StoreError, match="not answered"):
        hanging.waiting_notices()
    hanging.close()
    release.set()
    thread.join(ENOUGH_S)
    assert hanging.waiting_notices() == []


def test_an_outcome_that_can_never_be_written_does_not_hold_up_the_others(
    journal: FailingJournal, emergency: EmergencyJournal
) -> None:
    listener = Listener()
    broken = replace(outcome(2), notices=(replace(notice(), title=None),))  # type: ignore[arg-type]  # meant
    with writing(journal, emergency, listener) as writer:
        for each in (outcome(1), broken, outcome(3)):
            writer.put(each, BOOT)
        assert writer.flush(ENOUGH_S)
        assert writer.lost == 1
    assert listener.numbers() == [1, 3]


def test_a_listener_that_fails_stops_nothing(
    journal: FailingJournal, emergency: EmergencyJournal
) -> None:
    def fail(_: object) -> None:
        raise RuntimeError("a page fell over")

    writer = JournalWriter(journal, emergency, fail, fail)
    writer.start()
    writer.put(outcome(), BOOT)
    assert writer.flush(ENOUGH_S)
    assert writer.stop()
    assert journal.memory(CHAMBER, BOOT).next_event == 2


def test_marks_are_kept_when_the_writer_stops(
    journal: FailingJournal, emergency: EmergencyJournal
) -> None:
    with writing(journal, emergency, Listener()) as writer:
        for t_s in (10.0, 11.0, 12.0):
            writer.seen(CHAMBER, BOOT, t_s)
    assert journal.memory(CHAMBER, BOOT).last_seen_s == 12.0


class CountingJournal(Journal):
    """A journal that counts its marks."""

    marks = 0

    def mark_seen(self, chamber: str, timeline: Timeline, t_s: float) -> None:
        super().mark_seen(chamber, timeline, t_s)
        self.marks += 1


@pytest.mark.parametrize(
    ("by_readings", "marks"),
    [
        pytest.param(False, 41, id="one each half minute and one at the end"),
        pytest.param(True, 3, id="one each ten minutes where readings tell it too"),
    ],
)
def test_where_readings_are_kept_marks_are_rare(
    tmp_path: Path, emergency: EmergencyJournal, by_readings: bool, marks: int
) -> None:
    journal, clock = CountingJournal(tmp_path / "journal.db"), ManualClock()
    writer = JournalWriter(
        journal, emergency, lambda _: None, lambda _: None, monotonic_s=clock.now_s
    )
    for step in range(40):
        writer.seen(CHAMBER, BOOT, 30.0 * step, by_readings=by_readings)
        assert writer._attempt(stopping=False)
        clock.advance(MARK_EVERY_S)
    writer.seen(CHAMBER, BOOT, 1200.0, by_readings=by_readings)
    assert writer._attempt(stopping=True)
    assert journal.marks == marks
    assert journal.memory(CHAMBER, BOOT).last_seen_s == 1200.0
    journal.close()


LATER = Timeline("boot-2", BOOT.wall_at_zero_s + 5_000.0)  # after a power cut


@pytest.mark.parametrize(
    ("read_s", "now_s", "seen_s"),
    [
        pytest.param(None, 1_000.0, 100.0, id="no reading, so the mark"),
        pytest.param(90.0, 1_000.0, 100.0, id="a reading before the mark"),
        pytest.param(640.0, 1_000.0, 640.0, id="readings after the mark"),
        pytest.param(640.0, 630.0, 100.0, id="not one that is still to come: the clock was set"),
        pytest.param(2_000.0, 3_000.0, 100.0, id="nor one of long after: marks come first then"),
    ],
)
def test_it_was_watched_until_the_last_mark_or_the_last_reading(
    tmp_path: Path,
    journal: FailingJournal,
    emergency: EmergencyJournal,
    read_s: float | None,
    now_s: float,
    seen_s: float,
) -> None:
    journal.mark_seen(CHAMBER, BOOT, 100.0)
    with closing(Archive.open(tmp_path / "archive.db")) as archive:
        if read_s is not None:
            archive.add(CHAMBER, "top", BOOT.epoch_s(read_s), 45.0)
    before = known_before(journal, emergency, tmp_path)
    memory = before.memory(CHAMBER, LATER, now_s - 5_000.0)
    assert memory.last_seen_s == pytest.approx(seen_s - 5_000.0)


# --- the emergency journal by itself -----------------------------------------------------


def parcels(*numbers: int) -> list[Parcel]:
    return [Parcel(outcome(number), BOOT, f"parcel {number}") for number in numbers]


def test_its_room_is_taken_beforehand_and_never_grows(tmp_path: Path) -> None:
    path = tmp_path / "emergency"
    emergency = EmergencyJournal(path, size_bytes=8192)
    emergency.prepare()
    assert path.stat().st_size == 8192
    taken = emergency.append(parcels(*range(1, 101)))
    assert 0 < taken < 100
    assert emergency.append(parcels(101)) == 0
    assert path.stat().st_size == 8192
    assert emergency.read() == parcels(*range(1, taken + 1))
    emergency.clear()
    assert emergency.append(parcels(102)) == 1
    assert emergency.read() == parcels(102)
    emergency.close()


def test_it_works_where_no_file_may_grow(tmp_path: Path) -> None:
    emergency = EmergencyJournal(tmp_path / "emergency", size_bytes=8192)
    emergency.prepare()
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (8192, hard))
    try:
        assert emergency.append(parcels(1, 2)) == 2
        with pytest.raises(StoreError):
            EmergencyJournal(tmp_path / "another", size_bytes=16_384).prepare()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert emergency.read() == parcels(1, 2)
    emergency.close()


@pytest.mark.parametrize("torn_at", [0.3, 0.6, 0.9], ids=lambda part: f"torn at {part}")
def test_a_torn_record_and_all_behind_it_are_dropped(tmp_path: Path, torn_at: float) -> None:
    path = tmp_path / "emergency"
    emergency = EmergencyJournal(path, size_bytes=8192)
    emergency.append(parcels(1))
    end_of_first = emergency._end
    emergency.append(parcels(2))
    place = round(end_of_first + torn_at * (emergency._end - end_of_first))
    emergency.close()
    content = bytearray(path.read_bytes())
    content[place:] = bytes(len(content) - place)
    path.write_bytes(content)
    again = EmergencyJournal(path, size_bytes=8192)
    assert again.read() == parcels(1)
    assert again.append(parcels(3)) == 1
    assert again.read() == parcels(1, 3)
    again.close()


@pytest.mark.parametrize("content", [b"", b"x" * 100, b"\xff" * 8192, bytes(8192)])
def test_a_file_of_rubbish_is_begun_anew(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "emergency"
    path.write_bytes(content)
    emergency = EmergencyJournal(path, size_bytes=8192)
    assert emergency.read() == []
    emergency.append(parcels(1))
    emergency.close()
    assert EmergencyJournal(path, size_bytes=8192).read() == parcels(1)


def test_old_records_never_come_back(tmp_path: Path) -> None:
    path = tmp_path / "emergency"
    emergency = EmergencyJournal(path, size_bytes=8192)
    emergency.append(parcels(1, 2, 3))
    emergency.clear()
    emergency.close()
    again = EmergencyJournal(path, size_bytes=8192)
    assert again.read() == []
    again.append([Parcel(Outcome(CHAMBER, 1.0, events=(event(),)), BOOT, "parcel 1")])
    assert len(again.read()) == 1
    again.close()
