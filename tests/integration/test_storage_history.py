"""Questions about the past: paged, filtered, bounded; and what retention leaves of it."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from kept_things import (
    BOOT,
    CHAMBER,
    alarm,
    alarm_test,
    diagnosis,
    event,
    job,
    judged,
    note,
    notice,
    outcome,
    over,
)
from stillair.errors import Refusal, StoreError
from stillair.model import (
    AlarmTestPhase,
    Annunciation,
    Change,
    JobOutcome,
    JobPhase,
    JsonValue,
    Kind,
    Outcome,
    Timeline,
)
from stillair.runtime.elsewhere import GONE_S, Elsewhere
from stillair.storage.archive import Archive
from stillair.storage.history import MOST_ITEMS, History
from stillair.storage.items import label
from stillair.storage.journal import Journal
from stillair.storage.left import UNKNOWN_ALARM, UNKNOWN_END
from stillair.storage.retention import Retention, RetentionPlan
from stillair.storage.steps import ZERO_AFTER, ZERO_BEFORE, read_step

NOW = datetime.fromtimestamp(BOOT.epoch_s(1000.0), UTC)


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    opened = Journal.open(tmp_path / "journal.db", wall=lambda: NOW)
    yield opened
    opened.close()


def test_entries_come_in_pages_newest_last(journal: Journal, history: History) -> None:
    for number in range(1, 6):
        journal.commit(outcome(number, float(number)), BOOT)
    seen: list[int] = []
    after: int | None = 0
    while after is not None:
        page = history.entries(after, 3)
        assert len(page.entries) <= 3
        seen += [entry.seq for entry in page.entries]
        after = page.next
    assert seen == list(range(1, 11))
    assert history.last_seq() == 10


def test_a_page_says_items_and_next(journal: Journal, history: History) -> None:
    assert history.entries().body() == {"items": [], "next": None}
    assert history.last_seq() == 0
    journal.commit(outcome(), BOOT)
    page = history.entries(0, 1)
    assert page.body() == {"items": [page.entries[0].body], "next": 1}
    assert history.entries(1, 1).next is None


def test_entries_are_the_same_as_when_they_were_kept(journal: Journal, history: History) -> None:
    kept = journal.commit(
        Outcome(CHAMBER, 100.0, (event(),), (alarm(),), jobs=(job(),), notes=(note(),)), BOOT
    )
    assert list(history.entries().entries) == kept


def test_entries_are_chosen_by_topic_job_kind_chamber_and_time(
    journal: Journal, history: History
) -> None:
    with_job = f"{CHAMBER}-1"
    journal.commit(Outcome(CHAMBER, 50.0, (event(1, at_s=50.0),)), BOOT)
    journal.commit(Outcome(CHAMBER, 100.0, (event(2, job=with_job),), jobs=(job(),)), BOOT)
    journal.commit(Outcome("south-bench", 200.0, (event(1, at_s=200.0, kind=Kind.DRAFT),)), BOOT)

    def numbers(**wanted: object) -> list[int]:
        return [entry.seq for entry in history.entries(**wanted).entries]  # type: ignore[arg-type]  # keywords of the table below

    assert numbers(topic="event") == [1, 3, 4]
    assert numbers(job=with_job) == [2, 3]
    assert numbers(kind="draft") == [4]
    assert numbers(chamber=CHAMBER) == [1, 2, 3]
    assert numbers(since_at=BOOT.at(100.0), topic="event") == [3, 4]
    assert numbers(topic="event", limit=2, last=True) == [3, 4]
    assert numbers(kind="'; DROP TABLE ledger; --") == []
    assert numbers(job="\ud800") == []


def test_no_question_gets_more_than_the_most(journal: Journal, history: History) -> None:
    journal.commit(Outcome(CHAMBER, 1.0, tuple(event(n) for n in range(1, MOST_ITEMS + 3))), BOOT)
    assert len(history.entries(limit=10**9).entries) == MOST_ITEMS
    assert len(history.entries(limit=-1).entries) == 1


def test_jobs_are_listed_as_they_stand_in_the_order_of_their_start(
    journal: Journal, history: History
) -> None:
    for number in (1, 2, 3):
        journal.commit(Outcome(CHAMBER, 60.0, jobs=(job(number),)), BOOT)
    done = replace(job(1, JobPhase.FINISHED), finished_s=90.0)
    journal.commit(Outcome(CHAMBER, 100.0, jobs=(done,)), BOOT)
    page = history.jobs(limit=2)
    assert [(entry.body["id"], entry.body["state"]) for entry in page.entries] == [
        (f"{CHAMBER}-1", "finished"),
        (f"{CHAMBER}-2", "running"),
    ]
    assert page.next == 2
    assert [entry.body["id"] for entry in history.jobs(2).entries] == [f"{CHAMBER}-3"]
    assert [entry.seq for entry in history.jobs(limit=1, last=True).entries] == [3]
    found = history.job(f"{CHAMBER}-1")
    assert found is not None
    assert found["finished_at"] == "2026-09-21T14:14:50.000Z"
    assert history.job("never was") is None


def test_a_job_spans_from_its_start_until_it_has_cooled(journal: Journal, history: History) -> None:
    journal.commit(Outcome(CHAMBER, 60.0, jobs=(job(1),)), BOOT)
    assert history.job_span(f"{CHAMBER}-1") == (BOOT.epoch_s(50.0), None)
    journal.commit(Outcome(CHAMBER, 900.0, jobs=(job(1, JobPhase.FINISHED),)), BOOT)
    assert history.job_span(f"{CHAMBER}-1") == (BOOT.epoch_s(50.0), BOOT.epoch_s(900.0))
    with pytest.raises(KeyError):
        history.job_span("never was")


@pytest.mark.parametrize("relabelled", [True, False], ids=["relabelled", "not relabelled yet"])
@pytest.mark.parametrize("step_s", [86_400.0, -86_400.0, 90.0], ids=lambda s: f"{s:+g} s")
def test_a_jobs_readings_are_found_though_the_clock_was_set_meanwhile(
    step_s: float, relabelled: bool, journal: Journal, history: History, tmp_path: Path
) -> None:
    first = Timeline(BOOT.boot_id, BOOT.wall_at_zero_s - 2 * step_s)
    second = Timeline(BOOT.boot_id, BOOT.wall_at_zero_s - step_s)
    archive = Archive.open(tmp_path / "archive.db")
    for second_s in range(300):
        # Taken with the labels of the clock as it was: it is set at 100 s and at 200 s.
        timeline = (first, second, BOOT)[second_s // 100]
        at_s = timeline.epoch_s(second_s + 0.5)
        archive.add(CHAMBER, "top" if second_s < 250 else "low", at_s, float(second_s))
    archive.close()
    journal.commit(Outcome(CHAMBER, 50.0, jobs=(job(),)), first)
    for number, (at_s, before, after) in enumerate(
        [(100.0, first, second), (200.0, second, BOOT)], start=1
    ):
        told = event(number, at_s=at_s, kind=Kind.CLOCK_FAULT)
        zeros: dict[str, JsonValue] = {
            ZERO_BEFORE: before.wall_at_zero_s,
            ZERO_AFTER: after.wall_at_zero_s,
        }
        journal.commit(Outcome(CHAMBER, at_s, (replace(told, detail=zeros),)), after)
        if relabelled:
            journal.relabel(after)
    labels = BOOT if relabelled else first

    begun_s, over_s = history.job_span(f"{CHAMBER}-1")
    assert (begun_s, over_s) == (labels.epoch_s(50.0), None)
    found = history.job_readings(f"{CHAMBER}-1", begun_s, labels.epoch_s(300.0), 2000)
    wanted = [float(second_s) for second_s in range(50, 300)]
    assert found["time_s"] == [labels.epoch_s(value + 0.5) for value in wanted]
    assert found["sensors"] == {
        "top": [value if value < 250 else None for value in wanted],
        "low": [value if value >= 250 else None for value in wanted],
    }
    rows = history.iter_job_readings(f"{CHAMBER}-1", begun_s, labels.epoch_s(300.0))
    assert rows.sensors == ("low", "top")
    assert [low if top is None else top for _, (low, top) in rows.rows] == wanted
    some = history.job_readings(f"{CHAMBER}-1", labels.epoch_s(90), labels.epoch_s(120), 2000)
    assert some["sensors"] == {"top": [float(second_s) for second_s in range(90, 120)]}


@pytest.mark.parametrize(
    "body",
    [
        "",
        "[]",
        '{"detail":null}',
        '{"detail":{"reason":"it was set"}}',
        '{"detail":{"zero_before_s":"x","zero_after_s":1}}',
        '{"detail":{"zero_before_s":null,"zero_after_s":1}}',
    ],
)
def test_an_event_that_tells_no_step_is_none(body: str) -> None:
    assert read_step(5.0, body) is None


def test_what_is_said_of_a_job_stands_in_its_item(journal: Journal, history: History) -> None:
    for number in (1, 2):
        journal.commit(Outcome(CHAMBER, 50.0, jobs=(job(number, JobPhase.FINISHED),)), BOOT)
    assert [history.job(f"{CHAMBER}-{n}")["outcome"] for n in (1, 2)] == [None, None]  # type: ignore[index]  # it is there
    for word in (JobOutcome.FAILED, JobOutcome.SOUND):
        journal.commit(Outcome(CHAMBER, 900.0, outcomes=(judged(word),)), BOOT)
    journal.commit(Outcome(CHAMBER, 800.0, diagnoses=(diagnosis(),)), BOOT)
    first, second = (entry.body for entry in history.jobs().entries)
    assert (first["outcome"], first["outcome_by"]) == ("sound", "bench captain")
    assert first["diagnosis"]["text"] == diagnosis().text  # type: ignore[index,call-overload]
    assert first["diagnosis"]["time_constant_s"] == 2400  # type: ignore[index,call-overload]
    assert (second["outcome"], second["diagnosis"]) == (None, None)
    assert history.job(f"{CHAMBER}-1") == first
    kinds = [(e.topic, e.body.get("outcome")) for e in history.entries(job=f"{CHAMBER}-1").entries]
    assert kinds[1:] == [("outcome", "failed"), ("outcome", "sound"), ("diagnosis", None)]


def test_the_last_sound_job_comes_first_and_a_word_can_be_taken_back(
    journal: Journal, history: History
) -> None:
    for number in (1, 2, 3, 4):
        state = JobPhase.COOLING if number == 4 else JobPhase.FINISHED
        journal.commit(Outcome(CHAMBER, 50.0, jobs=(job(number, state),)), BOOT)
        journal.commit(Outcome(CHAMBER, 60.0, outcomes=(judged(number=number),)), BOOT)
    assert [j.id for j in history.sound_jobs(CHAMBER)] == [f"{CHAMBER}-3", *_ids(2, 1)]
    for word, number in ((None, 3), (JobOutcome.FLAWED, 2)):
        journal.commit(Outcome(CHAMBER, 70.0, outcomes=(judged(word, number),)), BOOT)
    assert [j.id for j in history.sound_jobs(CHAMBER)] == _ids(1)
    assert history.sound_jobs("other") == []


def test_jobs_without_a_diagnosis_are_found_newest_first(
    journal: Journal, history: History
) -> None:
    box = diagnosis().box
    for number, in_box in ((1, box), (2, box), (3, "simulated 1"), (4, box), (5, "")):
        done = replace(job(number, JobPhase.FINISHED), box=in_box)
        journal.commit(Outcome(CHAMBER, 50.0, jobs=(done,)), BOOT)
    journal.commit(Outcome(CHAMBER, 50.0, jobs=(replace(job(6), box=box),)), BOOT)
    journal.commit(Outcome(CHAMBER, 800.0, diagnoses=(diagnosis(2),)), BOOT)
    assert [j.id for j in history.undiagnosed(CHAMBER, box, 10)] == _ids(4, 1)
    assert [j.id for j in history.undiagnosed(CHAMBER, box, 3)] == _ids(4)
    assert history.diagnoses(CHAMBER) == [diagnosis(2)]
    assert history.diagnoses(CHAMBER, _ids(1)) == []


def test_when_the_next_job_began(journal: Journal, history: History) -> None:
    for number in (1, 2):
        begun = job(number, JobPhase.FINISHED, started_s=50.0 * number)
        journal.commit(Outcome(CHAMBER, 50.0, jobs=(begun,)), BOOT)
    assert history.next_start_s(f"{CHAMBER}-1") == BOOT.epoch_s(100.0)
    assert history.next_start_s(f"{CHAMBER}-2") is None


def _ids(*numbers: int) -> list[str]:
    return [f"{CHAMBER}-{number}" for number in numbers]


def test_alarms_are_listed_as_they_stand(journal: Journal, history: History) -> None:
    for number in (1, 2):
        journal.commit(outcome(number), BOOT)
    journal.commit(Outcome(CHAMBER, 110.0, alarms=(over(alarm(1)),)), BOOT)
    standing = [entry.body["id"] for entry in history.alarms(standing=True).entries]
    assert standing == [f"{CHAMBER}-2"]
    assert [e.body["annunciation"] for e in history.alarms().entries] == [
        "normal",
        "unacknowledged",
    ]
    found = history.alarm(f"{CHAMBER}-2")
    assert found is not None
    assert found["raised_at"] == "2026-09-21T14:15:00.000Z"
    assert history.alarm("never was") is None


def test_messages_are_listed_with_what_became_of_them(journal: Journal, history: History) -> None:
    journal.commit(outcome(), BOOT)
    (due,) = journal.waiting_notices()
    journal.record_delivery(due.key, at=NOW, sent=True, outcome="accepted", next_try_at=None)
    (row,) = history.notices(alarm=f"{CHAMBER}-1")
    assert (row.state, row.tries, row.outcome) == ("sent", 1, "accepted")


def test_alarm_tests_are_listed_with_their_newest_word_alone(
    journal: Journal, history: History
) -> None:
    running = alarm_test("north-bench-a", phase=AlarmTestPhase.RUNNING)
    for at_s, test, chamber in (
        (200.0, running, CHAMBER),
        (210.0, alarm_test("south-bench-b"), "south-bench"),
        (220.0, alarm_test("north-bench-c"), CHAMBER),
        (230.0, alarm_test("north-bench-a"), CHAMBER),  # somebody confirms later
    ):
        journal.commit(Outcome(chamber, at_s, duties=(test,)), BOOT)
    page = history.alarm_tests(limit=2)
    assert [(entry.seq, entry.body["id"]) for entry in page.entries] == [
        (2, "south-bench-b"),
        (3, "north-bench-c"),
    ]
    assert page.next == 3
    rest = history.alarm_tests(page.next)
    (entry,) = rest.entries
    assert (entry.body["id"], entry.body["phase"], rest.next) == ("north-bench-a", "done", None)
    assert entry.body["routes"] == [
        {
            "person": "bench captain",
            "route": "mailto:captain@example.org",
            "spoken": "e-mail to captain@example.org",
            "arrived": True,
            "handed_after_s": 0.4,
            "refused": "",
            "heard": "heard",
            "confirmed_after_s": 12.0,
            "confirmed_by": "bench captain",
            "text": "taken by the server after 0.40 s; it arrived and was heard,"
            " as bench captain said 12 s after the beginning",
        }
    ]
    only = history.alarm_tests(chamber="south-bench").entries
    assert [entry.body["id"] for entry in only] == ["south-bench-b"]
    assert history.alarm_test("south-bench") == (alarm_test("south-bench-b"), BOOT)
    assert history.alarm_test("elsewhere") is None


def test_what_has_become_of_messages_is_told_with_the_last_try(
    journal: Journal, history: History
) -> None:
    notices = tuple(replace(notice(), key=key) for key in ("test:a:1", "test:a:2", "test:b:1"))
    journal.commit(Outcome(CHAMBER, 100.0, notices=notices), BOOT)
    for sent, at in ((False, NOW), (True, NOW + timedelta(seconds=5))):
        journal.record_delivery(
            "test:a:1", at=at, sent=sent, outcome="x", next_try_at=None if sent else at
        )
    found = {row.key: (row.state, at) for row, at in history.tries_of("test:a:")}
    assert found == {
        "test:a:1": ("sent", NOW + timedelta(seconds=5)),
        "test:a:2": ("pending", None),
    }
    later = NOW + timedelta(minutes=1)
    journal.record_delivery("test:b:1", at=later, sent=True, outcome="x", next_try_at=None)
    (taken,) = history.taken()
    assert (taken.person, taken.route, taken.at) == (notice().person, notice().route, later)


def test_a_row_that_nobody_understands_is_left_out(journal: Journal, history: History) -> None:
    for number in (1, 2):
        journal.commit(outcome(number), BOOT)
    with sqlite3.connect(journal.path) as connection:
        connection.execute("UPDATE ledger SET body = '{' WHERE seq = 1")
    connection.close()
    assert [entry.seq for entry in history.entries().entries] == [2, 3, 4]


def test_where_there_is_no_journal_the_answer_is_an_error_and_no_file(tmp_path: Path) -> None:
    history = History(tmp_path / "journal.db", tmp_path / "archive.db")
    with pytest.raises(StoreError):
        history.entries()
    with pytest.raises(StoreError):
        history.readings(CHAMBER, 0.0, 1.0)
    assert list(tmp_path.iterdir()) == []


def test_a_journal_set_aside_is_not_read_any_more(journal: Journal, history: History) -> None:
    journal.commit(outcome(), BOOT)
    assert history.last_seq() == 2
    journal.close()
    # A write-ahead log beside it would still hold every page.
    for file in journal.path.parent.iterdir():
        file.unlink()
    journal.path.write_bytes(b"no journal " * 1000)
    journal.commit(outcome(2), BOOT)
    assert [entry.seq for entry in history.entries().entries] == [1, 2]
    assert history.entries().entries[0].body["event"] == 2


def test_readers_and_the_writer_do_not_wait_for_each_other(
    journal: Journal, history: History
) -> None:
    stop = threading.Event()
    faults: list[Exception] = []

    def ask() -> None:
        while not stop.is_set():
            try:
                history.entries(limit=1000)
            except StoreError as error:
                faults.append(error)

    threads = [threading.Thread(target=ask) for _ in range(8)]
    for thread in threads:
        thread.start()
    for number in range(1, 60):
        journal.commit(outcome(number, float(number)), BOOT)
    stop.set()
    for thread in threads:
        thread.join()
    assert faults == []
    assert history.last_seq() == 118


# --- retention ---------------------------------------------------------------------------


def test_retention_never_takes_what_happened_in_a_job_nor_a_danger(
    journal: Journal, history: History, tmp_path: Path
) -> None:
    in_job = f"{CHAMBER}-1"
    raised = notice("1", about=f"{CHAMBER}-1")
    journal.commit(Outcome(CHAMBER, 10.0, (event(1),), (alarm(1),), (raised,)), BOOT)
    journal.commit(
        Outcome(CHAMBER, 20.0, (event(1, Change.CLEARED, 20.0),), (over(alarm(1)),)), BOOT
    )
    journal.commit(
        Outcome(
            CHAMBER,
            30.0,
            (event(2, job=in_job),),
            (over(alarm(2, job=in_job)),),
            (notice("2", about=f"{CHAMBER}-2"),),
            (job(1, JobPhase.FINISHED),),
            (note(),),
        ),
        BOOT,
    )
    journal.commit(Outcome(CHAMBER, 40.0, (event(3, at_s=40.0, kind=Kind.SMOKE),)), BOOT)
    journal.commit(outcome(4, 50.0), BOOT)
    for key in ("1", "2"):
        journal.record_delivery(key, at=NOW, sent=True, outcome="accepted", next_try_at=None)
    archive = Archive.open(tmp_path / "archive.db")
    plan = RetentionPlan(keep_days=30.0)
    retention = Retention(journal, archive, plan, free_bytes=lambda _: 10**12)
    assert retention.run(NOW).ledger_rows == 0
    removed = retention.run(NOW + timedelta(days=31))
    kept = [(entry.topic, entry.body.get("event")) for entry in history.entries().entries]
    assert kept == [("job", None), ("note", None), ("event", 2), ("alarm", 2), ("event", 3)]
    assert removed.ledger_rows == 6
    # An alarm that stands is known again after a restart, whatever its age; a message waits.
    assert journal.memory(CHAMBER, BOOT).alarms == (alarm(4, 50.0),)
    assert [row.key for row in history.notices()] == [f"{CHAMBER}-4", "2"]
    assert [entry.body["id"] for entry in history.alarms().entries] == [
        f"{CHAMBER}-2",
        f"{CHAMBER}-4",
    ]
    assert journal.memory(CHAMBER, BOOT).next_event == 5
    archive.close()


def test_the_newest_alarm_test_is_never_given_up(
    journal: Journal, history: History, tmp_path: Path
) -> None:
    for chamber in (CHAMBER, "south-bench"):
        for number in (1, 2):
            test = alarm_test(f"{chamber}-{number}")
            journal.commit(Outcome(chamber, 200.0 + number, duties=(test,)), BOOT)
    archive = Archive(tmp_path / "readings.db")
    plan = RetentionPlan(keep_days=1.0)
    Retention(journal, archive, plan).run(NOW + timedelta(days=2))
    archive.close()
    left = [str(entry.body["id"]) for entry in history.alarm_tests().entries]
    assert left == [f"{CHAMBER}-2", "south-bench-2"]


def test_a_chamber_may_have_days_of_its_own(journal: Journal, history: History) -> None:
    journal.commit(Outcome(CHAMBER, 10.0, (event(1, at_s=10.0),)), BOOT)
    journal.commit(Outcome("south-bench", 10.0, (event(1, at_s=10.0),)), BOOT)
    archive = Archive.open(journal.path.with_name("archive.db"))
    plan = RetentionPlan(keep_days=30.0, chamber_days={CHAMBER: 100.0})
    Retention(journal, archive, plan, free_bytes=lambda _: 10**12).run(NOW + timedelta(days=31))
    assert [entry.body["chamber"] for entry in history.entries().entries] == [CHAMBER]
    archive.close()


def test_a_number_is_never_given_twice_even_after_retention(
    journal: Journal, history: History
) -> None:
    last = journal.commit(Outcome(CHAMBER, 10.0, (event(1, at_s=10.0),)), BOOT)[-1].seq
    archive = Archive.open(journal.path.with_name("archive.db"))
    retention = Retention(journal, archive, RetentionPlan(), free_bytes=lambda _: 10**12)
    retention.run(NOW + timedelta(days=1000))
    assert history.entries().entries == ()
    assert journal.commit(outcome(2), BOOT)[0].seq == last + 1
    archive.close()


def test_a_job_of_a_chamber_that_is_watched_no_more_is_ended_as_unknown(
    journal: Journal, history: History
) -> None:
    paused = replace(job(), state=JobPhase.PAUSED, paused_s=30.0, paused_since_s=400.0)
    journal.commit(Outcome(CHAMBER, 500.0, jobs=(paused,)), BOOT)
    journal.mark_seen(CHAMBER, BOOT, 700.0)
    watched: set[str] = {CHAMBER}
    elsewhere = Elsewhere(history, watched)
    elsewhere.look()
    assert elsewhere.names == {}, "it is watched"
    watched.clear()
    elsewhere.look()
    assert elsewhere.names == {CHAMBER: CHAMBER}
    assert "not watched here any more" in str(elsewhere.refusal(CHAMBER, "job"))
    assert elsewhere.refusal("shed", "job").refusal is Refusal.UNKNOWN

    elsewhere.close(BOOT.epoch_s(700.0 + GONE_S - 1.0), journal.commit)
    assert history.job_span(paused.id)[1] is None, "its chamber file may be back in a minute"
    waiting: list[Outcome] = []  # as on a full disk, where an end waits for minutes
    elsewhere.close(BOOT.epoch_s(700.0 + GONE_S), lambda outcome, _: waiting.append(outcome))
    elsewhere.look()
    elsewhere.close(BOOT.epoch_s(760.0 + GONE_S), lambda outcome, _: waiting.append(outcome))
    assert len(waiting) == 1, "it isn't told again each minute"
    journal.commit(waiting[0], BOOT)
    item = history.job(paused.id)
    assert item is not None
    assert (item["state"], item["paused_s"], item["paused_since_at"]) == ("finished", 330.0, None)
    assert item["finished_at"] == label(BOOT.epoch_s(700.0))
    assert history.job_span(paused.id) == (BOOT.epoch_s(50.0), BOOT.epoch_s(700.0))
    (noted,) = history.entries(0, 10, "note", job=paused.id).entries
    assert noted.body["text"] == UNKNOWN_END
    elsewhere.look()
    again: list[Outcome] = []
    elsewhere.close(BOOT.epoch_s(9000.0), lambda outcome, _: again.append(outcome))
    assert again == [], "once"


def test_alarms_of_a_chamber_that_is_watched_no_more_end_and_stay_in_the_history(
    journal: Journal, history: History
) -> None:
    """Nobody could answer them any more, and they would stand for ever."""
    unseen = alarm(1)
    over = replace(
        alarm(2),
        condition=False,
        annunciation=Annunciation.RETURNED_UNACKNOWLEDGED,
    )
    journal.commit(Outcome(CHAMBER, 500.0, (event(1, at_s=500.0),), (unseen, over)), BOOT)
    journal.mark_seen(CHAMBER, BOOT, 700.0)
    elsewhere = Elsewhere(history, set())
    elsewhere.look()
    elsewhere.close(BOOT.epoch_s(700.0 + GONE_S - 1.0), journal.commit)
    assert len(history.alarms(standing=True).entries) == 2
    elsewhere.close(BOOT.epoch_s(700.0 + GONE_S), journal.commit)
    assert history.alarms(standing=True).entries == ()
    told = [entry.body for entry in history.alarms(chamber=CHAMBER).entries]
    assert [(item["id"], item["annunciation"], item["condition"]) for item in told] == [
        ("north-bench-1", "normal", False),
        ("north-bench-2", "normal", False),
    ]
    for item in told:
        assert str(item["text"]).endswith(UNKNOWN_ALARM)
    ended = history.entries(0, 10, "event", chamber=CHAMBER).entries[-1].body
    assert (ended["event"], ended["change"]) == (1, "cleared")
    assert ended["end_at"] == label(BOOT.epoch_s(700.0))
    assert journal.memory(CHAMBER, BOOT).events == ()
    elsewhere.look()
    again: list[Outcome] = []
    elsewhere.close(BOOT.epoch_s(9000.0), lambda outcome, _: again.append(outcome))
    assert again == [], "once"
