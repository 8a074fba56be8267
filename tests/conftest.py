"""What every test may use, and what no test may leave behind.

recordings   folder with thermal/ and video/, or the test is skipped
free_port    a loopback port on which nothing listens
mail_server  a mail server that keeps or refuses what it is sent
mosquitto    one MQTT broker for the whole run; use topics of your own
database_server  one PostgreSQL for the whole run, begun when first asked for
own_broker   a broker of this test alone, which it may stop and start
rules_may_break   rules of the watch that break are begun anew, as outside of tests
"""

from __future__ import annotations

import asyncio
import gc
import inspect
import os
import threading
import time
from collections.abc import AsyncIterator, Generator, Iterator
from pathlib import Path
from typing import NoReturn

import pytest
import pytest_asyncio
from hypothesis import HealthCheck, settings

from servers import Broker, DatabaseServer, MailServer, free_loopback_port
from stillair.storage.history import History
from stillair.storage.journal import Journal

# Threads of libraries that keep a pool for later, by the start of their name.
POOLED = ("AnyIO worker thread", "asyncio_", "pytest_timeout", "pytest-watcher")
ENDING_S = 20.0  # a thread that was told to stop may take that long on a busy computer


# As nice as can be, since the service's long work is: beside tests that take every core it
# would get none, and they would wait for it.
os.nice(19)

# Properties are tried on the same examples in every check, so that it says the same
# of the same code; nothing is judged by how long it took. To look for new examples:
# pytest --hypothesis-profile=explore
for profile, repeats in (("check", True), ("explore", False)):
    settings.register_profile(
        profile,
        derandomize=repeats,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow],
    )
settings.load_profile("check")


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """What is collected stays until the end: it is never looked through for what may go."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


@pytest_asyncio.fixture
async def no_task_left() -> AsyncIterator[None]:
    """Fail a test that leaves an asyncio task running in its loop."""
    yield
    left = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    assert not left, f"tasks still running after the test: {left}"


@pytest.fixture(autouse=True)
def nothing_left_running(request: pytest.FixtureRequest) -> Iterator[None]:
    """Fail a test that leaves a thread or an asyncio task running."""
    before = set(threading.enumerate())
    if inspect.iscoroutinefunction(getattr(request, "function", None)):
        request.getfixturevalue("no_task_left")
    yield
    give_up_s = time.monotonic() + ENDING_S
    for thread in set(threading.enumerate()) - before:
        if not thread.name.startswith(POOLED):
            thread.join(max(0.0, give_up_s - time.monotonic()))
            assert not thread.is_alive(), f"thread still running after the test: {thread.name}"


@pytest.fixture
def rules_may_break() -> None:
    """Let the watch bear a defect, and see what it does."""


@pytest.fixture(autouse=True)
def no_rule_breaks(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fail a test in which a rule of the watch breaks, though the watch would bear it."""
    if "rules_may_break" in request.fixturenames:
        return

    def broken(what: str, kinds: object, error: Exception, **_: object) -> NoReturn:
        raise error

    for module in ("stillair.thermal.core", "stillair.watch.core"):
        monkeypatch.setattr(f"{module}.RuleFailure", broken)


@pytest.fixture(scope="session")
def recordings() -> Path:
    """The folder of real recordings, which are not part of this repository."""
    named = os.environ.get("STILLAIR_RECORDINGS")
    if not named:
        # No recording is committed (licences and size), so elsewhere there is nothing to read.
        pytest.skip("real recordings: STILLAIR_RECORDINGS names no folder of recordings")
    folder = Path(named)
    assert folder.is_dir(), f"STILLAIR_RECORDINGS={named} is no folder"
    return folder


@pytest.fixture
def free_port() -> int:
    return free_loopback_port()


@pytest.fixture
def mail_server() -> Iterator[MailServer]:
    server = MailServer()
    server.start()
    yield server
    server.stop()


@pytest.fixture(scope="session")
def mosquitto(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    broker = Broker(tmp_path_factory.mktemp("mosquitto"))
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture(scope="session")
def database_server() -> Iterator[DatabaseServer]:
    server = DatabaseServer()
    server.start()
    yield server
    server.close()


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    opened = Journal.open(tmp_path / "journal.db")
    yield opened
    opened.close()


@pytest.fixture
def history(tmp_path: Path, journal: Journal) -> Iterator[History]:
    opened = History(journal.path, tmp_path / "archive.db")
    yield opened
    opened.close()


@pytest.fixture
def own_broker(tmp_path: Path) -> Iterator[Broker]:
    broker = Broker(tmp_path)
    broker.start()
    yield broker
    broker.stop()
