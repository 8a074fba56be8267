"""Take out everything that is kept, in an open form, and bring it in on another board.

The form is `archive_form`'s. An archive is made while the service runs. What is brought in
comes beside what is there: see `storage.brought`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from stillair.runtime.archive_form import ArchiveError, Counts


@dataclass(frozen=True, slots=True)
class BroughtIn:
    """What has been brought in: chambers by their keys in the file, and how much of it is new."""

    chambers: Mapping[str, str]
    added: Counts
    already: Counts


def bring_in(
    file: Path,
    folder: Path,
    *,
    shift_s: float = 0.0,
    as_chamber: str | None = None,
    alone: bool = False,
) -> BroughtIn:
    """Add an archive to a data folder, all of it or nothing; what is there already is left alone.

    `shift_s` moves all wall times, seconds. `as_chamber` is the key under which a chamber is
    brought in: "KEY", or "KEY-IN-FILE=KEY" where the file has several. `alone`: whoever
    calls holds the folder and nothing watches yet. Raises `ArchiveError`, `StoreError`.
    """
    raise ArchiveError("not finished")
