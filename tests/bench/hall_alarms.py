"""How long an alarm takes through a hall to a person while many chambers send.

    python tests/bench/hall_alarms.py [--chambers 1000] [--seconds 60] [--no-database]

A real Mosquitto, a real `stillair hall` with a real PostgreSQL, and a web receiver on loopback
that stands for a person's telephone. Another process sends what the boards of all chambers would:
four sensors at 1 Hz, each chamber every 5 s, and how it is every 10 s. From this process an alarm
of one chamber after the other is published; measured is from there to its arrival at the receiver,
which is the broker, the hall and the web request. It prints p50, p99 and the longest, the hall's
processor time and memory, and as JSON the same. The reference is the same alarm with nobody else
sending, in the same run.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import statistics
import sys
import tempfile
import threading
import time
from multiprocessing.synchronize import Event
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from hall_voices import Boards, alarm, an_alarm, board_mark, now, watch
from halls import NOWHERE, hall
from running import RunningService, wait_until
from servers import Broker, DatabaseServer
from stillair.hall.messages import Column, ReadingsMessage
from web_receivers import WebReceiver, receiving

EVERY_S = 5.0
NOW_EVERY_S = 10.0
SENSORS = ("top", "middle", "low", "room")
TOLD = """
[[person]]
name = "captain"
routes = ["{address}"]

[webhook]
secret = "a long row to the weir and back"
"""


def send(port: int, chambers: int, begun: Event, stop: Event) -> None:
    """All boards: who they are, then readings and how they are, evenly over time."""
    boards = Boards(port)
    marks = [board_mark(number) for number in range(chambers)]
    for number, mark in enumerate(marks):
        boards.say_soon(mark, "watch", watch(mark, name=f"bench {number}"))
        boards.say_soon(mark, "now", now(mark, name=f"bench {number}"))
        if number % 20 == 19:
            time.sleep(0.05)
    begun.set()
    started_s = time.monotonic()
    sent = 0
    while not stop.is_set():
        mark = marks[sent % chambers]
        at_ms = round(time.time() * 1000)
        column = Column(
            at_ms=[at_ms - 1000 * back for back in range(int(EVERY_S) - 1, -1, -1)],
            temperature_c=[45.0 + (sent + k) % 16 / 16 for k in range(int(EVERY_S))],
        )
        told = ReadingsMessage(
            board=mark,
            chamber="north-bench",
            simulated=False,
            sensors=dict.fromkeys(SENSORS, column),
        )
        boards.publish(mark, "readings", told.payload())
        if sent % round(NOW_EVERY_S / EVERY_S) == 0:
            half = marks[(sent // 2) % chambers]
            boards.say_soon(half, "now", now(half, name=f"bench {(sent // 2) % chambers}"))
        sent += 1
        late_s = started_s + sent * EVERY_S / chambers - time.monotonic()
        if late_s > 0:
            time.sleep(late_s)
    boards.close()


def through(
    port: int, receiver: WebReceiver, chambers: int, seconds: float, first: int
) -> list[float]:
    """Milliseconds of one alarm after the other, from publishing to its arrival."""
    boards = Boards(port)
    came: dict[str, float] = {}
    seen = len(receiver.posted)
    stop = threading.Event()

    def watch_receiver() -> None:
        place = seen
        while not stop.is_set():
            for posted in receiver.posted[place:]:
                place += 1
                if posted.told["stage"] == "raised":
                    came.setdefault(posted.told["alarm"], time.perf_counter())
            time.sleep(0.001)

    watcher = threading.Thread(target=watch_receiver)
    watcher.start()
    took_ms = []
    end_s = time.monotonic() + seconds
    number = first
    while time.monotonic() < end_s:
        board = board_mark(number * 37 % chambers)
        name = f"north-bench-{number}"
        given_s = time.perf_counter()
        boards.say_soon(board, f"alarms/{name}", alarm(board, an_alarm(name)))
        give_up_s = time.monotonic() + 10.0
        while f"{board}.{name}" not in came and time.monotonic() < give_up_s:
            time.sleep(0.001)
        arrived_s = came.get(f"{board}.{name}")
        took_ms.append(1000 * (arrived_s - given_s) if arrived_s else 10_000.0)
        boards.say_soon(board, f"alarms/{name}", b"")
        number += 1
        time.sleep(0.3)
    stop.set()
    watcher.join()
    boards.close()
    return took_ms


def figures(took_ms: list[float]) -> dict[str, float]:
    ordered = sorted(took_ms)
    return {
        "alarms": len(ordered),
        "p50_ms": round(statistics.median(ordered), 1),
        "p99_ms": round(ordered[max(0, round(0.99 * len(ordered)) - 1)], 1),
        "max_ms": round(ordered[-1], 1),
    }


def processor_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> float:
    line = next(
        each for each in Path(f"/proc/{pid}/status").read_text().splitlines() if "VmRSS" in each
    )
    return int(line.split()[1]) / 1024


def readings_taken(running: RunningService) -> float:
    """How many the database has taken."""
    lines = running.web.get("/metrics").text.splitlines()
    (line,) = [each for each in lines if each.startswith("stillair_hall_readings_total")]
    return float(line.split()[1])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--chambers", type=int, default=1000)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--no-database", action="store_true")
    wanted = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="hall-alarms-"))
    broker = Broker(folder)
    broker.start()
    database = None if wanted.no_database else DatabaseServer()
    if database is not None:
        database.start()
    store = NOWHERE if database is None else database.new_database()
    begun, stop = multiprocessing.Event(), multiprocessing.Event()
    sender = multiprocessing.Process(
        target=send, args=(broker.port, wanted.chambers, begun, stop), daemon=True
    )
    try:
        with receiving() as receiver:
            told = TOLD.format(address=receiver.address("/told"))
            with hall(folder / "hall", broker.port, told, "--metrics", store=store) as running:
                quiet = through(broker.port, receiver, wanted.chambers, 10.0, 0)
                sender.start()
                assert begun.wait(120.0)
                wait_until(
                    lambda: len(running.get("/api/hall")["items"]) == wanted.chambers,
                    within_s=60,
                )
                taken = readings_taken(running)
                before_s, at_s = processor_s(running.pid), time.monotonic()
                loaded = through(broker.port, receiver, wanted.chambers, wanted.seconds, 1000)
                lasted_s = time.monotonic() - at_s
                share = (processor_s(running.pid) - before_s) / lasted_s
                found = {
                    "chambers": wanted.chambers,
                    "database": database is not None,
                    "alone": figures(quiet),
                    "loaded": figures(loaded),
                    "readings_per_s": round((readings_taken(running) - taken) / lasted_s),
                    "hall_of_one_core": round(share, 3),
                    "hall_mb": round(memory_mb(running.pid)),
                    "troubles": [
                        each["subject"] for each in running.get("/api/now")["hall"]["troubles"]
                    ],
                }
                begun_s = time.monotonic()
                running.get("/api/hall")
                found["all_rows_ms"] = round(1000 * (time.monotonic() - begun_s))
    finally:
        stop.set()
        if sender.pid is not None:
            sender.join(5.0)
            sender.kill()
        broker.stop()
        if database is not None:
            database.close()
    for name in ("alone", "loaded"):
        of = found[name]
        assert isinstance(of, dict)
        print(
            f"{name:8} {of['alarms']:4} alarms  p50 {of['p50_ms']:7.1f} ms"
            f"  p99 {of['p99_ms']:7.1f} ms  max {of['max_ms']:7.1f} ms"
        )
    print(json.dumps(found))


if __name__ == "__main__":
    main()
