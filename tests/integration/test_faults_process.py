"""The process itself fails while a fire develops: the manager restarts it, or it goes on."""

from __future__ import annotations

import os
import random
import resource
import signal
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from burning import ANNOUNCED_S, BURNS_AT_S, SPEED, Stage, burning
from running import wait_until
from servers import MailServer

pytestmark = pytest.mark.timeout(300)  # a service is started more than once
WATCHDOG_S = 10.0
# What the test may do to the process from outside: hold its event loop up, with or without
# the lock of the interpreter, and end one of its threads as nothing in the code would.
FAULTS = """
import ctypes, signal, threading, time, os

def hold_up(*_):
    time.sleep(10.0)

def hold_all_up(*_):
    ctypes.PyDLL(None).usleep(10_000_000)

def end_thread(*_):
    wanted = open(os.environ["FAULT_THREAD"]).read()
    for thread in threading.enumerate():
        if thread.name.startswith(wanted):
            ctypes.pythonapi.PyThreadState_SetAsyncExc(
                ctypes.c_ulong(thread.ident), ctypes.py_object(SystemExit))

signal.signal(signal.SIGUSR1, hold_up)
signal.signal(signal.SIGUSR2, hold_all_up)
signal.signal(signal.SIGRTMIN, end_thread)
"""


class Manager:
    """What a service manager does with Type=notify, WatchdogSec and Restart=always."""

    def __init__(self, folder: Path) -> None:
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._listener.bind(str(folder / "notify"))
        self._listener.settimeout(0.2)
        self.environment = {
            "NOTIFY_SOCKET": str(folder / "notify"),
            "WATCHDOG_USEC": str(int(WATCHDOG_S * 1e6)),
        }
        self.restarts = 0
        self.longest_s = 0.0  # without watching, from the fault on
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="manager")
        self._stage: Stage | None = None

    @contextmanager
    def managing(self, stage: Stage) -> Iterator[None]:
        self._stage = stage
        self._thread.start()
        try:
            yield
        finally:
            self._stopping.set()
            self._thread.join(60.0)
            self._listener.close()

    def _run(self) -> None:
        assert self._stage is not None
        service = self._stage.service
        fed_s = time.monotonic()
        while not self._stopping.is_set():
            with suppress(TimeoutError):
                if b"WATCHDOG=1" in self._listener.recv(200):
                    fed_s = time.monotonic()
            ended = not service.is_alive()
            if ended or time.monotonic() - fed_s > WATCHDOG_S:
                if not ended:
                    service.kill()
                service.start()
                self.restarts += 1
                self.longest_s = max(self.longest_s, time.monotonic() - fed_s)
                fed_s = time.monotonic()


@contextmanager
def managed(
    folder: Path, mail: MailServer, environment: dict[str, str] | None = None
) -> Iterator[tuple[Stage, Manager]]:
    manager = Manager(folder)
    with (
        burning(
            folder,
            mail,
            before=FAULTS,
            environment={**manager.environment, **(environment or {})},
        ) as stage,
        manager.managing(stage),
    ):
        yield stage, manager


@pytest.mark.parametrize("how", [signal.SIGUSR1, signal.SIGUSR2], ids=["pages", "everything"])
def test_an_event_loop_that_is_blocked_for_ten_seconds(
    how: signal.Signals, tmp_path: Path, mail_server: MailServer
) -> None:
    with managed(tmp_path, mail_server) as (stage, _):
        # So that it still holds when the fire begins.
        wait_until(lambda: stage.until_it_burns_s() < 5.0, within_s=ANNOUNCED_S)
        os.kill(stage.service.pid, how)
        stage.has_not_burnt_yet()
        stage.fire_is_heard()
        stage.fire_is_announced()
        stage.fire_is_kept()


@pytest.mark.parametrize(
    "thread",
    ["watch", "sounder", "journal writer", "archive", "camera", "pictures"],
)
def test_a_thread_that_dies(thread: str, tmp_path: Path, mail_server: MailServer) -> None:
    named = tmp_path / "thread"
    named.write_text(thread)
    with managed(tmp_path, mail_server, {"FAULT_THREAD": str(named)}) as (stage, manager):
        os.kill(stage.service.pid, signal.SIGRTMIN)
        stage.has_not_burnt_yet()
        wait_until(lambda: manager.restarts, within_s=2 * ANNOUNCED_S)
        wait_until(stage.answers, within_s=ANNOUNCED_S)
        stage.fire_is_announced()
        stage.fire_is_kept()


def test_memory_that_runs_short(tmp_path: Path, mail_server: MailServer) -> None:
    with managed(tmp_path, mail_server) as (stage, _):
        in_use = int(Path(f"/proc/{stage.service.pid}/statm").read_text().split()[0])
        limit = in_use * resource.getpagesize() + 2**20
        resource.prlimit(stage.service.pid, resource.RLIMIT_AS, (limit, resource.RLIM_INFINITY))
        stage.has_not_burnt_yet()
        stage.fire_is_heard()
        # By this process or, if that can't any more, by the next one.
        wait_until(stage.mailed, within_s=3 * ANNOUNCED_S)
        with suppress(ProcessLookupError):
            whole = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
            resource.prlimit(stage.service.pid, resource.RLIMIT_AS, whole)
        wait_until(stage.answers, within_s=ANNOUNCED_S)
        stage.fire_is_kept()


def test_kills_at_any_moment(tmp_path: Path, mail_server: MailServer) -> None:
    chance = random.Random(7)
    with burning(tmp_path, mail_server) as stage:
        kept: set[tuple[int, str]] = set()
        for _ in range(4):
            until_s = time.monotonic() + chance.uniform(0.0, 1.3) * BURNS_AT_S / SPEED
            while time.monotonic() < until_s:
                kept |= {(event["seq"], event["kind"]) for event in stage.service.events()}
            stage.service.kill()
            stage.service.start()
        stage.fire_is_announced()
        stage.fire_is_kept()
        assert kept <= {(event["seq"], event["kind"]) for event in stage.service.events()}
        assert "Traceback" not in stage.service.log.read_text()
