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


ROUTES = """\
Iface\tDestination\tGateway \tFlags\tRefCnt\tUse\tMetric\tMask\t\tMTU\tWindow\tIRTT
shed0\t00000000\t010200C0\t0003\t0\t0\t0\t00000000\t0\t0\t0
shed0\t000200C0\t00000000\t0001\t0\t0\t0\t00FFFFFF\t0\t0\t0
shed0\t006433C6\t00000000\t0001\t0\t0\t0\t00FFFFFF\t0\t0\t0
shed0\t007100CB\t00000000\t0001\t0\t0\t0\t00FFFFFF\t0\t0\t0
shed0\t0000000A\t010200C0\t0003\t0\t0\t0\t000000FF\t0\t0\t0
tun9\t0000A8C0\t00000000\t0001\t0\t0\t0\t0000FFFF\t0\t0\t0
"""
TRIE = """\
Main:
  +-- 0.0.0.0/0 3 0 5
     |-- 192.0.2.0
        /24 link UNICAST
     |-- 192.0.2.2
        /32 host LOCAL
     |-- 192.168.1.1
        /32 host LOCAL
     |-- 198.51.100.7
        /32 host LOCAL
     |-- 203.0.113.255
        /32 link BROADCAST
     |-- 10.0.0.1
        /32 host LOCAL
"""


def test_an_interfaces_further_addresses_have_networks_as_well(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(network, "INTERFACES", tmp_path)
    (tmp_path / "tun9").mkdir()
    (tmp_path / "tun9" / "tun_flags").touch()
    (tmp_path / "route").write_text(ROUTES)
    (tmp_path / "fib_trie").write_text(TRIE)
    found = network._further_4(tmp_path / "route", tmp_path / "fib_trie")
    # Not what lies behind a gateway or a tunnel, nor where this machine has no address.
    assert [str(n) for n in found] == ["192.0.2.0/24", "198.51.100.0/24"]


@pytest.mark.parametrize(
    ("routes", "trie"),
    [
        pytest.param(None, TRIE, id="no table of routes"),
        pytest.param(ROUTES, None, id="no tree"),
        pytest.param("a\nb c\n", TRIE, id="another kernel's table"),
        pytest.param(ROUTES, "|-- shed\n/32 host LOCAL", id="another kernel's tree"),
    ],
)
def test_where_the_kernel_tells_nothing_there_are_no_further_networks(
    routes: str | None, trie: str | None, tmp_path: Path
) -> None:
    for name, text in (("route", routes), ("fib_trie", trie)):
        if text is not None:
            (tmp_path / name).write_text(text)
    assert network._further_4(tmp_path / "route", tmp_path / "fib_trie") == []
