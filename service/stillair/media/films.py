"""Files of films in one folder: each film, and the pictures of those still to be made."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

from stillair.errors import StoreError
from stillair.media.files import FILM, FREE_BYTES, errors
from stillair.media.spool import Spool

ID = re.compile(r"[0-9a-f]{32}")
FRAMES = ".frames"
SPARE_BYTES = 200 * 10**6  # beyond what pictures leave free: small matters stop first


class FilmFiles:
    """Where films lie; every method raises `StoreError`."""

    def __init__(
        self,
        folder: Path,
        *,
        free_bytes: Callable[[Path], int] = lambda path: shutil.disk_usage(path).free,
    ) -> None:
        self._folder = folder
        self._free_bytes = free_bytes

    def film(self, clip_id: str) -> Path:
        """Where the film of that id is, or will be."""
        return self._folder / (_sound(clip_id) + FILM)

    def spool_path(self, clip_id: str) -> Path:
        """Where the pictures of a film to come lie."""
        return self._folder / (_sound(clip_id) + FRAMES)

    def spool(self, clip_id: str) -> Spool:
        """The pictures of a film to come, as far as there are any."""
        return Spool.found(self.spool_path(clip_id))

    def need_room(self, *, danger: bool) -> None:
        """Refuse where the disk is nearly full; what shows danger may use more of it."""
        with errors("no film can be kept"):
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            if self._free_bytes(self._folder) < FREE_BYTES + (0 if danger else SPARE_BYTES):
                raise StoreError("no film is kept: the disk is nearly full")

    def remove(self, clip_id: str) -> None:
        """Remove a film and its pictures; harmless where there is none."""
        with errors("a film can't be removed"):
            for suffix in (FILM, FRAMES):
                (self._folder / (_sound(clip_id) + suffix)).unlink(missing_ok=True)

    def sweep(self, known: Callable[[], set[str]], busy: str = "") -> int:
        """Remove what a crash left half made, and what no row knows; returns how many files.

        What belongs to the film that is just being made stays. `known` is asked once the
        files are listed: a film that is brought in meanwhile has its row before its file.
        """
        removed = 0
        with errors("films can't be listed"):
            if not self._folder.is_dir():
                return 0
            found = list(self._folder.iterdir())
            rows = known()
            for path in found:
                clip_id, _, rest = path.name.partition(".")
                whole = f".{rest}" in (FILM, FRAMES) and clip_id in rows
                if not whole and not (busy and clip_id == busy) and ID.fullmatch(clip_id):
                    path.unlink(missing_ok=True)
                    removed += 1
        return removed


def _sound(clip_id: str) -> str:
    if ID.fullmatch(clip_id) is None:
        raise StoreError("that is no film's name")
    return clip_id
