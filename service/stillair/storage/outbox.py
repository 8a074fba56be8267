"""Messages on their way to people, as rows beside the ledger.

A notice is written in the transaction of the alarm it tells of, so neither
exists without the other. It stays pending until it was sent, given up or superseded
by a newer word; each try is kept with its outcome.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import RowMapping, case, func, insert, select, update
from sqlalchemy.engine import Connection
from sqlmodel import col

from stillair.database import plain
from stillair.model import Notice, Timeline
from stillair.storage.tables import Delivery, NoticeTable

OVER = "over"  # the stage of a message that ends an alarm's story
_AT_ONCE = 500  # alarms in one question
SUPERSEDED = "a newer word went in its place"
GATHERED = "told in one message with others"
_URGENCY = {"critical": 0, "high": 1, "medium": 2, "low": 3}


@dataclass(frozen=True, slots=True)
class NoticeRow:
    """A notice in the outbox, with what has become of it so far."""

    key: str
    chamber: str
    alarm: str | None
    kind: str
    priority: str
    person: str
    route: str
    title: str
    text: str
    created_at: datetime
    stage: str
    state: str
    tries: int
    next_try_at: datetime | None
    outcome: str


def micros(epoch_s: float) -> int:
    """Whole microseconds since the epoch."""
    return round(epoch_s * 1e6)


def from_micros(at_us: int) -> datetime:
    """The aware UTC instant of microseconds since the epoch."""
    return datetime.fromtimestamp(at_us / 1e6, UTC)


def post(connection: Connection, notice: Notice, timeline: Timeline) -> None:
    """Put a notice into the outbox; one whose key is there already is left alone.

    One that goes within another stands there as told, and is not sent.
    """
    known = select(col(NoticeTable.key)).where(col(NoticeTable.key) == plain(notice.key))
    if connection.execute(known).first() is not None:
        return
    connection.execute(
        insert(NoticeTable).values(
            key=plain(notice.key),
            chamber=notice.chamber,
            alarm=notice.alarm,
            kind=notice.kind.value,
            priority=notice.priority.value,
            person=plain(notice.person),
            route=plain(notice.route),
            title=plain(notice.title),
            text=plain(notice.text),
            stage=notice.stage,
            created_us=micros(timeline.epoch_s(notice.created_s)),
            state="superseded" if notice.within else "pending",
            outcome=GATHERED if notice.within else "",
        )
    )


def read_notice(row: RowMapping) -> NoticeRow:
    """The notice that a row of the outbox holds."""
    fields = {name: row[name] for name in NoticeRow.__slots__ if name in row}
    next_us = row["next_try_us"]
    return NoticeRow(
        **fields,
        created_at=from_micros(row["created_us"]),
        next_try_at=from_micros(next_us) if next_us else None,
    )


def told(
    connection: Connection, chamber: str, alarms: Sequence[str]
) -> dict[str, tuple[tuple[str, str], ...]]:
    """Of each of these alarms who was told that it stands and not yet that it is over.

    As (person, route), in the order in which they were told.
    """
    known: dict[str, dict[str, str]] = {alarm: {} for alarm in alarms}
    for start in range(0, len(alarms), _AT_ONCE):
        query = (
            select(NoticeTable)
            .where(
                col(NoticeTable.alarm).in_(alarms[start : start + _AT_ONCE]),
                col(NoticeTable.chamber) == chamber,
            )
            .order_by(col(NoticeTable.created_us))
        )
        for row in connection.execute(query).mappings():
            routes = known[row["alarm"]]
            if row["stage"] == OVER:
                routes.pop(row["route"], None)
            else:
                routes[row["route"]] = row["person"]
    return {
        alarm: tuple((person, route) for route, person in routes.items())
        for alarm, routes in known.items()
    }


def newest(connection: Connection, limit: int) -> list[NoticeRow]:
    """The notices that were put in last, whatever has become of them; the oldest of them first."""
    query = select(NoticeTable).order_by(col(NoticeTable.created_us).desc()).limit(limit)
    return [read_notice(row) for row in connection.execute(query).mappings()][::-1]


def waiting(connection: Connection, limit: int) -> list[NoticeRow]:
    """Notices neither sent nor given up: of each route in turn the most urgent, then the oldest.

    So that the many that wait for a dead route leave room for those of the others.
    """
    urgency = case(_URGENCY, value=col(NoticeTable.priority), else_=len(_URGENCY))
    order = (urgency, col(NoticeTable.tries), col(NoticeTable.created_us))
    turn = func.row_number().over(partition_by=col(NoticeTable.route), order_by=order)
    pending = select(NoticeTable, turn.label("turn")).where(col(NoticeTable.state) == "pending")
    each = pending.subquery()
    query = select(each).order_by(each.c.turn, each.c.created_us).limit(limit)
    return [read_notice(row) for row in connection.execute(query).mappings()]


def withdraw(connection: Connection, keys: str) -> int:
    """Give up what waits of the notices whose key begins with `keys`."""
    changed = connection.execute(
        update(NoticeTable)
        .where(
            col(NoticeTable.state) == "pending",
            col(NoticeTable.key) >= keys,
            col(NoticeTable.key) < _after(keys),
        )
        .values(state="failed", outcome="withdrawn before it was sent", next_try_us=0)
    )
    return int(changed.rowcount)


def tries_of(connection: Connection, keys: str) -> list[tuple[NoticeRow, datetime | None]]:
    """The notices whose key begins with `keys`, and when each was tried last."""
    within = (col(NoticeTable.key) >= keys, col(NoticeTable.key) < _after(keys))
    tried = (
        select(col(Delivery.notice), func.max(col(Delivery.at_us)).label("at_us"))
        .where(col(Delivery.notice) >= keys, col(Delivery.notice) < _after(keys))
        .group_by(col(Delivery.notice))
    )
    last_us = {row.notice: row.at_us for row in connection.execute(tried)}
    notices = connection.execute(select(NoticeTable).where(*within)).mappings()
    return [
        (read_notice(row), from_micros(last_us[row["key"]]) if row["key"] in last_us else None)
        for row in notices
    ]


@dataclass(frozen=True, slots=True)
class Taken:
    """When a way to a person took the newest message that it took."""

    person: str
    route: str
    at: datetime


def last_taken(connection: Connection) -> list[Taken]:
    """The newest for each person and route."""
    of = col(Delivery.notice) == col(NoticeTable.key)
    who = (col(NoticeTable.person), col(NoticeTable.route))
    query = (
        select(*who, func.max(col(Delivery.at_us)))
        .where(of, col(Delivery.sent))
        .group_by(*who)
        .order_by(*who)
    )
    return [Taken(person, way, from_micros(at)) for person, way, at in connection.execute(query)]


def _after(keys: str) -> str:
    """The first text after all that begin with `keys`; like LIKE, but by the index."""
    return f"{keys[:-1]}{chr(ord(keys[-1]) + 1)}"


def record(
    connection: Connection,
    key: str,
    at: datetime,
    sent: bool,
    outcome: str,
    next_try_at: datetime | None,
) -> None:
    """Keep how one try ended; of a notice that is settled a failure changes nothing any more."""
    outcome = plain(outcome)
    values: dict[str, Any] = {
        "state": "sent" if sent else "pending" if next_try_at else "failed",
        "tries": col(NoticeTable.tries) + 1,
        "outcome": outcome,
        "next_try_us": micros(next_try_at.timestamp()) if next_try_at else 0,
    }
    known = update(NoticeTable).where(col(NoticeTable.key) == key)
    if not sent:
        known = known.where(col(NoticeTable.state) == "pending")
    connection.execute(known.values(**values))
    connection.execute(
        insert(Delivery).values(
            notice=key, at_us=micros(at.timestamp()), sent=sent, outcome=outcome
        )
    )


def supersede(connection: Connection, key: str) -> None:
    """Keep that a newer word on the same alarm goes in place of a notice that wasn't sent."""
    waits = (col(NoticeTable.key) == key, col(NoticeTable.state) == "pending")
    values = {"state": "superseded", "outcome": SUPERSEDED, "next_try_us": 0}
    connection.execute(update(NoticeTable).where(*waits).values(**values))
