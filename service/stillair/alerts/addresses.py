"""What kind of route an address is, and the form of it that everybody may see.

An address may be a secret: whoever has a web address or a messenger's token can write
to the person. So the address itself lies with the route alone. Everywhere else, in the
outbox, in logs and on pages, its public form stands: the address where it holds no
secret, else its host or scheme with eight characters by which two are told apart.
"""

from __future__ import annotations

import hashlib
from enum import StrEnum
from urllib.parse import urlsplit


class RouteKind(StrEnum):
    """The kinds of route, as their public forms begin."""

    MAIL = "mailto"
    PUSH = "webpush"
    TOPIC = "mqtt"
    WEBHOOK = "webhook"
    MESSENGER = "apprise"


def route_kind(address: str) -> RouteKind | None:
    """The kind of an address such as "mailto:a@example.org"; None for what is none.

    What has `//` after its scheme and is no web address is a messenger's, `mqtt://` too.
    """
    scheme, colon, rest = address.partition(":")
    scheme = scheme.lower()
    if not colon or not scheme:
        return None
    if scheme in ("http", "https"):
        return RouteKind.WEBHOOK
    if rest.startswith("//"):
        return RouteKind.MESSENGER
    return {each.value: each for each in (RouteKind.MAIL, RouteKind.PUSH, RouteKind.TOPIC)}.get(
        scheme
    )


def public_kind(route: str) -> RouteKind | None:
    """The kind of a route in its public form."""
    scheme = route.partition(":")[0].lower()
    return RouteKind(scheme) if scheme in list(RouteKind) else None


def public_form(address: str, person: str) -> str:
    """What stands for a person's address wherever somebody may read it."""
    match route_kind(address):
        case RouteKind.PUSH:
            return f"webpush:{person}"
        case RouteKind.WEBHOOK:
            return f"webhook:{_host(address)}-{_mark(address)}"
        case RouteKind.MESSENGER:
            return f"apprise:{address.partition(':')[0].lower()}-{_mark(address)}"
        case _:
            return address


def _host(address: str) -> str:
    try:
        return urlsplit(address).hostname or "web"
    except ValueError:
        return "web"


def _mark(address: str) -> str:
    return hashlib.sha256(address.encode("utf-8", "replace")).hexdigest()[:8]
