"""The ways to reach people, made from the chamber files, and how each is tried without sending.

This is the one place where secret addresses lie beside their public forms: messages carry
the public form, and here is known where to it leads. So there is one entry for each scheme
with which a public form begins; a kind of route that is added has its entry here as well.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Protocol

from stillair.alarms.reaching import MAIL, SERVED, SERVER_OF, TOPICS
from stillair.alarms.testing import spoken
from stillair.alerts.addresses import RouteKind, public_form, route_kind
from stillair.alerts.routes import Message, Route
from stillair.alerts.topic import BrokerSettings, TopicRoute
from stillair.alerts.webhook import WebhookRoute
from stillair.config.reach import MailTable, MqttTable, Reaches
from stillair.errors import DeliveryError
from stillair.late import Late
from stillair.runtime.found import ON_SILENT, ROUTE_REMEDY, Found, State

if TYPE_CHECKING:
    from stillair.alerts import mail
else:
    mail = Late("stillair.alerts.mail")  # with it all that mail is written by; see `_Maker`

GONE = "it stands in no chamber file any more"
Picture = Callable[[str], bytes | None]


class RouteTry(Protocol):
    """A way to reach people that can be tried without sending."""

    def check(self) -> str:
        """What answered. Raises `DeliveryError`."""
        ...

    def close(self) -> None: ...


class AddressedRoute:
    """Send to each public form of an address by the route that belongs to it there.

    Two chambers may have the same address at servers of their own. An address that is
    in no chamber file any more (a message may have waited since) goes by `otherwise`.
    """

    def __init__(
        self, by_address: Mapping[tuple[str, str], Route], *, otherwise: Route | None = None
    ) -> None:
        self._by_address = dict(by_address)
        self._anywhere = {route: of for (_, route), of in reversed(list(by_address.items()))}
        self._otherwise = otherwise

    def send(self, message: Message) -> None:
        """Hand the message on. Raises `DeliveryError`."""
        route = (
            self._by_address.get((message.chamber, message.route))
            or self._anywhere.get(message.route)
            or self._otherwise
        )
        if route is None:
            raise DeliveryError(message.route, GONE, retry=False)
        route.send(message)

    def close(self) -> None:
        """Close every route; safe to call twice."""
        for route in {*self._by_address.values(), self._otherwise}:
            if route is not None:
                route.close()


def routes_of(
    chambers: Sequence[Reaches],
    *,
    picture: Picture,
    wall: Callable[[], datetime],
    link_ends: Callable[[], datetime] | None = None,
) -> dict[str, Route]:
    """The way to send for each scheme of a public form, but for web push.

    `picture` gives the JPEG of an alarm; `wall` the time, which is signed; `link_ends` until
    when the links of what is sent now can be used.
    """
    made: dict[RouteKind, dict[tuple[str, str], Route]] = {kind: {} for kind in RouteKind}
    make = _Maker(picture, wall, link_ends)
    for settings in chambers:
        for person, address, kind in addresses(settings):
            key = (settings.key, public_form(address, person))
            if kind is not RouteKind.PUSH and key not in made[kind]:
                made[kind][key] = make.route(settings, address, kind)
    # A mail server brings a message that waited for somebody who was taken out since.
    otherwise: dict[RouteKind, Route] = {}
    for settings in chambers:
        if settings.mail is not None:
            otherwise.setdefault(RouteKind.MAIL, make.mail(settings))
    return {
        kind.value: AddressedRoute(routes, otherwise=otherwise.get(kind))
        for kind, routes in made.items()
        if kind is not RouteKind.PUSH and (routes or kind in otherwise)
    }


def addresses(settings: Reaches) -> Iterator[tuple[str, str, RouteKind]]:
    """Each person's addresses, in their order, with their kind."""
    for person in settings.people:
        for address in person.routes:
            kind = route_kind(address)
            if kind is not None:
                yield person.name, address, kind


@dataclass(frozen=True, slots=True)
class Trial:
    """A way to reach people that can be tried without sending: what it is, whose, and how."""

    thing: str
    people: tuple[str, ...]
    route: RouteTry
    remedy: str

    @property
    def subject(self) -> str:
        """What of it can fail. Not the address: of that only a message that got there says that
        it works again, and a server that is reached may take none."""
        return self.thing if self.thing in SERVED else f"{SERVER_OF}{self.thing}"

    def found(self, thing: str) -> Found:
        """Try it; may take some seconds."""
        try:
            return Found(thing, State.FIT, self.route.check())
        except DeliveryError as error:
            return Found(thing, State.UNFIT, error.reason, error.remedy or self.remedy)


def trials(chambers: Iterable[Reaches]) -> dict[str, tuple[Trial, ...]]:
    """What of each chamber's ways can be tried, by its key; what they share has one route."""
    make = _trying()
    return {settings.key: trials_of(settings, make) for settings in chambers}


