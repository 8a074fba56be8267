"""From a hall file to a running hall with its pages, and down again in order."""

from __future__ import annotations

import asyncio
import signal
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from urllib.parse import urlsplit

from stillair.access.certificates import Certificates
from stillair.access.first_code import FirstCode
from stillair.access.names import checked_names
from stillair.access.people import Access
from stillair.api import hall_app
from stillair.api.reach import LOOPBACK, Reach, base_address
from stillair.api.starting import (
    NotStartedError,
    identity_of,
    is_https_wanted,
    known_names,
    leave,
    listen,
    lock_folder,
    make_folder,
    page_folder,
    say_where,
)
from stillair.config.hall_file import load_hall
from stillair.runtime import hall_wiring, memory, server
from stillair.runtime.labels import boot_id


def run(
    file: Path,
    folder: Path,
    host: str,
    port: int,
    *,
    say: Callable[[str], None],
    proxied_as: Sequence[str] = (),
    metrics: bool = False,
) -> None:
    """Serve a hall until SIGTERM or SIGINT; otherwise as `serving.run`.

    Raises `SettingsError`, `NotStartedError` or `CertificateError` before anything is heard.
    """
    settings = load_hall(file)
    make_folder(folder)
    with Access.open(folder) as access:
        proxied_as = checked_names(proxied_as)
        if proxied_as and host not in LOOPBACK:
            raise NotStartedError(
                f"behind a proxy the service listens on 127.0.0.1 alone, not on {host}: "
                "else others could come in past it, and say that they come from it"
            )
        reach = Reach(host, proxied_as, access, folder)
        if reach.closed:
            raise NotStartedError(reach.closed)
        certificates = Certificates(folder)
        lock = lock_folder(folder)
        signal.signal(signal.SIGTERM, leave)
        try:
            listener = listen(host, port)
            service = hall_wiring.build(
                settings, folder, boot_id=boot_id(), has_owner=access.has_owner
            )
            first_code = FirstCode(time.monotonic)
            identity = None
            if not proxied_as and is_https_wanted(certificates, access, host):
                identity = identity_of(certificates, service)
            scheme = "https" if identity else "http"
            service.base = base_address(settings.page.address, host, port, scheme, proxied_as)
            names = {*known_names(host), *certificates.asked(), *proxied_as}
            if settings.page.address is not None:
                names.add(urlsplit(settings.page.address).hostname or "")
            service.housekeeping.each_minute(
                "names", lambda: names.update(known_names(host), certificates.asked())
            )
            pages = hall_app.build(
                service,
                access,
                pages=page_folder(),
                folder=folder,
                first_code=first_code,
                names=names,
                certificates=certificates if identity else None,
                behind_proxy=bool(proxied_as),
                metrics=metrics,
            )

            def ready() -> None:
                say(f"The hall {settings.name} listens at {service.broker} to {settings.topic}/#.")
                say_where(
                    say,
                    reach=reach,
                    port=port,
                    scheme=scheme,
                    proxied_as=proxied_as,
                    access=access,
                    first_code=first_code,
                    certificates=certificates if identity else None,
                    folder=folder,
                )

            service.housekeeping.each_minute("reach", lambda: reach.look(service.troubles.page))
            memory.settle()
            service.start()
            try:
                if identity:
                    identity.start()
                # uvicorn passes the signal on when it has ended; what follows is ours to do.
                signal.signal(signal.SIGTERM, lambda *_: None)
                signal.signal(signal.SIGINT, lambda *_: None)
                asyncio.run(
                    server.serve(
                        pages,
                        service,
                        listener,
                        ready=ready,
                        identity=identity,
                        behind_proxy=bool(proxied_as),
                    )
                )
            finally:
                service.stop()
        finally:
            lock.close()
