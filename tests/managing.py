"""What a service manager does with Type=notify, WatchdogSec and Restart=always."""

from __future__ import annotations

import itertools
import os
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from running import RunningService

_numbers = itertools.count()


class Manager:
    """Start a service again that has ended, or that hasn't said for a time that all is well."""

    def __init__(self, watchdog_s: float) -> None:
        self.watchdog_s = watchdog_s
        # An abstract address: a path in a test's folder may be too long for one.
        name = f"stillair-manager-{os.getpid()}-{next(_numbers)}"
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._listener.bind(f"\0{name}")
        self._listener.settimeout(0.2)
        self.environment = {
            "NOTIFY_SOCKET": f"@{name}",
            "WATCHDOG_USEC": str(int(watchdog_s * 1e6)),
        }
        self.restarts = 0
        self.fed = 0  # how often the present process has said that all is well
        self.last_words: list[int] = []  # `fed` of each process that was to be begun again
        self.downs_s: list[float] = []  # of each restart, from the last word to the first answer
        self.by_hand = threading.Event()  # set while somebody else starts and stops
        self._stopping = threading.Event()
        self._failed: BaseException | None = None

    @contextmanager
    def managing(self, service: RunningService) -> Iterator[None]:
        def run() -> None:
            try:
                self._run(service)
            except BaseException as error:
                self._failed = error  # it could not be started again

        thread = threading.Thread(target=run, name="manager")
        thread.start()
        try:
            yield
        finally:
            self._stopping.set()
            thread.join(60.0)
            self.close()
            if self._failed is not None:
                raise self._failed

    def close(self) -> None:
        """For one that has managed nothing."""
        self._listener.close()

    def _run(self, service: RunningService) -> None:
        fed_s = time.monotonic()
        while not self._stopping.is_set():
            with suppress(TimeoutError):
                if b"WATCHDOG=1" in self._listener.recv(200):
                    fed_s = time.monotonic()
                    self.fed += 1
            if self.by_hand.is_set():
                fed_s = time.monotonic()
                continue
            ended = not service.is_alive()
            if ended or time.monotonic() - fed_s > self.watchdog_s:
                if not ended:
                    service.kill()
                service.start()
                self.downs_s.append(time.monotonic() - fed_s)
                self.last_words.append(self.fed)
                self.fed = 0
                fed_s = time.monotonic()
                self.restarts += 1
