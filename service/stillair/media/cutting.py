"""Which stretch of pictures becomes a film: of events that follow each other one, bounded. Pure."""

from __future__ import annotations

import math
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
# What its pictures may wear a card by: 1.4 MB an hour, one of 12 kB each half a minute.
BYTES_PER_S = 400.0


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

    And the larger pictures are: none comes sooner than those before it have made up for.
    """

    def __init__(self, every_s: float = FIRST_EVERY_S, last_s: float = -math.inf) -> None:
        self.every_s = every_s
        self._last_s = last_s
        self._least_s = 0.0
        self._height_mm: float | None = None

    def due(self, t_s: float, height_mm: float | None = None) -> bool:
        """Whether to take this picture; if so it counts as taken.

        A new height makes it due half its time early, so that most of them show the
        part with a layer just done.
        """
        gone_s = t_s - self._last_s
        new_layer = height_mm is not None and height_mm != self._height_mm
        if gone_s < max(self._least_s, self.every_s * (0.5 if new_layer else 1.0)):
            return False
        self._last_s, self._height_mm = t_s, height_mm
        return True

    def took(self, size_bytes: int) -> None:
        """The picture that was due came, of such a size."""
        self._least_s = size_bytes / BYTES_PER_S

    def thinned(self) -> None:
        """Every second picture has gone: from now on they are as far apart as those left."""
        self.every_s = 2.0 * max(self.every_s, self._least_s)


def kept_of(count: int) -> range:
    """The places of those that stay when every second picture goes; the newest does."""
    return range((count - 1) % 2, count, 2)


Paused = tuple[float, float | None]  # from, to; no end: it went on beyond the film
