"""An owner looks through a camera before it is written: real streams, and real faults of them."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from integration.mjpeg_server import Manner, MjpegServer, packed
from running import RunningService, wait_until
from unit.fire_pictures import film
from unit.test_fitness import as_it_is, blurred, dark

SOON_S = 40.0
PER_S = 15.0
SECRET = "three-oars"
CHAMBER = """
[chamber]
name = "North bench"
width_mm = 500

[[sensor]]
name = "top"
driver = "onewire"
address = "28-0000075c2f11"
bus_dir = "{bus}"
"""
WATCHED = '\n[camera]\nsource = "{address}"\n'


@pytest.fixture(scope="module")
def stream() -> Iterator[MjpegServer]:
    frames = [packed(picture) for _, picture in film(as_it_is, 3.1, per_s=PER_S)]
    with MjpegServer(frames, frames_per_s=PER_S) as server:
        yield server


@pytest.fixture(scope="module")
def service(
    tmp_path_factory: pytest.TempPathFactory, watched: MjpegServer
) -> Iterator[RunningService]:
    folder = tmp_path_factory.mktemp("trials")
    chamber = folder / "chamber.toml"
    text = CHAMBER.format(bus=folder) + WATCHED.format(
        address=watched.address.replace("//", f"//shed:{SECRET}@")
    )
    chamber.write_text(text)
    with RunningService(folder / "data", "--chamber", str(chamber)) as running:
        yield running
    assert chamber.read_text() == text, "looking writes nothing"


@pytest.fixture(scope="module")
def watched() -> Iterator[MjpegServer]:
    """The camera that the service watches by."""
    frames = [packed(picture) for _, picture in film(as_it_is, 1.0, per_s=PER_S)]
    with MjpegServer(frames, frames_per_s=PER_S) as server:
        yield server


def begun(service: RunningService, source: str) -> httpx.Response:
    (now,) = service.get("/api/chamber-files")["items"]
    body = {"chamber": now["chamber"], "base": now["base"], "source": source}
    return service.web.post("/api/camera-trials", json=body)


def seen(service: RunningService, source: str, *, until: str) -> dict[str, Any]:
    """How a look is once it has `until`, a state or "view"; then it is closed."""
    answer = begun(service, source)
    assert answer.status_code == 201, answer.text
    trial = answer.json()["trial"]
    now: dict[str, Any] = {}

    def there() -> bool:
        now.update(service.get(f"/api/camera-trials/{trial}"))
        assert now["state"] != "failed" or until == "failed", now
        return bool(now["view"] if until == "view" else now["state"] == until)

    wait_until(there, within_s=SOON_S)
    assert service.web.delete(f"/api/camera-trials/{trial}").status_code == 200
    return now


def test_a_picture_and_what_the_view_is_worth_before_anything_is_written(
    service: RunningService, stream: MjpegServer
) -> None:
    answer = begun(service, stream.address).json()
    assert answer["state"] == "opening"
    path = f"/api/camera-trials/{answer['trial']}"
    assert service.web.get(f"{path}/picture").status_code == 204
    wait_until(lambda: service.get(path)["view"], within_s=SOON_S)
    now = service.get(path)
    assert now["state"] == "showing"
    assert now["frames_per_s"] == pytest.approx(PER_S, rel=0.3)
    assert now["view"]["fit"]
    assert now["view"]["advice"] == []
    assert "mm where that is 500 mm" in now["view"]["told"]
    picture = service.web.get(f"{path}/picture")
    assert picture.headers["cache-control"] == "no-store"
    assert picture.content.startswith(b"\xff\xd8\xff")
    assert picture.content not in stream.frames, "none of a camera's own bytes"
    # One at a time; closed, its camera is free and its picture is gone.
    assert service.web.delete(path).status_code == 200
    sent = stream.frames_sent
    assert service.get(path)["state"] == "over"
    assert service.web.get(f"{path}/picture").status_code == 204
    assert stream.frames_sent - sent <= 2
    assert service.web.delete(path).status_code == 200, "harmless twice"
    assert service.web.get("/api/camera-trials/" + "0" * 32).status_code == 404


@pytest.mark.parametrize(
    ("paint", "fault", "said"),
    [
        pytest.param(dark, "dark", "It is too dark", id="dark"),
        pytest.param(blurred, "blur", "It is blurred", id="blurred"),
    ],
)
def test_what_ails_the_view_is_said_in_plain_words(
    service: RunningService, stream: MjpegServer, paint: Any, fault: str, said: str
) -> None:
    frames = [packed(picture) for _, picture in film(paint, 2.0, per_s=PER_S)]
    with MjpegServer(frames, frames_per_s=PER_S) as server:
        view = seen(service, server.address, until="view")["view"]
    assert not view["fit"]
    told = {each["fault"]: each for each in view["advice"]}  # slow, too, on a busy computer
    assert told[fault]["said"] == said
    assert told[fault]["todo"]


@pytest.mark.parametrize(
    ("manner", "told", "todo"),
    [
        pytest.param(Manner.LOCKED, "refuses the name and password", "NAME:PASSWORD", id="locked"),
        pytest.param(Manner.MISSING, "no such stream", "manual", id="missing"),
        pytest.param(Manner.STALL, "no picture for 5 s", "is on", id="hangs"),
        pytest.param(Manner.MUTE, "no answer within 5 s", "is on", id="never answers"),
        pytest.param(Manner.GARBAGE, "no picture", "is on", id="rubbish"),
        pytest.param(Manner.UNDECODABLE, "can't be decoded", "is on", id="undecodable"),
        pytest.param(Manner.WRONG_TYPE, "no video stream", "the stream itself", id="a page"),
        pytest.param(Manner.ELSEWHERE, "no http or https address", "is on", id="to a file"),
    ],
)
def test_what_gives_no_picture_says_why_and_no_secret(
    service: RunningService, stream: MjpegServer, manner: Manner, told: str, todo: str
) -> None:
    with MjpegServer(stream.frames) as server:
        server.manner, server.elsewhere = manner, "file:///etc/passwd"
        address = server.address.replace("//", f"//shed:{SECRET}@") + f"?key={SECRET}"
        now = seen(service, address, until="failed")
    assert told in now["told"]
    assert todo in now["todo"]
    assert SECRET not in str(now)


def test_a_stream_that_leads_to_a_file_of_this_computer_opens_none(
    service: RunningService, tmp_path: Path
) -> None:
    """A playlist of segments, as a library follows them by itself."""
    film_ = tmp_path / "secret.ts"
    os.mkfifo(film_)  # who opens it hangs, and would be told as that
    text = f"#EXTM3U\n#EXT-X-TARGETDURATION:5\n#EXTINF:5,\nfile://{film_}\n#EXT-X-ENDLIST\n"
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def answer() -> None:
            while True:
                try:
                    reader, _ = listener.accept()
                except OSError:
                    return
                with reader:
                    reader.recv(4096)
                    head = "HTTP/1.1 200 OK\r\nContent-Type: application/vnd.apple.mpegurl\r\n"
                    reader.sendall(f"{head}Content-Length: {len(text)}\r\n\r\n{text}".encode())

        thread = threading.Thread(target=answer)
        thread.start()
        port = listener.getsockname()[1]
        now = seen(service, f"http://127.0.0.1:{port}/live.m3u8", until="failed")
        listener.shutdown(socket.SHUT_RDWR)
    thread.join()
    assert "video stream that can be read" in now["told"]


@pytest.mark.parametrize(
    ("source", "status", "told"),
    [
        pytest.param("command:touch x", 422, "by hand", id="a program"),
        pytest.param("/etc/passwd", 422, "a device under /dev", id="a file"),
        pytest.param("/dev/null", 422, "a video device", id="another device"),
        pytest.param("/dev/../etc/passwd", 422, "a video device", id="a file by a way round"),
        pytest.param("clip.avi", 422, "a device or an address", id="a video file"),
        pytest.param("simulated", 422, "simulated", id="simulated"),
        pytest.param("file:///etc/passwd", 422, "http://", id="a file's address"),
        pytest.param("ftp://192.0.2.1/x", 422, "http://", id="another protocol"),
        pytest.param("http://shed:three-oars@:0/", 422, "complete address", id="no host"),
        pytest.param("http://a b/\r\nx", 422, "one line", id="two lines"),
    ],
)
def test_only_what_the_chamber_file_takes_from_a_page_is_looked_through(
    service: RunningService, source: str, status: int, told: str
) -> None:
    answer = begun(service, source)
    assert answer.status_code == status, answer.text
    assert told in answer.json()["detail"]
    assert SECRET not in answer.text


def test_a_camera_that_is_not_there_is_told(service: RunningService) -> None:
    assert "there is no such device" in seen(service, "/dev/video97", until="failed")["told"]


def test_a_camera_that_is_watched_is_not_opened_again(
    service: RunningService, watched: MjpegServer, stream: MjpegServer
) -> None:
    def looks() -> int:
        acts = service.get("/api/audit")["items"]
        assert SECRET not in str(acts)
        return sum(act["what"] == "camera looked through" for act in acts)

    # On record is what was really opened, without what may be a secret.
    before = looks()
    seen(service, stream.address, until="showing")
    assert looks() == before + 1
    wait_until(lambda: watched.requests, within_s=SOON_S)
    asked = len(watched.requests)
    answer = begun(service, watched.address.replace("http://", "HTTP://cox:other@"))
    assert answer.status_code == 200
    assert answer.json()["watched_by"] == "north-bench"
    assert answer.json()["trial"] is None
    assert len(watched.requests) == asked
    assert looks() == before + 1
