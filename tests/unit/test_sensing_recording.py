"""A recorded file played as if its sensors were there now."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from stillair.clock import Clock, FasterClock, ManualClock
from stillair.errors import InputError, ReadingFault, SensorError
from stillair.sensing.recording import AtEnd, Recording, RecordingSensor

THREE_ROWS = "time_s,top,low\n100,40,30\n101,41,31\n103,43,\n"


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(5000.0)


Play = Callable[..., tuple[Recording, RecordingSensor]]


@pytest.fixture
def play(tmp_path: Path, clock: ManualClock) -> Iterator[Play]:
    """Play a text as a recording, with a sensor on its first column."""
    made: list[Recording] = []

    def start(
        text: str, at_end: AtEnd = "stop", on: Clock = clock
    ) -> tuple[Recording, RecordingSensor]:
        path = tmp_path / "day.csv"
        path.write_text(text)
        recording = Recording(path, on, at_end)
        made.append(recording)
        return recording, RecordingSensor("top", recording, recording.sensors[0])

    yield start
    for recording in made:
        recording.close()
        recording.close()


def test_rows_are_due_as_the_clock_gets_to_them(play: Play, clock: ManualClock) -> None:
    recording, top = play(THREE_ROWS)
    low = RecordingSensor("bottom", recording, "low")
    told = []
    for _ in range(4):
        told.append((top.read(), low.read()))
        clock.advance(1.0)
    assert told[:3] == [(40.0, 30.0), (41.0, 31.0), (None, None)]
    assert told[3] == (43.0, None), "an empty field is nothing new"


def test_each_value_is_given_once_and_the_newest(play: Play, clock: ManualClock) -> None:
    _, top = play(THREE_ROWS)
    clock.advance(1.5)
    assert [top.read(), top.read()] == [41.0, None]


def test_a_column_keeps_its_value_past_rows_where_it_is_empty(
    play: Play, clock: ManualClock
) -> None:
    recording, _ = play(THREE_ROWS)
    clock.advance(10.0)
    assert RecordingSensor("low", recording, "low").read() == 31.0


def test_speed_is_the_clock_s(play: Play) -> None:
    base = ManualClock()
    _, top = play(THREE_ROWS, on=FasterClock(base, 60.0))
    assert top.read() == 40.0
    base.advance(0.02)  # 1.2 s of the chamber's time
    assert top.read() == 41.0


def test_the_end_is_told_one_interval_after_the_last_value(play: Play, clock: ManualClock) -> None:
    _, top = play(THREE_ROWS)
    clock.advance(3.0)
    assert top.read() == 43.0
    clock.advance(1.9)
    assert top.read() is None, "the next row of such a file could still come"
    clock.advance(0.1)
    for _ in range(2):
        with pytest.raises(SensorError, match="the recording has ended") as caught:
            top.read()
        assert caught.value.fault is ReadingFault.SILENT
        assert not caught.value.retry


def test_repeat_goes_on_with_the_first_row_one_interval_later(
    play: Play, clock: ManualClock
) -> None:
    _, top = play(THREE_ROWS, "repeat")
    told = []
    for _ in range(11):  # a round is 3 s of rows and the last interval of 2 s
        told.append(top.read())
        clock.advance(1.0)
    assert told == [40.0, 41.0, None, 43.0, None] * 2 + [40.0]


def test_repeat_skips_rounds_that_were_missed(play: Play, clock: ManualClock) -> None:
    _, top = play(THREE_ROWS, "repeat")
    clock.advance(5.0 * 1_000_000 + 1.0)
    values = [top.read() for _ in range(3)]
    assert values == [41.0, None, None], "on time again: 1 s into a round"
    clock.advance(2.0)
    assert top.read() == 43.0


def test_repeat_of_a_single_row_is_a_row_a_second(play: Play, clock: ManualClock) -> None:
    _, top = play("time_s,top\n0,40\n", "repeat")
    told = []
    for _ in range(4):
        told.append(top.read())
        clock.advance(0.5)
    assert told == [40.0, None, 40.0, None]


def test_a_fault_in_the_middle_is_told_from_then_on(play: Play, clock: ManualClock) -> None:
    _, top = play("time_s,top\n0,40\n1,41\n2,hot\n3,43\n")
    assert top.read() == 40.0
    clock.advance(1.0)
    assert top.read() == 41.0, "the row before the fault is still good"
    for _ in range(3):
        clock.advance(1.0)
        with pytest.raises(SensorError, match="line 4, column top: 'hot'") as caught:
            top.read()
        assert not caught.value.retry


def test_a_huge_jump_is_caught_up_in_bounded_steps(play: Play, clock: ManualClock) -> None:
    rows = "".join(f"{second},{second % 50}\n" for second in range(50_000))
    _, top = play("time_s,top\n" + rows)
    clock.advance(1e6)
    values = []
    for _ in range(3):
        values.append(top.read())
    assert values == [19_999 % 50, 39_999 % 50, 49_999 % 50]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        pytest.param("", "empty", id="empty"),
        pytest.param("time_s,top\n", "no row", id="header alone"),
        pytest.param("time_s,top\n0,inf\n", "'inf'", id="first row bad"),
        pytest.param("when,top\n0,1\n", "time_s", id="header bad"),
    ],
)
def test_a_file_of_no_use_is_refused(play: Play, text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        play(text)


def test_what_is_no_plain_file_is_refused(tmp_path: Path, clock: ManualClock) -> None:
    for path in (tmp_path, tmp_path / "absent.csv", Path("/dev/zero")):
        with pytest.raises(InputError, match="no such plain file"):
            Recording(path, clock)


def test_a_file_that_changes_between_rounds_is_told(
    play: Play, tmp_path: Path, clock: ManualClock
) -> None:
    path = tmp_path / "day.csv"
    _, top = play(THREE_ROWS, "repeat")
    clock.advance(3.0)
    path.write_text("time_s,other\n0,1\n")
    assert top.read() == 43.0
    with pytest.raises(SensorError, match="changed while it was played"):
        top.read()


def test_an_absent_column_is_refused_with_those_there_are(play: Play) -> None:
    recording, _ = play(THREE_ROWS)
    with pytest.raises(InputError, match="no column 'middle', only top, low"):
        RecordingSensor("middle", recording, "middle")
