"""What things of a chamber are called here that were called otherwise where they come from."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from contextlib import suppress
from typing import Any

from stillair.storage.kept_lines import check_id


class Names:
    """Jobs, alarms and events of one chamber, by what they were called there.

    Parameters
    ----------
    journal, rows : the board's journal, and the one in which rows wait
    there, here : the chamber's key there and here
    watched : whether somebody watches, or has watched, that chamber here
    """

    def __init__(
        self,
        journal: sqlite3.Connection,
        rows: sqlite3.Connection,
        there: str,
        here: str,
        *,
        watched: bool,
    ) -> None:
        self.there = there
        self.here = here
        self.jobs: dict[str, str] = {}
        self.alarms: dict[str, str] = {}
        self.events: dict[int, int] = {}
        self.old_jobs: set[str] = set()
        self._journal = journal
        self._rows = rows
        self._watched = watched
        self._next_event = self._lowest_event() - 1

    def job(self, job: str, mark: str) -> str:
        """What a job is called here; `mark` tells it from others of its number."""
        if job not in self.jobs:
            tail = check_id(job, self.there, "job")
            taken = "SELECT 1 FROM job WHERE id = ?1 UNION SELECT 1 FROM ledger WHERE job = ?1"
            self.jobs[job] = self._named(tail, taken, mark, set(self.jobs.values()))
        return self.jobs[job]

    def alarm(self, alarm: str, mark: str) -> str:
        """What an alarm is called here."""
        if alarm not in self.alarms:
            tail = check_id(alarm, self.there, "alarm")
            taken = "SELECT 1 FROM alarm WHERE id = ?1"
            self.alarms[alarm] = self._named(tail, taken, mark, set(self.alarms.values()))
        return self.alarms[alarm]

    def event(self, event: int) -> int:
        """Which number an event has here: its own, or one below zero."""
        if event not in self.events:
            taken = "SELECT 1 FROM ledger WHERE chamber = ? AND event = ?"
            if (
                event > 0
                and not self._watched
                and self._journal.execute(taken, (self.here, event)).fetchone() is None
            ):
                self.events[event] = event
            else:
                self.events[event] = self._next_event
                self._next_event -= 1
        return self.events[event]

    def rename_kept(self) -> None:
        """Call jobs and events of pictures, films and toolpaths as they are called here."""
        for table in ("picture", "clip"):
            wanted = f"SELECT id, job, event, body FROM {table} WHERE chamber = ?"  # noqa: S608
            for id_, job, event, text in self._rows.execute(wanted, (self.here,)).fetchall():
                self._rows.execute(
                    f"UPDATE {table} SET job = ?, event = ?, body = ? WHERE id = ?",  # noqa: S608
                    (
                        None if job is None else self.job(job, f"{table} {id_}"),
                        None if event is None else self.event(event),
                        self._shown_here(text) if table == "clip" else text,
                        id_,
                    ),
                )
        links = self._rows.execute("SELECT job, toolpath, at_us FROM job_toolpath").fetchall()
        for job, toolpath, at_us in links:
            if job not in self.jobs and not job.startswith(f"{self.there}-"):
                continue
            self._rows.execute("DELETE FROM job_toolpath WHERE job = ?", (job,))
            # What was said here of a job that is here counts.
            if job in self.jobs and job not in self.old_jobs:
                self._rows.execute(
                    "INSERT INTO job_toolpath (job, toolpath, at_us) VALUES (?, ?, ?)",
                    (self.jobs[job], toolpath, at_us),
                )

    def _shown_here(self, text: str) -> str:
        """The body of a film, with the events that it shows."""
        body: dict[str, Any] = json.loads(text)
        shown = [[self.event(event), kind, at_s] for event, kind, at_s in body["shown"]]
        return json.dumps({**body, "shown": shown}, allow_nan=False)

    def _named(self, tail: str, taken: str, mark: str, given: set[str]) -> str:
        """A name that nothing else has here, and that the watch never gives."""
        here, name = self.here, f"{self.here}-{tail}"
        letters = 6
        while (
            (self._watched and "x" not in name.removeprefix(here))
            or name in given
            or self._journal.execute(taken, (name,)).fetchone() is not None
        ):
            digest = hashlib.sha256(f"{mark} {tail}".encode()).hexdigest()
            name = f"{here}-{tail.partition('x')[0]}x{digest[:letters]}"
            letters += 2
        return name

    def _lowest_event(self) -> int:
        lowest = 0
        for table in ("ledger", "picture", "clip"):
            query = f"SELECT min(event) FROM {table} WHERE chamber = ?"  # noqa: S608 - ours
            (found,) = self._journal.execute(query, (self.here,)).fetchone()
            lowest = min(lowest, found or 0)
        bodies = "SELECT body FROM clip WHERE chamber = ? AND number < 0"
        for (text,) in self._journal.execute(bodies, (self.here,)):
            with suppress(ValueError, KeyError, TypeError, IndexError):
                lowest = min([lowest, *(int(event) for event, *_ in json.loads(text)["shown"])])
        return lowest
