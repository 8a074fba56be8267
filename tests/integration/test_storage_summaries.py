"""Summaries say of every stretch what its readings say, whatever came, went, or was older."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from kept_things import CHAMBER
from stillair.database import bring_up_to_date, writer_engine
from stillair.runtime import season_file
from stillair.storage import migrations
from stillair.storage.archive import Archive
from stillair.storage.history import History
from stillair.storage.packing import MISSING, UNITS_PER_K, Ints
from stillair.storage.readings import Readings
from stillair.storage.stretches import rows_of
from stillair.storage.summaries import DAY_MS, PER_BLOCK, WIDTHS_MS, Stretches, read_block

T0_MS = 20_717 * DAY_MS + 5 * 3_600_000
DAYS = 3
EVERY_MS = 7_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "archive.db"


@pytest.fixture
def archive(path: Path) -> Iterator[Archive]:
    with closing(Archive.open(path)) as opened:
        yield opened


def made(seed: int, days: float = DAYS, start_ms: int = T0_MS) -> tuple[Ints, Ints]:
    """Readings of days with gaps of minutes and of hours, some missing."""
    chance = np.random.default_rng(seed)
    count = round(days * DAY_MS / EVERY_MS)
    units = (45 * 16 + np.cumsum(chance.choice([-1, 0, 0, 1], count))) * (UNITS_PER_K // 16)
    units[chance.random(count) < 0.01] = MISSING
    times_ms = start_ms + np.arange(count) * EVERY_MS + chance.integers(0, 30, count)
    kept = np.ones(count, np.bool_)
    for length in (3, 200, 2_000):
        begin = int(chance.integers(0, count - length))
        kept[begin : begin + length] = False
    units[500:700] = MISSING  # for longer than a stretch of five minutes
    return times_ms[kept], units[kept]


def kept_blocks(path: Path, sensor: str) -> dict[tuple[int, int], Stretches]:
    with closing(sqlite3.connect(path)) as file:
        rows = file.execute(
            "SELECT level, number, content FROM summary WHERE sensor = ?", (sensor,)
        ).fetchall()
    return {(level, number): read_block(body, level, number) for level, number, body in rows}


def check_all(path: Path, sensor: str, times_ms: Ints, units: Ints) -> None:
    """Hold each stretch of each level against the readings themselves."""
    found = kept_blocks(path, sensor)
    for level, width_ms in enumerate(WIDTHS_MS):
        numbers = times_ms // width_ms
        blocks = {block for of, block in found if of == level}
        assert blocks == set((numbers // PER_BLOCK).tolist())
        said = {
            block * PER_BLOCK + place: place
            for block in blocks
            for place in np.flatnonzero(found[level, block].count).tolist()
        }
        assert said.keys() == set(numbers.tolist())
        for number, place in said.items():
            here = numbers == number
            known = units[here][units[here] != MISSING]
            block = found[level, number // PER_BLOCK]
            extremes = (known.min(), known.max()) if len(known) else (MISSING, MISSING)
            assert (block.low[place], block.high[place]) == extremes
            assert (block.first_ms[place], block.last_ms[place]) == (
                times_ms[here][0],
                times_ms[here][-1],
            )
            assert block.count[place] == here.sum()


def test_stretches_of_all_widths_are_what_their_readings_are(archive: Archive, path: Path) -> None:
    pieces = {sensor: made(seed) for seed, sensor in enumerate(("top", "bed"))}
    for sensor, (times_ms, units) in pieces.items():
        # In two halves, the later first, as when a history is brought in.
        rows = list(rows_of(CHAMBER, sensor, times_ms, units, most=5_000))
        archive.take_in(rows[len(rows) // 2 :])
        archive.take_in(rows[: len(rows) // 2])
    for sensor, (times_ms, units) in pieces.items():
        check_all(path, sensor, times_ms, units)


def test_what_is_removed_is_in_no_summary(archive: Archive, path: Path) -> None:
    times_ms, units = made(3)
    archive.take_in(list(rows_of(CHAMBER, "top", times_ms, units)))
    begin_ms, end_ms = T0_MS + DAY_MS + 1_234_567, T0_MS + DAY_MS + 9_876_543
    archive.forget_between(CHAMBER, begin_ms / 1000, end_ms / 1000)
    kept = (times_ms < begin_ms) | (times_ms > end_ms)
    check_all(path, "top", times_ms[kept], units[kept])
    archive.forget_before(datetime.fromtimestamp((T0_MS + 2 * DAY_MS) / 1000, UTC))
    with closing(Readings(path)) as readings:
        left = list(readings.pieces(CHAMBER, "top"))
    check_all(path, "top", *(np.concatenate(each) for each in zip(*left, strict=True)))
    archive.forget_before(datetime.fromtimestamp(T0_MS / 1000 + 1e7, UTC))
    assert kept_blocks(path, "top") == {}


@pytest.mark.parametrize("days", [3.0, 40.0, 3_650.0])
def test_a_chart_of_any_length_has_the_extremes_and_reads_few_blocks(
    archive: Archive, path: Path, days: float
) -> None:
    times_ms, units = made(4)
    archive.take_in(list(rows_of(CHAMBER, "top", times_ms, units)))
    history = History(path.with_name("journal.db"), path, archive)
    end_s = float(times_ms[-1]) / 1000
    answer: Any = history.readings(CHAMBER, end_s - days * DAY_MS / 1000, end_s, 1_000)
    history.close()
    values = [value for value in answer["sensors"]["top"] if value is not None]
    known = units[units != MISSING] / UNITS_PER_K
    assert (min(values), max(values)) == (known.min(), known.max())
    assert len(answer["time_s"]) == 1_000


def test_a_damaged_block_is_left_out_and_made_anew(archive: Archive, path: Path) -> None:
    times_ms, units = made(5)
    rows = list(rows_of(CHAMBER, "top", times_ms, units))
    archive.take_in(rows[:-1])
    with closing(sqlite3.connect(path)) as file:
        file.execute("UPDATE summary SET content = x'00' WHERE level = 0")
        file.commit()
    history = History(path.with_name("journal.db"), path, archive)
    begin_s, end_s = times_ms[0] / 1000, times_ms[-1] / 1000
    assert history.readings(CHAMBER, begin_s, end_s, 200)["sensors"] == {}
    assert history.damaged > 0
    archive.take_in(rows[-1:])
    answer: Any = history.readings(CHAMBER, begin_s, end_s, 200)
    assert answer["sensors"]["top"][-1] is not None
    history.close()


def test_an_archive_of_the_first_version_is_taken_over_as_it_is(path: Path) -> None:
    engine = writer_engine(path)
    bring_up_to_date(engine, migrations.ARCHIVE, target="a0001")
    engine.dispose()
    rows = [
        {**row, "payload": season_file.data_of(row["payload"])}
        for row in season_file.shipped().readings[:200]
    ]
    with closing(sqlite3.connect(path)) as file:
        names = tuple(rows[0])
        file.executemany(
            f"INSERT INTO stretch ({', '.join(names)}) VALUES ({', '.join('?' for _ in names)})",
            [tuple(row.values()) for row in rows],
        )
        file.execute("INSERT INTO tail_mark (id, generation) VALUES (1, 7)")
        file.commit()
    with closing(Archive.open(path)) as archive, closing(Readings(path, archive)) as readings:
        for (chamber, sensor), of in _by_sensor(rows).items():
            pieces = list(readings.pieces(chamber, sensor))
            assert sum(len(times_ms) for times_ms, _ in pieces) == sum(r["count"] for r in of)
            begin_s, end_s = of[0]["start_ms"] / 1000, of[-1]["end_ms"] / 1000 + 1e7
            answer: Any = readings.columns(chamber, begin_s, end_s, 1_000)
            values = [value for value in answer["sensors"][sensor] if value is not None]
            lows, highs = ([r[name] for r in of] for name in ("low_c", "high_c"))
            assert (min(values), max(values)) == (min(lows), max(highs))
        assert [p.name for p in path.parent.glob("*-tail-*")] == ["archive.db-tail-7"]


def _by_sensor(rows: list[dict[str, Any]]) -> dict[tuple[str, str], list[dict[str, Any]]]:
    found: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for row in sorted(rows, key=lambda each: each["start_ms"]):
        found.setdefault((row["chamber"], row["sensor"]), []).append(row)
    return found
