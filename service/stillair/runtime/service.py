"""The running service: chambers, what they have kept, and whoever looks.

Writes go in through `command`, reads come out of `history` and `now`; nobody
asks the database in order to decide.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from typing import Any

from stillair import __version__
from stillair.clock import Clock
from stillair.config.materials import weakest
from stillair.errors import CommandRefused, Refusal, StoreError
from stillair.model import Command, Job, Outcome, Timeline
from stillair.runtime import lines, pushing, tested
from stillair.runtime.answering import Answering
from stillair.runtime.chamber import Chamber
from stillair.runtime.clips import Clips
from stillair.runtime.elsewhere import Elsewhere
from stillair.runtime.erasing import Erasing
from stillair.runtime.handing import Handing
from stillair.runtime.job_file_sending import JobFiles
from stillair.runtime.judging import Judging
from stillair.runtime.keeping import ArchiveLoop
from stillair.runtime.kept_weather import KeptWeather
from stillair.runtime.known_before import KnownBefore
from stillair.runtime.looking_back import LookingBack
from stillair.runtime.marks import air_sensors, air_told
from stillair.runtime.moving import Moving
from stillair.runtime.now import chamber_now
from stillair.runtime.past import STORED_S, Answer, NotAnsweredError, Past
from stillair.runtime.pausing import Pausing
from stillair.runtime.photographs import Photographs
from stillair.runtime.pictures import Pictures
from stillair.runtime.plans import readings_plan
from stillair.runtime.season_desk import SeasonDesk
from stillair.runtime.setting_up import SettingUp
from stillair.runtime.toolpaths import Toolpaths
from stillair.runtime.troubles import Troubles
from stillair.runtime.worker import Workshop
from stillair.storage.history import History, Page
from stillair.storage.items import Item, alarm_item, label
from stillair.storage.journal import Entry, Journal
from stillair.storage.records import Parcel
from stillair.storage.writer import JournalWriter
from stillair.thermal.plan import ThermalPlan

log = logging.getLogger(__name__)

ANSWER_S = 5.0  # a command is answered within one round of the loop; this bounds a defect
READ_S = 30.0  # a chamber whose newest reading is older is marked as watched by itself
ON_TIME_S = 5.0  # a loop that has not come round for so long is stuck
SOUNDER_S = 5.0  # the same for a call of the sounder's or relay's output, which may not block
COURIER_S = 60.0  # and for the courier, which comes round within 7 s
A_PART_FAILS = "a part of the service fails: its log says which"


class Service(Past):
    """All chambers of this process; `wiring.build` puts it together.

    Its parts below work for it and tell what becomes of their work, so all are given before
    `start`. `troubles` takes what of the service itself fails.
    """

    writer: JournalWriter
    archive: ArchiveLoop
    before: KnownBefore
    pictures: Pictures
    clips: Clips
    judging: Judging
    pausing: Pausing
    erasing: Erasing
    workshop: Workshop
    weathers: KeptWeather
    job_files: JobFiles
    toolpaths: Toolpaths
    photographs: Photographs
    looking_back: LookingBack
    setting_up: SettingUp
    answering: Answering
    moving: Moving
    season: SeasonDesk

    def __init__(
        self,
        *,
        journal: Journal,
        history: History,
        has_owner: Callable[[], bool],
        clock: Clock,
    ) -> None:
        super().__init__(history)
        self._chambers: dict[str, Chamber] = {}
        self.journal = journal
        self.elsewhere = Elsewhere(history, self._chambers)
        self._has_owner = has_owner
        self._clock = clock
        self.troubles = Troubles(self._chambers, clock)
        self._handing = Handing(clock.now_s)

    # --- put together and run ------------------------------------------------

    def add(self, chamber: Chamber) -> None:
        """Take a chamber in, before `start`."""
        self._chambers[chamber.key] = chamber

    def start(self) -> None:
        """Begin to watch every chamber."""
        with suppress(StoreError):
            self.last_seq = self.history.last_seq()
        self.writer.start()
        self.archive.start()
        self.pictures.start()
        self.clips.start()
        self.pausing.restore()
        for chamber in self._chambers.values():
            chamber.start()
        self.alarm_tests.start()
        self.housekeeping.start()

    def stop(self) -> None:
        """Send the viewers home, stop watching, keep what waits."""
        self.feed.close()
        self.housekeeping.stop()
        self.ways.stop()
        self.alarm_tests.stop()
        for chamber in self._chambers.values():
            chamber.stop()
        self.pictures.stop()
        self.clips.stop()
        self.archive.stop()
        self.writer.stop()
        self.history.close()
        self.journal.close()

    def work(self) -> Mapping[str, Callable[[], Awaitable[None]]]:
        """What goes on in the web server's loop until it is cancelled, by its name."""
        return {
            "courier": self.courier.run,
            "work on earlier jobs": self.looking_back.run,
            "reading of toolpaths": self.toolpaths.run,
        }

    def chambers(self) -> tuple[Chamber, ...]:
        """All chambers of this process."""
        return tuple(self._chambers.values())

    def wall(self) -> datetime:
        """The machine's wall clock."""
        return self._clock.wall()

    def forget(self, job: str) -> None:
        """Tell nothing more of a job that was erased."""
        for chamber in self._chambers.values():
            chamber.stories.forget(job)
            chamber.unsaid.forget(job)
        self.weathers.forget(job)

    def on_time(self) -> bool:
        """Whether all that a restart would cure is as it should be.

        The service manager is told only then. A store that hangs is no reason:
        the next process would hang at its start and not even watch.
        """
        return (
            all(
                chamber.supervisor.on_time(ON_TIME_S)
                and chamber.sounder.on_time(SOUNDER_S)
                and chamber.stop_on_time(SOUNDER_S)
                and chamber.alive
                for chamber in self._chambers.values()
            )
            and self.courier.on_time(COURIER_S)
            and self.writer.alive
            and self.archive.alive
            and self.pictures.alive
            and self.clips.alive
            and self.housekeeping.alive
        )

    # --- what the chambers and the stores tell -----------------------------------

    def keep(self, key: str, outcome: Outcome) -> None:
        """Take what has to be kept and sent; never blocks."""
        chamber = self._chambers[key]
        timeline = chamber.labels.timeline()
        # First, so that a message finds its picture under way.
        self.pictures.happened(key, outcome, timeline)
        self.clips.happened(key, outcome)
        self.alarm_tests.happened(key, outcome)  # before danger goes, no test's message does
        self._handing.take(outcome, timeline, self.writer, self.courier.hand)
        chamber.stories.take(outcome.events, timeline)
        lines.tell(outcome)

    def unwritable(self, parcel: Parcel) -> None:
        """An outcome will never be written: its messages go out all the same."""
        self.courier.hand(self._handing.never_kept(parcel))

    def seen(self, key: str, t_s: float) -> None:
        """A chamber has been watched for another second; never blocks."""
        chamber = self._chambers[key]
        step = chamber.labels.check()
        if step is not None:
            self.troubles.clock_step(chamber.labels, step)
            self.writer.relabel(step.after)
        self.troubles.damage(
            (
                ("journal's file", self.journal.repaired),
                ("readings' file", self.archive.repaired),
                ("journal", _count(self.writer.lost, "outcomes could not be kept")),
                ("readings", _count(self.archive.lost, "readings could not be kept")),
                ("history", _count(self.history.damaged, "rows of readings are damaged")),
                ("pictures", _count(self.pictures.lost, "events or heights have no picture")),
                ("films", _count(self.clips.lost, "films could not be kept")),
            )
        )
        self.troubles.push(self.push.repaired)
        self.troubles.rounds(
            (
                (f"sounder of {key}, which hangs", chamber.sounder.on_time(SOUNDER_S)),
                (f"stop of {key}, which hangs", chamber.stop_on_time(SOUNDER_S)),
                ("the courier, which hangs", self.courier.on_time(COURIER_S)),
            )
        )
        self.writer.check()
        self.archive.check()
        read_s = chamber.tally.read_s
        by_readings = self.archive.keeps and chamber.speed == 1.0 and t_s - read_s <= READ_S
        self.writer.seen(key, chamber.labels.timeline(), t_s, by_readings=by_readings)
        if late := self._handing.late(self.writer):
            self.courier.hand(late)
        self.feed.changed()

    def kept(self, entries: list[Entry]) -> None:
        """The journal has these now: tell the pages, and let the courier go."""
        self.courier.wake()
        if not entries:
            return
        self.last_seq = max(self.last_seq, entries[-1].seq)
        self.feed.entries(tuple(entries))
        self.looking_back.kept(entries)

    # --- what is asked ---------------------------------------------------------

    def is_whole(self) -> bool:
        """Whether the watch itself is: loops on time, history kept, no trouble standing."""
        views = [chamber.supervisor.view for chamber in self._chambers.values()]
        return (
            self.on_time()
            and self.writer.stored
            and not self.troubles
            and not any(c.supervisor.failing for c in self._chambers.values())
            and not any(e.signal_class.value == "trouble" for view in views for e in view.events)
        )

    def now(self, owner: bool = True) -> Item:
        """Everything that the first page shows; where things hang is for owners alone."""
        chambers: list[Any] = [self.now_of(chamber) for chamber in self._chambers.values()]
        told: Item = {
            "version": __version__,
            "at": label(self._clock.wall().timestamp()),
            "simulated": any(chamber["simulated"] for chamber in chambers),
            "stored": self.writer.stored,
            "owner": self._has_owner(),
            "seq": self.last_seq,
            "alarm_test": tested.now(self._chambers.values(), self.alarm_tests.mark),
            "chambers": chambers,
            "elsewhere": dict(self.elsewhere.names),
        }
        return told if owner else self.places.shown(told)

    def now_of(self, chamber: Chamber) -> Item:
        """One chamber's part of that, as owners see it."""
        troubles = [] if self.writer.stored else ["what happens is not stored yet"]
        troubles += [A_PART_FAILS] if chamber.supervisor.failing else []
        ready = tested.readiness(chamber, self.alarm_tests.mark)
        return chamber_now(chamber, chamber.supervisor.view, troubles, ready)

    def chamber(self, key: str | None) -> str:
        """The chamber of that key, or the first. Raises `CommandRefused` (unknown)."""
        if key is None:
            return next(iter(self._chambers))
        if key not in self._chambers:
            raise self.elsewhere.refusal(key, "chamber")
        return key

    def kept_chamber(self, key: str | None) -> str:
        """As `chamber`, also where something of it was brought in and nobody watches it here."""
        return key if key is not None and key in self.elsewhere.names else self.chamber(key)

    def alarms(
        self, after: int, limit: int, chamber: str | None, standing: bool | None
    ) -> tuple[list[Item], int | None]:
        """A page of alarms as they stand this second, whether stored yet or not."""
        page = self.history.alarms(after, limit, chamber=chamber, standing=standing)
        live: dict[str, Item] = {}
        for key, running in self._chambers.items():
            if chamber in (None, key):
                timeline = running.labels.timeline()
                for alarm in running.supervisor.view.alarms:
                    live[alarm.id] = alarm_item(alarm, timeline)
        items: list[Item] = []
        for entry in page.entries:
            newest = live.pop(str(entry.body["id"]), None)
            items.append({**newest, "seq": entry.seq} if newest else entry.body)
        if page.next is None:
            # What is left stands on an earlier page, or is not stored yet.
            items += [item for item in live.values() if self.history.alarm(str(item["id"])) is None]
        return items, page.next

    def job_now(self, job: str) -> tuple[Job, Timeline]:
        """A job in its chamber's present time, and that. Raises `CommandRefused` (unknown)."""
        timeline = self._chambers[self._owner_of(job, "job")].labels.timeline()
        try:
            return self.history.job_in(job, timeline), timeline
        except KeyError:
            raise CommandRefused(Refusal.UNKNOWN, "There is no such job.") from None

    def watched(self, key: str) -> Chamber:
        """The chamber of a key that `chamber` gave."""
        return self._chambers[key]

    def when(self, key: str) -> tuple[float, Timeline]:
        """The present second of a chamber, and the timeline that it is on."""
        chamber = self._chambers[key]
        return chamber.clock.now_s(), chamber.labels.timeline()

    def picture(self, key: str, width: int | None = None) -> tuple[bytes, float] | None:
        """The latest frame as JPEG, at most so wide, and its age in seconds."""
        camera = self._chambers[key].camera
        return camera.latest_jpeg(width) if camera is not None else None

    def is_paused(self, key: str) -> bool:
        """Whether somebody lets the camera look away."""
        camera = self._chambers[key].camera
        return camera is not None and camera.paused_until_s is not None

    def picture_is_due(self, key: str) -> bool:
        """Whether the camera has only just been started, so that its first picture will come."""
        camera = self._chambers[key].camera
        return camera is not None and camera.is_starting

    def chamber_time_s(self, key: str) -> float:
        """Now, by the clock of a chamber; of one that nobody watches here the machine's."""
        if (chamber := self._chambers.get(key)) is None:
            return self.wall().timestamp()
        return chamber.labels.timeline().epoch_s(chamber.clock.now_s())

    def air_of(self, job: str) -> tuple[str, ...]:
        """The sensors that were in the air of a job's chamber, also where nobody watches it now.

        Raises `CommandRefused` where that isn't known.
        """
        key = str(self.job(job)["chamber"])
        if (chamber := self._chambers.get(key)) is not None:
            return air_sensors(chamber.settings)
        for under in reversed(self.history.settings().of_job(job)):
            if under.told is not None and (air := air_told(under.told)):
                return air
        raise self.elsewhere.refusal(key, "chamber")

    def last_sound(self, key: str) -> dict[str, Any]:
        """The last sound job's air beside the last hour of the one that runs, in columns."""
        chamber = self._chambers[key]
        times_s, sensors = chamber.last_sound.lines(chamber.supervisor.view.job)
        timeline = chamber.labels.timeline()
        return {"time_s": [round(timeline.epoch_s(t_s), 3) for t_s in times_s], "sensors": sensors}

    def missed(self, last: int, limit: int) -> Page:
        """What a page that was away has to be told of the ledger, after a number."""
        return self.history.since(last, limit)

    def toolpath_of(self, job: str) -> str | None:
        """The id of the toolpath that a job follows."""
        return self.toolpaths.of_job(job)

    def with_telephones(self) -> tuple[str, ...]:
        """Whose telephones may join."""
        return pushing.people(chamber.settings for chamber in self._chambers.values())

    async def what_if(
        self,
        job: str,
        change: Callable[[ThermalPlan], ThermalPlan],
        material: str | None = None,
    ) -> list[Item]:
        """What would have been told of a job with other settings than its chamber has now.

        Raises `CommandRefused` for an unknown job, and where it can't be worked out.
        """
        key = self.chamber(str(self.job(job)["chamber"]))
        now = readings_plan(self._chambers[key].settings)
        await self.archive.write_out()
        after = replace(now, thermal=change(now.thermal))
        return await self.workshop.what_if(job, now, after, material)

    def bears_c(self, job: str) -> float:
        """What the weakest material of a job's box bears, degrees Celsius."""
        key = self.chamber(str(self.job(job)["chamber"]))
        return weakest(self._chambers[key].settings.chamber.enclosure)[1]

    # --- what is commanded -------------------------------------------------------

    async def command(self, key: str, make: Callable[[float], Command]) -> Answer:
        """Have a chamber carry out what `make` gives for its present second.

        Raises `CommandRefused`, or `NotAnsweredError` if its loop is stuck.
        """
        chamber = self._chambers[key]
        future = chamber.supervisor.submit(make(chamber.clock.now_s()))
        try:
            outcome = await asyncio.wait_for(asyncio.wrap_future(future), ANSWER_S)
        except TimeoutError:
            raise NotAnsweredError("the watch did not answer in time") from None
        stored = outcome.empty or await asyncio.to_thread(self.writer.flush, STORED_S)
        return Answer(outcome.created, stored)

    async def job_command(self, job: str, make: Callable[[float], Command]) -> Answer:
        """A command about a job, to the chamber it belongs to."""
        if "x" in job.rpartition("-")[2]:  # brought in: only the history knows whether it is
            await asyncio.to_thread(self.job, job)
        return await self.command(self._owner_of(job, "job"), make)

    async def alarm_command(self, alarm: str, make: Callable[[float], Command]) -> Answer:
        """A command about an alarm, to the chamber it belongs to."""
        return await self.command(self._owner_of(alarm, "alarm"), make)

    async def test_command(self, test: str, make: Callable[[float], Command]) -> Answer:
        """A word on an alarm test, to the chamber it belongs to."""
        return await self.command(self._owner_of(test, "alarm test"), make)

    def _owner_of(self, name: str, what: str) -> str:
        """The chamber in a job's or an alarm's id."""
        key = name.rpartition("-")[0]
        if key not in self._chambers:
            raise self.elsewhere.refusal(key, what)
        return key


def _count(number: int, what: str) -> str | None:
    return f"{number} {what}" if number else None
