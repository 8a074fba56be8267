"""Clocks that stand until a test moves them."""

from __future__ import annotations

from datetime import UTC, datetime


class Clocks:
    """A wall clock and a monotonic one, moved by hand."""

    def __init__(self) -> None:
        self.at = datetime(2026, 5, 2, 9, 0, tzinfo=UTC)
        self.now_s = 0.0

    def wall(self) -> datetime:
        return self.at

    def monotonic_s(self) -> float:
        return self.now_s
