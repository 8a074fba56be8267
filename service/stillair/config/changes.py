"""The text of a chamber file that comes of what a person changes in it from a page.

Pure: a text and a list of changes in, another text and what changes in words out. All that
nobody asked to change stays as it was, comments, order and blank lines too. The new text goes
through the checks of a start, so nothing comes out of here that a start would refuse.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stillair.config.change import (
    AddParticles,
    AddSensor,
    AddTopicContact,
    Change,
    ChangeSensor,
    RemoveChamber,
    RemoveContact,
    RemoveParticles,
    RemovePerson,
    RemoveSensor,
    SameServer,
    SetBroker,
    SetCamera,
    SetChamber,
    SetContact,
    SetMail,
    SetPerson,
    SetSounder,
    SetWebhook,
)
from stillair.config.changed_words import Told, protection_lost
from stillair.config.edited import Edited, EditError
from stillair.config.reach import MailTable, MqttTable
from stillair.config.reading import chamber_from_text, default_chamber, parsed_text
from stillair.config.settings import ChamberSettings
from stillair.config.tables import Table
from stillair.errors import SettingsError
from stillair.model import ContactKind, chamber_key

BEGINNING = """\
# The chamber file: written by the page Setting up, and yours to edit.
# What you change by hand counts from the next start. Your comments stay.
"""

Others = Mapping[str, Mapping[str, Mapping[str, Any]]]


@dataclass(frozen=True, slots=True)
class Proposal:
    """A new text of a chamber file, what is different in it, and the settings it gives.

    `gives_up` are the listed detectors whose switches go: whoever writes it names each.
    """

    text: str
    words: tuple[str, ...]
    settings: ChamberSettings
    gives_up: tuple[str, ...] = ()

    @property
    def empty(self) -> bool:
        return not self.words


def proposed(
    text: str,
    changes: Sequence[Change],
    source: str,
    folder: Path,
    *,
    buses: Mapping[str, str] | None = None,
    others: Others | None = None,
) -> Proposal:
    """The text after `changes`, in their order; `text` "" is a file that isn't there yet.

    `buses` names the folder of the bus for the addresses of chips that aren't on the usual one,
    `others` the tables [mqtt] and [mail] of the other chambers, by key.

    Raises `SettingsError` with one sentence for each fault, of the changes or of what
    the file would then say.
    """
    before = parsed_text(text, source) if text else {}
    edited = Edited(text or BEGINNING)
    told = Told()
    faults: list[str] = []
    for number, change in enumerate(changes, start=1):
        try:
            _make(edited, change, told, buses or {}, others or {})
        except EditError as error:
            faults.append(f"change {number}: {error}")
    if faults:
        raise SettingsError(source, tuple(faults))
    found = parsed_text(edited.text, source)
    settings = chamber_from_text(edited.text, source, folder)
    # tomlkit wrote it, and another reader has to find the same in it, and no more.
    if found != edited.values:
        raise SettingsError(
            source, ("is written in a way that the page can't change; change it by hand",)
        )
    _check_name(before, settings, source)
    gives_up = detectors_lost(before, found)
    warned = filter(None, (protection_lost(gives_up),))
    return Proposal(edited.text, (*warned, *told.words), settings, gives_up)


def detectors_lost(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[str, ...]:
    """The listed detectors of a file's values that are none any more in those after."""
    left = _detectors(after)
    return tuple(name for name in _detectors(before) if name not in left)


def _detectors(values: Mapping[str, Any]) -> list[str]:
    rows = values.get("contact", [])
    found = [row for row in rows if isinstance(row, dict)] if isinstance(rows, list) else []
    return [str(row.get("name")) for row in found if row.get("kind") == ContactKind.DETECTOR.value]


