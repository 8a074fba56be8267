"""Try everything that a chamber file names, one after the other, and say what would help.

Nothing here may hang: whatever can block is tried in a daemon thread and
given up after some seconds.
"""

from __future__ import annotations

import os
import re
import shutil
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TypeVar

from stillair.alarms import figures
from stillair.alerts.mail import MailRoute
from stillair.clock import SystemClock
from stillair.config import ChamberSettings, default_chamber, load_chambers
from stillair.config.inputs import AnyContact, AnyParticles, AnySensor, CameraKind
from stillair.config.reach import CommandSounder, GpioSounder
from stillair.errors import (
    CameraError,
    ContactError,
    DeliveryError,
    InputError,
    SensorError,
    StillairError,
)
from stillair.fire.particles import USUAL_AT_START_UG
from stillair.runtime.drivers import Drivers
from stillair.runtime.viewing import facets, look
from stillair.runtime.wiring import mail_settings
from stillair.sensing.protocols import Camera, ParticleSensor, Sensor

T = TypeVar("T")

TRY_S = 8.0  # a 1-Wire sensor takes 0.8 s, a camera or broker some seconds to connect
LEAST_FREE_MB = 300
EARLIEST_AT = datetime(2026, 1, 1, tzinfo=UTC)  # a clock before this program was made is wrong

_SENSOR_REMEDY = {
    "onewire": "see that the overlay w1-gpio is on, the pull-up is there and the wires are right",
    "max31855": "see that SPI is on and the thermocouple is plugged in",
    "max31856": "see that SPI is on and the thermocouple is plugged in",
    "mcp9600": "see that I2C is on and the address is right",
    "mqtt": "see that the broker is reached and something publishes on this topic",
    "recording": "see that the file has this column",
    "simulated": "see that the scenario has this point",
}


_PARTICLES_REMEDY = {
    "serial": "see that it has its 5 V, its TX wire is on the port, and no console uses that",
    "simulated": "see that the scenario is right",
}
_CONTACT_REMEDY = {
    "gpio": "see that the pin's number is GPIO's own and the wiring is right",
    "mqtt": "see that the broker is reached and something publishes on this topic",
    "simulated": "see that the scenario has this switch",
}
_CAMERA_REMEDY = {
    CameraKind.DEVICE: "plug it in, and name it as `ls /dev/v4l/by-id` does",
    CameraKind.FILE: "see that the path is right; it begins where the chamber file lies",
    CameraKind.STREAM: "see that it is on, this computer reaches it and its address is right",
    CameraKind.COMMAND: "run it by hand: it has to write motion JPEG on its standard output for"
    " as long as it runs",
    CameraKind.SIMULATED: "take another scenario, or wait until this one has it plugged in",
}
_ADVICE = re.compile(r"[;:,] (?=(?:switch|look|see|use|run|check|free|choose) )")


class State(StrEnum):
    """What trying has shown."""

    FIT = "fit"
    UNFIT = "UNFIT"
    NOT_TRIED = "not tried"  # only an alarm shows whether it works, or another thing comes first
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Found:
    """How one thing is, what it told, and what would help."""

    thing: str
    state: State
    told: str
    remedy: str = ""
    figures: Mapping[str, float | None] = field(default_factory=dict)

    def line(self) -> str:
        """One line for a person."""
        remedy = f" -> {self.remedy}" if self.remedy else ""
        return f"{self.state:9}  {self.thing}: {self.told}{remedy}"

    def record(self) -> dict[str, object]:
        """The same for a program."""
        return {
            "thing": self.thing,
            "state": self.state.value.lower(),
            "told": self.told,
            "remedy": self.remedy or None,
            **({"figures": dict(self.figures)} if self.figures else {}),
        }


def inspect_all(files: tuple[Path, ...], folder: Path) -> Iterator[Found]:
    """Try everything, one `Found` each, as soon as it is known.

    Raises `SettingsError` before the first.
    """
    chambers = load_chambers(files) if files else (default_chamber(),)
    for settings in chambers:
        yield from _chamber(settings, prefix=f"{settings.name}, " if len(chambers) > 1 else "")
    yield _clock(datetime.now(UTC))
    yield _disk(folder)


