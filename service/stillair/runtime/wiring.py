"""The service put together: the only place that names concrete classes."""

from __future__ import annotations

import json
import logging
import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from uuid import uuid4

from stillair import __version__
from stillair.access.answers import LASTS, Answers
from stillair.alerts.courier import Courier
from stillair.alerts.push import SCHEME
from stillair.alerts.sounder import SounderLoop
from stillair.clock import Clock, FasterClock, SystemClock
from stillair.config import ChamberSettings
from stillair.fire.vision import Sight
from stillair.hall.cursors import FILE_NAME as HALL
from stillair.media.files import PictureFiles
from stillair.media.films import FilmFiles
from stillair.media.ring import LATE_S, SPAN_S, FrameRing
from stillair.model import (
    AT_WORK,
    CameraState,
    Job,
    Movement,
    Particles,
    Reading,
    Sign,
)
from stillair.runtime import backup, learned, memory
from stillair.runtime.alarm_tests import AlarmTests
from stillair.runtime.answering import Answering
from stillair.runtime.backup import ARCHIVE, JOURNAL
from stillair.runtime.chamber import Chamber, Reads
from stillair.runtime.clips import Clips
from stillair.runtime.company import Company, heartbeat_of, machine_of, neighbours_of
from stillair.runtime.comparing import LastSound
from stillair.runtime.drivers import Drivers, sounder_of
from stillair.runtime.erasing import Erasing
from stillair.runtime.halls import Halls
from stillair.runtime.job_file_sending import JobFiles
from stillair.runtime.judging import Judging
from stillair.runtime.keeping import ArchiveLoop
from stillair.runtime.kept_weather import WEATHER, KeptWeather
from stillair.runtime.known_before import KnownBefore
from stillair.runtime.labels import Labels
from stillair.runtime.lapsing import Eye
from stillair.runtime.looking_back import LookingBack
from stillair.runtime.machine import scripted
from stillair.runtime.moving import Moving
from stillair.runtime.pausing import Pausing
from stillair.runtime.photographs import Photographs
from stillair.runtime.pictures import Pictures
from stillair.runtime.plans import watch_plan
from stillair.runtime.pushing import push_route
from stillair.runtime.reaching import routes_of, trials
from stillair.runtime.redacting import Places
from stillair.runtime.schedule import Housekeeping
from stillair.runtime.season_desk import SeasonDesk
from stillair.runtime.service import Service
from stillair.runtime.setting_up import SettingUp
from stillair.runtime.settings_told import settings_told
from stillair.runtime.stopping import MachineStop
from stillair.runtime.stories import Stories
from stillair.runtime.supervisor import Checked, Supervisor, WiredContact
from stillair.runtime.switching import machine_stops, route_trouble, stop_routes
from stillair.runtime.tally import Tally
from stillair.runtime.tested import mark_with
from stillair.runtime.toolpaths import MachineSettings, Toolpaths
from stillair.runtime.unsaid import Unsaid
from stillair.runtime.watching import vision_of
from stillair.runtime.ways_tried import WaysTried
from stillair.runtime.worker import Workshop
from stillair.sensing.board_files import read_board
from stillair.sensing.camera_loop import CameraLoop
from stillair.sensing.neighbours import AskedNeighbour
from stillair.sensing.protocols import Frame, Sensor
from stillair.sensing.reader import ParticleReader, SensorReader, read_particles, read_sensor
from stillair.storage.archive import Archive
from stillair.storage.emergency import EmergencyJournal
from stillair.storage.history import History
from stillair.storage.journal import Journal
from stillair.storage.retention import Retention, RetentionPlan
from stillair.storage.writer import JournalWriter
from stillair.watch import Watch, WatchView

log = logging.getLogger(__name__)

EMERGENCY = "emergency.journal"
CATCH_UP_S = 0.5  # who asks how a job went gets the newest heights too, from a disk that answers
PICTURES, TOOLPATHS, CLIPS = "pictures", "toolpaths", "clips"  # folders
READING_S = 1800.0  # for the largest toolpath on the slowest board


