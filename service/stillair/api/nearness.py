"""Whether whoever asks is near the box: in its own network, and not merely connected to it.

What comes through a proxy that isn't known, or from a loopback address behind one that is,
says nothing of where somebody is. Nor does a tunnel.
"""

from __future__ import annotations

import ipaddress
from http import HTTPStatus

from fastapi import Request

from stillair.api.entry import FORWARDED, address
from stillair.api.problems import Problem
from stillair.config import ChamberSettings
from stillair.runtime.attending import is_near

INSTEAD = (
    "Go there and tap in its own network, press the button at the box, or open and shut its door."
)


def refuse_from_afar(request: Request, settings: ChamberSettings, instead: str = INSTEAD) -> None:
    """Let pass who is near. Raises `Problem` (409), which says why it doesn't count.

    `instead` is what to do then.
    """
    asking = address(request)
    behind_proxy = bool(request.app.state.behind_proxy)
    if not behind_proxy and FORWARDED & set(request.headers):
        raise _far(
            "it came through a proxy or tunnel, which says nothing of where you are", instead
        )
    if _is_loopback(asking):
        if behind_proxy:
            raise _far("the proxy doesn't say where you are", instead)
        return
    if not is_near(settings, asking):
        raise _far(f"{asking} isn't in the network that the box is in", instead)


def _far(why: str, instead: str) -> Problem:
    return Problem(
        HTTPStatus.CONFLICT, f"This doesn't count as being near the box: {why}. {instead}"
    )


def _is_loopback(asking: str) -> bool:
    try:
        found = ipaddress.ip_address(asking)
    except ValueError:
        return False
    if isinstance(found, ipaddress.IPv6Address) and found.ipv4_mapped is not None:
        found = found.ipv4_mapped
    return found.is_loopback
