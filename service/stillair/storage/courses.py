"""How a job went, as the ledger has it: its heights, its pauses, and pins set by hand.

A machine may tell a height each few seconds for days. So of each word on a job only
what is asked for here is taken out, and by the database itself.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, func, select
from sqlmodel import col

from stillair.database import Reads, plain
from stillair.database.portable import json_number
from stillair.model import HeightPin
from stillair.storage.records import load
from stillair.storage.tables import Ledger

log = logging.getLogger(__name__)

MOST_STEPS = 200_000  # of one job; one each two seconds for four days and a half
MOST_PINS = 2000


@dataclass(frozen=True, slots=True)
class JobStep:
    """One word on a job; instants are seconds since the epoch."""

    at_s: float
    height_mm: float | None
    paused_s: float
    paused_since_s: float | None


@dataclass(frozen=True, slots=True)
class KeptPin:
    """A pin that counts; instants are seconds since the epoch."""

    number: int
    at_s: float
    seen_s: float
    height_mm: float
    by: str


def paused_in(
    steps: Iterable[JobStep], for_ever_s: float
) -> list[tuple[float, float, float | None]]:
    """From when to when a job stood paused, and the part's height then.

    A pause that goes on ends at `for_ever_s`.
    """
    ended: list[tuple[float, float, float | None]] = []
    since_s: float | None = None
    before_s, height_mm = 0.0, None
    for step in steps:
        if since_s is not None and step.paused_s > before_s:
            ended.append((since_s, since_s + step.paused_s - before_s, height_mm))
        before_s = max(before_s, step.paused_s)
        was_s, since_s = since_s, step.paused_since_s
        if since_s != was_s:
            height_mm = step.height_mm
    return [*ended, (since_s, for_ever_s, height_mm)] if since_s is not None else ended


class Courses:
    """Read how jobs went. Every method raises `StoreError`.

    `catch_up` has the journal get the newest heights, where they wait for it elsewhere.
    """

    def __init__(self, journal: Reads, catch_up: Callable[[], object] = lambda: None) -> None:
        self._journal = journal
        self._catch_up = catch_up

    def steps(self, job: str) -> list[JobStep]:
        """All words on a job, in order."""
        self._catch_up()
        names = ("height_mm", "paused_s", "paused_since_s")
        taken = [json_number(col(Ledger.body), name).label(name) for name in names]
        query: Select[*tuple[Any, ...]] = select(col(Ledger.at_us), col(Ledger.mono_s), *taken)
        return [
            JobStep(
                at_us / 1e6,
                height_mm,
                paused_s or 0.0,
                None if paused_since_s is None else zero_s + paused_since_s,
            )
            for at_us, mono_s, height_mm, paused_s, paused_since_s in self._rows(query, job, "job")
            for zero_s in (at_us / 1e6 - mono_s,)
        ]

    def last_seq(self, job: str) -> int:
        """The number of the newest entry about a job, 0 if there is none."""
        self._catch_up()
        query = select(func.max(col(Ledger.seq))).where(col(Ledger.job) == plain(job))
        with self._journal.connection("the journal can't be read") as connection:
            return connection.execute(query).scalar() or 0

    def pins(self, job: str) -> list[KeptPin]:
        """The pins of a job that count, in the order in which they were set."""
        kept, _ = self._pins(job)
        return list(kept.values())

    def pin(self, job: str, number: int) -> bool | None:
        """Whether a pin of a job counts; None where there never was one of this number."""
        kept, back = self._pins(job)
        return True if number in kept else False if number in back else None

    def _pins(self, job: str) -> tuple[dict[int, KeptPin], set[int]]:
        """Those that count by their number, and the numbers of those taken back."""
        query = select(Ledger.seq, Ledger.at_us, Ledger.mono_s, Ledger.body)  # type: ignore[call-overload]  # of SQLModel's columns
        kept: dict[int, KeptPin] = {}
        back: set[int] = set()
        for seq, at_us, mono_s, body in self._rows(query, job, "pin"):
            try:
                pin = load(HeightPin, body)
            except ValueError:
                log.exception("a pin of %s can't be understood and was left out", job)
                continue
            if pin.takes_back is not None:
                if kept.pop(pin.takes_back, None):
                    back.add(pin.takes_back)
            elif pin.height_mm is not None and pin.seen_s is not None:
                seen_s = at_us / 1e6 - mono_s + pin.seen_s
                kept[seq] = KeptPin(seq, at_us / 1e6, seen_s, pin.height_mm, pin.by)
        return kept, back

    def _rows(self, query: Select[*tuple[Any, ...]], job: str, topic: str) -> list[Any]:
        query = query.where(col(Ledger.job) == plain(job), col(Ledger.topic) == topic)
        query = query.order_by(col(Ledger.seq)).limit(MOST_STEPS if topic == "job" else MOST_PINS)
        with self._journal.connection("the journal can't be read") as connection:
            return list(connection.execute(query).all())
