"""The loop of one chamber: one thread, one queue, absolute deadlines.

Whatever happens anywhere goes through `put` or `submit` into one queue; the
loop hands it to the watch and at once sets the sounder. Keeping, telling and
showing come after, through `sink`, and can't hold the loop up. Every whole
second of the chamber's time the instant sensors and contacts are read and the
watch ticks.

Everything outside the watch may fail with any error: it is called through one
guard, so that whatever else there is to be done is done all the same. What
fails is logged, stands in `failing` until it works again, and is called again.
"""

from __future__ import annotations

import logging
import math
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol, TypeVar

from stillair.clock import Clock
from stillair.errors import CommandRefused, ContactError
from stillair.model import (
    Afterwards,
    Command,
    ContactKind,
    ContactState,
    JobPhase,
    Outcome,
    Particles,
    Reading,
    Sounding,
    Stimulus,
    StopPhase,
    Tick,
)
from stillair.sensing.protocols import Contact
from stillair.thermal.balance import BalanceMemory
from stillair.watch import Watch, WatchView

log = logging.getLogger(__name__)

T = TypeVar("T")

JUMP_S = 60.0  # further behind than this the loop goes to the present; the watch tells the gap
BACKLOG = 10_000  # stimuli waiting beyond which further readings are dropped: the loop is stuck
SHOW_WITHIN_S = 0.05  # what comes between two ticks is shown by then, several in one view
STUMBLES = 5  # ticks in a row that failed, after which the service manager should restart us
LOG_EVERY_S = 60.0  # what goes on failing is logged again after so long, not each second
LEARNED_EVERY_S = 900.0  # how much of what was learned a power cut may cost
REST_S = 0.2  # after a defect in the loop itself, which must not spin
_ENDED = frozenset({JobPhase.COOLING, JobPhase.FINISHED})
BROKEN = "its driver failed; see the log"


class Sounder(Protocol):
    def set(self, sounding: Sounding) -> None: ...


class Relay(Protocol):
    """What lets the machine run, or stops it; never waits."""

    def set(self, stopped: bool) -> None: ...


class Checked(Protocol):
    """A thread elsewhere that must be looked after: tells what has fallen silent."""

    def check(self, t_s: float) -> None: ...


@dataclass(frozen=True, slots=True)
class WiredContact:
    """A contact with the kind it has in the chamber."""

    name: str
    kind: ContactKind
    contact: Contact