def build(
    chambers: Sequence[ChamberSettings],
    folder: Path,
    *,
    boot_id: str,
    has_owner: Callable[[], bool],
    record: Callable[..., object] = lambda *_, **__: None,
) -> Service:
    """Everything of one process, ready to start; `record` puts on record what a hall has done.

    Raises `InputError` for a recording that can't be played and
    `SettingsError` for a scenario that can't. A store that can't be opened
    raises nothing: watching comes first, and the fault is told.
    """
    clock = SystemClock()
    archive = Archive(folder / ARCHIVE, wall=clock.wall, memory_folder=memory.folder())
    service = Service(
        journal=Journal(folder / JOURNAL, wall=clock.wall),
        history=History(
            folder / JOURNAL,
            folder / ARCHIVE,
            archive,
            lambda: service.writer.catch_up(CATCH_UP_S),
        ),
        has_owner=has_owner,
        clock=clock,
    )
    service.writer = JournalWriter(
        service.journal,
        EmergencyJournal(folder / EMERGENCY),
        on_entries=service.kept,
        on_trouble=lambda failing: service.troubles.journal(failing, service.writer.reason),
        on_lost=service.unwritable,
    )
    service.archive = ArchiveLoop(archive, service.troubles.archive, also=service.history.catch_up)
    service.before = KnownBefore(
        service.journal, service.history, folder / ARCHIVE, service.writer.recover
    )
    files = PictureFiles(folder / PICTURES)
    service.pictures = Pictures(
        files,
        service.journal,
        clock=clock,
        on_trouble=service.troubles.pictures,
    )
    service.clips = Clips(
        FilmFiles(folder / CLIPS),
        service.journal,
        clock=clock,
        on_trouble=service.troubles.clips,
    )
    service.photographs = Photographs(
        files=files, journal=service.journal, history=service.history, when=service.when
    )
    service.erasing = Erasing(
        journal=service.journal,
        archive=archive,
        history=service.history,
        pictures=service.pictures,
        clips=service.clips,
        flush=service.writer.flush,
        forget=service.forget,
        is_handed_on=(folder / HALL).exists,
        wall=clock.wall,
    )
    service.season = SeasonDesk(
        folder,
        journal=service.journal,
        archive=archive,
        history=service.history,
        erase=service.erasing.job,
    )
    service.pausing = Pausing(folder, service.chambers, clock)
    service.judging = Judging(
        history=service.history, writer=service.writer, chambers=service.chambers
    )
    service.housekeeping = Housekeeping(
        Retention(service.journal, archive, _retention_plan(chambers)),
        clock.wall,
        lambda at: backup.make(folder, None, at),
        lambda: backup.make_room(folder, clock.wall()),
        service.troubles.backup,
    )
    service.housekeeping.each_minute("camera pauses", service.pausing.tidy)
    service.push = push_route(chambers, folder, clock)
    service.ways = WaysTried(trials(chambers), service.troubles.route)
    service.setting_up = SettingUp(
        chambers=service.chambers,
        troubles=service.troubles,
        # Files alone: in the hardened unit the firmware's own program has no device to ask.
        board=lambda: read_board(folder, clock.wall(), program=None),
        has_owner=has_owner,
        ways=service.ways,
        telephones=service.push.telephones,
    )
    service.housekeeping.each_minute("ways to people", service.ways.begin, second=37, at_once=True)
    service.housekeeping.each_minute("computer", service.setting_up.look, second=29, at_once=True)

    def watched_elsewhere() -> None:
        service.elsewhere.look()
        service.elsewhere.close(clock.wall().timestamp(), service.writer.put)

    service.housekeeping.each_minute("brought in", watched_elsewhere, at_once=True)

    def brought_in() -> None:
        service.elsewhere.look()
        service.clips.brought_in()

    service.places = Places(chambers)
    service.moving = Moving(
        folder,
        names=lambda: service.elsewhere.names | {each.key: each.chamber.name for each in chambers},
        write_out=service.archive.write_out,
        look=brought_in,
    )
    service.housekeeping.each_minute("archives", service.moving.tidy, at_once=True)
    service.workshop = Workshop(folder)
    service.weathers = KeptWeather(folder / WEATHER)
    service.job_files = JobFiles(folder)
    service.toolpaths = Toolpaths(
        folder / TOOLPATHS,
        journal=service.journal,
        kept=service.history.toolpaths,
        workshop=Workshop(folder, patience_s=READING_S),
        machines={
            settings.key: MachineSettings(settings.machine.limits, settings.toolpaths.folder)
            for settings in chambers
        },
        wall=clock.wall,
    )
    service.looking_back = LookingBack(
        history=service.history,
        archive=service.archive,
        workshop=service.workshop,
        chambers=service.chambers,
        keep=service.writer.put,
    )
    stops = machine_stops(chambers, service.troubles, clock)
    service.alarm_tests = AlarmTests(
        folder,
        chambers=service.chambers,
        tries=service.history,
        keep=service.keep,
        withdraw=service.journal.withdraw,
        forget=lambda keys: service.courier.withdraw(keys),
        mark=mark_with(service.push.telephones),
        wall=clock.wall,
        check_stop=lambda key: stops[key].tried() if key in stops else None,
    )
    service.housekeeping.each_minute("alarm tests", service.alarm_tests.look, second=11)
    service.answering = Answering(
        Answers(folder), chambers=service.chambers, kept=service.history, wall=clock.wall
    )
    look = partial(service.answering.look, service.journal)
    look()  # now, so that no message waits for it
    service.housekeeping.each_minute("answer links", look, second=11)
    service.setting_up.links = service.answering.found
    service.courier = Courier(
        service.journal,
        {
            **routes_of(
                chambers,
                picture=service.pictures.of_alarm,
                wall=clock.wall,
                link_ends=lambda: clock.wall() + LASTS,
            ),
            SCHEME: service.push,
            **stop_routes(stops),
        },
        clock=clock,
        chance=random.Random().random,
        on_trouble=partial(route_trouble, service.troubles),
        link_for=service.answering.link_for,
    )
    labels = Labels(clock, boot_id)
    service.elsewhere.look()
    halls = Halls(folder, archive, clock, record)
    for settings in chambers:
        stop = stops.get(settings.key)
        service.add(_chamber(settings, service, archive, halls, clock, labels, stop))
    return service


