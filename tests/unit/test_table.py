"""The CSV form of readings: what is read, what is refused and in which words."""

from __future__ import annotations

import io
import math
import os
import threading
from contextlib import suppress
from datetime import UTC, datetime
from itertools import count, islice
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.errors import InputError
from stillair.thermal.table import (
    HIGHEST_C,
    LONGEST_LINE_BYTES,
    LOWEST_C,
    ReadingTable,
    Row,
    check_table,
    open_table,
    write_table,
)


def read(data: bytes | str) -> tuple[tuple[str, ...], list[Row]]:
    raw = data.encode() if isinstance(data, str) else data
    table = ReadingTable(io.BytesIO(raw), "r.csv")
    return table.sensors, list(table.rows())


@pytest.mark.parametrize(
    ("text", "rows"),
    [
        pytest.param("time_s,top\n0,20.5\n", [(0.0, (20.5,))], id="plain"),
        pytest.param("time_s,top\n0,20.5", [(0.0, (20.5,))], id="no newline at the end"),
        pytest.param("\ufefftime_s,top\r\n0,20.5\r\n", [(0.0, (20.5,))], id="mark and CRLF"),
        pytest.param("time_s,top\n-60,1\n-59.5,2\n", [(-60, (1,)), (-59.5, (2,))], id="negative"),
        pytest.param("time_s,a,b\n0,,2\n", [(0.0, (None, 2.0))], id="missing"),
        pytest.param("time_s,a,b\n0, ,2\n", [(0.0, (None, 2.0))], id="missing as a blank"),
        pytest.param('time_s,"a, b"\n0,"7"\n', [(0.0, (7.0,))], id="quoted"),
        pytest.param("time_s,top\n0,1\n\n\n", [(0.0, (1.0,))], id="blank lines at the end"),
        pytest.param("time_s,top\n", [], id="header only"),
        pytest.param("time_s,top\n0,127.94\n", [(0.0, (127.94,))], id="power-on value is kept"),
    ],
)
def test_rows_are_read(text: str, rows: list[Row]) -> None:
    assert read(text)[1] == rows


