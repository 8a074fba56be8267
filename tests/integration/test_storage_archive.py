"""Readings on a real disk: packed, found again, whole after trouble."""

from __future__ import annotations

import random
import resource
import sqlite3
import struct
import zlib
from array import array
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from kept_things import CHAMBER
from stillair.errors import StoreError
from stillair.storage.archive import Archive
from stillair.storage.history import History
from stillair.storage.journal import Journal
from stillair.storage.readings import BATCH_ROWS, Readings
from stillair.storage.retention import Retention, RetentionPlan
from stillair.storage.tail import CHUNK_BYTES

T0_S = 1_790_000_000.0
ROW = 50


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "archive.db"


@pytest.fixture
def archive(path: Path) -> Iterator[Archive]:
    opened = Archive.open(path, row_readings=ROW)
    yield opened
    opened.close()


def fill(
    archive: Archive, count: int, *, sensor: str = "top", start_s: float = T0_S, every: int = 10
) -> list[float | None]:
    """One reading a second, some missing, flushed every 10 s; returns what was added."""
    chance = random.Random(count)
    added: list[float | None] = []
    for second in range(count):
        value = None if chance.random() < 0.02 else round(45 + chance.gauss(0, 1) * 16) / 16
        archive.add(CHAMBER, sensor, start_s + second, value)
        added.append(value)
        if second % every == every - 1:
            archive.flush()
    return added


def read(path: Path, archive: Archive | None = None, sensor: str = "top") -> list[Any]:
    """All readings of one sensor as (second, value)."""
    history = History(path.with_name("journal.db"), path, archive)
    answer = history.iter_readings(CHAMBER, T0_S - 10**6, T0_S + 10**6)
    index = answer.sensors.index(sensor) if sensor in answer.sensors else None
    found = [] if index is None else [(time_s - T0_S, row[index]) for time_s, row in answer.rows]
    history.close()
    return found


def rows(path: Path) -> int:
    with sqlite3.connect(path) as connection:
        (count,) = connection.execute("SELECT count(*) FROM stretch").fetchone()
    connection.close()
    return int(count)


def test_readings_are_found_before_and_after_they_are_packed(archive: Archive, path: Path) -> None:
    added = fill(archive, 333)
    assert rows(path) == 6
    expected = list(zip([float(second) for second in range(333)], added, strict=True))
    assert read(path, archive) == expected
    archive.flush()
    assert read(path) == expected  # another process reads the tail file


