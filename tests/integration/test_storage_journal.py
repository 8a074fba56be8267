"""The journal on a real file: what is kept, known again, and survives damage."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from kept_things import BOOT, CHAMBER, alarm, alarm_test, event, job, note, notice, outcome, over
from stillair.access.migrations import PEOPLE
from stillair.database import (
    Versions,
    bring_up_to_date,
    check_soundness,
    inodes_of,
    reader_engine,
    writer_engine,
)
from stillair.errors import StoreError
from stillair.model import (
    BURNING,
    Change,
    JobPhase,
    Kind,
    Outcome,
    Priority,
    Suppression,
    Timeline,
    WatchMemory,
)
from stillair.storage import migrations
from stillair.storage.journal import Journal
from stillair.storage.outbox import SUPERSEDED
from stillair.storage.records import Parcel

NOW = datetime(2026, 9, 21, 14, 30, tzinfo=UTC)
AFTER_REBOOT = Timeline("boot-2", BOOT.wall_at_zero_s + 500.0)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "50% of? the #data" / "journal.db"


@pytest.fixture
def journal(path: Path) -> Iterator[Journal]:
    opened = Journal.open(path, wall=lambda: NOW)
    yield opened
    opened.close()


def count(path: Path, table: str) -> int:
    with sqlite3.connect(path) as connection:
        (rows,) = connection.execute(f"SELECT count(*) FROM {table}").fetchone()
    connection.close()
    return int(rows)


# --- keeping -------------------------------------------------------------------


def test_all_of_an_outcome_is_kept_and_shown_as_the_contract_says(journal: Journal) -> None:
    journal.made_with[CHAMBER] = "0.1.0 ab12cd"
    entries = journal.commit(
        Outcome(
            CHAMBER,
            100.0,
            events=(event(job=f"{CHAMBER}-1"),),
            alarms=(alarm(job=f"{CHAMBER}-1"),),
            jobs=(job(),),
            notes=(note(),),
        ),
        BOOT,
    )
    assert [(entry.seq, entry.topic) for entry in entries] == [
        (1, "job"),
        (2, "note"),
        (3, "event"),
        (4, "alarm"),
    ]
    shown = entries[2].body
    assert shown.items() >= event().line().items()
    assert (shown["seq"], shown["job"], shown["made_with"]) == (3, f"{CHAMBER}-1", "0.1.0 ab12cd")
    assert shown["at"] == "2026-09-21T14:15:00.000Z"


def test_a_notice_whose_key_is_there_is_left_alone(journal: Journal) -> None:
    for text in ("first", "second"):
        message = replace(notice("same"), text=text)
        journal.commit(Outcome(CHAMBER, 100.0, notices=(message,)), BOOT)
    assert [row.text for row in journal.waiting_notices()] == ["first"]


def test_a_parcel_is_kept_once_however_often_it_comes(journal: Journal, path: Path) -> None:
    parcel = Parcel(outcome(), BOOT)
    first = journal.commit_all([parcel])
    assert journal.commit_all([parcel, parcel]) == [first[0], first[0]]
    assert count(path, "ledger") == 2


def test_several_outcomes_are_kept_together_or_not_at_all(journal: Journal, path: Path) -> None:
    broken = replace(outcome(2), notices=(replace(notice(), title=None),))  # type: ignore[arg-type]  # meant
    with pytest.raises((StoreError, AttributeError)):
        journal.commit_all([Parcel(outcome(1), BOOT), Parcel(broken, BOOT)])
    assert count(path, "ledger") == 0


def test_hostile_text_is_kept(journal: Journal) -> None:
    nasty = "\ud800 \0 '; DROP TABLE ledger; -- \U0001f525"
    kept = Outcome(
        CHAMBER,
        100.0,
        jobs=(replace(job(), name=nasty, notes=nasty * 1000),),
        notes=(note(nasty),),
        notices=(replace(notice(), title=nasty, text=nasty, person=nasty),),
    )
    entries = journal.commit(kept, BOOT)
    assert entries[0].body["name"] == nasty
    assert "DROP TABLE" in journal.waiting_notices()[0].title


# --- after a restart -----------------------------------------------------------------


def test_a_new_journal_knows_nothing(journal: Journal) -> None:
    assert journal.memory(CHAMBER, BOOT) == WatchMemory()


def test_a_restart_in_the_same_boot_keeps_the_seconds(journal: Journal, path: Path) -> None:
    journal.commit(Outcome(CHAMBER, 100.0, (event(7),), (alarm(7),), jobs=(job(3),)), BOOT)
    journal.mark_seen(CHAMBER, BOOT, 130.0)
    journal.close()
    again = Journal.open(path)
    memory = again.memory(CHAMBER, BOOT)
    again.close()
    assert memory == WatchMemory(
        next_event=8,
        next_job=4,
        alarms=(alarm(7),),
        job=job(3),
        events=(event(7),),
        last_seen_s=130.0,
        told={"north-bench-7": ()},
        used=("north-bench-7",),
    )


def test_a_reboot_moves_all_instants_to_the_new_seconds(journal: Journal) -> None:
    journal.commit(Outcome(CHAMBER, 100.0, (event(),), (alarm(),), jobs=(job(),)), BOOT)
    memory = journal.memory(CHAMBER, AFTER_REBOOT)
    assert memory.last_seen_s == -400.0
    assert memory.alarms[0].raised_s == -400.0
    assert memory.events[0].onset_s == -404.0
    assert memory.job is not None
    assert memory.job.started_s == -450.0


def test_the_newest_alarm_test_is_known_again_in_the_new_seconds(journal: Journal) -> None:
    journal.commit(Outcome(CHAMBER, 200.0, duties=(alarm_test("old"),)), BOOT)
    newest = alarm_test(at_s=300.0)
    journal.commit(Outcome(CHAMBER, 300.0, duties=(newest,)), BOOT)
    assert journal.memory(CHAMBER, BOOT).duties == (newest,)
    (moved,) = journal.memory(CHAMBER, AFTER_REBOOT).duties
    assert moved == replace(newest, changed_s=-200.0, started_s=-220.0)


def test_shelving_ends_with_a_restart(journal: Journal) -> None:
    shelved = replace(
        alarm(), suppression=Suppression.SHELVED, shelved_until_s=300.0, shelved_reason="painting"
    )
    journal.commit(Outcome(CHAMBER, 100.0, alarms=(shelved,)), BOOT)
    assert journal.memory(CHAMBER, BOOT).alarms == (alarm(),)


@pytest.mark.parametrize("state", list(JobPhase))
def test_a_job_is_taken_up_again_unless_it_is_finished(journal: Journal, state: JobPhase) -> None:
    journal.commit(Outcome(CHAMBER, 100.0, jobs=(job(1, state),)), BOOT)
    expected = None if state is JobPhase.FINISHED else job(1, state)
    assert journal.memory(CHAMBER, BOOT).job == expected


def test_what_is_over_stands_no_longer_but_its_number_is_never_given_again(
    journal: Journal,
) -> None:
    journal.commit(Outcome(CHAMBER, 100.0, (event(5),), (alarm(5),)), BOOT)
    journal.commit(
        Outcome(CHAMBER, 110.0, (event(5, Change.CLEARED, 110.0),), (over(alarm(5)),)), BOOT
    )
    memory = journal.memory(CHAMBER, BOOT)
    assert (memory.alarms, memory.events, memory.next_event) == ((), (), 6)


@pytest.mark.parametrize("kind", sorted(BURNING))
def test_fire_and_smoke_are_known_for_the_rest_of_the_job(journal: Journal, kind: Kind) -> None:
    """Over or not, seen or not, with a job or without: until a later job begins."""
    burning = replace(event(5), kind=kind)
    journal.commit(Outcome(CHAMBER, 100.0, (burning,)), BOOT)
    journal.commit(Outcome(CHAMBER, 110.0, (replace(burning, change=Change.CLEARED),)), BOOT)
    assert journal.memory(CHAMBER, BOOT).burnt == 5
    assert journal.memory(CHAMBER, AFTER_REBOOT).burnt == 5
    assert journal.memory("south-bench", BOOT).burnt == 0
    journal.commit(Outcome(CHAMBER, 120.0, jobs=(job(1),)), BOOT)
    assert journal.memory(CHAMBER, BOOT).burnt == 0
    journal.commit(Outcome(CHAMBER, 130.0, (replace(burning, event=6),)), BOOT)
    journal.commit(Outcome(CHAMBER, 140.0, jobs=(job(1, JobPhase.COOLING),)), BOOT)
    assert journal.memory(CHAMBER, BOOT).burnt == 6


def test_other_events_burn_nothing(journal: Journal) -> None:
    journal.commit(Outcome(CHAMBER, 100.0, (event(5),)), BOOT)
    assert journal.memory(CHAMBER, BOOT).burnt == 0


def test_chambers_do_not_mix(journal: Journal) -> None:
    journal.commit(outcome(9), BOOT)
    assert journal.memory("south-bench", BOOT) == WatchMemory()


def test_an_outcome_that_had_to_wait_does_not_turn_the_mark_back(journal: Journal) -> None:
    journal.mark_seen(CHAMBER, BOOT, 500.0)
    journal.commit(outcome(at_s=100.0), BOOT)
    assert journal.memory(CHAMBER, BOOT).last_seen_s == 500.0


def test_rows_are_relabelled_once_the_clock_is_known(journal: Journal) -> None:
    unset = Timeline("boot-1", 0.0)
    journal.commit(outcome(), unset)
    journal.commit(outcome(2), Timeline("boot-0", 50.0))
    assert journal.relabel(BOOT) == 2
    entries = journal.commit(Outcome(CHAMBER, 200.0, alarms=(over(alarm()),)), BOOT)
    assert entries[0].body["raised_at"] == "2026-09-21T14:15:00.000Z"
    assert journal.memory(CHAMBER, AFTER_REBOOT).events[0].at_s == -400.0


def test_relabelling_leaves_other_boots_and_clocks_alone(journal: Journal) -> None:
    """Chambers in real time share a boot id and its seconds; a faster one has its own."""
    faster = Timeline("a faster clock", 1_800_000_000.0)
    for chamber, timeline in {
        CHAMBER: Timeline("boot-1", 0.0),
        "south-bench": Timeline("boot-1", 0.0),
        "model": faster,
    }.items():
        journal.commit(replace(outcome(), chamber=chamber, alarms=(), notices=()), timeline)
        journal.mark_seen(chamber, timeline, 100.0)
    assert journal.relabel(BOOT) == 2
    for chamber in (CHAMBER, "south-bench"):
        assert journal.memory(chamber, AFTER_REBOOT).last_seen_s == -400.0
    assert journal.memory("model", faster).last_seen_s == 100.0
    placed = Timeline("later", 1_800_000_100.0)
    assert journal.memory("model", placed).last_seen_s == 0.0


# --- the outbox ----------------------------------------------------------------------


def test_a_notice_waits_until_it_is_sent(journal: Journal) -> None:
    journal.commit(outcome(), BOOT)
    (row,) = journal.waiting_notices()
    assert (row.route, row.tries, row.state) == ("mailto:captain@example.org", 0, "pending")
    later = NOW + timedelta(seconds=60)
    journal.record_delivery(row.key, at=NOW, sent=False, outcome="refused", next_try_at=later)
    (row,) = journal.waiting_notices()
    assert (row.tries, row.outcome, row.next_try_at) == (1, "refused", later)
    journal.record_delivery(row.key, at=later, sent=True, outcome="accepted", next_try_at=None)
    assert journal.waiting_notices() == []


def test_a_notice_given_up_waits_no_more(journal: Journal, path: Path) -> None:
    journal.commit(outcome(), BOOT)
    (row,) = journal.waiting_notices()
    journal.record_delivery(row.key, at=NOW, sent=False, outcome="no such box", next_try_at=None)
    assert journal.waiting_notices() == []
    assert count(path, "delivery") == 1


def test_a_failure_that_is_kept_late_revives_nothing(journal: Journal) -> None:
    journal.commit(outcome(), BOOT)
    (row,) = journal.waiting_notices()
    journal.record_delivery(row.key, at=NOW, sent=True, outcome="accepted", next_try_at=None)
    # The disk hung; this try came before the one that succeeded.
    journal.record_delivery(row.key, at=NOW, sent=False, outcome="refused", next_try_at=NOW)
    assert journal.waiting_notices() == []


def test_a_notice_that_a_newer_word_replaces_is_kept_as_that(journal: Journal, path: Path) -> None:
    journal.commit(outcome(1), BOOT)
    journal.commit(outcome(2), BOOT)
    first, second = journal.waiting_notices()
    journal.record_superseded(first.key)
    assert [row.key for row in journal.waiting_notices()] == [second.key]
    journal.record_delivery(second.key, at=NOW, sent=True, outcome="sent", next_try_at=None)
    journal.record_superseded(second.key)  # it went after all
    with closing(sqlite3.connect(path)) as connection:
        kept = connection.execute(
            "select state, outcome, tries from notice order by key"
        ).fetchall()
    assert kept == [("superseded", SUPERSEDED, 0), ("sent", "sent", 1)]


def test_the_most_urgent_of_each_route_comes_first(journal: Journal) -> None:
    cox = "mailto:cox@example.org"
    rows = [
        ("a", "mailto:captain@example.org", Priority.MEDIUM, 1.0),
        ("b", "mailto:captain@example.org", Priority.LOW, 0.0),
        ("c", "mailto:captain@example.org", Priority.CRITICAL, 3.0),
        ("d", "mailto:captain@example.org", Priority.MEDIUM, 2.0),
        ("e", cox, Priority.LOW, 9.0),
    ]
    for key, route, priority, created_s in rows:
        made = replace(notice(key, created_s), route=route, priority=priority)
        journal.commit(Outcome(CHAMBER, created_s, notices=(made,)), BOOT)
    assert [row.key for row in journal.waiting_notices(2)] == ["c", "e"], (
        "no route shuts out others"
    )
    assert [row.key for row in journal.waiting_notices()] == ["c", "e", "a", "d", "b"]


def test_what_is_taken_back_is_never_due_and_nothing_else_is(journal: Journal) -> None:
    keys = ("test:a:1", "test:a:2", "test:ab:1", "test:over:a:1", f"{CHAMBER}-1:raised:0")
    notices = tuple(replace(notice(), key=key) for key in keys)
    journal.commit(Outcome(CHAMBER, 100.0, notices=notices), BOOT)
    journal.record_delivery("test:a:1", at=NOW, sent=True, outcome="sent", next_try_at=None)
    assert journal.withdraw("test:a:") == 1
    assert {row.key for row in journal.waiting_notices()} == set(keys[2:])
    assert journal.withdraw("test:a:") == 0


# --- damage and other trouble ----------------------------------------------------------


def scribble(path: Path) -> None:
    path.write_bytes(b"this is no journal " * 500)


def cut_short(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:9000])


def overwrite_pages(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[4096 * 2 : 4096 * 6] = b"\xff" * 4096 * 4
    path.write_bytes(content)


@pytest.mark.parametrize("damage", [scribble, cut_short, overwrite_pages])
def test_a_damaged_file_is_set_aside_and_told(
    journal: Journal, path: Path, damage: Callable[[Path], None]
) -> None:
    journal.commit(outcome(), BOOT)
    journal.close()
    damage(path)
    again = Journal.open(path, wall=lambda: NOW)
    assert again.repaired is not None
    assert "journal.db.damaged-20260921T143000Z" in again.repaired
    assert (path.parent / "journal.db.damaged-20260921T143000Z").exists()
    assert again.commit(outcome(2), BOOT)
    again.close()


def test_what_can_still_be_read_of_a_damaged_journal_is_taken_over(
    journal: Journal, path: Path
) -> None:
    journal.commit(Outcome(CHAMBER, 10.0, jobs=(job(),)), BOOT)
    for number in range(1, 400):
        journal.commit_all([Parcel(outcome(number, float(number)), BOOT)])
    before = journal.memory(CHAMBER, BOOT)
    with journal.transaction("x") as connection:
        (page,) = connection.exec_driver_sql(
            "SELECT pageno FROM dbstat WHERE name = 'ledger' AND pagetype = 'leaf' LIMIT 1 OFFSET 9"
        ).fetchone() or (0,)
    journal.close()
    size = migrations.JOURNAL.page_bytes
    content = bytearray(path.read_bytes())
    content[(page - 1) * size : page * size] = b"\xff" * size
    path.write_bytes(content)
    again = Journal.open(path, wall=lambda: NOW)
    assert "could be saved" in (again.repaired or "")
    assert again.memory(CHAMBER, BOOT) == before
    assert len(again.waiting_notices(1000)) == 399
    assert count(path, "ledger") > 780
    assert again.commit(outcome(400), BOOT)[0].seq == 800
    again.close()


def test_a_state_that_nobody_understands_does_not_stop_the_start(
    journal: Journal, path: Path
) -> None:
    journal.commit(Outcome(CHAMBER, 10.0, (event(),), (alarm(1), alarm(2)), jobs=(job(),)), BOOT)
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE alarm SET body = '{}' WHERE id = ?", (f"{CHAMBER}-1",))
        connection.execute("UPDATE job SET body = 'x'")
    connection.close()
    memory = journal.memory(CHAMBER, BOOT)
    assert (memory.alarms, memory.job, memory.next_job) == ((alarm(2),), None, 2)


def test_damage_met_while_running_is_mended_at_the_next_commit(
    journal: Journal, path: Path
) -> None:
    journal.commit(outcome(), BOOT)
    journal.close()
    scribble(path)
    journal._engine = writer_engine(path)
    journal._inodes = inodes_of(path)
    with pytest.raises(StoreError):
        journal.commit(outcome(2), BOOT)
    assert journal.commit(outcome(2), BOOT)
    assert journal.repaired is not None


@pytest.mark.parametrize("what", ["*", "journal.db", "journal.db-*"])
def test_a_file_that_somebody_removed_is_written_anew(
    what: str, journal: Journal, path: Path
) -> None:
    journal.commit(outcome(), BOOT)
    for file in path.parent.glob(what):
        file.unlink()
    journal.commit(outcome(2), BOOT)
    assert count(path, "ledger") == 4
    assert path.stat().st_mode & 0o077 == 0
    journal.close()
    check_soundness(path)
    assert "removed while it was in use" in str(journal.repaired)


def test_a_file_that_somebody_put_there_is_left_alone_and_told(
    journal: Journal, path: Path, tmp_path: Path
) -> None:
    journal.commit(outcome(), BOOT)
    other = Journal.open(tmp_path / "other.db")
    other.commit(outcome(7), BOOT)
    other.close()
    for file in path.parent.glob("journal.db*"):
        file.unlink()
    (tmp_path / "other.db").rename(path)
    journal.commit(outcome(8), BOOT)
    assert count(path, "ledger") == 4
    assert "replaced by another file" in str(journal.repaired)


def test_an_empty_file_is_a_new_journal(path: Path) -> None:
    path.parent.mkdir()
    path.touch()
    journal = Journal.open(path)
    assert journal.repaired is None
    assert journal.commit(outcome(), BOOT)
    journal.close()


def test_a_file_in_use_elsewhere_is_told_and_tried_again(journal: Journal, path: Path) -> None:
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreError, match="locked"):
        journal.commit(outcome(), BOOT)
    other.execute("ROLLBACK")
    other.close()
    assert journal.commit(outcome(), BOOT)


def test_a_full_disk_is_told_and_nothing_is_half_kept(journal: Journal, path: Path) -> None:
    with journal.transaction("x") as connection:
        (pages,) = connection.exec_driver_sql("PRAGMA page_count").fetchone() or (0,)
        connection.exec_driver_sql(f"PRAGMA max_page_count={pages + 4}").fetchall()
    kept, refused = 0, ""
    while not refused:
        try:
            journal.commit(outcome(kept + 1), BOOT)
            kept += 1
        except StoreError as error:
            refused = str(error)
    assert "full" in refused
    assert count(path, "ledger") == 2 * kept
    with journal.transaction("x") as connection:
        connection.exec_driver_sql("PRAGMA max_page_count=1000000").fetchall()
    assert journal.commit(outcome(kept + 1), BOOT)


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    journal = Journal(tmp_path / "file" / "journal.db")
    for _ in range(2):
        with pytest.raises(StoreError, match="can't be used"):
            journal.commit(outcome(), BOOT)


def test_only_its_owner_can_read_the_file(journal: Journal, path: Path) -> None:
    assert path.stat().st_mode & 0o077 == 0
    assert path.parent.stat().st_mode & 0o077 == 0


# --- what was learned ----------------------------------------------------------------------


def test_what_was_learned_is_known_again_and_the_newest_counts(journal: Journal) -> None:
    assert journal.remembered(CHAMBER) is None
    for body in ("first", "second"):
        journal.remember(CHAMBER, body)
    journal.remember("other", "elsewhere")
    journal.close()
    assert journal.remembered(CHAMBER) == "second"
    assert journal.remembered("other") == "elsewhere"


@pytest.mark.parametrize(
    "change",
    [
        "body = 'secund'",
        "body = ''",
        "body = x'fffe'",
        "digest = ''",
    ],
)
def test_what_was_learned_and_is_damaged_counts_as_nothing(
    journal: Journal, path: Path, change: str
) -> None:
    journal.remember(CHAMBER, "second")
    with sqlite3.connect(path) as connection:
        connection.execute(f"UPDATE chamber_memory SET {change}")
    connection.close()
    assert journal.remembered(CHAMBER) is None
    journal.remember(CHAMBER, "third")
    assert journal.remembered(CHAMBER) == "third"


# --- versions ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "versions",
    [
        pytest.param(migrations.JOURNAL, id="journal"),
        pytest.param(migrations.ARCHIVE, id="archive"),
        pytest.param(PEOPLE, id="people"),
    ],
)
def test_migrations_from_scratch_make_what_a_new_file_has(
    tmp_path: Path, versions: Versions
) -> None:
    script = ScriptDirectory(str(versions.folder), version_locations=[str(versions.folder)])
    assert script.get_heads() == [versions.head] and versions.tables is not None
    for name, target in (("new.db", "head"), ("migrated.db", versions.head)):
        engine = writer_engine(tmp_path / name)
        bring_up_to_date(engine, versions, target=target)
        engine.dispose()
    reader = reader_engine(tmp_path / "migrated.db")
    with reader.connect() as connection:
        context = MigrationContext.configure(connection)
        assert compare_metadata(context, versions.tables) == []
    reader.dispose()
    assert _made_of(tmp_path / "new.db") == _made_of(tmp_path / "migrated.db")


def _made_of(path: Path) -> dict[str, tuple[object, ...]]:
    """What there is in a file by its name: kind, options, columns in any order, and the version."""
    with closing(sqlite3.connect(path)) as file:
        found: dict[str, tuple[object, ...]] = {
            name: (
                kind,
                "WITHOUT ROWID" in (sql or ""),
                "AUTOINCREMENT" in (sql or ""),
                "UNIQUE INDEX" in (sql or ""),
                # With the place in the key, but without the place in the row.
                sorted(row[1:4] + row[5:] for row in file.execute(f'PRAGMA table_info("{name}")')),
                sorted(row[2:] for row in file.execute(f'PRAGMA foreign_key_list("{name}")')),
                [row[2] for row in file.execute(f'PRAGMA index_info("{name}")')],
            )
            for kind, name, sql in file.execute("SELECT type, name, sql FROM sqlite_master")
        }
        return found | {"version": file.execute("SELECT * FROM alembic_version").fetchone()}


def test_an_older_file_is_brought_up_to_date_with_what_is_in_it(path: Path) -> None:
    path.parent.mkdir()
    engine = writer_engine(path)
    bring_up_to_date(engine, migrations.JOURNAL, target="j0001")
    with engine.begin() as connection:
        connection.exec_driver_sql(
            "INSERT INTO watch_mark VALUES (?, ?, ?, ?, ?, ?)",
            (CHAMBER, BOOT.boot_id, 70.0, 1_790_000_070_000_000, 12, 4),
        )
    engine.dispose()
    journal = Journal.open(path)
    assert journal.repaired is None
    memory = journal.memory(CHAMBER, AFTER_REBOOT)
    assert (memory.next_event, memory.next_job, memory.last_seen_s) == (12, 4, -430.0)
    assert journal.relabel(BOOT) == 0
    journal.close()
    assert count(path, "sqlite_master WHERE name = 'ledger_boot'") == 1


def test_a_file_of_a_newer_program_is_left_as_it_is(journal: Journal, path: Path) -> None:
    journal.commit(outcome(), BOOT)
    journal.close()
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE alembic_version SET version_num = 'j9999'")
    connection.close()
    with pytest.raises(StoreError, match="newer"):
        Journal.open(path)
    assert count(path, "ledger") == 2
    assert list(path.parent.glob("*damaged*")) == []
