"""The running service when things go wrong around it: it watches on, and keeps what it showed."""

from __future__ import annotations

import json
import resource
import sqlite3
import threading
import time
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import pytest

from chips import OneWireTree
from integration.mjpeg_server import Manner, MjpegServer, drawn_frames
from running import RunningService, wait_until
from servers import Broker, MailServer

ADDRESS = "28-0000075c2f11"
GROWTH_KB = 20_000  # buffers of the camera and caches settle within this


def resident_kb(pid: int) -> int:
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1])
    raise AssertionError("no VmRSS")


def standing(service: RunningService, kind: str) -> list[dict[str, Any]]:
    """Events of a kind that have not been cleared."""
    events = {e["event"]: e for e in service.events(kind=kind)}
    return [e for e in events.values() if e["change"] != "cleared"]


def listen(service: RunningService, shown: set[tuple[int, str]], began: threading.Event) -> None:
    """Note every entry that a page is shown, until the service dies."""
    try:
        with service.live(last_event_id="0") as stream:
            for told in stream:
                began.set()
                if told.kind in ("event", "alarm", "job", "note"):
                    shown.add((int(told.id), told.kind))
    except httpx.HTTPError:
        return


def test_nothing_shown_as_kept_is_lost_by_a_kill(tmp_path: Path) -> None:
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(
        '[chamber]\nname = "North bench"\n[[sensor]]\nname = "top"\ndriver = "simulated"\n'
        "[simulation]\nspeed = 120\n"
    )
    service = RunningService(tmp_path / "data", "--chamber", str(chamber))
    shown: set[tuple[int, str]] = set()
    with service:
        for round_s in (3.0, 1.7, 4.1):
            began = threading.Event()
            viewer = threading.Thread(target=listen, args=(service, shown, began))
            viewer.start()
            assert began.wait(10.0)
            job = service.now()["job"]
            if job is not None and job["state"] in ("running", "paused"):
                service.web.post(f"/api/jobs/{job['id']}/note", json={"text": "before the kill"})
            time.sleep(round_s)
            service.kill()
            viewer.join(10.0)
            service.start()
        assert len(shown) > 3
        kept: set[tuple[int, str]] = set()
        with service.live(last_event_id="0") as stream:
            for told in stream:
                if told.kind == "now":
                    break
                kept.add((int(told.id), told.kind))
        assert shown <= kept
        # A kill of a few seconds is a restart; the numbers go on and the job does too.
        assert "Traceback" not in service.log.read_text()


def test_what_was_learned_survives_a_restart_unless_the_sensor_is_another(tmp_path: Path) -> None:
    chamber = tmp_path / "chamber.toml"
    text = (
        '[chamber]\nname = "North bench"\n'
        '[[sensor]]\nname = "top"\ndriver = "simulated"\n'
        '[[sensor]]\nname = "low"\ndriver = "simulated"\npoint = "bed side"\n'
        "[simulation]\nspeed = 60\n"
    )
    chamber.write_text(text)
    service = RunningService(tmp_path / "data", "--chamber", str(chamber))
    with service:
        wait_until(lambda: service.now()["air_c"], within_s=60)
        service.stop()
        first = learned(tmp_path)
        assert set(first["sensors"]) == {"top", "low"}
        chamber.write_text(text.replace('"bed side"', '"middle"'))
        service.start()
        service.stop()
        second = learned(tmp_path)
        assert second["sensors"]["top"] == first["sensors"]["top"]
        assert second["sensors"]["low"] != first["sensors"]["low"]
        # Damaged: it starts all the same, and learns anew.
        with closing(sqlite3.connect(tmp_path / "data" / "journal.db")) as connection, connection:
            connection.execute(
                "UPDATE chamber_memory SET body = substr(body, 1, 40) WHERE chamber = 'north-bench'"
            )
        service.start()
        wait_until(lambda: service.now()["air_c"], within_s=60)
        service.stop()
        assert set(learned(tmp_path)["sensors"]) == {"top", "low"}
    log = service.log.read_text()
    assert "is learned anew" in log
    assert "Traceback" not in log


def learned(folder: Path) -> dict[str, Any]:
    """What is kept of the chamber's heat."""
    with closing(sqlite3.connect(folder / "data" / "journal.db")) as connection:
        ((body,),) = connection.execute(
            "SELECT body FROM chamber_memory WHERE chamber = 'north-bench'"
        ).fetchall()
    kept: dict[str, Any] = json.loads(body)
    return kept


