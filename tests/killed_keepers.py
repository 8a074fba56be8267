"""A process whose children keep something until they are killed; for tests of kill -9.

Importing takes a second and each test needs many kills, so one process imports
and forks. For each line on standard input it forks a child and prints its
process id; the child then prints one line for each thing that it was told is
kept. Run as `python killed_keepers.py journal|archive|heights FILE`.
"""

from __future__ import annotations

import asyncio
import os
import random
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from kept_things import BOOT, CHAMBER, job, outcome
from stillair.alerts.courier import Courier, CourierPlan
from stillair.alerts.mail import MailRoute, MailSettings
from stillair.clock import SystemClock
from stillair.model import Outcome
from stillair.storage.archive import Archive
from stillair.storage.emergency import EmergencyJournal
from stillair.storage.journal import Journal
from stillair.storage.writer import JournalWriter
from storming import keep_storm

EPOCH_S = 1_790_000_000.0
ROW_READINGS = 40  # so that rows are packed all the time
KEPT, SENT = 1, 2  # what a courier's child tells of
AHEAD = 20  # messages that wait at about most, so that there is always one under way
HERE = Path(__file__).parent


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


def keep_readings(path: Path, memory_folder: Path | None = None) -> None:
    """Add readings and flush; tell the number of the last one flushed."""
    archive = Archive.open(path, row_readings=ROW_READINGS, memory_folder=memory_folder)
    held = archive.held(CHAMBER, -(10**15), 10**15)
    begin = int(sys.argv[3]) if not held else 0
    number = max([begin, *(int(t[-1]) // 1000 - int(EPOCH_S) + 1 for t, _ in held.get("top", []))])
    while True:
        for _ in range(3):
            archive.add(CHAMBER, "top", EPOCH_S + number, float(number % 100))
            number += 1
        archive.flush()
        tell(number - 1)


def keep_heights(path: Path) -> None:
    """Have a job's heights kept, one after the other; tell each."""
    journal = Journal(path)
    emergency = EmergencyJournal(path.with_name("emergency"), size_bytes=16_384)
    writer = JournalWriter(journal, emergency, lambda _: None, lambda _: None)
    writer.recover()
    known = journal.memory(CHAMBER, BOOT).job
    number = 0 if known is None or known.height_mm is None else round(known.height_mm) + 1
    writer.start()
    while True:
        told = replace(job(), height_mm=float(number))
        writer.put(Outcome(CHAMBER, 100.0 + number, jobs=(told,)), BOOT)
        assert writer.flush(60.0)
        tell(number)
        number += 1


class TellingOutbox:
    """A journal's outbox that tells which messages it knows as sent."""

    def __init__(self, journal: Journal) -> None:
        self.waiting_notices = journal.waiting_notices
        self.record_superseded = journal.record_superseded
        self._journal = journal
        waiting = len(journal.waiting_notices(AHEAD - 1))
        self.waiting = threading.Semaphore(AHEAD - waiting)

    def record_delivery(
        self, key: str, *, at: datetime, sent: bool, outcome: str, next_try_at: datetime | None
    ) -> None:
        self._journal.record_delivery(
            key, at=at, sent=sent, outcome=outcome, next_try_at=next_try_at
        )
        if sent:
            tell(SENT, key.rpartition("-")[2])
        self.waiting.release()


def keep_and_send(path: Path) -> None:
    """Commit outcomes while a courier mails their messages; tell what is kept and what sent."""
    journal = Journal.open(path)
    outbox = TellingOutbox(journal)
    mail = MailSettings(host="127.0.0.1", port=int(sys.argv[3]), security="none")
    courier = Courier(
        outbox,
        {"mailto": MailRoute(mail)},
        clock=SystemClock(),
        chance=random.random,
        on_trouble=lambda *_: None,
        plan=CourierPlan(every_s=0.0),  # the pause between two messages is no place to be killed in
    )
    threading.Thread(target=lambda: asyncio.run(courier.run()), daemon=True).start()
    number = journal.memory(CHAMBER, BOOT).next_event
    while True:
        outbox.waiting.acquire()
        made = outcome(number, float(number))
        notice = replace(made.notices[0], title=f"Door {number}")
        entries = journal.commit(replace(made, notices=(notice,)), BOOT)
        courier.wake()
        tell(KEPT, number, entries[-1].seq)
        number += 1


KEEPERS: dict[str, Callable[[Path], None]] = {
    "journal": keep_outcomes,
    "archive": keep_readings,
    "recent": lambda path: keep_readings(path, path.parent),
    "heights": keep_heights,
    "courier": keep_and_send,
    "storm": lambda path: keep_storm(path, tell),
}


@contextmanager
def keepers(what: str, path: Path) -> Iterator[subprocess.Popen[str]]:
    """The process that forks a child for each line."""
    process = subprocess.Popen(
        [sys.executable, __file__, what, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": f"{HERE.parent / 'service'}:{HERE}"},
    )
    with process:
        yield process
        process.stdin.close()  # type: ignore[union-attr]  # it is a pipe
        assert process.wait(20) == 0


def told_before_kill(
    process: subprocess.Popen[str],
    begin: str,
    least: int,
    kill: Callable[[int], None] = lambda child: os.kill(child, signal.SIGKILL),
) -> list[list[int]]:
    """Let one child work until it has told `least` lines, kill it, return all it told."""
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(f"{begin}\n")
    process.stdin.flush()
    child = 0
    told: list[list[int]] = []
    while not child or len(told) < least:
        words = process.stdout.readline().split()
        if words[0] == "pid":
            child = int(words[1])
        else:
            told.append([int(word) for word in words])
    kill(child)
    return told


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
