"""The words for each kind of event, one row each, and for those that are told apart within one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from stillair.alarms import seen
from stillair.model import Kind


@dataclass(frozen=True, slots=True)
class Words:
    """How one kind is spoken of. `{who}` stands for the sensor, route or switch concerned.

    `title` heads a message and a story; `now` and `was` are sentences without
    their full stop; `todo` says what to do, `after` what is left to do when it is over,
    `stands` what is so as long as it lasts, whatever anybody does.
    `far`: that is done away from the box, so a fire needn't keep anybody from it.
    """

    title: str
    now: str
    was: str
    todo: str = ""
    after: str = ""
    far: bool = False
    stands: str = ""


_FIRE_ADVICE = (
    "Switch the power off away from the box, at the wall or at the fuses. Don't open the box. "
    "Get everybody out and call the fire service."
)
_FIRE_AFTER = "Don't open the box: it may burn up again. Leave the power off and have it looked at."
_DONT_OPEN = (
    "Don't open the box. If it is burning, or you can't tell: switch the power off away from "
    "the box, get everybody out and call the fire service."
)
_LOOK_AT_PICTURE = f"Look at the picture. {_DONT_OPEN}"
# In place of all that would send somebody to a box in which smoke or fire was told:
# heat beside smoke is one fire more likely, and everything else can wait.
FROM_AFAR = "Switch the power off away from the box. Don't go to it or open it."
THAT_WAITS = "That can wait: don't go to the box or open it while it may be burning."
_LOOK = (
    "Go and look, without opening the box. If it is burning: switch the power off away from "
    "the box, get everybody out and call the fire service."
)

WORDS: Mapping[Kind, Words] = {
    Kind.FIRE: Words(
        "Fire", "There is fire in the box", "There was fire in the box", _FIRE_ADVICE, _FIRE_AFTER
    ),
    Kind.DETECTOR_CONTACT: Words(
        "Fire detector has gone off",
        "The fire detector {who} has gone off",
        "The fire detector {who} had gone off",
        _FIRE_ADVICE,
        _FIRE_AFTER,
    ),
    Kind.FLAME: Words(
        "Flame seen",
        "The camera sees what looks like flame",
        "The camera saw what looked like flame",
        _LOOK_AT_PICTURE,
        _FIRE_AFTER,
    ),
    Kind.SMOKE: Words(
        "Smoke",
        "The camera sees what looks like smoke",
        "The camera saw what looked like smoke",
        _LOOK_AT_PICTURE,
        _FIRE_AFTER,
    ),
    Kind.RAPID_RISE: Words(
        "Heat is rising as in a fire",
        "The air is heating up as fast as only a fire heats it",
        "The air heated up as fast as only a fire heats it",
        _LOOK,
        "Find out where the heat came from before you go on.",
    ),
    Kind.OVER_TEMPERATURE: Words(
        "Too hot",
        "It is hotter than the box may get",
        "It was hotter than the box may get",
        "Switch the heating off and stay with it. If it goes on rising, switch everything off "
        "away from the box.",
        "Find out why before you heat again.",
    ),
    Kind.HEAT_LOST: Words(
        "Heat lost",
        "The chamber is not being heated",
        "The chamber was not being heated",
        "See whether bed and heater are still on: if they are off, the part is cooling already.",
    ),
    Kind.NO_MOTION: Words(
        "Machine stands still",
        "The machine is hot and doesn't move",
        "The machine was hot and didn't move",
        "Look at the machine: it may be jammed, it may have crashed, or the job is done and the "
        "bed still hot. A hot nozzle standing still can burn what it touches. If you stopped it "
        "yourself, say that the job is paused.",
    ),
    Kind.ATTENDANCE_OVERDUE: Words(
        "Nobody is near the box",
        "Nobody has shown that they are near the box",
        "Nobody had shown that they were near the box",
        "Go there and tap “I'm near”, or stop the job.",
    ),
    Kind.DOOR_OPEN: Words(
        "Door open",
        "The door is open",
        "The door was open",
        "Shut it: cold air makes the part crack.",
    ),
    Kind.DRAFT: Words(
        "Draft",
        "Cold air is getting in",
        "Cold air was getting in",
        "Look for a gap, an open lid or a window.",
    ),
    Kind.BELOW_TARGET: Words(
        "Too cool",
        "The chamber is cooler than it should be",
        "The chamber was cooler than it should be",
        "See whether the heating keeps up and the box is shut.",
    ),
    Kind.TOO_WARM: Words(
        "Too warm",
        "The chamber is warmer than the part likes",
        "The chamber was warmer than the part likes",
        "Turn the heating down a little.",
    ),
    Kind.STORE_FAULT: Words(
        "History is not being kept",
        "What happens can't be stored just now",
        "What happened could not be stored",
        "See whether the disk is full or broken.",
        stands="Watching and alarms go on.",
    ),
    Kind.DELIVERY_FAULT: Words(
        "Messages don't get through",
        "Messages by {who} don't get through",
        "Messages by {who} didn't get through",
        "Don't count on being told there: look at the page, and see whether network, address "
        "and password are right.",
        far=True,
    ),
    Kind.WATCH_GAP: Words(
        "Nobody was watching",
        "For a time nothing was watching the chamber",
        "For a time nothing was watching the chamber",
        "Look at the chamber and the part yourself.",
        stands="What happened meanwhile isn't known.",
    ),
    Kind.SENSOR_FAULT: Words(
        "Sensor fault",
        "{Who} gives no reading that can be trusted",
        "{Who} gave no reading that could be trusted",
        stands="Until it reads again nobody watches there.",
    ),
    Kind.CAMERA_FAULT: Words(
        "Camera fault",
        "The camera shows nothing that can be watched by",
        "The camera showed nothing that could be watched by",
        "See whether camera, cable and lamp are all right.",
        stands=seen.SENSORS_ALONE,
    ),
    Kind.POWER_FAULT: Words(
        "Power supply fault",
        "The board's supply is too weak",
        "The board's supply was too weak",
        "Use a supply made for this board and a short, thick cable.",
    ),
    Kind.BOARD_FAULT: Words(
        "Board fault",
        "The board that watches is itself in trouble",
        "The board that watches was itself in trouble",
        "See whether it is too hot or its disk is full.",
    ),
    Kind.CLOCK_FAULT: Words(
        "Clock not to be trusted",
        "The clock may show a wrong time",
        "The clock may have shown a wrong time",
        "Alarms and durations are right all the same; times of day may not be.",
        far=True,
    ),
    Kind.SOAK_READY: Words(
        "Warm and steady",
        "The chamber is warm and steady: ready to start",
        "The chamber was warm and steady",
    ),
    Kind.COOL_ENOUGH: Words(
        "Cool enough for the part",
        "The chamber is cool enough for the part to come out",
        "The chamber was cool enough for the part",
        "Air the room before you open the box and while it is open: fumes may remain in it. "
        "The bed may still be hot.",
    ),
}

SMOKE_IN_AIR = Words(
    "Smoke",
    "As many fine particles are in the air at {who} as smoke brings",
    "As many fine particles were in the air at {who} as smoke brings",
    _DONT_OPEN,
    _FIRE_AFTER,
)

SOUNDER = Words(
    "Sounder fault",
    "The {who} doesn't work: nothing will be heard",
    "The {who} didn't work",
    "See whether it is connected and whether its pin or program is right.",
)

# The certificate of the service; what is the matter with it is in the event's reason.
CERTIFICATE = "certificate"  # the subject of such a fault
CERTIFICATE_WORDS = Words(
    "Certificate not renewed",
    "The certificate by which telephones know Stillair can't be renewed",
    "The certificate by which telephones know Stillair couldn't be renewed",
    "Put that right: once it has ended they open no page here.",
    far=True,
)

# Nobody owns the service, or its address is gone; what to do is in the event's reason.
PAGE = "page"  # the subject of such a fault
PUSHED = Words(
    "Messages don't get through",
    "Messages by {who} don't get through",
    "Messages by {who} didn't get through",
    "Don't count on being told there: open the page Telephones on that telephone, join it where "
    "none has joined, and send it a trial.",
    far=True,
)
PAGE_WORDS = Words(
    "The page can't be reached",
    "No telephone can open the page of Stillair",
    "No telephone could open the page of Stillair",
    "Put that right on the board.",
    stands="Watching and alarms go on.",
    far=True,
)

# What the machine tells of its jobs can't come; why not is in the event's reason.
MACHINE = "the machine"  # the subject of such a fault
MACHINE_WORDS = Words(
    "The machine isn't heard",
    "What {who} tells of its jobs doesn't get here",
    "What {who} told of its jobs didn't get here",
    "See whether the broker runs and the network is up. Begin and end jobs on the page meanwhile.",
    "Look whether the job on the page is the one that is built: what was told meanwhile is lost.",
    stands="Watching and alarms go on.",
    far=True,
)

# Somebody writes at the broker what a hall would have signed.
FORGED = "orders of a hall"  # the subject of such a fault
FORGED_WORDS = Words(
    "Wrong orders at the broker",
    "Somebody sends orders with a wrong signature, as if a hall of many chambers had sent them",
    "Somebody sent orders with a wrong signature, as if a hall of many chambers had sent them",
    "See that the hall has the same answers_secret as this board. If it has: let the broker ask "
    "for passwords, and find out who writes there.",
    stands="None of them is obeyed. Watching and alarms go on.",
    far=True,
)

# Sides of the board that are told apart; what was found is in the event's reason.
HEAT, DISK = "heat", "disk"  # subjects of such a fault
BOARD: Mapping[str, Words] = {
    HEAT: Words(
        "Board too hot",
        "The board that watches is too hot",
        "The board that watches was too hot",
        "Give it air: out of its case and away from the box, or with a fan.",
    ),
    DISK: Words(
        "Disk nearly full",
        "The board's disk is full, nearly so, or read-only",
        "The board's disk was full, nearly so, or read-only",
        "Make room, or put in a larger card.",
        stands="Watching and alarms go on.",
    ),
}

# Another board is no longer heard; for what reason is in the event's.
NEIGHBOUR = "board "  # how the subject of such a gap begins
SILENT = Words(
    "Another board may not be watching",
    "Nobody knows whether the {who} still watches",
    "For a time nobody knew whether the {who} watched",
    "See whether it has power and network, and look at its chamber yourself meanwhile.",
    far=True,
)

# Part of the watch broke; what broke, and what goes on, is in the event's reason.
RULES = "rules"  # the subject of such a gap
BROKEN = Words(
    "Part of the watch failed",
    "Part of the watch isn't working",
    "Part of the watch wasn't working",
    "It is begun anew by itself, and nothing need be wrong in the chamber: look in on it until "
    "the page says that this is over. If it comes again, keep the service's log, which names the "
    "defect, and restart the service.",
    "Look at the chamber and the part once yourself: something may not have been told meanwhile.",
)

# What is too hot outside the chamber's air, by the place of the sensor.
HOT_PLACES: Mapping[str, Words] = {
    "electronics": Words(
        "Electronics too hot",
        "The electronics at {who} are hotter than they may get",
        "The electronics at {who} were hotter than they may get",
        "See whether their fan turns and their vents are free. If they go on getting hotter, "
        "switch the power off.",
        "Find out why before the next job.",
    ),
    "bed": Words(
        "Bed too hot",
        "The bed is hotter at {who} than it may get",
        "The bed was hotter at {who} than it may get",
        "Switch the machine off and stay with it: a bed that goes on heating can burn.",
        "Have bed, its sensor and its switch looked at before you heat again.",
    ),
}

# A sensor that reads, but not as it did beside the others.
APART = Words(
    "Sensor fault",
    "{Who} no longer agrees with the others",
    "{Who} did not agree with the others",
    "Hold the sensors against each other, and see whether each sits where it should.",
)
APART_FAULTS = frozenset({"drift", "swapped"})
