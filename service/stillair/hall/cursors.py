"""The small file in which a board keeps how far its chambers have been handed on.

It also holds the mark by which the board is known in a hall: made by chance once, and the
same for as long as its data directory.
"""

from __future__ import annotations

import json
import logging
import re
import threading
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from stillair.alerts import files
from stillair.hall.catching_up import Progress

log = logging.getLogger(__name__)

FILE_NAME = "hall.json"
LARGEST_BYTES = 1 << 20
_MARK = re.compile(r"[0-9a-f]{12}")


class Cursors:
    """The cursors of all chambers of a board. Thread-safe.

    Parameters
    ----------
    path : Path
    make_mark : callable
        Gives twelve hexadecimal digits by chance.
    wall : callable
        The wall clock, for the name of a damaged file that is set aside.
    """

    def __init__(
        self, path: Path, *, make_mark: Callable[[], str], wall: Callable[[], datetime]
    ) -> None:
        self._path = path
        self._make_mark = make_mark
        self._wall = wall
        self._lock = threading.Lock()
        self._kept: dict[str, Any] | None = None

    def board(self) -> str:
        """The board's mark. Raises `StoreError`."""
        with self._lock:
            return str(self._read()["board"])

    def of(self, chamber: str) -> Progress | None:
        """How far a chamber was; None of one that was never handed on. Raises `StoreError`."""
        with self._lock:
            kept = self._read()["chambers"].get(chamber)
        try:
            return None if kept is None else Progress.read(kept)
        except ValueError as error:
            log.warning("%s: how far the hall is has been forgotten: %s", chamber, error)
            return None

    def keep(self, chamber: str, progress: dict[str, Any]) -> None:
        """Keep what `Progress.kept` gave. Raises `StoreError`."""
        with self._lock:
            kept = self._read()
            self._write({**kept, "chambers": {**kept["chambers"], chamber: progress}})

    def _read(self) -> dict[str, Any]:
        if self._kept is None:
            content = files.read(self._path, LARGEST_BYTES)
            found = None if content is None else _understood(content)
            if found is None:
                if content is not None:
                    name = files.put_aside(self._path, self._wall())
                    log.error("%s was damaged and is now %s", self._path.name, name)
                self._write({"v": 1, "board": self._make_mark(), "chambers": {}})
            else:
                self._kept = found
        assert self._kept is not None
        return self._kept

    def _write(self, kept: dict[str, Any]) -> None:
        files.write(self._path, json.dumps(kept, separators=(",", ":")).encode())
        self._kept = kept


def _understood(content: bytes) -> dict[str, Any] | None:
    try:
        found = json.loads(content) if len(content) <= LARGEST_BYTES else None
    except (ValueError, RecursionError):
        return None
    if (
        isinstance(found, dict)
        and found.keys() == {"v", "board", "chambers"}
        and found["v"] == 1
        and isinstance(found["board"], str)
        and _MARK.fullmatch(found["board"])
        and isinstance(found["chambers"], dict)
    ):
        return found
    return None
