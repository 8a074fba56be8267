"""What the service answers about layers: it gathers what is known and has the rest worked out."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from stillair.errors import CommandRefused, InputError, Refusal
from stillair.late import Late
from stillair.runtime.kept_weather import rests_on
from stillair.runtime.marks import air_sensors, sensor_marks
from stillair.runtime.past import Past
from stillair.runtime.service import Service
from stillair.storage.items import Item

if TYPE_CHECKING:
    from stillair.runtime import beside as held
    from stillair.runtime import foreseeing, weathering
else:
    held = Late("stillair.runtime.beside")
    foreseeing = Late("stillair.runtime.foreseeing")
    weathering = Late("stillair.runtime.weathering")


def job_time_s(service: Past, job: str) -> float:
    """Now, by the clock of the job's chamber: one that is played is at another time."""
    return service.chamber_time_s(job.rpartition("-")[0])


async def job_weather(service: Service, job: str) -> Item:
    """What each layer of a job met; see `weathering`. Of a job that is over it is kept.

    Raises `CommandRefused` and `StoreError`.
    """
    key = str(service.job(job)["chamber"])
    air = await asyncio.to_thread(service.air_of, job)
    asked = weathering.Weathered(job, key, air, service.chamber_time_s(key))
    # Before it is computed: what becomes known meanwhile makes another mark.
    mark = await asyncio.to_thread(rests_on, service.history, asked)
    if mark and (kept := await asyncio.to_thread(service.weathers.get, job, mark)) is not None:
        return kept
    await service.archive.write_out()
    found = await _worked_out(service.workshop.weather(asked))
    if mark:
        await asyncio.to_thread(_keep, service, job, mark, found)
    return found


def _keep(service: Service, job: str, mark: str, found: Item) -> None:
    service.weathers.put(job, mark, found)
    if service.history.job(job) is None:  # erased meanwhile
        service.weathers.forget(job)


async def job_beside(service: Service, job: str, beside: str) -> Item:
    """What a job is held against; see `beside`. Raises `CommandRefused`."""
    watched = service.watched(service.chamber(str(service.job(job)["chamber"])))
    await service.archive.write_out()
    asked = held.HeldAgainst(
        job=job,
        beside=beside,
        air=air_sensors(watched.settings),
        now_s=watched.labels.timeline().epoch_s(watched.clock.now_s()),
        marks=sensor_marks(watched.settings),
    )
    return await _worked_out(service.workshop.beside(asked))


async def look_before(service: Service, toolpath: str, chamber: str | None, material: str) -> Item:
    """The remarks before a job; see `foreseeing`. Raises `CommandRefused`."""
    service.toolpaths.one(toolpath)
    watched = service.watched(service.chamber(chamber))
    settings = watched.settings
    zone = settings.chamber.timezone
    begins_at = watched.labels.timeline().at(watched.clock.now_s())
    asked = foreseeing.LookedAt(
        toolpath=toolpath,
        material=material,
        chamber=foreseeing.facts(settings, watched.supervisor.view.thermal),
        begins_at=begins_at.astimezone(ZoneInfo(zone) if zone else None).isoformat(),
        limits=settings.before.thresholds,
    )
    return await _worked_out(service.workshop.look_before(asked))


async def _worked_out(answer: Awaitable[Item]) -> Item:
    try:
        return await answer
    except InputError as error:
        raise CommandRefused(Refusal.CONFLICT, f"{_sentence(str(error))}.") from None
    except TimeoutError:
        raise CommandRefused(
            Refusal.CONFLICT, "It took too long and was given up: ask again in a minute."
        ) from None


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]
