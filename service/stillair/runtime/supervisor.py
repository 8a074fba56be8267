"""The loop of one chamber: one thread, one queue, absolute deadlines.

Whatever happens anywhere goes through `put` or `submit` into one queue; the
loop hands it to the watch and at once sets the sounder. Keeping, telling and
showing come after, through `sink`, and can't hold the loop up. Every whole
second of the chamber's time the instant sensors and contacts are read and the
watch ticks.
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
from typing import Protocol

from stillair.clock import Clock
from stillair.errors import CommandRefused, ContactError
from stillair.model import (
    Command,
    ContactKind,
    ContactState,
    Outcome,
    Reading,
    Sounding,
    Stimulus,
    Tick,
)
from stillair.sensing.protocols import Contact
from stillair.watch import Watch, WatchView

log = logging.getLogger(__name__)

JUMP_S = 60.0  # further behind than this the loop goes to the present; the watch tells the gap
BACKLOG = 10_000  # stimuli waiting beyond which further readings are dropped: the loop is stuck
SHOW_WITHIN_S = 0.05  # what comes between two ticks is shown by then, several in one view
STUMBLES = 5  # ticks in a row that failed, after which the service manager should restart us


class Sounder(Protocol):
    def set(self, sounding: Sounding) -> None: ...


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
    sink : takes each outcome that has to be kept or shown; never blocks
    on_reading : takes each reading for the archive; never blocks
    on_view : takes the new view after each tick and command and soon after anything else;
        never blocks
    """

    def __init__(
        self,
        *,
        name: str,
        watch: Watch,
        clock: Clock,
        sounder: Sounder,
        sink: Callable[[Outcome], None],
        on_reading: Callable[[Reading], None],
        on_view: Callable[[WatchView], None],
        instant: Sequence[Callable[[float], Reading | None]] = (),
        contacts: Sequence[WiredContact] = (),
        checked: Sequence[Checked] = (),
        script: Callable[[float, WatchView], Sequence[Command]] | None = None,
    ) -> None:
        self._watch = watch
        self._clock = clock
        self._sounder = sounder
        self._sink = sink
        self._on_reading = on_reading
        self._on_view = on_view
        self._instant = tuple(instant)
        self._contacts = tuple(contacts)
        self._checked = tuple(checked)
        self._script = script
        self._told: dict[str, ContactState] = {}
        self._inbox: deque[tuple[Stimulus, Future[Outcome] | None]] = deque()
        self._wake = threading.Event()
        self._contacts_may_be_new = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"watch {name}", daemon=True)
        self._beat_s = time.monotonic()
        self._stumbled = 0
        self._show_s = math.inf  # when something new has to be shown
        self.view = watch.view()

    def start(self) -> None:
        """Begin to watch."""
        for wired in self._contacts:
            wired.contact.start(self._contact_changed)
        self._thread.start()

    def stop(self) -> None:
        """End the loop; returns once it has, within a second."""
        self._stopping.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(1.0)
        for wired in self._contacts:
            wired.contact.close()

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
        return time.monotonic() - self._beat_s <= within_s and self._stumbled < STUMBLES

    # --- the loop ------------------------------------------------------------

    def _contact_changed(self) -> None:
        self._contacts_may_be_new.set()
        self._wake.set()

    def _run(self) -> None:
        # The second that has just begun: nobody waits for the next to see a first reading.
        next_tick_s = float(math.floor(self._clock.now_s()))
        while not self._stopping.is_set():
            now_s = self._clock.now_s()
            self._beat_s = time.monotonic()
            self._wake.clear()
            self._drain()
            if self._contacts_may_be_new.is_set():
                self._contacts_may_be_new.clear()
                self._read_contacts(now_s)
            if now_s >= self._show_s:
                self._show()
            if now_s < next_tick_s:
                self._clock.wait(min(next_tick_s, self._show_s), self._wake)
                continue
            if now_s - next_tick_s > JUMP_S:
                next_tick_s = math.floor(now_s) + 0.0
            self._second(next_tick_s)
            next_tick_s += 1.0

    def _second(self, t_s: float) -> None:
        for read in self._instant:
            reading = read(t_s)
            if reading is not None:
                self._take(reading)
        self._read_contacts(t_s)
        for loop in self._checked:
            loop.check(t_s)
        self._drain()
        if self._script is not None:
            for command in self._script(t_s, self.view):
                self._try(command)
        self._take(Tick(t_s))
        self._show()

    def _show(self) -> None:
        self._show_s = math.inf
        self.view = self._watch.view()
        self._on_view(self.view)

    def _drain(self) -> None:
        while self._inbox:
            stimulus, future = self._inbox.popleft()
            if future is None:
                self._take(stimulus)
            elif future.set_running_or_notify_cancel():
                try:
                    outcome = self._take(stimulus)
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
            log.info("the scripted machine was refused: %s", refused.reason)

    def _take(self, stimulus: Stimulus) -> Outcome:
        try:
            outcome = self._watch.step(stimulus)
        except CommandRefused:
            raise
        except Exception:
            if isinstance(stimulus, Command):
                raise
            # One defect in one rule must not end the watching of everything else.
            log.exception("the watch stumbled over %r", stimulus)
            self._stumbled += 1
            return Outcome("", stimulus.t_s)
        if isinstance(stimulus, Tick):
            self._stumbled = 0
        else:
            self._show_s = min(self._show_s, stimulus.t_s + SHOW_WITHIN_S)
        if outcome.sounding is not None:
            self._sounder.set(outcome.sounding)
        if isinstance(stimulus, Reading):
            self._on_reading(stimulus)
        if not outcome.empty:
            self._sink(outcome)
        return outcome

    def _read_contacts(self, t_s: float) -> None:
        for wired in self._contacts:
            try:
                active, reason = wired.contact.state(), ""
            except ContactError as error:
                active, reason = None, error.reason
            told = self._told.get(wired.name)
            if told is None or told.active is not active or told.reason != reason:
                state = ContactState(wired.name, wired.kind, t_s, active, reason)
                self._told[wired.name] = state
                self._take(state)
