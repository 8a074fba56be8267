"""What stops the machines, made from the chamber files."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import partial
from typing import Protocol

from stillair.alerts.relay import RelayOutput
from stillair.alerts.relay_outputs import CommandRelay, GpioRelay
from stillair.alerts.routes import Route
from stillair.alerts.stop_messages import SCHEME, StopMessage, StopRoute, TopicStop, WebhookStop
from stillair.clock import Clock
from stillair.config import ChamberSettings
from stillair.config.stop import StopTable
from stillair.runtime.plans import TOPIC, WEBHOOK, stop_address
from stillair.runtime.reaching import broker_settings
from stillair.runtime.stopping import MachineStop


class Troubled(Protocol):
    """Who is told of what fails."""

    def stop(self, key: str, failing: bool, reason: str) -> None: ...

    def route(self, address: str, failing: bool, reason: str) -> None: ...


def machine_stops(
    chambers: Sequence[ChamberSettings], troubles: Troubled, clock: Clock
) -> dict[str, MachineStop]:
    """Of each chamber that has one what stops its machine, not yet begun."""
    return {
        settings.key: MachineStop(
            settings.key,
            relay_output(settings.stop),
            stop_messages(settings, clock.wall),
            clock=clock,
            wall=clock.wall,
            tell=partial(troubles.stop, settings.key),
        )
        for settings in chambers
        if settings.stop is not None
    }


def relay_output(of: StopTable) -> RelayOutput | None:
    """What is switched here; None where the machine is stopped by message alone."""
    if of.pin is not None:
        from stillair.sensing.pins import use_kernel_pins

        use_kernel_pins()
        return GpioRelay(of.pin, stops_when=of.stops_when)
    return None if of.command is None else CommandRelay(of.command)


def stop_messages(
    settings: ChamberSettings, wall: Callable[[], datetime]
) -> dict[str, StopMessage]:
    """The messages that stop a chamber's machine."""
    made: dict[str, StopMessage] = {}
    of = settings.stop
    if of is None:
        return made
    if of.topic is not None:
        assert settings.mqtt is not None, "the settings were checked: a topic needs [mqtt]"
        made[TOPIC] = TopicStop(broker_settings(settings.mqtt), of.topic, of.payload)
    if of.url is not None:
        signs = settings.webhook.secret if settings.webhook else None
        assert signs is not None, "the settings were checked: an address needs [webhook]"
        url = of.url.get_secret_value()
        made[WEBHOOK] = WebhookStop(url, signs.get_secret_value(), wall=wall)
    return made


def stop_routes(stops: Mapping[str, MachineStop]) -> dict[str, Route]:
    """The way on which the outbox sends what stops machines."""
    ways = {
        stop_address(key, part): (part, way, stop)
        for key, stop in stops.items()
        for part, way in stop.messages.items()
    }
    return {SCHEME: StopRoute(ways)} if ways else {}


def route_trouble(troubles: Troubled, address: str, failing: bool, reason: str) -> None:
    """A route fails or works again; what stops a machine by message tells that by itself."""
    if not address.startswith(f"{SCHEME}:"):
        troubles.route(address, failing, reason)
