"""Each thing that a person may change in a chamber file from a page; `changes` makes the text.

A program that would be run can't be named here: who may open a page is not yet who may run
programs on the board.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, Strict

from stillair.config.changeable import BUS, SERIAL, bus, no_file, no_program, serial_port, told_as
from stillair.config.materials import Material
from stillair.config.tables import Table
from stillair.model import ContactKind, Place

Text = Annotated[str, Field(min_length=1, max_length=1000)]
Name = Annotated[str, Field(min_length=1, max_length=40)]  # as the file's own; all else is its say
Spot = Annotated[
    tuple[Annotated[float, Field(ge=0, le=1)], ...],
    Strict(False),
    Field(min_length=2, max_length=2),
]


class SetChamber(Table):
    """The box itself; a key with null is taken out of the file, one that is left out stays."""

    do: Literal["chamber"]
    name: Text | None = None
    enclosure: Annotated[
        tuple[Annotated[Material, Strict(False)], ...] | None, Strict(False), Field(max_length=11)
    ] = None
    target_c: float | None = None
    limit_c: float | None = None
    timezone: Text | None = None
    width_mm: float | None = None
    depth_mm: float | None = None
    height_mm: float | None = None


class AddSensor(Table):
    """A sensor: a 1-Wire one by its own number, others by what their driver asks for."""

    do: Literal["add sensor"]
    name: Name
    place: Annotated[Place, Strict(False)] = Place.CHAMBER
    driver: Literal["onewire", "max31855", "max31856", "mcp9600", "mqtt"] = "onewire"
    address: Text | Annotated[int, Field(ge=0, le=0x7F)] | None = None
    device: Annotated[Text, AfterValidator(bus), told_as(BUS)] | None = None
    thermocouple: Text | None = None
    mains_hz: int | None = None
    topic: Text | None = None
    pointer: Text | None = None
    correction_k: float | None = None
    drawn_at: Spot | None = None


class ChangeSensor(Table):
    """Another name, place, topic, correction or spot in the drawing of a sensor that is there."""

    do: Literal["sensor"]
    of: Text
    name: Text | None = None
    place: Annotated[Place | None, Strict(False)] = None
    topic: Text | None = None
    pointer: Text | None = None
    correction_k: float | None = None
    drawn_at: Spot | None = None


class RemoveSensor(Table):
    do: Literal["remove sensor"]
    of: Text


class SetContact(Table):
    """A switch on a pin: a new one, or another kind or pin of one that is there."""

    do: Literal["contact"]
    name: Text
    kind: Annotated[ContactKind, Strict(False)]
    pin: int
    closed_means: Literal["safe", "alarm"] | None = None


class AddTopicContact(Table):
    """A switch that tells by MQTT: `active` says that it is open, pressed or so, `normal` not.

    Both are needed here: a third word is a fault then, and never taken for shut.
    """

    do: Literal["add topic contact"]
    name: Text
    kind: Annotated[ContactKind, Strict(False)]
    topic: Text
    pointer: Text | None = None
    active: Text
    normal: Text


class RemoveContact(Table):
    do: Literal["remove contact"]
    of: Text


class AddParticles(Table):
    """A particle sensor at a serial port."""

    do: Literal["add particles"]
    name: Name
    port: Annotated[Text, AfterValidator(serial_port), told_as(SERIAL)]


class RemoveParticles(Table):
    do: Literal["remove particles"]
    of: Text


class SetSounder(Table):
    """The pin that switches the sounder; null takes the sounder away."""

    do: Literal["sounder"]
    pin: int | None


class SetCamera(Table):
    """Which camera looks into the box; null takes it away."""

    do: Literal["camera"]
    source: Annotated[Text, AfterValidator(no_program)] | None = Field(repr=False)


class SetPerson(Table):
    """Somebody to be told: a new one, or other routes of one who is there.

    Routes are never told, so those that go are named by their place among them, from 0.
    """

    do: Literal["person"]
    name: Text
    add: Annotated[
        tuple[Annotated[Text, AfterValidator(no_file)], ...], Strict(False), Field(max_length=20)
    ] = Field(default=(), repr=False)
    take_out: Annotated[tuple[int, ...], Strict(False), Field(max_length=20)] = ()


class RemovePerson(Table):
    do: Literal["remove person"]
    of: Text


class SetMail(Table):
    """The server that takes the e-mail; without a password, the one there stays.

    A `username` of null takes the sign-in away, with its password.
    """

    do: Literal["mail"]
    host: Text
    port: int | None = None
    security: Literal["none", "starttls", "tls"] | None = None
    username: Text | None = None
    password: Text | None = Field(default=None, repr=False)
    sender: Text | None = None


class SetBroker(Table):
    """The broker that sensors and switches send to; without a password, the one there stays.

    A `username` of null takes the sign-in away, with its password.
    """

    do: Literal["broker"]
    host: Text
    port: int | None = None
    tls: bool | None = None
    username: Text | None = None
    password: Text | None = Field(default=None, repr=False)


class SetWebhook(Table):
    """What signs messages to web addresses, where nothing does so far: whoever takes them has it.

    What signs already is changed by hand alone: a relay may listen to nothing else.
    """

    do: Literal["webhook"]
    secret: Text = Field(repr=False)


class SameServer(Table):
    """The broker or mail server of another chamber, with all that belongs to it."""

    do: Literal["same server"]
    table: Literal["mqtt", "mail"]
    of: Annotated[str, Field(max_length=200)]


class RemoveChamber(Table):
    """The whole box, with its file; it stands alone in a list of changes."""

    do: Literal["remove chamber"]


Change = Annotated[
    SetChamber
    | AddSensor
    | ChangeSensor
    | RemoveSensor
    | SetContact
    | AddTopicContact
    | RemoveContact
    | AddParticles
    | RemoveParticles
    | SetSounder
    | SetCamera
    | SetPerson
    | RemovePerson
    | SetMail
    | SetBroker
    | SetWebhook
    | SameServer
    | RemoveChamber,
    Field(discriminator="do"),
]
