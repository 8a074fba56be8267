"""How this machine is called in its network, as far as it knows itself."""

from __future__ import annotations

import fcntl
import ipaddress
import socket
import struct
from contextlib import suppress
from pathlib import Path

SIOCGIFADDR = 0x8915  # netdevice(7): an interface's address
SIOCGIFNETMASK = 0x891B
# Its names are read here: if_nameindex(3) asks over netlink, which the service may not speak.
DEVICES = Path("/proc/net/dev")
IF_INET6 = Path("/proc/net/if_inet6")
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


def own_networks() -> tuple[ipaddress.IPv4Network | ipaddress.IPv6Network, ...]:
    """The networks that this machine is in; of IPv6 each interface's own, a link alone too."""
    found: list[ipaddress.IPv4Network | ipaddress.IPv6Network] = [
        ipaddress.IPv4Network(f"{address}/{mask}", strict=False)
        for address, mask in _version_4_masks()
    ]
    with suppress(OSError):  # no IPv6 here
        for line in IF_INET6.read_text().splitlines():
            address, _, length, *_ = line.split()
            network = (bytes.fromhex(address), int(length, 16))
            found.append(ipaddress.IPv6Network(network, strict=False))
    return tuple(network for network in found if network.prefixlen)


def _version_4() -> list[str]:
    return [address for address, _ in _version_4_masks() if not address.startswith("127.")]


def _version_4_masks() -> list[tuple[str, str]]:
    found = []
    _, _, *lines = DEVICES.read_text().splitlines()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        for interface in (line.partition(":")[0].strip() for line in lines):
            request = struct.pack("256s", interface.encode()[:15])
            try:
                address = fcntl.ioctl(asking.fileno(), SIOCGIFADDR, request)
                mask = fcntl.ioctl(asking.fileno(), SIOCGIFNETMASK, request)
            except OSError:
                continue  # it has no IPv4 address
            found.append((socket.inet_ntoa(address[20:24]), socket.inet_ntoa(mask[20:24])))
    return found


def _version_6(table: Path = IF_INET6) -> list[str]:
    found = []
    with suppress(OSError):  # no IPv6 here
        for line in table.read_text().splitlines():
            address, _, _, scope, flags, _ = line.split()
            if int(scope, 16) == 0 and not int(flags, 16) & PASSING:
                found.append(socket.inet_ntop(socket.AF_INET6, bytes.fromhex(address)))
    return found
