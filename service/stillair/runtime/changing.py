"""Chamber files changed from a page: what would change, written, undone, taken into use.

New settings are taken into use by the process starting itself again: whatever was kept goes
on, a running job too, and there is one way from a file to a watch. For some seconds nothing is
watched, so it isn't done in danger; a trouble may be what the change is to mend.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from stillair.alarms.entries import life_of
from stillair.alarms.words import WORDS
from stillair.config import ChamberSettings
from stillair.config.change import Change, RemoveChamber, SameServer, SetBroker, SetCamera
from stillair.config.changed_words import chamber_removed, protection_lost
from stillair.config.changes import Proposal, broker_row, detectors_lost, proposed
from stillair.config.faults import sentences
from stillair.config.inputs import CameraKind, CameraTable
from stillair.config.reach import MqttTable
from stillair.config.reading import chamber_from_text, parsed_text
from stillair.config.together import faults_between_files
from stillair.config.values import FileContext
from stillair.errors import CommandRefused, Refusal, SettingsError, StoreError
from stillair.model import Kind, SignalClass, Sounding, StopPhase
from stillair.runtime.chamber import Chamber
from stillair.runtime.chamber_file import MOST_BOXES, ChamberFile, own_files
from stillair.runtime.chamber_trial import Done, Returned, Trial
from stillair.runtime.change_refused import (
    ALONE,
    DANGER,
    DANGER_UNDER,
    FULL,
    NAME_THEM,
    NAMED,
    NO_BROKER,
    NO_TRIAL,
    NOT_NAMED_HERE,
    ON_TRIAL,
    ONLY,
    RUNS,
    RUNS_UNDER,
    SAME_NAME,
    STANDS,
    STOPPED,
    STOPS,
    UNSEEN,
)
from stillair.runtime.file_shown import pins_of, shown_settings
from stillair.runtime.finding import Finder
from stillair.runtime.found import Found, State
from stillair.runtime.known_chips import known_chips, watched_readings
from stillair.runtime.pin_finding import PinFinder
from stillair.runtime.sensor_trial import SensorTrial
from stillair.runtime.trying_broker import BrokerTrial
from stillair.runtime.trying_camera import CameraTrials, same_camera

log = logging.getLogger(__name__)

# What a watch begun anew would have to see from its beginning: a change waits until it is over.
SIGNS = frozenset({Kind.FIRE, Kind.FLAME, Kind.SMOKE, Kind.RAPID_RISE})
NEW = ""  # the box that isn't there yet


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


@dataclass(frozen=True, slots=True)
class Gone:
    """A box that was taken away on the page, and can come back: its file is its name here."""

    file: str
    done: Done


class Changing:
    """What owners do with chamber files. Methods raise `CommandRefused`, `SettingsError`.

    Parameters
    ----------
    files : the chamber files of this process; none where the built-in chamber is watched
    chambers : callable
        All chambers of this process.
    begin_anew : callable
        Has the process start itself again.
    named : bool
        Whether the files were named at the start, rather than made by the page.
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
        named: bool = False,
        leave: Callable[[], bool] = lambda: False,
        finder: Finder | None = None,
        pins: PinFinder | None = None,
    ) -> None:
        self._trial = trial
        self._chambers = chambers
        self.begin_anew = begin_anew
        self._leave = leave
        self.finder = finder or Finder(lambda: known_chips(self._chambers()))
        self.pins = pins or PinFinder(self.named_pins)
        self.sensor_trial = SensorTrial(lambda: [each.settings for each in self._chambers()])
        self.camera_trials = CameraTrials()
        self.broker_trial = BrokerTrial()
        self._lock = threading.Lock()
        self._simulated = not files
        self._named = named
        self._own = own_files(folder.absolute())
        keys = [chamber.key for chamber in chambers()]
        paths = list(files) or [self._own[0]]
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
    def on_trial(self) -> bool:
        """Whether new settings have not been watched by for long enough to be undone."""
        return self._trial.pending

    @property
    def gap_s(self) -> float | None:
        """For how long nothing was watched, the last time that settings were taken into use."""
        return self._trial.gap_s

    def readings(self) -> list[dict[str, Any]]:
        """What each sensor that is watched reads just now, whatever reads it."""
        return watched_readings(self._chambers())

    def now(self) -> list[FileNow]:
        """How each chamber file is."""
        return [self._now(key, file) for key, file in self._files.items()]

    def another(self) -> tuple[FileNow | None, str]:
        """The box that could be added, or why none can."""
        if self._simulated:
            return None, ""
        try:
            return self._now(NEW, self._file(NEW)), ""
        except CommandRefused as refused:
            return None, refused.reason

    def gone(self) -> list[Gone]:
        """The boxes that were taken away here, and can come back."""
        used = {file.path for file in self._files.values()}
        free = [path for path in self._own if path not in used and not path.exists()]
        last = [(path, self._trial.last(path)) for path in free if not self._trial.pending]
        return [Gone(path.name, done) for path, done in last if done and not done.after]

    def propose(self, chamber: str, base: str, changes: Sequence[Change]) -> Proposal:
        """What would come of changes; nothing is written."""
        if any(isinstance(change, RemoveChamber) for change in changes):
            return self._without(chamber, base, alone=len(changes) == 1)
        file = self._file(chamber)
        there = file.read_as(base)
        found = proposed(
            there.text,
            changes,
            file.path.name,
            file.path.parent,
            buses=self.finder.buses(),
            others=self._servers(chamber),
        )
        for other in self._chambers():
            if other.key == found.settings.key != chamber and not self._simulated:
                told = SAME_NAME.format(name=f"“{other.settings.name}”")
                raise SettingsError(file.path.name, (told,))
        boxes = [found.settings if c.key == chamber else c.settings for c in self._chambers()]
        boxes += [found.settings] if chamber == NEW else []
        if between := tuple(faults_between_files({f"box “{of.name}”": of for of in boxes})):
            raise SettingsError(file.path.name, between)
        old = self._chamber(chamber)
        if old and found.settings.key != chamber and not self._simulated:
            _check_ends(old, renamed=True)
        return found

    def broker_asked(
        self, chamber: str, base: str, change: SetBroker | SameServer | None
    ) -> MqttTable:
        """The broker as it would be after a change, with the password that would go to it."""
        file = self._file(chamber)
        row = broker_row(file.read_as(base).text, change, self._servers(chamber))
        if not row:
            raise SettingsError(file.path.name, (NO_BROKER,))
        context = FileContext(file.path.parent)
        try:
            raw = {"chamber": {"name": "trial"}, "mqtt": row}
            made = ChamberSettings.model_validate(raw, context=context).mqtt
        except ValidationError as error:
            raise SettingsError(file.path.name, tuple(sentences(error))) from None
        assert made is not None, "it was given"
        return made

    def camera_asked(
        self, chamber: str, base: str, source: str, before: Sequence[Change] = ()
    ) -> CameraAsked:
        """What a camera would be in the file of a chamber; the file's own checks decide.

        `before`: what else is to change in it, above all where there is no file yet.
        """
        if any(c.supervisor.view.sounding is Sounding.FIRE for c in self._chambers()):
            raise CommandRefused(Refusal.CONFLICT, "Fire is told: see to it first.")
        try:
            change = SetCamera(do="camera", source=source)
        except ValidationError as error:
            told = str(error.errors()[0]["msg"]).removeprefix("Value error, ")
            raise SettingsError(
                self._file(chamber).path.name, (f"camera.source: {told}",)
            ) from None
        settings = self.propose(chamber, base, [*before, change]).settings
        camera = settings.camera
        if camera is None or camera.kind not in (CameraKind.DEVICE, CameraKind.STREAM):
            raise SettingsError(self._file(chamber).path.name, (NO_TRIAL,))
        watched = {c.key: c.settings.camera.source for c in self._chambers() if c.settings.camera}
        by = next((key for key, each in watched.items() if same_camera(each, camera.source)), None)
        return CameraAsked(camera, settings.chamber.width_mm, by)

    def change(
        self,
        chamber: str,
        base: str,
        changes: Sequence[Change],
        by: str,
        *,
        gives_up: Collection[str] = (),
    ) -> tuple[Proposal, bool]:
        """Write the changes; True where the process has to begin anew with them.

        `gives_up` names the listed detectors of which somebody knows that they go.
        """
        with self._lock:
            self._check_safe()
            found = self.propose(chamber, base, changes)
            if found.empty:
                return found, False
            _check_known(found.gives_up, gives_up)
            self._trial.change(self._file(chamber), base, found.text, list(found.words), by)
            if self._simulated:
                try:
                    self._leave()
                except (StoreError, OSError) as error:  # then it stays among the rest
                    log.warning("the simulated chamber's history makes no room: %s", error)
            return found, True

    def undo(
        self, chamber: str, base: str, by: str, *, gives_up: Collection[str] = ()
    ) -> list[str]:
        """Put back what was before the newest change; returns what that had changed."""
        with self._lock:
            self._check_safe()
            back = next((gone.done for gone in self.gone() if gone.file == chamber), None)
            file = ChamberFile(Path(back.file)) if back else self._file(chamber)
            last = back or self._trial.last(file.path)
            self._check_back(last, self._chamber(chamber))
            _check_known(_given_back(file, last), gives_up)
            return self._trial.undo(file, base, by).words

    # --- parts -----------------------------------------------------------------

    def _without(self, chamber: str, base: str, *, alone: bool) -> Proposal:
        """What it means to take a box away."""
        file, old = self._file(chamber), self._chamber(chamber)
        if old is None or self._simulated:
            raise CommandRefused(Refusal.UNKNOWN, "There is no such box here.")
        file.read_as(base)
        rest = [each for each in self._chambers() if each.key != chamber]
        for refused, why in (
            (not alone, ALONE),
            (self._named or file.path not in self._own, NOT_NAMED_HERE),
            (not rest, ONLY),
        ):
            if refused:
                raise CommandRefused(Refusal.CONFLICT, why)
        _check_ends(old, renamed=False)
        gives_up = detectors_lost(parsed_text(file.read().text, file.path.name), {})
        words = chamber_removed(old.settings.name, file.path.name)
        warned = filter(None, (protection_lost(gives_up),))
        return Proposal("", (*warned, *words), rest[0].settings, gives_up)

    def _check_back(self, back: Done | None, old: Chamber | None) -> None:
        """Whether what was before may come back: as a change that had it for its aim."""
        if back is None or self._simulated:
            return  # there is nothing to undo, which is told
        named = {str(self._files[c.key].path): c.settings for c in self._chambers()}
        named.pop(back.file, None)
        key = NEW
        if back.before:
            path = Path(back.file)
            named[back.file] = chamber_from_text(back.before, path.name, path.parent)
            key = named[back.file].key
        if between := tuple(faults_between_files(named)):
            raise SettingsError(Path(back.file).name, between)
        if old is not None and key != old.key:
            _check_ends(old, renamed=bool(back.before))

    def _servers(self, chamber: str) -> dict[str, dict[str, dict[str, Any]]]:
        """The brokers and mail servers of the other chambers, as their files name them."""
        found: dict[str, dict[str, dict[str, Any]]] = {}
        for key, file in {} if self._simulated else self._files.items():
            if key == chamber:
                continue
            try:
                raw = parsed_text(file.read().text, file.path.name)
            except SettingsError:
                continue  # told on the page
            found[key] = {each: dict(raw[each]) for each in ("mqtt", "mail") if each in raw}
            for table in found[key].values():
                if "password_file" in table:
                    table["password_file"] = str(file.path.parent / table["password_file"])
        return found

    def _chamber(self, key: str) -> Chamber | None:
        return next((each for each in self._chambers() if each.key == key), None)

    def _file(self, chamber: str) -> ChamberFile:
        if chamber == NEW and not self._simulated:
            used = {file.path for file in self._files.values()}
            free = [path for path in self._own if path not in used and not path.exists()]
            # First where no box was taken away, so that one that was can come back.
            path = min(free, key=lambda path: self._trial.last(path) is not None, default=None)
            if self._named or path is None or len(used) >= MOST_BOXES:
                raise CommandRefused(Refusal.CONFLICT, NAMED if self._named else FULL)
            return ChamberFile(path)
        if chamber not in self._files:
            raise CommandRefused(Refusal.UNKNOWN, "There is no such chamber here.")
        return self._files[chamber]

    def _check_safe(self) -> None:
        """Whether the watch may pause for some seconds, and begin anew."""
        if self._trial.pending:  # one at a time, or what was not tried would stay
            raise CommandRefused(Refusal.CONFLICT, ON_TRIAL)
        for each in self._chambers():
            view, stop, box = each.supervisor.view, each.settings.stop, each.settings.name
            for alarm in view.alarms:
                if alarm.signal_class is not SignalClass.ALARM:
                    continue  # a trouble may be what the change is to mend
                told = {"what": WORDS[alarm.kind].title, "box": box}
                if alarm.kind in SIGNS and alarm.condition and not each.settings.simulated:
                    raise CommandRefused(Refusal.CONFLICT, STANDS.format(**told))
                if life_of(alarm).unseen:
                    raise CommandRefused(Refusal.CONFLICT, UNSEEN.format(**told))
            if stop is None or stop.pin is None:
                continue
            # What keeps the machine's supply on or off ends with the process, if for a second.
            if stop.stops_when == "low" and _runs(each):
                raise CommandRefused(Refusal.CONFLICT, STOPS.format(box=box))
            is_stopped = view.stop is not None and view.stop.phase is StopPhase.STOPPED
            if stop.stops_when == "high" and is_stopped:
                raise CommandRefused(Refusal.CONFLICT, STOPPED.format(box=box))

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
            undo["takes_away"] = not last.before  # there was no such box
            undo["gives_up"] = list(gives_up := _given_back(file, last))
            undo["warning"] = protection_lost(gives_up)
        return FileNow(
            chamber=key,
            file=str(file.path),
            digest=digest,
            simulated=self._simulated,
            fixed=None if fixed is None else f"{fixed[0]}: {fixed[1]}.",
            by_hand=digest != self._begun_with.get(key, ""),
            faults=faults,
            settings=settings,
            undo=undo,
        )

    def named_pins(self) -> dict[int, str]:
        """Every pin that a chamber file names, as the watch uses it and as it is written now."""
        found: dict[int, str] = {}
        for chamber in self._chambers():
            found |= pins_of(chamber.settings)
        for file in self._files.values():
            try:
                text = file.read().text
                if text:
                    found |= pins_of(chamber_from_text(text, file.path.name, file.path.parent))
            except SettingsError:
                continue  # told on the page; nothing is written while it is so
        return found