def trials_of(settings: Reaches, make: _Maker | None = None) -> tuple[Trial, ...]:
    """What of a chamber's ways to reach people can be tried, each server once."""
    make = make or _trying()
    by_kind: dict[RouteKind, dict[str, None]] = {kind: {} for kind in RouteKind}
    hooks: dict[str, dict[str, None]] = {}
    for person, address, kind in addresses(settings):
        by_kind[kind][person] = None
        if kind is RouteKind.WEBHOOK:
            hooks.setdefault(address, {})[person] = None
    found: list[Trial] = []
    if settings.mail is not None:
        people = tuple(by_kind[RouteKind.MAIL])
        found.append(Trial(MAIL, people, make.mail(settings), ROUTE_REMEDY[RouteKind.MAIL]))
    if by_kind[RouteKind.TOPIC]:
        people = tuple(by_kind[RouteKind.TOPIC])
        found.append(Trial(TOPICS, people, make.topic(settings), ROUTE_REMEDY[RouteKind.TOPIC]))
    for address, names in hooks.items():
        route, remedy = make.webhook(settings, address), ROUTE_REMEDY[RouteKind.WEBHOOK]
        found.append(Trial(public_form(address, ""), tuple(names), route, remedy))
    return tuple(found)


def _trying() -> _Maker:
    """Makes routes by which nothing is sent."""
    return _Maker(lambda _alarm: None, lambda: datetime.now(UTC), None)


def listed(settings: Reaches, prefix: str) -> Iterator[Found]:
    """Each person's routes, in their order, and what a silent telephone makes of them."""
    things: dict[str, RouteKind] = {}
    for person, address, kind in addresses(settings):
        told = spoken(public_form(address, person)).removesuffix(f" of {person}")
        things.setdefault(f"{prefix}{person}, {told}", kind)
    for thing, kind in things.items():
        yield Found(thing, State.NOT_TRIED, ON_SILENT[kind])


class _Maker:
    """Makes routes; one for all addresses that a server or broker serves."""

    def __init__(
        self,
        picture: Picture,
        wall: Callable[[], datetime],
        link_ends: Callable[[], datetime] | None,
    ) -> None:
        self._picture = picture
        self._wall = wall
        self._link_ends = link_ends
        self._servers: dict[mail.MailSettings, mail.MailRoute] = {}
        self._brokers: dict[BrokerSettings, TopicRoute] = {}
        self._messengers: dict[str, Route] = {}

    def route(self, settings: Reaches, address: str, kind: RouteKind) -> Route:
        match kind:
            case RouteKind.MAIL:
                return self.mail(settings)
            case RouteKind.TOPIC:
                return self.topic(settings)
            case RouteKind.WEBHOOK:
                return self.webhook(settings, address)
            case _:
                return self.messenger(address)

    def mail(self, settings: Reaches) -> mail.MailRoute:
        assert settings.mail is not None, "the settings were checked: mail needs [mail]"
        server = mail_settings(settings.mail, settings.timezone)
        route = mail.MailRoute(server, picture=self._picture, link_ends=self._link_ends)
        return self._servers.setdefault(server, route)

    def topic(self, settings: Reaches) -> TopicRoute:
        assert settings.mqtt is not None, "the settings were checked: topics need [mqtt]"
        broker = broker_settings(settings.mqtt)
        return self._brokers.setdefault(broker, TopicRoute(broker))

    def webhook(self, settings: Reaches, address: str) -> WebhookRoute:
        of = settings.webhook
        assert of is not None and of.secret is not None, "the settings were checked"
        return WebhookRoute(address, of.secret.get_secret_value(), wall=self._wall)

    def messenger(self, address: str) -> Route:
        # Imported here: its library takes time and memory, and few have such an address.
        from stillair.alerts.messenger import MessengerRoute

        if address not in self._messengers:
            self._messengers[address] = MessengerRoute(address, picture=self._picture)
        return self._messengers[address]


def mail_settings(of: MailTable, timezone: str | None = None) -> mail.MailSettings:
    """The mail server of a chamber file, as the route takes it."""
    sender = of.sender or (of.username if of.username and "@" in of.username else None)
    return mail.MailSettings(
        host=of.host,
        port=of.port,
        security=of.security,
        username=of.username,
        password=of.password.get_secret_value() if of.password else None,
        timezone=timezone,
        sender=sender or f"stillair@{of.host if '.' in of.host else 'localhost'}",
    )


def broker_settings(of: MqttTable) -> BrokerSettings:
    """The broker of a chamber file, as the route takes it."""
    return BrokerSettings(
        host=of.host,
        port=of.port,
        username=of.username,
        password=of.password.get_secret_value() if of.password else None,
        tls=of.tls,
        trust=of.trust,
    )
