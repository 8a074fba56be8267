"""Who counts as near the machine."""

from __future__ import annotations

from ipaddress import ip_network

import pytest
from starlette.requests import Request

from stillair.api import nearness
from stillair.runtime.network import own_networks

OURS = (ip_network("192.168.7.0/24"), ip_network("fd00:7::/64"), ip_network("fe80::/64"))


def asked_from(address: str | None) -> Request:
    client = None if address is None else (address, 40_000)
    return Request({"type": "http", "headers": [], "client": client})


@pytest.mark.parametrize(
    ("address", "near"),
    [
        pytest.param("127.0.0.1", True, id="this computer"),
        pytest.param("::1", True, id="this computer, IPv6"),
        pytest.param("192.168.7.31", True, id="the same network"),
        pytest.param("::ffff:192.168.7.31", True, id="the same network, as IPv6 writes it"),
        pytest.param("fd00:7::31", True, id="the same network, IPv6"),
        pytest.param("fe80::31%eth0", True, id="the same link"),
        pytest.param("192.168.8.31", False, id="another private network"),
        pytest.param("203.0.113.4", False, id="the internet"),
        pytest.param("2001:db8::4", False, id="the internet, IPv6"),
        pytest.param("", False, id="no address"),
        pytest.param("testclient", False, id="no address at all"),
        pytest.param(None, False, id="nobody knows"),
    ],
)
def test_who_is_near(address: str | None, near: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(nearness, "own_networks", lambda: OURS)
    assert nearness.is_near(asked_from(address)) is near


def test_where_no_network_is_known_nobody_elsewhere_is_near(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fails() -> None:
        raise OSError("no such file")

    monkeypatch.setattr(nearness, "own_networks", fails)
    assert nearness.is_near(asked_from("127.0.0.1"))
    assert not nearness.is_near(asked_from("192.168.7.31"))


def test_this_computer_is_in_its_own_loopback_network() -> None:
    assert any(str(network) == "127.0.0.0/8" for network in own_networks())
