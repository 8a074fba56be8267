"""The small file in which a hall keeps which chambers it knows, by key and name.

A hall that is started anew knows by it whom it has to hear, also while broker and database have
forgotten that or are away.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated, Final

from pydantic import BaseModel, ConfigDict, Field

from stillair.alerts import files
from stillair.hall.names import MOST_CHAMBERS

log = logging.getLogger(__name__)

FILE_NAME: Final = "chambers.json"
LARGEST_BYTES: Final = 8 << 20
_Name = Annotated[str, Field(max_length=200)]


class KnownChamber(BaseModel):
    """A chamber as people know it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: _Name
    simulated: bool
    place: _Name = ""


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    v: int = Field(default=1, ge=1, le=1)
    chambers: dict[_Name, KnownChamber] = Field(default={}, max_length=MOST_CHAMBERS)
    off: tuple[_Name, ...] = Field(default=(), max_length=MOST_CHAMBERS)


class KnownChambers:
    """The chambers of a hall, and those that were taken off its page. For one thread at a time.

    Parameters
    ----------
    path : Path
    wall : callable
        The wall clock, for the name of a damaged file that is set aside.
    """

    def __init__(self, path: Path, wall: Callable[[], datetime]) -> None:
        self._path = path
        self._wall = wall
        self._kept = _Kept()

    @property
    def chambers(self) -> Mapping[str, KnownChamber]:
        """By their keys in the hall, as they stand in the file."""
        return self._kept.chambers

    def is_off(self, key: str) -> bool:
        """Whether somebody took it off the page, and it was not heard since."""
        return key in self._kept.off

    def read(self) -> None:
        """Know what stands in the file; one that is damaged is set aside. Raises `StoreError`."""
        content = files.read(self._path, LARGEST_BYTES)
        if content is None:
            return
        try:
            self._kept = _Kept.model_validate_json(content)
        except ValueError:
            name = files.put_aside(self._path, self._wall())
            log.error("%s was damaged and is now %s", self._path.name, name)

    def keep(self, chambers: Mapping[str, KnownChamber], off: Iterable[str]) -> None:
        """Keep what is shown and what was taken off. Raises `StoreError`."""
        gone = dict.fromkeys(each for each in (*self._kept.off, *off) if each not in chambers)
        kept = _Kept(chambers=dict(chambers), off=tuple(gone)[-MOST_CHAMBERS:])
        if kept != self._kept:
            files.write(self._path, kept.model_dump_json().encode())
            self._kept = kept
