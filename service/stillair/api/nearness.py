"""Whether somebody who asks is near the machine: at the board, or in the same network."""

from __future__ import annotations

import ipaddress

from fastapi import Request

from stillair.runtime.network import own_networks


def is_near(request: Request) -> bool:
    """Whether a request comes from this computer or from a network that it is in itself."""
    try:
        asking = ipaddress.ip_address(request.client.host if request.client else "")
        mapped = getattr(asking, "ipv4_mapped", None)
        asking = mapped or asking
        return asking.is_loopback or any(asking in network for network in own_networks())
    except (ValueError, OSError):  # no address, or nobody can say which networks there are
        return False
