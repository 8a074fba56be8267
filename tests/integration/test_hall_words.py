"""A board and what a hall answers it, over a real broker."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import publish

from hall_takers import CHAMBER, Taker, kept_entries, kept_readings, standing, taking
from running import RunningService, wait_until
from servers import Broker
from stillair.hall.messages import ActMessage, HallMessage, TakenMessage
from stillair.hall.orders import MANY, signature

SECRET = "an oarlock turns by chance"


class Hall(Taker):
    """A taker that answers: what it has for good, as it would after a commit."""

    def __init__(self, port: int, mark: str = "aa00aa00aa00") -> None:
        super().__init__(port)
        self.mark = mark

    def say(self, topic: str, payload: bytes, *, retain: bool = True) -> None:
        self.client.publish(f"shed/{topic}", payload, qos=1, retain=retain)

    def takes(self, state: str = "taking") -> None:
        at = "2026-05-02T09:00:00Z"
        told = HallMessage.model_validate({"hall": self.mark, "state": state, "at": at})
        self.say("hall", told.payload())

    def board(self) -> str:
        wait_until(lambda: self.of("watch"), within_s=60)
        return str(self.of("watch")[0]["board"])

    def has(self, entries: list[Any], readings: list[tuple[str, int, float | None]]) -> None:
        """It has these, and says so."""
        sensors: dict[str, int] = {}
        for sensor, at_ms, _ in readings:
            sensors[sensor] = max(at_ms, sensors.get(sensor, 0))
        last: dict[str, Any] = entries[-1] if entries else {"seq": 0, "parcel": ""}
        told = TakenMessage(
            hall=self.mark,
            board=self.board(),
            chamber="north-bench",
            seq=last["seq"],
            parcel=last["parcel"],
            sensors=sensors,
        )
        self.say(f"{self.board()}/north-bench/taken", told.payload())

    def order(self, secret: str, **fields: Any) -> None:
        told = {
            "id": str(time.monotonic_ns()),
            "board": self.board(),
            "chamber": "north-bench",
            "at": datetime.now(UTC).isoformat(),
            "act": "acknowledge",
            "by": "cox",
            **fields,
        }
        text = json.dumps(told)
        act = ActMessage(order=text, signature=signature(secret, text))
        self.say(f"{self.board()}/north-bench/acts", act.payload(), retain=False)


@pytest.fixture
def hall(own_broker: Broker) -> Iterator[Hall]:
    made = Hall(own_broker.port)
    yield made
    made.close()


def served(folder: Path, broker: Broker, more: str = "") -> RunningService:
    chamber = folder / "chamber.toml"
    chamber.write_text(CHAMBER.format(port=broker.port) + more)
    return RunningService(folder / "data", "--chamber", str(chamber))


def found(running: RunningService) -> dict[str, Any]:
    """What the page of the first run says of the hall."""
    for item in running.get("/api/setting-up")["items"]:
        if item["thing"] == "hall":
            return dict(item)
    raise AssertionError("nothing is said of the hall")


def test_only_the_halls_word_moves_the_cursors(
    tmp_path: Path, own_broker: Broker, hall: Hall
) -> None:
    hall.takes()
    with served(tmp_path, own_broker) as running:
        wait_until(lambda: hall.of("entries") and hall.readings(), within_s=60)
        first = list(hall.readings())
        hall.order(SECRET, alarm="north-bench-1")
        time.sleep(1.3)  # the broker has confirmed both, and the hall has said nothing
        assert len(hall.of("entries")) == 1
        assert hall.readings() == first
        assert not hall.of("acted"), "nobody has given this board a secret"
        hall.has(hall.of("entries"), first)
        wait_until(lambda: len(hall.readings()) > len(first), within_s=60)
        # The hall ends: all is kept until it is back.
        hall.takes("ended")
        wait_until(lambda: "takes nothing" in str(found(running)), within_s=60)
        before = len(hall.readings())
        time.sleep(1.3)
        assert len(hall.readings()) == before
        # It is back with a store from before it had anything.
        hall.has([], [])
        hall.takes()
        wait_until(lambda: first[0] in hall.readings()[before:], within_s=60)
        wait_until(lambda: [e["seq"] for e in hall.of("entries")].count(1) == 2, within_s=60)
        assert found(running)["state"] == "fit"
    lanes = {told["lane"] for told in hall.of("readings")}
    assert lanes == {0}


def test_a_board_goes_on_from_where_the_hall_has_it(
    tmp_path: Path, own_broker: Broker, hall: Hall
) -> None:
    hall.takes()
    with served(tmp_path, own_broker) as running:
        job = running.now()["job"]["id"]
        for number in range(3):
            running.post(f"/api/jobs/{job}/note", {"text": f"note {number}"})
        until_s = time.monotonic() + 30
        while (
            len(hall.of("entries")) < 4 or len(hall.readings()) < 4
        ) and time.monotonic() < until_s:
            hall.has(hall.of("entries"), hall.readings())
            time.sleep(0.1)
        running.kill()
        entries, readings = hall.of("entries"), hall.readings()
        assert [(e["parcel"], e["part"]) for e in entries] == (
            kept_entries(tmp_path / "data")[: len(entries)]
        )
        # Of what came last it has kept nothing.
        had, had_readings = entries[:2], readings[: len(readings) // 2]
        hall.has(had, had_readings)
        with taking(own_broker) as after:
            running.start()
            wait_until(lambda: after.of("entries") and after.readings(), within_s=60)
            running.stop()
    first = after.of("entries")[0]
    assert first["seq"] == entries[2]["seq"], "where the hall has it, not 0"
    assert first["after"] == entries[1]["seq"]
    last_ms: dict[str, int] = {}
    for sensor, at_ms, _ in had_readings:
        last_ms[sensor] = max(at_ms, last_ms.get(sensor, 0))
    assert last_ms
    assert after.of("readings")[0]["after_ms"] == last_ms
    kept = kept_readings(tmp_path / "data")
    for sensor, at_ms in last_ms.items():
        came = min(at for s, at, _ in after.readings() if s == sensor)
        assert came == min(at for s, at in kept if s == sensor and at > at_ms)


LAMP = """
[[contact]]
name = "lamp"
kind = "detector"
driver = "mqtt"
topic = "bench/lamp"
active = "smoke"
"""


def test_somebody_at_the_hall_acknowledges_and_nobody_else(
    tmp_path: Path, own_broker: Broker, hall: Hall
) -> None:
    (tmp_path / "secret").write_text(SECRET + "\n")
    publish.single("bench/top", "24.5", port=own_broker.port, retain=True)
    publish.single("bench/lamp", "smoke", port=own_broker.port, retain=True)
    tail = CHAMBER.format(port=own_broker.port).partition("[mqtt]")[2]
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(
        '[chamber]\nname = "north bench"\n[[sensor]]\nname = "top"\ndriver = "mqtt"\n'
        f'topic = "bench/top"\n{LAMP}[mqtt]{tail}answers_secret_file = "secret"\n'
    )
    with RunningService(tmp_path / "data", "--chamber", str(chamber)) as running:
        wait_until(lambda: standing(hall), within_s=60)
        (alarm,) = standing(hall)
        for _ in range(MANY):
            hall.order("another secret of sixteen", alarm=alarm)
        hall.order(SECRET, alarm="north-bench-99")
        hall.order(SECRET, alarm=alarm, act="reset")
        wait_until(lambda: hall.of("acted"), within_s=60)
        assert (hall.of("acted")[0]["done"], "alarm" in hall.of("acted")[0]["reason"]) == (
            False,
            True,
        )
        assert standing(hall)[alarm]["annunciation"] == "unacknowledged"
        hall.order(SECRET, alarm=alarm, by="cox\u202e\n")
        wait_until(lambda: len(hall.of("acted")) == 2, within_s=60)
        assert hall.of("acted")[1]["done"]
        wait_until(
            lambda: standing(hall)[alarm]["acknowledged_by"] == "cox at the hall", within_s=60
        )
        kinds = {item["kind"]: item for item in running.get("/api/alarms")["items"]}
        assert "wrong signature" in kinds["delivery_fault"]["text"]
        # The secret is nowhere that somebody looks.
        for path in (
            "/api/now",
            "/api/setting-up",
            "/api/alarms",
            "/api/chamber-files",
            "/api/audit",
        ):
            assert SECRET not in running.web.get(path).text
        acts = [(act["what"], act["subject"]) for act in running.get("/api/audit")["items"]]
        assert acts == [("alarm acknowledged", alarm)]
    assert SECRET not in running.log.read_text()
