"""Rules between the tables of one chamber file, and between several files.

They are checked on the file as it was read, so that they are told together
with every other fault, however many tables are wrong on their own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from stillair.alerts.addresses import RouteKind, route_kind
from stillair.config.changeable import no_file
from stillair.config.inputs import AnyParticles, AnySensor, GpioContact
from stillair.config.near import shown
from stillair.config.reach import GpioSounder
from stillair.config.settings import ChamberSettings, Family
from stillair.config.stop import OUTPUTS
from stillair.config.values import FileContext, Route, route_address
from stillair.model import Place

Row = Mapping[str, Any]

FAMILIES = {
    "onewire": Family.REAL,
    "max31855": Family.REAL,
    "max31856": Family.REAL,
    "mcp9600": Family.REAL,
    "mqtt": Family.REAL,
    "gpio": Family.REAL,
    "serial": Family.REAL,
    "recording": Family.RECORDED,
    "simulated": Family.SIMULATED,
}
# The keys that say which thing in the world a driver reads, with what holds when left out.
THING: Mapping[str, Mapping[str, object]] = {
    "onewire": {"address": None},
    "max31855": {"device": None},
    "max31856": {"device": None},
    "mcp9600": {"device": "/dev/i2c-1", "address": 0x67},
    "mqtt": {"topic": None, "pointer": ""},
    "serial": {"port": None},
    "recording": {"file": None, "column": None},
}


# What a kind of route needs beside it, with how that is said.
NEEDS = {
    RouteKind.MAIL: ("mail", "a mailto route needs a table [mail] that names the server"),
    RouteKind.TOPIC: ("mqtt", "an mqtt route needs a table [mqtt] that names the broker"),
    RouteKind.WEBHOOK: ("webhook", "a web address needs a table [webhook] with what signs"),
}


_ROUTE: TypeAdapter[str] = TypeAdapter(Route)


def table_for(route: str) -> str | None:
    """The table that a route needs beside it, as "mqtt"; None where it needs none.

    Raises `ValueError` with a clause that says what is wrong with it, and repeats no address.
    """
    try:
        address = _ROUTE.validate_python(no_file(route), context=FileContext(Path()))
    except ValidationError as error:
        (found,) = error.errors(include_url=False)
        raise ValueError(str(found.get("ctx", {}).get("error", found["msg"]))) from None
    kind = route_kind(address)
    return NEEDS[kind][0] if kind in NEEDS else None


def faults_between_tables(raw: Row, *, sensors_needed: bool, context: FileContext) -> Iterator[str]:
    """Every breach of a rule between tables, one sentence each."""
    sensors, particles, contacts = (
        list(rows(raw, name)) for name in ("sensor", "particles", "contact")
    )
    yield from _same_names("sensor", sensors)
    yield from _same_names("contact", contacts)
    # Who has shown smoke is known by the name alone, whatever it is.
    for fault in _same_names("particle sensor", [*sensors, *contacts, *particles]):
        if fault.startswith("particles["):
            yield fault
    yield from _same_things([*sensors, *particles])
    yield from _same_pins(raw, contacts)
    yield from _mixed_families(raw, [*sensors, *particles, *contacts])
    yield from _nothing_to_hold(raw)
    yield from _nothing_to_stop_by(raw)
    yield from _company(raw)
    if sensors_needed and raw.get("sensor", []) == []:
        yield "sensor is missing: without one [[sensor]] nobody watches the temperature"
    if "mqtt" not in raw:
        for path, row in (*sensors, *contacts):
            if row.get("driver") == "mqtt":
                yield f'{path}.driver = "mqtt": needs a table [mqtt] that names the broker'
    yield from faults_of_people(raw, context)


def faults_of_people(raw: Row, context: FileContext) -> Iterator[str]:
    """Every breach of a rule between people and the ways to them."""
    people = list(rows(raw, "person"))
    yield from _same_names("person", people)
    yield from _same_accounts(people)
    for path, row in people:
        yield from _unserved(raw, path, _list(row.get("routes")), context)


def _company(raw: Row) -> Iterator[str]:
    """What is wrong with the heartbeat that is sent, and with those that are listened for."""
    beat = raw.get("heartbeat")
    sent = beat.get("topic") if isinstance(beat, dict) else None
    if isinstance(beat, dict) and {"topic", "url", "url_file"}.isdisjoint(beat):
        yield "heartbeat: needs a topic or a url, else nobody hears it"
    if isinstance(told := raw.get("jobs"), dict) and "topic" in told and "mqtt" not in raw:
        yield "jobs.topic: needs a table [mqtt] that names the broker"
    if "hall" in raw and "mqtt" not in raw:
        yield "hall: needs a table [mqtt] that names the broker"
    if sent is not None and "mqtt" not in raw:
        yield "heartbeat.topic: needs a table [mqtt] that names the broker"
    neighbours = list(rows(raw, "neighbour"))
    yield from _same_names("neighbour", neighbours)
    for path, row in neighbours:
        if "topic" not in row and "url" not in row:
            yield f"{path}: needs a topic or a url, else it is never heard"
        if "topic" in row and "mqtt" not in raw:
            yield f"{path}.topic: needs a table [mqtt] that names the broker"
        if sent is not None and row.get("topic") == sent:
            yield f"{path}.topic: is our own heartbeat's; a board can't look after itself"


def faults_between_files(named: Mapping[str, ChamberSettings]) -> Iterator[str]:
    """Every conflict between chambers that one service watches; `named` by file."""
    seen: dict[str, str] = {}
    pins: dict[int, str] = {}
    things: dict[tuple[object, ...], tuple[str, Place | None]] = {}
    for file, settings in named.items():
        where = f"{file}: chamber.name = {shown(settings.name)}"
        if settings.key in seen:
            yield (
                f'{where}: comes out as "{settings.key}" in addresses, as in {seen[settings.key]};'
                " chambers need names that differ in their letters and digits"
            )
        seen.setdefault(settings.key, file)
        for contact in settings.contacts:
            for pin in contact.pins.values() if isinstance(contact, GpioContact) else ():
                if pin in pins:
                    yield (
                        f'{file}: the pin {pin} of contact "{contact.name}" is taken by {pins[pin]}'
                    )
                pins.setdefault(pin, f'contact "{contact.name}" in {file}')
        for sensor in (*settings.sensors, *settings.particles):
            thing = thing_of(sensor)
            if thing is None or FAMILIES[sensor.driver] is not Family.REAL:
                continue
            of = getattr(sensor, "place", None)
            owner, place = things.setdefault(thing, (f'sensor "{sensor.name}" in {file}', of))
            shared = of is Place.ROOM and place is Place.ROOM
            if owner != f'sensor "{sensor.name}" in {file}' and not shared:
                yield (
                    f'{file}: sensor "{sensor.name}" reads the same thing as {owner};'
                    " only a sensor of the room can serve two chambers"
                )
    yield from _other_addresses(named)
    sounders = {
        settings.sounder.pin: file
        for file, settings in named.items()
        if isinstance(settings.sounder, GpioSounder)
    }
    for pin, file in sounders.items():
        if pin in pins:
            yield f"{file}: sounder.pin = {pin}: is taken by {pins[pin]}"
        pins.setdefault(pin, f"the sounder in {file}")
    for file, settings in named.items():
        stop = settings.stop.pin if settings.stop else None
        if stop is not None and stop in pins:
            yield f"{file}: stop.pin = {stop}: is taken by {pins[stop]}"
        if stop is not None:
            pins.setdefault(stop, f"the stop in {file}")


def _other_addresses(named: Mapping[str, ChamberSettings]) -> Iterator[str]:
    """One service has one page."""
    told = [(file, s.page.address) for file, s in named.items() if s.page.address is not None]
    for file, address in told[1:]:
        first, wanted = told[0]
        if address != wanted:
            yield (
                f"{file}: page.address = {shown(address)}: is another than in {first}; one service"
                " has one page, so name the same in both or leave it out of one"
            )


def rows(raw: Row, name: str) -> Iterator[tuple[str, Row]]:
    """Each table of an array of tables with its path, leaving out what is no table."""
    for number, row in enumerate(_list(raw.get(name)), start=1):
        if isinstance(row, dict):
            yield f"{name}[{number}]", row


def _list(value: object) -> list[Any]:
    return value if isinstance(value, list) else []


def _unserved(raw: Row, path: str, routes: list[Any], context: FileContext) -> Iterator[str]:
    """What the routes of a person need and is not there, once each."""
    kinds: dict[RouteKind, None] = {}
    for route in routes:
        with suppress(ValueError):  # a file that can't be read is told by itself
            kind = route_kind(route_address(route, context)) if isinstance(route, str) else None
            if kind is not None:
                kinds[kind] = None
    for kind in kinds:
        table, words = NEEDS.get(kind, ("", ""))
        if table and table not in raw:
            yield f"{path}.routes: {words}"
    webhook = raw.get("webhook")
    has_none = isinstance(webhook, dict) and {"secret", "secret_file"}.isdisjoint(webhook)
    if RouteKind.WEBHOOK in kinds and has_none:
        yield f"{path}.routes: a web address needs webhook.secret_file: what signs"


def _same_names(kind: str, named: list[tuple[str, Row]]) -> Iterator[str]:
    seen: dict[str, str] = {}
    for path, row in named:
        name = row.get("name")
        if not isinstance(name, str):
            continue
        if name.casefold() in seen:
            yield (
                f"{path}.name = {shown(name)}: is the name of {seen[name.casefold()]} already;"
                f" every {kind} needs its own"
            )
        seen.setdefault(name.casefold(), path)


def _same_accounts(people: list[tuple[str, Row]]) -> Iterator[str]:
    """A tap is one person's: by their account, or by their name where none is set."""
    names = {str(row.get("name")).casefold(): path for path, row in people}
    seen: dict[str, str] = {}
    for path, row in people:
        account = row.get("account")
        if not isinstance(account, str):
            continue
        known = account.casefold()
        if known in seen or names.get(known, path) != path:
            yield (
                f"{path}.account = {shown(account)}: is how {seen.get(known) or names[known]}"
                " is known already; an account is one person's"
            )
        seen.setdefault(known, path)


