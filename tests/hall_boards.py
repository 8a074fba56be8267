"""A board that hands a chamber on, for tests of a hall; and a hall's taking in its own process.

The board obeys `taken` as the real one does: one message of a kind is under way, and comes
again until the hall says that it is taken. It sends several entries `together`.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from stillair.alerts.topic import BrokerSettings
from stillair.clock import SystemClock
from stillair.hall.messages import Column, Entry, Form, ReadingsMessage, TakenMessage
from stillair.hall.taking import Taking
from stillair.storage.hall_batches import Whose
from stillair.storage.hall_store import HallStore
from stillair.storage.kept_lines import KeptLine

PREFIX = "shed"
BOARD = "3a36de4fab20"
KEY = "north-bench"
NAME = f"{BOARD}.{KEY}"
OF = Whose(NAME, BOARD, KEY)
BEGIN_MS = 1_790_000_000_000
Reading = tuple[str, int, float | None]


def form(board: str = BOARD, key: str = KEY) -> Form:
    return Form(prefix=PREFIX, board=board, chamber=key, name="north bench", simulated=True)


def note_line(number: int, *, key: str = KEY, job: str | None = None, **more: Any) -> KeptLine:
    """A remark, the only part of its parcel."""
    job = job or f"{key}-1"
    body = {"job": job, "t_s": float(number), "text": f"remark {number}", "by": "cox"}
    line: dict[str, Any] = {
        "topic": "note",
        "chamber": key,
        "parcel": f"parcel{number}",
        "part": 0,
        "boot": "boot-1",
        "mono_s": float(number),
        "at_us": BEGIN_MS * 1000 + number * 10**6,
        "made_with": "1.0 abc",
        "body": {**body, "height_mm": None},
    }
    return KeptLine(**{**line, **more})


def readings_message(
    columns: dict[str, list[tuple[int, float | None]]],
    *,
    lane: int = 0,
    board: str = BOARD,
    key: str = KEY,
) -> bytes:
    """Of each sensor instants in ms and degrees Celsius."""
    sensors = {
        name: Column(
            at_ms=[at_ms for at_ms, _ in column], temperature_c=[value for _, value in column]
        )
        for name, column in columns.items()
    }
    return ReadingsMessage(
        board=board, chamber=key, simulated=True, lane=lane, sensors=sensors
    ).payload()


def batch(second: int, seconds: int = 5, sensors: Sequence[str] = ("top", "bed")) -> dict[str, Any]:
    """Readings of some seconds, one a second of each sensor; each is another than the others."""
    return {
        name: [
            (BEGIN_MS + 1000 * (second + s) + number, 40 + (second + s) / 16 + number)
            for s in range(seconds)
        ]
        for number, name in enumerate(sensors)
    }


class Board:
    """Hands on what it has: lines with their numbers, and messages of readings with a lane."""

    def __init__(
        self,
        port: int,
        lines: Sequence[tuple[int, KeptLine]] = (),
        readings: Sequence[tuple[int, dict[str, Any]]] = (),
        *,
        board: str = BOARD,
        key: str = KEY,
        again_s: float = 0.2,
        copies: int = 1,
        together: int = 3,
    ) -> None:
        self.lines = list(lines)
        self.readings = list(readings)
        self.words: list[TakenMessage] = []
        self._form = form(board, key)
        self._of = (board, key)
        self._port = port
        self._again_s = again_s
        self._together = together
        self._copies = copies  # of each message, as of one that came twice
        self._lock = threading.Lock()
        self._sent_s = {"entries": -1e9, "readings": -1e9}
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    @property
    def word(self) -> TakenMessage | None:
        with self._lock:
            return self.words[-1] if self.words else None

    @property
    def is_through(self) -> bool:
        word = self.word
        return word is not None and not self._next_lines(word) and not self._next_readings(word)

    def _next_lines(self, word: TakenMessage | None) -> list[tuple[int, KeptLine]]:
        return [each for each in self.lines if each[0] > (word.seq if word else 0)]

    def _next_readings(self, word: TakenMessage | None) -> list[tuple[int, dict[str, Any]]]:
        """Those of which the hall lacks any."""
        lane, known = (word.lane, word.sensors) if word else (0, {})
        return [
            (of, columns)
            for of, columns in self.readings
            if of > lane
            or (
                of == lane
                and any(column[-1][0] > known.get(name, -1) for name, column in columns.items())
            )
        ]

    def _run(self) -> None:
        while not self._stopping.is_set():
            client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
            client.on_message = self._take
            client.on_connect = lambda client, *_: client.subscribe(self._form.topic("taken"), 1)
            try:
                client.connect("127.0.0.1", self._port)
                while not self._stopping.is_set() and not client.loop(0.02):
                    self._send(client)
            except OSError:
                self._stopping.wait(0.1)
            finally:
                client.on_message = client.on_connect = None
                client.disconnect()

    def _take(self, _client: Client, _data: Any, message: Any) -> None:
        with self._lock:
            self.words.append(TakenMessage.model_validate_json(message.payload))
        self._sent_s = dict.fromkeys(self._sent_s, -1e9)

    def _send(self, client: Client) -> None:
        word, now_s = self.word, time.monotonic()
        if now_s - self._sent_s["entries"] > self._again_s and (lines := self._next_lines(word)):
            entries = [Entry.of(seq, line, line.body) for seq, line in lines[: self._together]]
            payload = self._form.entries(*entries, after=word.seq if word else None)
            self._publish(client, "entries", payload)
        more = self._next_readings(word)
        if now_s - self._sent_s["readings"] > self._again_s and more:
            lane, columns = more[0]
            board, key = self._of
            payload = readings_message(columns, lane=lane, board=board, key=key)
            self._publish(client, "readings", payload)

    def _publish(self, client: Client, kind: str, payload: bytes) -> None:
        self._sent_s[kind] = time.monotonic()
        for _ in range(self._copies):
            client.publish(self._form.topic(kind), payload, qos=1)

    def close(self) -> None:
        self._stopping.set()
        self._thread.join()


def taking_of(
    broker_port: int,
    address: str,
    on_takes: Callable[[bool, str], None] = lambda *_: None,
    round_s: float = 0.02,
    keep_days: float = 3_650.0,
) -> Taking:
    """Take in this process, without long pauses."""
    return Taking(
        BrokerSettings("127.0.0.1", broker_port),
        lambda: HallStore.open(address),
        prefix=PREFIX,
        clock=SystemClock(),
        on_takes=on_takes,
        chance=lambda: -0.4,  # a tenth of the pause
        keep_days=keep_days,
        round_s=round_s,
    )


def take(broker_port: int, address: str, figures: str, round_s: float) -> None:
    """Take until killed, and write figures to a file each second."""
    taking = taking_of(broker_port, address, round_s=round_s)
    taking.start()
    while True:
        time.sleep(1.0)
        found = taking.figures
        told = {name: getattr(found, name) for name in found.__slots__}
        told |= {"why": taking.stopped_why, "faults": len(taking.faults)}
        part = Path(f"{figures}.part")
        part.write_text(json.dumps(told))
        part.rename(figures)


if __name__ == "__main__":
    take(int(sys.argv[1]), sys.argv[2], sys.argv[3], float(sys.argv[4]))
