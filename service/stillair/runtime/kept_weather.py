"""The weather of finished jobs, kept so that looking back at one again is quick.

What is kept is a copy of what can be computed at any time: a file for each job, with a
mark of all that it rests on. When something new is known of the job, the mark is another,
and the file counts for nothing. It goes with the job that is erased.
"""

from __future__ import annotations

import gzip
import json
import logging
import zlib
from contextlib import suppress
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from stillair import __version__
from stillair.errors import StoreError
from stillair.late import Late
from stillair.runtime.comparing import pauses_of
from stillair.runtime.diagnosing import epoch_s, faults_of, spans_of
from stillair.storage.history import History
from stillair.storage.items import Item

if TYPE_CHECKING:
    from stillair.runtime import weathering
else:
    weathering = Late("stillair.runtime.weathering")

log = logging.getLogger(__name__)

WEATHER = "weather"  # a folder
MOST = 300  # jobs; some 30 to 100 kB each
SETTLED_S = 600.0  # after the end a last reading, pause or event may still come
AFTER_S = 3600.0  # of events after the end: the last layers may have been laid later than told


def rests_on(history: History, asked: weathering.Weathered) -> str | None:
    """A mark of all that a job's weather is computed from; None while that still changes.

    The readings of a job that is over don't change, and a toolpath that was read doesn't.
    Raises `StoreError`.
    """
    item = history.job(asked.job)
    if item is None:
        return None
    begun_s, over_s = epoch_s(item["started_at"]), epoch_s(item["finished_at"])
    if begun_s is None or over_s is None or asked.now_s < over_s + SETTLED_S:
        return None
    since_s, until_s = begun_s - weathering.AROUND_S, over_s + AFTER_S
    spans = [
        spans_of(history, asked.chamber, kind, since_s, until_s) for kind in weathering.DISTURBING
    ]
    faults = faults_of(history, asked.chamber, since_s, until_s)
    what = (
        __version__,
        asked.chamber,
        asked.air,
        item,
        history.courses().last_seq(asked.job),  # posts, pins, corrections
        history.toolpaths().of_job(asked.job),
        pauses_of(history, asked.job),  # their labels move when the clock is set
        spans,
        faults,
    )
    return sha256(json.dumps(what, sort_keys=True, default=str).encode()).hexdigest()


class KeptWeather:
    """Files of what was computed. What can't be read or written is computed again."""

    def __init__(self, folder: Path, *, most: int = MOST) -> None:
        self._folder = folder
        self._most = most

    def get(self, job: str, mark: str) -> Item | None:
        """What was kept of a job with this mark."""
        path = self._path(job)
        try:
            kept = json.loads(gzip.decompress(path.read_bytes()))
            if kept["rests_on"] != mark:
                return None
            path.touch()  # asked for last
            return Item(kept["weather"])
        except FileNotFoundError:
            return None
        except (OSError, EOFError, zlib.error, ValueError, KeyError, TypeError, RecursionError):
            log.warning("the kept weather of %s can't be read; it is computed again", job)
            return None

    def put(self, job: str, mark: str, weather: Item) -> None:
        """Keep it; those not asked for the longest go when they are too many."""
        path = self._path(job)
        part = path.with_suffix(".part")
        text = json.dumps({"rests_on": mark, "weather": weather}, allow_nan=False)
        try:
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            part.write_bytes(gzip.compress(text.encode(), compresslevel=5, mtime=0))
            part.replace(path)
            by_age = sorted(self._folder.glob("*.gz"), key=lambda each: each.stat().st_mtime_ns)
            for old in by_age[: -self._most]:
                old.unlink(missing_ok=True)
        except OSError as error:
            log.warning("the weather of %s can't be kept: %s", job, error.strerror)
            with suppress(OSError):
                part.unlink(missing_ok=True)

    def forget(self, job: str) -> None:
        """Erase what is kept of a job. Raises `StoreError` where that can't be done."""
        try:
            self._path(job).unlink(missing_ok=True)
        except OSError as error:
            raise StoreError(f"the weather of a job can't be erased: {error.strerror}") from None

    def _path(self, job: str) -> Path:
        # A job's name is not trusted with the name of a file.
        return self._folder / f"{sha256(job.encode()).hexdigest()[:32]}.gz"
