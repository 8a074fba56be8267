"""The disk fails while a fire develops: it is announced all the same, and what was kept is kept."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from burning import ANNOUNCED_S, Stage, burning
from disks import LoopDisk
from running import wait_until
from servers import MailServer

pytestmark = pytest.mark.timeout(300)  # a service is started more than once
HANGS_S = 30.0


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[LoopDisk]:
    made = LoopDisk.make(tmp_path)
    yield made
    made.remove()


def shown(stage: Stage) -> set[tuple[int, str]]:
    """Number and kind of every event that a page has been shown as kept."""
    return {(event["seq"], event["kind"]) for event in stage.service.events()}


def test_a_full_disk(tmp_path: Path, mail_server: MailServer, disk: LoopDisk) -> None:
    with burning(tmp_path, mail_server, data=disk.path / "data") as stage:
        stage.something_is_kept()
        before = shown(stage)
        disk.fill()
        stage.light()
        stage.fire_is_announced()
        wait_until(lambda: not stage.service.get("/api/now")["stored"], within_s=ANNOUNCED_S)
        # Nobody makes room in time, and then the process is killed as well.
        kept = before | shown(stage)
        (fire,) = wait_until(  # the detector may have spoken first
            lambda: [a for a in stage.service.now()["alarms"] if a["kind"] == "fire"],
            within_s=ANNOUNCED_S,
        )
        # The emergency journal has it within a round of the writer.
        wait_until(lambda: stage.seconds() > fire["raised_at"], within_s=ANNOUNCED_S)
        stage.service.kill()
        disk.make_room()
        stage.service.start()
        alarms = {each["id"] for each in stage.service.get("/api/alarms", limit=1000)["items"]}
        assert fire["id"] in alarms, "it was only in the emergency journal"
        assert kept <= shown(stage)
        stage.fire_is_kept()
        assert "Traceback" not in stage.service.log.read_text()


def test_a_disk_that_turns_read_only(
    tmp_path: Path, mail_server: MailServer, disk: LoopDisk
) -> None:
    with burning(tmp_path, mail_server, data=disk.path / "data") as stage:
        stage.something_is_kept()
        kept = shown(stage)
        disk.turn_read_only()
        stage.light()
        stage.fire_is_announced()
        wait_until(lambda: not stage.service.get("/api/now")["stored"], within_s=ANNOUNCED_S)
        assert stage.service.get("/api/health")["status"] == "impaired"
        wait_until(lambda: "store_fault" in stage.alarms(), within_s=ANNOUNCED_S)
        stage.service.stop()
        disk.unmount()
        disk.power_on()
        stage.service.start()
        assert kept <= shown(stage)


def test_a_disk_that_hangs_for_half_a_minute(
    tmp_path: Path, mail_server: MailServer, disk: LoopDisk
) -> None:
    # Also what the service says of itself goes to that disk, as with a log beside the data.
    with burning(tmp_path, mail_server, data=disk.path / "data") as stage:
        disk.freeze()
        try:
            begun_s = time.monotonic()
            stage.light()
            stage.fire_is_announced()
            wait_until(lambda: not stage.service.get("/api/now")["stored"], within_s=ANNOUNCED_S)
            wait_until(lambda: time.monotonic() - begun_s >= HANGS_S, within_s=2 * HANGS_S)
            at = stage.seconds()
            wait_until(lambda: stage.seconds() > at, within_s=60)
        finally:
            disk.thaw()
        stage.fire_is_kept()


def test_a_power_cut(tmp_path: Path, mail_server: MailServer, disk: LoopDisk) -> None:
    with burning(tmp_path, mail_server, data=disk.path / "data") as stage:
        stage.light()
        stage.fire_is_announced()
        stage.fire_is_kept()
        (fire,) = (alarm for alarm in stage.service.now()["alarms"] if alarm["kind"] == "fire")
        stage.service.post(f"/api/alarms/{fire['id']}/acknowledge")
        kept = shown(stage)
        disk.cut_power()
        stage.service.kill()
        stage.put_out()
        disk.unmount()
        disk.power_on()
        stage.service.start()
        assert kept <= shown(stage)
        alarms = {each["id"]: each for each in stage.service.get("/api/alarms")["items"]}
        assert alarms[fire["id"]]["annunciation"] in ("acknowledged", "normal")
        assert not list(stage.service.folder.glob("*.damaged-*"))
        # It watches again: the first is over, and the next is told.
        wait_until(lambda: stage.events("fire", "cleared"), within_s=ANNOUNCED_S)
        stage.light()
        wait_until(lambda: len(stage.events("fire")) == 2, within_s=ANNOUNCED_S)
