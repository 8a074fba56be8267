"""What a job that is over still explains: that its chamber cools on, until it is cold."""

from __future__ import annotations

import math

from stillair.model import Job, Phase

# It warms again: by so much above its coldest, and for longer than an open door's wake.
REWARMED_K, REWARMED_S = 2.0, 900.0


class CoolingOn:
    """Know for as long as it lasts that a chamber cools because its job is over.

    `coldest_c` is what the property of this name was at the last stop.
    """

    def __init__(self, coldest_c: float | None = None) -> None:
        # Since then: degrees Celsius, and when; of what was known before, this watch's begin
        self._coldest = None if coldest_c is None else (coldest_c, math.inf)
        self.material = ""  # of the part that cools, where this watch has seen its job

    def __bool__(self) -> bool:
        return self._coldest is not None

    @property
    def coldest_c(self) -> float | None:
        """How cold it has become since; None where no job explains that it cools."""
        return None if self._coldest is None else self._coldest[0]

    def tick(
        self, t_s: float, air_c: float | None, phase: Phase, job: Job | None, *, ended: bool
    ) -> None:
        """Take a second: the job, if there is one, and whether one has just ended."""
        if job is not None or phase is Phase.COLD:
            self._coldest = None
        elif air_c is not None and (ended or self._coldest is not None):
            coldest_c, since_s = self._coldest or (air_c, t_s)
            if air_c <= coldest_c or since_s > t_s:
                self._coldest = (min(air_c, coldest_c), t_s)
            elif air_c - coldest_c >= REWARMED_K and t_s - since_s >= REWARMED_S:
                self._coldest = None
        if job is not None or self._coldest is None:
            self.material = job.material if job is not None else ""