def thing_of(of: AnySensor | AnyParticles) -> tuple[object, ...] | None:
    """What a sensor reads, to compare; None if nothing can be said about it."""
    return _thing(of.model_dump())


def _thing(row: Row) -> tuple[object, ...] | None:
    """What a sensor reads, to compare; None if nothing can be said about it."""
    keys = THING.get(str(row.get("driver")))
    if keys is None:
        return None
    values = tuple(row.get(key, usual) for key, usual in keys.items())
    if not all(isinstance(value, str | int) or hasattr(value, "__fspath__") for value in values):
        return None
    return (*keys, *(v.lower() if isinstance(v, str) and "address" in keys else v for v in values))


def _same_things(sensors: list[tuple[str, Row]]) -> Iterator[str]:
    seen: dict[tuple[object, ...], str] = {}
    for path, row in sensors:
        thing = _thing(row)
        if thing is None:
            continue
        if thing in seen:
            keys = " and ".join(THING[str(row["driver"])])
            yield f"{path}: reads the same as {seen[thing]}, by its {keys}; one of them is enough"
        seen.setdefault(thing, path)


def _same_pins(raw: Row, contacts: list[tuple[str, Row]]) -> Iterator[str]:
    seen: dict[int, str] = {}
    users = list(contacts)
    users += [(name, raw[name]) for name in ("sounder", "stop") if isinstance(raw.get(name), dict)]
    for path, row in users:
        for key in ("pin", "other_pin", "fault_pin"):
            pin = row.get(key)
            if not isinstance(pin, int) or isinstance(pin, bool):
                continue
            if pin in seen:
                yield f"{path}.{key} = {shown(pin)}: is taken by {seen[pin]}"
            seen.setdefault(pin, path)


