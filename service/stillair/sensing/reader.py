"""Reading sensors on time, none of them waiting for another.

A sensor whose `read` may block has a reader: a thread of its own that reads at
absolute deadlines. When a read hangs, nothing but that thread hangs, and the
supervisor learns of the silence from `check`, which never blocks. Sensors that
don't block are read by `read_sensor` or `read_particles` in the supervisor's loop.
"""

from __future__ import annotations

import logging
import math
import threading
from collections.abc import Callable
from dataclasses import replace
from typing import Final, Generic, TypeVar

from stillair.clock import Clock
from stillair.errors import ReadingFault, SensorError
from stillair.model import Particles, Reading
from stillair.sensing.protocols import ParticleSensor, Sensor

logger = logging.getLogger(__name__)

PERIOD_S: Final = 1.0
SILENT_AFTER_S: Final = 5.0  # six conversions of the slowest chip
JOIN_S: Final = 0.1  # for each of many sensors, so that the service stops within a second
MOST_UG: Final = 10_000.0  # ten times what any counter of particles measures
BROKEN: Final = "the driver failed; see the log"
NOT_FINITE: Final = "the driver gave no finite number"

Value = TypeVar("Value", Reading, Particles)


def read_sensor(sensor: Sensor, t_s: float, correction_k: float = 0.0) -> Reading | None:
    """Read once: a corrected value or a fault, labelled `t_s`; None when there is nothing new.

    Raises nothing: an error that a driver failed to map is logged and told as
    unreadable, since one broken driver must not end the watch.
    """
    try:
        raw_c = sensor.read()
    except SensorError as error:
        return Reading(sensor.name, t_s, None, error.fault, error.reason)
    except Exception:
        logger.exception("sensor %s: the driver failed", sensor.name)
        reason = BROKEN
    else:
        if raw_c is None:
            return None
        if math.isfinite(raw_c):
            return Reading(sensor.name, t_s, raw_c + correction_k)
        reason = NOT_FINITE
    return Reading(sensor.name, t_s, None, ReadingFault.UNREADABLE, reason)


def read_particles(sensor: ParticleSensor, t_s: float) -> Particles | None:
    """Read once, as `read_sensor` does: a mass of particles that can be, or why there is none."""
    try:
        value_ug = sensor.read()
    except SensorError as error:
        return Particles(sensor.name, t_s, None, error.reason)
    except Exception:
        logger.exception("sensor %s: the driver failed", sensor.name)
        reason = BROKEN
    else:
        if value_ug is None:
            return None
        if 0.0 <= value_ug <= MOST_UG:
            return Particles(sensor.name, t_s, value_ug)
        beyond = f"{value_ug:.0f} micrograms a cubic metre is beyond what it can measure"
        reason = beyond if math.isfinite(value_ug) else NOT_FINITE
    return Particles(sensor.name, t_s, None, reason)


class Reader(Generic[Value]):
    """Reads one blocking sensor in a thread of its own.

    `read` gives what was read at the chamber's time, `silent` the fault for a
    silence and its reason. `take` gets each value, from that thread or from who
    calls `check`; it must be quick and safe to call from any thread. `period_s` is
    the time from one read's beginning to the next; a read that takes longer
    skips the deadlines it missed. Raises `ValueError` unless both times are
    above 0.
    """

    def __init__(
        self,
        sensor: Sensor | ParticleSensor,
        read: Callable[[float], Value | None],
        silent: Callable[[float, str], Value],
        take: Callable[[Value], None],
        clock: Clock,
        *,
        period_s: float = PERIOD_S,
        silent_after_s: float = SILENT_AFTER_S,
    ) -> None:
        if not (period_s > 0 and silent_after_s > 0):
            raise ValueError("period and silence must be above 0 s")
        self.sensor = sensor
        self._read_it: Callable[[float], Value | None] = read
        self._silent: Callable[[float, str], Value] = silent
        self._take: Callable[[Value], None] = take
        self._clock = clock
        self._period_s = period_s
        self._silent_after_s = silent_after_s
        self._stopping = threading.Event()
        # One float or None, written by the thread and read by `check`: no lock needed.
        self._asked_s: float | None = None
        # A daemon: a read that hangs for good must not keep the process.
        self._thread = threading.Thread(target=self._run, name=f"sensor {sensor.name}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def check(self, t_s: float) -> None:
        """Hand over a fault when the read under way has hung for too long; never blocks.

        At each call while it hangs, so that the silence stands as long as it lasts.
        """
        asked_s = self._asked_s
        if asked_s is not None and t_s - asked_s >= self._silent_after_s:
            reason = f"no answer within {self._silent_after_s:g} seconds"
        elif not self.alive:
            reason = "it is no longer read"
        else:
            return
        self._take(self._silent(t_s, reason))

    @property
    def alive(self) -> bool:
        """Whether its thread runs, as it should between start and stop."""
        started = self._thread.ident is not None
        return self._stopping.is_set() or not started or self._thread.is_alive()

    def stop(self) -> bool:
        """Ask the thread to end and wait 0.1 s for it; False while a read is still under way.

        That thread ends after its read and frees the bus then, telling nothing more.
        """
        self._stopping.set()
        if self._thread.ident is None:
            self.sensor.close()
            return True
        self._thread.join(JOIN_S)
        return not self._thread.is_alive()

    def _run(self) -> None:
        due_s = self._clock.now_s()
        while not self._stopping.is_set():
            self._read()
            missed = math.floor((self._clock.now_s() - due_s) / self._period_s)
            due_s += self._period_s * (max(0, missed) + 1)
            self._clock.wait(due_s, self._stopping)
        self.sensor.close()

    def _read(self) -> None:
        self._asked_s = asked_s = self._clock.now_s()
        value = self._read_it(asked_s)
        answered_s = self._clock.now_s()
        self._asked_s = None
        if value is not None and not self._stopping.is_set():
            try:
                self._take(replace(value, t_s=answered_s))
            except Exception:
                logger.exception("sensor %s: the reading was not taken", self.sensor.name)


class SensorReader(Reader[Reading]):
    """Reads one temperature sensor whose `read` may block."""

    def __init__(
        self,
        sensor: Sensor,
        take: Callable[[Reading], None],
        clock: Clock,
        *,
        correction_k: float = 0.0,
        period_s: float = PERIOD_S,
        silent_after_s: float = SILENT_AFTER_S,
    ) -> None:
        super().__init__(
            sensor,
            lambda t_s: read_sensor(sensor, t_s, correction_k),
            lambda t_s, why: Reading(sensor.name, t_s, None, ReadingFault.SILENT, why),
            take,
            clock,
            period_s=period_s,
            silent_after_s=silent_after_s,
        )


class ParticleReader(Reader[Particles]):
    """Reads one particle sensor whose `read` waits for what it sends."""

    def __init__(
        self,
        sensor: ParticleSensor,
        take: Callable[[Particles], None],
        clock: Clock,
        *,
        period_s: float = PERIOD_S,
    ) -> None:
        super().__init__(
            sensor,
            lambda t_s: read_particles(sensor, t_s),
            lambda t_s, why: Particles(sensor.name, t_s, None, why),
            take,
            clock,
            period_s=period_s,
        )
