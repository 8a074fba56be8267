"""Try everything that a chamber file names, one after the other, and say what would help.

Nothing here may hang: whatever can block is tried in a daemon thread and
given up after some seconds.
"""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TypeVar

from stillair.access.certificates import Certificates
from stillair.alarms import figures
from stillair.alarms.testing import readiness
from stillair.alerts.addresses import RouteKind, public_form
from stillair.alerts.telephones import FILE_NAME, Telephones
from stillair.clock import SystemClock
from stillair.config import ChamberSettings, default_chamber, load_chambers
from stillair.config.inputs import AnyContact, AnyParticles, AnySensor, CameraKind
from stillair.config.reach import CommandSounder, GpioSounder
from stillair.errors import (
    CameraError,
    ContactError,
    InputError,
    SensorError,
    StillairError,
)
from stillair.fire.fitness import ENOUGH_RATE
from stillair.fire.particles import USUAL_AT_START_UG
from stillair.model import AlarmTestState, Timeline
from stillair.runtime import network, pushing, stop_found
from stillair.runtime.attending import found_of
from stillair.runtime.backup import ARCHIVE, JOURNAL
from stillair.runtime.chamber_file import watched_files
from stillair.runtime.company import (
    BOARD_REMEDY,
    HEARD_REMEDY,
    MACHINE_REMEDY,
    broker_found,
    heard_of,
    reads_besides,
)
from stillair.runtime.drivers import Drivers
from stillair.runtime.found import (
    CONTACT_REMEDY,
    PARTICLES_REMEDY,
    SENSOR_REMEDY,
    Found,
    State,
    camera_remedy,
    certificate,
    computer,
    lasting_name,
    one_wire_addresses,
    tested,
    unfit,
    unnamed_camera,
    unnamed_sensors,
)
from stillair.runtime.pausing import wishes
from stillair.runtime.reaching import addresses, trials_of
from stillair.runtime.tested import Mark, mark_with
from stillair.runtime.viewing import facets, look
from stillair.sensing.board import Board
from stillair.sensing.board_files import ROOT, read_board
from stillair.sensing.protocols import Camera, ParticleSensor, Sensor
from stillair.storage.history import History

T = TypeVar("T")

TRY_S = 8.0  # a 1-Wire sensor takes 0.8 s, a camera or broker some seconds to connect
ROUTE_S = 20.0  # more than the deadline of each
_MORE_PICTURES = (
    "set camera.frames_per_s to 15 in the chamber file, or leave it out: no more pictures are asked"
    " for than it says, which is"
)
BOARD_S = 5.0  # files of the kernel, but a disk may hang


def inspect_all(
    files: tuple[Path, ...], folder: Path, *, root: Path = ROOT, now_at: datetime | None = None
) -> Iterator[Found]:
    """Try everything, one `Found` each, as soon as it is known.

    The board's own files lie under `root`; `now_at` stands for the wall clock.
    Raises `SettingsError` before the first.
    """
    files = watched_files(files, folder)
    chambers = load_chambers(files) if files else (default_chamber(),)
    at = datetime.now(UTC) if now_at is None else now_at
    try:
        board = _within(BOARD_S, lambda: read_board(folder, at, root=root))
    except (StillairError, TimeoutError) as error:
        board = None
        yield Found("disk", State.UNFIT, f"{folder}: {error}", "choose another with --data-dir")
    telephones = Telephones(folder / FILE_NAME, lambda: at, mend=False)
    for settings in chambers:
        prefix = f"{settings.name}, " if len(chambers) > 1 else ""
        until_s, by = wishes(folder).get(settings.key, (0.0, ""))
        paused = f"paused by {by}" if until_s > at.timestamp() else ""
        yield from _chamber(settings, board, prefix=prefix, paused=paused)
        yield from stop_found.inspected(settings, folder, prefix, partial(_within, ROUTE_S))
        yield from pushing.found(settings, telephones, prefix)
        yield from _tested(settings, folder, at, prefix, mark_with(telephones))
    if board is not None:
        yield from unnamed_sensors(board, one_wire_addresses(chambers))
        yield from computer(board, chambers)
    own = (*network.own_names(), *network.own_addresses())
    yield certificate(Certificates(folder), own, at)