def _chamber(settings: ChamberSettings, *, prefix: str) -> Iterator[Found]:
    drivers = Drivers(settings, SystemClock())
    try:
        for sensor in settings.sensors:
            yield _sensor(drivers, sensor, prefix)
        for counter in settings.particles:
            yield _particles(drivers, counter, prefix)
        for contact in settings.contacts:
            yield _contact(drivers, contact, prefix)
        yield from _camera(drivers, prefix)
        yield _sounder(settings, prefix)
        yield from _routes(settings, prefix)
    finally:
        drivers.close()


def _sensor(drivers: Drivers, of: AnySensor, prefix: str) -> Found:
    thing = f"{prefix}sensor {of.name}"
    found = _first_value(thing, lambda: drivers.sensor(of), _SENSOR_REMEDY[of.driver])
    if isinstance(found, Found):
        return found
    described, raw_c = found
    return Found(thing, State.FIT, f"{figures.temperature(raw_c + of.correction_k)} ({described})")


def _particles(drivers: Drivers, of: AnyParticles, prefix: str) -> Found:
    thing = f"{prefix}particle sensor {of.name}"
    found = _first_value(thing, lambda: drivers.particles(of), _PARTICLES_REMEDY[of.driver])
    if isinstance(found, Found):
        return found
    described, value_ug = found
    told = f"{value_ug:.0f} micrograms in a cubic metre of air"
    if value_ug >= USUAL_AT_START_UG:
        told += ", which is more than usual"
    return Found(thing, State.FIT, f"{told} ({described})")


def _first_value(
    thing: str, make: Callable[[], Sensor | ParticleSensor], remedy: str
) -> Found | tuple[str, float]:
    """Who it is and what it tells first, or what ails it."""

    def read() -> tuple[str, float]:
        sensor = make()
        try:
            until_s = time.monotonic() + TRY_S - 1.0
            while True:
                value = sensor.read()
                if value is not None:
                    return sensor.describe(), value
                if time.monotonic() > until_s:
                    raise SensorError(sensor.name, "it has told nothing")
                time.sleep(0.1)
        finally:
            sensor.close()

    try:
        return _within(TRY_S, read)
    except SensorError as error:
        return _unfit(thing, error.reason, remedy)
    except (StillairError, TimeoutError) as error:
        return Found(thing, State.UNFIT, str(error), remedy)


def _unfit(thing: str, reason: str, remedy: str) -> Found:
    """A driver's reason may end with better advice than the general remedy."""
    told, *advice = _ADVICE.split(reason, maxsplit=1)
    return Found(thing, State.UNFIT, told, advice[0] if advice else remedy)


def _contact(drivers: Drivers, of: AnyContact, prefix: str) -> Found:
    thing = f"{prefix}switch {of.name}"

    def ask() -> tuple[str, bool | None]:
        contact = drivers.contact(of)
        try:
            contact.start(lambda: None)
            until_s = time.monotonic() + (TRY_S - 1.0 if of.driver == "mqtt" else 0.5)
            active = contact.state()
            while active is None and time.monotonic() < until_s:
                time.sleep(0.1)
                active = contact.state()
            return contact.describe(), active
        finally:
            contact.close()

    words = {
        "door": ("open", "shut"),
        "detector": ("gone off", "quiet"),
        "presence": ("pressed", "not pressed"),
        "heater": ("heating", "not heating"),
        "supply": ("switched off", "on"),
    }
    try:
        described, active = _within(TRY_S, ask)
    except ContactError as error:
        return _unfit(thing, error.reason, _CONTACT_REMEDY[of.driver])
    except (StillairError, TimeoutError) as error:
        return Found(thing, State.UNFIT, str(error), _CONTACT_REMEDY[of.driver])
    if active is None:
        return Found(
            thing, State.UNFIT, "it has told nothing", "see that something tells its state"
        )
    return Found(thing, State.FIT, f"{words[of.kind.value][0 if active else 1]} ({described})")


