"""What may be the matter, by which class and urgency, and where the chamber stands."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import TypeAlias

JsonScalar: TypeAlias = str | int | float | bool | None
JsonValue: TypeAlias = JsonScalar | list["JsonValue"] | dict[str, "JsonValue"]
Detail = Mapping[str, JsonValue]
# In the detail of a danger of which those that showed it can't show the end
BLIND: Detail = {
    "blind": True,
    "reason": "what showed it is silent or faulty now, so nobody can tell whether it is over",
}


class Kind(StrEnum):
    """Kind of event."""

    FIRE = "fire"
    DETECTOR_CONTACT = "detector_contact"
    FLAME = "flame"
    SMOKE = "smoke"
    RAPID_RISE = "rapid_rise"
    OVER_TEMPERATURE = "over_temperature"
    HEAT_LOST = "heat_lost"
    NO_MOTION = "no_motion"
    ATTENDANCE_OVERDUE = "attendance_overdue"
    DOOR_OPEN = "door_open"
    DRAFT = "draft"
    BELOW_TARGET = "below_target"
    TOO_WARM = "too_warm"
    STORE_FAULT = "store_fault"
    DELIVERY_FAULT = "delivery_fault"
    WATCH_GAP = "watch_gap"
    SENSOR_FAULT = "sensor_fault"
    CAMERA_FAULT = "camera_fault"
    POWER_FAULT = "power_fault"
    BOARD_FAULT = "board_fault"
    CLOCK_FAULT = "clock_fault"
    SOAK_READY = "soak_ready"
    COOL_ENOUGH = "cool_enough"


class ByHand(StrEnum):
    """Why a machine was stopped, where no event did: a person said so."""

    PERSON = "person"
    TRIAL = "trial"  # to see whether it does stop


class SignalClass(StrEnum):
    """NFPA 72's classes of signal, and `notice` for what a person waited for."""

    ALARM = "alarm"
    SUPERVISORY = "supervisory"
    TROUBLE = "trouble"
    NOTICE = "notice"


class Priority(StrEnum):
    """ISA-18.2 priority, by consequence and time to respond."""

    CRITICAL = "critical"
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


KIND_CLASS: Mapping[Kind, tuple[SignalClass, Priority]] = {
    Kind.FIRE: (SignalClass.ALARM, Priority.CRITICAL),
    Kind.DETECTOR_CONTACT: (SignalClass.ALARM, Priority.CRITICAL),
    Kind.FLAME: (SignalClass.ALARM, Priority.HIGH),
    Kind.SMOKE: (SignalClass.ALARM, Priority.HIGH),
    Kind.RAPID_RISE: (SignalClass.ALARM, Priority.HIGH),
    Kind.OVER_TEMPERATURE: (SignalClass.ALARM, Priority.HIGH),
    Kind.HEAT_LOST: (SignalClass.SUPERVISORY, Priority.HIGH),
    Kind.NO_MOTION: (SignalClass.SUPERVISORY, Priority.HIGH),
    Kind.ATTENDANCE_OVERDUE: (SignalClass.SUPERVISORY, Priority.HIGH),
    Kind.DOOR_OPEN: (SignalClass.SUPERVISORY, Priority.MEDIUM),
    Kind.DRAFT: (SignalClass.SUPERVISORY, Priority.MEDIUM),
    Kind.BELOW_TARGET: (SignalClass.SUPERVISORY, Priority.LOW),
    Kind.TOO_WARM: (SignalClass.SUPERVISORY, Priority.LOW),
    Kind.STORE_FAULT: (SignalClass.TROUBLE, Priority.HIGH),
    Kind.DELIVERY_FAULT: (SignalClass.TROUBLE, Priority.HIGH),
    Kind.WATCH_GAP: (SignalClass.TROUBLE, Priority.HIGH),
    Kind.SENSOR_FAULT: (SignalClass.TROUBLE, Priority.MEDIUM),  # the last good one gone: high
    Kind.CAMERA_FAULT: (SignalClass.TROUBLE, Priority.MEDIUM),
    Kind.POWER_FAULT: (SignalClass.TROUBLE, Priority.MEDIUM),
    Kind.BOARD_FAULT: (SignalClass.TROUBLE, Priority.MEDIUM),
    Kind.CLOCK_FAULT: (SignalClass.TROUBLE, Priority.LOW),
    Kind.SOAK_READY: (SignalClass.NOTICE, Priority.LOW),
    Kind.COOL_ENOUGH: (SignalClass.NOTICE, Priority.LOW),
}


# After one of these no part is said to be cool enough: it may burn on, or up again.
BURNING = frozenset({Kind.FIRE, Kind.FLAME, Kind.SMOKE, Kind.DETECTOR_CONTACT})


class Change(StrEnum):
    """What happened to an event."""

    RAISED = "raised"
    REVISED = "revised"
    CLEARED = "cleared"


class Place(StrEnum):
    """Where a sensor sits; `bed` and `electronics` readings are never chamber air."""

    CHAMBER = "chamber"
    ROOM = "room"
    BED = "bed"
    ELECTRONICS = "electronics"


class ContactKind(StrEnum):
    DOOR = "door"
    DETECTOR = "detector"
    PRESENCE = "presence"
    HEATER = "heater"  # of the chamber or the bed: active while it heats
    SUPPLY = "supply"  # of what heats: active while it is switched off
    RESET = "reset"  # a button at the machine: lets it run again after a stop


class Phase(StrEnum):
    """Where the chamber stands in its day, from readings and a job's marks."""

    UNKNOWN = "unknown"  # no good chamber sensor, or too little seen
    COLD = "cold"
    WARMING = "warming"
    SOAK = "soak"
    STEADY = "steady"
    COOLING = "cooling"
    COOL_ENOUGH = "cool_enough"


class JobPhase(StrEnum):
    """State of a job."""

    RUNNING = "running"
    PAUSED = "paused"
    COOLING = "cooling"
    FINISHED = "finished"


# The machine builds, or stands still on purpose in the middle of it.
AT_WORK = frozenset({JobPhase.RUNNING, JobPhase.PAUSED})


class JobOutcome(StrEnum):
    """How a part came out, as a person judged it."""

    SOUND = "sound"
    FLAWED = "flawed"  # usable, with a fault
    FAILED = "failed"
