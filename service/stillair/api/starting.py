"""What starting a board's service and a hall's have in common: folder, address, certificate."""

from __future__ import annotations

import asyncio
import fcntl
import logging
import os
import shlex
import signal
import socket
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from pydantic import BaseModel
from starlette.types import ASGIApp

from stillair.access.certificates import Certificates
from stillair.access.first_code import GOOD_FOR_S, FirstCode
from stillair.access.people import Access
from stillair.api.commands import command
from stillair.api.reach import ANYWHERE, HERE, LOOPBACK, Reach
from stillair.config.secret_files import open_to_all
from stillair.errors import CertificateError, StillairError, StoreError
from stillair.runtime import memory, network, server
from stillair.runtime.backup import JOURNAL
from stillair.runtime.identity import IdentityKeeper
from stillair.runtime.manager import ServiceManager
from stillair.runtime.past import Past

log = logging.getLogger(__name__)


class NotStartedError(StillairError):
    """The service can't start; the message says what to do."""


def reach_of(host: str, proxied_as: Sequence[str], access: Access, folder: Path) -> Reach:
    """Who may come in from where. Raises `NotStartedError` for what a person has to mend."""
    if proxied_as and host not in LOOPBACK:
        raise NotStartedError(
            f"behind a proxy the service listens on 127.0.0.1 alone, not on {host}: "
            "else others could come in past it, and say that they come from it"
        )
    reach = Reach(host, proxied_as, access, folder)
    if reach.closed and _is_tried_by_hand(folder):
        raise NotStartedError(reach.closed)
    return reach


def _is_tried_by_hand(folder: Path) -> bool:
    """Whether somebody reads why it isn't started, and nothing was ever kept for them.

    Else it goes on, for this computer alone: an owner may be lost with a file, and
    nobody looks at a console.
    """
    return not (folder / JOURNAL).exists() and not ServiceManager().listens


def warn_of_open_files(*settings: BaseModel) -> None:
    """Say which files with a secret in them anybody may read, and how that is put right."""
    for path in dict.fromkeys(path for each in settings for path in open_to_all(each)):
        # Not 600: the file may be root's, and the service's by its group.
        remedy = f"chmod o= {shlex.quote(str(path))}"
        log.warning("everybody on this computer can read the secret in %s: %s", path, remedy)


def begin(service: Past, reach: Reach) -> None:
    """Start the service, which says from then on whether others reach its page."""
    tell = service.troubles.page
    service.housekeeping.each_minute("reach", lambda: reach.look(tell))
    memory.settle()
    service.start()
    reach.begin(tell)


def serve(
    pages: ASGIApp,
    service: Past,
    listener: socket.socket,
    *,
    ready: Callable[[], None],
    identity: IdentityKeeper | None,
    behind_proxy: bool,
    again: Callable[[], bool] = lambda: False,
) -> None:
    """Answer until SIGTERM or SIGINT; see `server.serve`."""
    if identity:
        identity.start()
    # uvicorn passes the signal on when it has ended; what follows is the caller's to do.
    signal.signal(signal.SIGTERM, lambda *_: None)
    signal.signal(signal.SIGINT, lambda *_: None)
    asyncio.run(
        server.serve(
            pages,
            service,
            listener,
            ready=ready,
            identity=identity,
            behind_proxy=behind_proxy,
            again=again,
        )
    )


def is_https_wanted(certificates: Certificates, access: Access, host: str) -> bool:
    """Whether a certificate was ever made here: then it is never spoken in clear again.

    The files of it may be lost, so the file of people remembers it as well.
    """
    try:
        if certificates.wanted:
            access.want_https()
        elif access.https_wanted():
            certificates.want()
        else:
            return False
    except StoreError:  # who knows
        return certificates.wanted or host not in LOOPBACK
    except CertificateError:
        log.exception("the certificate's folder is lost and can't be made anew")
    return True


