"""How the watch itself is, line by line: what, how, since when, and what to do.

For everybody who may see, so that no address, device, path or server is named; an owner
finds those among what was found for setting up. It tries nothing: what is told here is known
already, but for some rows of the journal and the newest backup's name.
"""

from __future__ import annotations

import platform
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from importlib import metadata
from pathlib import Path

from stillair import __version__
from stillair.alarms import figures
from stillair.alarms.seen import VIEW
from stillair.errors import StoreError
from stillair.fire.view import is_judged
from stillair.model import CameraCondition, Heard, Kind
from stillair.runtime import stop_found, tested
from stillair.runtime.backup import newest_backup
from stillair.runtime.chamber import Chamber
from stillair.runtime.found import State
from stillair.runtime.service import Service
from stillair.sensing import board as judging
from stillair.storage.outbox import Taken

OLD_READING_S = 30.0
MUCH_LOST = 0.05  # of an hour's readings; a long line loses a few in a thousand
OLD_PICTURE_S = 10.0
OLD_BACKUP_S = 2 * 86_400.0
SCARCE_KIB = 50 * 1024
PROC = Path("/proc")
RESTART = Path("/run/reboot-required")  # Debian's word that an update waits for it
NO_READING = "it gives no reading"
SEE = "an owner sees more under Setting up"
SENSORS, CAMERA, PEOPLE, DISK, COMPUTER = "sensors", "camera", "people", "disk", "computer"


class How(StrEnum):
    """In the order in which people read it."""

    WRONG = "wrong"
    LOOK = "look"  # never tried, unknown, or not there
    WELL = "well"


