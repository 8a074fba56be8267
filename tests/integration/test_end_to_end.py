"""The straight path on recorded input: it records, detects, alarms, sounds, mails and shows.

A recording plays behind `driver = "recording"`, a video behind a real
motion-JPEG stream, and the mail server is a real one on loopback.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from integration.mjpeg_server import MjpegServer, drawn_frames, frames_of_video
from running import RunningService, wait_until
from servers import MailServer

FIRE_S = 40  # after which the made-up fire begins


def made_up_fire(path: Path) -> Path:
    """A steady chamber of 45 degrees in which a fire grows with the square of time."""
    with path.open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["time_s", "top", "low"])
        for t_s in range(400):
            wobble_k = 0.03 * math.sin(t_s * 1.7)
            rise_k = 0.03 * max(0, t_s - FIRE_S) ** 2
            top_c, low_c = 45 + wobble_k + min(rise_k, 400), 43 - wobble_k + min(rise_k / 3, 150)
            writer.writerow([t_s, f"{top_c:.3f}", f"{low_c:.3f}"])
    return path


def chamber_file(
    folder: Path, recording: Path, sensors: list[str], camera: str, mail: MailServer, speed: float
) -> Path:
    """A chamber with recorded sensors, a stream, a sounder command and one person."""
    heard = folder / "heard"
    ring = folder / "ring"
    ring.write_text(f'#!/bin/sh\necho "$STILLAIR_SOUND" >> {heard}\n')
    ring.chmod(0o755)
    blocks = [
        f"""
[chamber]
name = "North bench"
enclosure = ["metal"]
limit_c = 80

[recording]
speed = {speed}

[camera]
source = "{camera}"

[sounder]
driver = "command"
command = "{ring}"

[[person]]
name = "bench captain"
routes = ["mailto:captain@example.org"]

[mail]
host = "{mail.host}"
port = {mail.port}
security = "none"
"""
    ]
    for name in sensors:
        blocks.append(
            f"""
[[sensor]]
name = "{name}"
driver = "recording"
file = "{recording}"
column = "{name}"
"""
        )
    path = folder / "chamber.toml"
    path.write_text("".join(blocks))
    return path


def fire_of(service: RunningService) -> dict[str, Any] | None:
    """The raised fire, if there is one yet."""
    raised = [e for e in service.events(kind="fire") if e["change"] == "raised"]
    return raised[0] if raised else None


def see_it_through(service: RunningService, mail: MailServer, folder: Path, sensors: int) -> None:
    """From the first reading to the mail."""
    job = service.post("/api/jobs", {"name": "rigger spacers", "material": "ASA"})["id"]
    fire = wait_until(lambda: fire_of(service), within_s=60)
    assert fire["class"] == "alarm"
    assert fire["priority"] == "critical"
    assert fire["job"] == job

    alarm = next(a for a in service.get("/api/alarms")["items"] if a["kind"] == "fire")
    assert alarm["annunciation"] == "unacknowledged"
    assert "fire" in alarm["text"].lower()

    now = service.now()
    assert (now["tone"], now["calm"]) == ("danger", False)
    assert len(now["sensors"]) == sensors

    assert "fire" in wait_until((folder / "heard").read_text, within_s=60)
    mails = wait_until(
        lambda: [m for m in mail.messages if "fire" in str(m["subject"]).lower()], within_s=60
    )
    assert mails[0]["to"] == "captain@example.org"
    assert "North bench" in str(mails[0]["subject"])
    text = mails[0].get_body(("plain",))  # the camera's picture may be beside it
    assert text is not None and "call the fire service" in text.get_content()

    picture = service.web.get("/api/picture")
    assert picture.status_code == 200
    assert picture.content[:2] == b"\xff\xd8"

    columns = service.get(f"/api/jobs/{job}/readings", points=500)
    assert len(columns["sensors"]) == sensors
    hottest_c = max(v for values in columns["sensors"].values() for v in values if v is not None)
    assert hottest_c > 80

    service.post(f"/api/alarms/{alarm['id']}/acknowledge")
    assert service.now()["sounding"] != "fire"
    assert "Traceback" not in service.log.read_text()


@pytest.fixture
def drawn_stream() -> Iterator[MjpegServer]:
    with MjpegServer(drawn_frames(30), frames_per_s=10) as server:
        yield server


def test_a_made_up_fire_is_recorded_told_sounded_mailed_and_shown(
    tmp_path: Path, mail_server: MailServer, drawn_stream: MjpegServer
) -> None:
    recording = made_up_fire(tmp_path / "fire.csv")
    chamber = chamber_file(
        tmp_path, recording, ["top", "low"], drawn_stream.address, mail_server, speed=8
    )
    with RunningService(tmp_path / "data", "--chamber", str(chamber)) as service:
        see_it_through(service, mail_server, tmp_path, sensors=2)


def test_a_real_fire_behind_a_real_stream_is_seen_through(
    tmp_path: Path, mail_server: MailServer, recordings: Path
) -> None:
    recording = recordings / "thermal" / "room_fire_250kw_open_center.csv"
    with recording.open() as stream:
        sensors = next(csv.reader(stream))[1:]
    frames = frames_of_video(recordings / "video" / "doll_house_fire.mp4", 60)
    with MjpegServer(frames, frames_per_s=10) as stream:
        chamber = chamber_file(tmp_path, recording, sensors, stream.address, mail_server, speed=10)
        with RunningService(tmp_path / "data", "--chamber", str(chamber)) as service:
            see_it_through(service, mail_server, tmp_path, sensors=len(sensors))


def test_mail_that_was_refused_is_sent_after_a_restart(
    tmp_path: Path, mail_server: MailServer, drawn_stream: MjpegServer
) -> None:
    mail_server.refuse_with = "451 4.3.0 try later"
    recording = made_up_fire(tmp_path / "fire.csv")
    chamber = chamber_file(
        tmp_path, recording, ["top", "low"], drawn_stream.address, mail_server, speed=8
    )
    service = RunningService(tmp_path / "data", "--chamber", str(chamber))
    with service:
        wait_until(lambda: fire_of(service), within_s=60)
        wait_until(lambda: mail_server.refusals, within_s=60)
        service.kill()
        mail_server.refuse_with = None
        service.start()
        mails = wait_until(
            lambda: [m for m in mail_server.messages if "fire" in str(m["subject"]).lower()],
            within_s=60,
        )
        keys = [m["message-id"] for m in mail_server.messages]
        assert len(keys) == len(set(keys))
        assert mails
        # The fire stood when it was killed: it stands again, under the same number.
        alarm = next(a for a in service.get("/api/alarms")["items"] if a["kind"] == "fire")
        assert alarm["annunciation"] != "normal"
