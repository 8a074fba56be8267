"""The telephones of people, as the chamber files set them up.

Telephones join the service, not a chamber: of several files the own servers add up, and
the contact is that of the first file that names one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from stillair.alerts import posting, sealing
from stillair.alerts.push import NONE_JOINED, SCHEME, PushRoute, PushSettings
from stillair.alerts.sealing import KEY_FILE, SenderKey
from stillair.alerts.telephones import FILE_NAME, Telephone, Telephones
from stillair.clock import Clock
from stillair.config.reach import Reaches
from stillair.errors import StoreError
from stillair.runtime.found import Found, State

TRY_IT = "send it a trial on the page Telephones, now and then"


def push_route(chambers: Sequence[Reaches], folder: Path, clock: Clock) -> PushRoute:
    """The route to all telephones that are kept in the data directory."""
    if people(chambers):  # danger goes this way: nothing of it is loaded only then
        posting.ready()
        sealing.ready()
    tables = [settings.push for settings in chambers]
    named = next((table for table in tables if "contact" in table.model_fields_set), tables[0])
    trust = {
        table.own_server: None if table.trust_file is None else str(table.trust_file)
        for table in tables
        if table.own_server is not None
    }
    return PushRoute(
        Telephones(folder / FILE_NAME, clock.wall, own_servers=trust),
        SenderKey(folder / KEY_FILE, clock.wall),
        PushSettings(contact=named.contact, trust=trust),
        clock,
    )


def people(chambers: Iterable[Reaches]) -> tuple[str, ...]:
    """Whose telephones may join: everybody with a route "webpush:" in a chamber file."""
    return tuple(
        dict.fromkeys(
            person.name
            for settings in chambers
            for person in settings.people
            if any(route.startswith(f"{SCHEME}:") for route in person.routes)
        )
    )


def found(settings: Reaches, telephones: Telephones, prefix: str) -> Iterator[Found]:
    """Of each person who is to be reached by telephone, whether one has joined."""
    for person in people([settings]):
        thing = f"{prefix}telephones of {person}"
        try:
            joined = telephones.of(person)
        except StoreError as error:
            yield Found(thing, State.UNFIT, str(error), "see whether the disk is broken")
            continue
        if joined:
            yield Found(thing, State.NOT_TRIED, _named(joined), TRY_IT)
        else:
            yield Found(thing, State.UNFIT, "none has joined, so none is told", NONE_JOINED)


def _named(joined: Sequence[Telephone]) -> str:
    if len(joined) == 1:
        return f"{joined[0].label} has joined; whether it is heard only a trial shows"
    return f"{len(joined)} have joined; whether they are heard only a trial shows"
