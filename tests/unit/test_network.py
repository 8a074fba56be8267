"""In which networks this computer is, and what lies within them."""

from __future__ import annotations

import ipaddress
from pathlib import Path

import pytest

from stillair.runtime import network

NEAR = [ipaddress.ip_network(n) for n in ("192.0.2.0/24", "fd00::/64", "fe80::/64")]


@pytest.mark.parametrize(
    ("address", "within"),
    [
        pytest.param("192.0.2.17", True, id="the same network"),
        pytest.param("192.0.3.17", False, id="the next one"),
        pytest.param("::ffff:192.0.2.17", True, id="IPv4 in IPv6's clothes"),
        pytest.param("::ffff:203.0.113.9", False, id="foreign IPv4 in IPv6's clothes"),
        pytest.param("fd00::7", True, id="the same network by IPv6"),
        pytest.param("fe80::1%eth0", True, id="the same link, with its name"),
        pytest.param("2001:db8::1", False, id="elsewhere by IPv6"),
        pytest.param("127.0.0.1", False, id="loopback is no network"),
        pytest.param("", False, id="nothing"),
        pytest.param("192.0.2.17, 192.0.2.18", False, id="two addresses"),
        pytest.param("shed.example.org", False, id="a name"),
    ],
)
def test_an_address_is_within_its_networks_alone(address: str, within: bool) -> None:
    assert network.is_within(address, NEAR) is within


def test_own_addresses_are_in_own_networks_and_loopback_is_not() -> None:
    networks = network.own_networks()
    assert not any(n.is_loopback for n in networks)
    assert not network.is_within("127.0.0.1", networks)
    assert not network.is_within("::1", networks)
    first = [address for address in network.own_addresses() if ":" not in address]
    shown = {address: network.is_within(address, networks) for address in first}
    tunnels = [name for name in network._interfaces() if _is_tunnel(name)]
    assert tunnels or all(shown.values()), shown


def _is_tunnel(interface: str) -> bool:
    flags = int((Path("/sys/class/net") / interface / "flags").read_text(), 16)
    return network._is_tunnel(interface, flags)


@pytest.mark.parametrize(
    ("flags", "made", "tunnel"),
    [
        pytest.param(0x1003, False, False, id="a card"),
        pytest.param(0x1003 | 0x10, False, True, id="point to point"),
        pytest.param(0x1003, True, True, id="a tunnel that looks like a card"),
    ],
)
def test_what_may_come_from_anywhere_is_a_tunnel(
    flags: int, made: bool, tunnel: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(network, "INTERFACES", tmp_path)
    (tmp_path / "shed0").mkdir()
    if made:
        (tmp_path / "shed0" / "tun_flags").write_text("0x1002\n")
    assert network._is_tunnel("shed0", flags) is tunnel


def test_the_table_of_ipv6_gives_networks_without_hosts_and_tunnels(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(network, "INTERFACES", tmp_path)
    table = tmp_path / "if_inet6"
    (tmp_path / "tun9").mkdir()
    (tmp_path / "tun9" / "tun_flags").touch()
    table.write_text(
        "fd000000000000000000000000000002 04 40 00 80     shed0\n"
        "fe8000000000000000fc00fffe000001 04 40 20 80     shed0\n"
        "00000000000000000000000000000001 01 80 10 80       lo\n"
        "fd090000000000000000000000000002 05 40 00 80     tun9\n"
    )
    assert [str(n) for n in network._networks_6(table)] == ["fd00::/64", "fe80::/64"]
