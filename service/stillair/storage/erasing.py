"""Erase what is kept of a job, because its owner wants it gone.

What is erased is overwritten in the file as well, and its log written back. The
pictures' files go before their rows: whatever stops it in between, a picture
that is left still has a row, and goes when it is erased again. Numbers are
never given again, so that nothing later is taken for what was erased.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Select, delete, func, insert, or_, select
from sqlalchemy.engine import Connection
from sqlalchemy.orm import Mapped
from sqlmodel import col

from stillair.errors import CommandRefused, Refusal
from stillair.storage.journal import Journal
from stillair.storage.kept_lines import ERASED
from stillair.storage.tables import (
    AlarmRow,
    ClipRow,
    Delivery,
    JobRow,
    JobSaid,
    JobToolpath,
    Ledger,
    NoticeTable,
    StandingEvent,
)
from stillair.storage.tables import PictureRow as Picture

LAST_LETTER = "\U0010ffff"
OVERWRITE = "PRAGMA secure_delete=ON"


Remove = Callable[[list[str]], object]  # the files of pictures, or of films, with these ids


def pictures_of(
    journal: Journal, chamber: str, job: str, remove: Remove, remove_films: Remove
) -> list[str]:
    """Erase a job's pictures and films, and those of its events; returns the pictures' ids.

    Raises `StoreError`, also what `remove` and `remove_films` raise.
    """
    with journal.transaction("pictures can't be erased") as connection:
        connection.exec_driver_sql(OVERWRITE)
        pictures = _forget_pictures(connection, chamber, job, remove)
        _forget_films(connection, chamber, job, remove_films)
    journal.write_back()
    return pictures


def film(journal: Journal, name: str, remove: Remove) -> None:
    """Erase one film. Raises `StoreError`, also what `remove` raises."""
    with journal.transaction("a film can't be erased") as connection:
        connection.exec_driver_sql(OVERWRITE)
        remove([name])
        connection.execute(delete(ClipRow).where(col(ClipRow.id) == name))
    journal.write_back()


def check_over(journal: Journal, job: str) -> None:
    """Raise `CommandRefused` while a job or an alarm of it isn't over, or `StoreError`."""
    with journal.transaction("a job can't be looked up") as connection:
        _check_over(connection, job)


@dataclass(frozen=True, slots=True)
class Erased:
    """What is kept in the place of a job, for whoever has it from us.

    `parcel` is a mark by chance, `at_us` now and the others when the job began and was over, all
    in microseconds since the epoch.
    """

    parcel: str
    at_us: int
    begun_us: int
    over_us: int


def job(
    journal: Journal,
    chamber: str,
    name: str,
    remove: Remove,
    remove_films: Remove,
    *,
    erased: Erased | None = None,
) -> list[str]:
    """Erase a job that is over, with its notes, events, alarms, messages, pictures and films.

    With `erased` a row says that it was. Returns the ids of its pictures. Raises
    `CommandRefused` while it isn't over, and `StoreError`.
    """
    with journal.transaction("a job can't be erased") as connection:
        connection.exec_driver_sql(OVERWRITE)
        _check_over(connection, name)
        pictures = _forget_pictures(connection, chamber, name, remove)
        _forget_films(connection, chamber, name, remove_films)
        rows_of_job(connection, name)
        if erased is not None:
            connection.execute(insert(Ledger).values(**_row_of(erased, chamber, name)))
    journal.write_back()
    return pictures


def rows_of_job(connection: Connection, name: str) -> None:
    """Remove all rows of a job but those of its pictures and films."""
    alarms = select(col(AlarmRow.id)).where(col(AlarmRow.job) == name)
    notices = select(col(NoticeTable.key)).where(col(NoticeTable.alarm).in_(alarms))
    connection.execute(delete(Delivery).where(col(Delivery.notice).in_(notices)))
    connection.execute(delete(NoticeTable).where(col(NoticeTable.alarm).in_(alarms)))
    connection.execute(delete(AlarmRow).where(col(AlarmRow.job) == name))
    connection.execute(delete(JobSaid).where(col(JobSaid.job) == name))
    connection.execute(delete(JobToolpath).where(col(JobToolpath.job) == name))
    connection.execute(delete(Ledger).where(col(Ledger.job) == name))
    connection.execute(delete(JobRow).where(col(JobRow.id) == name))


