"""All boards of a shed in one process, for `hall.py`: as cheap as a sender can be.

Payloads are put together as text: with models the sender would need more than the taker.
"""

from __future__ import annotations

import json
import math
import random
import time
from datetime import UTC, datetime
from typing import Any

from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from hall_boards import PREFIX, form, note_line
from stillair.hall.messages import MOST_READINGS, Entry

KEY = "north-bench"
SENSORS = ("top", "middle", "bed", "room")
EVERY_S = 5
NOW_S = 10
ENTRY_S = 120.0  # of one chamber
ALARM_S = 600.0


class Voice:
    """A client; its own words are confirmed as they come."""

    def __init__(self, port: int) -> None:
        self.client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
        self.client.max_inflight_messages_set(1_000)
        self.client.connect("127.0.0.1", port)

    def serve(self, until_s: float) -> None:
        while (rest_s := until_s - time.monotonic()) > 0:
            self.client.loop(min(rest_s, 0.02))


def air_c(second: int, sensor: int) -> float:
    """A 1-Wire chip in a box that warms and breathes: steps of 1/16 K, one of them astray."""
    drift = 45 + 4 * sensor + 3 * math.sin(second / 900) + 0.3 * math.sin(second / 47 + sensor)
    return round((drift + random.gauss(0.0, 0.03)) * 16) / 16


def columns(begin_ms: int, second: int, seconds: int) -> dict[str, Any]:
    return {
        name: {
            "at_ms": [begin_ms + 1000 * (second + s) + 37 * n for s in range(seconds)],
            "temperature_c": [air_c(second + s, n) for s in range(seconds)],
        }
        for n, name in enumerate(SENSORS)
    }


def readings(board: str, sensors: dict[str, Any]) -> str:
    told = {"v": 1, "board": board, "chamber": KEY, "simulated": True, "lane": 0}
    return json.dumps({**told, "sensors": sensors}, separators=(",", ":"))


def now_words(board: str) -> str:
    """As long as a real one."""
    sensor = {"place": "air", "temperature_c": 45.0, "at": "2026-05-02T09:00:00.000Z"}
    told = {
        "board": board, "chamber": KEY, "simulated": True, "v": 1, "name": "north bench",
        "at": "2026-05-02T09:00:00.000Z", "sentence": "Warm and steady", "sub": "", "tone": "calm",
        "calm": True, "phase": "soak", "air_c": 45.0, "target_c": 45.0, "limit_c": 70.0,
        "whole": True, "job": None, "camera": {"watched": True, "condition": "clear", "reason": ""},
        "sensors": [{"name": name, "fault": None, **sensor} for name in SENSORS],
        "not_watched": [], "standing": [],
    }  # fmt: skip
    return json.dumps(told, separators=(",", ":"))


def play(port: int, chambers: int) -> None:
    """Live, until killed. Chambers are spread evenly over time, as boards are."""
    voice = Voice(port)
    boards = [f"{number:012x}" for number in range(chambers)]
    forms = [form(board, KEY) for board in boards]
    begin_s = time.monotonic()
    begin_ms = round(time.time() * 1000)
    seqs = [0] * chambers
    turn = 0
    while True:
        for number, board in enumerate(boards):
            voice.serve(begin_s + turn * EVERY_S + number * EVERY_S / chambers)
            of = forms[number]
            told = readings(board, columns(begin_ms, turn * EVERY_S, EVERY_S))
            voice.client.publish(of.topic("readings"), told, qos=1)
            if turn % (NOW_S // EVERY_S) == 0:
                voice.client.publish(of.topic("now"), now_words(board), qos=1, retain=True)
            if random.random() < EVERY_S / ENTRY_S:
                seqs[number] += 1
                parcel = f"{board}{seqs[number]}"
                line = note_line(seqs[number], key=KEY, parcel=parcel)
                entry = of.entries(Entry.of(seqs[number], line, line.body))
                voice.client.publish(of.topic("entries"), entry, qos=1)
            if random.random() < EVERY_S / ALARM_S:
                # For who measures how soon an alarm is through.
                stamp = datetime.now(UTC).isoformat()
                alarm = json.dumps({"v": 1, "board": board, "chamber": KEY, "sent_at": stamp})
                topic = of.topic(f"alarms/{KEY}-{seqs[number] + 1}")
                voice.client.publish(topic, alarm, qos=1, retain=True)
        turn += 1


def catch_up(port: int, seconds: int) -> None:
    """One board with the readings of so long; ends once all is said to be taken."""
    voice, board, at = Voice(port), "0" * 12, 0
    of = form(board, KEY)
    taken: list[dict[str, int]] = []
    voice.client.on_message = lambda _client, _data, message: taken.append(
        json.loads(message.payload)["sensors"]
    )
    voice.client.subscribe(f"{PREFIX}/{board}/{KEY}/taken", 1)
    begin_ms = round(time.time() * 1000) - seconds * 1000
    step = MOST_READINGS // len(SENSORS)
    while at < seconds:
        some = columns(begin_ms, at, min(step, seconds - at))
        voice.client.publish(of.topic("readings"), readings(board, some), qos=1)
        last_ms = some["top"]["at_ms"][-1]
        while not taken or taken[-1].get("top", 0) < last_ms:
            voice.serve(time.monotonic() + 0.01)
        at += step
