"""From chamber files to a running service with its pages, and down again in order."""

from __future__ import annotations

import asyncio
import logging
import os
import signal
import threading
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from urllib.parse import urlsplit

from stillair.access.certificates import Certificates
from stillair.access.first_code import FirstCode
from stillair.access.names import checked_names
from stillair.access.people import Access
from stillair.api import app
from stillair.api.reach import base_address
from stillair.api.starting import (
    NotStartedError,
    begin,
    identity_of,
    is_https_wanted,
    known_names,
    leave,
    listen,
    lock_folder,
    make_folder,
    own_names,
    page_folder,
    reach_of,
    say_where,
    serve,
    warn_of_open_files,
)
from stillair.config import default_chamber, load_chambers
from stillair.errors import InputError, SettingsError, StillairError
from stillair.runtime import found, season_desk, wiring
from stillair.runtime.chamber_file import watched_files
from stillair.runtime.chamber_trial import PROVEN_S, Trial
from stillair.runtime.changing import Changing
from stillair.runtime.labels import boot_id

log = logging.getLogger(__name__)


LEFT = "STILLAIR_LEFT_S"  # when a process began to end in order to start itself again


def run(
    files: tuple[Path, ...],
    folder: Path,
    host: str,
    port: int,
    *,
    say: Callable[[str], None],
    proxied_as: Sequence[str] = (),
    season: bool = False,
    simulated: bool = False,
    metrics: bool = False,
) -> bool:
    """Watch until SIGTERM or SIGINT; returns whether to begin anew.

    Without `files`, by the chamber file that was made on the page, unless there is none or
    `simulated` asks for the built-in chamber. New settings from the page with which nothing
    comes up are put back, and it is tried once more.

    Over HTTPS where a certificate was made. With `proxied_as`, the names under
    which a proxy on this computer is opened, in clear, and for it alone. With `season`
    the built-in chamber begins with a season of simulated jobs, unless it has a history. With
    `metrics` a metrics server may ask.

    Raises `SettingsError`, `InputError`, `NotStartedError` or `CertificateError`
    before anything is watched.
    """
    for option, given in (("--season", season), ("--simulated", simulated)):
        if given and files:
            raise NotStartedError(
                f"{option} is for the built-in simulated chamber: leave it out,"
                " or leave out --chamber"
            )
    trial = Trial(folder, lambda: datetime.now(UTC))
    trial.begin()
    while True:
        watched = watched_files(files, folder, simulated=simulated)
        wanted = season and not watched  # a real chamber has no simulated season
        try:
            return _run(
                watched,
                folder,
                host,
                port,
                say,
                proxied_as,
                trial,
                season=wanted,
                named=bool(files),
                metrics=metrics,
            )
        except (SettingsError, InputError) as error:
            if not trial.pending:
                raise
            try:
                trial.give_back(str(error))
            except StillairError as refused:  # somebody has been at the file
                raise error from refused


def _run(
    files: tuple[Path, ...],
    folder: Path,
    host: str,
    port: int,
    say: Callable[[str], None],
    proxied_as: Sequence[str],
    trial: Trial,
    *,
    season: bool,
    named: bool,
    metrics: bool,
) -> bool:
    chambers = load_chambers(files) if files else (default_chamber(),)
    warn_of_open_files(*chambers)
    make_folder(folder)
    with Access.open(folder) as access:
        proxied_as = checked_names(proxied_as)
        reach = reach_of(host, proxied_as, access, folder)
        host = reach.host
        certificates = Certificates(folder)
        lock = lock_folder(folder)
        signal.signal(signal.SIGTERM, leave)
        again = threading.Event()
        try:
            if files and (aside := _set_aside(folder)):
                say(aside)
            if season or (not files and season_desk.is_wished(folder)):
                say(season_desk.brought_in(folder))
            listener = listen(host, port)
            service = wiring.build(
                chambers,
                folder,
                boot_id=boot_id(),
                has_owner=access.has_owner,
                record=access.act,
            )
            service.setting_up.is_demo = not files
            if not files:
                service.season.begin_anew = partial(_begin_anew, again)
            if not proxied_as:  # else it is the proxy's
                service.setting_up.certificate = lambda: found.certificate(
                    certificates, own_names(), datetime.now(UTC)
                )
            first_code = FirstCode(time.monotonic)
            identity = None
            if not proxied_as and is_https_wanted(certificates, access, host):
                identity = identity_of(certificates, service)
            scheme = "https" if identity else "http"
            wanted = next((s.page.address for s in chambers if s.page.address), None)
            service.answering.base = base_address(wanted, host, port, scheme, proxied_as)
            names = {*known_names(host), *certificates.asked(), *proxied_as}
            if wanted is not None:
                names.add(urlsplit(wanted).hostname or "")

            def look_for_names() -> None:
                names.update(known_names(host), certificates.asked())

            service.housekeeping.each_minute("names", look_for_names)
            changing = Changing(
                files,
                folder,
                trial=trial,
                chambers=service.chambers,
                begin_anew=partial(_begin_anew, again),
                named=named,
                leave=service.season.leave,
            )
            service.setting_up.chamber_file = changing.found
            pages = app.build(
                service,
                access,
                pages=page_folder(),
                folder=folder,
                first_code=first_code,
                names=names,
                certificates=certificates if identity else None,
                behind_proxy=bool(proxied_as),
                changing=changing,
                metrics=metrics,
            )

            def ready() -> None:
                if (left_s := os.environ.pop(LEFT, None)) is not None:
                    trial.took(time.monotonic() - float(left_s))
                if trial.pending:
                    loop = asyncio.get_running_loop()
                    loop.call_later(PROVEN_S, loop.run_in_executor, None, trial.passed)
                if trial.returned:
                    say("A change of the chamber file was put back: its settings didn't come up.")
                for settings in chambers:
                    say(_watching(settings.name, simulated=settings.simulated))
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
                    again=again.is_set,
                )
                trial.passed()  # it ran until it was told to end
            finally:
                changing.finder.stop()
                changing.pins.stop()
                service.stop()
        finally:
            lock.close()
    return again.is_set()


def _set_aside(folder: Path) -> str:
    """What to say of the simulated chamber's history, where it makes room."""
    try:
        return season_desk.set_aside(folder)
    except OSError as error:
        return f"What is kept of the simulated chamber stays among the rest: {error.strerror}."


def _begin_anew(again: threading.Event) -> None:
    """End as on a signal of the service manager, and have the process start itself again."""
    again.set()
    os.environ[LEFT] = str(time.monotonic())  # one clock for all processes of a boot
    os.kill(os.getpid(), signal.SIGTERM)


def _watching(name: str, *, simulated: bool) -> str:
    return f"Watching {name}" + (
        ", a simulated chamber: nothing here is real." if simulated else "."
    )