def identity_of(certificates: Certificates, service: Past) -> IdentityKeeper:
    """What keeps the certificate fit, or has one that nobody knows in its place."""
    keeper = IdentityKeeper(
        certificates,
        names=own_names,
        wall=lambda: datetime.now(UTC),
        on_trouble=service.troubles.certificate,
    )
    service.housekeeping.each_minute("certificate", keeper.check)
    return keeper


def own_names() -> tuple[str, ...]:
    """This machine's names and addresses just now."""
    return (*network.own_names(), *network.own_addresses())


def say_whom_to_trust(certificates: Certificates, say: Callable[[str], None]) -> None:
    with suppress(CertificateError):  # it has been told as a trouble
        fingerprint = certificates.authority().fingerprint
        say("How a telephone comes to trust this certificate is on the page /trust.")
        say(f"The authority there has to have this fingerprint (SHA-256): {fingerprint}")


def say_where(
    say: Callable[[str], None],
    *,
    reach: Reach,
    port: int,
    scheme: str,
    proxied_as: Sequence[str],
    access: Access,
    first_code: FirstCode,
    certificates: Certificates | None,
    folder: Path,
) -> None:
    """Tell whoever has started it where a browser finds the page, and what is still open.

    `certificates` where it is served over HTTPS with one of them.
    """
    host = reach.host
    if reach.closed:
        say(reach.closed[:1].upper() + reach.closed[1:])
    elif not server.is_own(host):
        say(f"This computer doesn't have the address {host} yet, but listens already.")
    for name in proxied_as:
        say(f"Open https://{name}/, through the proxy on this computer.")
    if not proxied_as:
        say(f"Open {address(host, port, scheme)} in a browser on this computer.")
    for other in addresses(host, port, scheme):
        say(f"Other computers and telephones in the network open {other}")
    if not access.has_owner() and not proxied_as:
        say(
            f"Nobody owns this service yet. The code {first_code.make()} makes the "
            f"owner on that page, under People, within {GOOD_FOR_S / 60:.0f} minutes."
        )
    if certificates is not None:
        say_whom_to_trust(certificates, say)
    elif host not in LOOPBACK:
        say(
            "Passwords and pictures go through the network in clear. To change that: "
            + command("certificate", "make", folder=folder)
        )


def address(host: str, port: int, scheme: str = "http") -> str:
    """Where a browser on this computer finds the service."""
    shown = HERE if host in ANYWHERE else host
    return f"{scheme}://[{shown}]:{port}/" if ":" in shown else f"{scheme}://{shown}:{port}/"


def addresses(host: str, port: int, scheme: str = "http") -> list[str]:
    """Where others in the network find the service, when it listens to them."""
    if host not in ANYWHERE:
        return []
    return [f"{scheme}://{own}:{port}/" for own in network.own_addresses() if ":" not in own]


def page_folder() -> Path:
    """The dashboard's files: beside the installed package, or in the checkout."""
    package = Path(__file__).resolve().parent.parent
    installed = package / "_web"
    return installed if installed.is_dir() else package.parent.parent / "web"


def known_names(host: str) -> set[str]:
    """The names by which a browser in the same network may call this machine."""
    return {host.lower(), *network.own_names()}


def make_folder(folder: Path) -> None:
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise NotStartedError(
            f"{folder} can't be used for history: {error.strerror}; choose another with --data-dir"
        ) from error


def lock_folder(folder: Path) -> BinaryIO:
    """Hold the folder, so that two services never write one history."""
    try:
        lock = (folder / "in-use").open("ab")
    except OSError as error:
        raise NotStartedError(
            f"{folder} can't be written: {error.strerror}; choose another with --data-dir"
        ) from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        lock.close()
        raise NotStartedError(
            f"another Stillair is using {folder}; stop it, or choose another with --data-dir"
        ) from None
    return lock


def listen(host: str, port: int) -> socket.socket:
    try:
        return server.listen(host, port)
    except OSError as error:
        raise NotStartedError(
            f"can't listen on {host} port {port}: {os.strerror(error.errno or 0)}; "
            "is another Stillair running? Choose another with --port"
        ) from error


def leave(*_: object) -> None:
    raise SystemExit(0)