def _check_name(before: Mapping[str, Any], settings: ChamberSettings, source: str) -> None:
    """A real box under the simulated one's name would take its jobs for its own."""
    if settings.simulated or settings.key != default_chamber().key:
        return
    old = before.get("chamber", {})
    if chamber_key(str(old.get("name", "") if isinstance(old, dict) else "")) == settings.key:
        return
    raise SettingsError(
        source,
        ("chamber.name: is the built-in simulated chamber's; choose another for a real one",),
    )


def broker_row(text: str, change: SetBroker | SameServer | None, others: Others) -> dict[str, Any]:
    """The table [mqtt] as it would be after a change. Raises `SettingsError`."""
    edited = Edited(text or BEGINNING)
    try:
        if change is not None:
            _make(edited, change, Told(), {}, others)
    except EditError as error:
        raise SettingsError("the broker", (str(error),)) from None
    found = edited.values.get("mqtt")
    return dict(found) if isinstance(found, Mapping) else {}


def _make(
    edited: Edited, change: Change, told: Told, buses: Mapping[str, str], others: Others
) -> None:
    match change:
        case SetChamber():
            for key, value in _set_keys(change):
                told.chamber(key, edited.set("chamber", key, value), value)
        case AddSensor():
            row = sensor_row(change, buses)
            edited.add("sensor", row)
            told.sensor_added(row)
        case ChangeSensor():
            row = _given(change, "name", "place", "topic", "pointer", "correction_k", "drawn_at")
            for key in ("pointer", "correction_k", "drawn_at"):  # null takes it out
                if key in change.model_fields_set:
                    row.setdefault(key, None)
            for key, value in row.items():
                told.sensor(change.of, key, edited.set_in("sensor", change.of, key, value), value)
                if key == "name":
                    change = change.model_copy(update={"of": value})
        case RemoveSensor():
            told.removed("sensor", change.of, edited.remove("sensor", change.of))
        case SetContact():
            row = {"name": change.name, "kind": change.kind.value, "driver": "gpio"}
            row |= _given(change, "pin", "closed_means")
            if edited.has("contact", change.name):
                for key in ("kind", "driver", "pin", "closed_means"):
                    if key in row:
                        before = edited.set_in("contact", change.name, key, row[key])
                        told.contact(change.name, key, before, row[key])
            else:
                edited.add("contact", row)
                told.contact_added(row)
        case AddTopicContact():
            row = {"name": change.name, "kind": change.kind.value, "driver": "mqtt"}
            row |= _given(change, "topic", "pointer", "active", "normal")
            edited.add("contact", row)
            told.contact_added(row)
        case RemoveContact():
            told.removed("switch", change.of, edited.remove("contact", change.of))
        case AddParticles():
            row = particles_row(change)
            edited.add("particles", row)
            told.particles_added(row)
        case RemoveParticles():
            told.removed("particle sensor", change.of, edited.remove("particles", change.of))
        case SetSounder(pin=None):
            if edited.drop("sounder"):
                told.sounder_removed()
        case SetSounder(pin=int() as pin):
            driver = edited.set("sounder", "driver", "gpio")
            edited.set("sounder", "command", None)
            before = edited.set("sounder", "pin", pin)
            told.sounder("a program" if driver == "command" else before, pin)
        case SetCamera(source=None):
            if edited.drop("camera"):
                told.camera_removed()
        case SetCamera():
            told.camera(edited.set("camera", "source", change.source), str(change.source))
        case SetPerson():
            before = edited.get_in("person", change.name, "routes")
            gone = set(change.take_out)
            routes = [each for n, each in enumerate(before or ()) if n not in gone]
            routes += [each for each in change.add if each not in routes]
            if edited.has("person", change.name):
                edited.set_in("person", change.name, "routes", routes)
            else:
                edited.add("person", {"name": change.name, "routes": routes})
            told.routes(change.name, before, routes)
        case RemovePerson():
            told.removed("person", change.of, edited.remove("person", change.of))
        case SetMail():
            _set_server(edited, "mail", change, told.mail)
        case SetBroker():
            _set_server(edited, "mqtt", change, told.broker)
        case SetWebhook():
            if edited.values.get("webhook"):
                raise EditError("webhook.secret: there is one already; change it by hand")
            edited.set("webhook", "secret", change.secret)
            told.webhook()
        case SameServer():
            table = others.get(change.of, {}).get(change.table)
            if not table:
                raise EditError(f"{change.table}.host: no such box has one")
            edited.drop(change.table)
            for key, value in table.items():
                before = edited.set(change.table, key, value)
                tell = told.broker if change.table == "mqtt" else told.mail
                tell(key.removesuffix("_file"), before, value)
        case RemoveChamber():
            raise EditError("to take a box away is a change of its own; ask for nothing else in it")