def _chamber(
    settings: ChamberSettings, board: Board | None, *, prefix: str, paused: str
) -> Iterator[Found]:
    drivers = Drivers(settings, SystemClock())
    try:
        for sensor in settings.sensors:
            yield _sensor(drivers, sensor, prefix)
        for counter in settings.particles:
            yield _particles(drivers, counter, prefix)
        for contact in settings.contacts:
            yield _contact(drivers, contact, prefix)
        if paused:  # whoever was told that no picture is taken counts on it
            yield Found(f"{prefix}camera", State.NOT_TRIED, paused, "let it look again on its page")
        else:
            yield from _camera(drivers, board, prefix)
        yield _sounder(settings, prefix)
        yield from _routes(settings, prefix)
        yield from _broker(drivers, prefix)
        yield from _company(drivers, prefix)
        yield from found_of(settings, prefix=prefix)
    finally:
        drivers.close()


def _sensor(drivers: Drivers, of: AnySensor, prefix: str) -> Found:
    thing = f"{prefix}sensor {of.name}"
    found = _first_value(thing, lambda: drivers.sensor(of), SENSOR_REMEDY[of.driver])
    if isinstance(found, Found):
        return found
    described, raw_c = found
    return Found(thing, State.FIT, f"{figures.temperature(raw_c + of.correction_k)} ({described})")


def _particles(drivers: Drivers, of: AnyParticles, prefix: str) -> Found:
    thing = f"{prefix}particle sensor {of.name}"
    found = _first_value(thing, lambda: drivers.particles(of), PARTICLES_REMEDY[of.driver])
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
        return unfit(thing, error.reason, remedy)
    except (StillairError, TimeoutError) as error:
        return Found(thing, State.UNFIT, str(error), remedy)


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
        "reset": ("pressed", "not pressed"),
    }
    try:
        described, active = _within(TRY_S, ask)
    except ContactError as error:
        return unfit(thing, error.reason, CONTACT_REMEDY[of.driver])
    except (StillairError, TimeoutError) as error:
        return Found(thing, State.UNFIT, str(error), CONTACT_REMEDY[of.driver])
    if active is None:
        return Found(
            thing, State.UNFIT, "it has told nothing", "see that something tells its state"
        )
    return Found(thing, State.FIT, f"{words[of.kind.value][0 if active else 1]} ({described})")


