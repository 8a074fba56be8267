"""Names and addresses that a certificate may be for."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable
from contextlib import suppress

from stillair.errors import CertificateError

MOST_NAMES = 50
ALWAYS = ("localhost", "127.0.0.1", "::1")
_LABEL = re.compile(r"(?!-)[a-z0-9-]{1,63}(?<!-)")

Address = ipaddress.IPv4Address | ipaddress.IPv6Address


def checked_name(text: str) -> str:
    """A host name or address as it stands in a certificate. Raises `CertificateError`."""
    name = text.strip().strip("[]").rstrip(".").lower()
    with suppress(ValueError):
        return str(address_of(name))
    labels = name.split(".")
    if len(name) > 253 or not all(_LABEL.fullmatch(label) for label in labels):
        raise CertificateError(
            f"{text[:60]!r} is neither a host name nor an address; a host name has letters, "
            "digits, hyphens and dots, as in shed.local"
        )
    if len(labels) == 1 and name != "localhost":
        raise CertificateError(
            f"{text[:60]!r} is a name of one word, which a certificate of this kind can't be "
            f"safely for; use {name}.local, or the name with its domain"
        )
    return name


def checked_names(texts: Iterable[str]) -> tuple[str, ...]:
    """Each name once, in order. Raises `CertificateError`."""
    names = tuple(dict.fromkeys(checked_name(text) for text in texts))
    if len(names) > MOST_NAMES:
        raise CertificateError(f"a certificate has at most {MOST_NAMES} names here")
    return names


def usable_names(texts: Iterable[str]) -> tuple[str, ...]:
    """Those of `texts` that a certificate can be for: what a machine says of itself may be odd."""
    found = []
    for text in texts:
        with suppress(CertificateError):
            found.append(checked_name(text))
    return tuple(dict.fromkeys(found))[:MOST_NAMES]


def address_of(name: str) -> Address:
    """An address as it stands there. Raises `ValueError`.

    After a % stands the link of a link-local address: no part of it.
    """
    return ipaddress.ip_address(name.partition("%")[0])
