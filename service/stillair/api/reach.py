"""Where others reach the page; and while they can't, why, as a trouble that stands."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from stillair.access.people import Access
from stillair.api.commands import command
from stillair.runtime import network, server

HERE = "127.0.0.1"
LOOPBACK = frozenset({HERE, "::1", "localhost"})
ANYWHERE = frozenset({"0.0.0.0", "::"})  # noqa: S104 - compared with, not listened on
MISSED = 2  # looks in a row; while a board starts its network comes later than the service


def base_address(
    wanted: str | None, host: str, port: int, scheme: str, proxied_as: Sequence[str]
) -> str | None:
    """Where telephones open the page, without a path; None while nobody else can.

    `wanted` is what the chamber file says; else it follows from where the service listens.
    """
    if wanted is not None:
        return wanted
    if proxied_as:
        return f"https://{_named(proxied_as[0])}"
    if host in LOOPBACK:
        return None
    found = network.own_names()[-1] if host in ANYWHERE else host
    return f"{scheme}://{_named(found)}:{port}"


def _named(host: str) -> str:
    return f"[{host}]" if ":" in host else host


class Reach:
    """On which address the service listens, and whether others reach it there.

    Parameters
    ----------
    wanted : str
        The address to listen on.
    proxied_as : sequence of str
        Names under which a proxy on this computer is opened, if there is one.
    access : Access
        Who may come in. Without an owner nobody else is let in.
    folder : Path
        The data directory, for commands.
    """

    def __init__(
        self, wanted: str, proxied_as: Sequence[str], access: Access, folder: Path
    ) -> None:
        self._wanted = wanted
        self._proxied = bool(proxied_as)
        self._access = access
        self._missed = 0
        self._told = ""
        self.closed = ""  # why nobody else is let in
        if (self._proxied or wanted not in LOOPBACK) and not access.has_owner():
            refused = (
                "letting nobody in through the proxy"
                if self._proxied
                else f"not listening on {wanted}"
            )
            self.closed = (
                f"{refused}: the service has no owner yet, so anybody could come in. "
                f"Make one first: {command('owner', 'add', 'NAME', folder=folder)}"
            )
        self.host = HERE if self.closed else wanted

    def begin(self, tell: Callable[[bool, str], None]) -> None:
        """Tell what is known at the start; `tell` gets whether others can't reach it, and why."""
        if self.closed:
            self._tell(self.closed, tell)

    def look(self, tell: Callable[[bool, str], None]) -> None:
        """See how it is now; once a minute."""
        if self.closed:
            if not self._access.has_owner():
                return
            restart = f"there is an owner now: restart the service to listen on {self._wanted}"
            self._tell("" if self._proxied else restart, tell)
            return
        self._missed = 0 if server.is_own(self.host) else self._missed + 1
        missing = (
            f"this computer doesn't have the address {self.host}: see whether it is in the "
            "network, and whether --host names the right address"
        )
        if self._missed == 0 or self._missed >= MISSED:
            self._tell(missing if self._missed else "", tell)

    def _tell(self, reason: str, tell: Callable[[bool, str], None]) -> None:
        if reason != self._told:
            self._told = reason
            tell(bool(reason), reason)
