"""What a hall is owed, what stands in the messages for it, and what is kept of both."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kept_things import BOOT, CHAMBER, note
from stillair.clock import ManualClock
from stillair.hall.catching_up import MOST_LANES, Batch, Progress, pause_s
from stillair.hall.cursors import FILE_NAME, Cursors
from stillair.hall.messages import (
    LARGEST_BYTES,
    MESSAGES,
    MOST_READINGS,
    Form,
    HallMessage,
    ReadingsMessage,
    TakenMessage,
)
from stillair.hall.obeying import WAIT_S, Heard
from stillair.hall.publisher import Watch
from stillair.hall.rows import TAKEN_S, Ledger, Rows
from stillair.model import Outcome
from stillair.storage.archive import Archive
from stillair.storage.journal import Journal
from stillair.storage.onward import NextReadings, Onward
from stillair.storage.packing import MISSING, UNITS_PER_K
from stillair.storage.readings import Readings
from stillair.storage.records import Parcel

FORM = Form(
    prefix="shed", board="0123456789ab", chamber="north-bench", name="north bench", simulated=True
)


class Kept:
    """An archive on the disk, and what a taker has got of it."""

    def __init__(self, folder: Path) -> None:
        self.archive = Archive(folder / "archive.db")
        self.archive.ready()
        self.onward = Onward(folder / "journal.db", Readings(self.archive.path, self.archive))
        self.got: list[tuple[str, int]] = []

    def close(self) -> None:
        self.onward.close()
        self.archive.close()

    def add(self, progress: Progress, sensor: str, at_ms: int) -> None:
        self.archive.add("north-bench", sensor, at_ms / 1000, 20.0 + at_ms % 7)
        progress.told([(sensor, at_ms)])

    def batch(self, progress: Progress, most: int = 5) -> Batch | None:
        if (owed := progress.owed()) is None:
            return None
        lane, spans_ms = owed
        found = self.onward.readings("north-bench", spans_ms, most)
        lane.found(spans_ms, found)
        return Batch(lane, found)

    def take(self, progress: Progress, batch: Batch) -> None:
        for sensor, (times_ms, _) in batch.found.pieces.items():
            self.got += [(sensor, at_ms) for at_ms in times_ms.tolist()]
        progress.taken(batch)

    def take_all(self, progress: Progress, most: int = 5) -> None:
        for _ in range(1000):
            if (batch := self.batch(progress, most)) is None:
                return
            self.take(progress, batch)
        raise AssertionError("it never ends")


@pytest.fixture
def kept(tmp_path: Path) -> Any:
    found = Kept(tmp_path)
    yield found
    found.close()


def test_readings_go_in_the_order_of_time_over_all_sensors_each_once(kept: Kept) -> None:
    progress = Progress({"top": 0, "low": 0})
    given = [(name, 1000 * i + j) for i in range(1, 60) for j, name in enumerate(("top", "low"))]
    for sensor, at_ms in given:
        kept.add(progress, sensor, at_ms)
    last_ms = 0
    while (batch := kept.batch(progress, most=7)) is not None:
        instants = [at for times, _ in batch.found.pieces.values() for at in times.tolist()]
        assert len(instants) <= 7
        assert min(instants) > last_ms
        last_ms = max(instants)
        kept.take(progress, batch)
    assert sorted(kept.got) == sorted(given)


def test_a_batch_that_nobody_confirms_is_owed_still(kept: Kept) -> None:
    progress = Progress({"top": 0})
    for at_ms in range(1000, 9000, 1000):
        kept.add(progress, "top", at_ms)
    first, second = kept.batch(progress), kept.batch(progress)
    assert first is not None
    assert second is not None
    assert first.found.pieces["top"][0].tolist() == second.found.pieces["top"][0].tolist()


def test_a_sensor_that_has_fallen_silent_holds_up_no_other(kept: Kept) -> None:
    progress = Progress({"top": 0, "low": 0, "gone": 0})
    kept.add(progress, "low", 1000)
    for at_ms in range(10_000_000, 10_200_000, 1000):  # hours later, behind the span looked at
        kept.add(progress, "top", at_ms)
    kept.take_all(progress, most=50)
    assert kept.got[0] == ("low", 1000)
    assert len(kept.got) == 201
    assert progress.owed() is None


def test_after_the_clock_was_set_back_what_comes_is_handed_on_at_once(kept: Kept) -> None:
    progress = Progress({"top": 0})
    for at_ms in (100_000, 101_000, 102_000):
        kept.add(progress, "top", at_ms)
    kept.take_all(progress)
    for at_ms in (50_000, 51_000):
        kept.add(progress, "top", at_ms)
    kept.take_all(progress)
    assert [at for _, at in kept.got] == [100_000, 101_000, 102_000, 50_000, 51_000]


def test_what_was_owed_before_the_clock_was_set_back_goes_first(kept: Kept) -> None:
    progress = Progress({"top": 0})
    for at_ms in (100_000, 101_000, 50_000, 51_000):
        kept.add(progress, "top", at_ms)
    kept.take_all(progress)
    assert {at for _, at in kept.got} == {100_000, 101_000, 50_000, 51_000}
    assert [at for _, at in kept.got].index(101_000) < len(kept.got) - 1


def test_a_word_on_a_batch_from_before_the_clock_was_set_back_moves_nothing_else(
    kept: Kept,
) -> None:
    progress = Progress({"top": 0})
    for at_ms in (100_000, 101_000):
        kept.add(progress, "top", at_ms)
    batch = kept.batch(progress)
    assert batch is not None
    kept.add(progress, "top", 50_000)
    kept.take(progress, batch)
    kept.take_all(progress)
    assert ("top", 50_000) in kept.got


@settings(max_examples=25)  # each makes an archive; more are played in test_hall_words.py
@given(st.lists(st.tuples(st.sampled_from(["top", "low"]), st.integers(1, 400)), max_size=80))
def test_however_the_clock_is_set_nothing_is_left_out(
    tmp_path_factory: pytest.TempPathFactory, readings: list[tuple[str, int]]
) -> None:
    kept = Kept(tmp_path_factory.mktemp("kept"))
    try:
        progress = Progress({"top": 0, "low": 0})
        under_way: Batch | None = None
        for number, (sensor, second) in enumerate(readings):
            kept.add(progress, sensor, 1000 * second)
            if number % 3 == 0:
                under_way = kept.batch(progress)
            elif number % 3 == 2 and under_way is not None:
                kept.take(progress, under_way)
                under_way = None
            if number % 11 == 10:  # the next process
                under_way = None
                progress = Progress.read(json.loads(json.dumps(progress.kept())))
        kept.take_all(progress)
        assert {(s, 1000 * at) for s, at in readings} == set(kept.got)
        assert len(progress.lanes) <= MOST_LANES
    finally:
        kept.close()


def test_a_journal_that_began_anew_is_owed_whole() -> None:
    def after(last_seq: int, parcel: str | None) -> int:
        progress = Progress({}, seq=7, parcel="one")
        progress.resumed(last_seq=last_seq, parcel=parcel)
        return progress.seq

    assert after(9, "one") == 7
    assert after(9, None) == 7  # the row was given up, others came
    assert after(9, "another") == 0
    assert after(3, None) == 0


@pytest.mark.parametrize(
    "kept",
    [
        None,
        [],
        {},
        {"seq": 1, "parcel": ""},
        {"seq": -1, "parcel": "", "lanes": [{"sent": {}, "known": {}}]},
        {"seq": True, "parcel": "", "lanes": [{"sent": {}, "known": {}}]},
        {"seq": 1, "parcel": "", "lanes": []},
        {"seq": 1, "parcel": "", "lanes": [{"sent": {}}]},
        {"seq": 1, "parcel": "", "lanes": [{"sent": {"top": 10**15}, "known": {}}]},
        {"seq": 1, "parcel": "", "lanes": [{"sent": {"top": 1.5}, "known": {}}]},
        {"seq": 1, "parcel": "", "lanes": [{"sent": {}, "known": {}}] * (MOST_LANES + 1)},
    ],
)
def test_progress_that_is_none_is_refused(kept: object) -> None:
    with pytest.raises(ValueError, match="it"):
        Progress.read(kept)


def test_a_watch_that_only_begins_is_not_said_to_be_stuck() -> None:
    watch = Watch()
    said = [watch.state(t_s >= 3, float(t_s)) for t_s in range(5)]
    assert said == [None, None, None, "watching", "watching"]
    assert [watch.state(False, t_s) for t_s in (5.0, 14.9, 15.0)] == [None, None, "stuck"]


def test_pauses_grow_to_a_quarter_of_a_minute_and_spread() -> None:
    assert [pause_s(n, 0.5) for n in (1, 2, 3, 9, 1000)] == [2.0, 4.0, 8.0, 10.0, 10.0]
    assert pause_s(1000, 1.0) == 15.0
    assert pause_s(1000, 1.0, 10.0) == pytest.approx(10.0)
    assert pause_s(1, 0.0) == 1.0
    assert pause_s(1, 1.0) == 3.0


# --- the file -----------------------------------------------------------------------------


def cursors(folder: Path, mark: str = "0123456789ab") -> Cursors:
    return Cursors(
        folder / FILE_NAME,
        make_mark=lambda: mark,
        wall=lambda: datetime(2026, 5, 2, 9, 0, tzinfo=UTC),
    )


def test_the_board_keeps_its_mark_and_how_far_each_chamber_is(tmp_path: Path) -> None:
    first = cursors(tmp_path)
    assert first.board() == "0123456789ab"
    assert first.of("north-bench") is None
    progress = Progress({"top": 5}, seq=3, parcel="one")
    first.keep("north-bench", progress.kept())
    second = cursors(tmp_path, "another")
    assert second.board() == "0123456789ab"
    again = second.of("north-bench")
    assert again is not None
    assert again.kept() == progress.kept()
    assert second.of("south-bench") is None


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"v":1}', b"[" * 100_000, b"\xff" * 99])
def test_a_damaged_file_is_set_aside(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE_NAME).write_bytes(content)
    assert cursors(tmp_path).board() == "0123456789ab"
    assert len(list(tmp_path.iterdir())) == 2


# --- messages -----------------------------------------------------------------------------


def test_readings_come_out_as_they_were_measured() -> None:
    units = np.array([451_250_000, MISSING, round(20.0625 * UNITS_PER_K), 203_000_000])
    times_ms = np.array([1000, 2000, 3000, 4000])
    payload = FORM.readings(NextReadings({"top": (times_ms, units)}, 4000, False), lane=2)
    told = ReadingsMessage.model_validate_json(payload)
    assert told.lane == 2
    assert told.sensors["top"].at_ms == [1000, 2000, 3000, 4000]
    assert told.sensors["top"].temperature_c == [45.125, None, 20.0625, 20.3]


def test_the_longest_batch_keeps_within_its_bound() -> None:
    names = [f"{number:02d}" + "ü" * 58 for number in range(64)]
    share = -(-MOST_READINGS // len(names))
    times_ms = np.full(share, -99_999_999_999_999)
    units = np.full(share, -1_234_567_891)
    found = NextReadings(dict.fromkeys(names, (times_ms, units)), 0, False)
    assert len(FORM.readings(found, 2**53)) <= LARGEST_BYTES


# --- what is under way to a hall ----------------------------------------------------------


class Wire:
    """A connection whose broker confirms at once: what was published on it."""

    is_in = True

    def __init__(self, largest_bytes: int = 2 * LARGEST_BYTES) -> None:
        self.largest_bytes = largest_bytes
        self.sent: list[Any] = []

    def may(self, _kind: str) -> bool:
        return True

    def publish(
        self, kind: str, _topic: str, payload: bytes, done: Callable[[], None], **_: Any
    ) -> None:
        assert len(payload) <= self.largest_bytes
        self.sent.append(MESSAGES[kind].model_validate_json(payload))
        done()


class Entries:
    """Notes in a journal on the disk, and a hall to which they go."""

    def __init__(self, folder: Path, texts: list[str], wire: Wire) -> None:
        self.wire: Any = wire
        with closing(Journal.open(folder / "journal.db")) as journal:
            outcomes = [Outcome(CHAMBER, 100.0, notes=(note(text),)) for text in texts]
            journal.commit_all([Parcel(outcome, BOOT) for outcome in outcomes])
        self._clock = ManualClock()
        self._onward = Onward(folder / "journal.db", Readings(folder / "archive.db"))
        self._rows = Rows(
            Ledger(last_seq=lambda: len(texts), cleaned=lambda body: body),
            self._onward,
            cursors(folder),
            chamber=CHAMBER,
            sensors=(),
            every_s=5.0,
            clock=self._clock,
        )
        self._rows.ready()
        self._heard = Heard(FORM.board, FORM.chamber, self._clock.now_s())

    def takes(self, entries: int, *, seq: int = 0, parcel: str = "") -> None:
        """The hall has so much, and takes so many at once."""
        told: dict[str, Any] = {"hall": "a", "at": "2026-05-02T09:00:00Z", "entries": entries}
        self._heard.says(HallMessage(**told, state="taking").payload(), self._clock.now_s())
        self.has(seq, parcel)

    def has(self, seq: int, parcel: str) -> None:
        word: dict[str, Any] = {"board": FORM.board, "chamber": CHAMBER, "sensors": {}}
        self._heard.has(TakenMessage(hall="a", seq=seq, parcel=parcel, **word).payload())

    def go(self, seconds: float) -> list[list[int]]:
        """The numbers in each message that has gone out within so long."""
        before, until_s = len(self.wire.sent), self._clock.now_s() + seconds
        while self._clock.now_s() < until_s:
            self._clock.advance(0.5)
            for _ in range(3):  # a question to the disk is answered by another thread
                self._rows.hand_on(self.wire, FORM, self._heard)
                time.sleep(0.002)
        sent = self.wire.sent[before:]
        return [[told.seq, *(each.seq for each in told.more)] for told in sent]

    def close(self) -> None:
        self._onward.close()


def test_several_entries_go_to_a_hall_that_takes_them_and_only_its_word_moves_on(
    tmp_path: Path,
) -> None:
    with closing(Entries(tmp_path, [f"lap {n}" for n in range(1, 9)], Wire())) as of:
        of.takes(3)
        assert of.go(10.0) == [[1, 2, 3]]
        first = of.wire.sent[-1]
        assert first.after == 0
        assert of.go(TAKEN_S) == [[1, 2, 3]], "it has not said that it has it"
        of.has(first.more[0].seq, first.more[0].parcel)
        assert of.go(5.0) == [[3, 4, 5]], "it took a part of them"
        assert of.wire.sent[-1].after == 2
        of.has(5, of.wire.sent[-1].more[-1].parcel)
        assert of.go(5.0) == [[6, 7, 8]]
        of.has(1, first.parcel)
        assert of.go(5.0) == [[2, 3, 4]], "its store was put back"
        of.takes(1, seq=7, parcel=of.wire.sent[-2].more[0].parcel)
        assert of.go(5.0) == [[8]], "it takes one at a time"


@pytest.mark.parametrize(
    ("texts", "largest_bytes", "sent"),
    [
        pytest.param(["a" * 19_000] * 5, 2**20, [[1, 2, 3]], id="as many as a message holds"),
        pytest.param(["a" * 19_000] * 2, 30_000, [[1]], id="less where the broker bears less"),
        pytest.param(["a" * 19_000, "b"], 9_000, [[2]], id="one too long for it is left out"),
        pytest.param(["a"] * 300, 2**20, [list(range(1, 101))], id="what is read at once"),
    ],
)
def test_a_message_of_entries_stays_within_its_bounds(
    tmp_path: Path, texts: list[str], largest_bytes: int, sent: list[list[int]]
) -> None:
    with closing(Entries(tmp_path, texts, Wire(largest_bytes))) as of:
        of.takes(10_000)
        assert of.go(5.0) == sent


def test_what_a_hall_does_not_say_that_it_has_is_sent_again_after_a_while(kept: Kept) -> None:
    clock = ManualClock()
    folder = kept.archive.path.parent
    rows = Rows(
        Ledger(last_seq=lambda: 0, cleaned=lambda body: body),
        kept.onward,
        cursors(folder),
        chamber="north-bench",
        sensors=("top",),
        every_s=5.0,
        clock=clock,
    )
    Journal.open(folder / "journal.db").close()
    now_ms = round(clock.wall().timestamp() * 1000)
    kept.archive.add("north-bench", "top", now_ms / 1000, 20.0)
    rows.told("top", now_ms)
    rows.ready()
    wire: Any = Wire()
    heard = Heard(FORM.board, FORM.chamber, clock.now_s())
    told: dict[str, Any] = {"hall": "a", "at": "2026-05-02T09:00:00Z"}
    heard.says(HallMessage(**told, state="taking").payload(), clock.now_s())

    def go(seconds: float) -> int:
        """How many have gone out after so long."""
        until_s = clock.now_s() + seconds
        while clock.now_s() < until_s:
            clock.advance(0.5)
            for _ in range(3):  # a question to the disk is answered by another thread
                rows.hand_on(wire, FORM, heard)
                time.sleep(0.002)
        return len(wire.sent)

    assert go(WAIT_S - 0.5) == 0, "its word on us may still come"
    assert go(8.0) == 1
    assert go(TAKEN_S - 9.0) == 1
    assert not rows.ails
    assert go(10.0) == 2
    assert wire.sent[0] == wire.sent[1]
    assert "does not say" in rows.ails
    word: dict[str, Any] = {"board": FORM.board, "chamber": FORM.chamber, "seq": 0, "parcel": ""}
    heard.has(TakenMessage(**word, hall="a", sensors={"top": now_ms}).payload())
    assert go(30.0) == 2
    assert not rows.ails
    heard.says(HallMessage(**told, state="silent").payload(), clock.now_s())
    kept.archive.add("north-bench", "top", now_ms / 1000 + 1.0, 20.0)
    rows.told("top", now_ms + 1000)
    assert go(30.0) == 2
    assert "out of reach" in rows.ails
    heard.says(b"", clock.now_s())
    assert go(WAIT_S + 6.0) == 3, "no hall any more: the broker's word counts"
    assert go(30.0) == 3
    assert not rows.ails
