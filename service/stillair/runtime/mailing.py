"""Mail for several chambers, each perhaps with a mail server of its own."""

from __future__ import annotations

from collections.abc import Mapping

from stillair.alerts.routes import Message, Route


class AddressedRoute:
    """Send to each address by the route that belongs to it.

    An address that is in no chamber file any more (a message may have waited
    since) goes by `otherwise`.
    """

    def __init__(self, by_address: Mapping[str, Route], *, otherwise: Route) -> None:
        self._by_address = dict(by_address)
        self._otherwise = otherwise

    def send(self, message: Message) -> None:
        """Hand the message on. Raises `DeliveryError`."""
        self._by_address.get(message.route, self._otherwise).send(message)

    def close(self) -> None:
        """Close every route; safe to call twice."""
        for route in {*self._by_address.values(), self._otherwise}:
            route.close()
