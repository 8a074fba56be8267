"""The web application: guard, routers, pages."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Container, Mapping, Sequence
from pathlib import Path

from fastapi import APIRouter, FastAPI, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import FileResponse, RedirectResponse
from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.types import Receive, Scope, Send

from stillair import __version__
from stillair.access.certificates import Certificates
from stillair.access.first_code import FirstCode
from stillair.access.passwords import AT_ONCE
from stillair.access.people import Access
from stillair.api import problems
from stillair.api.description import ERRORS, Description
from stillair.api.entry import COOKIE, caller, viewer
from stillair.api.guard import Guard
from stillair.api.packing import Packed
from stillair.api.page_files import VERSIONED, WORKER, PageFiles
from stillair.api.routers import (
    alarm_tests,
    answering,
    answering_tests,
    archive,
    attendance,
    camera_trials,
    chamber_file,
    clips,
    heights,
    job_files,
    job_logs,
    jobs,
    layers,
    live,
    people,
    photographs,
    pictures,
    quiet,
    season,
    session,
    setting_up,
    stopping,
    telephones,
    toolpaths,
    trust,
    watching,
)
from stillair.runtime.changing import Changing
from stillair.runtime.past import Past
from stillair.runtime.service import Service

# What signing in and the page of a link need, and what a telephone asks for by itself, without
# its person's session.
OPEN_FILES = frozenset(
    {
        *("sign-in.js", "answer.js", "answer-test.js", "stillair.css", "icon.svg"),
        *("app.webmanifest", "worker.js", "icon-180.png", "icon-192.png", "icon-512.png"),
        *("badge.png", "js/strings_strangers.js", "js/units.js"),
    }
)


def build(
    service: Service,
    access: Access,
    *,
    pages: Path,
    folder: Path,
    names: Container[str] = (),
    first_code: FirstCode | None = None,
    certificates: Certificates | None = None,
    behind_proxy: bool = False,
    changing: Changing | None = None,
    metrics: bool = False,
) -> FastAPI:
    """The application over a service that runs already.

    `pages` is the folder of the dashboard, `folder` that of the history, `names`
    the host names by which this machine is known, which may grow, `first_code` that for
    the first owner. With `certificates` a page explains how to trust their authority.
    `behind_proxy` nobody is at the machine itself. `changing` writes the chamber files.
    With `metrics` a metrics server may ask.
    """
    parts = (
        watching,
        quiet,
        stopping,
        jobs,
        heights,
        toolpaths,
        layers,
        job_logs,
        job_files,
        photographs,
        clips,
        pictures,
        live,
        session,
        people,
        setting_up,
        chamber_file,
        camera_trials,
        archive,
        alarm_tests,
        answering,
        answering_tests,
        telephones,
        attendance,
        season,
    )
    routers = [part.router for part in parts]
    if metrics:
        # Its library costs 15 ms and half a megabyte, which only who wants it pays.
        from stillair.api.routers.metrics import router as telling
        from stillair.runtime.metrics import Metrics

        routers.append(telling(Metrics(service).text))
    app = application(
        service,
        access,
        [*routers, answering.page(pages)],
        pages=pages,
        folder=folder,
        names=names,
        first_code=first_code,
        certificates=certificates,
        behind_proxy=behind_proxy,
    )
    app.state.changing = changing
    return app


def application(
    service: Past,
    access: Access,
    routers: Sequence[APIRouter],
    *,
    pages: Path,
    folder: Path,
    names: Container[str],
    first_code: FirstCode | None,
    certificates: Certificates | None,
    behind_proxy: bool,
) -> FastAPI:
    """What stands around the routers of a board and of a hall alike."""
    app = FastAPI(
        title="Stillair",
        version=__version__,
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
        responses=ERRORS,
    )
    app.state.service = service
    app.state.access = access
    app.state.folder = folder
    app.state.behind_proxy = behind_proxy
    # Who waits for a password to be looked at waits in the loop, and in no thread that others need.
    app.state.signing_in = asyncio.Semaphore(AT_ONCE)
    app.state.first_code = first_code or FirstCode(time.monotonic)
    description = Description(app, cookie=COOKIE)
    problems.install(app, description.methods, pages / "nowhere.html")
    for router in routers:
        app.include_router(router)

    @app.get("/api/openapi.json", include_in_schema=False)
    def openapi(request: Request) -> Mapping[str, object]:
        viewer(request)
        return description.document()

    files = app.state.page_files = PageFiles(pages)

    def page(name: str, request: Request) -> Response:
        return files.answer(name, request.headers) or FileResponse(pages / name)

    @app.get("/", include_in_schema=False)
    def first_page(request: Request) -> Response:
        if caller(request) is None:
            return RedirectResponse("/sign-in", 303)
        return page("index.html", request)

    @app.get("/sign-in", include_in_schema=False)
    def sign_in_page(request: Request) -> Response:
        return page("sign-in.html", request)

    if certificates is not None:
        app.include_router(trust.router(certificates, pages))

    app.mount("/web", _Pages(pages, files))
    app.add_middleware(Packed)
    app.add_middleware(Guard, names=names)
    return app


class _Pages(StaticFiles):
    """The dashboard's own files; all but `OPEN_FILES` only for people who may see."""

    def __init__(self, directory: Path, files: PageFiles) -> None:
        super().__init__(directory=directory)
        self._files = files

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            name, version = self._named(scope)
            request = Request(scope)
            if name not in OPEN_FILES:
                await run_in_threadpool(viewer, request)  # it asks a disk, which may be slow
            answer = None
            if scope["method"] in ("GET", "HEAD"):
                answer = await run_in_threadpool(
                    self._files.answer, name, request.headers, version=version
                )
            if answer is not None:
                if name == WORKER:
                    # It lies under /web/ and looks after all pages (Service Workers, 5.6).
                    answer.headers["Service-Worker-Allowed"] = "/"
                await answer(scope, receive, send)
                return
        await super().__call__(scope, receive, send)

    def _named(self, scope: Scope) -> tuple[str, str | None]:
        """Which file is asked for, and of which version."""
        path = self.get_path(scope)
        first, _, rest = path.partition("/")
        return (rest, first) if VERSIONED.fullmatch(first) else (path, None)
