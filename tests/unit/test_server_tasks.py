"""Tasks beside the web server: one that ends is told and begun again."""

from __future__ import annotations

import asyncio
import socket
from pathlib import Path

import pytest

from stillair.runtime import server
from stillair.runtime.manager import ServiceManager
from stillair.runtime.server import keep_up


@pytest.mark.parametrize("way", ["raises", "returns"])
async def test_a_task_that_ends_is_told_and_begun_again(
    way: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(server, "AGAIN_S", 0.001)
    monkeypatch.setattr(server, "PROVEN_S", 0.05)
    told: list[tuple[str, bool]] = []
    begun = 0

    async def work() -> None:
        nonlocal begun
        begun += 1
        if begun <= 2:
            if way == "raises":
                raise KeyError("defect")
            return
        await asyncio.Event().wait()

    task = asyncio.create_task(keep_up("courier", work, lambda *what: told.append(what)))
    async with asyncio.timeout(10):
        while ("courier", False) not in told:  # noqa: ASYNC110 - a list has no event
            await asyncio.sleep(0.005)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    assert told == [("courier", True), ("courier", True), ("courier", False)]
    assert begun == 3
    assert "the courier ended" in caplog.text


async def test_the_watchdog_waits_where_nobody_listens() -> None:
    task = asyncio.create_task(ServiceManager({}).feed_watchdog(lambda: True))
    await asyncio.sleep(0.01)
    assert not task.done()
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


@pytest.mark.timeout(30)
def test_a_manager_that_hangs_holds_nothing_up(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as hangs:
        hangs.bind(str(tmp_path / "notify"))
        manager = ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "notify")})
        for _ in range(2_000):  # more than a kernel holds for who doesn't read
            manager.tell("WATCHDOG=1")
        assert hangs.recv(100) == b"WATCHDOG=1"
