"""Toolpaths on their way in: sent to a real service, put into a folder, read by its worker."""

from __future__ import annotations

import asyncio
import io
import json
import os
import socket
import subprocess
import tarfile
import zipfile
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from starlette.requests import Request
from starlette.types import Message

from running import RunningService, stillair, wait_until
from stillair.api import receiving
from stillair.errors import CommandRefused, NoRoomError, StoreError
from stillair.jobs.toolpath import Bounds, MotionLimits
from stillair.jobs.toolpath.analysis import analyse
from stillair.runtime import backup
from stillair.runtime.toolpaths import (
    FREE_BYTES,
    MachineSettings,
    TooLargeError,
    Toolpaths,
)
from stillair.runtime.worker import Workshop
from stillair.simulation.toolpaths import BUSHING, SPACER, Build, toolpath_lines
from stillair.storage import layers
from stillair.storage import toolpaths as rows
from stillair.storage.history import History
from stillair.storage.journal import Journal
from warm_starts import warm_run

BUSHINGS = "".join(toolpath_lines(Build(replace(BUSHING, height_mm=6.0)))).encode()
FILE = {"content-type": "application/octet-stream"}
CHAMBER = """
[chamber]
name = "Boat shed"
enclosure = ["metal"]

[[sensor]]
name = "top"
driver = "simulated"

[toolpaths]
folder = "toolpaths-here"

[machine]
road_mm_s2 = 500
"""


# --- a real service --------------------------------------------------------------------


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    folder = tmp_path_factory.mktemp("toolpaths")
    (folder / "toolpaths-here").mkdir()
    (folder / "chamber.toml").write_text(CHAMBER)
    with RunningService(folder / "data", "--chamber", str(folder / "chamber.toml")) as running:
        yield running


def send(service: RunningService, content: bytes, name: str = "bushings") -> str:
    answer = service.web.post(
        "/api/toolpaths", params={"name": name}, content=content, headers=FILE
    )
    assert answer.status_code == 201, answer.text
    return str(answer.json()["id"])


def first_job(service: RunningService) -> str:
    """The job that the scripted machine begins, once it has."""
    items = wait_until(lambda: service.web.get("/api/jobs").json()["items"], within_s=60.0)
    return str(items[0]["id"])


def read(service: RunningService, toolpath: str) -> dict[str, Any]:
    """A toolpath once it has been read or refused."""

    def done() -> dict[str, Any] | None:
        told: dict[str, Any] = service.web.get(f"/api/toolpaths/{toolpath}").json()
        return None if told["state"] == "waiting" else told

    return wait_until(done, within_s=60.0)


