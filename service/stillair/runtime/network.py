"""How this machine is called in its network, as far as it knows itself."""

from __future__ import annotations

import fcntl
import ipaddress
import socket
import struct
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

Network = ipaddress.IPv4Network | ipaddress.IPv6Network

SIOCGIFADDR = 0x8915  # netdevice(7): an interface's address
SIOCGIFFLAGS, SIOCGIFNETMASK = 0x8913, 0x891B
POINT_TO_POINT = 0x10  # a tunnel, or a line to one other machine that may be anywhere
INTERFACES = Path("/sys/class/net")
OF_THIS_HOST = 0x10  # linux/ipv6.h: an address with this scope is loopback's
# Its names are read here: if_nameindex(3) asks over netlink, which the service may not speak.
DEVICES = Path("/proc/net/dev")
IF_INET6 = Path("/proc/net/if_inet6")
ROUTES, FIB_TRIE = Path("/proc/net/route"), Path("/proc/net/fib_trie")
ROUTE_UP = 0x1  # linux/route.h
# linux/if_addr.h: temporary, failed, deprecated, tentative. Such an address doesn't stay.
PASSING = 0x01 | 0x08 | 0x20 | 0x40


def own_name() -> str:
    """The machine's name in lower case."""
    return socket.gethostname().lower()


def own_names() -> tuple[str, ...]:
    """Its name, and the one by which it is found without a name server."""
    name = own_name()
    return (name, f"{name.partition('.')[0]}.local")


def own_addresses() -> tuple[str, ...]:
    """Its IPv4 addresses, then its lasting IPv6 ones; none of loopback or of one link alone."""
    return (*_version_4(), *_version_6())


def own_networks() -> tuple[Network, ...]:
    """The networks that this machine is in, without loopback and without any tunnel."""
    return tuple(dict.fromkeys((*_networks_4(), *_further_4(), *_networks_6())))


def is_within(address: str, networks: Iterable[Network]) -> bool:
    """Whether an address is one of these networks'; False of what is no address."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return False
    if isinstance(found, ipaddress.IPv6Address) and found.ipv4_mapped is not None:
        found = found.ipv4_mapped
    return any(found in network for network in networks if network.version == found.version)


def _networks_4() -> list[Network]:
    found: list[Network] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        for interface in _interfaces():
            flags = _asked(asking, interface, SIOCGIFFLAGS)
            address = _asked(asking, interface, SIOCGIFADDR)
            mask = _asked(asking, interface, SIOCGIFNETMASK)
            if flags is None or address is None or mask is None:
                continue
            if _is_tunnel(interface, int.from_bytes(flags[16:18], "little")):
                continue
            shown = f"{socket.inet_ntoa(address[20:24])}/{socket.inet_ntoa(mask[20:24])}"
            with suppress(ValueError):
                network = ipaddress.ip_network(shown, strict=False)
                if not network.is_loopback and network.prefixlen:
                    found.append(network)
    return found


def _further_4(routes: Path = ROUTES, trie: Path = FIB_TRIE) -> list[Network]:
    """Those of an interface's further IPv4 addresses, of which ioctl tells nothing.

    What is reached without a gateway, if an address of this machine's own lies in it.
    """
    found: list[Network] = []
    with suppress(OSError, ValueError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        own = _own_4(trie.read_text())
        for line in routes.read_text().splitlines()[1:]:
            interface, destination, gateway, flags, _, _, _, mask, *_ = line.split()
            length = int(mask, 16).bit_count()
            if int(gateway, 16) or not int(flags, 16) & ROUTE_UP or not length:
                continue
            base = socket.inet_ntoa(struct.pack("=L", int(destination, 16)))
            network = ipaddress.IPv4Network(f"{base}/{length}")
            shown = _asked(asking, interface, SIOCGIFFLAGS) or bytes(18)
            if _is_tunnel(interface, int.from_bytes(shown[16:18], "little")):
                continue
            if not network.is_loopback and any(address in network for address in own):
                found.append(network)
    return found


def _own_4(trie: str) -> set[ipaddress.IPv4Address]:
    """This machine's own addresses in the kernel's tree of routes."""
    found, address = set(), ""
    for line in trie.splitlines():
        if "|--" in line:
            address = line.partition("|--")[2].strip()
        elif line.strip() == "/32 host LOCAL":
            found.add(ipaddress.IPv4Address(address))
    return found


def _networks_6(table: Path = IF_INET6) -> list[Network]:
    found: list[Network] = []
    tunnels: dict[str, bool] = {}
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        for line in table.read_text().splitlines():
            address, _, length, scope, _, interface = line.split()
            if interface not in tunnels:
                flags = _asked(asking, interface, SIOCGIFFLAGS) or bytes(18)
                tunnels[interface] = _is_tunnel(interface, int.from_bytes(flags[16:18], "little"))
            if tunnels[interface] or int(scope, 16) == OF_THIS_HOST or not int(length, 16):
                continue
            shown = socket.inet_ntop(socket.AF_INET6, bytes.fromhex(address))
            found.append(ipaddress.ip_network(f"{shown}/{int(length, 16)}", strict=False))
    return found


def _is_tunnel(interface: str, flags: int) -> bool:
    """Whether what comes by an interface may come from anywhere."""
    return bool(flags & POINT_TO_POINT) or (INTERFACES / interface / "tun_flags").exists()


def _interfaces() -> list[str]:
    _, _, *lines = DEVICES.read_text().splitlines()
    return [line.partition(":")[0].strip() for line in lines]


def _asked(asking: socket.socket, interface: str, what: int) -> bytes | None:
    """The kernel's answer about an interface; None where it has none."""
    try:
        return fcntl.ioctl(asking.fileno(), what, struct.pack("256s", interface.encode()[:15]))
    except OSError:
        return None


def _version_4() -> list[str]:
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        for interface in _interfaces():
            answer = _asked(asking, interface, SIOCGIFADDR)
            if answer is None:
                continue  # it has no IPv4 address
            address = socket.inet_ntoa(answer[20:24])
            if not address.startswith("127."):
                found.append(address)
    return found


def _version_6(table: Path = IF_INET6) -> list[str]:
    found = []
    with suppress(OSError):  # no IPv6 here
        for line in table.read_text().splitlines():
            address, _, _, scope, flags, _ = line.split()
            if int(scope, 16) == 0 and not int(flags, 16) & PASSING:
                found.append(socket.inet_ntop(socket.AF_INET6, bytes.fromhex(address)))
    return found
