"""How alarms and jobs stand that were brought in: nothing of them stands or runs here."""

from __future__ import annotations

import json
import sqlite3
from typing import Any

from stillair.jobs import log as joblog
from stillair.model import LogKept, LogTold
from stillair.storage.records import dump, load


def put_alarm(
    journal: sqlite3.Connection,
    staged: sqlite3.Connection,
    alarm: str,
    first: int,
    row: tuple[Any, ...],
) -> None:
    """An alarm as it stood last, but for that it doesn't stand here."""
    there = journal.execute("SELECT first_seq, seq FROM alarm WHERE id = ?", (alarm,)).fetchone()
    if there is not None and there[1] > row[0]:
        return
    body = json.loads(row[12]) | {
        "condition": False,
        "annunciation": "normal",
        "suppression": "none",
        "shelved_until_s": None,
    }
    staged.execute(
        "INSERT OR REPLACE INTO alarm (id, first_seq, seq, job, standing, chamber, boot_id,"
        " mono_s, at_us, body) VALUES (?, ?, ?, ?, 0, ?, ?, ?, ?, ?)",
        (
            *(alarm, min(first, there[0]) if there else first, row[0], row[6], row[3]),
            *(row[8], row[9], row[10], json.dumps(body, separators=(",", ":"))),
        ),
    )


def put_job(journal: sqlite3.Connection, staged: sqlite3.Connection, job: str) -> None:
    """A job as it stands after everything that was said of it, there and here."""
    query = (
        "SELECT seq, topic, kind, chamber, boot_id, mono_s, at_us, body FROM ledger"
        " WHERE job = ? AND topic IN ('job', 'outcome', 'log', 'diagnosis')"
    )
    rows = [row for each in (journal, staged) for row in each.execute(query, (job,))]
    mixed = any(row[0] > 0 for row in rows)
    rows.sort(key=lambda row: (row[6], row[0]) if mixed else (row[0], 0))
    said: dict[str, tuple[str, Any, str]] = {}
    kept: LogKept | None = None
    for row in rows:
        if row[1] == "log":
            kept = joblog.after(kept, load(LogTold, row[7]))
            said["log"] = (joblog.worst(kept.pieces) or "", row, dump(kept))
        elif row[1] != "job":
            said[row[1]] = (row[2], row, row[7])
    for topic, (word, row, body) in said.items():
        staged.execute(
            "INSERT OR REPLACE INTO job_said (id, job, topic, word, seq, chamber, boot_id,"
            " mono_s, at_us, body) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (f"{topic} {job}", job, topic, word, row[0], *row[3:7], body),
        )
    states = [row for row in rows if row[1] == "job"]
    if states and all(row[0] < 0 for row in states):
        staged.execute(
            "INSERT OR REPLACE INTO job (id, first_seq, seq, unfinished, chamber, boot_id,"
            " mono_s, at_us, body) VALUES (?, ?, ?, 0, ?, ?, ?, ?, ?)",
            (job, states[0][0], states[-1][0], *_ended(states[-1], rows[-1])),
        )


def _ended(row: tuple[Any, ...], last: tuple[Any, ...]) -> tuple[Any, ...]:
    """A job that was taken out while it ran is over: nobody watches it here."""
    _, _, _, chamber, boot, mono_s, at_us, text = row
    body = json.loads(text)
    if body["state"] != "finished":
        seen_s = max(mono_s, (last[6] - at_us) / 1e6 + mono_s)
        ended_s = body.get("finished_s")
        body |= {"state": "finished", "paused_since_s": None}
        body["finished_s"] = seen_s if ended_s is None else ended_s
        at_us, mono_s = at_us + round((seen_s - mono_s) * 1e6), seen_s
    return chamber, boot, mono_s, at_us, json.dumps(body, separators=(",", ":"))
