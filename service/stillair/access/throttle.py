"""Make guessing slow, without letting a stranger lock anybody out.

Failures are counted for a name together with the address they come from, and
for an address alone with more patience. Each failure beyond the free ones
doubles the pause before the next try is looked at. A different address starts
afresh, so the right password still works from there. So does a browser in which
the person has signed in before: its mark stands in the place of the address, so that
neighbours who share that one can't keep the person out. A try counts as a failure
from its beginning: else many at once would all be looked at before one counts.
"""

from __future__ import annotations

import ipaddress
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

FREE_TRIES = 5  # slips of the finger
FREE_TRIES_OF_ADDRESS = 25  # several people may share one
LONGEST_PAUSE_S = 300.0
FORGET_AFTER_S = 3_600.0
MOST_REMEMBERED = 2_000  # the oldest go; bounds memory against made-up names


@dataclass(slots=True)
class _Failures:
    count: int
    last_s: float


class Throttle:
    """Say how long somebody has to wait before the next try. Thread-safe."""

    def __init__(self, monotonic_s: Callable[[], float]) -> None:
        self._monotonic_s = monotonic_s
        self._lock = threading.RLock()
        self._failures: OrderedDict[tuple[str, str], _Failures] = OrderedDict()

    def pause_s(self, name: str, address: str) -> float:
        """Seconds until a try is looked at; 0 if it is now."""
        place = neighbourhood(address)
        with self._lock:
            return max(
                self._left_s((name, place), FREE_TRIES),
                self._left_s(("", place), FREE_TRIES_OF_ADDRESS),
            )

    def begin(self, name: str, address: str) -> tuple[float, int]:
        """Begin a try: seconds until it is looked at, or 0 and then it counts as failed.

        The second number is how many have failed for this name and address with it.
        """
        with self._lock:
            pause_s = self.pause_s(name, address)
            return (pause_s, 0) if pause_s > 0 else (0.0, self.failed(name, address))

    def failed(self, name: str, address: str) -> int:
        """Count a failure; returns how many there have been for this name and address."""
        place = neighbourhood(address)
        with self._lock:
            self._count(("", place))
            return self._count((name, place))

    def succeeded(self, name: str, address: str) -> None:
        """Forget the failures of this name at this address; the try that was begun was none."""
        place = neighbourhood(address)
        with self._lock:
            self._failures.pop((name, place), None)
            if (there := self._failures.get(("", place))) is not None:
                there.count = max(0, there.count - 1)

    def _count(self, key: tuple[str, str]) -> int:
        now_s = self._monotonic_s()
        known = self._failures.pop(key, None)
        if known is None or now_s - known.last_s > FORGET_AFTER_S:
            known = _Failures(0, now_s)
        known.count += 1
        known.last_s = now_s
        self._failures[key] = known
        while len(self._failures) > MOST_REMEMBERED:
            self._failures.popitem(last=False)
        return known.count

    def _left_s(self, key: tuple[str, str], free: int) -> float:
        known = self._failures.get(key)
        if known is None or known.count < free:
            return 0.0
        pause_s = min(2.0 ** min(known.count - free, 20), LONGEST_PAUSE_S)
        return max(0.0, known.last_s + pause_s - self._monotonic_s())


def neighbourhood(address: str) -> str:
    """What one person can easily have of addresses: an IPv4 address, a /64 of IPv6."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address[:64]
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ipaddress.ip_network((int(found) >> 64 << 64, 64)))
    return str(found)
