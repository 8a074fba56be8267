"""Which stretch of pictures becomes a film: of events that follow each other one, bounded. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from stillair.media.moments import EVIDENCE, is_danger
from stillair.media.ring import SPAN_S
from stillair.model import Kind

BEFORE_S = SPAN_S
AFTER_S = 60.0
LONGEST_S = 600.0  # then a new film begins
REST_S = 1800.0  # after one so long no small matter begins another: a door that flaps, say
# Beside what has pictures: of a box that loses its heat the last minute may show why.
FILMED = frozenset(EVIDENCE) | {Kind.HEAT_LOST}
MOST_MOMENTS = 50  # that one film names

FIRST_EVERY_S = 10.0  # between two pictures of a time-lapse, while it is short
MOST_PICTURES = 300  # of a time-lapse: 30 s of film
# What its pictures may wear a card by: 0.9 MB an hour, one of 12 kB each 48 s.
BYTES_PER_S = 250.0
JUST_S = 3.0  # so long a layer is just done
LAYER_AWAITED = 2.5  # so many times as long, where layers are told, a picture waits for the next


@dataclass(frozen=True, slots=True)
class Moment:
    """When an event was known."""

    event: int
    kind: str
    at_s: float


@dataclass(slots=True)
class Cut:
    """A stretch of a chamber's time that becomes one film, and the events that it shows."""

    job: str | None
    from_s: float
    to_s: float
    moments: list[Moment] = field(default_factory=list)

    @property
    def danger(self) -> bool:
        """Whether it shows danger to people or box."""
        return any(is_danger(Kind(moment.kind)) for moment in self.moments)

    @property
    def kind(self) -> str:
        """What it shows above all: the first danger, or the first event."""
        first = next((m for m in self.moments if is_danger(Kind(m.kind))), self.moments[0])
        return first.kind


class Cutter:
    """Say to which stretch an event belongs; at most one of a chamber is open at a time."""

    def __init__(self) -> None:
        self.open: Cut | None = None
        self._full_s = -math.inf  # when the last one came to its longest

    def happened(self, event: int, kind: Kind, at_s: float, job: str | None) -> Cut | None:
        """The stretch that shows an event; None where none does.

        One that is open goes on up to 60 s after the event. Where that makes it too
        long, or the event is another job's, it ends with the event and a new one begins.
        """
        if kind not in FILMED:
            return None
        moment = Moment(event, kind.value, at_s)
        cut = self.open
        if cut is not None and at_s <= cut.to_s and job == cut.job:
            if at_s + AFTER_S <= cut.from_s + LONGEST_S:
                cut.to_s = max(cut.to_s, at_s + AFTER_S)
                if len(cut.moments) < MOST_MOMENTS:
                    cut.moments.append(moment)
                return cut
            self._full_s = at_s
        if not is_danger(kind) and 0.0 <= at_s - self._full_s < REST_S:
            return None
        if cut is not None:
            cut.to_s = min(cut.to_s, at_s)
        self.open = Cut(job, at_s - BEFORE_S, at_s + AFTER_S, [moment])
        return self.open


class Spacing:
    """Say when a time-lapse is due a picture: rarer the longer the job, just after a layer.

    At any moment those taken so far would fill the longest film, one as far from the next as
    the newest is from its own. And the larger pictures are, the fewer come: none comes sooner
    than those before it have made up for.

    `start_s` is when the job's film began, `last_s` when its newest picture was taken.
    """

    def __init__(self, start_s: float = 0.0, last_s: float = -math.inf) -> None:
        self._start_s = start_s
        self._last_s = last_s
        self._least_s = FIRST_EVERY_S
        self._height_mm: float | None = None
        self._layer_s = -math.inf  # when that was told

    def due(self, t_s: float, height_mm: float | None = None) -> bool:
        """Whether to take this picture; if so it counts as taken.

        Where heights are told it waits for the next, so that most of them show the
        part with a layer just done.
        """
        wait_s = max(self._least_s, (t_s - self._start_s) / MOST_PICTURES)
        if height_mm != self._height_mm:
            self._height_mm, self._layer_s = height_mm, t_s
        if height_mm is not None and t_s - self._layer_s >= JUST_S:
            wait_s *= LAYER_AWAITED
        if t_s - self._last_s < wait_s:
            return False
        self._last_s = t_s
        return True

    def took(self, size_bytes: int) -> None:
        """The picture that was due came, of such a size."""
        self._least_s = max(FIRST_EVERY_S, size_bytes / BYTES_PER_S)


def evenly(times_s: Sequence[float], most: int = MOST_PICTURES) -> list[int]:
    """The places of those that a film of at most so many shows: about as far apart as each other.

    `times_s` increase; the newest is shown, for it has the finished part. So nothing on the disk
    has to be thinned out, which would write all that stays once more.
    """
    if len(times_s) <= most:
        return list(range(len(times_s)))
    close_s, far_s = 0.0, times_s[-1] - times_s[0]
    chosen = [len(times_s) - 1]
    for _ in range(40):  # the span, halved so often, is less than any two are apart
        apart_s = (close_s + far_s) / 2.0
        found = _at_least(apart_s, times_s)
        if len(found) > most:
            close_s = apart_s
        else:
            far_s, chosen = apart_s, found
    return chosen[::-1]


def _at_least(apart_s: float, times_s: Sequence[float]) -> list[int]:
    """Places from the newest back."""
    chosen: list[int] = []
    for place in reversed(range(len(times_s))):
        if not chosen or times_s[chosen[-1]] - times_s[place] >= apart_s:
            chosen.append(place)
    return chosen


Paused = tuple[float, float | None]  # from, to; no end: it went on beyond the film