def test_iso_times_count_from_the_first_row_and_keep_its_instant() -> None:
    text = "time,top\n2026-05-02T09:00:00Z,20\n2026-05-02T11:00:01.500+02:00,21\n"
    table = ReadingTable(io.BytesIO(text.encode()), "r.csv")
    assert table.start_at is None
    assert [row[0] for row in table.rows()] == [0.0, 1.5]
    assert table.start_at == datetime(2026, 5, 2, 9, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        pytest.param("", ["line 1", "empty"], id="nothing at all"),
        pytest.param("0,20\n1,21\n", ["line 1", "header"], id="no header"),
        pytest.param("clock,top\n", ["line 1", "clock", "time_s"], id="first column"),
        pytest.param("time_s;top\n0;20\n", ["line 1", "commas"], id="semicolons"),
        pytest.param("time_s\n0\n", ["line 1", "no column"], id="time alone"),
        pytest.param("time_s,top,top\n", ["line 1", "column top", "twice"], id="same name twice"),
        pytest.param("time_s,top,time_s\n", ["line 1", "column time_s", "twice"], id="time twice"),
        pytest.param("time_s,,top\n", ["line 1", "column 2", "no name"], id="no name"),
        pytest.param("time_s,top\n0,20\n1,x\n", ["line 3", "column top", "'x'"], id="word"),
        pytest.param("time_s,top\n0,nan\n", ["line 2", "column top", "'nan'"], id="nan"),
        pytest.param("time_s,top\n0,-inf\n", ["line 2", "column top", "'-inf'"], id="inf"),
        pytest.param("time_s,top\n0,1e99\n", ["line 2", "column top", "'1e99'"], id="1e99"),
        pytest.param("time_s,top\n0,-300\n", ["line 2", "column top"], id="below absolute zero"),
        pytest.param("time_s,top\n0,1_0\n", ["line 2", "column top"], id="underscore"),
        pytest.param("time_s,top\n0,\u0662\n", ["line 2", "column top"], id="foreign digit"),
        pytest.param("time_s,top\n5,20\n4,20\n", ["line 3", "column time_s"], id="backwards"),
        pytest.param("time_s,top\n5,20\n5,20\n", ["line 3", "column time_s"], id="standing"),
        pytest.param("time_s,top\nnan,20\n", ["line 2", "column time_s"], id="time nan"),
        pytest.param("time_s,top\n,20\n", ["line 2", "column time_s", "missing"], id="no time"),
        pytest.param("time_s,top\nnoon,20\n", ["line 2", "column time_s"], id="time a word"),
        pytest.param("time_s,top\n0,20\n9e9,20\n", ["line 3", "100 days"], id="endless gap"),
        pytest.param("time_s,top\n1e12,20\n", ["line 2", "column time_s"], id="milliseconds"),
        pytest.param("time,top\n12:00,20\n", ["line 2", "column time", "ISO"], id="no ISO time"),
        pytest.param(
            "time,top\n2026-05-02T09:00:00Z,20\n2026-05-02T09:00:01,20\n",
            ["line 3", "column time", "UTC"],
            id="offset here and not there",
        ),
        pytest.param("time_s,a,b\n0,20\n", ["line 2", "column b", "2 fields"], id="short row"),
        pytest.param("time_s,a\n0,20,21\n", ["line 2", "3 fields", "2 columns"], id="long row"),
        pytest.param("time_s,a\n0,1\n\n2,1\n", ["line 3", "empty"], id="blank line inside"),
        pytest.param('time_s,a\n0,"20\n1,2\n', ["line 2", "quoted"], id="open quote"),
        pytest.param(b"time_s,a\n0,\xff\n", ["line 2", "UTF-8", "0xff"], id="no text"),
        pytest.param(b"\x7fELF\0\0\0", ["line 1", "zero byte"], id="a program"),
        pytest.param("time_s,a".encode("utf-16"), ["line 1"], id="UTF-16"),
        pytest.param(b"time_s," + b"x" * LONGEST_LINE_BYTES, ["line 1", "65536"], id="long line"),
        pytest.param(b"time_s,a\n" + b"1" * 70000, ["line 2", "65536"], id="long data line"),
    ],
)
def test_fault_is_told_in_one_line(data: bytes | str, words: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        read(data)
    message = str(caught.value)
    assert "\n" not in message and len(message) < 300
    assert "; " in message, "it has to say what to do"
    assert message.startswith("r.csv: ")
    for word in words:
        assert word in message


def test_rows_before_the_fault_come_first() -> None:
    table = ReadingTable(io.BytesIO(b"time_s,a\n0,1\n1,2\n2,x\n"), "r.csv")
    rows = table.rows()
    assert list(islice(rows, 2)) == [(0.0, (1.0,)), (1.0, (2.0,))]
    with pytest.raises(InputError, match="line 4, column a"):
        next(rows)


@pytest.mark.parametrize("make", ["absent", "directory", "two\nlines"])
def test_what_is_no_file_is_told(tmp_path: Path, make: str) -> None:
    path = tmp_path / make
    if make == "directory":
        path.mkdir()
    for look in (open_table, check_table):
        if look is check_table and make == "directory":
            continue
        with pytest.raises(InputError) as caught:
            look(path)
        assert "\n" not in str(caught.value)


def test_check_table_finds_the_last_line(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text("time_s,a\n" + "".join(f"{i},20\n" for i in range(5000)) + "5000,?\n")
    with pytest.raises(InputError, match="line 5002, column a"):
        check_table(path)
    path.write_text("time_s,a\n0,20\n")
    check_table(path)


def test_endless_pipe_is_read_as_it_comes(tmp_path: Path) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)

    writer = threading.Thread(target=_feed_for_ever, args=(path,), daemon=True)
    writer.start()
    check_table(path)
    with open_table(path) as table:
        assert len(list(islice(table.rows(), 10_000))) == 10_000
    writer.join(10)
    assert not writer.is_alive()


def _feed_for_ever(path: Path) -> None:
    with suppress(BrokenPipeError), path.open("wb") as stream:
        stream.write(b"time_s,a\n")
        for t_s in count():
            stream.write(b"%d,20\n" % t_s)


def test_write_table_refuses_a_row_of_another_width() -> None:
    with pytest.raises(ValueError, match="2 values for 1 sensors"):
        write_table(io.StringIO(), ["a"], [(0.0, (1.0, 2.0))])


temperatures = st.none() | st.floats(LOWEST_C, HIGHEST_C)
names = st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=12)


@given(
    st.lists(
        names.filter(lambda n: n not in ("time", "time_s")), min_size=1, max_size=4, unique=True
    ),
    st.lists(st.lists(temperatures, min_size=4, max_size=4), max_size=6),
    st.floats(-1e9, 1e9),
)
def test_what_is_written_reads_back(
    sensors: list[str], values: list[list[float | None]], start_s: float
) -> None:
    rows: list[Row] = [(start_s + i, tuple(row[: len(sensors)])) for i, row in enumerate(values)]
    stream = io.StringIO()
    write_table(stream, sensors, rows)
    assert read(stream.getvalue()) == (tuple(sensors), rows)


@given(st.binary(max_size=400) | st.text('0123456789.,-\n\r"timesanf_ ', max_size=200))
def test_any_bytes_give_rows_or_one_line(data: bytes | str) -> None:
    raw = data.encode() if isinstance(data, str) else data
    for head in (b"", b"time_s,a\n"):
        try:
            _, rows = read(head + raw)
        except InputError as error:
            assert "\n" not in str(error)
        else:
            assert all(math.isfinite(t_s) for t_s, _ in rows)
