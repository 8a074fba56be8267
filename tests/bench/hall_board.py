"""What it costs a board to hand a chamber on, and how fast it catches up, beside a bare loop.

    .venv/bin/python tests/bench/hall_board.py [--hours 24] [--live 60]

A day of four sensors at one reading a second lies in a real archive; a real Mosquitto was away.
The reference reads the same readings from the archive and does nothing with them. Then the
same chamber goes on live. Times are those of the processor, of this process alone.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import threading
import time
from pathlib import Path

from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).parents[1]))

from servers import Broker
from stillair.alerts.topic import BrokerSettings
from stillair.clock import SystemClock
from stillair.hall.cursors import Cursors
from stillair.hall.messages import Form
from stillair.hall.publisher import Publisher, Tells
from stillair.hall.rows import Ledger, Rows
from stillair.runtime.backup import ARCHIVE, JOURNAL
from stillair.storage.archive import Archive
from stillair.storage.items import Item
from stillair.storage.journal import Journal
from stillair.storage.onward import Onward
from stillair.storage.readings import Readings

SENSORS = ("top", "middle", "bed", "room")
NOW: Item = {
    "name": "north bench",
    "at": "2026-05-02T09:00:00.000Z",
    "sentence": "Warm and steady",
    "sub": "",
    "tone": "calm",
    "calm": True,
    "phase": "soak",
    "air_c": 45.0,
    "target_c": None,
    "limit_c": 70.0,
    "job": None,
    "sensors": [],
    "camera": {"watched": False, "condition": "none", "reason": ""},
    "not_watched": [],
    "alarms": [],
}


class Taker:
    """Counts what comes, and what of this process's time that costs."""

    def __init__(self, port: int) -> None:
        self.messages = self.bytes = 0
        self.cpu_s = 0.0
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
        self._client.on_message = self._take
        self._client.connect("127.0.0.1", port)
        self._client.subscribe("shed/#", qos=1)
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._going = True
        self._thread.start()

    def _run(self) -> None:
        while self._going:
            self._client.loop(0.2)
            self.cpu_s = time.thread_time()

    def _take(self, _client: Client, _data: object, message: object) -> None:
        payload = getattr(message, "payload", b"")
        if str(getattr(message, "topic", "")).endswith("/readings"):
            self.messages += 1
            self.bytes += len(payload)

    def close(self) -> None:
        self._going = False
        self._thread.join()


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--hours", type=float, default=24.0)
    words.add_argument("--live", type=float, default=60.0, help="seconds")
    given = words.parse_args()
    with tempfile.TemporaryDirectory() as name:
        _measure(Path(name), given.hours, given.live)


def _measure(folder: Path, hours: float, live_s: float) -> None:
    clock = SystemClock()
    archive = Archive(folder / ARCHIVE)
    archive.ready()
    Journal.open(folder / JOURNAL).close()
    seconds = round(hours * 3600)
    begin_s = round(clock.wall().timestamp()) - seconds
    for second in range(seconds):
        for number, sensor in enumerate(SENSORS):
            archive.add("north-bench", sensor, begin_s + second + number / 10, 45 + second % 9 / 16)
        if second % 600 == 599:
            archive.flush()
    archive.flush()
    readings = Readings(folder / ARCHIVE, archive)
    before_s = time.process_time()
    count = sum(len(p[0]) for s in SENSORS for p in readings.pieces("north-bench", s))
    bare_s = time.process_time() - before_s
    print(f"bare loop over the archive: {count} readings, {bare_s:.2f} s of processor time")

    broker = Broker(folder)
    broker.start()
    taker = Taker(broker.port)
    cursors = Cursors(folder / "hall.json", make_mark=lambda: "0123456789ab", wall=clock.wall)
    publisher = Publisher(
        BrokerSettings("127.0.0.1", broker.port),
        lambda board: Form(
            prefix="shed", board=board, chamber="north-bench", name="north bench", simulated=True
        ),
        Tells(
            now=lambda: (NOW, True),
            mark=lambda: None,
            watching=lambda: True,
        ),
        Rows(
            Ledger(last_seq=lambda: 0, cleaned=lambda body: body),
            Onward(folder / JOURNAL, readings),
            cursors,
            chamber="north-bench",
            sensors=SENSORS,
            every_s=5.0,
            clock=clock,
        ),
        cursors,
        clock=clock,
        chance=lambda: 0.0,
    )
    for number, sensor in enumerate(SENSORS):
        publisher.told(sensor, begin_s + seconds - 1 + number / 10)
    begun_s, cpu_s, taker_s = time.monotonic(), time.process_time(), taker.cpu_s
    publisher.start()
    last, quiet_s = -1, 0.0
    while quiet_s < 8.0:
        time.sleep(0.5)
        quiet_s = 0.0 if taker.messages != last else quiet_s + 0.5
        last = taker.messages
    wall_s = time.monotonic() - begun_s - quiet_s
    own_s = time.process_time() - cpu_s - (taker.cpu_s - taker_s)
    print(
        f"caught up: {taker.messages} messages, {taker.bytes / max(count, 1):.1f} bytes a reading,"
        f" {wall_s:.0f} s, {own_s:.2f} s of processor time"
        f" ({own_s / max(count, 1) * 1e6:.1f} us a reading,"
        f" {own_s / max(bare_s, 1e-9):.1f} times the bare loop)"
    )
    cpu_s, taker_s, until_s = time.process_time(), taker.cpu_s, time.monotonic() + live_s
    while time.monotonic() < until_s:
        for sensor in SENSORS:
            at_s = clock.wall().timestamp()
            archive.add("north-bench", sensor, at_s, 45.0)
            publisher.told(sensor, at_s)
        time.sleep(1.0)
    own_s = time.process_time() - cpu_s - (taker.cpu_s - taker_s)
    print(f"live, 4 sensors at 1 Hz: {own_s / live_s * 100:.2f} % of one core")
    publisher.stop()
    taker.close()
    broker.stop()
    archive.close()


if __name__ == "__main__":
    main()