@pytest.mark.parametrize("count", [ROW // 2, ROW], ids=["in the tail", "in a row"])
def test_between_two_readings_there_is_none(archive: Archive, path: Path, count: int) -> None:
    fill(archive, count)
    with closing(Readings(path, archive)) as readings:
        between_s = (T0_S + 3.2, T0_S + 3.7)
        assert readings.newest_s(CHAMBER, *between_s) is None
        assert list(readings.pieces(CHAMBER, "top", *(round(1000 * s) for s in between_s))) == []
        assert readings.newest_s(CHAMBER, T0_S + 3.2, T0_S + 5.7) == T0_S + 5


def test_an_archive_is_taken_up_where_it_was_left(archive: Archive, path: Path) -> None:
    added = fill(archive, 77)
    archive.close()
    again = Archive.open(path, row_readings=ROW)
    again.add(CHAMBER, "top", T0_S + 77, 50.0)
    again.flush()
    assert read(path, again) == [*((float(n), v) for n, v in enumerate(added)), (77.0, 50.0)]
    again.close()


def test_readings_taken_before_the_files_are_open_come_behind_older_ones(
    archive: Archive, path: Path
) -> None:
    fill(archive, 30)
    archive.close()
    again = Archive(path, row_readings=ROW)
    again.add(CHAMBER, "top", T0_S + 30, 50.0)
    again.flush()
    assert [second for second, _ in read(path, again)] == [float(n) for n in range(31)]
    again.close()


def test_a_torn_tail_loses_only_its_last_record(archive: Archive, path: Path) -> None:
    fill(archive, 40, every=20)
    archive.close()
    (tail,) = path.parent.glob("*-tail-*")
    content = tail.read_bytes().rstrip(b"\0")
    tail.write_bytes(content[:-5] + bytes(CHUNK_BYTES - len(content) + 5))
    again = Archive.open(path, row_readings=ROW)
    assert [second for second, _ in read(path, again)] == [float(n) for n in range(20)]
    again.add(CHAMBER, "top", T0_S + 41, 50.0)
    again.flush()
    assert len(read(path)) == 21
    again.close()


def test_a_tail_of_an_older_board_is_taken_up_and_goes_on(archive: Archive, path: Path) -> None:
    archive.close()
    (tail,) = path.parent.glob("*-tail-*")
    # As it was written before readings were packed in it: each number in eight bytes, deflated.
    times_ms, units = (array("q", each) for each in ((1_000, 2_000), (200_000_000, 210_000_000)))
    numbers = times_ms.tobytes() + units.tobytes()
    name = CHAMBER.encode()
    content = zlib.compress(struct.pack("<HHI", len(name), 3, 2) + name + b"top" + numbers, 1)
    head = struct.pack("<20sQ", b"stillair readings 1\n", 0)
    record = struct.pack("<II", len(content), zlib.crc32(content)) + content
    tail.write_bytes((head + record).ljust(CHUNK_BYTES, b"\0"))
    killed = Archive.open(path)
    killed.add(CHAMBER, "top", 3.0, 22.0)
    killed.flush()
    with closing(Archive.open(path)) as again:
        ((found_ms, found),) = again.held(CHAMBER, 0, 10_000)["top"]
    assert found_ms.tolist() == [1_000, 2_000, 3_000]
    assert found.tolist() == [200_000_000, 210_000_000, 220_000_000]


@pytest.mark.parametrize("content", [b"", b"x", b"rubbish " * 1000], ids=["empty", "x", "rubbish"])
def test_a_tail_of_rubbish_is_begun_anew(archive: Archive, path: Path, content: bytes) -> None:
    fill(archive, 70)
    archive.close()
    (tail,) = path.parent.glob("*-tail-*")
    tail.write_bytes(content)
    again = Archive.open(path, row_readings=ROW)
    assert len(read(path, again)) == 50
    again.add(CHAMBER, "top", T0_S + 100, 50.0)
    again.flush()
    assert len(read(path)) == 51
    again.close()


@pytest.mark.parametrize("step_s", [-3600.0, 3600.0, -0.2])
def test_a_clock_that_is_set_loses_no_reading(archive: Archive, path: Path, step_s: float) -> None:
    for second in range(130):
        archive.add(CHAMBER, "top", T0_S + second + (step_s if second >= 65 else 0.0), second / 4)
        archive.flush()
    found = read(path, archive)
    assert [second for second, _ in found] == sorted(second for second, _ in found)
    assert sorted(value for _, value in found) == [second / 4 for second in range(130)]


def test_a_tail_that_lost_what_is_packed_by_now_keeps_what_comes(
    archive: Archive, path: Path
) -> None:
    fill(archive, 120)
    archive.close()
    (tail,) = path.parent.glob("*-tail-*")
    tail.write_bytes(tail.read_bytes()[:100])  # as a power cut may, and rows are on the disk
    killed = Archive.open(path, row_readings=ROW)
    fill(killed, 30, start_s=T0_S + 120)
    again = Archive.open(path, row_readings=ROW)
    expected = [*range(100), *range(120, 150)]
    assert [second for second, _ in read(path, again)] == expected
    again.close()


def test_what_memory_had_no_room_for_is_not_taken_for_what_is_packed(path: Path) -> None:
    killed = Archive.open(path, row_readings=250, memory_readings=300)
    fill(killed, 200)
    for second in range(200, 340):
        killed.add(CHAMBER, "top", T0_S + second, 20.0)
    assert killed.lost == 301
    fill(killed, 300, start_s=T0_S + 340)
    assert rows(path) == 1
    again = Archive.open(path)
    assert [second for second, _ in read(path, again)] == [float(n) for n in range(301, 640)]
    again.close()


def test_a_tail_is_begun_anew_once_most_of_it_is_packed(
    archive: Archive, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stillair.storage.archive.PACKED_READINGS", 100)
    for second in range(1_000):
        for sensor, every in (("top", 1), ("bed", 5)):
            if second % every == 0:
                archive.add(CHAMBER, sensor, T0_S + second, float(second % 60))
        if second % 10 == 9:
            archive.flush()
    (tail,) = path.parent.glob("*-tail-*")
    assert int(tail.name.rpartition("-")[2]) >= 5
    again = Archive.open(path, row_readings=ROW)
    assert len(read(path, again)) == 1_000
    assert len([value for _, value in read(path, again, "bed") if value is not None]) >= 200
    again.close()


def test_sensors_of_one_second_share_a_row(archive: Archive, path: Path) -> None:
    for second in range(120):
        for sensor, late_s in (("top", 0.0), ("bed", 0.013), ("room", 0.4)):
            archive.add(CHAMBER, sensor, T0_S + second + late_s, 20.0 + second)
    archive.flush()
    history = History(path.with_name("journal.db"), path, archive)
    answer = history.iter_readings(CHAMBER, T0_S, T0_S + 200)
    assert answer.sensors == ("bed", "room", "top")
    table = list(answer.rows)
    assert [time_s - T0_S for time_s, _ in table] == [float(n) for n in range(120)]
    assert all(row == (20.0 + n,) * 3 for n, (_, row) in enumerate(table))
    history.close()


# --- the newest in memory ------------------------------------------------------------------


class Seconds:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def kept_in_memory(path: Path, clock: Seconds, row_readings: int = ROW) -> Archive:
    folder = path.with_name("memory")
    folder.mkdir(exist_ok=True)
    return Archive.open(path, monotonic_s=clock, row_readings=row_readings, memory_folder=folder)


def test_the_newest_readings_wear_no_card_and_survive_a_kill(path: Path) -> None:
    clock = Seconds()
    killed = kept_in_memory(path, clock)
    (tail,) = path.parent.glob("*-tail-*")
    before = tail.read_bytes()
    added = fill(killed, 40)
    assert tail.read_bytes() == before
    expected = [(float(second), value) for second, value in enumerate(added)]
    assert read(path) == expected  # another process sees them
    again = kept_in_memory(path, clock)
    assert read(path, again) == expected
    again.add(CHAMBER, "top", T0_S + 40, 50.0)
    again.flush()
    assert read(path) == [*expected, (40.0, 50.0)]
    assert len(list(path.with_name("memory").iterdir())) == 1
    again.close()
    assert list(path.with_name("memory").iterdir()) == []
    assert read(path) == [*expected, (40.0, 50.0)]


def test_the_newest_readings_come_to_the_card_within_a_minute(path: Path) -> None:
    clock = Seconds()
    killed = kept_in_memory(path, clock)
    fill(killed, 20)
    clock.now_s += 46.0
    killed.add(CHAMBER, "top", T0_S + 20, 50.0)
    killed.flush()
    for file in path.with_name("memory").iterdir():
        file.unlink()  # as a power cut does
    assert [second for second, _ in read(path)] == [float(n) for n in range(21)]


def test_what_is_packed_is_not_taken_from_memory_as_well(path: Path) -> None:
    clock = Seconds()
    killed = kept_in_memory(path, clock)
    fill(killed, 70)
    assert rows(path) == 1
    again = kept_in_memory(path, clock)
    (held,) = again.held(CHAMBER, 0, 10**15)["top"]
    assert len(held[0]) == 20
    assert [second for second, _ in read(path, again)] == [float(n) for n in range(70)]
    again.close()


@pytest.mark.parametrize("content", [b"", b"x", b"rubbish " * 1000], ids=["empty", "x", "rubbish"])
def test_rubbish_in_memory_is_left_out(path: Path, content: bytes) -> None:
    clock = Seconds()
    killed = kept_in_memory(path, clock)
    fill(killed, 20)
    (file,) = path.with_name("memory").iterdir()
    file.write_bytes(content)
    assert read(path) == []
    again = kept_in_memory(path, clock)
    assert read(path, again) == []
    again.close()


def test_without_a_folder_in_memory_the_tail_gets_them_at_once(path: Path) -> None:
    archive = Archive.open(path, memory_folder=path.with_name("nowhere"))
    fill(archive, 20)
    again = Archive.open(path)
    assert [second for second, _ in read(path, again)] == [float(n) for n in range(20)]
    again.close()


# --- charts ---------------------------------------------------------------------------------


@pytest.mark.parametrize("points", [2, 10, 99, 1000, 5000])
def test_a_chart_keeps_the_extremes_within_its_points(
    archive: Archive, path: Path, points: int
) -> None:
    added = [value for value in fill(archive, 2000, every=500) if value is not None]
    history = History(path.with_name("journal.db"), path, archive)
    answer: dict[str, Any] = history.readings(CHAMBER, T0_S, T0_S + 2000, points)
    values = [value for value in answer["sensors"]["top"] if value is not None]
    assert (min(values), max(values)) == (min(added), max(added))
    assert len(answer["time_s"]) == len(answer["sensors"]["top"]) <= points
    assert answer["time_s"] == sorted(answer["time_s"])
    history.close()


def test_a_chart_of_weeks_is_drawn_without_unpacking(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = Archive.open(path, row_readings=100)
    added = [v for v in fill(archive, 1000, every=50) if v is not None]
    history = History(path.with_name("journal.db"), path, archive)
    monkeypatch.setattr("stillair.storage.readings.unpack", None)
    answer: dict[str, Any] = history.readings(CHAMBER, T0_S - 14 * 86_400, T0_S + 1000, 200)
    values = [value for value in answer["sensors"]["top"] if value is not None]
    assert (min(values), max(values)) == (min(added), max(added))
    assert len(answer["time_s"]) == 200
    history.close()
    archive.close()


def test_a_gap_is_null_and_a_missed_second_is_not(archive: Archive, path: Path) -> None:
    for second in (0, 1, 2, 4, 5, 100, 101):
        archive.add(CHAMBER, "top", T0_S + second, 20.0)
        archive.add(CHAMBER, "bed", T0_S + second, 60.0)
    for second in range(200):
        archive.add(CHAMBER, "room", T0_S + second, 19.0)
    archive.flush()
    history = History(path.with_name("journal.db"), path, archive)
    answer: dict[str, Any] = history.readings(CHAMBER, T0_S, T0_S + 199, 1000)
    top = dict(zip([t - T0_S for t in answer["time_s"]], answer["sensors"]["top"], strict=True))
    assert [top[second] for second in (2.0, 3.0, 4.0)] == [20.0, 20.0, 20.0]
    assert {top[float(second)] for second in range(6, 100)} == {None}
    assert answer["sensors"]["room"] == [19.0] * 200
    history.close()


@pytest.mark.parametrize(
    ("chamber", "start_s", "end_s"),
    [
        pytest.param("nowhere", T0_S, T0_S + 100, id="no such chamber"),
        pytest.param(CHAMBER, T0_S + 5000, T0_S + 6000, id="later"),
        pytest.param(CHAMBER, 0.0, 1.0, id="earlier"),
    ],
)
def test_where_nothing_was_read_there_is_nothing(
    archive: Archive, path: Path, chamber: str, start_s: float, end_s: float
) -> None:
    fill(archive, 120)
    history = History(path.with_name("journal.db"), path, archive)
    assert history.readings(chamber, start_s, end_s, 100) == {"time_s": [], "sensors": {}}
    assert list(history.iter_readings(chamber, start_s, end_s).rows) == []
    history.close()


@pytest.mark.parametrize(
    ("start_s", "end_s", "points"),
    [
        pytest.param(-1e300, 1e300, 10**9, id="everything, in a billion points"),
        pytest.param(T0_S, T0_S, 0, id="an instant, in no points"),
        pytest.param(T0_S, T0_S + 100, -5, id="less than no points"),
    ],
)
def test_a_hostile_question_gets_a_bounded_answer(
    archive: Archive, path: Path, start_s: float, end_s: float, points: int
) -> None:
    fill(archive, 120)
    history = History(path.with_name("journal.db"), path, archive)
    answer: dict[str, Any] = history.readings(CHAMBER, start_s, end_s, points)
    assert 1 <= len(answer["time_s"]) <= 20_000
    assert any(value is not None for value in answer["sensors"]["top"])
    history.close()


@pytest.mark.parametrize(
    ("start_s", "end_s"), [(1.0, 0.0), (float("nan"), 1.0), (0.0, float("inf"))]
)
def test_no_stretch_of_time_is_an_error(
    archive: Archive, path: Path, start_s: float, end_s: float
) -> None:
    history = History(path.with_name("journal.db"), path, archive)
    with pytest.raises(StoreError, match="no stretch"):
        history.readings(CHAMBER, start_s, end_s)
    history.close()


# --- damage and trouble ------------------------------------------------------------------------


def test_a_damaged_row_is_left_out_and_told(archive: Archive, path: Path) -> None:
    added = fill(archive, ROW * (BATCH_ROWS + 3))
    archive.flush()
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE stretch SET payload = x'00' WHERE id = 2")
    connection.close()
    history = History(path.with_name("journal.db"), path, archive)
    answer = history.iter_readings(CHAMBER, T0_S, T0_S + 10_000)
    assert len(list(answer.rows)) == len(added) - ROW
    assert history.damaged == 1
    history.close()


def test_a_damaged_archive_is_set_aside_and_the_tail_kept(archive: Archive, path: Path) -> None:
    fill(archive, 120)
    archive.close()
    path.write_bytes(b"no archive at all " * 1000)
    again = Archive.open(path, row_readings=ROW)
    assert again.repaired is not None
    assert [second for second, _ in read(path, again)] == [float(n) for n in range(120)]
    fill(again, 100, start_s=T0_S + 120)
    assert len(read(path, again)) == 220
    again.close()


def test_damage_met_while_packing_loses_nothing_that_was_held(archive: Archive, path: Path) -> None:
    fill(archive, 45, every=45)
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    content = bytearray(path.read_bytes())
    content[100:] = b"\xff" * (len(content) - 100)
    path.write_bytes(content)
    told = 0
    for second in range(45, 75):
        archive.add(CHAMBER, "top", T0_S + second, 20.0)
        try:
            archive.flush()
        except StoreError:
            told += 1
    assert told >= 1
    assert archive.repaired is not None
    assert [second for second, _ in read(path, archive)] == [float(n) for n in range(75)]


def test_a_full_disk_loses_nothing_that_memory_holds(archive: Archive, path: Path) -> None:
    fill(archive, 40)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, hard))
    try:
        for second in range(40, 5000):
            archive.add(CHAMBER, "top", T0_S + second, float(second % 17) / 3)
        with pytest.raises(StoreError):
            archive.flush()
        assert len(read(path, archive)) == 5000
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    archive.flush()
    assert archive.lost == 0
    assert [second for second, _ in read(path)] == [float(n) for n in range(5000)]


def test_a_full_archive_is_told_and_packed_later(archive: Archive, path: Path) -> None:
    with archive._transaction("x") as connection:
        (pages,) = connection.exec_driver_sql("PRAGMA page_count").fetchone() or (0,)
        connection.exec_driver_sql(f"PRAGMA max_page_count={pages + 2}").fetchall()
    added = []
    told = 0
    for second in range(6000):
        archive.add(CHAMBER, "top", T0_S + second, random.Random(second).random())
        added.append(float(second))
        if second % 20 == 19:
            try:
                archive.flush()
            except StoreError:
                told += 1
    assert told > 0
    assert [second for second, _ in read(path, archive)] == added
    with archive._transaction("x") as connection:
        connection.exec_driver_sql("PRAGMA max_page_count=100000").fetchall()
    archive.flush()
    assert [second for second, _ in read(path)] == added


def test_memory_is_bounded_while_the_disk_refuses(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    archive = Archive(tmp_path / "file" / "archive.db", row_readings=ROW, memory_readings=1000)
    for second in range(3000):
        archive.add(CHAMBER, "top", T0_S + second, 20.0)
    with pytest.raises(StoreError):
        archive.flush()
    (held,) = archive.held(CHAMBER, 0, 10**15).values()
    kept = sum(len(times_ms) for times_ms, _ in held)
    assert kept <= 1000
    assert archive.lost == 3000 - kept


def test_files_that_somebody_removed_are_written_anew(archive: Archive, path: Path) -> None:
    fill(archive, 120)
    for file in path.parent.iterdir():
        file.unlink()
    fill(archive, 30, start_s=T0_S + 120)
    archive.flush()
    archive.flush()
    assert [second for second, _ in read(path)] == [float(n) for n in range(150)]
    assert "removed while it was in use" in str(archive.repaired)


@pytest.mark.parametrize("at_s", [float("nan"), float("inf"), 1e18, -1e18])
def test_a_reading_without_a_usable_instant_is_counted_as_lost(
    archive: Archive, at_s: float
) -> None:
    archive.add(CHAMBER, "top", at_s, 20.0)
    archive.flush()
    assert archive.lost == 1


# --- retention ------------------------------------------------------------------------------------


def test_readings_older_than_the_limit_go(archive: Archive, path: Path, tmp_path: Path) -> None:
    fill(archive, 400)
    journal = Journal.open(tmp_path / "journal.db")
    plan = RetentionPlan(keep_days=1.0)
    now_at = datetime.fromtimestamp(T0_S + 210, UTC) + timedelta(days=1)
    removed = Retention(journal, archive, plan, free_bytes=lambda _: 10**12).run(now_at)
    assert removed.stretches == 4
    assert read(path, archive)[0][0] == 200.0
    journal.close()


def test_the_oldest_readings_go_when_there_is_too_much(
    archive: Archive, path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stillair.storage.archive.REMOVE_ROWS", 10)
    chance = random.Random(1)
    for second in range(20_000):
        archive.add(CHAMBER, "top", T0_S + second, chance.random())
        if second % ROW == ROW - 1:
            archive.flush()
    journal = Journal.open(tmp_path / "journal.db")
    plan = RetentionPlan(keep_days=10_000, keep_mb=0.1)
    now_at = datetime.fromtimestamp(T0_S, UTC)
    before = archive.used_bytes()
    removed = Retention(journal, archive, plan, free_bytes=lambda _: 10**12).run(now_at)
    assert removed.stretches > 0
    assert archive.used_bytes() <= 100_000 < before
    found = [second for second, _ in read(path, archive)]
    assert found[-1] == 19_999.0
    assert found == [float(n) for n in range(20_000 - len(found), 20_000)]
    journal.close()


def test_a_disk_that_runs_full_takes_room_from_readings_but_not_the_last(
    archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stillair.storage.retention.SMALLEST_ARCHIVE_BYTES", 60_000)
    monkeypatch.setattr("stillair.storage.archive.REMOVE_ROWS", 10)
    chance = random.Random(1)
    for second in range(10_000):
        archive.add(CHAMBER, "top", T0_S + second, chance.random())
        if second % ROW == ROW - 1:
            archive.flush()
    journal = Journal.open(tmp_path / "journal.db")
    retention = Retention(journal, archive, RetentionPlan(), free_bytes=lambda _: 0)
    assert retention.run(datetime.fromtimestamp(T0_S, UTC)).stretches > 0
    assert 30_000 < archive.used_bytes() <= 60_000
    journal.close()


@pytest.mark.parametrize(
    "wrong", [{"keep_days": 0.0}, {"keep_mb": -1.0}, {"free_mb": 0.0}, {"chamber_days": {"x": 0.0}}]
)
def test_a_limit_of_nothing_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="above 0"):
        RetentionPlan(**wrong)