def _row_of(erased: Erased, chamber: str, job: str) -> dict[str, Any]:
    """The row of the ledger; its second 0 is when it was erased."""
    begun_s, over_s = ((us - erased.at_us) / 1e6 for us in (erased.begun_us, erased.over_us))
    return {
        "parcel": erased.parcel,
        "part": 0,
        "chamber": chamber,
        "topic": ERASED,
        "kind": ERASED,
        "boot_id": ERASED,
        "mono_s": 0.0,
        "at_us": erased.at_us,
        "body": json.dumps({"job": job, "begun_s": begun_s, "over_s": over_s}),
    }


def jobs_of(journal: Journal, parcels: str) -> list[str]:
    """Jobs that came with outcomes whose names begin so, the oldest first. Raises `StoreError`."""
    query = (
        select(col(Ledger.job))
        .where(_begins(col(Ledger.parcel), parcels), col(Ledger.topic) == "job")
        .group_by(col(Ledger.job))
        .order_by(func.min(col(Ledger.seq)))
    )
    with journal.transaction("jobs can't be looked up") as connection:
        return [str(job) for job in connection.execute(query).scalars()]


def spans_of(journal: Journal, parcels: str) -> list[tuple[str, float, float]]:
    """Chamber, begin and end of each stretch that such outcomes were watched in.

    Seconds since the epoch. Of a stretch of which nothing is left any more nothing is known.
    Raises `StoreError`.
    """
    zero_us = func.min(col(Ledger.at_us) - col(Ledger.mono_s) * 1e6)
    query = (
        select(col(Ledger.chamber), zero_us, func.max(col(Ledger.at_us)))
        .where(_begins(col(Ledger.parcel), parcels))
        .group_by(col(Ledger.chamber), col(Ledger.boot_id))
    )
    with journal.transaction("jobs can't be looked up") as connection:
        return [
            (chamber, begin_us / 1e6 - 1.0, end_us / 1e6 + 1.0)
            for chamber, begin_us, end_us in connection.execute(query)
        ]


def rest_of(journal: Journal, parcels: str) -> None:
    """Erase what is left of such outcomes, and of boots so called, once their jobs are erased.

    Raises `StoreError`.
    """
    with journal.transaction("what happened can't be erased") as connection:
        connection.exec_driver_sql(OVERWRITE)
        left = _begins(col(Ledger.parcel), parcels)
        for table in (StandingEvent, AlarmRow):
            connection.execute(delete(table).where(_begins(col(table.boot_id), parcels)))
        connection.execute(delete(Ledger).where(left))
    journal.write_back()


def _begins(column: Mapped[str], with_: str) -> ColumnElement[bool]:
    """Whether a text begins so; as a range, which an index answers."""
    return (column >= with_) & (column < f"{with_}{LAST_LETTER}")


def _check_over(connection: Connection, name: str) -> None:
    unfinished = connection.execute(
        select(col(JobRow.unfinished)).where(col(JobRow.id) == name)
    ).scalar()
    standing = connection.execute(
        select(col(AlarmRow.id)).where(col(AlarmRow.job) == name, col(AlarmRow.standing))
    ).first()
    if unfinished or standing:
        raise CommandRefused(
            Refusal.CONFLICT,
            "The job isn't over, or an alarm of it isn't over and seen: erase it after that.",
        )


def _forget_pictures(connection: Connection, chamber: str, job: str, remove: Remove) -> list[str]:
    which: ColumnElement[bool] = or_(
        col(Picture.job) == job,
        (col(Picture.chamber) == chamber) & col(Picture.event).in_(_events(chamber, job)),
    )
    ids = list(connection.execute(select(col(Picture.id)).where(which)).scalars())
    remove(ids)
    connection.execute(delete(Picture).where(which))
    return ids


def _forget_films(connection: Connection, chamber: str, job: str, remove: Remove) -> None:
    which: ColumnElement[bool] = or_(
        col(ClipRow.job) == job,
        (col(ClipRow.chamber) == chamber) & col(ClipRow.event).in_(_events(chamber, job)),
    )
    remove(list(connection.execute(select(col(ClipRow.id)).where(which)).scalars()))
    connection.execute(delete(ClipRow).where(which))


def _events(chamber: str, job: str) -> Select[int | None]:
    """The numbers of a job's events."""
    return select(col(Ledger.event)).where(
        col(Ledger.chamber) == chamber, col(Ledger.job) == job, col(Ledger.event).is_not(None)
    )