def test_a_toolpath_is_read_and_a_job_follows_it(service: RunningService) -> None:
    toolpath = send(service, BUSHINGS, "Oarlock bushings, bow side")
    told = read(service, toolpath)
    assert told["state"] == "ready" and told["refused"] is None
    assert told["name"] == "Oarlock bushings, bow side"
    assert told["size_bytes"] == len(BUSHINGS) and told["jobs"] == []
    whole, slow = told["whole"], MotionLimits(road_mm_s2=500)
    expected = analyse([BUSHINGS], replace(slow, acceleration_mm_s2=(2000, 2000, 200, 5000)))
    assert whole["layers"] == 30 and whole["height_mm"] == 6.0
    assert whole["duration_s"] == pytest.approx(expected.whole.duration_s)

    layers = service.web.get(f"/api/toolpaths/{toolpath}/layers").json()
    assert layers["height_mm"] == pytest.approx([0.2 * n for n in range(1, 31)])
    assert layers["start_s"] == pytest.approx(expected.layers.start_s.tolist(), abs=1e-3)
    assert {len(column) for column in layers.values()} == {30}
    path = f"/api/toolpaths/{toolpath}/outline"
    outline = service.web.get(path, params={"layer": 4}).json()
    assert outline["height_mm"] == 1.0
    assert "1" in outline["rows"][0] and outline["rows"][len(outline["rows"]) // 2].count("0") > 2
    assert service.web.get(path, params={"layer": 30}).status_code == 404

    job = first_job(service)
    follow = f"/api/jobs/{job}/toolpath"
    assert service.web.get(f"/api/jobs/{job}").json()["toolpath"] is None
    assert service.web.post(follow, json={"toolpath": toolpath}).status_code == 200
    assert service.web.get(f"/api/jobs/{job}").json()["toolpath"] == toolpath
    assert service.web.get(f"/api/toolpaths/{toolpath}").json()["jobs"] == [job]
    kept = service.web.delete(f"/api/toolpaths/{toolpath}")
    assert kept.status_code == 409 and job in kept.json()["detail"]
    assert service.web.post(follow, json={"toolpath": None}).status_code == 200
    new = {"name": "Bushings", "toolpath": "none such"}
    assert service.web.post("/api/jobs", json=new).status_code == 404
    assert len(service.web.get("/api/jobs").json()["items"]) == 1, "nothing has begun"
    assert service.web.post(f"/api/jobs/{job}/finish").status_code == 200
    begun = service.web.post("/api/jobs", json={**new, "toolpath": toolpath}).json()["id"]
    assert service.web.get(f"/api/jobs/{begun}").json()["toolpath"] == toolpath
    assert service.web.post(f"/api/jobs/{begun}/toolpath", json={"toolpath": None}).is_success
    assert service.web.delete(f"/api/toolpaths/{toolpath}").status_code == 200
    assert service.web.get(f"/api/toolpaths/{toolpath}").status_code == 404
    assert service.web.post(follow, json={"toolpath": toolpath}).status_code == 404


def packed(content: bytes) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("bushings", content)
    return file.getvalue()


@pytest.mark.parametrize(
    ("content", "line", "reason"),
    [
        pytest.param(packed(b"G1 X1\n" * 10**6), 1, "compressed (zip)", id="compressed"),
        pytest.param(b"G1 X1 Y1\nG1 X2 E\nG1 X--1", 2, "E without its number", id="a bad line"),
        pytest.param(b"\x00" * 5000, 1, "no text", id="binary"),
        pytest.param(b"", 1, "no road", id="empty"),
    ],
)
def test_what_is_refused_says_the_line(
    service: RunningService, content: bytes, line: int, reason: str
) -> None:
    toolpath = send(service, content)
    told = read(service, toolpath)
    assert told["state"] == "refused" and told["whole"] is None
    assert told["refused"]["line"] == line and reason in told["refused"]["reason"]
    layers = service.web.get(f"/api/toolpaths/{toolpath}/layers")
    assert layers.status_code == 409 and "can't be read" in layers.json()["detail"]
    job = first_job(service)
    refused = service.web.post(f"/api/jobs/{job}/toolpath", json={"toolpath": toolpath})
    assert refused.status_code == 409
    wait_until(lambda: not list((service.folder / "toolpaths").iterdir()), within_s=60)


@pytest.mark.parametrize(
    ("headers", "params", "status"),
    [
        pytest.param({"content-type": "application/json"}, {"name": "x"}, 415, id="as JSON"),
        pytest.param({"content-type": "text/plain"}, {"name": "x"}, 415, id="as a form could"),
        pytest.param(FILE, {}, 422, id="without a name"),
        pytest.param(FILE, {"name": "x" * 121}, 422, id="a name too long"),
        pytest.param(FILE, {"name": "x", "chamber": "jetty"}, 404, id="another chamber"),
        pytest.param(
            {**FILE, "origin": "http://example.org"}, {"name": "x"}, 403, id="from another page"
        ),
        pytest.param(
            {**FILE, "content-length": str(2 * 10**9)}, {"name": "x"}, 413, id="too large"
        ),
    ],
)
def test_what_is_sent_in_another_way_is_refused(
    service: RunningService, headers: dict[str, str], params: dict[str, str], status: int
) -> None:
    before = len(service.web.get("/api/toolpaths").json()["items"])
    request = service.web.build_request(
        "POST", "/api/toolpaths", params=params, content=b"G1 X1 E1\n", headers=headers
    )
    answer = service.web.send(request) if status != 413 else raw(service, headers)
    assert answer if isinstance(answer, bool) else answer.status_code == status
    assert len(service.web.get("/api/toolpaths").json()["items"]) == before


def raw(service: RunningService, headers: dict[str, str]) -> bool:
    """Whether a length that is too large is refused by its head alone."""
    lines = [
        "POST /api/toolpaths?name=x HTTP/1.1",
        f"Host: 127.0.0.1:{service.port}",
        *(f"{name}: {value}" for name, value in headers.items()),
    ]
    with socket.create_connection(("127.0.0.1", service.port), 10.0) as sender:
        sender.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())
        return b" 413 " in sender.recv(200)


