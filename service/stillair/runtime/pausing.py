"""A camera that somebody wants to look away for a time.

The wish outlives a restart: who was told that no picture is taken must be able
to count on it. It ends by itself, and what burns is watched for by heat alone
meanwhile, which every page says.
"""

from __future__ import annotations

import json
import logging
import math
import os
import threading
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path

from stillair.clock import Clock
from stillair.errors import CommandRefused, Refusal
from stillair.model import Kind
from stillair.runtime.chamber import Chamber

log = logging.getLogger(__name__)

FILE_NAME = "camera-paused.json"
LONGEST_S = 8 * 3600.0
BY_CAMERA = frozenset({Kind.FIRE, Kind.FLAME, Kind.SMOKE})


class Pausing:
    """Let cameras look away and look again.

    Parameters
    ----------
    folder : Path
        Where wishes that outlive a restart are kept.
    chambers : callable
        All of this process.
    clock : Clock
        The machine's, for the wall.
    """

    def __init__(
        self, folder: Path, chambers: Callable[[], Iterable[Chamber]], clock: Clock
    ) -> None:
        self._path = folder / FILE_NAME
        self._chambers = chambers
        self._clock = clock
        self._lock = threading.Lock()  # around the file, which holds the wishes of all chambers

    def pause(self, key: str, for_s: float, *, by: str) -> bool:
        """Let a chamber's camera look away; returns whether that would outlive a restart.

        Raises `CommandRefused` where there is no camera, or danger that it has seen stands.
        """
        chamber = self._of(key)
        if chamber is None or chamber.camera is None:
            raise CommandRefused(Refusal.UNKNOWN, "There is no camera.")
        if any(event.kind in BY_CAMERA for event in chamber.supervisor.view.events):
            raise CommandRefused(
                Refusal.CONFLICT, "The camera sees danger just now: it has to go on looking."
            )
        chamber.camera.pause(chamber.clock.now_s() + for_s, f"by {by}")
        return self._keep(key, self._clock.wall().timestamp() + for_s / chamber.speed, by)

    def go_on(self, key: str) -> None:
        """Let it look again; harmless if it does."""
        chamber = self._of(key)
        if chamber is None or chamber.camera is None:
            raise CommandRefused(Refusal.UNKNOWN, "There is no camera.")
        self._keep(key, None, "")
        chamber.camera.go_on()

    def restore(self) -> None:
        """Take up wishes from before a restart, before any camera is started."""
        now_s = self._clock.wall().timestamp()
        for key, (until_s, by) in self._kept().items():
            chamber = self._of(key)
            left_s = min(until_s - now_s, LONGEST_S)  # the clock may be wrong
            if chamber is not None and chamber.camera is not None and left_s > 0:
                left_s *= chamber.speed
                chamber.camera.pause(chamber.clock.now_s() + left_s, f"by {by}")

    def tidy(self) -> None:
        """Forget wishes whose time is up; often.

        One that stayed would come back with a restart whose clock is behind, when nobody
        wishes it any more.
        """
        now_s = self._clock.wall().timestamp()
        for key, (until_s, _) in self._kept().items():
            if until_s <= now_s:
                self._keep(key, None, "")

    def _of(self, key: str) -> Chamber | None:
        return next((chamber for chamber in self._chambers() if chamber.key == key), None)

    def _keep(self, key: str, until_s: float | None, by: str) -> bool:
        with self._lock:
            kept = {k: v for k, v in self._kept().items() if k != key}
            if until_s is not None:
                kept[key] = until_s, by
            return self._write(kept)

    def _write(self, kept: dict[str, tuple[float, str]]) -> bool:
        part = self._path.with_suffix(".part")
        try:
            if not kept:
                self._path.unlink(missing_ok=True)
                return True
            with part.open("w", encoding="utf-8") as file:
                json.dump(kept, file)
                file.flush()
                os.fsync(file.fileno())
            part.replace(self._path)
        except OSError as error:
            log.warning("that a camera is paused can't be kept: %s", error)
            return False
        return True

    def _kept(self) -> dict[str, tuple[float, str]]:
        return wishes(self._path.parent)


def wishes(folder: Path) -> dict[str, tuple[float, str]]:
    """Of each chamber whose camera is to look away: until when, s since the epoch, and by whom."""
    found: dict[str, tuple[float, str]] = {}
    with suppress(OSError, ValueError, TypeError, AttributeError):
        for key, (until_s, by) in json.loads((folder / FILE_NAME).read_text("utf-8")).items():
            if math.isfinite(float(until_s)):
                found[str(key)] = float(until_s), str(by)[:40]
    return found
