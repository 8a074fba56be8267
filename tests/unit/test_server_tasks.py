"""Tasks beside the web server: one that ends is told and begun again."""

from __future__ import annotations

import asyncio
import socket
from pathlib import Path

import pytest

from stillair.access.people import FILE_NAME, Access
from stillair.api.reach import Reach
from stillair.runtime import server
from stillair.runtime.manager import ServiceManager
from stillair.runtime.server import is_own, keep_up, listen


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


@pytest.mark.parametrize(
    ("watchdog_usec", "told"),
    [
        pytest.param(
            "8000000", ["RELOADING=1", "MONOTONIC_USEC", "WATCHDOG_USEC=60000000"], id="8 s"
        ),
        pytest.param("", ["RELOADING=1", "MONOTONIC_USEC"], id="no watchdog"),
    ],
)
def test_who_begins_anew_is_not_taken_for_one_that_stops(
    tmp_path: Path, watchdog_usec: str, told: list[str]
) -> None:
    """sd_notify(3): after STOPPING=1 the manager ends the process after its time to stop."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listens:
        listens.bind(str(tmp_path / "notify"))
        listens.settimeout(5.0)
        environment = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": watchdog_usec}
        manager = ServiceManager(environment)
        manager.tell(manager.anew())
        heard = listens.recv(200).decode().split("\n")
        assert [line.partition("=")[0] if "MONO" in line else line for line in heard] == told
        manager.hold_again()
        manager.tell("READY=1")
        after = [b"WATCHDOG_USEC=8000000", b"READY=1"] if watchdog_usec else [b"READY=1"]
        assert [listens.recv(200) for _ in after] == after


@pytest.mark.parametrize("later", ["192.0.2.7", "2001:db8::7"])
def test_an_address_that_comes_later_is_listened_on_already(later: str) -> None:
    if ":" in later:
        try:
            socket.create_server(("::1", 0), family=socket.AF_INET6).close()
        except OSError:
            pytest.skip("no IPv6 here")
    with listen(later, 0) as listener:
        assert listener.getsockname()[0] == later
    assert not is_own(later)


@pytest.mark.parametrize("ours", ["127.0.0.1", "127.0.0.2", "0.0.0.0", "localhost"])
def test_an_address_of_this_computer_is_its_own(ours: str) -> None:
    assert is_own(ours)


def test_who_waits_for_its_address_tells_it_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[tuple[bool, str]] = []
    here = False
    monkeypatch.setattr(server, "is_own", lambda _: here)

    def look() -> None:
        reach.look(lambda failing, reason: told.append((failing, reason)))

    with Access(tmp_path / FILE_NAME) as access:
        access.owner_add("captain", "a long row to the weir")
        reach = Reach("192.0.2.7", (), access, tmp_path)
        assert (reach.closed, reach.host) == ("", "192.0.2.7")
        look()
        assert not told, "the network comes later than the service"
        look()
        look()
        assert [failing for failing, _ in told] == [True]
        assert "192.0.2.7" in told[0][1]
        here = True
        look()
        look()
        assert told[1:] == [(False, "")]


@pytest.mark.parametrize("proxied", [False, True])
def test_an_owner_who_is_made_later_is_seen(tmp_path: Path, proxied: bool) -> None:
    told: list[tuple[bool, str]] = []

    def tell(failing: bool, reason: str) -> None:
        told.append((failing, reason))

    names = ["shed.example.org"] if proxied else []
    with Access(tmp_path / FILE_NAME) as access:
        reach = Reach("127.0.0.1" if proxied else "0.0.0.0", names, access, tmp_path)
        assert reach.host == "127.0.0.1"
        reach.begin(tell)
        reach.look(tell)
        assert told == [(True, reach.closed)]
        assert "owner add NAME" in reach.closed
        access.owner_add("captain", "a long row to the weir")
        reach.look(tell)
        reach.look(tell)
        [(failing, reason)] = told[1:]
        assert failing is not proxied
        assert ("restart the service to listen on 0.0.0.0" in reason) is not proxied