def test_who_hangs_up_in_the_midst_leaves_nothing(service: RunningService) -> None:
    before = len(service.web.get("/api/toolpaths").json()["items"])
    folder = service.folder / "toolpaths"
    head = (
        f"POST /api/toolpaths?name=half HTTP/1.1\r\nHost: 127.0.0.1:{service.port}\r\n"
        "Content-Type: application/octet-stream\r\nContent-Length: 9000000\r\n\r\n"
    )
    with socket.create_connection(("127.0.0.1", service.port), 10.0) as sender:
        sender.sendall(head.encode() + b"G1 X1 E1\n" * 300_000)
        wait_until(lambda: list(folder.glob("*.part")) or None, within_s=60)
    wait_until(lambda: not list(folder.iterdir()) or None, within_s=60)
    assert len(service.web.get("/api/toolpaths").json()["items"]) == before


async def test_who_sends_nothing_more_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(receiving, "SILENT_S", 0.05)

    async def trickle() -> Message:
        trickled.append(b"G1")
        if len(trickled) > 1:
            await asyncio.Event().wait()
        return {"type": "http.request", "body": b"G1 X1 E1\n", "more_body": True}

    trickled: list[bytes] = []
    request = Request({"type": "http", "method": "POST", "headers": []}, trickle)
    coming = receiving.sent(request)
    assert await anext(coming) == b"G1 X1 E1\n"
    with pytest.raises(TimeoutError):
        await anext(coming)


def test_other_bodies_stay_small(service: RunningService) -> None:
    answer = service.web.post(
        "/api/jobs", content=b"x" * 70_000, headers={"content-type": "application/octet-stream"}
    )
    assert answer.status_code in (413, 415)


def test_files_in_the_watched_folder_are_read_once(service: RunningService) -> None:
    folder = service.folder.parent / "toolpaths-here"
    (folder / "spacers.gcode").write_bytes(BUSHINGS)
    (folder / "notes.txt").write_text("buy filament\n")
    (folder / ".hidden.gcode").write_bytes(BUSHINGS)
    (folder / "elsewhere.gcode").symlink_to("/etc/passwd")

    def names() -> list[str]:
        return [item["name"] for item in service.web.get("/api/toolpaths").json()["items"]]

    wait_until(lambda: "spacers.gcode" in names() or None, within_s=60.0)
    toolpath = service.web.get("/api/toolpaths").json()["items"][-1]
    assert read(service, toolpath["id"])["whole"]["layers"] == 30
    assert (folder / "spacers.gcode").exists(), "what lies in the folder stays there"
    # Another content is another toolpath; an unchanged file isn't, however often it is looked at.
    (folder / "spacers.gcode").write_bytes(BUSHINGS + b"G1 Z99\n")
    wait_until(lambda: names().count("spacers.gcode") == 2 or None, within_s=60.0)
    assert {"notes.txt", ".hidden.gcode", "elsewhere.gcode"}.isdisjoint(names())


def test_the_shell_says_the_same(tmp_path: Path) -> None:
    path = tmp_path / "bushings.gcode"
    path.write_bytes(BUSHINGS)

    def run(*words: str, sent: str = "") -> subprocess.CompletedProcess[str]:
        return warm_run(stillair("toolpath", *words), typed=sent)

    told = json.loads(run(str(path), "--json", "--layers").stdout)
    assert told["whole"]["layers"] == len(told["layers"]) == 30
    assert json.loads(run("-", "--json", sent=BUSHINGS.decode()).stdout)["whole"] == told["whole"]
    assert run(str(path)).stdout.startswith("30 layers, 6 mm high")
    wrong = run("-", sent="G1 X1\nG1 X-\n")
    assert wrong.returncode == 2 and "line 2: " in wrong.stderr and not wrong.stdout
    assert run(str(tmp_path)).returncode == 2
    assert run(str(tmp_path / "none")).returncode == 2


# --- what comes in, and what a stop leaves ---------------------------------------------


