"""What it costs a hall to take many chambers, with a real Mosquitto and a real PostgreSQL.

    .venv/bin/python tests/bench/hall.py [--chambers 10,100,1000] [--seconds 60] [--json]

Each chamber has four sensors at one reading a second, handed on each 5 s, says each 10 s how it
is, and has an entry now and then. What is said to be taken is on the disk (fsync is on). One
process takes; the sender, which plays all boards, is another. Then one board comes by with the
readings of a day. Processor time is that of /proc, in percent of one core.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg

sys.path.insert(0, str(Path(__file__).parents[1]))

import hall_boards
from bench import hall_senders
from servers import Broker, DatabaseServer
from stillair.storage.hall_store import HallStore

TICKS_S = os.sysconf("SC_CLK_TCK")
SETTLE_S = 10.0
SENSORS = ("top", "middle", "bed", "room")
DAY_S = 86_400
KEPT_BYTES = "SELECT pg_total_relation_size('stretch') + pg_total_relation_size('summary')"


@dataclass(frozen=True, slots=True)
class Used:
    """Processor seconds of a process and all its children, and its memory."""

    cpu_s: float
    rss_mb: float


def used(pid: int) -> Used:
    cpu_s = rss_mb = 0.0
    for number in (pid, *children(pid)):
        try:
            fields = Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()
            status = Path(f"/proc/{number}/status").read_text()
        except OSError:
            continue
        cpu_s += (int(fields[11]) + int(fields[12])) / TICKS_S
        if number == pid:
            cpu_s += (int(fields[13]) + int(fields[14])) / TICKS_S  # of children that have ended
            rss = next(line for line in status.splitlines() if line.startswith("VmRSS"))
            rss_mb = int(rss.split()[1]) / 1024
    return Used(cpu_s, rss_mb)


def children(pid: int) -> list[int]:
    try:
        return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []


@contextmanager
def taker(broker: Broker, address: str, figures: Path) -> Iterator[int]:
    words = [hall_boards.__file__, str(broker.port), address, str(figures), "0.2"]
    with subprocess.Popen([sys.executable, *words]) as process:
        try:
            yield process.pid
        finally:
            process.kill()


@contextmanager
def sender(broker: Broker, chambers: int, backlog_s: int = 0) -> Iterator[subprocess.Popen[bytes]]:
    words = [__file__, "--send", str(broker.port), "--chambers", str(chambers)]
    words += ["--backlog", str(backlog_s)]
    with subprocess.Popen([sys.executable, *words], stdout=subprocess.PIPE) as process:
        try:
            yield process
        finally:
            process.kill()


def told(figures: Path) -> dict[str, Any]:
    try:
        found: dict[str, Any] = json.loads(figures.read_text())
    except OSError:
        return {}
    return found


def until(ask: Any, within_s: float) -> None:
    give_up_s = time.monotonic() + within_s
    while not ask():
        if time.monotonic() > give_up_s:
            raise SystemExit("it did not come so far")
        time.sleep(0.2)


def one(address: str, query: str) -> Any:
    with psycopg.connect(address) as connection:
        row = connection.execute(query.encode()).fetchone()
    return row[0] if row else None


def live(server: DatabaseServer, folder: Path, chambers: int, seconds: float) -> dict[str, Any]:
    """What so many chambers cost."""
    address = server.new_database()
    broker = Broker(folder)
    broker.start()
    figures = folder / f"figures-{chambers}"
    figures.unlink(missing_ok=True)
    try:
        with taker(broker, address, figures) as hall:
            until(lambda: told(figures).get("why") == "", 30.0)
            with sender(broker, chambers):
                until(lambda: told(figures)["readings"] >= chambers * 4 * 5, 60.0)
                time.sleep(SETTLE_S)
                pids = {"hall": hall, "broker": broker.pid, "database": server.pid}
                first = {name: used(pid) for name, pid in pids.items()}
                wal = one(address, "SELECT pg_current_wal_lsn()")
                before, begun_s = told(figures), time.monotonic()
                oldest_s = 0.0
                while time.monotonic() - begun_s < seconds:
                    time.sleep(1.0)
                    oldest_s = max(oldest_s, told(figures)["oldest_s"])
                passed_s = time.monotonic() - begun_s
                after, last = told(figures), {name: used(pid) for name, pid in pids.items()}
                wal_bytes = int(
                    one(address, f"SELECT pg_wal_lsn_diff(pg_current_wal_lsn(), '{wal}')")
                )
                tail = int(one(address, "SELECT pg_total_relation_size('tail')"))
                packed = int(one(address, "SELECT coalesce(sum(count), 0) FROM stretch"))
                stays = int(one(address, KEPT_BYTES))
                waiting = after["readings"] - packed
    finally:
        broker.stop()
    share = {name: (last[name].cpu_s - first[name].cpu_s) / passed_s * 100 for name in pids}
    return {
        "chambers": chambers,
        **{f"{name}_percent": round(value, 1) for name, value in share.items()},
        "hall_percent_per_chamber": round(share["hall"] / chambers, 4),
        "hall_mb": round(last["hall"].rss_mb, 1),
        "readings_per_s": round((after["readings"] - before["readings"]) / passed_s, 1),
        "entries": after["entries"],
        "commits_per_s": round((after["commits"] - before["commits"]) / passed_s, 1),
        "longest_wait_s": round(oldest_s, 2),
        "left": after["left"],
        "faults": after["faults"],
        "tail_bytes_per_reading": round(tail / max(waiting, 1), 1),
        # Only where it goes on for more than ten minutes.
        "packed_share": round(packed / after["readings"], 2),
        "packed_bytes_per_reading": round(stays / packed, 2) if packed else None,
        "wal_mb_per_h": round(wal_bytes / passed_s * 3600 / 1e6),
    }


def backlog(server: DatabaseServer, folder: Path, seconds: int) -> dict[str, Any]:
    """How soon one board that was away for so long has handed all on, and what stays of it."""
    address = server.new_database()
    broker = Broker(folder)
    broker.start()
    figures = folder / "figures-backlog"
    figures.unlink(missing_ok=True)
    try:
        with taker(broker, address, figures) as hall:
            until(lambda: told(figures).get("why") == "", 30.0)
            first, begun_s = used(hall), time.monotonic()
            with sender(broker, 1, seconds) as process:
                process.wait()
            passed_s, last = time.monotonic() - begun_s, used(hall)
    finally:
        broker.stop()
    HallStore.open(address).close()
    packed = int(one(address, "SELECT sum(count) FROM stretch"))
    server.say(address.rpartition("/")[2], "VACUUM")
    stays = int(one(address, KEPT_BYTES))
    payload = int(one(address, "SELECT sum(length(payload)) FROM stretch"))
    return {
        "readings": seconds * len(SENSORS),
        "seconds": round(passed_s, 1),
        "hall_us_per_reading": round((last.cpu_s - first.cpu_s) / seconds / 4 * 1e6, 1),
        "packed_bytes_per_reading": round(stays / packed, 2),
        "payload_bytes_per_reading": round(payload / packed, 2),
    }


# --- the boards ----------------------------------------------------------------------------


def send(port: int, chambers: int, backlog_s: int) -> None:
    if backlog_s:
        hall_senders.catch_up(port, backlog_s)
    else:
        hall_senders.play(port, chambers)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--chambers", default="10,100,1000")
    words.add_argument("--seconds", type=float, default=60.0)
    words.add_argument("--backlog", type=int, default=DAY_S, help="seconds; 0 for none")
    words.add_argument("--json", action="store_true")
    words.add_argument("--send", type=int, help=argparse.SUPPRESS)
    given = words.parse_args()
    if given.send:
        send(given.send, int(given.chambers), given.backlog)
        return
    server = DatabaseServer(durable=True)
    found: dict[str, Any] = {"live": []}
    try:
        server.start()
        with tempfile.TemporaryDirectory() as name:
            for chambers in given.chambers.split(","):
                measured = live(server, Path(name), int(chambers), given.seconds)
                found["live"].append(measured)
                if not given.json:
                    print(*(f"{key} {value}" for key, value in measured.items()), sep="\n  ")
            if given.backlog:
                found["backlog"] = backlog(server, Path(name), given.backlog)
                if not given.json:
                    print("a board that was away")
                    print(
                        *(f"  {key} {value}" for key, value in found["backlog"].items()), sep="\n"
                    )
    finally:
        server.close()
    if given.json:
        print(json.dumps(found))


if __name__ == "__main__":
    main()