HOWS = {
    State.FIT: How.WELL,
    State.UNFIT: How.WRONG,
    State.NOT_TRIED: How.LOOK,
    State.NONE: How.LOOK,
}
HEARD = {Heard.HEARD: "was heard", Heard.SILENT: "came in silence", Heard.NOTHING: "did not come"}
WAYS = {
    "mailto": "the e-mail",
    "webpush": "the word to the telephone",
    "mqtt": "the word by MQTT",
    "webhook": "the word to a web address",
    "apprise": "the word by a message service",
}


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the page. `since_at` and `todo` where there is one.

    `sounder`: the chamber whose sounder this is, where there is one.
    """

    part: str
    thing: str
    how: How
    told: str
    since_at: datetime | None = None
    todo: str = ""
    sounder: str = ""


def lines(service: Service, folder: Path) -> list[Line]:
    """All of them, what is wrong first; `folder` is that of the history."""
    chambers = service.chambers()
    found: list[Line] = []
    for chamber in chambers:
        prefix = f"{chamber.settings.name}, " if len(chambers) > 1 else ""
        found += sensors(chamber, prefix, service.places.clean)
        found.append(camera(chamber, f"{prefix}camera"))
        found += _alarm_test(service, chamber, prefix)
        found += _outputs(chamber, prefix)
        found += _company(chamber, prefix)
    found += _messages(service, chambers)
    found += _kept(service, chambers, folder)
    found += _computer(service)
    found += _versions(service)
    return sorted(found, key=lambda line: list(How).index(line.how))


# --- what looks ------------------------------------------------------------------


def sensors(of: Chamber, prefix: str, clean: Callable[[str], str]) -> Iterator[Line]:
    """Each sensor, switch and particle sensor of a chamber; first, where the watch is late.

    `clean` takes out of a text where things hang.
    """
    view, now_s, at = of.supervisor.view, of.clock.now_s(), of.labels.timeline().at
    old_s = OLD_READING_S * max(1.0, of.speed)
    if view.t_s is None or now_s - view.t_s > old_s:
        told, since_at = "it is late, so nothing is decided", at(view.t_s) if view.t_s else None
        yield Line(SENSORS, f"{prefix}watch", How.WRONG, told, since_at, "see the service's log")
    faults = {event.subject: event for event in view.events if event.kind is Kind.SENSOR_FAULT}
    for sensor in view.thermal.sensors:
        thing, read_s = f"{prefix}sensor {sensor.name}", sensor.t_s
        event = faults.get(sensor.name)
        share = of.tally.lost(sensor.name, now_s)
        lost = "" if share is None else f"; {_share(share)} of its readings of the last hour lost"
        if sensor.fault:
            since_s = read_s if event is None else event.onset_s
            since_at = None if since_s is None else at(since_s)
            told, todo = _why(clean, sensor.fault, "look at its plug and its wire")
            yield Line(SENSORS, thing, How.WRONG, f"{told}{lost}", since_at, todo)
        elif sensor.temperature_c is None or read_s is None:
            yield Line(SENSORS, thing, How.LOOK, "it has told nothing so far")
        else:
            told = f"{figures.temperature(sensor.temperature_c)}, read {_ago(now_s - read_s)}{lost}"
            if event is not None:  # it reads, and can't be trusted so far
                why, todo = _why(clean, str(event.detail.get("reason", "")), "")
                told = f"{told}; {why}" if why else told
                yield Line(SENSORS, thing, How.WRONG, told, at(event.onset_s), todo)
            elif now_s - read_s > old_s:
                todo = "look at its plug and its wire"
                yield Line(SENSORS, thing, How.WRONG, told, at(read_s), todo)
            elif share is not None and share > MUCH_LOST:
                yield Line(SENSORS, thing, How.LOOK, told, None, "look for a loose wire")
            else:
                yield Line(SENSORS, thing, How.WELL, told)
    for contact in view.contacts:
        thing = f"{prefix}switch {contact.contact}"
        if contact.active is None:
            yield Line(SENSORS, thing, How.WRONG, "its state is not known", None, "see its wires")
        else:
            yield Line(SENSORS, thing, How.WELL, "it tells its state")
    for fine in view.particles:
        thing = f"{prefix}particle sensor {fine.sensor}"
        if fine.pm2_5_ug_per_m3 is not None:
            yield Line(
                SENSORS, thing, How.WELL, f"{fine.pm2_5_ug_per_m3:.0f} µg/m³ of fine particles"
            )
        elif fine.reason:
            told, todo = _why(clean, fine.reason, "look at its plug and its wire")
            yield Line(SENSORS, thing, How.WRONG, told, None, todo)
        else:
            yield Line(SENSORS, thing, How.LOOK, "it has told nothing so far")


def _why(clean: Callable[[str], str], fault: str, todo: str) -> tuple[str, str]:
    """A fault and what to do, where its words name no server, path or device; else that it is."""
    return (fault, todo) if clean(fault) == fault else (NO_READING, SEE)


def camera(of: Chamber, thing: str) -> Line:
    """How the camera is, and what its view is good for."""
    state = of.supervisor.view.camera
    if of.camera is None:
        return Line(CAMERA, thing, How.LOOK, "there is none: smoke and flame are not watched for")
    if state is None:
        return Line(CAMERA, thing, How.LOOK, "it has shown nothing so far")
    since_at = of.labels.timeline().at(state.since_s)
    age_s, rate = of.camera.age_s(), of.tally.pictures_per_s()
    last = "" if age_s is None else f"last picture {_ago(age_s)}"
    if age_s is not None and rate is not None:
        last += f", {rate:.1f} a second"
    match state.condition:
        case CameraCondition.FIT:
            if age_s is not None and age_s > OLD_PICTURE_S * max(1.0, of.speed):
                return Line(CAMERA, thing, How.WRONG, last, None, "look at its plug")
            if not is_judged(state, of.clock.now_s()):
                told = f"{last}; its view isn't judged yet".removeprefix("; ")
                return Line(CAMERA, thing, How.LOOK, told)
            told = f"{last}; its view is fit to watch by".removeprefix("; ")
            return Line(CAMERA, thing, How.WELL, told, since_at)
        case CameraCondition.PAUSED:
            told = "it is paused: smoke and flame are not watched for"
            return Line(CAMERA, thing, How.LOOK, told, since_at, "let it look again")
        case CameraCondition.LOST:
            told = "it gives no picture: smoke and flame are not watched for"
            return Line(CAMERA, thing, How.WRONG, told, since_at, "look at its plug and power")
        case condition:
            now, _, todo = (figures.lower(each).rstrip(".") for each in VIEW[condition])
            told = f"{last}; {now}" if last else now
            return Line(CAMERA, thing, How.WRONG, told, since_at, todo)


# --- what tells people ---------------------------------------------------------------


def _alarm_test(service: Service, of: Chamber, prefix: str) -> Iterator[Line]:
    known = tested.readiness(of, service.alarm_tests.mark)
    state = of.supervisor.view.alarm_test
    at = of.labels.timeline().at(state.started_s) if state is not None else None
    todo = "" if known.ready or known.running else "begin one on the page Alarm test"
    if not of.settings.people:
        todo = ""  # of that, messages tell
    elif known.awaits:
        todo = "say on the page Alarm test what arrived"
    how = How.WELL if known.ready else How.LOOK
    yield Line(PEOPLE, f"{prefix}last alarm test", how, figures.lower(known.text), at, todo)
    people: dict[str, list[str]] = {}
    heard: set[str] = set()
    for route in state.routes if state is not None else ():
        if route.heard is not None:
            word = HEARD[route.heard]
        elif route.refused:
            word = "was refused"
        else:
            word = "is under way" if route.handed_after_s is None else "was taken"
        people.setdefault(route.person, []).append(f"{_way(route.route)} {word}")
        if route.heard is Heard.HEARD:
            heard.add(route.person)
    for person, words in people.items():
        thing, told = f"{prefix}{person} in that test", figures.row(words)
        if person in heard:
            yield Line(PEOPLE, thing, How.WELL, told, at)
        else:
            yield Line(PEOPLE, thing, How.LOOK, told, at, f"ask {person} what arrived")


def _outputs(of: Chamber, prefix: str) -> Iterator[Line]:
    view, timeline = of.supervisor.view, of.labels.timeline()
    thing, test = f"{prefix}sounder", view.alarm_test
    if of.settings.sounder is None:
        yield Line(PEOPLE, thing, How.LOOK, "there is none: alarms are heard on open pages alone")
    elif test is None or test.sounder is None or test.sounder.well is None:
        todo = "begin one on the page Alarm test"
        told = "no alarm test has tried it so far"
        yield Line(PEOPLE, thing, How.LOOK, told, None, todo, of.key)
    elif test.sounder.well:
        told = "it was sounded in the last alarm test"
        yield Line(PEOPLE, thing, How.WELL, told, timeline.at(test.started_s), "", of.key)
    else:
        told, at = "it failed in the last alarm test", timeline.at(test.started_s)
        yield Line(PEOPLE, thing, How.WRONG, told, at, "look at its wires and power", of.key)
    last = stop_found.of_state(view.stop, timeline.at)
    found = stop_found.tried(f"{prefix}stop of the machine", of.settings, last)
    yield Line(PEOPLE, found.thing, HOWS[found.state], found.told, None, found.remedy)


def _company(of: Chamber, prefix: str) -> Iterator[Line]:
    for found in of.company.found(prefix):
        # Why it fails, and where it listens, may be an address.
        told, todo = found.told, ""
        if found.state is State.UNFIT:
            told, todo = "it fails", SEE
        elif found.state is State.FIT and found.thing == f"{prefix}machine's topic":
            told = "it is listened to"
        yield Line(PEOPLE, found.thing, HOWS[found.state], told, None, todo)


def _messages(service: Service, chambers: Sequence[Chamber]) -> Iterator[Line]:
    failing = [
        chamber.labels.timeline().at(event.onset_s)
        for chamber in chambers[:1]  # each is told the same
        for event in chamber.supervisor.view.events
        if event.kind is Kind.DELIVERY_FAULT
    ]
    if failing:
        told = f"{len(failing)} of the ways by which people are reached or warned fail"
        if len(failing) == 1:
            told = "one of the ways by which people are reached or warned fails"
        yield Line(PEOPLE, "ways to people", How.WRONG, told, min(failing), SEE)
    if not any(chamber.settings.people for chamber in chambers):
        told, todo = "nobody is told by message", "name who is to be told, under Setting up"
        yield Line(PEOPLE, "messages", How.LOOK, told, None, todo)
        return
    try:
        taken = service.history.taken()
    except StoreError:
        yield Line(PEOPLE, "messages", How.LOOK, "what became of them can't be read", None, SEE)
        return
    people = {person.name for chamber in chambers for person in chamber.settings.people}
    yield from messages(sorted(people), taken)


def messages(people: Iterable[str], taken: Sequence[Taken]) -> Iterator[Line]:
    """When each way of each person took the last message that it took.

    A person's ways of one kind are told apart by a number: where they lead isn't for everybody.
    """
    for person in people:
        own = sorted((each for each in taken if each.person == person), key=lambda each: each.route)
        ways = [_way(each.route) for each in own]
        for number, (way, each) in enumerate(zip(ways, own, strict=True)):
            alike = f" ({ways[:number].count(way) + 1})" if ways.count(way) > 1 else ""
            told = f"{way} was the last taken there{alike}"
            yield Line(PEOPLE, f"messages to {person}", How.WELL, told, each.at)
        if not own:
            yield Line(PEOPLE, f"messages to {person}", How.LOOK, "none has been taken so far")


def _way(route: str) -> str:
    """Which kind of way it is: where it leads isn't for everybody."""
    return WAYS.get(route.partition(":")[0], "a message")


