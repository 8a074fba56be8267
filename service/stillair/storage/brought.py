"""Bring rows of another board's history in beside what is there: all of them, or none.

    lines, rows, readings ─> staging (a journal of its own; readings in the archive,
                             under a name that no chamber has)
    settle                ─> numbers and ids that nothing here has
    commit                ─> one transaction of the journal: from there on it is brought in;
                             then pictures and films get to their folders, readings their names

What kills it before that transaction leaves things that nobody sees, and `clear_up` takes them
away; after it, `clear_up` ends the work.

What was brought in stands before the first row of its own that a board has: its numbers are
below zero, in the order of their times. So whatever is decided by the newest number, on
pages, in the live feed or by the watch, is decided by what happened here.

A row is known by its parcel, wherever it is brought: twice the same adds nothing. A chamber
that was never watched here keeps its numbers of jobs and events, and the watch that begins
there goes on behind them. Where somebody watches, a job gets the mark "x" and some letters
behind its number, and events get numbers below zero: the watch gives none of those.
Nothing that was brought in stands, runs or waits: no alarm, no job, no message.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy.dialects import sqlite
from sqlalchemy.schema import CreateIndex, CreateTable

from stillair.database import store_errors, sync
from stillair.errors import StoreError
from stillair.storage.archive import REMOVE_ROWS
from stillair.storage.coming import (
    COMING,
    ROWS,
    bring_home,
    connected,
    make_homes,
    reveal,
    transaction,
)
from stillair.storage.kept_lines import KeptLine
from stillair.storage.names_here import Names
from stillair.storage.packing import Ints
from stillair.storage.past_states import put_alarm, put_job
from stillair.storage.stretches import rows_of
from stillair.storage.tables import JournalTable

TOPIC = "brought"
BELOW = 8 * 10**14
LEDGER = (
    *("seq", "parcel", "part", "chamber", "topic", "kind", "job", "event"),
    *("boot_id", "mono_s", "at_us", "made_with", "body"),
)
_COME = """CREATE TABLE come (n INTEGER PRIMARY KEY, chamber TEXT, parcel TEXT, part INTEGER,
topic TEXT, boot TEXT, mono_s REAL, at_us INTEGER, made_with TEXT, body TEXT)"""


def number_at(at_us: int) -> int:
    """The number of what was brought in and happened then; the next seven are close to it."""
    return at_us // 1000 * 8 - BELOW


@dataclass(frozen=True, slots=True)
class Settled:
    """How much is new, and how much was there."""

    jobs: int = 0
    entries: int = 0
    jobs_there: int = 0
    entries_there: int = 0


class Stage:
    """Where rows wait until all have come. One at a time for a data directory.

    Parameters
    ----------
    folder : Path
        Where to put what waits; made anew.
    journal, archive : Path
        The board's own files, which have to be up to date.
    token : str
        By which this round is known.
    watched : callable
        Whether somebody watches, or has watched, the chamber of a key.
    """

    def __init__(
        self,
        folder: Path,
        journal: Path,
        archive: Path,
        token: str,
        watched: Callable[[str], bool],
    ) -> None:
        self.folder = folder
        self.token = token
        self._journal_path = journal
        self._watched = watched
        with store_errors("nothing can be brought in"):
            folder.mkdir(mode=0o700)
            self._rows = sqlite3.connect(folder / ROWS, isolation_level=None)
            self._rows.execute("BEGIN")  # one for all of it: each would be brought to the disk
            for statement in (*_tables(), _COME, "CREATE TABLE token (word TEXT)"):
                self._rows.execute(statement)
            self._rows.execute("INSERT INTO token VALUES (?)", (token,))
            self._journal = connected(journal)
            self._archive = connected(archive)
        self._waiting: list[dict[str, Any]] = []
        self._rest: dict[tuple[str, str], tuple[Ints, Ints]] = {}
        self._last: dict[tuple[str, str], int] = {}

    def close(self) -> None:
        """Let the files go."""
        for each in (self._rows, self._journal, self._archive):
            with suppress(sqlite3.Error):
                each.close()

    # --- taken ---------------------------------------------------------------

    def take_line(self, chamber: str, line: KeptLine) -> None:
        """Take the next line of a chamber that is called `chamber` here."""
        self._rows.execute(
            "INSERT INTO come (chamber, parcel, part, topic, boot, mono_s, at_us, made_with, body)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                *(chamber, line.parcel, line.part, line.topic, line.boot, line.mono_s),
                *(line.at_us, line.made_with, json.dumps([line.chamber, line.body])),
            ),
        )

    def take_readings(self, chamber: str, sensor: str, times_ms: Ints, units: Ints) -> None:
        """Take readings of one sensor that nobody has here; instants increase."""
        if not len(times_ms):
            return
        before = self._rest.pop((chamber, sensor), None)
        if before is not None and before[0][-1] <= times_ms[0]:
            times_ms = np.concatenate((before[0], times_ms))
            units = np.concatenate((before[1], units))
        elif before is not None:
            self._wait(chamber, sensor, *before)
        self._wait(chamber, sensor, times_ms, units)
        last = self._waiting.pop()["count"]  # more may come that has room beside it
        self._rest[chamber, sensor] = (times_ms[-last:], units[-last:])
        if len(self._waiting) >= REMOVE_ROWS:
            self._write_readings()

    def _wait(self, chamber: str, sensor: str, times_ms: Ints, units: Ints) -> None:
        name = f"{COMING}{self.token} {chamber}"
        rows = rows_of(chamber, sensor, times_ms, units)
        self._waiting.extend({**row, "chamber": name} for row in rows)

    def take_picture(self, row: Mapping[str, Any]) -> bool:
        """Take the row of a picture, called as there; False if it is here already."""
        return self._take("picture", row)

    def take_film(self, row: Mapping[str, Any]) -> bool:
        """Take the row of a film, called as there; False if it is here already."""
        return self._take("clip", row)

    def take_settings(self, row: Mapping[str, Any]) -> bool:
        """Take settings that jobs ran under; False if they are here already."""
        return self._take("settings", row, numbered=False)

    def take_toolpath(self, row: Mapping[str, Any], jobs: Iterable[tuple[str, int]]) -> bool:
        """Take a toolpath and which jobs follow it, called as there; False if it is here."""
        for job, at_us in jobs:
            self._rows.execute(
                "INSERT OR REPLACE INTO job_toolpath (job, toolpath, at_us) VALUES (?, ?, ?)",
                (job, row["id"], at_us),
            )
        return self._take("toolpath", row)

    def _take(self, table: str, row: Mapping[str, Any], *, numbered: bool = True) -> bool:
        """Have a row wait unless it is here already. Raises `ValueError` for one that waits."""
        query = f"SELECT 1 FROM {table} WHERE id = ?"  # noqa: S608 - ours
        if self._journal.execute(query, (row["id"],)).fetchone() is not None:
            return False
        if self._rows.execute(query, (row["id"],)).fetchone() is not None:
            raise ValueError(f"{row['id']} is spoken of twice")
        whole = {"number": self._next_of(table, row), **row} if numbered else row
        columns, marks = ", ".join(whole), ", ".join("?" for _ in whole)
        self._rows.execute(
            f"INSERT INTO {table} ({columns}) VALUES ({marks})",  # noqa: S608 - our columns
            tuple(whole.values()),
        )
        return True

    # --- settled ----------------------------------------------------------------

    def settle(self, chambers: Iterable[tuple[str, str]]) -> Settled:
        """Give everything the number and the id that it has here; (key there, key here)."""
        with store_errors("what comes can't be sorted in"):
            for (chamber, sensor), (times_ms, units) in self._rest.items():
                self._wait(chamber, sensor, times_ms, units)
            self._rest = {}
            self._write_readings()
            found = Settled()
            for there, here in chambers:
                found = self._settle(there, here, found)
            return found

    def _settle(self, there: str, here: str, found: Settled) -> Settled:
        ids = Names(self._journal, self._rows, there, here, watched=self._watched(here))
        known: dict[int, int] = {}
        for n, line in self._come(here):
            row = self._journal.execute(
                "SELECT seq, job, event, body FROM ledger WHERE parcel = ? AND part = ?",
                (line.parcel, line.part),
            ).fetchone()
            if row is not None:
                known[n] = row[0]
                if line.job is not None and row[1] is not None:
                    ids.jobs[line.job] = row[1]
                    ids.old_jobs.add(line.job)
                if line.event is not None and row[2] is not None:
                    ids.events[line.event] = row[2]
                if line.topic == "alarm":
                    with suppress(ValueError, KeyError, TypeError):
                        ids.alarms[line.body["id"]] = str(json.loads(row[3])["id"])
        last, new, jobs = -BELOW, 0, set(ids.jobs)
        alarms: dict[str, tuple[int, tuple[Any, ...]]] = {}
        changed: set[str] = set()
        for n, line in self._come(here):
            if n in known:
                last = max(last, known[n])
                continue
            seq = self._free("ledger", max(number_at(line.at_us), last + 1))
            last = known[n] = seq
            new += 1
            body = self._renamed(line, ids, known)
            row = (
                *(seq, line.parcel, line.part, here, line.topic, line.kind),
                *(body.get("id") if line.topic == "job" else body.get("job"), None),
                *(line.boot, line.mono_s, line.at_us, line.made_with),
                json.dumps(body, separators=(",", ":"), allow_nan=False),
            )
            if line.event is not None:
                row = (*row[:7], body["event"], *row[8:])
            self._rows.execute(f"INSERT INTO ledger ({', '.join(LEDGER)}) VALUES ({_Q})", row)  # noqa: S608
            if line.topic in ("job", "outcome", "log", "diagnosis"):
                changed.add(str(row[6]))
            elif line.topic == "alarm":
                first = alarms.get(body["id"], (seq, ()))[0]
                alarms[body["id"]] = (first, row)
        ids.rename_kept()
        for alarm, (first, row) in alarms.items():
            put_alarm(self._journal, self._rows, alarm, first, row)
        for job in changed:
            put_job(self._journal, self._rows, job)
        return replace(
            found,
            entries=found.entries + new,
            entries_there=found.entries_there + len(known) - new,
            jobs=found.jobs + len(set(ids.jobs) - jobs),
            jobs_there=found.jobs_there + len(ids.old_jobs),
        )

    def _come(self, here: str) -> Iterator[tuple[int, KeptLine]]:
        cursor = self._rows.execute("SELECT * FROM come WHERE chamber = ? ORDER BY n", (here,))
        for n, (_, _, parcel, part, topic, boot, mono_s, at_us, by, text) in enumerate(cursor, 1):
            there, body = json.loads(text)
            yield n, KeptLine(topic, there, parcel, part, boot, mono_s, at_us, by, body)

    @staticmethod
    def _renamed(line: KeptLine, ids: Names, known: Mapping[int, int]) -> dict[str, Any]:
        body = dict(line.body)
        for name in ("id", "job") if line.topic == "job" else ("job",):
            if body.get(name) is not None:
                body[name] = ids.job(body[name], line.parcel)
        if "chamber" in body:
            body["chamber"] = ids.here
        if line.event is not None:
            body["event"] = ids.event(line.event)
        if line.topic == "alarm":
            body["id"] = ids.alarm(body["id"], line.parcel)
            if body.get("cause_alarm"):
                body["cause_alarm"] = ids.alarm(body["cause_alarm"], line.parcel)
        if line.topic == "pin" and body.get("takes_back") is not None:
            body["takes_back"] = known.get(body["takes_back"], 0)
        return body

    def _next_of(self, table: str, row: Mapping[str, Any]) -> int:
        """The number of the next row of a chamber: behind the one before, whatever its time."""
        of = (table, str(row["chamber"]))
        number = max(number_at(int(row["at_us"])), self._last.get(of, -BELOW) + 1)
        self._last[of] = self._free(table, number)
        return self._last[of]

    def _free(self, table: str, number: int) -> int:
        """The first number from there on that nothing has."""
        key = "seq" if table == "ledger" else "number"
        query = f"SELECT 1 FROM {table} WHERE {key} = ?"  # noqa: S608 - ours
        while any(
            each.execute(query, (number,)).fetchone() for each in (self._journal, self._rows)
        ):
            number += 1
        return number

    # --- committed ------------------------------------------------------------------

    def note(self, chamber: str, name: str, at_us: int, detail: Mapping[str, Any]) -> None:
        """Keep that something of a chamber was brought in, and how it is called."""
        row = (
            *(self._free("ledger", number_at(at_us)), self.token, self._noted(), chamber),
            *(TOPIC, TOPIC, None, None, f"brought {self.token}", 0.0, at_us, ""),
            json.dumps({"name": name, **detail}, separators=(",", ":")),
        )
        self._rows.execute(f"INSERT INTO ledger ({', '.join(LEDGER)}) VALUES ({_Q})", row)  # noqa: S608

    def _noted(self) -> int:
        query = "SELECT count(*) FROM ledger WHERE parcel = ?"
        return int(self._rows.execute(query, (self.token,)).fetchone()[0])

    def commit(self, homes: Mapping[str, Path]) -> None:
        """Bring all of it in; files by what their names end with. Raises `StoreError`: nothing is.

        A file gets to its place after its row is there: whoever clears folders up meanwhile
        finds none that nobody knows of.
        """
        with store_errors("nothing was brought in"):
            self._rows.execute("COMMIT")
            self._rows.execute("DROP TABLE come")
            make_homes(self.folder, homes)
            sync(self.folder)
            self._journal.execute("ATTACH ? AS staged", (str(self.folder / ROWS),))
            self._journal.execute("BEGIN IMMEDIATE")
            try:
                self._journal.execute(_COPY.format(table="ledger", columns=", ".join(LEDGER)))
                for table, how in _TABLES.items():
                    names = [r[1] for r in self._rows.execute(f"PRAGMA table_info({table})")]
                    columns = ", ".join(f'"{name}"' for name in names)
                    query = _COPY.format(table=table, columns=columns)
                    self._journal.execute(query.replace("INSERT", how, 1))
                self._journal.execute("COMMIT")
            except BaseException:
                with suppress(sqlite3.Error):
                    self._journal.execute("ROLLBACK")
                raise
        with suppress(StoreError):  # it is brought in; what is left is done by `clear_up`
            bring_home(self.folder, homes)
            reveal(self._archive, self.token)

    def _write_readings(self) -> None:
        """Write the readings that have come, under the name that nobody sees."""
        if not self._waiting:
            return
        names = tuple(self._waiting[0])
        marks = ", ".join("?" for _ in names)
        with store_errors("readings can't be brought in"), transaction(self._archive):
            self._archive.executemany(
                f"INSERT INTO stretch ({', '.join(_quoted(names))}) VALUES ({marks})",  # noqa: S608
                [tuple(row.values()) for row in self._waiting],
            )
        self._waiting = []


def _tables() -> Iterator[str]:
    """How the journal's tables are made."""
    dialect = sqlite.dialect()
    for table in JournalTable.metadata.sorted_tables:
        yield str(CreateTable(table).compile(dialect=dialect))
        for index in sorted(table.indexes, key=lambda each: str(each.name)):
            yield str(CreateIndex(index).compile(dialect=dialect))


_Q = ", ".join("?" for _ in LEDGER)
_COPY = "INSERT INTO main.{table} ({columns}) SELECT {columns} FROM staged.{table}"
_TABLES = {
    "alarm": "INSERT OR REPLACE",
    "job": "INSERT OR REPLACE",
    "job_said": "INSERT OR REPLACE",
    "picture": "INSERT",
    "clip": "INSERT",
    "settings": "INSERT OR IGNORE",
    "toolpath": "INSERT",
    "job_toolpath": "INSERT OR IGNORE",
}


def _quoted(names: Iterable[str]) -> list[str]:
    return [f'"{name}"' for name in names]