def taken_in(
    folder: Path, journal: Journal, history: History, free_bytes: int = 10**12
) -> Toolpaths:
    return Toolpaths(
        folder / "toolpaths",
        journal=journal,
        kept=history.toolpaths,
        workshop=Workshop(folder),
        machines={"boat-shed": MachineSettings(MotionLimits())},
        wall=lambda: datetime(2026, 6, 1, tzinfo=UTC),
        free_bytes=lambda _: free_bytes,
        look_s=0.05,
    )


async def sent(*blocks: bytes) -> AsyncIterator[bytes]:
    for block in blocks:
        yield block


@asynccontextmanager
async def running(toolpaths: Toolpaths) -> AsyncIterator[None]:
    task = asyncio.create_task(toolpaths.run())
    try:
        yield
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def ended(toolpaths: Toolpaths, toolpath: str) -> Any:
    async with asyncio.timeout(60):
        while (item := toolpaths.one(toolpath))["state"] == "waiting":  # noqa: ASYNC110
            await asyncio.sleep(0.02)
    return item


async def broken() -> AsyncIterator[bytes]:
    yield b"G1 X1 E1\n"
    raise ConnectionResetError("hung up")


@pytest.mark.parametrize(
    ("blocks", "free_bytes", "error"),
    [
        pytest.param(broken, 10**12, ConnectionResetError, id="hung up on"),
        pytest.param(lambda: sent(b"x" * 9), FREE_BYTES, NoRoomError, id="no room"),
        pytest.param(
            lambda: sent(*[b"x" * 1000] * 9), 10**12, TooLargeError, id="too large on its way"
        ),
    ],
)
async def test_what_does_not_come_whole_leaves_nothing(
    tmp_path: Path,
    journal: Journal,
    history: History,
    monkeypatch: pytest.MonkeyPatch,
    blocks: Any,
    free_bytes: int,
    error: type[Exception],
) -> None:
    monkeypatch.setattr("stillair.runtime.toolpaths.Bounds", lambda: Bounds(bytes=8000))
    toolpaths = taken_in(tmp_path, journal, history, free_bytes)
    with pytest.raises(error):
        await toolpaths.receive("boat-shed", "x", blocks())
    assert toolpaths.page(0, 9) == ([], None)
    assert not list((tmp_path / "toolpaths").iterdir())


async def test_no_more_than_two_come_in_at_once(
    tmp_path: Path, journal: Journal, history: History
) -> None:
    toolpaths = taken_in(tmp_path, journal, history)
    go_on = asyncio.Event()

    async def slow() -> AsyncIterator[bytes]:
        yield b"G1 X1 E1\n"
        await go_on.wait()

    coming = [asyncio.create_task(toolpaths.receive("boat-shed", "x", slow())) for _ in range(2)]
    await asyncio.sleep(0)
    await asyncio.sleep(0.05)
    with pytest.raises(CommandRefused):
        await toolpaths.receive("boat-shed", "third", sent(b"x"))
    go_on.set()
    await asyncio.gather(*coming)
    await toolpaths.receive("boat-shed", "third", sent(b"x"))


async def test_what_waited_at_a_stop_is_read_at_the_next_start(
    tmp_path: Path, journal: Journal, history: History
) -> None:
    before = taken_in(tmp_path, journal, history)
    toolpath = await before.receive("boat-shed", "bushings", sent(BUSHINGS))
    lost = await before.receive("boat-shed", "lost", sent(BUSHINGS))
    (tmp_path / "toolpaths" / f"{lost}.toolpath").unlink()
    (tmp_path / "toolpaths" / f"{'0' * 32}.part").write_bytes(b"half")
    after = taken_in(tmp_path, journal, history)
    async with running(after):
        assert (await ended(after, toolpath))["state"] == "ready"
        refused = await ended(after, lost)
    assert "gone" in refused["refused"]["reason"] and refused["refused"]["line"] is None
    assert not list((tmp_path / "toolpaths").iterdir())
    layers, outlines = after.layers(toolpath)
    expected = analyse([BUSHINGS])
    assert np.array_equal(layers.start_s, expected.layers.start_s)
    assert outlines.bits == expected.outlines.bits
    assert history.toolpaths().whole(toolpath) == expected.whole