# --- what keeps -------------------------------------------------------------------------


def _kept(service: Service, chambers: Sequence[Chamber], folder: Path) -> Iterator[Line]:
    faults = [
        (event.subject or "history", chamber.labels.timeline().at(event.onset_s))
        for chamber in chambers[:1]  # each is told the same
        for event in chamber.supervisor.view.events
        if event.kind is Kind.STORE_FAULT
    ]
    for subject, at in faults:
        todo = "make room on the disk, or put in another card"
        yield Line(DISK, subject, How.WRONG, "what belongs there can't be kept", at, todo)
    if service.writer.stored:
        yield Line(DISK, "history", How.WELL, "all that happened is stored")
    elif not faults:
        yield Line(DISK, "history", How.WRONG, "what happens is not stored yet", None, SEE)
    if (of := service.setting_up.board) is not None:
        free = f"{judging.size_told(of.disk.free_bytes)} free"
        if judging.disk(of).is_fit:
            yield Line(DISK, "disk", How.WELL, free)
        elif of.disk.error or of.disk.is_read_only or not of.disk.may_write:
            yield Line(DISK, "disk", How.WRONG, "it can't be written", None, SEE)
        else:
            yield Line(DISK, "disk", How.WRONG, f"only {free}", None, "make room on it")
    days = max((chamber.settings.history.keep_days for chamber in chambers), default=0.0)
    megabytes = sum(chamber.settings.history.keep_mb for chamber in chambers)
    told = f"readings for {days:g} days, as far as {megabytes:g} MB go"
    yield Line(DISK, "what is kept", How.WELL, f"{told}; jobs and dangers for good")
    made = newest_backup(folder, service.wall())
    if made is None:
        told, todo = "there is none so far", "one is made each night; stillair backup makes one now"
        yield Line(DISK, "backup", How.LOOK, told, None, todo)
        return
    at, size_bytes = made
    told = f"the newest has {size_bytes / 1e6:.1f} MB"
    if (service.wall() - at).total_seconds() > OLD_BACKUP_S:
        told, todo = f"none was made for two nights; {told}", "see whether the disk has room for it"
        yield Line(DISK, "backup", How.WRONG, told, at, todo)
    else:
        yield Line(DISK, "backup", How.WELL, told, at)


