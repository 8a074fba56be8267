"""Rows of films: what each shows, from when to when, and whether it is there."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import RowMapping, Select, delete, select
from sqlmodel import col

from stillair.database import Reads, plain
from stillair.model import Timeline
from stillair.storage.items import Item, label
from stillair.storage.journal import Journal
from stillair.storage.outbox import micros
from stillair.storage.present import put as put_row
from stillair.storage.tables import ClipRow

CLIP, TIME_LAPSE = "clip", "time_lapse"
MAKING, KEPT, LOST, PAUSED = "making", "kept", "lost", "paused"
MOST_OF_A_JOB = 1_000


@dataclass(frozen=True, slots=True)
class Shown:
    """An event in a film, `at_s` in the seconds of the film's timeline."""

    event: int
    kind: str
    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Clip:
    """A film; all instants in the seconds of `timeline`.

    `state` is "making", "kept", "lost" or, where the camera was paused all the while,
    "paused"; `why` says in a sentence why there is none, or why it ends early.
    """

    id: str
    chamber: str
    part: str
    state: str
    timeline: Timeline
    start_s: float
    end_s: float
    origin: str
    kind: str = ""
    shown: tuple[Shown, ...] = ()
    job: str | None = None
    length_s: float = 0.0
    size_bytes: int = 0
    paused: tuple[tuple[float, float | None], ...] = ()
    why: str = ""

    @property
    def event(self) -> int | None:
        """The event that it shows above all."""
        first = next((s for s in self.shown if s.kind == self.kind), None)
        return None if first is None else first.event


@dataclass(frozen=True, slots=True)
class ClipSize:
    """As much of a row as giving it up needs; a higher `number` was begun later."""

    id: str
    number: int
    chamber: str
    kind: str
    event: int | None
    state: str
    at_us: int
    size_bytes: int


def put(journal: Journal, clip: Clip, unless: Callable[[str], bool] = lambda _: False) -> bool:
    """Keep what is known of a film now, unless it was erased; whether it is kept.

    Raises `StoreError`.
    """
    present: dict[str, Any] = {
        "boot_id": clip.timeline.boot_id,
        "mono_s": clip.start_s,
        "at_us": micros(clip.timeline.epoch_s(clip.start_s)),
        "part": clip.part,
        "kind": clip.kind,
        "event": clip.event,
        "job": clip.job,
        "state": clip.state,
        "size_bytes": clip.size_bytes,
        "body": json.dumps(
            {
                "end_s": clip.end_s,
                "length_s": clip.length_s,
                "origin": clip.origin,
                "shown": [[each.event, each.kind, each.at_s] for each in clip.shown],
                "paused": clip.paused,
                "why": clip.why,
            },
            allow_nan=False,
        ),
    }
    with journal.transaction("a film can't be noted") as connection:
        if unless(clip.id):
            return False
        put_row(connection, ClipRow, clip.id, present, {"chamber": clip.chamber})
    return True


def remove(journal: Journal, ids: Sequence[str]) -> None:
    """Forget films, before their files go. Raises `StoreError`."""
    with journal.transaction("a film can't be forgotten") as connection:
        connection.execute(delete(ClipRow).where(col(ClipRow.id).in_(ids)))


def sizes(journal: Journal) -> list[ClipSize]:
    """All films there are rows of. Raises `StoreError`."""
    query = select(
        col(ClipRow.id),
        col(ClipRow.number),
        col(ClipRow.chamber),
        col(ClipRow.kind),
        col(ClipRow.event),
        col(ClipRow.state),
        col(ClipRow.at_us),
        col(ClipRow.size_bytes),
    )
    with journal.transaction("films can't be listed") as connection:
        return [
            ClipSize(
                row.id,
                row.number or 0,
                row.chamber,
                row.kind,
                row.event,
                row.state,
                row.at_us,
                row.size_bytes,
            )
            for row in connection.execute(query)
        ]


def unfinished(journal: Journal) -> list[Clip]:
    """The films that were being made, oldest first. Raises `StoreError`."""
    query = select(ClipRow).where(col(ClipRow.state) == MAKING).order_by(col(ClipRow.number))
    with journal.transaction("films can't be listed") as connection:
        return [_clip(row) for row in connection.execute(query).mappings()]


