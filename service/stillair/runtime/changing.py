"""Chamber files changed from a page: what would change, written, undone, taken into use.

New settings are taken into use by the process starting itself again: whatever was kept goes
on, a running job too, and there is one way from a file to a watch. For some seconds nothing is
watched, so it isn't done while anything sounds.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from stillair.config import ChamberSettings
from stillair.config.changed_words import route_words, source_words
from stillair.config.changes import Change, Proposal, SetCamera, proposed
from stillair.config.inputs import CameraKind, CameraTable
from stillair.config.materials import MATERIALS
from stillair.config.reading import chamber_from_text
from stillair.config.together import faults_between_files
from stillair.errors import CommandRefused, Refusal, SettingsError, StoreError
from stillair.model import Sounding
from stillair.runtime.chamber import Chamber
from stillair.runtime.chamber_file import OWN, ChamberFile
from stillair.runtime.chamber_trial import Returned, Trial
from stillair.runtime.finding import Finder, KnownChip
from stillair.runtime.found import Found, State
from stillair.runtime.trying_camera import CameraTrials, same_camera

log = logging.getLogger(__name__)

SOUNDING = (
    "An alarm sounds: see to it first. While new settings are taken into use nothing is watched."
)
NO_TRIAL = "camera.source: what can be looked through here is a device or an address"


@dataclass(frozen=True, slots=True)
class CameraAsked:
    """A camera that somebody wants to look through, with what its file says besides.

    `watched_by`: the chamber that is watched by it already, so that it shows its picture.
    """

    camera: CameraTable
    width_mm: float | None
    watched_by: str | None


@dataclass(frozen=True, slots=True)
class FileNow:
    """A chamber file as it is now: what may be shown of it, and what can be done with it."""

    chamber: str
    file: str
    digest: str
    simulated: bool
    fixed: str | None  # why it can't be written, and what to do
    by_hand: bool  # changed since the start
    faults: tuple[str, ...]
    settings: Mapping[str, Any] | None
    undo: Mapping[str, Any] | None


class Changing:
    """What owners do with chamber files. Methods raise `CommandRefused`, `SettingsError`.

    Parameters
    ----------
    files : the chamber files of this process; none where the built-in chamber is watched
    chambers : callable
        All chambers of this process.
    begin_anew : callable
        Has the process start itself again.
    leave : callable
        Has the simulated chamber's history make room, where nothing else is kept.
    """

    def __init__(
        self,
        files: Sequence[Path],
        folder: Path,
        *,
        trial: Trial,
        chambers: Callable[[], Iterable[Chamber]],
        begin_anew: Callable[[], None],
        leave: Callable[[], bool] = lambda: False,
        finder: Finder | None = None,
    ) -> None:
        self._trial = trial
        self._chambers = chambers
        self.begin_anew = begin_anew
        self._leave = leave
        self.finder = finder or Finder(self._known_chips)
        self.camera_trials = CameraTrials()
        self._lock = threading.Lock()
        self._simulated = not files
        keys = [chamber.key for chamber in chambers()]
        paths = list(files) or [folder / OWN]
        self._files = {
            key: ChamberFile(path.absolute()) for key, path in zip(keys, paths, strict=True)
        }
        self._begun_with = {key: _digest(file) for key, file in self._files.items()}

    @property
    def returned(self) -> Returned | None:
        """A change that was taken back by itself."""
        return self._trial.returned

    def seen(self) -> None:
        """Somebody has read that a change was taken back. Raises `StoreError`."""
        self._trial.seen()

    def found(self) -> Found | None:
        """A change that was taken back, as a thing to look after."""
        if self.returned is None:
            return None
        told = "its last change did not come up, so what was there before is back"
        return Found("chamber file", State.UNFIT, told, "read why on the page Setting up")

    @property
    def gap_s(self) -> float | None:
        """For how long nothing was watched, the last time that settings were taken into use."""
        return self._trial.gap_s

    def now(self) -> list[FileNow]:
        """How each chamber file is."""
        return [self._now(key, file) for key, file in self._files.items()]

    def propose(self, chamber: str, base: str, changes: Sequence[Change]) -> Proposal:
        """What would come of changes; nothing is written."""
        file = self._file(chamber)
        there = file.read_as(base)
        found = proposed(
            there.text, changes, file.path.name, file.path.parent, buses=self.finder.buses()
        )
        named = {
            str(self._files[c.key].path): found.settings if c.key == chamber else c.settings
            for c in self._chambers()
        }
        if between := tuple(faults_between_files(named)):
            raise SettingsError(file.path.name, between)
        old = next(c for c in self._chambers() if c.key == chamber)
        if found.settings.key != chamber and not self._simulated and _runs(old):
            raise CommandRefused(
                Refusal.CONFLICT,
                "A job runs, and it is kept under the chamber's name: end it first, then rename.",
            )
        return found

    def camera_asked(self, chamber: str, base: str, source: str) -> CameraAsked:
        """What a camera would be in the file of a chamber; the file's own checks decide."""
        if any(c.supervisor.view.sounding is Sounding.FIRE for c in self._chambers()):
            raise CommandRefused(Refusal.CONFLICT, "Fire is told: see to it first.")
        try:
            change = SetCamera(do="camera", source=source)
        except ValidationError as error:
            told = str(error.errors()[0]["msg"]).removeprefix("Value error, ")
            raise SettingsError(
                self._file(chamber).path.name, (f"camera.source: {told}",)
            ) from None
        settings = self.propose(chamber, base, [change]).settings
        camera = settings.camera
        if camera is None or camera.kind not in (CameraKind.DEVICE, CameraKind.STREAM):
            raise SettingsError(self._file(chamber).path.name, (NO_TRIAL,))
        watched = {c.key: c.settings.camera.source for c in self._chambers() if c.settings.camera}
        by = next((key for key, each in watched.items() if same_camera(each, camera.source)), None)
        return CameraAsked(camera, settings.chamber.width_mm, by)

    def change(
        self, chamber: str, base: str, changes: Sequence[Change], by: str
    ) -> tuple[Proposal, bool]:
        """Write the changes; True where the process has to begin anew with them."""
        with self._lock:
            self._check_quiet()
            found = self.propose(chamber, base, changes)
            if found.empty:
                return found, False
            self._trial.change(self._file(chamber), base, found.text, list(found.words), by)
            if self._simulated:
                try:
                    self._leave()
                except (StoreError, OSError) as error:  # then it stays among the rest
                    log.warning("the simulated chamber's history makes no room: %s", error)
            return found, True

    def undo(self, chamber: str, base: str, by: str) -> list[str]:
        """Put back what was before the newest change; returns what that had changed."""
        with self._lock:
            self._check_quiet()
            return self._trial.undo(self._file(chamber), base, by).words

    # --- parts -----------------------------------------------------------------

    def _file(self, chamber: str) -> ChamberFile:
        if chamber not in self._files:
            raise CommandRefused(Refusal.UNKNOWN, "There is no such chamber here.")
        return self._files[chamber]

    def _check_quiet(self) -> None:
        if any(c.supervisor.view.sounding is not Sounding.SILENT for c in self._chambers()):
            raise CommandRefused(Refusal.CONFLICT, SOUNDING)

    def _now(self, key: str, file: ChamberFile) -> FileNow:
        settings: dict[str, Any] | None = None
        faults: tuple[str, ...] = ()
        digest = ""
        try:
            there = file.read()
            digest = there.digest
            if there.text:
                made = chamber_from_text(there.text, file.path.name, file.path.parent)
                settings = shown_settings(made)
        except SettingsError as error:
            faults = error.faults
        fixed = file.why_fixed()
        last = self._trial.last(file.path)
        undo = None
        if last is not None and last.after == digest and not self._trial.pending:
            undo = {"words": last.words, "by": last.by, "at": last.at.astimezone(UTC)}
        return FileNow(
            chamber=key,
            file=str(file.path),
            digest=digest,
            simulated=self._simulated,
            fixed=None if fixed is None else f"{fixed[0]}: {fixed[1]}.",
            by_hand=digest != self._begun_with[key],
            faults=faults,
            settings=settings,
            undo=undo,
        )

    def _known_chips(self) -> dict[Path, dict[str, KnownChip]]:
        found: dict[Path, dict[str, KnownChip]] = {}
        for chamber in self._chambers():
            views = {view.name: view for view in chamber.supervisor.view.thermal.sensors}
            for sensor in chamber.settings.sensors:
                if sensor.driver != "onewire":
                    continue
                view = views.get(sensor.name)
                # What the chip itself tells, as of one that nobody has named.
                told_c = None if view is None else view.temperature_c
                raw_c = None if told_c is None else told_c - sensor.correction_k
                chip = KnownChip(sensor.name, raw_c, (view.fault if view else "") or "")
                found.setdefault(sensor.bus_dir, {})[sensor.address] = chip
        return found