# --- what it runs on ------------------------------------------------------------------------


def _computer(service: Service) -> Iterator[Line]:
    of = service.setting_up.board
    if of is None:
        yield Line(COMPUTER, "computer", How.LOOK, "it has not been looked at in the last minutes")
    else:
        for thing, judged in (
            ("clock", judging.clock(of)),
            ("supply", judging.supply(of)),
            ("board's heat", judging.heat(of)),
        ):
            how = {True: How.WELL, False: How.WRONG, None: How.LOOK}[judged.is_fit]
            kept = f"; {judging.kept_time(of)}" if thing == "clock" else ""
            yield Line(COMPUTER, thing, how, f"{judged.told}{kept}", None, judged.remedy)
    own_kib, free_kib = _kib(PROC / "self/status", "VmRSS"), _kib(PROC / "meminfo", "MemAvailable")
    if own_kib is not None and free_kib is not None:
        own, free = judging.size_told(own_kib * 1024), judging.size_told(free_kib * 1024)
        told = f"Stillair takes {own}, {free} are free"
        if free_kib < SCARCE_KIB:
            yield Line(COMPUTER, "memory", How.WRONG, told, None, "end what else runs there")
        else:
            yield Line(COMPUTER, "memory", How.WELL, told)


def _kib(path: Path, name: str) -> int | None:
    try:
        for line in path.read_text().splitlines():
            key, _, rest = line.partition(":")
            if key == name:
                return int(rest.split()[0])
    except (OSError, ValueError, IndexError):
        pass
    return None


def _versions(service: Service) -> Iterator[Line]:
    of = service.setting_up.board
    told = (
        f"Stillair {__version__}, Python {platform.python_version()}, "
        f"SQLite {sqlite3.sqlite_version}, Linux {platform.release()}"
    )
    on = f", on {of.model}" if of is not None and of.model else ""
    yield Line(COMPUTER, "versions", How.WELL, told + on)
    try:
        installed = metadata.version("stillair")
    except metadata.PackageNotFoundError:
        installed = __version__  # it runs from its source
    if installed != __version__:
        told = f"Stillair {installed} is installed, and {__version__} still runs"
        todo = "start the service anew while no job runs"
        yield Line(COMPUTER, "update", How.LOOK, told, None, todo)
    if RESTART.exists():
        told = "an update of the board waits for a restart"
        yield Line(COMPUTER, "board", How.LOOK, told, None, "restart it while no job runs")


def _share(share: float) -> str:
    return "none" if share == 0.0 else f"{100.0 * share:.1f} %"


def _ago(age_s: float) -> str:
    age_s = max(0.0, age_s)
    return f"{age_s:.0f} s ago" if age_s < 60.0 else f"{figures.duration(age_s)} ago"