def _mixed_families(raw: Row, inputs: list[tuple[str, Row]]) -> Iterator[str]:
    first: tuple[str, Family] | None = None
    for path, row in inputs:
        driver = row.get("driver")
        family = FAMILIES.get(driver) if isinstance(driver, str) else None
        if family is None:
            continue
        first = first or (path, family)
        if family is not first[1]:
            yield (
                f"{path}.driver = {shown(driver)}: is {family}, but {first[0]} is {first[1]};"
                " real, recorded and simulated never mix in one chamber"
            )
    camera = raw.get("camera")
    rendered = isinstance(camera, dict) and camera.get("source") == "simulated"
    if rendered and first is not None and first[1] is not Family.SIMULATED:
        yield (
            f'camera.source = "simulated": is no picture of this chamber, as {first[0]} is'
            f" {first[1]}; name a camera, or leave [camera] out"
        )


def _nothing_to_stop_by(raw: Row) -> Iterator[str]:
    """A stop that could not stop anything must not be believed in."""
    stop = raw.get("stop")
    if not isinstance(stop, dict):
        return
    if not any(key in stop for key in OUTPUTS):
        yield f"stop: needs {', '.join(OUTPUTS[:-1])} or {OUTPUTS[-1]}: without, nothing is stopped"
    if "topic" in stop and "mqtt" not in raw:
        yield "stop.topic: needs a table [mqtt] that names the broker"
    webhook = raw.get("webhook")
    signs = isinstance(webhook, dict) and not {"secret", "secret_file"}.isdisjoint(webhook)
    for key in ("url", "url_file"):
        if key in stop and not signs:
            yield f"stop.{key}: needs webhook.secret_file: what signs"


def _nothing_to_hold(raw: Row) -> Iterator[str]:
    """What can't be held must not be believed to be; only who asks for it is refused."""
    camera = raw.get("camera")
    if not isinstance(camera, dict) or camera.get("lock") is not True:
        return
    source = camera.get("source")
    if isinstance(source, str) and not source.startswith("/dev/"):
        yield (
            "camera.lock = true: only a device under /dev can be held; leave it out, and set"
            " exposure, white balance and focus in the camera or its program"
        )