def _chamber(
    settings: ChamberSettings,
    service: Service,
    archive: Archive,
    halls: Halls,
    machine_clock: Clock,
    machine_labels: Labels,
    stop: MachineStop | None,
) -> Chamber:
    key = settings.key
    clock, labels = machine_clock, machine_labels
    checked: list[Checked] = []
    tally = Tally(machine_clock.now_s)
    if settings.speed != 1.0:
        clock = faster = _faster_clock(settings, service, machine_clock)
        checked.append(faster)
        faster.check(clock.now_s())  # its time waits for the loop's beginning, too
        # Its seconds begin anew with each process, so they are a boot of their own.
        labels = Labels(clock, uuid4().hex)
    drivers = Drivers(settings, clock)
    supervisor: Supervisor

    def keep_reading(reading: Reading) -> None:
        at_s = labels.timeline().epoch_s(reading.t_s)
        archive.add(key, reading.sensor, at_s, reading.temperature_c)
        if hall is not None:
            hall.told(reading.sensor, at_s)
        tally.reading(reading)

    last_sound = LastSound()

    def seen(view: WatchView) -> None:
        last_sound.seen(view)
        if view.t_s is not None:
            service.seen(key, view.t_s)

    def put(told: Reading | Particles | CameraState | Sign | Movement) -> None:
        supervisor.put(told)

    loops: list[Reads] = []
    instant: list[Callable[[float], Reading | Particles | None]] = []
    for of in settings.sensors:
        sensor = drivers.sensor(of)
        if sensor.blocking:
            reader = SensorReader(sensor, put, clock, correction_k=of.correction_k)
            loops.append(reader)
            checked.append(reader)
        else:
            instant.append(partial(read_sensor_at, sensor, of.correction_k))
    for counter in map(drivers.particles, settings.particles):
        if counter.blocking:
            counting = ParticleReader(counter, put, clock)
            loops.append(counting)
            checked.append(counting)
        else:
            instant.append(partial(read_particles, counter))
    camera = drivers.camera()
    camera_loop: CameraLoop | None = None
    if camera is not None:
        vision = vision_of(settings)
        ring = FrameRing(span_s=SPAN_S + LATE_S * settings.speed)
        on_frame = service.pictures.watch(key, settings.family.value, ring)
        service.clips.watch(_eye(settings, service, ring))

        def take(frame: Frame, sight: Sight) -> None:
            tally.picture()
            on_frame(frame, sight)

        camera_loop = CameraLoop(
            camera,
            clock,
            vision,
            put,
            take,
            on_pause=partial(_look_away, service, key),
        )
        checked.append(camera_loop)
    sounder = SounderLoop(
        sounder_of(settings),
        machine_clock,
        partial(service.troubles.sounder, key),
        partial(service.alarm_tests.sounded, key),
    )
    told = machine_of(settings, drivers, clock, lambda trouble: supervisor.put(trouble))
    if told is not None:
        checked.append(told[1])
    neighbours = neighbours_of(settings, drivers, clock, lambda told: supervisor.put(told))
    for _, neighbour in neighbours:
        checked.append(neighbour)
        if isinstance(neighbour, AskedNeighbour):
            loops.append(neighbour)
    beat = heartbeat_of(
        settings,
        machine_clock,
        watching=service.on_time,
        whole=service.is_whole,
        on_trouble=service.troubles.route,
    )
    if beat is not None:
        loops.append(beat)
    hall = halls.publisher(settings, service)
    if hall is not None:
        loops.append(hall)
    known = service.before.learned(key)
    before = service.before.memory(key, labels.timeline(), clock.now_s())
    supervisor = Supervisor(
        name=settings.name,
        watch=Watch(
            watch_plan(settings),
            replace(before, afterwards=learned.afterwards_from_text(known)),
            learned.from_text(known, settings),
        ),
        clock=clock,
        sounder=sounder,
        relay=stop,
        sink=partial(service.keep, key),
        on_reading=keep_reading,
        on_view=seen,
        on_learned=lambda balance, afterwards: service.writer.remember(
            key, learned.to_text(balance, afterwards, settings)
        ),
        instant=instant,
        contacts=[WiredContact(c.name, c.kind, drivers.contact(c)) for c in settings.contacts],
        checked=checked,
        script=told[0].commands if told else scripted(settings, drivers, service.elsewhere),
        label=lambda t_s: labels.timeline().at(t_s),
    )
    service.journal.made_with[key] = f"{__version__} {settings.fingerprint}"
    service.journal.settings[key] = json.dumps(settings_told(settings))
    return Chamber(
        key=key,
        settings=settings,
        clock=clock,
        speed=settings.speed,
        labels=labels,
        stories=Stories(
            key,
            service.before.last_hour(key, labels.timeline().epoch_s(clock.now_s())),
            standing=before.events,
        ),
        last_sound=last_sound,
        unsaid=Unsaid(),
        supervisor=supervisor,
        loops=tuple(loops),
        sounder=sounder,
        machine_stop=stop,
        camera=camera_loop,
        company=Company(beat, neighbours, told[1] if told else None, hall),
        drivers=drivers,
        tally=tally,
    )


