"""What changes in a chamber file, in words for who is asked whether it should: never a secret."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from stillair.config.near import printable
from stillair.config.values import shown_route
from stillair.model import chamber_key

PLACES = {
    "chamber": "in the chamber's air",
    "room": "in the room",
    "bed": "on the bed",
    "electronics": "at the electronics",
}
CHAMBER = {
    "name": ("The chamber's name", ""),
    "enclosure": ("What the box is made of", ""),
    "target_c": ("The target", " °C"),
    "limit_c": ("The limit", " °C"),
    "timezone": ("The time zone", ""),
    "width_mm": ("The width inside", " mm"),
    "depth_mm": ("The depth inside", " mm"),
    "height_mm": ("The height inside", " mm"),
}
KINDS = {
    "door": "door",
    "detector": "detector",
    "presence": "button of somebody present",
    "heater": "what switches the heater",
    "supply": "supply of all heat",
    "reset": "button that lets the machine run again",
}
# What a closed switch says, of each kind.
CLOSED = {
    "door": ("shut", "open"),
    "detector": ("quiet", "gone off"),
    "presence": ("not pressed", "pressed"),
    "heater": ("not heating", "heating"),
    "supply": ("on", "switched off"),
    "reset": ("not pressed", "pressed"),
}
DRIVERS = {
    "max31855": "MAX31855",
    "max31856": "MAX31856",
    "mcp9600": "MCP9600",
    "mqtt": "by MQTT",
}
BROKER = {
    "host": "The MQTT broker",
    "port": "The broker's port",
    "tls": "Spoken to under TLS",
    "username": "The name to sign in at the broker",
    "trust": "The certificates to check the broker by",
}
MAIL = {
    "host": "The mail server",
    "port": "The mail server's port",
    "security": "How the connection to it is kept private",
    "username": "The name to sign in there",
    "sender": "The sender",
}
# What a key of the chamber file is to who reads of its fault on the page; of others the key.
SAID = {
    "chamber.name": "The box's name",
    "chamber.enclosure": "What the box is made of",
    "chamber.target_c": "The temperature that jobs want",
    "chamber.limit_c": "The limit of the box's air",
    "chamber.width_mm": "The width inside",
    "chamber.height_mm": "The height inside",
    "camera.source": "The camera",
    "sounder.pin": "The sounder's pin",
    "mqtt.host": "The broker's name",
    "mqtt.port": "The broker's port",
    "mqtt.tls": "The broker",
    "mqtt.username": "The broker's name to sign in with",
    "mqtt.password": "The broker's password",
    "mail.host": "The mail server's name",
    "mail.port": "The mail server's port",
    "mail.security": "The mail server",
    "mail.password": "The mail server's password",
    "webhook.secret": "What signs messages to web addresses",
    "sensor": "Sensor",
    "contact": "Switch",
    "person": "Person",
    "particles": "Particle sensor",
    "correction_k": "correction",
    "drawn_at": "place in the drawing",
    "routes": "route",
}
ROUTES = {"webpush:": "by the telephones joined on the page"}
_FAULT = re.compile(
    r"(?:change \d+: )?"
    r"(?P<table>[a-z]+)(?:\[(?P<row>\d+)\])?(?:\.(?P<key>\w+)(?:\[\d+\])?)?"
    r"(?: = (?P<value>.*?))?(?P<missing> is missing)?: (?P<said>.*)",
    re.DOTALL,
)
_LOGIN, _QUERY = re.compile(r"//[^/\s]*@"), re.compile(r"\?[^\s]*")


class Told:
    """Collects one sentence for each thing that is different, none for what stays."""

    def __init__(self) -> None:
        self.words: list[str] = []

    def chamber(self, key: str, before: Any, after: Any) -> None:
        what, unit = CHAMBER[key]
        self._becomes(what, _plain(before, unit), _plain(after, unit))
        if key == "name" and before and after and chamber_key(before) != chamber_key(after):
            self.words.append(
                "Jobs and readings so far stay under the old name; new ones are kept under the new."
            )

    def sensor_added(self, row: Mapping[str, Any]) -> None:
        more = f", corrected by {row['correction_k']:g} degrees" if row.get("correction_k") else ""
        where = PLACES.get(str(row["place"]), "")
        if row["place"] == "chamber" and (spot := _spot(row.get("drawn_at"))):
            where = f"{where}, drawn {spot}"
        self.words.append(f"New sensor {_name(row['name'])}: {_thing(row)}, {where}{more}.")

    def sensor(self, of: str, key: str, before: Any, after: Any) -> None:
        if before == after:
            return
        name = _name(of)
        match key:
            case "name":
                self.words.append(
                    f"Sensor {name} is called {_name(after)} from now on; "
                    "its readings so far stay under the old name."
                )
            case "place":
                self.words.append(
                    f"Sensor {name} is {PLACES.get(str(after), 'elsewhere')}; it was "
                    f"{PLACES.get(str(before or 'chamber'), 'elsewhere')}."
                )
            case "correction_k":
                what, unit = f"Sensor {name}'s correction", " degrees"
                self._becomes(what, _plain(before, unit), _plain(after, unit))
            case "topic":
                self._becomes(f"Sensor {name}'s topic", _plain(before), _plain(after))
            case "pointer":
                self._becomes(f"Sensor {name}'s place in JSON", _plain(before), _plain(after))
            case _:
                spot = _spot(after)
                self.words.append(f"Sensor {name} is drawn {spot or 'where its name says'}.")

    def removed(self, what: str, of: str, _: Mapping[str, Any]) -> None:
        unwatched = ("sensor", "switch", "particle sensor")
        watched = "; it is not watched any more" if what in unwatched else ""
        told = "; nobody tells them any more" if what == "person" else ""
        self.words.append(f"The {what} {_name(of)} is taken out{watched}{told}.")

    def contact_added(self, row: Mapping[str, Any]) -> None:
        kind = KINDS.get(str(row["kind"]), str(row["kind"]))
        says = closed_words(str(row["kind"]), row.get("closed_means"))
        told = f"; closed means {says}" if says else ""
        where = f"on GPIO {row.get('pin')}{told}"
        if "topic" in row:
            says = CLOSED.get(str(row["kind"]), ("", ""))[1]
            where = f"by MQTT, {_short(row['topic'])}; “{_short(row['active'])}” means {says}"
            if "normal" in row:
                says = CLOSED.get(str(row["kind"]), ("", ""))[0]
                where = f"{where}, “{_short(row['normal'])}” means {says}, and any other is a fault"
        self.words.append(f"New switch {_name(row['name'])}: {kind}, {where}.")

    def contact(self, of: str, key: str, before: Any, after: Any) -> None:
        what = {"pin": "GPIO", "kind": "kind", "closed_means": "meaning while closed"}
        self._becomes(f"Switch {_name(of)}'s {what.get(key, key)}", _plain(before), _plain(after))

    def particles_added(self, row: Mapping[str, Any]) -> None:
        self.words.append(f"New particle sensor {_name(row['name'])}: at {_short(row['port'])}.")

    def sounder(self, before: Any, after: int) -> None:
        was = f"GPIO {before}" if isinstance(before, int) else _plain(before)
        self._becomes("The sounder", was, f"GPIO {after}")

    def sounder_removed(self) -> None:
        self.words.append("The sounder is taken out; an alarm makes no sound at the box.")

    def camera(self, before: Any, after: str) -> None:
        self._becomes("The camera", source_words(before), source_words(after))

    def camera_removed(self) -> None:
        self.words.append("The camera is taken out; smoke and flame are not watched for.")

    def routes(self, of: str, before: Any, after: Sequence[str]) -> None:
        if before == list(after):
            return
        told = ", ".join(route_words(each) for each in after) or "in no way"
        new = "New person " if before is None else ""
        self.words.append(f"{new}{_name(of)}: told {told}.")

    def mail(self, key: str, before: Any, after: Any) -> None:
        if key == "password":
            if before != after:
                self.words.append("A password for the mail server is set.")
            return
        self._becomes(MAIL.get(key, key), _plain(before), _plain(after))

    def broker(self, key: str, before: Any, after: Any) -> None:
        if key == "password":
            if before != after:
                self.words.append("A password for the MQTT broker is set.")
            return
        self._becomes(BROKER.get(key, key), _plain(before), _plain(after))

    def webhook(self) -> None:
        self.words.append("What signs messages to web addresses is set.")

    def _becomes(self, what: str, before: str, after: str) -> None:
        if before == after:
            return
        if not after:
            self.words.append(f"{what} is taken out; it was {before}.")
        else:
            self.words.append(f"{what}: {after}." + (f" It was {before}." if before else ""))


def _plain(value: Any, unit: str = "") -> str:
    match value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case int() | float():
            return f"{value:g}{unit}"
        case list():
            return ", ".join(_short(str(each)) for each in value)
        case _:
            return f"{_short(str(value))}{unit}"


def _short(text: str) -> str:
    return printable(str(text), 60)


def _name(text: Any) -> str:
    return f"“{_short(text)}”"


def plain(fault: str) -> str:
    """A fault of a chamber file for who has never seen one: names of things instead of keys."""
    found = _FAULT.fullmatch(fault)
    table, key = (found["table"], found["key"]) if found else ("", None)
    what = SAID.get(f"{table}.{key}" if key and found and not found["row"] else table)
    if found is None or what is None:
        return f"{fault[:1].upper()}{fault[1:]}"
    if found["row"]:
        what = f"{what} {found['row']}" + (f", {SAID.get(key, key)}" if key else "")
    value = f" ({found['value']})" if found["value"] else ""
    return f"{what}{value}{' is missing: it' if found['missing'] else ''} {found['said']}"


def closed_words(kind: str, closed_means: Any) -> str:
    """What a closed switch of a kind says; "" where it is as usual."""
    safe, alarm = CLOSED.get(kind, ("", ""))
    return {"safe": safe, "alarm": alarm}.get(str(closed_means), "")


def chamber_removed(name: str, file: str) -> list[str]:
    """What happens when a box is taken away, and what stays."""
    return [
        f"The box {_name(name)} is taken away: nobody watches it any more, and its sensors,"
        " switches, camera and people go with it.",
        "What is kept of it stays: its jobs, readings and pictures. A box that is added under"
        " the same name goes on with them.",
        f"Its settings are in {file} no more; the page can bring them back.",
    ]


def protection_lost(detectors: Sequence[str]) -> str:
    """What goes with the switches of listed detectors, in one sentence; "" without any."""
    if not detectors:
        return ""
    names = " and ".join(_name(each) for each in detectors)
    what, its = ("detector", "its") if len(detectors) == 1 else ("detectors", "their")
    return (
        f"With the fire {what} {names} goes the surest sign of fire: Stillair hears {its} alarm no"
        " more, tells nobody of it and switches nothing off by it."
    )


def _thing(row: Mapping[str, Any]) -> str:
    """Which thing in the world a sensor is."""
    parts = [DRIVERS.get(str(row.get("driver")), "")]
    if (kind := row.get("thermocouple")) is not None:
        parts.append(f"type {_short(kind)}")
    where = row.get("device") or row.get("topic") or ""
    address = row.get("address")
    if isinstance(address, int):
        where = f"{where} at 0x{address:02x}".strip()
    elif address is not None:
        where = address
    parts.append(_short(where) if where else "")
    return ", ".join(part for part in parts if part) or "no address"


def source_words(value: Any) -> str:
    """A camera without what may be a secret in its address."""
    if not isinstance(value, str):
        return ""
    if value.startswith("command:"):
        return "a program"
    return printable(_QUERY.sub("?…", _LOGIN.sub("//…@", value)), 80)


def route_words(value: Any) -> str:
    """A route without what may be a secret in it."""
    text = str(value)
    if text in ROUTES:
        return ROUTES[text]
    return printable(shown_route(text), 80)


def _spot(value: Any) -> str:
    if not isinstance(value, list) or len(value) != 2:
        return ""
    from_left, from_floor = value
    return f"{from_left:.0%} from the left wall, {from_floor:.0%} up from the floor"
