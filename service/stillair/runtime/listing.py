"""The jobs that are kept, as the command line tells them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from stillair.alarms.figures import duration
from stillair.errors import InputError
from stillair.storage.history import History
from stillair.storage.items import Item

_SAID = {"sound": "Sound", "flawed": "Flawed", "failed": "Failed"}


def kept_jobs(folder: Path, most: int) -> list[Item]:
    """The last `most` jobs, newest last.

    Raises `InputError` where there is no history, `StoreError` where it can't be read.
    """
    if not (folder / "journal.db").is_file():
        raise InputError(f"there is no history in {folder}; name its folder with --data-dir")
    history = History(folder / "journal.db", folder / "archive.db")
    try:
        return [entry.body for entry in history.jobs(limit=most, last=True).entries]
    finally:
        history.close()


def job_lines(job: Item) -> Iterator[str]:
    """One job: what, when, how it came out, and what it said of its box."""
    began_at = datetime.fromisoformat(str(job["started_at"])).astimezone()
    lasting = ""
    if job["finished_at"] is not None:
        over_at = datetime.fromisoformat(str(job["finished_at"]))
        lasting = f" for {duration((over_at - began_at).total_seconds())}"
    what = ", ".join(str(job[key]) for key in ("name", "material", "machine") if job[key])
    origin = job["origin"] if job["origin"] in ("simulated", "recorded") else ""
    yield f"{job['id']}  {began_at:%Y-%m-%d %H:%M}{lasting}, {job['state']}: {what}"
    if origin:
        yield f"    {str(origin).capitalize()}: nothing of it is real."
    if job["outcome"] is not None:
        yield f"    {_SAID.get(str(job['outcome']), job['outcome'])}, said {job['outcome_by']}."
    diagnosis = job["diagnosis"]
    if isinstance(diagnosis, dict):
        for key in ("text", "figures"):
            if diagnosis[key]:
                yield f"    {diagnosis[key]}"
