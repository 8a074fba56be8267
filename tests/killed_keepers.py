"""A process whose children keep something until they are killed; for tests of kill -9.

Importing takes a second and each test needs many kills, so one process imports
and forks. For each line on standard input it forks a child and prints its
process id; the child then prints one line for each thing that it was told is
kept. Run as `python killed_keepers.py journal|archive FILE`.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

from kept_things import BOOT, CHAMBER, outcome
from stillair.storage.archive import Archive
from stillair.storage.journal import Journal

EPOCH_S = 1_790_000_000.0
ROW_READINGS = 40  # so that rows are packed all the time


def tell(*words: object) -> None:
    """One line in one write, so that a kill never leaves half of it."""
    os.write(1, (" ".join(map(str, words)) + "\n").encode())


def keep_outcomes(path: Path) -> None:
    """Commit outcomes; tell event number and last number in the ledger of each."""
    journal = Journal.open(path)
    number = journal.memory(CHAMBER, BOOT).next_event
    while True:
        entries = journal.commit(outcome(number, float(number)), BOOT)
        tell(number, entries[-1].seq)
        number += 1


def keep_readings(path: Path) -> None:
    """Add readings and flush; tell the number of the last one flushed."""
    archive = Archive.open(path, row_readings=ROW_READINGS)
    held = archive.held(CHAMBER, -(10**15), 10**15)
    begin = int(sys.argv[3]) if not held else 0
    number = max([begin, *(int(t[-1]) // 1000 - int(EPOCH_S) + 1 for t, _ in held.get("top", []))])
    while True:
        for _ in range(3):
            archive.add(CHAMBER, "top", EPOCH_S + number, float(number % 100))
            number += 1
        archive.flush()
        tell(number - 1)


KEEPERS: dict[str, Callable[[Path], None]] = {"journal": keep_outcomes, "archive": keep_readings}


def main() -> None:
    """Fork a child for each line that comes in."""
    keeper, path = KEEPERS[sys.argv[1]], Path(sys.argv[2])
    for line in sys.stdin:
        sys.argv[3:] = [line.strip()]
        child = os.fork()
        if child == 0:
            keeper(path)
        tell("pid", child)
        os.waitpid(child, 0)


if __name__ == "__main__":
    main()