def _set_server(
    edited: Edited,
    table: str,
    change: SetMail | SetBroker,
    tell: Callable[[str, Any, Any], None],
) -> None:
    """The keys that are given; a name of null takes the sign-in away, with its password."""
    if "username" in change.model_fields_set and change.username is None:
        tell("username", edited.set(table, "username", None), None)
        for key in ("password", "password_file"):
            edited.set(table, key, None)
    _check_password(edited, table, change)
    for key in ("host", "port", "security", "tls", "username", "sender", "password"):
        if (value := getattr(change, key, None)) is not None:
            if key == "password":  # one of the two counts, and what is typed is newer
                edited.set(table, "password_file", None)
            tell(key, edited.set(table, key, value), value)


OPEN = "would be spoken to unencrypted now, so give its password as well"


def _check_password(edited: Edited, table: str, change: SetMail | SetBroker) -> None:
    """A password that nobody may read here isn't sent to a server that somebody names here.

    Nor to another port of the same computer, nor for all to read where it was not so far.
    """
    there = edited.values.get(table)
    if change.password is not None or not isinstance(there, Mapping):
        return
    if not {"password", "password_file"} & there.keys():
        return
    way = "tls" if table == "mqtt" else "security"
    wanted = {"host": change.host} | _given(change, "port", way)
    of = MqttTable if table == "mqtt" else MailTable
    before, after = (of.model_construct(**row) for row in (dict(there), {**there, **wanted}))
    for key in ("host", "port"):
        if getattr(before, key) != getattr(after, key):
            raise EditError(f"{table}.{key}: is another one, so give its password as well")
    if getattr(after, way) in (False, "none") and getattr(before, way) != getattr(after, way):
        raise EditError(f"{table}.{way}: {OPEN}")


def sensor_row(change: AddSensor, buses: Mapping[str, str]) -> dict[str, Any]:
    """A sensor as it stands in a chamber file."""
    row: dict[str, Any] = {"name": change.name, "place": change.place.value}
    row |= {"driver": change.driver}
    row |= _given(change, "address", "device", "thermocouple", "mains_hz", "topic", "pointer")
    if change.driver == "onewire" and (bus := buses.get(str(change.address))) is not None:
        row["bus_dir"] = bus
    return row | _given(change, "correction_k", "drawn_at")


def particles_row(change: AddParticles) -> dict[str, Any]:
    """A particle sensor as it stands in a chamber file."""
    return {"name": change.name, "driver": "serial", "port": change.port}


def _set_keys(change: SetChamber) -> list[tuple[str, Any]]:
    """The keys that are given, in the order of a chamber file, as they stand there."""
    found = []
    for key in SetChamber.model_fields:
        if key == "do" or key not in change.model_fields_set:
            continue
        value = getattr(change, key)
        if key == "enclosure" and value is not None:
            value = [each.value for each in value]
        elif isinstance(value, float) and value.is_integer():
            value = int(value)  # as a person writes it
        found.append((key, value))
    return found


def _given(change: Table, *keys: str) -> dict[str, Any]:
    """What is set of these, as it stands in a file."""
    found: dict[str, Any] = {}
    for key in keys:
        value = getattr(change, key)
        if value is None:
            continue
        if key == "place":
            value = value.value
        found[key] = [round(share, 3) for share in value] if key == "drawn_at" else value
    return found
