"""How far one chamber has been handed on, and what is owed: pure.

What a board keeps is its queue: nothing waits in memory. Two cursors say where the taker
has got to, and they move only on the taker's word. Entries have one for the chamber (the
number of a row), readings one a sensor, in a `Lane`.

A lane is a stretch in which instants only grow. Where the clock is set back the next reading
is earlier than what was handed on, and a single cursor would leave out all until it comes by
again; so a new lane begins there, and what the old one still owes is handed on first.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from stillair.storage.onward import NextReadings

MOST_LANES = 8  # clocks set back while nobody took anything; then the two oldest become one
LONGEST_NAME = 200
LAST_MS = 10**14
LATE_MS = 60_000  # by so much one sensor's word may come behind another's


@dataclass(slots=True)
class Lane:
    """Readings of a stretch in which nobody set the clock back.

    `sent` is the last instant of each sensor that the taker has, `known` the last that there is.
    """

    sent: dict[str, int]
    known: dict[str, int] = field(default_factory=dict)
    _new: set[str] = field(default_factory=set)  # known only since the last batch was begun

    def told(self, sensor: str, at_ms: int) -> None:
        """There is a reading of that instant, later than all before it."""
        if sensor not in self.known:
            self._new.add(sensor)
        self.sent.setdefault(sensor, at_ms - 1)
        self.known[sensor] = at_ms

    @property
    def spans_ms(self) -> dict[str, tuple[int, int]]:
        """Of each sensor that owes any: behind which instant, and up to which."""
        if not self.known:
            return {}
        # One that nobody has heard yet may have been heard by the process before.
        others_ms = max(self.known.values()) - LATE_MS
        return {
            sensor: (sent_ms, until_ms)
            for sensor, sent_ms in self.sent.items()
            if (until_ms := self.known.get(sensor, others_ms)) > sent_ms
        }

    def begin(self) -> dict[str, tuple[int, int]]:
        """The spans of a batch that is begun now."""
        self._new.clear()
        return self.spans_ms

    def took(self, spans_ms: Mapping[str, tuple[int, int]], through_ms: int) -> None:
        """The taker has all readings of these spans, which `begin` gave, up to an instant."""
        for sensor, (_, until_ms) in spans_ms.items():
            if sensor not in self._new:
                self.sent[sensor] = max(self.sent[sensor], min(through_ms, until_ms))

    def joined(self, other: Lane) -> Lane:
        """Both as one, which owes all that either does, and perhaps some twice."""
        return Lane(_both(min, self.sent, other.sent), _both(max, self.known, other.known))


@dataclass(frozen=True, slots=True)
class Batch:
    """Readings that are under way to the taker."""

    lane: Lane
    spans_ms: Mapping[str, tuple[int, int]]
    found: NextReadings


class Progress:
    """How far a chamber is; for one thread.

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
        self.changes = 0
        self.lanes = [Lane(dict(sent))]  # the last is the one that grows

    def told(self, readings: Iterable[tuple[str, int]]) -> None:
        """There are new readings in the archive: sensors and instants, in order."""
        for sensor, at_ms in readings:
            lane = self.lanes[-1]
            known_ms = lane.known.get(sensor, lane.sent.get(sensor))
            if known_ms is not None and at_ms <= known_ms:
                self._turn()
                lane = self.lanes[-1]
            lane.told(sensor, at_ms)

    def _turn(self) -> None:
        """Somebody has set the clock back."""
        self.changes += 1
        self.lanes.append(Lane({}))
        self.lanes = [each for each in self.lanes[:-1] if each.spans_ms] + self.lanes[-1:]
        if len(self.lanes) > MOST_LANES:
            first, second, *others = self.lanes
            self.lanes = [first.joined(second), *others]

    def owed(self) -> tuple[Lane, dict[str, tuple[int, int]]] | None:
        """Where the next readings are to be read from; None where the taker has all."""
        for lane in self.lanes:
            if spans_ms := lane.begin():
                return lane, spans_ms
        return None

    def taken(self, batch: Batch) -> None:
        """The taker has a batch of readings."""
        batch.lane.took(batch.spans_ms, batch.found.through_ms)
        self.changes += 1

    def entry_taken(self, seq: int, parcel: str) -> None:
        """The taker has the row of this number."""
        self.seq, self.parcel = seq, parcel
        self.changes += 1

    def resumed(self, *, last_seq: int, parcel: str | None) -> None:
        """What the journal says at the start: its newest number, the parcel of row `seq`.

        One that had to begin anew counts anew, so all of it is owed.
        """
        if self.seq and (last_seq < self.seq or (parcel is not None and parcel != self.parcel)):
            self.seq, self.parcel = 0, ""

    # --- kept ------------------------------------------------------------------------

    def kept(self) -> dict[str, Any]:
        """As it is kept: plain JSON."""
        return {
            "seq": self.seq,
            "parcel": self.parcel,
            "lanes": [{"sent": dict(lane.sent), "known": dict(lane.known)} for lane in self.lanes],
        }

    @classmethod
    def read(cls, kept: Any) -> Progress:
        """What `kept` made. Raises `ValueError` for anything else."""
        if not isinstance(kept, dict) or kept.keys() != {"seq", "parcel", "lanes"}:
            raise ValueError("it is no progress")
        seq, parcel, lanes = kept["seq"], kept["parcel"], kept["lanes"]
        if type(seq) is not int or not 0 <= seq < 2**63 or not isinstance(parcel, str):
            raise ValueError("it names no row")
        if not isinstance(lanes, list) or not 1 <= len(lanes) <= MOST_LANES:
            raise ValueError("it has no lanes")
        progress = cls({}, seq=seq, parcel=parcel)
        progress.lanes = [Lane(_instants(each, "sent"), _instants(each, "known")) for each in lanes]
        return progress


def _both(choose: Any, one: Mapping[str, int], other: Mapping[str, int]) -> dict[str, int]:
    return {
        name: choose(each[name] for each in (one, other) if name in each)
        for name in {**one, **other}
    }


def _instants(kept: Any, name: str) -> dict[str, int]:
    found = kept.get(name) if isinstance(kept, dict) else None
    if not isinstance(found, dict):
        raise ValueError("it has no instants")
    for sensor, at_ms in found.items():
        if len(sensor) > LONGEST_NAME or type(at_ms) is not int or not abs(at_ms) < LAST_MS:
            raise ValueError("it has an instant that is none")
    return dict(found)


def pause_s(failures: int, chance: float) -> float:
    """How long to wait before the broker is asked again: 2 s, doubling to a minute.

    `chance`, from 0 to 1, spreads the boards of a hall whose broker was away.
    """
    return min(60.0, 2.0 * math.pow(2.0, min(max(failures - 1, 0), 5))) * (0.5 + chance)