class Supervisor:
    """Run the watch of one chamber in real time.

    Parameters
    ----------
    watch : Watch
        Decides; only this loop's thread touches it.
    clock : Clock
        The chamber's clock.
    instant : callables that read a sensor which never blocks
    contacts : the switches
    checked : loops with threads of their own that are asked each second
    sounder : told before anything else
    relay : told beside it whether the machine has to be off; None where nothing is switched
    sink : takes each outcome that has to be kept or shown; never blocks
    on_reading : takes each reading for the archive; never blocks
    on_learned : takes what the watch has learned of the chamber's heat and what still follows from
        what is over, every quarter of an hour, at a job's end and when the loop ends; never blocks
    on_view : takes the new view after each tick and command and soon after anything else;
        never blocks
    label : gives an instant of the chamber's time its wall-clock label
    """

    def __init__(
        self,
        *,
        name: str,
        watch: Watch,
        clock: Clock,
        sounder: Sounder,
        relay: Relay | None = None,
        sink: Callable[[Outcome], None],
        on_reading: Callable[[Reading], None],
        on_view: Callable[[WatchView], None],
        on_learned: Callable[[BalanceMemory, Afterwards], None] = lambda *_: None,
        instant: Sequence[Callable[[float], Reading | Particles | None]] = (),
        contacts: Sequence[WiredContact] = (),
        checked: Sequence[Checked] = (),
        script: Callable[[float, WatchView], Sequence[Command]] | None = None,
        label: Callable[[float], datetime] | None = None,
    ) -> None:
        self._watch = watch
        self._clock = clock
        self._sounder = sounder
        self._relay = relay
        self._sink = sink
        self._on_reading = on_reading
        self._on_view = on_view
        self._on_learned = on_learned
        self._instant = tuple(instant)
        self._contacts = tuple(contacts)
        self._checked = tuple(checked)
        self._script = script
        self._label = label
        self._told: dict[str, ContactState] = {}
        self._unstarted: set[str] = set()  # contacts that can't be listened to
        self._sounded = Sounding.SILENT  # what the sounder has been told
        self._switched: bool | None = None  # what the relay has been told
        self._logged_s: dict[str, float] = {}  # what fails, and when that was last logged
        self._broken: set[str] = set()  # rules that broke in the last second
        self._inbox: deque[tuple[Stimulus, Future[Outcome] | None]] = deque()
        self._wake = threading.Event()
        self._contacts_may_be_new = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"watch {name}", daemon=True)
        self._beat_s = time.monotonic()
        self._stumbled = 0
        self._next_tick_s = 0.0
        self._show_s = math.inf  # when something new has to be shown
        self._learned_s = math.inf  # real time at which what was learned is told again
        self.view = watch.view()

    def start(self) -> None:
        """Begin to watch."""
        for wired in self._contacts:
            try:
                wired.contact.start(self._contact_changed)
            except Exception:
                # What a switch says that never began to listen is worth nothing.
                log.exception("%s: it could not be started", wired.name)
                self._unstarted.add(wired.name)
        self._learned_s = time.monotonic() + LEARNED_EVERY_S
        if self._stopped:  # else it waits for the first second, which may say so
            self._switch(True)
        self._thread.start()

    def stop(self) -> None:
        """End the loop; returns once it has, within a second."""
        self._stopping.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(1.0)
        if self._thread.ident is not None and not self._thread.is_alive():
            self._tell_learned()
        for wired in self._contacts:
            self._guarded(wired.name, wired.contact.close)

    def put(self, stimulus: Stimulus) -> None:
        """Hand over a stimulus from any thread; never blocks."""
        if isinstance(stimulus, Reading) and len(self._inbox) > BACKLOG:
            return
        self._inbox.append((stimulus, None))
        self._wake.set()

    def submit(self, command: Command) -> Future[Outcome]:
        """Hand over a command; the future gives its outcome or `CommandRefused`."""
        future: Future[Outcome] = Future()
        self._inbox.append((command, future))
        self._wake.set()
        return future

    def on_time(self, within_s: float) -> bool:
        """Whether the loop has come round within `within_s` real seconds and gets through."""
        if self._thread.ident is not None and not self._thread.is_alive():
            return self._stopping.is_set()
        return time.monotonic() - self._beat_s <= within_s and self._stumbled < STUMBLES

    @property
    def waiting(self) -> int:
        """How many stimuli the watch has still to take."""
        return len(self._inbox)

    @property
    def failing(self) -> tuple[str, ...]:
        """What around the watch fails just now, for the log and for health."""
        return tuple(self._logged_s.copy())

    # --- the loop ------------------------------------------------------------

    def _contact_changed(self) -> None:
        self._contacts_may_be_new.set()
        self._wake.set()

    def _run(self) -> None:
        # The second that has just begun: nobody waits for the next to see a first reading.
        self._next_tick_s = float(math.floor(self._clock.now_s()))
        while not self._stopping.is_set():
            try:
                self._round()
            except Exception:
                # A thread that ends watches nothing any more.
                self._stumbled += 1
                self._fails("the loop")
                self._stopping.wait(REST_S)

    def _round(self) -> None:
        now_s = self._clock.now_s()
        self._beat_s = time.monotonic()
        self._wake.clear()
        self._drain()
        if self._contacts_may_be_new.is_set():
            self._contacts_may_be_new.clear()
            self._read_contacts(now_s)
        if now_s >= self._show_s:
            self._show()
        if now_s < self._next_tick_s:
            self._clock.wait(min(self._next_tick_s, self._show_s), self._wake)
            return
        if now_s - self._next_tick_s > JUMP_S:
            self._next_tick_s = math.floor(now_s) + 0.0
        t_s = self._next_tick_s
        self._next_tick_s += 1.0
        self._second(t_s)
        self._logged_s.pop("the loop", None)

    def _second(self, t_s: float) -> None:
        for number, read in enumerate(self._instant, start=1):
            reading = self._guarded(f"sensor {number} of those read at once", read, t_s)
            if reading is not None:
                self._take(reading)
        self._read_contacts(t_s)
        for number, loop in enumerate(self._checked, start=1):
            self._guarded(f"loop {number}, {type(loop).__name__}", loop.check, t_s)
        self._drain()
        if self._script is not None:
            for command in self._guarded("the script", self._script, t_s, self.view) or ():
                self._guarded("a command of the script", self._try, command)
        at = None if self._label is None else self._guarded("the wall clock", self._label, t_s)
        self._take(Tick(t_s, at))
        self._show()
        if time.monotonic() >= self._learned_s:
            self._tell_learned()

    def _tell_learned(self) -> None:
        self._learned_s = time.monotonic() + LEARNED_EVERY_S
        learned = self._guarded("what the watch has learned", self._watch.balance)
        afterwards = self._guarded("what still follows", self._watch.afterwards)
        if learned is not None and afterwards is not None:
            self._guarded("who keeps what was learned", self._on_learned, learned, afterwards)

    def _guarded(self, what: str, action: Callable[..., T], *given: object) -> T | None:
        """What `action` gives, or None if it fails: nothing around the watch may end it."""
        try:
            answer = action(*given)
        except Exception:
            self._fails(what)
            return None
        if self._logged_s.pop(what, None) is not None:
            log.info("%s works again", what)
        return answer

    def _fails(self, what: str, about: object = "", error: Exception | None = None) -> None:
        """Log an error, or else the one being handled, unless that was done lately."""
        now_s = time.monotonic()
        if now_s - self._logged_s.get(what, -math.inf) >= LOG_EVERY_S:
            self._logged_s[what] = now_s
            log.error("%s failed %s", what, about, exc_info=error or True)

    def _sound(self, sounding: Sounding) -> None:
        """Tell the sounder; what it didn't take it is told again with the next view."""
        if sounding is self._sounded:
            return
        self._guarded("the sounder", self._sounder.set, sounding)
        if "the sounder" not in self._logged_s:
            self._sounded = sounding

    def _switch(self, stopped: bool) -> None:
        """Tell the relay; what it didn't take it is told again with the next view."""
        if self._relay is None or stopped is self._switched:
            return
        self._guarded("the relay", self._relay.set, stopped)
        if "the relay" not in self._logged_s:
            self._switched = stopped

    @property
    def _stopped(self) -> bool:
        """Whether the machine had to be off when the watch was last looked at."""
        return self.view.stop is not None and self.view.stop.phase is StopPhase.STOPPED

    def _show(self) -> None:
        self._show_s = math.inf
        view = self._guarded("the watch's view", self._watch.view)
        if view is None:
            return
        self.view = view
        self._sound(view.sounding)
        if view.stop is not None and view.t_s is not None:
            self._switch(self._stopped)
        self._guarded("who takes the view", self._on_view, self.view)

    def _drain(self) -> None:
        while self._inbox:
            stimulus, future = self._inbox.popleft()
            if future is None:
                self._take(stimulus)
            elif future.set_running_or_notify_cancel():
                try:
                    outcome = self._take(stimulus)
                    assert outcome is not None  # what becomes of a command is raised
                except Exception as error:
                    # A refusal is the asker's to hear; a defect too, and the loop must live on.
                    future.set_exception(error)
                else:
                    self._show()
                    future.set_result(outcome)

    def _try(self, command: Command) -> None:
        try:
            self._take(command)
        except CommandRefused as refused:
            log.warning("what the machine told was refused: %s", refused.reason)

    def _take(self, stimulus: Stimulus) -> Outcome | None:
        """Hand a stimulus to the watch, and on what follows; None where a defect lost it."""
        step = f"the watch's step with a {type(stimulus).__name__}"
        try:
            outcome = self._watch.step(stimulus)
        except CommandRefused:
            raise
        except Exception:
            if isinstance(stimulus, Command):
                raise
            # One defect in one rule must not end the watching of everything else.
            self._stumbled += 1
            self._fails(step, stimulus)
            return None
        self._logged_s.pop(step, None)
        if isinstance(stimulus, Tick):
            self._note_broken_rules()
        else:
            self._show_s = min(self._show_s, stimulus.t_s + SHOW_WITHIN_S)
        if outcome.sounding is not None:
            self._sound(outcome.sounding)
        if outcome.stop is not None:
            self._switch(outcome.stop)
        if isinstance(stimulus, Reading):
            self._guarded("who takes readings", self._on_reading, stimulus)
        if any(job.state in _ENDED for job in outcome.jobs):
            self._learned_s = -math.inf  # with the next tick
        if not outcome.empty:
            self._guarded("who keeps outcomes", self._sink, outcome)
        return outcome

    def _note_broken_rules(self) -> None:
        """Log what broke within the watch; only for what it can't begin anew a restart is due."""
        failures = {f"the rule of {f.what}": f for f in self._watch.failures}
        for what in self._broken - set(failures):
            self._logged_s.pop(what, None)
        self._broken = set(failures)
        for what, failure in failures.items():
            self._fails(what, error=failure.error)
        if all(failure.begun_anew for failure in failures.values()):
            self._stumbled = 0
        else:
            self._stumbled += 1

    def _read_contacts(self, t_s: float) -> None:
        for wired in self._contacts:
            active, reason = self._state_of(wired)
            told = self._told.get(wired.name)
            if told is None or told.active is not active or told.reason != reason:
                state = ContactState(wired.name, wired.kind, t_s, active, reason)
                if self._take(state) is not None:  # else it is told again with the next second
                    self._told[wired.name] = state

    def _state_of(self, wired: WiredContact) -> tuple[bool | None, str]:
        """Whether a switch is off-normal, or why nobody knows."""
        if wired.name in self._unstarted:
            return None, BROKEN
        try:
            active = wired.contact.state()
        except ContactError as error:
            return None, error.reason
        except Exception:
            self._fails(wired.name)
            return None, BROKEN
        self._logged_s.pop(wired.name, None)
        return active, ""
