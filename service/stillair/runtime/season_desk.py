"""The simulated season in a running service: whether it is there, brought in, and removed.

Brought in while the service runs, its jobs would come after what the chamber has told so
far, though they are older. So whoever wishes for it has the service begin anew: the wish
lies in the folder as a file, the process starts itself again, and the few hours of simulated
life so far make room. Only the built-in simulated chamber is ever filled, and only while no
job of it is over.
"""

from __future__ import annotations

import logging
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from stillair.config import default_chamber
from stillair.errors import CommandRefused, Refusal, StillairError
from stillair.late import Late
from stillair.model import JobPhase
from stillair.runtime.backup import ARCHIVE, JOURNAL
from stillair.storage.archive import Archive
from stillair.storage.history import MOST_ITEMS, History
from stillair.storage.journal import Journal

if TYPE_CHECKING:
    from stillair.runtime import season_file
else:
    season_file = Late("stillair.runtime.season_file")  # with it the simulation

log = logging.getLogger(__name__)

WISH = "season-wanted"
LEAVING = "simulated-leaves"
ASIDE = "simulated-before"  # where the simulated chamber's history goes then
FOLDERS = ("pictures", "clips", "toolpaths")
NOT_BROUGHT_IN = "No season of simulated jobs has been brought in"
STEMS = (JOURNAL, ARCHIVE, "emergency.journal")  # of the files that make room


@dataclass(frozen=True, slots=True)
class SeasonNow:
    """How many of the season's jobs there are, and whether it can be brought in."""

    jobs: int
    offered: bool


class SeasonDesk:
    """What owners do with the season; every method raises `CommandRefused` and `StoreError`.

    `begin_anew` has the process start itself again once its answer has gone out; without it
    (a real or a configured chamber) nothing is offered.
    """

    def __init__(
        self,
        folder: Path,
        *,
        journal: Journal,
        archive: Archive,
        history: History,
        erase: Callable[[str], None],
    ) -> None:
        self._folder = folder
        self._journal = journal
        self._archive = archive
        self._history = history
        self._erase = erase
        self.begin_anew: Callable[[], None] | None = None

    def now(self) -> SeasonNow:
        """How it stands."""
        jobs = len(season_file.jobs_of_season(self._journal))
        offered = self.begin_anew is not None and jobs == 0
        return SeasonNow(jobs, offered and not self._has_jobs() and self._is_alone())

    def wish(self) -> Callable[[], None]:
        """Wish for the season; returns what begins anew with it, for once this is answered."""
        if self.begin_anew is None or not self.now().offered:
            raise CommandRefused(
                Refusal.CONFLICT,
                "A season is brought in only where the built-in simulated chamber has no jobs yet, "
                "and nothing is kept of another chamber.",
            )
        (self._folder / WISH).touch()
        return self.begin_anew

    def remove(self) -> int:
        """Remove the season and all that was added to its jobs; returns how many jobs."""
        return season_file.remove(self._journal, self._archive, self._erase)

    def leave(self) -> bool:
        """A real chamber takes the built-in one's place: its history makes room at the next start.

        Returns whether it will; not where anything is kept of another chamber.
        """
        if not self._is_alone():
            return False
        (self._folder / LEAVING).touch()
        return True

    def _is_alone(self) -> bool:
        """Whether nothing but simulated life would make room: no other chamber's readings."""
        return set(self._history.measured_chambers()) <= {default_chamber().key}

    def _has_jobs(self) -> bool:
        """Whether a job is over; the one that the simulated day begins with isn't."""
        page = self._history.jobs(0, MOST_ITEMS)
        return any(entry.body["state"] == JobPhase.FINISHED.value for entry in page.entries)


def is_wished(folder: Path) -> bool:
    """Whether somebody wished for the season before the process began anew."""
    return (folder / WISH).exists()


def set_aside(folder: Path) -> str:
    """Where a real chamber is watched from now on, put the simulated one's history aside.

    Nothing of it is deleted. Returns what to say of it, "" where there is nothing to do.
    Raises `OSError`.
    """
    if not (folder / LEAVING).exists():
        return ""
    (folder / LEAVING).unlink()
    aside = folder / ASIDE
    shutil.rmtree(aside, ignore_errors=True)
    aside.mkdir(mode=0o700)
    for path in [*_history_files(folder), *(folder / name for name in FOLDERS)]:
        if path.exists():
            path.rename(aside / path.name)
    return f"What was kept of the simulated chamber is in {aside} now."


def brought_in(folder: Path) -> str:
    """Bring the season in at a start, before anything is watched; returns what to say of it.

    By a program that ends: it takes 100 MB, and a process gives little of that back.
    """
    made = subprocess.run(
        [sys.executable, "-m", "stillair.runtime.season_desk", str(folder)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        text=True,
        check=False,
    )
    if made.returncode:
        return f"{NOT_BROUGHT_IN}: its program ended with {made.returncode}."
    return made.stdout.strip()


def bring_in(folder: Path, now: datetime) -> str:
    """What that program does; returns what to say of it.

    What the simulated chamber has told so far makes room where that was wished for.
    Raises `SeasonError` where there is a history, and `StoreError`, `OSError`.
    """
    wished = is_wished(folder)
    # Fulfilled or not, it counts once: no later start gives up what was lived until then.
    (folder / WISH).unlink(missing_ok=True)
    season = season_file.shipped()
    if wished:
        for path in _history_files(folder):
            path.unlink(missing_ok=True)
        shutil.rmtree(folder / "pictures", ignore_errors=True)
    jobs = season_file.bring_in(folder, season, now)
    return f"A season of {jobs} simulated jobs has been brought in: look at Jobs."


def _history_files(folder: Path) -> Iterable[Path]:
    """Journal and archive with what lies beside them under their names."""
    return [path for stem in STEMS for path in folder.glob(f"{stem}*") if path.is_file()]


def main() -> None:
    """Bring the season in, and say what came of it: without it the chamber is watched as well."""
    try:
        told = bring_in(Path(sys.argv[1]), datetime.now().astimezone())
    except (StillairError, OSError) as error:
        told = f"{NOT_BROUGHT_IN}: {error}."
    sys.stdout.write(told)


if __name__ == "__main__":
    main()