def _camera(drivers: Drivers, board: Board | None, prefix: str) -> Iterator[Found]:
    """The camera itself, then the sides of its view, then what the view is worth."""
    thing = f"{prefix}camera"
    of = drivers.settings.camera
    if of is None:
        remedy = unnamed_camera(board) if board is not None else ""
        yield Found(thing, State.NONE, "smoke and flame are not watched for", remedy)
        return

    def camera() -> Camera:
        made = drivers.camera()
        assert made is not None
        return made

    remedy = camera_remedy(of.kind, board)
    bounded = of.frames_per_s < ENOUGH_RATE
    own_pace = bounded or of.kind is not CameraKind.SIMULATED
    try:
        described, fitness = look(camera, drivers.clock, own_pace=own_pace)
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
        yield Found(thing, State.FIT, f"gives pictures ({described})", lasting_name(of.source))
        for facet in facets(fitness, drivers.settings.chamber.width_mm, own_pace=own_pace):
            state = State.UNFIT if facet.remedy else State.FIT
            todo = facet.remedy
            if todo and bounded and facet.name == "pictures":
                todo = f"{_MORE_PICTURES} {of.frames_per_s:g}"
            if not facet.is_judged:
                state = State.NOT_TRIED
            yield Found(
                f"{prefix}view" + (f", {facet.name}" if facet.name else ""),
                state,
                facet.told,
                todo,
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
            return Found(thing, State.NOT_TRIED, f"GPIO {pin}", "listen for it in an alarm test")
        case CommandSounder(command=command):
            program = command.split()[0]
            if shutil.which(program) is None:
                return Found(
                    thing, State.UNFIT, f"there is no program {program}", "install or rename it"
                )
            return Found(thing, State.NOT_TRIED, f"by {program}", "listen for it in an alarm test")
        case _:
            return Found(thing, State.NONE, "alarms are not heard")


def _routes(settings: ChamberSettings, prefix: str) -> Iterator[Found]:
    if not settings.people:
        yield Found(f"{prefix}routes", State.NONE, "nobody is told by message")
    for trial in trials_of(settings):
        thing = f"{prefix}{trial.thing} to {figures.row(trial.people) or 'nobody'}"
        try:
            yield _within(ROUTE_S, partial(trial.found, thing))
        except (StillairError, TimeoutError) as error:
            yield Found(thing, State.UNFIT, str(error), trial.remedy)
        finally:
            trial.route.close()
    for person, address, kind in addresses(settings):
        if kind in (RouteKind.PUSH, RouteKind.MESSENGER):
            thing = f"{prefix}{public_form(address, person)} to {person}"
            yield Found(thing, State.NOT_TRIED, "only an alarm test shows whether it arrives")


def _broker(drivers: Drivers, prefix: str) -> Iterator[Found]:
    """The broker, where the machine tells of its jobs there or nothing else has tried it."""
    of, thing = drivers.settings, f"{prefix}broker"
    is_tried = reads_besides(of) or any(trial.thing == "MQTT" for trial in trials_of(of))
    if of.mqtt is None or (of.jobs.topic is None and is_tried):
        return
    try:
        yield _within(ROUTE_S, partial(broker_found, drivers, thing, within_s=TRY_S))
    except (StillairError, TimeoutError) as error:
        yield Found(thing, State.UNFIT, str(error), MACHINE_REMEDY)


def _company(drivers: Drivers, prefix: str) -> Iterator[Found]:
    """The heartbeat, and the other boards that are listened for."""
    beat = drivers.settings.heartbeat
    if beat is not None:
        ways = [f"on {beat.topic}"] * bool(beat.topic) + ["to the web"] * bool(beat.url)
        told = f"{figures.row(ways)}, every {beat.every_s:g} s"
        yield Found(f"{prefix}heartbeat", State.NOT_TRIED, told, HEARD_REMEDY)
    for of in drivers.settings.neighbours:
        thing = f"{prefix}board {of.name}"
        ails = ""
        try:
            ails = _within(TRY_S, partial(heard_of, of, drivers, within_s=TRY_S - 1.0))
        except (StillairError, TimeoutError) as error:
            ails = str(error)
        if ails:
            yield Found(thing, State.UNFIT, ails, BOARD_REMEDY)
        else:
            yield Found(thing, State.FIT, "it is heard, and watches")


def _tested(
    settings: ChamberSettings, folder: Path, at: datetime, prefix: str, mark: Mark
) -> Iterator[Found]:
    """What the last alarm test of this set-up has shown; nothing where nobody would be told."""
    thing = f"{prefix}alarm test"
    if not settings.people:
        return
    known: tuple[AlarmTestState, Timeline] | None = None
    if (folder / JOURNAL).is_file():
        history = History(folder / JOURNAL, folder / ARCHIVE)
        try:
            known = _within(BOARD_S, lambda: history.alarm_test(settings.key))
        except (StillairError, TimeoutError) as error:
            yield Found(thing, State.NOT_TRIED, f"the history can't be read: {error}")
            return
        finally:
            history.close()
    yield tested(
        thing,
        readiness(
            known[0] if known else None,
            now_s=at.timestamp() - known[1].wall_at_zero_s if known else 0.0,
            setup=mark(settings),
            good_for_days=settings.alarm_test.good_for_days,
            people=True,
        ),
    )


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
