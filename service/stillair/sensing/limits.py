"""What a driver's sensor can indicate at all; anything else is a fault, not a temperature."""

from __future__ import annotations

import math
from dataclasses import dataclass

from stillair.errors import ReadingFault, SensorError


@dataclass(frozen=True, slots=True)
class Span:
    """The lowest and the highest indication that a kind of sensor can give, degrees Celsius."""

    low_c: float
    high_c: float
    of: str

    def check(self, sensor: str, raw_c: float) -> float:
        """Give `raw_c` back. Raises `SensorError` when no such sensor can indicate it."""
        if not math.isfinite(raw_c):
            raise SensorError(sensor, f"{self.of} gave no finite number")
        if not self.low_c <= raw_c <= self.high_c:
            raise SensorError(
                sensor,
                f"{raw_c:.1f} degrees is beyond what {self.of} can measure"
                f" ({self.low_c:g} to {self.high_c:g})",
                fault=ReadingFault.OUT_OF_RANGE,
            )
        return raw_c
