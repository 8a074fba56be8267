"""The web application of a hall: of a board's routers what both answer alike, and its own."""

from __future__ import annotations

from collections.abc import Container
from pathlib import Path

from fastapi import APIRouter, FastAPI
from fastapi.routing import APIRoute

from stillair.access.certificates import Certificates
from stillair.access.first_code import FirstCode
from stillair.access.people import Access
from stillair.api.app import application
from stillair.api.routers import (
    alarm_tests,
    hall,
    heights,
    job_logs,
    jobs,
    live,
    people,
    session,
    telephones,
    watching,
)
from stillair.runtime.hall_service import HallService

# What a board and a hall answer alike; all else of these routers is a board's alone.
OF_BOTH = frozenset(
    {
        *(watching.health, watching.now, watching.events, watching.alarms, watching.readings),
        *(jobs.jobs, jobs.one, jobs.notes, jobs.readings, jobs.job_stages, jobs.unlike_others),
        *(heights.columns, heights.when, job_logs.one),
        *(alarm_tests.alarm_tests, alarm_tests.confirm),
    }
)


def build(
    service: HallService,
    access: Access,
    *,
    pages: Path,
    folder: Path,
    names: Container[str] = (),
    first_code: FirstCode | None = None,
    certificates: Certificates | None = None,
    behind_proxy: bool = False,
    metrics: bool = False,
) -> FastAPI:
    """The application over a hall that runs already; the parameters as those of `app.build`."""
    shared = APIRouter()
    for part in (watching, jobs, heights, job_logs, alarm_tests):
        for route in part.router.routes:
            if isinstance(route, APIRoute) and route.endpoint in OF_BOTH:
                shared.routes.append(route)
    routers = [shared, live.router, session.router, people.router, telephones.router, hall.router]
    if metrics:
        from stillair.api.routers.metrics import router as telling
        from stillair.runtime.hall_metrics import HallMetrics

        routers.append(telling(HallMetrics(service).text))
    return application(
        service,
        access,
        routers,
        pages=pages,
        folder=folder,
        names=names,
        first_code=first_code,
        certificates=certificates,
        behind_proxy=behind_proxy,
    )
