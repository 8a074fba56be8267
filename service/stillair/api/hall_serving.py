"""From a hall file to a running hall with its pages, and down again in order."""

from __future__ import annotations

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
from stillair.api.reach import base_address
from stillair.api.starting import (
    begin,
    identity_of,
    is_https_wanted,
    known_names,
    leave,
    listen,
    lock_folder,
    make_folder,
    page_folder,
    reach_of,
    say_where,
    serve,
    warn_of_open_files,
)
from stillair.config.hall_file import load_hall
from stillair.runtime import hall_wiring
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
    warn_of_open_files(settings)
    make_folder(folder)
    with Access.open(folder) as access:
        proxied_as = checked_names(proxied_as)
        reach = reach_of(host, proxied_as, access, folder)
        host = reach.host
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

            begin(service, reach)
            try:
                serve(
                    pages,
                    service,
                    listener,
                    ready=ready,
                    identity=identity,
                    behind_proxy=bool(proxied_as),
                )
            finally:
                service.stop()
        finally:
            lock.close()
