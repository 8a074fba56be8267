"""One chamber as it runs: its loop, its camera, its labels, and what it looks like now."""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import dataclass
from typing import Protocol

from stillair.clock import Clock
from stillair.config import ChamberSettings
from stillair.runtime.company import Company
from stillair.runtime.comparing import LastSound
from stillair.runtime.labels import Labels
from stillair.runtime.stopping import MachineStop
from stillair.runtime.stories import Stories
from stillair.runtime.supervisor import Supervisor
from stillair.runtime.tally import Tally
from stillair.runtime.unsaid import Unsaid


class Loop(Protocol):
    """A thread of its own: a sensor's, the camera's, the sounder's."""

    def start(self) -> None: ...

    def stop(self) -> object: ...


class Reads(Loop, Protocol):
    @property
    def alive(self) -> bool: ...


class Sounds(Loop, Protocol):
    def on_time(self, within_s: float) -> bool: ...

    def try_out(self) -> Future[str] | None: ...


class Shared(Protocol):
    """What several drivers share."""

    def close(self) -> None: ...


class PictureLoop(Reads, Protocol):
    @property
    def is_starting(self) -> bool: ...

    @property
    def paused_until_s(self) -> float | None: ...

    def begin_anew(self) -> None: ...

    def pause(self, until_s: float, reason: str) -> None: ...

    def go_on(self) -> None: ...

    def latest_jpeg(self, width: int | None = None) -> tuple[bytes, float] | None: ...

    def age_s(self) -> float | None: ...


@dataclass(frozen=True, slots=True)
class Chamber:
    """Everything of one chamber that has to be started, asked and stopped."""

    key: str
    settings: ChamberSettings
    clock: Clock
    speed: float
    labels: Labels
    stories: Stories
    last_sound: LastSound
    unsaid: Unsaid
    supervisor: Supervisor
    loops: tuple[Reads, ...]  # sensors, brokers
    sounder: Sounds
    machine_stop: MachineStop | None
    camera: PictureLoop | None
    company: Company
    drivers: Shared
    tally: Tally

    @property
    def alive(self) -> bool:
        """Whether everything that reads still does, as it should between start and stop."""
        readers: tuple[Reads, ...] = (*self.loops, *([self.camera] if self.camera else []))
        return all(reader.alive for reader in readers)

    def stop_on_time(self, within_s: float) -> bool:
        """Whether what stops the machine is as it should be, where there is one."""
        return self.machine_stop is None or self.machine_stop.on_time(within_s)

    def start(self) -> None:
        """Begin to watch: first what sounds, then what decides, then what looks."""
        stops = [self.machine_stop] if self.machine_stop else []
        loops: tuple[Loop, ...] = (self.sounder, *stops, *self.loops)
        for loop in loops:
            loop.start()
        self.supervisor.start()
        if self.camera is not None:
            self.camera.start()

    def stop(self) -> None:
        """End it; sensors first, so that nothing is told as lost that is only switched off."""
        if self.camera is not None:
            self.camera.stop()
        self.supervisor.stop()
        stops = [self.machine_stop] if self.machine_stop else []
        for loop in (*self.loops, self.sounder, *stops):
            loop.stop()
        self.drivers.close()
