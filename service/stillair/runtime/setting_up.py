"""What is still to be done before the service can be relied on, and how its computer is.

Once a minute, by housekeeping and never by the watch, the computer is looked at:
what ails it is told to every chamber's watch as a trouble, when it begins and
when it ends. The page of the first run asks for the rest, which the watches know.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable, Iterator

from stillair.alarms import figures
from stillair.alarms.seen import VIEW
from stillair.alerts.telephones import Telephones
from stillair.config import ChamberSettings
from stillair.fire.view import is_judged
from stillair.model import CameraCondition, CameraState
from stillair.runtime import pushing, stop_found
from stillair.runtime.attending import found_of
from stillair.runtime.chamber import Chamber
from stillair.runtime.found import (
    CONTACT_REMEDY,
    PARTICLES_REMEDY,
    SENSOR_REMEDY,
    Found,
    State,
    camera_remedy,
    computer,
    one_wire_addresses,
    tested,
    unfit,
    unnamed_camera,
    unnamed_sensors,
)
from stillair.runtime.reaching import listed
from stillair.runtime.tested import mark_with, readiness
from stillair.runtime.troubles import Troubles
from stillair.runtime.ways_tried import WaysTried
from stillair.sensing import board as judging
from stillair.sensing.board import Board, Judged
from stillair.watch import WatchView

log = logging.getLogger(__name__)

# At a start a board is hot from installing and its clock not set yet: that passes.
QUIET_S = 55.0
STALE_S = 180.0  # what was found so long ago is no longer said to be so
NO_FILE = Found(
    "chamber file",
    State.NONE,
    "a simulated chamber is shown, and nothing of it is real",
    "set your own up step by step, on the page Setting up",
)
NO_OWNER = Found(
    "owner",
    State.NONE,
    "nobody owns this service, so only this computer reaches it",
    "make an owner, on the page People",
)


class SettingUp:
    """Look after the computer, and say what was found and what is to be done.

    Parameters
    ----------
    chambers : callable
        Gives all chambers of this process.
    troubles : Troubles
        Takes what ails the computer.
    board : callable
        Reads the computer; may block on a disk.
    has_owner : callable
    ways : WaysTried
        Ways to reach people that can be tried without sending, and what was found of them.
    telephones : Telephones
        Those that have joined.

    `is_demo` (no chamber file was given), `certificate`, `links` and `chamber_file` (a change
    of it that was taken back) are set before the start.
    """

    def __init__(
        self,
        *,
        chambers: Callable[[], Iterable[Chamber]],
        troubles: Troubles,
        board: Callable[[], Board],
        has_owner: Callable[[], bool],
        ways: WaysTried,
        telephones: Telephones,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.is_demo = False
        self.certificate: Callable[[], Found] | None = None
        self.links: Callable[[], Found] | None = None
        self.chamber_file: Callable[[], Found | None] | None = None
        self._chambers = chambers
        self._read = board
        self._has_owner = has_owner
        self._ways = ways
        self._telephones = telephones
        self._monotonic_s = monotonic_s
        self._board: Board | None = None
        self._looked_s = 0.0  # when
        self._tells: dict[str, Callable[[bool, str], None]] = {
            "supply": troubles.supply,
            "heat": troubles.heat,
            "clock": troubles.clock,
            "disk": troubles.disk,
        }
        self._failing: set[str] = set()
        self._began_s: float | None = None

    def look(self) -> None:
        """Look at the computer, and tell what has begun or ended.

        In the first minute the page alone hears of it.
        """
        if self._began_s is None:
            self._began_s = self._monotonic_s()
        try:
            before, now = self._board, self._read()
            self._board, self._looked_s = now, self._monotonic_s()
            if self._monotonic_s() - self._began_s >= QUIET_S:
                self._tell("supply", _supply(before, now))
                self._tell("heat", judging.heat(now, was_hot="heat" in self._failing))
                self._tell("clock", judging.clock(now))
                self._tell("disk", judging.disk(now))
        except Exception:
            log.exception("the computer was not looked at")

    @property
    def board(self) -> Board | None:
        """The computer as it was found at the last look, unless that is too long ago."""
        if self._board is None or self._monotonic_s() - self._looked_s >= STALE_S:
            return None
        return self._board

    def found(self) -> Iterator[Found]:
        """Everything that the page of the first run lists, in the order of doing it."""
        if self.is_demo:
            yield NO_FILE
        if self.chamber_file is not None and (back := self.chamber_file()) is not None:
            yield back
        if not self._has_owner():
            yield NO_OWNER
        chambers = list(self._chambers())
        for chamber in chambers:
            prefix = f"{chamber.settings.name}, " if len(chambers) > 1 else ""
            yield from self._of_chamber(chamber, prefix)
        if self.links is not None and any(chamber.settings.people for chamber in chambers):
            yield self.links()
        if self._board is None:
            yield Found("computer", State.NOT_TRIED, "it has not been looked at so far")
        elif (for_s := self._monotonic_s() - self._looked_s) >= STALE_S:
            told = f"it has not been looked at for {for_s / 60.0:.0f} min: its disk may hang"
            remedy = "see the log; if it stays so, start the board anew"
            yield Found("computer", State.UNFIT, told, remedy)
        else:
            named = one_wire_addresses(chamber.settings for chamber in chambers)
            yield from unnamed_sensors(self._board, named)
            yield from computer(self._board, [each.settings for each in chambers])
        if self.certificate is not None:
            try:
                yield self.certificate()
            except OSError as error:  # of the network: which addresses there are isn't told
                yield Found("certificate", State.NOT_TRIED, error.strerror or str(error))

    # --- the computer ----------------------------------------------------------

    def _tell(self, side: str, judged: Judged) -> None:
        failing = judged.is_fit is False
        if failing is (side in self._failing):
            return
        (self._failing.add if failing else self._failing.discard)(side)
        (log.warning if failing else log.info)("%s: %s", side, judged.told)
        self._tells[side](failing, judged.told if failing else "")

    # --- chambers ----------------------------------------------------------------

    def _of_chamber(self, chamber: Chamber, prefix: str) -> Iterator[Found]:
        view, settings = chamber.supervisor.view, chamber.settings
        yield from _sensors(settings, view, prefix)
        yield from _contacts(settings, view, prefix)
        yield self._camera(settings, view.camera, prefix, chamber.clock.now_s())
        if settings.sounder is None:
            yield Found(f"{prefix}sounder", State.NONE, "alarms are heard on open pages alone")
        else:
            told = "heard in the room, whatever telephones are set to; an alarm test shows how well"
            yield Found(f"{prefix}sounder", State.NOT_TRIED, told)
        if settings.stop is not None:
            last = stop_found.of_state(view.stop, chamber.labels.timeline().at)
            yield stop_found.tried(f"{prefix}stop of the machine", settings, last)
        if not settings.people:
            yield Found(f"{prefix}messages", State.NONE, "nobody is told by message")
        else:
            yield tested(f"{prefix}alarm test", readiness(chamber, mark_with(self._telephones)))
        yield from pushing.found(settings, self._telephones, prefix)
        yield from found_of(settings, view.attendance, prefix)
        for tried in self._ways.found(chamber.key):
            yield Found(f"{prefix}{tried.thing}", tried.state, tried.told, tried.remedy)
        yield from listed(settings, prefix)
        yield from chamber.company.found(prefix)

    def _camera(
        self, of: ChamberSettings, state: CameraState | None, prefix: str, now_s: float
    ) -> Found:
        thing = f"{prefix}camera"
        if of.camera is None:
            remedy = unnamed_camera(self._board) if self._board is not None else ""
            return Found(thing, State.NONE, "smoke and flame are not watched for", remedy)
        match None if state is None else state.condition:
            case None:
                return Found(thing, State.NOT_TRIED, "it has shown nothing so far")
            case CameraCondition.FIT:
                if state is not None and not is_judged(state, now_s):
                    return Found(thing, State.NOT_TRIED, "its view isn't judged yet")
                return Found(thing, State.FIT, "its view is fit to watch by")
            case CameraCondition.PAUSED:
                return Found(thing, State.NOT_TRIED, "it is paused")
            case CameraCondition.LOST:
                reason = state.reason if state is not None else ""
                remedy = camera_remedy(of.camera.kind, self._board)
                return unfit(thing, reason or "it is out of touch", remedy)
            case condition:
                now, _, todo = VIEW[condition]
                return Found(thing, State.UNFIT, _clause(now), _clause(todo))


def _supply(before: Board | None, now: Board) -> Judged:
    """Now, or for a moment since the last look; what was before that is over."""
    judged = judging.supply(now, ever=False)
    if judged.is_fit and judging.has_sagged(before, now):
        return Judged(False, "its voltage was too low for a moment", judged.remedy)
    return judged


def _sensors(settings: ChamberSettings, view: WatchView, prefix: str) -> Iterator[Found]:
    drivers = {sensor.name: sensor.driver for sensor in settings.sensors}
    for sensor in view.thermal.sensors:
        thing = f"{prefix}sensor {sensor.name}"
        if sensor.fault:
            yield unfit(thing, sensor.fault, SENSOR_REMEDY[drivers[sensor.name]])
        elif sensor.temperature_c is None:
            yield Found(thing, State.NOT_TRIED, "it has told nothing so far")
        else:
            yield Found(thing, State.FIT, figures.temperature(sensor.temperature_c))
    counters = {counter.name: counter.driver for counter in settings.particles}
    for counted in view.particles:
        if counted.reason:
            remedy = PARTICLES_REMEDY[counters[counted.sensor]]
            yield unfit(f"{prefix}particle sensor {counted.sensor}", counted.reason, remedy)


def _contacts(settings: ChamberSettings, view: WatchView, prefix: str) -> Iterator[Found]:
    drivers = {contact.name: contact.driver for contact in settings.contacts}
    for contact in view.contacts:
        thing = f"{prefix}switch {contact.contact}"
        if contact.active is None:
            reason = contact.reason or "it has told nothing"
            yield unfit(thing, reason, CONTACT_REMEDY[drivers[contact.contact]])
        else:
            yield Found(thing, State.FIT, "it tells its state")


def _clause(sentence: str) -> str:
    return f"{sentence[:1].lower()}{sentence[1:]}".rstrip(".")
