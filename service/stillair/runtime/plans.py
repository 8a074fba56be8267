"""What the pure rooms have to know of a chamber, taken from its settings."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from stillair.alarms.attendance import AttendancePlan
from stillair.alarms.reaching import Person, QuietHours
from stillair.alarms.stopping import StopPlan
from stillair.alerts.addresses import public_form
from stillair.config.stop import StopOn, StopTable
from stillair.config.values import day_stretch
from stillair.jobs.standstill import STILL_AFTER_S
from stillair.model import ContactKind, Kind, Place
from stillair.runtime.marks import box_mark
from stillair.thermal.plan import SensorPlan, ThermalPlan
from stillair.watch import ContactPlan, WatchPlan

if TYPE_CHECKING:
    from stillair.config import ChamberSettings
    from stillair.config.inputs import AnySensor, CameraTable
    from stillair.config.reach import PersonTable
    from stillair.fire.vision import VisionPlan

TOPIC, WEBHOOK = "topic", "webhook"  # messages by which a machine may be stopped
STOPPED_ON = {
    StopOn.FIRE: Kind.FIRE,
    StopOn.DETECTOR: Kind.DETECTOR_CONTACT,
    StopOn.ATTENDANCE: Kind.ATTENDANCE_OVERDUE,
}
OUTSIDE = frozenset({"room", "ambient"})
USUAL_LIMIT_C = 80.0  # of a recording without a chamber file
_MARKS = {"real": "", "recorded": "Recorded", "simulated": "Simulated"}


def watch_plan(settings: ChamberSettings) -> WatchPlan:
    """The plan of a running chamber."""
    return WatchPlan(
        chamber=settings.key,
        name=settings.name,
        thermal=_thermal_plan(
            settings,
            tuple(_sensor_plan(s) for s in settings.sensors),
        ),
        contacts=tuple(ContactPlan(c.name, c.kind) for c in settings.contacts),
        particles=tuple(p.name for p in settings.particles),
        camera=settings.camera is not None,
        still_after_s=60.0 * settings.camera.still_after_min if settings.camera else STILL_AFTER_S,
        people=tuple(person_of(p, settings.timezone) for p in settings.people),
        stop=stop_plan(settings),
        mark=_MARKS[settings.family.value],
        box=box_mark(settings),
        guesses_jobs=settings.jobs.guess and not settings.simulated,
        attendance=_attendance_plan(settings),
    )


def readings_plan(settings: ChamberSettings) -> WatchPlan:
    """The plan of a chamber of which only readings, and what the door's switch told, are there."""
    plan = watch_plan(settings)
    doors = tuple(contact for contact in plan.contacts if contact.kind is ContactKind.DOOR)
    return replace(
        plan,
        contacts=doors,
        particles=(),
        camera=False,
        people=(),
        stop=None,
        guesses_jobs=False,
        attendance=None,
    )


def replay_plan(
    columns: Sequence[str],
    settings: ChamberSettings | None,
    usual_s: Mapping[str, float] | None = None,
) -> WatchPlan:
    """The plan for a recording with these columns, with or without a chamber file.

    Recorded readings have their corrections already, so none is added again: the plan
    has them to know a chip's power-on value by what it was before.
    `usual_s` says of columns how far apart their readings are.
    """
    apart_s = usual_s or {}
    if settings is None:
        return WatchPlan(
            chamber="recording",
            name="Recording",
            thermal=ThermalPlan(
                tuple(
                    SensorPlan(
                        name,
                        Place.ROOM if name.lower() in OUTSIDE else Place.CHAMBER,
                        usual_s=apart_s.get(name, 1.0),
                    )
                    for name in columns
                ),
                limit_c=USUAL_LIMIT_C,
            ),
        )
    known = {s.name: _sensor_plan(s) for s in settings.sensors}
    sensors = tuple(
        replace(known.get(name, SensorPlan(name, Place.CHAMBER)), usual_s=apart_s.get(name, 1.0))
        for name in columns
    )
    return WatchPlan(settings.key, settings.name, _thermal_plan(settings, sensors))


def vision_plan(of: CameraTable | None) -> VisionPlan:
    """What the owner says of the camera's view."""
    from stillair.fire.vision import VisionPlan  # with it OpenCV

    if of is None:
        return VisionPlan()
    return VisionPlan(
        ignore=tuple((left, top, right, bottom) for left, top, right, bottom in of.ignore),
        flame_from=of.flame_from,
        smoke_from=of.smoke_from,
    )


def person_of(of: PersonTable, zone: str | None) -> Person:
    """Somebody to be told, as the rules have them; `zone` is that of their quiet hours."""
    quiet = None
    if of.quiet_hours is not None:
        quiet = QuietHours(*day_stretch(of.quiet_hours), ZoneInfo(zone) if zone else None)
    after_s = None if of.after_min is None else 60.0 * of.after_min
    routes = tuple(public_form(route, of.name) for route in of.routes)
    return Person(of.name, routes, quiet, after_s)


def stop_address(key: str, part: str) -> str:
    """Where the outbox sends what stops the machine of a chamber by message."""
    return f"stop:{part} of {key}"


def stop_plan(settings: ChamberSettings) -> StopPlan | None:
    """How the machine is stopped, as the watch has to know it; None where it isn't."""
    of = settings.stop
    if of is None:
        return None
    return StopPlan(
        countdown_s=of.countdown_s,
        on=frozenset(STOPPED_ON[each] for each in of.on),
        addresses=tuple(stop_address(settings.key, part) for part in _messages(of)),
        has_button=any(contact.kind is ContactKind.RESET for contact in settings.contacts),
        outputs=_mark(of),
    )


def _messages(of: StopTable) -> Iterable[str]:
    if of.topic is not None:
        yield TOPIC
    if of.url is not None:
        yield WEBHOOK


def _mark(of: StopTable) -> str:
    """Twelve characters that change with what stops the machine: then it was never tried."""
    url = of.url.get_secret_value() if of.url else None
    outputs = (of.pin, of.stops_when, of.command, of.topic, of.payload, url)
    return hashlib.sha256(json.dumps(outputs).encode()).hexdigest()[:12]


def _attendance_plan(settings: ChamberSettings) -> AttendancePlan | None:
    """How presence is asked for; None where the box can't burn."""
    if not settings.combustible:
        return None
    people, asks = tuple(person.name for person in settings.people), settings.asks_for_presence
    if settings.attendance is None:
        return AttendancePlan(asks=asks, people=people)
    every_s, stage_s = 60.0 * settings.attendance.every_min, 60.0 * settings.attendance.stage_min
    return AttendancePlan(every_s, stage_s, asks, people)


def _sensor_plan(sensor: AnySensor) -> SensorPlan:
    return SensorPlan(sensor.name, sensor.place, sensor.limit_c, sensor.correction_k)


def _thermal_plan(settings: ChamberSettings, sensors: tuple[SensorPlan, ...]) -> ThermalPlan:
    return ThermalPlan(
        sensors,
        target_c=settings.chamber.target_c,
        limit_c=settings.chamber.limit_c,
        combustible=settings.combustible,
    )
