"""What the service works out of jobs that are over, beside the watch.

Some things, a few times a minute and never in the watch's thread: the diagnosis
of each job once its box has cooled, its figures anew where they are by an earlier rule or
somebody has corrected the job's times since, the curve of the last sound job of the part
that is being built, and which job's outcome is still to be told. What is missing
is found in the journal, so nothing is lost when the service stops between a job's
end and its diagnosis.
"""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import replace

from stillair.errors import StillairError, StoreError
from stillair.model import Job, JobDiagnosis, JobPhase, Outcome, Phase, Place, Timeline
from stillair.runtime.chamber import Chamber
from stillair.runtime.comparing import Curve, same_part, same_sensors, soak_of
from stillair.runtime.diagnosing import (
    AFTER_S,
    Diagnosed,
    epoch_s,
    is_outdated,
    outdated,
    over_of,
    renewed,
)
from stillair.runtime.keeping import ArchiveLoop
from stillair.runtime.marks import air_sensors, box_mark, sensor_marks
from stillair.runtime.worker import Workshop
from stillair.storage.history import History
from stillair.storage.journal import Entry

log = logging.getLogger(__name__)

EVERY_S = 20.0  # a box cools in hours
LAST_JOBS = 20  # looked through for those without a diagnosis
TRIES = 3


