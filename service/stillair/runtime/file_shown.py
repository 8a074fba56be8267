"""What a page shows of the settings in a chamber file, and which pins they name: never a secret."""

from __future__ import annotations

from typing import Any

from stillair.config import ChamberSettings
from stillair.config.changed_words import route_words, source_words
from stillair.config.inputs import AnySensor
from stillair.config.materials import MATERIALS
from stillair.config.reach import MailTable, MqttTable


def shown_settings(of: ChamberSettings) -> dict[str, Any]:
    """What a page shows of a chamber's settings: never an address or password that is secret."""
    box = of.chamber
    return {
        "name": box.name,
        "enclosure": [material.value for material in box.enclosure],
        "target_c": box.target_c,
        "limit_c": box.limit_c,
        "timezone": box.timezone,
        "width_mm": box.width_mm,
        "depth_mm": box.depth_mm,
        "height_mm": box.height_mm,
        "sensors": [
            {
                "name": sensor.name,
                "place": sensor.place.value,
                "driver": sensor.driver,
                **_thing(sensor),
                "correction_k": sensor.correction_k,
                "drawn_at": None if sensor.drawn_at is None else list(sensor.drawn_at),
            }
            for sensor in of.sensors
        ],
        "contacts": [
            {
                "name": contact.name,
                "kind": contact.kind.value,
                "driver": contact.driver,
                "pin": contact.pin if contact.driver == "gpio" else None,
                "closed_means": contact.closed_means if contact.driver == "gpio" else None,
            }
            for contact in of.contacts
        ],
        "particles": [
            {
                "name": each.name,
                "driver": each.driver,
                "port": each.port if each.driver == "serial" else None,
            }
            for each in of.particles
        ],
        "sounder": None
        if of.sounder is None
        else {
            "driver": of.sounder.driver,
            "pin": of.sounder.pin if of.sounder.driver == "gpio" else None,
        },
        "stop": of.stop is not None,
        "webhook": of.webhook is not None,
        "mqtt": _server(of.mqtt, "host", "port", "tls", "username"),
        "camera": None if of.camera is None else source_words(of.camera.source),
        "people": [
            {"name": person.name, "routes": [route_words(route) for route in person.routes]}
            for person in of.people
        ],
        "mail": _server(of.mail, "host", "port", "security", "username"),
    }


def _server(of: MqttTable | MailTable | None, *keys: str) -> dict[str, Any] | None:
    """What stands of a server; of its password only that there is one."""
    if of is None:
        return None
    return {key: getattr(of, key) for key in keys} | {"password": of.password is not None}


def materials() -> list[dict[str, Any]]:
    """What a box may be made of: what it bears, and whether it burns."""
    return [
        {"material": m.value, "bears_c": facts.bears_c, "combustible": facts.combustible}
        for m, facts in MATERIALS.items()
    ]


def pins_of(of: ChamberSettings) -> dict[int, str]:
    """Every GPIO number that a chamber's settings name, with what for."""
    found: dict[int, str] = {}
    for contact in of.contacts:
        if contact.driver == "gpio":
            found |= dict.fromkeys(contact.pins.values(), f"the switch {contact.name}")
    if of.sounder is not None and of.sounder.driver == "gpio":
        found[of.sounder.pin] = "the sounder"
    if of.stop is not None and of.stop.pin is not None:
        found[of.stop.pin] = "the stop of the machine"
    return found


def _thing(sensor: AnySensor) -> dict[str, Any]:
    """Which thing in the world a sensor is, as texts; a key that its driver lacks is null."""
    address = getattr(sensor, "address", None)
    return {
        "address": f"0x{address:02x}" if isinstance(address, int) else address,
        "device": getattr(sensor, "device", None),
        "topic": getattr(sensor, "topic", None),
        "pointer": getattr(sensor, "pointer", None) or None,
    }
