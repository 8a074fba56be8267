"""How soon a board that was away has handed on what happened meanwhile, to a real hall.

    .venv/bin/python tests/bench/hall_entries.py [--entries 10000] [--json]

Mosquitto, a PostgreSQL that brings each commit to the disk, and a real `stillair hall`; the
board's journal has events and alarms of that number. Processor time is that of /proc.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench.hall import one, until, used
from bench.hall_board import NOW
from halls import hall
from kept_things import BOOT, CHAMBER, alarm, event
from servers import Broker, DatabaseServer
from stillair.alerts.topic import BrokerSettings
from stillair.clock import SystemClock
from stillair.hall.cursors import Cursors
from stillair.hall.messages import Form
from stillair.hall.publisher import Publisher, Tells
from stillair.hall.rows import Ledger, Rows
from stillair.model import Outcome
from stillair.runtime.backup import ARCHIVE, JOURNAL
from stillair.storage.archive import Archive
from stillair.storage.journal import Journal
from stillair.storage.onward import Onward
from stillair.storage.readings import Readings
from stillair.storage.records import Parcel

GIVE_UP_S = 3600.0


def fill(journal: Journal, entries: int) -> None:
    """An event and its alarm in each parcel, one a minute."""
    for first in range(0, entries // 2, 500):
        numbers = range(first + 1, min(first + 500, entries // 2) + 1)
        told = [(each, replace(alarm(each, 60.0 * each), event=each)) for each in numbers]
        outcomes = [
            Outcome(CHAMBER, 60.0 * each, events=(event(each, at_s=60.0 * each),), alarms=(state,))
            for each, state in told
        ]
        journal.commit_all([Parcel(outcome, BOOT) for outcome in outcomes])


def takes(found: dict[str, Any]) -> bool:
    return bool(found["heard"]) and not found["troubles"]


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--entries", type=int, default=10_000)
    words.add_argument("--json", action="store_true")
    given = words.parse_args()
    server = DatabaseServer(durable=True)
    try:
        server.start()
        with tempfile.TemporaryDirectory() as name:
            found = measured(server, Path(name), given.entries)
    finally:
        server.close()
    if given.json:
        print(json.dumps(found))
    else:
        print(*(f"{key} {value}" for key, value in found.items()), sep="\n")


def measured(server: DatabaseServer, folder: Path, entries: int) -> dict[str, float]:
    clock = SystemClock()
    journal = Journal.open(folder / JOURNAL)
    fill(journal, entries)
    journal.close()
    archive = Archive(folder / ARCHIVE)
    archive.ready()
    address = server.new_database()
    broker = Broker(folder)
    broker.start()
    cursors = Cursors(folder / "hall.json", make_mark=lambda: "0123456789ab", wall=clock.wall)
    publisher = Publisher(
        BrokerSettings("127.0.0.1", broker.port),
        lambda board: Form(
            prefix="shed", board=board, chamber=CHAMBER, name="north bench", simulated=True
        ),
        Tells(now=lambda: (NOW, True), mark=lambda: None, watching=lambda: True),
        Rows(
            Ledger(last_seq=lambda: entries, cleaned=lambda body: body),
            Onward(folder / JOURNAL, Readings(folder / ARCHIVE, archive)),
            cursors,
            chamber=CHAMBER,
            sensors=("top",),
            every_s=5.0,
            clock=clock,
        ),
        cursors,
        clock=clock,
        chance=lambda: 0.0,
    )
    count = "SELECT count(*) FROM ledger"
    try:
        with hall(folder / "hall", broker.port, store=address) as running:
            until(lambda: takes(running.get("/api/now")["hall"]), 60.0)
            before, own_s, begun_s = used(running.pid), time.process_time(), time.monotonic()
            publisher.start()
            until(lambda: one(address, count) >= entries, GIVE_UP_S)
            passed_s, after = time.monotonic() - begun_s, used(running.pid)
            own_s = time.process_time() - own_s
            publisher.stop()
    finally:
        publisher.stop()
        broker.stop()
        archive.close()
    return {
        "entries": entries,
        "seconds": round(passed_s, 1),
        "entries_per_s": round(entries / passed_s, 1),
        "hall_us_per_entry": round((after.cpu_s - before.cpu_s) / entries * 1e6),
        "board_us_per_entry": round(own_s / entries * 1e6),
    }


if __name__ == "__main__":
    main()