def pause_over(journal: Journal, clip_id: str, over_s: float) -> None:
    """Note when the pause was over that ended a film. Raises `StoreError`."""
    query = select(ClipRow).where(col(ClipRow.id) == clip_id)
    with journal.transaction("films can't be listed") as connection:
        row = connection.execute(query).mappings().first()
    if row is not None:
        put(journal, looks_again(_clip(row), over_s))


def looks_again(clip: Clip, over_s: float) -> Clip:
    """A film whose camera was paused until then."""
    paused = tuple((begun_s, over_s if end_s is None else end_s) for begun_s, end_s in clip.paused)
    return replace(clip, paused=paused)


class Clips:
    """Questions about films; every one raises `StoreError`."""

    def __init__(self, journal: Reads) -> None:
        self._journal = journal

    def of_job(self, job: str) -> list[Item]:
        """The films of a job, in the order of their times, its time-lapse last."""
        query = (
            select(ClipRow)
            .where(col(ClipRow.job) == plain(job))
            .order_by(col(ClipRow.part), col(ClipRow.at_us), col(ClipRow.number))
        )
        return [item for _, item in self._items(query.limit(MOST_OF_A_JOB))]

    def of_chamber(self, chamber: str, after: int, limit: int) -> tuple[list[Item], int | None]:
        """A chamber's films, newest last, and where the next page begins."""
        query = (
            select(ClipRow)
            .where(col(ClipRow.chamber) == plain(chamber))
            .order_by(col(ClipRow.number))
        )
        if after:  # what was brought in has numbers below zero
            query = query.where(col(ClipRow.number) > after)
        found = self._items(query.limit(limit + 1))
        more = found[limit - 1][0] if len(found) > limit else None
        return [item for _, item in found[:limit]], more

    def one(self, clip_id: str) -> Item | None:
        """One film, None where there is none."""
        found = self._items(select(ClipRow).where(col(ClipRow.id) == plain(clip_id)))
        return found[0][1] if found else None

    def _items(self, query: Select[Any]) -> list[tuple[int, Item]]:
        with self._journal.connection("the journal can't be read") as connection:
            rows = connection.execute(query).mappings().all()
        return [(row["number"], _item(row)) for row in rows]


def _clip(row: RowMapping) -> Clip:
    """What a row holds; of a body that is broken nothing."""
    zero_s = row["at_us"] / 1e6 - row["mono_s"]
    start_s = float(row["mono_s"])
    known: dict[str, Any] = {}
    try:
        body = json.loads(row["body"])
        known = {
            "end_s": float(body["end_s"]),
            "length_s": float(body["length_s"]),
            "origin": str(body["origin"]),
            "shown": tuple(Shown(int(e), str(k), float(t)) for e, k, t in body["shown"]),
            "paused": tuple((float(a), None if b is None else float(b)) for a, b in body["paused"]),
            "why": str(body["why"]),
        }
    except (ValueError, KeyError, TypeError):
        known = {"end_s": start_s, "origin": ""}
    return Clip(
        id=row["id"],
        chamber=row["chamber"],
        part=row["part"],
        state=row["state"],
        timeline=Timeline(row["boot_id"], zero_s),
        start_s=start_s,
        kind=row["kind"],
        job=row["job"],
        size_bytes=row["size_bytes"],
        **known,
    )


def _item(row: RowMapping) -> Item:
    clip = _clip(row)
    at = clip.timeline.epoch_s
    return {
        "id": clip.id,
        "chamber": clip.chamber,
        "part": clip.part,
        "kind": clip.kind or None,
        "event": row["event"],
        "events": [each.event for each in clip.shown],
        "moments": [
            {
                "event": each.event,
                "kind": each.kind,
                "at": label(at(each.at_s)),
                "film_s": round(min(max(0.0, each.at_s - clip.start_s), clip.length_s), 2),
            }
            for each in clip.shown
        ],
        "job": clip.job,
        "start_at": label(at(clip.start_s)),
        "end_at": label(at(clip.end_s)),
        "length_s": round(clip.length_s, 2),
        "size_bytes": clip.size_bytes,
        "paused": [
            {
                "start_at": label(at(begun_s)),
                "end_at": None if over_s is None else label(at(over_s)),
            }
            for begun_s, over_s in clip.paused
        ],
        "state": clip.state,
        "why": clip.why,
        "origin": clip.origin,
    }