def _digest(file: ChamberFile) -> str:
    try:
        return file.read().digest
    except SettingsError:
        return ""


def _runs(chamber: Chamber) -> bool:
    return chamber.supervisor.view.job is not None


def shown_settings(of: ChamberSettings) -> dict[str, Any]:
    """What a page shows of a chamber's settings: never an address or password that is secret."""
    box = of.chamber
    return {
        "name": box.name,
        "enclosure": [material.value for material in box.enclosure],
        "target_c": box.target_c,
        "limit_c": box.limit_c,
        "timezone": box.timezone,
        "width_mm": box.width_mm,
        "depth_mm": box.depth_mm,
        "height_mm": box.height_mm,
        "sensors": [
            {
                "name": sensor.name,
                "place": sensor.place.value,
                "driver": sensor.driver,
                "address": sensor.address if sensor.driver == "onewire" else None,
                "correction_k": sensor.correction_k,
                "drawn_at": None if sensor.drawn_at is None else list(sensor.drawn_at),
            }
            for sensor in of.sensors
        ],
        "contacts": [
            {
                "name": contact.name,
                "kind": contact.kind.value,
                "driver": contact.driver,
                "pin": contact.pin if contact.driver == "gpio" else None,
            }
            for contact in of.contacts
        ],
        "camera": None if of.camera is None else source_words(of.camera.source),
        "people": [
            {"name": person.name, "routes": [route_words(route) for route in person.routes]}
            for person in of.people
        ],
        "mail": None
        if of.mail is None
        else {
            "host": of.mail.host,
            "port": of.mail.port,
            "security": of.mail.security,
            "username": of.mail.username,
            "password": of.mail.password is not None,
        },
    }


def materials() -> list[dict[str, Any]]:
    """What a box may be made of: what it bears, and whether it burns."""
    return [
        {"material": m.value, "bears_c": facts.bears_c, "combustible": facts.combustible}
        for m, facts in MATERIALS.items()
    ]
