"""Which pictures are kept: of which events, from when, at which heights, and for how long. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from stillair.model import KIND_CLASS, Kind, SignalClass

BEFORE_S = (-10.0, -5.0, -2.0)
AFTER_S = (3.0, 10.0)
FEW_AFTER_S = (3.0,)
EVIDENCE: dict[Kind, frozenset[str]] = {  # and the camera's signs that speak for each
    Kind.FIRE: frozenset({"flame", "smoke"}),
    Kind.FLAME: frozenset({"flame"}),
    Kind.SMOKE: frozenset({"smoke"}),
    Kind.DETECTOR_CONTACT: frozenset({"flame", "smoke"}),
    Kind.RAPID_RISE: frozenset({"flame", "smoke"}),
    Kind.OVER_TEMPERATURE: frozenset(),
    Kind.NO_MOTION: frozenset(),
    Kind.DOOR_OPEN: frozenset(),
    Kind.DRAFT: frozenset(),
}
FEW_EVERY_S = 60.0  # of two doors or drafts within a minute only the first has pictures
NEWEST_EVENTS = 5  # whose pictures are never given up
KEEP_BYTES = 200 * 10**6  # of one chamber
MOST_STILLS = 400  # of one job, so of a part as high
SHARPEST_OF_S = 2.0
# What stills may wear a card by: 0.7 MB an hour, one of 30 kB each 2.5 min; and in one go.
STILL_BYTES_PER_S, STILLS_BYTES = 200.0, 500_000.0


@dataclass(frozen=True, slots=True)
class Moments:
    """When pictures of an event are kept, seconds from the moment that it was known."""

    before_s: tuple[float, ...]
    after_s: tuple[float, ...]


def is_danger(kind: Kind) -> bool:
    """Whether an event's pictures may be needed long after: those of danger to people or box."""
    return KIND_CLASS[kind][0] is SignalClass.ALARM


def moments(kind: Kind) -> Moments | None:
    """What is kept of an event of that kind, None for nothing."""
    if kind not in EVIDENCE:
        return None
    return Moments(BEFORE_S, AFTER_S) if is_danger(kind) else Moments((), FEW_AFTER_S)


class Heights:
    """Say when a job is due a still: once its first layer is told, then with each millimetre.

    Where pictures are large and a part grows fast they are further apart: never so many come
    that they wear a card by more than is allowed. Instants increase.
    """

    def __init__(self) -> None:
        self._job = ""
        self._last_mm = self._due_mm = -1
        self._left_bytes = STILLS_BYTES
        self._then_s = math.inf

    def due(self, job: str, height_mm: float, t_s: float) -> bool:
        """Whether no still came in this millimetre so far, and there may be one.

        Pieces built in turn begin again at 0, and so do their stills.
        """
        if not (math.isfinite(height_mm) and height_mm > 0.0):
            return False
        if job != self._job:
            self._job, self._last_mm = job, -1
        whole_mm = math.floor(height_mm)
        if whole_mm == self._last_mm:
            return False
        gone_s, self._then_s = max(0.0, t_s - self._then_s), t_s
        self._left_bytes = min(STILLS_BYTES, self._left_bytes + gone_s * STILL_BYTES_PER_S)
        self._due_mm = whole_mm
        return self._left_bytes > 0.0

    def took(self, size_bytes: int) -> None:
        """The still that was due came, of such a size; one that didn't stays due."""
        self._last_mm = self._due_mm
        self._left_bytes -= size_bytes


@dataclass(frozen=True, slots=True)
class Held:
    """One kept picture as far as giving it up goes; `order` grows with its age's youth."""

    id: str
    order: int
    size_bytes: int
    event: int | None
    danger: bool


def given_up(held: Iterable[Held], most_bytes: int) -> list[str]:
    """The pictures to be removed so that the others fit: stills and small matters first, by age.

    Never those of the newest events of danger.
    """
    pictures = sorted(held, key=lambda picture: (picture.danger, picture.order))
    newest: list[int] = []
    for picture in reversed(pictures):
        if picture.danger and picture.event is not None and picture.event not in newest:
            newest.append(picture.event)
    safe = set(newest[:NEWEST_EVENTS])
    over_bytes = sum(picture.size_bytes for picture in pictures) - most_bytes
    removed: list[str] = []
    for picture in pictures:
        if over_bytes <= 0:
            break
        if picture.danger and picture.event in safe:
            continue
        over_bytes -= picture.size_bytes
        removed.append(picture.id)
    return removed
