"""A board obeys what a hall says that it has: whatever is lost, comes twice or is put back."""

from __future__ import annotations

import copy
import json
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillair.hall.catching_up import MOST_LANES, Batch, Lane, Progress, Spans, is_known
from stillair.hall.messages import HallMessage, TakenMessage
from stillair.hall.obeying import WAIT_S, Heard, Mode
from stillair.storage.onward import NextReadings

SENSORS = ("top", "low")
HALL = "0a0a0a0a0a0a"
BEGIN_MS = 10**9


@dataclass
class Hall:
    """A taker as the messages ask for it: within a lane nothing earlier, and no older lane."""

    mark: str = HALL
    lane: int = 0
    sensors: dict[str, int] = field(default_factory=dict)
    got: set[tuple[str, int]] = field(default_factory=set)

    def take(self, batch: Batch) -> None:
        if batch.lane.number < self.lane:
            return
        if batch.lane.number > self.lane:
            self.lane, self.sensors = batch.lane.number, {}
        for sensor, (times_ms, _) in batch.found.pieces.items():
            for at_ms in times_ms.tolist():
                if at_ms > self.sensors.get(sensor, -1):
                    self.got.add((sensor, at_ms))
                    self.sensors[sensor] = at_ms

    def word(self, seq: int = 0, parcel: str = "") -> TakenMessage:
        return TakenMessage(
            hall=self.mark,
            board="b",
            chamber="c",
            seq=seq,
            parcel=parcel,
            lane=self.lane,
            sensors=dict(self.sensors),
        )


class Board:
    """An archive by labels, and how far its readings have been handed on."""

    def __init__(self) -> None:
        self.archive: list[tuple[str, int]] = []
        self.progress = Progress(dict.fromkeys(SENSORS, BEGIN_MS))
        self.kept = json.dumps(self.progress.kept())
        self.turns, self.kept_ms = 0, 0

    def add(self, sensor: str, at_ms: int, uptime_ms: int) -> None:
        self.archive.append((sensor, at_ms))
        self.progress.told([(sensor, at_ms)])
        # Each minute, and where a clock was set back at once.
        if self.progress.turns != self.turns or uptime_ms - self.kept_ms > 60_000:
            self.kept, self.kept_ms = json.dumps(self.progress.kept()), uptime_ms
            self.turns = self.progress.turns

    def killed(self) -> None:
        self.progress = Progress.read(json.loads(self.kept))
        self.turns = self.progress.turns

    def hears(self, word: TakenMessage) -> None:
        if self.progress.hall != word.hall:
            self.progress.begins_for(word.hall, since_ms=BEGIN_MS)
        self.progress.obeys(word, is_known=True)

    def batch(self, most: int = 4) -> Batch | None:
        while (owed := self.progress.owed()) is not None:
            lane, spans_ms = owed
            found = self._read(spans_ms, most)
            assert self.progress.is_owed(lane, spans_ms)
            lane.found(spans_ms, found)
            if found.pieces:
                return Batch(lane, found)
        return None

    def _read(self, spans_ms: Spans, most: int) -> NextReadings:
        """As the archive does: in the order of labels over all sensors."""
        last_ms = max(until_ms for _, until_ms in spans_ms.values())
        inside = sorted(
            (at_ms, sensor)
            for sensor, at_ms in set(self.archive)
            if sensor in spans_ms and spans_ms[sensor][0] < at_ms <= spans_ms[sensor][1]
        )
        through_ms = inside[most - 1][0] if len(inside) > most else last_ms
        pieces = {}
        for sensor in spans_ms:
            times = [at_ms for at_ms, name in inside if name == sensor and at_ms <= through_ms]
            if times:
                pieces[sensor] = (np.array(times), np.zeros(len(times), np.int64))
        return NextReadings(pieces, through_ms, through_ms < last_ms)


class Play:
    """Both, and what is under way between them."""

    def __init__(self) -> None:
        self.board, self.hall = Board(), Hall()
        self.now_ms, self.uptime_ms = BEGIN_MS, 0
        self.old = [copy.deepcopy(self.hall)]
        self.words: list[TakenMessage] = []
        self.sent: Batch | None = None
        self.again = 0  # readings that were sent though the board could know that they were taken
        self.met()

    def met(self) -> None:
        """On a new connection, or from a hall that begins to take, the newest word comes first."""
        self.is_in = True
        self.sent, self.words = None, [self.hall.word()]
        self.board.hears(self.words[-1])

    def reads(self, which: str, step_ms: int) -> None:
        self.now_ms += step_ms
        self.uptime_ms += step_ms
        self.board.add(which, self.now_ms, self.uptime_ms)

    def killed(self) -> None:
        self.is_in, self.sent = False, None
        self.board.killed()

    def send(self) -> None:
        if not self.is_in:
            return
        is_told = self.board.progress.hall == HALL and self.words[-1] == self.hall.word()
        self.sent = self.board.batch()
        if self.sent is not None and is_told:
            pieces = self.sent.found.pieces.items()
            sent = {(sensor, at) for sensor, (times, _) in pieces for at in times.tolist()}
            self.again += len(sent & self.hall.got)

    def take(self) -> None:
        if self.sent is not None:
            self.hall.take(self.sent)

    def answer(self) -> None:
        if self.is_in:
            self.words.append(self.hall.word())
            self.board.hears(self.words[-1])

    def hear_again(self, which: int) -> None:
        """One word comes twice, or late; the newest comes behind it, as it is kept."""
        if self.is_in:
            self.board.hears(self.words[which % len(self.words)])
            self.board.hears(self.words[-1])

    def put_back(self, which: int) -> None:
        """The hall's store is an older one: it says so before it takes again."""
        self.hall = copy.deepcopy(self.old[which % len(self.old)])
        self.met()

    def end(self) -> None:
        for sensor in SENSORS:
            self.reads(sensor, 200_000)
        self.met()
        for _ in range(1000):
            self.send()
            if self.sent is None:
                return
            self.take()
            self.answer()
        raise AssertionError("it never ends")