def _eye(settings: ChamberSettings, service: Service, ring: FrameRing) -> Eye:
    """A chamber's camera as far as films go."""
    key = settings.key

    def job() -> tuple[bool, Job | None]:
        view = service.watched(key).supervisor.view
        at_work = view.job is not None and view.job.state in AT_WORK
        return view.t_s is not None, view.job if at_work else None

    return Eye(
        key=key,
        origin=settings.family.value,
        zone=settings.chamber.timezone,
        ring=ring,
        wanted=settings.clips,
        now=partial(service.when, key),
        is_paused=partial(service.is_paused, key),
        job=job,
    )


def _look_away(service: Service, key: str) -> None:
    """Let go of a camera's last seconds, and end what was being filmed."""
    service.pictures.forget(key)
    service.clips.pause(key)


def _retention_plan(chambers: Sequence[ChamberSettings]) -> RetentionPlan:
    """One file holds all chambers, so their megabytes add up; days are each one's own."""
    return RetentionPlan(
        keep_days=max(settings.history.keep_days for settings in chambers),
        keep_mb=sum(settings.history.keep_mb for settings in chambers),
        chamber_days={settings.key: settings.history.keep_days for settings in chambers},
    )


def read_sensor_at(sensor: Sensor, correction_k: float, t_s: float) -> Reading | None:
    """`read_sensor` with the time last, as the supervisor asks."""
    return read_sensor(sensor, t_s, correction_k)


def _faster_clock(settings: ChamberSettings, service: Service, clock: Clock) -> FasterClock:
    """A clock that runs faster, from the latest label on.

    A chamber that was played fast has labels ahead of the wall clock; the next
    run goes on after them, so that its history stays in order.
    """
    start_at = clock.wall()
    if last := service.before.last_label(settings.key):
        # The first tick is labelled with the whole second before.
        start_at = max(start_at, last + timedelta(seconds=1))
    return FasterClock(clock, settings.speed, start_at=start_at)
