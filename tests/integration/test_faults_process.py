"""The process itself fails while a fire develops: the manager restarts it, or it goes on."""

from __future__ import annotations

import os
import random
import resource
import signal
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import pytest

import ordered
from burning import ANNOUNCED_S, Stage, burning
from managing import Manager
from running import wait_until
from servers import MailServer

pytestmark = pytest.mark.timeout(300)  # a service is started more than once
WATCHDOG_S = 2.0  # a quarter of what the unit has
LONG_WATCHDOG_S = 30.0


@contextmanager
def managed(
    folder: Path, mail: MailServer, watchdog_s: float = WATCHDOG_S
) -> Iterator[tuple[Stage, Manager]]:
    manager = Manager(watchdog_s)
    with (
        closing(manager),
        burning(folder, mail, environment=manager.environment) as stage,
        manager.managing(stage.service),
    ):
        yield stage, manager


@pytest.mark.parametrize(
    ("how", "watchdog_s"),
    [
        pytest.param(signal.SIGUSR1, LONG_WATCHDOG_S, id="pages, borne"),
        pytest.param(signal.SIGUSR2, WATCHDOG_S, id="everything, restarted"),
    ],
)
def test_an_event_loop_that_is_blocked_for_ten_seconds(
    how: signal.Signals, watchdog_s: float, tmp_path: Path, mail_server: MailServer
) -> None:
    with managed(tmp_path, mail_server, watchdog_s) as (stage, manager):
        os.kill(stage.service.pid, how)
        stage.light()
        stage.fire_is_announced()
        stage.fire_is_kept()
        # A second without a word may also be a computer that does other things.
        assert bool(manager.restarts) is (watchdog_s < ordered.HELD_S)


@pytest.mark.parametrize(
    "thread",
    ["watch", "sounder", "journal writer", "archive", "camera", "pictures", "sensor top"],
)
def test_a_thread_that_dies(thread: str, tmp_path: Path, mail_server: MailServer) -> None:
    (tmp_path / "end").write_text(thread)
    with managed(tmp_path, mail_server) as (stage, manager):
        os.kill(stage.service.pid, signal.SIGRTMIN)
        stage.light()
        wait_until((tmp_path / "ended").exists, within_s=ANNOUNCED_S, every_s=0.02)
        fed = manager.fed
        wait_until(lambda: manager.restarts, within_s=2 * ANNOUNCED_S)
        # It falls silent at once; one word may have been under way.
        assert manager.last_words[0] <= fed + 1
        wait_until(stage.answers, within_s=ANNOUNCED_S)
        stage.fire_is_announced()
        stage.fire_is_kept()


def test_memory_that_runs_short(tmp_path: Path, mail_server: MailServer) -> None:
    with managed(tmp_path, mail_server) as (stage, _):
        in_use = int(Path(f"/proc/{stage.service.pid}/statm").read_text().split()[0])
        limit = in_use * resource.getpagesize() + 2**20
        resource.prlimit(stage.service.pid, resource.RLIMIT_AS, (limit, resource.RLIM_INFINITY))
        stage.light()
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
        stage.light()
        for _ in range(3):
            until_s = time.monotonic() + chance.uniform(0.0, 3.0)
            while time.monotonic() < until_s:
                kept |= {(event["seq"], event["kind"]) for event in stage.service.events()}
            stage.service.kill()
            stage.service.start()
        stage.fire_is_announced()
        stage.fire_is_kept()
        assert kept <= {(event["seq"], event["kind"]) for event in stage.service.events()}
        assert "Traceback" not in stage.service.log.read_text()