STEPS = st.one_of(
    st.tuples(st.just("reads"), st.sampled_from(SENSORS), st.integers(1, 9_000)),
    st.tuples(st.just("reads"), st.sampled_from(SENSORS), st.integers(1, 9_000)),
    st.tuples(st.just("send")),
    st.tuples(st.just("take")),
    st.tuples(st.just("answer")),
    st.tuples(st.just("hear_again"), st.integers(0, 9)),
    st.tuples(st.just("save")),
    st.tuples(st.just("put_back"), st.integers(0, 9)),
    st.tuples(st.just("killed")),
    st.tuples(st.just("met")),
    st.tuples(st.just("back"), st.integers(1, 60_000)),
)


def played(steps: list[Any], *, far: bool) -> Play:
    play = Play()
    for what, *more in steps:
        match what:
            case "save":
                play.old.append(copy.deepcopy(play.hall))
            case "back":  # somebody sets the clock
                play.now_ms -= 50_000_000 if far else min(more[0], play.now_ms - BEGIN_MS)
            case _:
                getattr(play, what)(*more)
    play.end()
    return play


@settings(max_examples=200)
@given(st.lists(STEPS, max_size=60))
def test_whatever_is_lost_or_put_back_nothing_is_left_out(steps: list[Any]) -> None:
    play = played(steps, far=False)
    assert play.hall.got >= set(play.board.archive)
    assert len(play.board.progress.lanes) <= MOST_LANES


@settings(max_examples=200)
@given(st.lists(STEPS, max_size=60))
def test_what_the_hall_has_is_not_sent_again(steps: list[Any]) -> None:
    # Where clocks are set, no label is used twice: of two readings of one nobody can tell which.
    play = played(steps, far=True)
    assert play.hall.got >= set(play.board.archive)
    if len(play.board.progress.lanes) < MOST_LANES:
        assert not play.again


# --- single cases -------------------------------------------------------------------------


def test_progress_of_before_halls_answered_is_read() -> None:
    old = {
        "seq": 7,
        "parcel": "one",
        "lanes": [{"sent": {"top": 5}, "known": {"top": 9}}, {"sent": {"top": 2}, "known": {}}],
    }
    progress = Progress.read(old)
    assert (progress.seq, progress.parcel, progress.hall) == (7, "one", "")
    assert [(lane.number, lane.sent) for lane in progress.lanes] == [
        (0, {"top": 5}),
        (1, {"top": 2}),
    ]
    again = Progress.read(json.loads(json.dumps(progress.kept())))
    assert again.kept() == progress.kept()


@pytest.mark.parametrize(
    "more",
    [
        {"hall": 3},
        {"lanes": [{"number": -1, "sent": {}, "known": {}}]},
        {"lanes": [{"number": "1", "sent": {}, "known": {}}]},
        {"lanes": [{"number": 1, "first": 2, "sent": {}, "known": {}}]},
        {"lanes": [{"number": n, "sent": {}, "known": {}} for n in (2, 1)]},
        {"lanes": [{"begins": [], "sent": {}, "known": {}}]},
    ],
)
def test_progress_with_a_hall_that_is_none_is_refused(more: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="it"):
        Progress.read({**Progress({}).kept(), **more})


def word(seq: int, parcel: str = "one", *, hall: str = HALL, **more: Any) -> TakenMessage:
    told = {"hall": hall, "board": "b", "chamber": "c", "seq": seq, "parcel": parcel, "sensors": {}}
    return TakenMessage.model_validate({**told, **more})