def _camera(drivers: Drivers, prefix: str) -> Iterator[Found]:
    """The camera itself, then the sides of its view, then what the view is worth."""
    thing = f"{prefix}camera"
    of = drivers.settings.camera
    if of is None:
        yield Found(thing, State.NONE, "smoke and flame are not watched for")
        return

    def camera() -> Camera:
        made = drivers.camera()
        assert made is not None
        return made

    remedy = _CAMERA_REMEDY[of.kind]
    try:
        described, fitness = look(
            camera, drivers.clock, own_pace=of.kind is not CameraKind.SIMULATED
        )
    except CameraError as error:
        told = f"{error.reason} ({error.source})"
        yield Found(thing, State.UNFIT, told, error.remedy or remedy)
    except TimeoutError as error:
        yield Found(thing, State.UNFIT, str(error), "start the camera anew, then this command")
    except StillairError as error:
        yield Found(thing, State.UNFIT, str(error), remedy)
    except Exception as error:
        yield Found(thing, State.UNFIT, f"{type(error).__name__}: {error}", remedy)
    else:
        yield Found(thing, State.FIT, f"gives pictures ({described})")
        for facet in facets(fitness, drivers.settings.chamber.width_mm):
            state = State.UNFIT if facet.remedy else State.FIT
            if not facet.is_judged:
                state = State.NOT_TRIED
            yield Found(
                f"{prefix}view" + (f", {facet.name}" if facet.name else ""),
                state,
                facet.told,
                facet.remedy,
                facet.figures,
            )


def _sounder(settings: ChamberSettings, prefix: str) -> Found:
    thing = f"{prefix}sounder"
    match settings.sounder:
        case GpioSounder(pin=pin):
            if not any(Path("/dev").glob("gpiochip*")):
                return Found(
                    thing, State.UNFIT, "this machine has no GPIO pins", "run it on the board"
                )
            return Found(thing, State.NOT_TRIED, f"GPIO {pin}", "listen for it in an alarm")
        case CommandSounder(command=command):
            program = command.split()[0]
            if shutil.which(program) is None:
                return Found(
                    thing, State.UNFIT, f"there is no program {program}", "install or rename it"
                )
            return Found(thing, State.NOT_TRIED, f"by {program}", "listen for it in an alarm")
        case _:
            return Found(thing, State.NONE, "alarms are not heard")


def _routes(settings: ChamberSettings, prefix: str) -> Iterator[Found]:
    if not settings.people:
        yield Found(f"{prefix}routes", State.NONE, "nobody is told by message")
    if settings.mail is None:
        return
    route = MailRoute(mail_settings(settings.mail))
    people = figures.row([person.name for person in settings.people]) or "nobody"
    thing = f"{prefix}mail to {people}"
    try:
        yield Found(thing, State.FIT, _within(20.0, route.check))
    except (DeliveryError, TimeoutError) as error:
        told = error.reason if isinstance(error, DeliveryError) else str(error)
        yield Found(
            thing, State.UNFIT, told, "see [mail]: host, port, security, username, password"
        )
    finally:
        route.close()


def _clock(now_at: datetime) -> Found:
    if now_at < EARLIEST_AT:
        return Found(
            "clock",
            State.UNFIT,
            f"it says {now_at:%Y-%m-%d}",
            "set it, or let it reach a time server",
        )
    return Found("clock", State.FIT, f"{now_at:%Y-%m-%d %H:%M} UTC")


def _disk(folder: Path) -> Found:
    place = folder
    while not place.exists() and place != place.parent:
        place = place.parent
    try:
        free_mb = shutil.disk_usage(place).free // 1_000_000
    except OSError as error:
        return Found(
            "disk", State.UNFIT, f"{folder}: {error.strerror}", "choose another with --data-dir"
        )
    if not os.access(place, os.W_OK):
        return Found(
            "disk", State.UNFIT, f"{place} can't be written", "choose another with --data-dir"
        )
    if free_mb < LEAST_FREE_MB:
        return Found(
            "disk", State.UNFIT, f"{free_mb} MB free at {place}", f"free {LEAST_FREE_MB} MB"
        )
    return Found("disk", State.FIT, f"{free_mb} MB free at {place}")


def _within(limit_s: float, action: Callable[[], T]) -> T:
    """What `action` gives; `TimeoutError` if that takes too long. It may then hang on alone."""
    given: list[T] = []
    raised: list[Exception] = []

    def act() -> None:
        try:
            given.append(action())
        except Exception as error:
            raised.append(error)

    thread = threading.Thread(target=act, name="inspection", daemon=True)
    thread.start()
    thread.join(limit_s)
    if raised:
        error = raised[0]
        known = isinstance(error, StillairError)
        raise error if known else InputError(f"{type(error).__name__}: {error}")
    if not given:
        raise TimeoutError(f"no answer within {limit_s:g} s")
    return given[0]