class LookingBack:
    """Diagnose jobs that are over, and find what running ones are held against."""

    def __init__(
        self,
        *,
        history: History,
        archive: ArchiveLoop,
        workshop: Workshop,
        chambers: Callable[[], Iterable[Chamber]],
        keep: Callable[[Outcome, Timeline], None],
        every_s: float = EVERY_S,
    ) -> None:
        self._history = history
        self._archive = archive
        self._workshop = workshop
        self._chambers = chambers
        self._keep = keep
        self._every_s = every_s
        self._tries: dict[str, int] = {}  # of jobs whose diagnosis failed or is being kept
        self._loop: asyncio.AbstractEventLoop | None = None
        self._news = asyncio.Event()
        self._soaked: set[str] = set()  # running jobs of which it is known when
        self._logged: dict[str, str] = {}  # by chamber: the error that was told last
        self._outdated: dict[str, deque[str]] = {}  # by chamber: jobs to be measured anew
        self._against: dict[str, tuple[str, str]] = {}  # by chamber: a job and its last sound one

    async def run(self) -> None:
        """Until cancelled."""
        self._loop = asyncio.get_running_loop()
        while True:
            self._news.clear()
            for chamber in self._chambers():
                try:
                    await self._ask_of(chamber)
                    await self._diagnose(chamber)
                    await self._measure_anew(chamber)
                    await self._compare(chamber)
                except (StoreError, OSError) as error:
                    self._log(chamber, error)
                except Exception as error:
                    # One job that nobody understands must not end the work on all others.
                    self._log(chamber, error, exc_info=True)
            with suppress(TimeoutError):
                await asyncio.wait_for(self._news.wait(), self._every_s)

    def _log(self, chamber: Chamber, error: Exception, *, exc_info: bool = False) -> None:
        """Tell an error once, not each time it comes again."""
        if self._logged.get(chamber.key) != str(error):
            self._logged[chamber.key] = str(error)
            log.warning(
                "%s: nothing can be looked back on: %s", chamber.key, error, exc_info=exc_info
            )

    def kept(self, entries: Iterable[Entry]) -> None:
        """Go on at once if a job has begun or ended, or somebody said how one came out.

        From any thread. Of a job's changes most only tell its height.
        """
        news = False
        for entry in entries:
            over = entry.topic == "job" and entry.body["state"] == JobPhase.FINISHED.value
            news |= over or entry.topic in ("outcome", "log")
            news |= entry.topic == "job" and entry.body["height_mm"] is None
            waiting = self._outdated.get(str(entry.body.get("chamber")))
            if over and waiting is not None:  # or was over, and its times have been corrected
                waiting.appendleft(str(entry.body["id"]))
        if news and self._loop is not None:
            with suppress(RuntimeError):  # the loop has ended
                self._loop.call_soon_threadsafe(self._news.set)

    async def _ask_of(self, chamber: Chamber) -> None:
        """Find out whether a job is over of which nobody has said how it came out."""
        now_s = chamber.labels.timeline().epoch_s(chamber.clock.now_s())
        await asyncio.to_thread(chamber.unsaid.find, self._history, chamber.key, now_s)

    # --- diagnosis ---------------------------------------------------------------

    async def _diagnose(self, chamber: Chamber) -> None:
        box = box_mark(chamber.settings)
        jobs = await asyncio.to_thread(self._history.undiagnosed, chamber.key, box, LAST_JOBS)
        # The oldest first: each belongs to the past of the next.
        for job in reversed(jobs):
            if self._tries.get(job.id, 0) >= TRIES:
                continue
            if not await asyncio.to_thread(self._has_cooled, chamber, job):
                return
            self._tries[job.id] = self._tries.get(job.id, 0) + 1
            found = await self._ask(chamber, job)
            if found is None:
                return
            self._tries[job.id] = TRIES
            t_s = chamber.clock.now_s()
            kept = Outcome(chamber.key, t_s, diagnoses=(replace(found, t_s=t_s),))
            self._keep(kept, chamber.labels.timeline())
            if found.text:
                log.info("%s: %s", job.id, found.text)

    def _has_cooled(self, chamber: Chamber, job: Job) -> bool:
        """Whether no later reading can say more of a job's cool-down."""
        if self._history.next_start_s(job.id) is not None:
            return True
        view = chamber.supervisor.view
        if view.job is not None and view.job.id != job.id:
            return True
        item = self._history.job(job.id)
        finished_s = epoch_s(item["finished_at"]) if item else None
        now_s = chamber.labels.timeline().epoch_s(chamber.clock.now_s())
        if finished_s is None or now_s - finished_s > AFTER_S:
            return True
        return view.thermal.phase is Phase.COLD

    async def _measure_anew(self, chamber: Chamber) -> None:
        """One job at a time, the last ones first: others wait for the worker, too."""
        if chamber.key not in self._outdated:
            jobs = await asyncio.to_thread(outdated, self._history, chamber.key)
            self._outdated[chamber.key] = deque(jobs)
        if not self._outdated[chamber.key]:
            return
        job = self._outdated[chamber.key].popleft()
        item = await asyncio.to_thread(self._history.job, job)
        if item is not None and is_outdated(item):
            (kept,) = await asyncio.to_thread(self._history.diagnoses, chamber.key, [job])
            asked = self._asked(chamber, job, kept.box)
            same = asked.air_marks == kept.sensors
            found = await self._answer(asked) if same else None
            if found is not None or not same:
                t_s = chamber.clock.now_s()
                over = await asyncio.to_thread(over_of, self._history, job)
                told = replace(renewed(kept, found, over), t_s=t_s)
                self._keep(Outcome(chamber.key, t_s, diagnoses=(told,)), chamber.labels.timeline())

    async def _ask(self, chamber: Chamber, job: Job) -> JobDiagnosis | None:
        await self._archive.write_out()
        return await self._answer(self._asked(chamber, job.id, job.box))

    def _asked(self, chamber: Chamber, job: str, box: str) -> Diagnosed:
        sensors = chamber.settings.sensors
        return Diagnosed(
            job=job,
            chamber=chamber.key,
            box=box,
            air=tuple(s.name for s in sensors if s.place is Place.CHAMBER),
            room=tuple(s.name for s in sensors if s.place is Place.ROOM),
            sensors=sensor_marks(chamber.settings),
            target_c=chamber.settings.chamber.target_c,
        )

    async def _answer(self, asked: Diagnosed) -> JobDiagnosis | None:
        try:
            return await self._workshop.diagnosis(asked)
        except (StillairError, TimeoutError, ValueError) as error:
            log.warning("%s: its box can't be diagnosed: %s", asked.job, error)
            return None

    # --- comparison --------------------------------------------------------------------

    async def _compare(self, chamber: Chamber) -> None:
        """Give the chamber the last sound job of what is being built, if there is one."""
        job = chamber.supervisor.view.job
        if job is None:
            self._against.pop(chamber.key, None)
            return
        sound = await asyncio.to_thread(self._history.sound_jobs, chamber.key)
        last = next((other for other in sound if same_part(job, other)), None)
        if last is None:
            chamber.last_sound.compare_with(job.id, None)
            self._against.pop(chamber.key, None)
            return
        if self._against.get(chamber.key) != (job.id, last.id):
            # Tried once: a job that can't be read now can't be read in 20 s either.
            self._against[chamber.key] = (job.id, last.id)
            chamber.last_sound.compare_with(job.id, await self._curve(chamber, last))
            self._soaked.discard(job.id)
        if job.id not in self._soaked:
            soak_s = await asyncio.to_thread(soak_of, self._history, job.id)
            if soak_s is not None:
                self._soaked.add(job.id)
                chamber.last_sound.soaked(soak_s)

    async def _curve(self, chamber: Chamber, last: Job) -> Curve | None:
        """The curve of a job, with the sensors that are still the same."""
        now = sensor_marks(chamber.settings)
        diagnosed = await asyncio.to_thread(self._history.diagnoses, chamber.key, [last.id])
        then = diagnosed[-1].sensors if diagnosed else {}
        names = same_sensors(air_sensors(chamber.settings), now, then)
        try:
            return await self._workshop.curve(last.id, names)
        except (StillairError, TimeoutError) as error:
            log.warning("%s: it can't be compared with: %s", last.id, error)
            return None