def test_a_hall_that_has_less_is_told_again_and_one_whose_row_is_unknown_all() -> None:
    progress = Progress({}, seq=20, parcel="twenty")
    progress.begins_for(HALL, since_ms=0)
    assert progress.seq == 0
    progress.obeys(word(20), is_known=True)
    assert progress.seq == 20
    progress.obeys(word(12), is_known=True)
    assert (progress.seq, progress.parcel) == (12, "one")
    progress.passed(13, "too long for anybody")
    assert not progress.is_news(word(12))
    progress.obeys(word(12), is_known=True)
    assert progress.seq == 13, "the same word again is no news"
    progress.obeys(word(90), is_known=is_known(90, "one", last_seq=40, found=None))
    assert progress.seq == 0, "it has more than there is: another journal"
    assert not is_known(9, "one", last_seq=40, found="another")
    assert is_known(9, "one", last_seq=40, found=None), "erased, or given up"


def test_another_hall_gets_the_readings_of_the_day_before_and_what_it_missed() -> None:
    progress = Progress({"top": 100})
    progress.told([("top", 200), ("top", 900)])
    progress.begins_for("first", since_ms=100)
    progress.obeys(word(0, "", hall="first", sensors={"top": 900}), is_known=True)
    assert progress.owed() is None
    progress.begins_for("second", since_ms=500)
    lane, spans_ms = progress.owed() or (None, {})
    assert spans_ms == {"top": (500, 900)}
    assert isinstance(lane, Lane)
    progress.begins_for("first", since_ms=850)
    progress.obeys(word(0, "", hall="first", sensors={"top": 300}), is_known=True)
    assert (progress.owed() or (None, {}))[1] == {"top": (300, 900)}


def test_a_word_far_ahead_stops_nothing() -> None:
    progress = Progress({"top": 0})
    progress.begins_for(HALL, since_ms=0)
    progress.told([("top", 1000)])
    progress.obeys(word(0, "", sensors={"top": 10**14 - 1}), is_known=True)
    progress.told([("top", 2000)])
    lanes = [lane.number for lane in progress.lanes if lane.spans_ms]
    assert lanes
    assert min(lanes) > 0
    progress.obeys(word(0, "", lane=2**52 - 1), is_known=True)
    progress.told([("top", 3000)])
    Progress.read(json.loads(json.dumps(progress.kept())))


# --- what is heard ------------------------------------------------------------------------


def says(state: str, hall: str = HALL) -> bytes:
    told = {"hall": hall, "state": state, "at": "2026-05-02T09:00:00Z"}
    return HallMessage.model_validate(told).payload()


def said(heard: Heard) -> TakenMessage | None:
    return heard.word


def test_without_a_hall_the_broker_confirms_after_two_seconds() -> None:
    heard = Heard("b", "c", 0.0)
    heard.let_in(5.0)
    assert heard.mode(5.0 + WAIT_S - 0.1) is Mode.WAITING
    assert heard.mode(5.0 + WAIT_S) is Mode.CONFIRMED


def test_a_hall_that_takes_is_obeyed_once_its_word_is_there_or_after_two_seconds() -> None:
    heard = Heard("b", "c", 0.0)
    heard.says(says("taking"), 0.5)
    assert heard.mode(1.0) is Mode.WAITING
    heard.has(word(3, hall="another").payload())
    assert heard.mode(1.0) is Mode.WAITING
    assert said(heard) is None
    heard.has(word(3).payload())
    assert heard.mode(1.0) is Mode.OBEYING
    assert said(heard) == word(3)
    for state in ("ended", "silent"):
        heard.says(says(state), 9.0)
        assert heard.mode(9.0) is Mode.KEEPING
        assert heard.mode(99.0) is Mode.KEEPING
        assert said(heard) is None
    heard.says(says("taking"), 100.0)
    assert heard.mode(100.0) is Mode.OBEYING, "the word is known"
    heard.has(b"")
    assert heard.mode(103.0) is Mode.OBEYING
    assert said(heard) is None
    heard.says(b"", 110.0)
    assert heard.mode(110.0 + WAIT_S) is Mode.CONFIRMED, "no hall is there any more"


@pytest.mark.parametrize("payload", [b"{", b"[]", b'{"v": 2, "state": "taking"}', b"\xff" * 99])
def test_a_hall_that_nobody_understands_takes_nothing(payload: bytes) -> None:
    heard = Heard("b", "c", 0.0)
    with pytest.raises(ValueError, match="HallMessage"):
        heard.says(payload, 1.0)
    assert heard.mode(10.0) is Mode.KEEPING


@pytest.mark.parametrize(
    "payload",
    [
        b"[",
        word(1, chamber="another").payload(),
        word(1).payload().replace(b'"seq":1', b'"seq":-1'),
        word(1).payload().replace(b'"seq":1', b'"seq":9223372036854775808'),
        word(1).payload().replace(b'"sensors":{}', b'"sensors":{"top":100000000000000}'),
        word(1).payload().replace(b'"sensors":{}', b'"sensors":{"%s":1}' % (b"x" * 201)),
    ],
)
def test_a_word_that_is_none_changes_nothing(payload: bytes) -> None:
    heard = Heard("b", "c", 0.0)
    heard.says(says("taking"), 0.0)
    heard.has(word(3).payload())
    with pytest.raises(ValueError, match=r"TakenMessage|another chamber"):
        heard.has(payload)
    assert heard.word == word(3)
