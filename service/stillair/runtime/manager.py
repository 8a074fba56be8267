"""Words to the service manager: ready, stopping, and that every loop is on time."""

from __future__ import annotations

import asyncio
import os
import socket
import time
from collections.abc import Callable, Mapping

ANEW_USEC = 60_000_000  # the slowest board is back after a third of that


class ServiceManager:
    """Speak systemd's notification protocol; silent where nobody listens.

    Source: sd_notify(3), sd_watchdog_enabled(3).
    """

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        path = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + path[1:] if path.startswith("@") else path
        usec = environment.get("WATCHDOG_USEC", "")
        self._every_s = int(usec) / 2e6 if usec.isdecimal() and int(usec) else None
        self._usec = usec if self._every_s is not None else ""

    @property
    def listens(self) -> bool:
        """Whether a service manager has started this process."""
        return bool(self._address)

    def tell(self, state: str) -> None:
        """Send one state, as in "READY=1"."""
        if not self._address:
            return
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as speaker:
            # A manager that hangs must not hold up the pages.
            speaker.setblocking(False)
            try:
                speaker.connect(self._address)
                speaker.sendall(state.encode())
            except OSError:
                # Nobody to tell: watching goes on all the same.
                return

    def anew(self) -> str:
        """The state of a process that starts itself again, and so will be silent for a while.

        Told that it stops, a manager would end it for good.
        """
        state = f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}"
        return f"{state}\nWATCHDOG_USEC={ANEW_USEC}" if self._usec else state

    def hold_again(self) -> None:
        """Back to the watchdog's own time, which `anew` has made longer."""
        if self._usec:
            self.tell(f"WATCHDOG_USEC={self._usec}")

    async def feed_watchdog(self, on_time: Callable[[], bool]) -> None:
        """Tell twice in each watchdog period that all is well, but only while it is.

        Until cancelled, also where no manager waits for it.
        """
        if self._every_s is None:
            await asyncio.Event().wait()
        assert self._every_s is not None
        while True:
            if on_time():
                self.tell("WATCHDOG=1")
            await asyncio.sleep(self._every_s)
