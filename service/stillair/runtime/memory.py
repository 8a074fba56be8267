"""Memory: what spares some, what a small board can't bear, and where files in it may lie.

Figures are MB of 10^6 bytes that lie in memory (VmRSS), measured on x86-64 with Python 3.11
after ten minutes by `tests/bench/service.py --grow`. Nothing here imports more than it has to:
`begin` comes before all libraries.
"""

from __future__ import annotations

import ctypes
import gc
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from stillair.sensing.board import Judged, MemoryFacts, size_told

if TYPE_CHECKING:
    from stillair.config import ChamberSettings

M_ARENA_MAX = -8  # malloc.h of the GNU C library

SERVICE_MB = 135  # with sensors, and pages that are open; started by hand
CAMERAS_MB = 15  # the libraries of pictures at work, once
CAMERA_MB = 17  # each, however large its pictures: they are made small as they are unpacked
WEB_MB = 15  # the libraries of web addresses, telephones, message services; mail and MQTT have 2
# Programs of their own, for seconds: one that looks back on a job or reads a toolpath, and one
# that makes a film.
PROGRAM_MB, FILM_MB = 80, 60
SYSTEM_MB = 130  # a Debian without desktop; assumed
LEAST_FREE_MB = 40


def begin() -> None:
    """Have the libraries that are loaded next take less; call it before any of them.

    The C library gives each thread a heap of its own, of which much is never given back: with
    one for all, which 25 threads of Python hardly ever want at once, 4 of 169 MB are spared.
    The linear algebra of NumPy keeps a thread for each core, and is never asked for more than
    a few numbers. What is loaded stays for ever: to look through it for rubbish meanwhile,
    again and again, took a fifth of the start. `settle` has it done once. FastAPI asks of each
    type whether it is of pydantic's first version, which it loads for that, 1.5 MB of it; where
    there is none, nothing is.
    """
    gc.disable()
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.modules.setdefault("pydantic.v1", None)  # type: ignore[arg-type]  # as Python has it
    with suppress(OSError, AttributeError):  # another C library has no such thing
        ctypes.CDLL(None).mallopt(M_ARENA_MAX, 1)


def settle() -> None:
    """Leave what stays for ever, modules and tables, out of every garbage collection.

    Measured with 115,000 objects: a full collection held all threads up for
    75 ms, a reading with them, and the end of the process took 0.38 s instead
    of 0.03 s.
    """
    gc.collect()
    gc.freeze()
    gc.enable()


def folder() -> Path | None:
    """A folder in memory that outlives this process, None where there is none."""
    # The service manager's is kept over a restart, and it clears the other when a service ends.
    given = os.environ.get("RUNTIME_DIRECTORY", "").partition(":")[0]
    found = Path(given or "/dev/shm")  # noqa: S108 - names there are made up, and never taken
    return found if found.is_dir() and os.access(found, os.W_OK) else None


def judged(facts: MemoryFacts, chambers: Sequence[ChamberSettings]) -> Judged:
    """Does this computer have the memory that these chambers take? Else what to do without."""
    if facts.total_bytes is None:
        return Judged(None, "this computer doesn't tell")
    told = size_told(facts.total_bytes)
    if facts.available_bytes is not None:
        told += f", {size_told(facts.available_bytes)} of it free"
    room_mb = facts.total_bytes / 1e6 - SYSTEM_MB
    if facts.limit_bytes is not None and facts.limit_bytes / 1e6 < room_mb:
        room_mb = facts.limit_bytes / 1e6
        told += f"; {size_told(facts.limit_bytes)} is the limit that was set for it"
    takes_mb, more_mb = taken_mb(chambers), PROGRAM_MB + (FILM_MB if _filmed(chambers) else 0)
    told += f"; this set-up takes some {takes_mb} MB, and now and then {more_mb} MB more"
    if takes_mb + more_mb > room_mb:
        return Judged(False, told, _remedy(chambers, takes_mb + more_mb - room_mb))
    if facts.available_bytes is not None and facts.available_bytes / 1e6 < LEAST_FREE_MB:
        return Judged(False, told, "end other programs on it: what is left is used up in a moment")
    if facts.swap:
        return Judged(
            True,
            told,
            f"don't swap to {facts.swap[0]}: that wears a card and holds the watch up; take zram",
        )
    return Judged(True, told)


def taken_mb(chambers: Sequence[ChamberSettings]) -> int:
    """What the service itself takes with these chambers, in MB."""
    cameras = sum(each.camera is not None for each in chambers)
    routes = [route for each in chambers for person in each.people for route in person.routes]
    web = any(not route.startswith(("mailto:", "mqtt:")) for route in routes)
    return SERVICE_MB + (CAMERAS_MB if cameras else 0) + CAMERA_MB * cameras + WEB_MB * web


def _filmed(chambers: Sequence[ChamberSettings]) -> bool:
    """Whether films are made."""
    return any(
        each.camera is not None and (each.clips.events or each.clips.time_lapse)
        for each in chambers
    )


def _remedy(chambers: Sequence[ChamberSettings], missing_mb: float) -> str:
    """What spares so much, the least needed first. A word to people is never given up."""
    sparing: list[tuple[str, int]] = []
    if _filmed(chambers):
        sparing.append(("set clips.events and clips.time_lapse to false", FILM_MB))
    cameras = sum(each.camera is not None for each in chambers)
    if cameras > 1:
        spared_mb = CAMERA_MB * (cameras - 1)
        sparing.append(("leave [camera] in one chamber file alone", spared_mb))
    chosen: list[str] = []
    for what, spares_mb in sparing:
        chosen.append(what)
        missing_mb -= spares_mb
        if missing_mb <= 0:
            return ", and ".join(chosen)
    return "take a board with 1 GB or more"
