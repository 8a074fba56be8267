"""The table of the chamber file for somebody near a box that can burn."""

from __future__ import annotations

import ipaddress
from typing import Annotated

from pydantic import AfterValidator, Field, Strict

from stillair.config.tables import Table
from stillair.config.values import Takes

WIDEST = {4: 8, 6: 32}  # more addresses than that are nobody's neighbourhood


def _network(value: str) -> str:
    try:
        network = ipaddress.ip_network(value)
    except ValueError:
        raise ValueError("has to be a network without a host in it, as in 192.168.4.0/24") from None
    widest = WIDEST[network.version]
    if network.prefixlen < widest:
        raise ValueError(f"is too wide to be near: /{widest} at the most")
    return str(network)


Network = Annotated[
    str,
    Field(max_length=50),
    AfterValidator(_network),
    Takes('a network, as in "192.168.4.0/24"'),
]


class AttendanceTable(Table):
    ask: bool = Field(
        default=True,
        description="Whether somebody is asked to be near while a box that can burn is hot or a"
        " job isn't over. Without this table nobody is asked where time is played fast.",
    )
    every_min: Annotated[float, Field(ge=5, le=240)] = Field(
        default=30.0,
        description="How long after each sign of somebody near the next one is asked for;"
        " 15 to 30 suits a job of hours.",
    )
    stage_min: Annotated[float, Field(ge=1, le=60)] = Field(
        default=5.0,
        description="Nobody came: after so long the next person's telephone, and so on.",
    )
    near: Annotated[tuple[Network, ...], Strict(False)] = Field(
        default=(),
        max_length=16,
        description="Networks beside the board's own from which a tap counts as near.",
    )