def _given_back(file: ChamberFile, last: Done | None) -> tuple[str, ...]:
    """The listed detectors that go with undoing a change. Raises `SettingsError`."""
    if last is None:
        return ()
    now, before = (
        parsed_text(text, file.path.name) if text else {}
        for text in (file.read().text, last.before)
    )
    return detectors_lost(now, before)


def _check_known(lost: Collection[str], named: Collection[str]) -> None:
    """Refuse to give up a detector that whoever asks for it has not named."""
    if unknown := [each for each in lost if each not in named]:
        raise CommandRefused(Refusal.CONFLICT, f"{protection_lost(unknown)} {NAME_THEM}")


def _digest(file: ChamberFile) -> str:
    try:
        return file.read().digest
    except SettingsError:
        return ""


def _runs(chamber: Chamber) -> bool:
    return chamber.supervisor.view.job is not None


def _check_ends(chamber: Chamber, *, renamed: bool) -> None:
    """Whether nothing goes on that is kept under the key of a chamber, which goes or changes."""
    if _runs(chamber):
        raise CommandRefused(Refusal.CONFLICT, RUNS_UNDER if renamed else RUNS)
    view = chamber.supervisor.view
    stands = view.stop is not None and view.stop.phase is not StopPhase.READY
    if stands or any(alarm.signal_class is SignalClass.ALARM for alarm in view.alarms):
        raise CommandRefused(Refusal.CONFLICT, DANGER_UNDER if renamed else DANGER)