def test_a_full_disk_stops_neither_watching_nor_telling(
    tmp_path: Path, own_broker: Broker, mail_server: MailServer
) -> None:
    import paho.mqtt.publish as publish

    def tell(topic: str, payload: str) -> None:
        publish.single(topic, payload, hostname=own_broker.host, port=own_broker.port, retain=True)

    chamber = tmp_path / "chamber.toml"
    chamber.write_text(
        f"""
[chamber]
name = "North bench"
enclosure = ["plywood"]

[[sensor]]
name = "top"
driver = "mqtt"
topic = "shed/top"

[[contact]]
name = "smoke relay"
kind = "detector"
driver = "mqtt"
topic = "shed/relay"
active = "on"

[[person]]
name = "bench captain"
routes = ["mailto:captain@example.org"]

[mail]
host = "{mail_server.host}"
port = {mail_server.port}
security = "none"

[mqtt]
host = "{own_broker.host}"
port = {own_broker.port}
"""
    )
    tell("shed/relay", "off")
    tell("shed/top", "45.0")
    with RunningService(tmp_path / "data", "--chamber", str(chamber)) as service:
        wait_until(lambda: service.now()["contacts"], within_s=60)
        whole = resource.prlimit(service.pid, resource.RLIMIT_FSIZE)
        resource.prlimit(service.pid, resource.RLIMIT_FSIZE, (4096, whole[1]))
        tell("shed/relay", "on")
        wait_until(lambda: service.now()["sounding"] == "fire", within_s=60)
        wait_until(lambda: not service.get("/api/now")["stored"], within_s=60)
        assert service.get("/api/health")["status"] == "impaired"
        mails = wait_until(lambda: list(mail_server.messages), within_s=60)
        assert "detector" in str(mails[0]["subject"]).lower()
        now = service.now()
        assert now["alarms"][0]["kind"] == "detector_contact"

        resource.prlimit(service.pid, resource.RLIMIT_FSIZE, whole)
        wait_until(lambda: service.get("/api/now")["stored"], within_s=40)
        kept = wait_until(lambda: service.events(kind="detector_contact"), within_s=60)
        assert kept[0]["change"] == "raised"
        wait_until(lambda: standing(service, "store_fault") == [], within_s=60)
        assert "Traceback" not in service.log.read_text()
        keys = [mail["message-id"] for mail in mail_server.messages]
        assert len(keys) == len(set(keys)), "the same message went out twice"


def recorded(service: RunningService, temperature_c: float) -> bool:
    """Whether the top sensor's newest reading is this one."""
    values = service.get("/api/readings")["sensors"].get("top", [None])
    return bool(values[-1] == temperature_c)


def test_a_sensor_tree_that_appears_and_vanishes(tmp_path: Path) -> None:
    tree = OneWireTree(tmp_path / "w1")
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(
        '[chamber]\nname = "North bench"\n'
        f'[[sensor]]\nname = "top"\ndriver = "onewire"\naddress = "{ADDRESS}"\n'
        f'bus_dir = "{tmp_path / "w1"}"\n'
    )
    with RunningService(tmp_path / "data", "--chamber", str(chamber)) as service:
        assert wait_until(lambda: standing(service, "sensor_fault"), within_s=60)
        for temperature_c in (40.0, 41.0, 42.0):
            tree.warm_to(ADDRESS, temperature_c)
            wait_until(partial(recorded, service, temperature_c), within_s=60)
            tree.unplug(ADDRESS)
            wait_until(lambda: service.now()["sensors"][0]["fault"], within_s=60)
        tree.warm_to(ADDRESS, 44.0)
        wait_until(lambda: not standing(service, "sensor_fault"), within_s=60)
        assert "Traceback" not in service.log.read_text()


@pytest.mark.parametrize("manner", [Manner.GARBAGE, Manner.ONLY_HALF_FRAMES])
def test_a_stream_gone_mad_is_a_blind_camera_and_nothing_more(
    tmp_path: Path, manner: Manner
) -> None:
    with MjpegServer(drawn_frames(20), frames_per_s=10) as stream:
        chamber = tmp_path / "chamber.toml"
        chamber.write_text(
            '[chamber]\nname = "North bench"\n[[sensor]]\nname = "top"\ndriver = "simulated"\n'
            f'[camera]\nsource = "{stream.address}"\n'
        )
        with RunningService(tmp_path / "data", "--chamber", str(chamber)) as service:
            wait_until(lambda: service.now()["camera"]["condition"] == "fit", within_s=60)
            before_kb = resident_kb(service.pid)
            stream.manner = manner
            wait_until(lambda: standing(service, "camera_fault"), within_s=60)
            assert not service.now()["calm"]
            time.sleep(5.0)
            assert resident_kb(service.pid) - before_kb < GROWTH_KB
            at = service.now()["sensors"][0]["at"]
            wait_until(lambda: service.now()["sensors"][0]["at"] > at, within_s=60)
            stream.manner = Manner.PLAY
            wait_until(lambda: service.now()["camera"]["condition"] == "fit", within_s=60)
            assert "Traceback" not in service.log.read_text()
