"""A job's readings as a file that can be replayed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from stillair.errors import InputError
from stillair.storage.history import History
from stillair.thermal.table import write_table

FAR_FUTURE_S = 1e11


def export_job(folder: Path, job: str, to: Path) -> int:
    """Write the readings of a job to `to`; return how many rows there are.

    `time_s` counts from the job's start. The file appears only when it is
    whole. Raises `InputError` for an unknown job or one without readings,
    `StoreError`, or `OSError` if `to` can't be written.
    """
    if not (folder / "journal.db").is_file():
        raise InputError(f"there is no history in {folder}; name its folder with --data-dir")
    history = History(folder / "journal.db", folder / "archive.db")
    try:
        try:
            begun_s, over_s = history.job_span(job)
        except KeyError:
            raise InputError(f"there is no job {job!r} in {folder}") from None
        readings = history.iter_job_readings(job, begun_s, over_s or FAR_FUTURE_S)
        written = 0

        def rows() -> Iterator[tuple[float, tuple[float | None, ...]]]:
            nonlocal written
            for epoch_s, values in readings.rows:
                written += 1
                yield round(epoch_s - begun_s, 3), values

        part = to.with_name(to.name + ".part")
        try:
            with part.open("w", encoding="utf-8", newline="") as stream:
                write_table(stream, readings.sensors, rows())
            if not written:
                raise InputError(f"job {job} has no readings (yet)")
            part.replace(to)
        finally:
            part.unlink(missing_ok=True)
    finally:
        history.close()
    return written
