"""How far one chamber has been handed on, and what is owed: pure.

What a board keeps is its queue: nothing waits in memory. Two cursors say where the taker
has got to, and they move only on the taker's word. Entries have one for the chamber (the
number of a row), readings one a sensor, in a `Lane`.

A lane is a stretch in which instants only grow. Where the clock is set back the next reading
is earlier than what was handed on, and a single cursor would leave out all until it comes by
again; so a new lane begins there, with a higher number, and what the old ones still owe is
handed on first. Lanes that owe nothing are remembered as well: a hall whose store was put back
to an older state is owed from there on.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from stillair.storage.onward import NextReadings

if TYPE_CHECKING:
    from stillair.hall.messages import TakenMessage

MOST_LANES = 8  # clocks set back so often; then the two oldest become one
LONGEST_NAME = 200
LAST_MS = 10**14
LONGEST_PAUSE_S = 15.0
LATE_MS = 60_000  # by so much one sensor's word may come behind another's
UNKEPT_MS = 120_000  # of the time before a crash, what was known may not have been written down
MOST_NUMBER = 2**53  # of a lane

_KEPT = ("begins", "sent", "known", "resumes")

Spans = dict[str, tuple[int, int]]


@dataclass(slots=True)
class Lane:
    """Readings of a stretch in which nobody set the clock back.

    Of each sensor: behind which instant its readings belong here (`begins`), the last instant
    that the taker has (`sent`), and the last that there is (`known`). `at_least_known`: there
    may be later ones than those, of which an earlier process could not tell any more. One that
    several have become holds those from `first` on, and all behind `resumes` but of that first.
    """

    number: int
    begins: dict[str, int]
    sent: dict[str, int]
    known: dict[str, int] = field(default_factory=dict)
    at_least_known: bool = False
    first: int = -1  # as `number` where it is one alone
    resumes: dict[str, int] = field(default_factory=dict)
    _new: set[str] = field(default_factory=set)  # known only since the last batch was begun
    _told: set[str] = field(default_factory=set)  # of which this process knows the last instant
    _empty: Spans = field(default_factory=dict)  # behind which instant, up to which there is none

    def __post_init__(self) -> None:
        self.first = self.number if self.first < 0 else self.first

    def told(self, sensor: str, at_ms: int) -> None:
        """There is a reading of that instant, later than all before it."""
        if sensor not in self.known:
            self._new.add(sensor)
        self._told.add(sensor)
        if self.at_least_known:
            self._was_heard((sensor,))
        self.sent.setdefault(sensor, self.begins.setdefault(sensor, at_ms - 1))
        self.known[sensor] = at_ms
        after_ms, until_ms = self._empty.get(sensor, (at_ms, at_ms))
        if at_ms <= until_ms:
            self._empty[sensor] = (after_ms, at_ms - 1)

    def last_ms(self, sensor: str) -> int | None:
        """The instant behind which the next reading of a sensor has to be."""
        instants = [each[sensor] for each in (self.known, self.sent) if sensor in each]
        if self.known:
            instants.append(max(self.known.values()) - LATE_MS)
        return max(instants, default=None)

    @property
    def spans_ms(self) -> Spans:
        """Of each sensor that owes any: behind which instant, and up to which."""
        if not self.known:
            return {}
        # One that nobody has heard yet may have been heard by the process before.
        others_ms = max(self.known.values()) - LATE_MS
        spans: Spans = {}
        for sensor, after_ms in self.sent.items():
            empty_ms, until_ms = self._empty.get(sensor, (after_ms, after_ms))
            if empty_ms <= after_ms <= until_ms:
                after_ms = until_ms
            until_ms = self.known.get(sensor, others_ms)
            if self.at_least_known:
                until_ms = max(until_ms, others_ms)
            if until_ms > after_ms:
                spans[sensor] = (after_ms, until_ms)
        return spans

    def begin(self) -> Spans:
        """The spans of a batch that is begun now."""
        self._new.clear()
        return self.spans_ms

    def found(self, spans_ms: Mapping[str, tuple[int, int]], found: NextReadings) -> None:
        """What lies in spans that `begin` gave: where nothing does, nobody looks again."""
        for sensor, (after_ms, until_ms) in spans_ms.items():
            if sensor in self._new:
                continue
            if sensor in found.pieces:
                last_ms = int(found.pieces[sensor][0][-1])
            else:
                before = self._empty.get(sensor, (after_ms, after_ms))
                last_ms = before[0] if before[1] == after_ms else after_ms
            if (to_ms := min(found.through_ms, until_ms)) > last_ms:
                self._empty[sensor] = (last_ms, to_ms)

    def _was_heard(self, sensors: Iterable[str]) -> None:
        """The process before may have heard them here, from where the lane began."""
        for sensor in sensors:
            if sensor not in self.begins and self.begins:
                self.begins[sensor] = min(self.begins.values()) - LATE_MS
            if sensor in self.begins:
                self.sent.setdefault(sensor, self.begins[sensor])

    def ends(self, sensors: Iterable[str]) -> None:
        """Nothing more will come here, of these or others."""
        if self.at_least_known and self.known:
            self._was_heard(sensors)
            last_ms = max(self.known.values()) + UNKEPT_MS
            self.known = dict.fromkeys(self.sent, last_ms)
        self.at_least_known = False

    def took(self, found: NextReadings) -> None:
        """The taker has all readings of a batch."""
        for sensor, (times_ms, _) in found.pieces.items():
            self.sent[sensor] = max(self.sent[sensor], int(times_ms[-1]))

    def took_all(self) -> None:
        """The taker has all that there is."""
        for sensor, (_, until_ms) in self.spans_ms.items():
            self.sent[sensor] = until_ms

    def took_up_to(self, sensors: Mapping[str, int]) -> None:
        """The taker has exactly this of each sensor."""
        self.begins = {**sensors, **self.begins}
        self.sent = {sensor: sensors.get(sensor, ms) for sensor, ms in self.begins.items()}

    def took_part(self, sensors: Mapping[str, int]) -> None:
        """The taker has this of one that has become part of this lane, and nothing behind it."""
        self.sent = {
            each: min(sensors.get(each, ms), self.resumes.get(each, LAST_MS))
            for each, ms in self.begins.items()
        }

    def took_none(self) -> None:
        """The taker has nothing of it."""
        self.sent = dict(self.begins)

    def foretold(self, sensors: Mapping[str, int]) -> bool:
        """Whether somebody has later ones than there are, so that they are of another lane."""
        return any(self.known[each] < sensors.get(each, self.known[each]) for each in self._told)


@dataclass(frozen=True, slots=True)
class Batch:
    """Readings that are under way to the taker."""

    lane: Lane
    found: NextReadings

    def is_in(self, word: TakenMessage) -> bool:
        """Whether a hall that says so has all of it."""
        if word.lane != self.lane.number:
            return word.lane > self.lane.number
        return all(
            word.sensors.get(sensor, -LAST_MS) >= int(times_ms[-1])
            for sensor, (times_ms, _) in self.found.pieces.items()
        )


class Progress:
    """How far a chamber is; for one thread.

    `hall` is the mark of the hall by whose words the cursors stand; "" where they stand by what
    the broker has confirmed, and nobody knows who took it. `changes` counts all that happens to
    them, `turns` what has to be written down at once.

    Parameters
    ----------
    sent : mapping
        For each sensor the last instant that counts as handed on, in ms since the epoch.
    seq, parcel : int, str
        The last row of the ledger that was, and the parcel by which it is known again.
    """

    def __init__(self, sent: Mapping[str, int], *, seq: int = 0, parcel: str = "") -> None:
        self.seq = seq
        self.parcel = parcel
        self.hall = ""
        self.changes = 0
        self.turns = 0
        self.lanes = [Lane(0, dict(sent), dict(sent))]  # the last is the one that grows
        self._said: tuple[int, str] | None = None  # the row that the hall said last

    def told(self, readings: Iterable[tuple[str, int]]) -> None:
        """There are new readings in the archive: sensors and instants, in order."""
        for sensor, at_ms in readings:
            last_ms = self.lanes[-1].last_ms(sensor)
            if last_ms is not None and at_ms <= last_ms:
                self._turn()
            if not self.lanes[-1].known:
                self.turns += 1  # only by what is known is a clock that is set back seen
            self.lanes[-1].told(sensor, at_ms)

    def _turn(self) -> None:
        """Somebody has set the clock back."""
        self.changes += 1
        self.lanes[-1].ends({sensor for lane in self.lanes for sensor in lane.begins})
        self.lanes.append(Lane(self.lanes[-1].number + 1, {}, {}))
        if len(self.lanes) > MOST_LANES:
            first, second, *others = self.lanes
            self.lanes = [_as_one((first, second), second.number), *others]

    def owed(self) -> tuple[Lane, Spans] | None:
        """Where the next readings are to be read from; None where the taker has all."""
        for lane in self.lanes:
            if spans_ms := lane.begin():
                return lane, spans_ms
        return None

    def is_owed(self, lane: Lane, spans_ms: Mapping[str, tuple[int, int]]) -> bool:
        """Whether what `owed` gave is still the next that the taker lacks."""
        first = next((each for each in self.lanes if each.spans_ms), None)
        now_ms = lane.spans_ms
        return first is lane and all(
            sensor in now_ms and now_ms[sensor][0] == after_ms
            for sensor, (after_ms, _) in spans_ms.items()
        )

    # --- the broker's word -----------------------------------------------------------

    def taken(self, batch: Batch) -> None:
        """Somebody has a batch of readings."""
        batch.lane.took(batch.found)
        self.hall = ""
        self.changes += 1

    def entry_taken(self, seq: int, parcel: str) -> None:
        """Somebody has the row of this number."""
        self.passed(seq, parcel)
        self.hall = ""

    def passed(self, seq: int, parcel: str) -> None:
        """The row of this number is for nobody."""
        self.seq, self.parcel = seq, parcel
        self.changes += 1

    def resumed(self, *, last_seq: int, parcel: str | None) -> None:
        """What the journal says at the start: its newest number, the parcel of row `seq`."""
        if not is_known(self.seq, self.parcel, last_seq=last_seq, found=parcel):
            self.seq, self.parcel = 0, ""

    # --- a hall's word ---------------------------------------------------------------

    def begins_for(self, hall: str, *, since_ms: int) -> None:
        """A hall takes that knows nothing of us: all entries, and readings from an instant on.

        Where it has known us those as well that it did not have then.
        """
        for place, lane in enumerate(self.lanes):
            begins = {
                sensor: max(ms, since_ms) if place else since_ms
                for sensor, ms in lane.begins.items()
            }
            lane.sent = _all(min, (begins, lane.sent)) if hall == self.hall else begins
        self.hall, self.seq, self.parcel = hall, 0, ""
        self._said = None
        self.changes += 1

    def is_news(self, word: TakenMessage) -> bool:
        """Whether a word names another row than the last one did, and than we have ourselves."""
        return (word.seq, word.parcel) not in ((self.seq, self.parcel), self._said)

    def obeys(self, word: TakenMessage, *, is_known: bool) -> None:
        """Go on from where the hall has us, also where that is less than it had.

        `is_known`: the row that it names stands in this journal, or stood there.
        """
        if self.is_news(word):
            self.seq, self.parcel = (word.seq, word.parcel) if is_known else (0, "")
        self._said = (word.seq, word.parcel)
        self.changes += 1
        newest = self.lanes[-1]
        if word.lane > newest.number or (
            word.lane == newest.number and newest.foretold(word.sensors)
        ):
            # It has a lane of us that we have forgotten, and would leave out what is earlier.
            forgotten = Lane(word.lane, dict(word.sensors), dict(word.sensors))
            self.lanes = [_as_one((*self.lanes, forgotten), word.lane + 1, owing=forgotten)]
            self.turns += 1
            return
        for lane in self.lanes:
            if lane.number < word.lane:
                lane.took_all()
            elif lane.number == word.lane:
                lane.took_up_to(word.sensors)
            elif lane.first <= word.lane:
                lane.took_part(word.sensors)
            else:
                lane.took_none()

    # --- kept ------------------------------------------------------------------------

    def kept(self) -> dict[str, Any]:
        """As it is kept: plain JSON."""
        return {
            "seq": self.seq,
            "parcel": self.parcel,
            "hall": self.hall,
            "lanes": [
                {
                    "number": lane.number,
                    "first": lane.first,
                    **{name: dict(getattr(lane, name)) for name in _KEPT},
                }
                for lane in self.lanes
            ],
        }

    @classmethod
    def read(cls, kept: Any) -> Progress:
        """What `kept` made, also before halls answered. Raises `ValueError` for anything else."""
        if not isinstance(kept, dict) or kept.keys() - {"hall"} != {"seq", "parcel", "lanes"}:
            raise ValueError("it is no progress")
        seq, parcel, lanes = kept["seq"], kept["parcel"], kept["lanes"]
        if type(seq) is not int or not 0 <= seq < 2**63 or not isinstance(parcel, str):
            raise ValueError("it names no row")
        if not isinstance(hall := kept.get("hall", ""), str):
            raise ValueError("it names no hall")
        if not isinstance(lanes, list) or not 1 <= len(lanes) <= MOST_LANES:
            raise ValueError("it has no lanes")
        progress = cls({}, seq=seq, parcel=parcel)
        progress.hall = hall
        progress.lanes = [_lane(number, each) for number, each in enumerate(lanes)]
        numbers = [lane.number for lane in progress.lanes]
        if numbers != sorted(set(numbers)):
            raise ValueError("its lanes have no order")
        progress.lanes[-1].at_least_known = True
        return progress


def is_known(seq: int, parcel: str, *, last_seq: int, found: str | None) -> bool:
    """Whether a row is one of a journal, which has `found` there and ends with `last_seq`.

    One that had to begin anew counts anew; a row that was given up or erased is no longer there.
    """
    return not seq or (seq <= last_seq and found in (None, parcel))


def _as_one(lanes: tuple[Lane, ...], number: int, *, owing: Lane | None = None) -> Lane:
    """Several as one, which owes all that any of them does, and perhaps some twice."""
    ends = [{**lane.sent, **lane.known} for lane in lanes]
    owed = [lane.sent for lane in lanes if lane is owing or lane.spans_ms]
    first, *others = lanes
    return Lane(
        number,
        begins=_all(min, (lane.begins for lane in lanes)),
        sent={**_all(max, ends), **_all(min, owed)},
        known=_all(max, (lane.known for lane in lanes)),
        first=first.first,
        resumes=_all(min, (first.resumes, *(lane.begins for lane in others))),
    )


def _all(
    choose: Callable[[Iterable[int]], int], instants: Iterable[Mapping[str, int]]
) -> dict[str, int]:
    every = list(instants)
    names = {name for each in every for name in each}
    return {name: choose(each[name] for each in every if name in each) for name in names}


def _lane(place: int, kept: Any) -> Lane:
    if not isinstance(kept, dict):
        raise ValueError("it has a lane that is none")
    number: Any = kept.get("number", place)
    first: Any = kept.get("first", number)
    for each in (number, first):
        if type(each) is not int or not 0 <= each <= number < MOST_NUMBER:
            raise ValueError("it has a lane without a number")
    # Before halls answered nothing but `sent` and `known` was kept.
    begins, sent, known, resumes = (
        _instants(kept, name, needed=name in ("sent", "known")) for name in _KEPT
    )
    return Lane(number, {**sent, **begins}, {**begins, **sent}, known, first=first, resumes=resumes)


def _instants(kept: dict[str, Any], name: str, *, needed: bool) -> dict[str, int]:
    found = kept.get(name, None if needed else {})
    if not isinstance(found, dict):
        raise ValueError("it has no instants")
    for sensor, at_ms in found.items():
        if len(sensor) > LONGEST_NAME or type(at_ms) is not int or not abs(at_ms) < LAST_MS:
            raise ValueError("it has an instant that is none")
    return dict(found)


def pause_s(failures: int, chance: float, longest_s: float = LONGEST_PAUSE_S) -> float:
    """How long to wait before broker or store are asked again: 2 s, doubling, `longest_s` at most.

    A hall takes who isn't back within a minute for lost, so boards are back well before.

    `chance`, from 0 to 1, spreads the boards of a hall whose broker was away.
    """
    middle_s = min(longest_s / 1.5, 2.0 * math.pow(2.0, min(max(failures - 1, 0), 5)))
    return middle_s * (0.5 + chance)