async def test_a_folder_of_more_than_is_kept_is_not_read_over_and_over(
    tmp_path: Path, journal: Journal, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rows, "MOST_KEPT", 3)
    folder = tmp_path / "watched"
    folder.mkdir()
    taken = [datetime(2026, 6, 1, tzinfo=UTC) + timedelta(hours=n) for n in range(99)]
    toolpaths = Toolpaths(
        tmp_path / "toolpaths",
        journal=journal,
        kept=history.toolpaths,
        workshop=Workshop(tmp_path),
        machines={"boat-shed": MachineSettings(MotionLimits(), folder)},
        wall=lambda: taken.pop(0),
        look_s=0.02,
    )

    def newest() -> int:
        return max([int(str(item["seq"])) for item in toolpaths.page(0, 9)[0]], default=0)

    async with running(toolpaths), asyncio.timeout(300):
        for number in range(5):
            path = folder / f"{number}.gcode"
            path.write_bytes(b"none")
            os.utime(path, (taken[0].timestamp() - 60,) * 2)
            while newest() <= number or history.toolpaths().waiting():  # noqa: ASYNC110
                await asyncio.sleep(0.02)
        await asyncio.sleep(0.3)  # several more looks
    assert newest() == 5
    assert [item["name"] for item in toolpaths.page(0, 9)[0]] == ["2.gcode", "3.gcode", "4.gcode"]


async def test_files_that_wait_are_in_no_backup(
    tmp_path: Path, journal: Journal, history: History
) -> None:
    toolpath = await taken_in(tmp_path, journal, history).receive("boat-shed", "x", sent(BUSHINGS))
    assert (tmp_path / "toolpaths" / f"{toolpath}.toolpath").exists()
    made = backup.make(tmp_path, tmp_path / "kept.tar", datetime(2026, 6, 1, tzinfo=UTC))
    with tarfile.open(made.path) as tar:
        names = tar.getnames()
    assert "journal.db" in names and not any("toolpath" in name for name in names)


async def test_a_worker_that_fails_refuses_the_toolpath(
    tmp_path: Path, journal: Journal, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    toolpaths = taken_in(tmp_path, journal, history)
    toolpath = await toolpaths.receive("boat-shed", "x", sent(BUSHINGS))
    monkeypatch.setattr("stillair.runtime.worker.sys.executable", "/bin/false")
    async with running(toolpaths):
        told = await ended(toolpaths, toolpath)
    assert "failed" in told["refused"]["reason"]


def test_the_oldest_that_no_job_follows_goes(
    tmp_path: Path, journal: Journal, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rows, "MOST_KEPT", 3)

    def add(name: str) -> None:
        rows.add(journal, name, chamber="boat-shed", name=name, source="", size_bytes=9, at_us=1)
        rows.refuse(journal, name, 3, "wrong") if name != "b" else rows.keep(
            journal, name, analyse([BUSHINGS]).whole, b""
        )

    for name in "abc":
        add(name)
    rows.follow(journal, "boat-shed-1", "b", 2)
    for name in "de":
        add(name)
    kept = history.toolpaths()
    assert [item["id"] for item in kept.page(0, 9)[0]] == ["b", "d", "e"]
    assert kept.of_job("boat-shed-1") == "b" and kept.of_job("boat-shed-2") is None
    first, more = kept.page(0, 2)
    assert [item["id"] for item in first] == ["b", "d"]
    assert [item["id"] for item in kept.page(more or 0, 2)[0]] == ["e"]


@pytest.mark.parametrize(
    "damage", [pytest.param(0, id="cut short"), pytest.param(200, id="changed")]
)
def test_damaged_layers_are_said_to_be(damage: int) -> None:
    data = bytearray(layers.packed(analyse([BUSHINGS])))
    data = data[:-100] if not damage else data[:damage] + b"damage!!" * 9 + data[damage + 72 :]
    with pytest.raises(StoreError, match="damaged"):
        layers.unpacked(bytes(data))


def test_a_toolpath_of_many_layers_is_kept_small() -> None:
    text = "".join(toolpath_lines(Build(replace(SPACER, height_mm=40.0), layer_mm=0.1)))
    found = analyse([text.encode()])
    assert found.whole.layers == 400
    assert len(layers.packed(found)) < 100_000
