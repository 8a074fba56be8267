"""From chamber files to a running service with its pages, and down again in order."""

from __future__ import annotations

import asyncio
import fcntl
import gc
import os
import signal
import socket
import struct
import time
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

from stillair.access.first_code import GOOD_FOR_S, FirstCode
from stillair.access.people import Access
from stillair.api import app
from stillair.api.commands import command
from stillair.config import default_chamber, load_chambers
from stillair.errors import StillairError
from stillair.runtime import server, wiring
from stillair.runtime.labels import boot_id

LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})
SIOCGIFADDR = 0x8915  # netdevice(7): an interface's address
ANYWHERE = frozenset({"0.0.0.0", "::"})  # noqa: S104 - compared with, not listened on


class NotStartedError(StillairError):
    """The service can't start; the message says what to do."""


def run(
    files: tuple[Path, ...], folder: Path, host: str, port: int, *, say: Callable[[str], None]
) -> None:
    """Watch until SIGTERM or SIGINT.

    Raises `SettingsError`, `InputError` or `NotStartedError` before anything
    is watched.
    """
    chambers = load_chambers(files) if files else (default_chamber(),)
    _make(folder)
    with Access.open(folder) as access:
        if host not in LOOPBACK and not access.has_owner():
            raise NotStartedError(
                f"not listening on {host}: the service has no owner yet, so anybody could come in. "
                f"Make one first: {command('owner', 'add', 'NAME', folder=folder)}"
            )
        lock = _lock(folder)
        signal.signal(signal.SIGTERM, _leave)
        try:
            listener = _listen(host, port)
            service = wiring.build(chambers, folder, boot_id=boot_id(), has_owner=access.has_owner)
            first_code = FirstCode(time.monotonic)
            pages = app.build(
                service,
                access,
                pages=page_folder(),
                folder=folder,
                names=_names(host),
                first_code=first_code,
            )

            def ready() -> None:
                for settings in chambers:
                    say(_watching(settings.name, simulated=settings.simulated))
                say(f"Open {address(host, port)} in a browser on this computer.")
                for other in addresses(host, port):
                    say(f"Other computers and telephones in the network open {other}")
                if not access.has_owner():
                    say(
                        f"Nobody owns this service yet. The code {first_code.make()} makes the "
                        f"owner on that page, under People, within {GOOD_FOR_S / 60:.0f} minutes."
                    )

            _spare_collector()
            service.start()
            try:
                # uvicorn passes the signal on when it has ended; what follows is ours to do.
                signal.signal(signal.SIGTERM, lambda *_: None)
                signal.signal(signal.SIGINT, lambda *_: None)
                asyncio.run(server.serve(pages, service, listener, ready=ready))
            finally:
                service.stop()
        finally:
            lock.close()


def _spare_collector() -> None:
    """Leave what stays for ever, modules and tables, out of every garbage collection.

    Measured with 115,000 objects: a full collection held all threads up for
    75 ms, a reading with them, and the end of the process took 0.38 s instead
    of 0.03 s.
    """
    gc.collect()
    gc.freeze()


def address(host: str, port: int) -> str:
    """Where a browser on this computer finds the service."""
    shown = "127.0.0.1" if host in ANYWHERE else host
    return f"http://[{shown}]:{port}/" if ":" in shown else f"http://{shown}:{port}/"


def addresses(host: str, port: int) -> list[str]:
    """Where others in the network find the service, when it listens to them."""
    if host not in ANYWHERE:
        return []
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        for _, interface in socket.if_nameindex():
            request = struct.pack("256s", interface.encode()[:15])
            try:
                answer = fcntl.ioctl(asking.fileno(), SIOCGIFADDR, request)
            except OSError:
                continue  # it has no IPv4 address
            own = socket.inet_ntoa(answer[20:24])
            if not own.startswith("127."):
                found.append(f"http://{own}:{port}/")
    return found


def page_folder() -> Path:
    """The dashboard's files: beside the installed package, or in the checkout."""
    package = Path(__file__).resolve().parent.parent
    installed = package / "_web"
    return installed if installed.is_dir() else package.parent.parent / "web"


def _watching(name: str, *, simulated: bool) -> str:
    return f"Watching {name}" + (
        ", a simulated chamber: nothing here is real." if simulated else "."
    )


def _names(host: str) -> set[str]:
    """The names by which a browser in the same network may call this machine."""
    own = socket.gethostname().lower()
    return {host.lower(), own, f"{own.partition('.')[0]}.local"}


def _make(folder: Path) -> None:
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise NotStartedError(
            f"{folder} can't be used for history: {error.strerror}; choose another with --data-dir"
        ) from error


def _lock(folder: Path) -> BinaryIO:
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


def _listen(host: str, port: int) -> socket.socket:
    try:
        return server.listen(host, port)
    except OSError as error:
        raise NotStartedError(
            f"can't listen on {host} port {port}: {os.strerror(error.errno or 0)}; "
            "is another Stillair running? Choose another with --port"
        ) from error


def _leave(*_: object) -> None:
    raise SystemExit(0)
