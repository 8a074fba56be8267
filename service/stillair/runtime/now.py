"""Everything that the first page shows, put together from what is known this second."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from stillair.alarms.figures import clause, lower, row
from stillair.alarms.sentence import over_if_so, sentence
from stillair.alarms.testing import Readiness
from stillair.alarms.words import WORDS
from stillair.config.inputs import AnyContact, CameraTable, GpioContact, MqttContact
from stillair.config.settings import Family
from stillair.model import (
    AlarmState,
    CameraCondition,
    CameraState,
    ContactKind,
    JsonValue,
    SignalClass,
    Timeline,
)
from stillair.runtime.attending import attendance_item, unattended_lines
from stillair.runtime.chamber import Chamber
from stillair.runtime.stopping import stop_now
from stillair.storage.items import Item, alarm_item, fields_item, job_item, label
from stillair.thermal.plan import SensorView
from stillair.watch import WatchView

STALE_S = 10.0  # a view older than this is no longer how the chamber is
NO_CAMERA = "No camera: smoke and flame are not watched for."
UNFIT_VIEW = "The camera's view is unfit: don't count on it to show smoke or flame just now."
NO_PICTURE = "The camera gives no picture: smoke and flame are not watched for."
PAUSED_VIEW = "The camera is paused: smoke and flame are not watched for."
NO_VIEW_YET = "The camera has shown nothing yet: smoke and flame are not watched for just now."
LEFT_OUT = "Part of the picture is left out, as set: no smoke or flame is told there."
PLAYED_FASTER = "Time is played fast: a slow computer then looks at too few pictures for flame."
WATCHED_SPEED = 2.0  # up to here pictures come often enough to see a flame flicker
PLAYED_FAST = (
    "Time is played fast, so few pictures are looked at: smoke and flame may go unseen, though "
    "what is seen is told. With a speed of 2 or less they are watched for."
)
BLIND_SPOTS = "The camera can't see behind the part, in the dark, or inside the electronics."


def chamber_now(
    chamber: Chamber, view: WatchView, troubles: list[str], tested: Readiness | None = None
) -> Item:
    """One chamber's part of the first page. `troubles` are clauses about the service itself.

    `tested` is what the last alarm test says of the way to people.
    """
    settings = chamber.settings.chamber
    timeline = chamber.labels.timeline()
    now_s = chamber.clock.now_s()
    thermal = view.thermal
    spots: dict[str, JsonValue] = {
        of.name: list[JsonValue](of.drawn_at) for of in chamber.settings.sensors if of.drawn_at
    }
    not_watched = _not_watched(chamber, view.camera)
    not_watched += unattended_lines(chamber.settings, view.attendance)
    if view.t_s is None or now_s - view.t_s > STALE_S * max(1.0, chamber.speed):
        troubles = [*troubles, "the watch itself is late: what stands here may be old"]
    said = sentence(
        t_s=now_s,
        phase=thermal.phase,
        since_s=thermal.phase_since_s,
        air_c=thermal.air_c,
        target_c=thermal.target_c,
        soak_forecast_s=_still_to_go_s(thermal.soak_forecast_s, now_s),
        soak_forecast_u_s=thermal.soak_forecast_u_s,
        cool_forecast_s=_still_to_go_s(thermal.cool_forecast_s, now_s),
        cool_forecast_u_s=thermal.cool_forecast_u_s,
        camera=view.camera.condition if view.camera else None,
        job=view.job,
        alarms=view.alarms,
        leaving=view.leaving,
        troubles=troubles,
        events=view.events,
        remarks=switched_off(view),
        untested="" if tested is None or tested.ready else tested.brief or tested.text,
    )
    return {
        "chamber": chamber.key,
        "name": settings.name,
        "at": label(timeline.epoch_s(now_s)),
        "sentence": said.sentence,
        "sub": said.sub,
        "tone": said.tone,
        "calm": said.calm,
        "phase": thermal.phase.value,
        "phase_since_at": _at(thermal.phase_since_s, timeline),
        "soak_forecast_at": _at(thermal.soak_forecast_s, timeline),
        "soak_forecast_u_s": thermal.soak_forecast_u_s,
        "cool_forecast_at": _at(thermal.cool_forecast_s, timeline),
        "cool_forecast_u_s": thermal.cool_forecast_u_s,
        "air_c": _rounded(thermal.air_c),
        "room_c": _rounded(thermal.room_c),
        "room_estimated": thermal.room_estimated,
        "target_c": settings.target_c,
        "limit_c": settings.limit_c,
        "enclosure": [material.value for material in settings.enclosure],
        "combustible": chamber.settings.combustible,
        "width_mm": settings.width_mm,
        "depth_mm": settings.depth_mm,
        "height_mm": settings.height_mm,
        "simulated": chamber.settings.family is Family.SIMULATED,
        "recorded": chamber.settings.family is Family.RECORDED,
        "speed": chamber.speed,
        "sensors": [
            {**_sensor(sensor, timeline), "drawn_at": spots.get(sensor.name)}
            for sensor in thermal.sensors
        ],
        "contacts": [
            {"name": c.contact, "kind": c.kind.value, "active": c.active, "reason": c.reason}
            for c in view.contacts
        ],
        "particles": [
            {"name": p.sensor, "pm2_5_ug_per_m3": p.pm2_5_ug_per_m3, "reason": p.reason}
            for p in view.particles
        ],
        "camera": {
            **_camera(view.camera, timeline, watched=chamber.camera is not None),
            "paused_until_at": _at(
                chamber.camera.paused_until_s if chamber.camera else None, timeline
            ),
        },
        "not_watched": list[JsonValue](not_watched),
        "job": job_item(view.job, timeline) if view.job else None,
        "last_sound": chamber.last_sound.item(view.job),
        "unsaid": chamber.unsaid.item if view.job is None else None,
        "alarms": [standing(alarm, view.leaving, timeline) for alarm in view.alarms],
        "opening": fields_item(view.opening, timeline) if view.opening else None,
        "out_of_service": [
            {"title": WORDS[off.kind].title, **fields_item(off, timeline)}
            for off in view.out_of_service
        ],
        "stories": chamber.stories.told(now_s, timeline),
        "sounding": view.sounding.value,
        "stop": stop_now(chamber.settings, chamber.machine_stop, view, timeline),
        "attendance": attendance_item(view.attendance, timeline),
    }


def switched_off(view: WatchView) -> list[str]:
    """One sentence that names all alarms that somebody has switched off."""
    names = [
        lower(WORDS[off.kind].title) + (f" ({clause(off.subject)})" if off.subject else "")
        for off in view.out_of_service
    ]
    return [f"Switched off: {row(names)}"] if names else []


def standing(alarm: AlarmState, leaving: Collection[str], timeline: Timeline) -> Item:
    """An alarm as the page shows it: of what has just gone it doesn't ask for a hand."""
    danger = alarm.signal_class is SignalClass.ALARM
    gone = alarm.id in leaving and alarm.condition and not danger
    return {**alarm_item(alarm, timeline), "leaving": f"{over_if_so(alarm)}." if gone else None}


def _at(t_s: float | None, timeline: Timeline) -> str | None:
    return None if t_s is None else label(timeline.epoch_s(t_s))


def _still_to_go_s(at_s: float | None, now_s: float) -> float | None:
    return None if at_s is None else max(0.0, at_s - now_s)


def _sensor(sensor: SensorView, timeline: Timeline) -> Item:
    return {
        "name": sensor.name,
        "place": sensor.place.value,
        "temperature_c": _rounded(sensor.temperature_c),
        "at": None if sensor.t_s is None else label(timeline.epoch_s(sensor.t_s)),
        "fault": sensor.fault or None,
        "expected_c": _rounded(sensor.expected_c),
        "u_k": sensor.u_k,
        "off_k": sensor.off_k,
    }


def _camera(state: CameraState | None, timeline: Timeline, *, watched: bool) -> Item:
    if not watched:
        return {"watched": False, "condition": "none", "reason": "", "since_at": None}
    if state is None:
        return {"watched": True, "condition": "lost", "reason": "no picture yet", "since_at": None}
    return {
        "watched": True,
        "condition": state.condition.value,
        "reason": state.reason,
        "since_at": label(timeline.epoch_s(state.since_s)),
    }


def unseen(of: CameraTable | None, state: CameraState | None, *, speed: float) -> list[str]:
    """Where smoke and flame would not be seen, by a camera as set and as it is."""
    if of is None:
        return [NO_CAMERA]
    match None if state is None else state.condition:
        case None:
            told = [NO_VIEW_YET]
        case CameraCondition.FIT:
            told = [BLIND_SPOTS]
        case CameraCondition.PAUSED:
            return [PAUSED_VIEW]
        case CameraCondition.LOST:
            return [NO_PICTURE]
        case _:
            told = [UNFIT_VIEW]
    if speed > 1.0:
        told.append(PLAYED_FAST if speed > WATCHED_SPEED else PLAYED_FASTER)
    return [*told, LEFT_OUT] if of.ignore else told


def unsupervised(contacts: Sequence[AnyContact]) -> list[str]:
    """By which switches some fault of the line would look like peace."""
    told = []
    for contact in contacts:
        match contact:
            case MqttContact():
                told.append(
                    f"{contact.name} is heard over MQTT: if its device dies in silence,"
                    " nobody notices."
                )
            case GpioContact(kind=ContactKind.DETECTOR, other_pin=None):
                told.append(f"{contact.name} hangs on two wires: if they touch, nobody notices.")
    return told


def _not_watched(chamber: Chamber, state: CameraState | None) -> list[str]:
    """What nobody looks after in this set-up, so that quiet is not mistaken for safety."""
    told = unseen(chamber.settings.camera, state, speed=chamber.speed)
    kinds = {contact.kind.value for contact in chamber.settings.contacts}
    if "door" not in kinds:
        told.append("No door switch: short openings may go unseen.")
    if "detector" not in kinds:
        told.append("No listed smoke or heat detector is connected.")
    told += unsupervised(chamber.settings.contacts)
    if chamber.settings.sounder is None:
        told.append("No sounder is connected.")
    return told


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)
