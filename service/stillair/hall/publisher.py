"""Hand one chamber on to a hall: what is published when, and what that does to the cursors.

    archive, journal ──> Onward ──┐                              ┌──> readings, entries
                                  ├──> Publisher ──> broker ─────┤
    the watch's view ──> Tells ───┘       ^                      └──> watch, now, alarms
                                          └── PUBACK: a cursor moves

A thread of its own talks to the broker; another one, that lives only as long as a question, asks
the disk, so that a card that hangs keeps no alarm from the hall. The watch waits for neither and
hands over nothing but the instant of each reading. What the broker doesn't confirm, or confirms
with the word that nobody has subscribed to it, is owed still.
"""

from __future__ import annotations

import hashlib
import logging
import threading
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, cast

from stillair.alerts.topic import BrokerSettings
from stillair.clock import Clock
from stillair.errors import StoreError
from stillair.hall.catching_up import Batch, Progress, pause_s
from stillair.hall.connection import Connection
from stillair.hall.cursors import Cursors
from stillair.hall.messages import (
    ENDED,
    LARGEST_BYTES,
    LARGEST_ENTRY_BYTES,
    MOST_READINGS,
    READING_BYTES,
    SILENT,
    STUCK,
    WATCHING,
    Form,
    NowMessage,
    State,
)
from stillair.storage.items import Item, label
from stillair.storage.kept_lines import KeptLine
from stillair.storage.onward import Lines, Onward

log = logging.getLogger(__name__)

STOP_S: Final = 0.5
CUT_OFF_S: Final = 0.2  # the same where nobody is there to be told
NOW_EVERY_S: Final = 10.0
LOOK_S: Final = 1.0  # between two looks at how it is, though nothing in the view has changed
CATCH_UP_S: Final = 0.2  # between two batches of what is late, so that the rest has its time
AGAIN_S: Final = 10.0  # after a disk that failed, or a broker at which nobody has subscribed
KEEP_S: Final = 60.0  # between two writes of the cursors
BEFORE_MS: Final = 24 * 3_600_000  # of the readings from before the hall was set up
OVERHEAD_BYTES: Final = 16 * 1024  # of a batch of readings: up to 64 names of sensors
TOPIC_BYTES: Final = 2048  # of any message, beside its payload


@dataclass(frozen=True, slots=True)
class Tells:
    """What is asked of the board; each answers at once.

    `now`: what the first page shows of the chamber to who is no owner, and whether the watch is
    whole. `mark` is another object whenever `now` may say something new. `last_seq` is the newest
    row of the ledger; `cleaned` takes hosts and paths out of the body of one.
    """

    now: Callable[[], tuple[Item, bool]]
    mark: Callable[[], object]
    watching: Callable[[], bool]
    last_seq: Callable[[], int]
    cleaned: Callable[[Any], Any]


class _Question:
    """One question to the disk at a time, each in a thread that ends with it."""

    def __init__(self) -> None:
        self._thread: threading.Thread | None = None
        self._answer: Callable[[], None] | None = None
        self._is_failing = False

    @property
    def is_free(self) -> bool:
        return self._thread is None

    def ask(self, question: Callable[[], Callable[[], None]]) -> None:
        """Have it asked; what it gives back is called by `answered`."""

        def run() -> None:
            try:
                self._answer = question()
                self._is_failing = False
            except Exception as error:
                if not self._is_failing:
                    known = isinstance(error, StoreError)
                    log.warning("the hall waits: %s", error, exc_info=None if known else error)
                self._is_failing = True

        self._thread = threading.Thread(target=run, name="hall reads", daemon=True)
        self._thread.start()

    def answered(self) -> None:
        """Take the answer, if there is one by now."""
        if self._thread is not None and not self._thread.is_alive():
            answer, self._thread, self._answer = self._answer, None, None
            if answer is not None:
                answer()


class Publisher:
    """Hand one chamber on to the broker of a hall, for as long as it runs.

    Parameters
    ----------
    broker : BrokerSettings
    form : callable
        Makes the messages, given the board's mark.
    chamber : str
        Its key.
    sensors : tuple of str
        Those whose readings of the last day are owed to a hall that was never told of any.
    every_s : float
        How often readings go out.
    chance : callable
        From 0 to 1.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        form: Callable[[str], Form],
        tells: Tells,
        onward: Onward,
        cursors: Cursors,
        *,
        chamber: str,
        sensors: tuple[str, ...],
        every_s: float,
        clock: Clock,
        chance: Callable[[], float],
    ) -> None:
        self._broker = broker
        self._make_form = form
        self._tells = tells
        self._onward = onward
        self._cursors = cursors
        self._chamber = chamber
        self._sensors = sensors
        self._every_s = every_s
        self._clock = clock
        self._chance = chance
        self._new: dict[str, deque[int]] = {}  # instants that the watch has told, see `told`
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="hall", daemon=True)
        self._connection: Connection | None = None
        self._why: str | None = None
        self._nobody = ""
        # Of the thread alone:
        self._form: Form | None = None
        self._progress: Progress | None = None
        self._question = _Question()
        self._failures = 0
        self._kept_s = clock.now_s()
        self._kept_changes = 0
        self._forget()

    # --- from any thread ---------------------------------------------------------------

    def told(self, sensor: str, at_epoch_s: float) -> None:
        """A reading is in the archive, with this label; never blocks."""
        at_ms = round(at_epoch_s * 1000)
        with self._lock:
            self._note(sensor, at_ms)

    def _note(self, sensor: str, at_ms: int) -> None:
        """Of a row of instants that grow only the first and the last are needed."""
        noted = self._new.setdefault(sensor, deque(maxlen=64))
        if len(noted) >= 2 and noted[-2] < noted[-1] < at_ms:
            noted[-1] = at_ms
        else:
            noted.append(at_ms)

    def start(self) -> None:
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether its thread runs, as it should between start and stop."""
        return self._stopping.is_set() or self._thread.ident is None or self._thread.is_alive()

    @property
    def ails(self) -> str | None:
        """Why nothing is taken just now; "" while all is well, None before the first try."""
        return self._why or (self._nobody if self._why is not None else None)

    def stop(self) -> None:
        """Say that it ends, keep the cursors and let go, within 0.5 s. Safe to call twice."""
        self._stopping.set()
        if self._thread.ident is not None:
            connection = self._connection
            is_in = connection is not None and connection.is_in
            self._thread.join(STOP_S if is_in else CUT_OFF_S)  # to a dead host it connects for 5 s
            if connection is not None and self._thread.is_alive():
                connection.cut()
        self._onward.close()

    # --- the connection ------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self._ready()
                self._stay_connected()
            except (OSError, StoreError) as error:
                self._lost(str(getattr(error, "strerror", None) or error).lower())
            except Exception as error:
                # paho raises struct.error, IndexError and others for what a broker garbles.
                if not self._why:
                    log.warning("hall: %s", self._broker.where, exc_info=error)
                self._lost(f"it does not speak MQTT 5 as it should ({type(error).__name__})")
            self._question.answered()
            self._keep_cursors(at_once=False)
            if not self._stopping.is_set():
                self._stopping.wait(pause_s(self._failures, self._chance()))
        self._keep_cursors(at_once=True)

    def _ready(self) -> None:
        """Know who we are and how far we had got. Raises `StoreError`."""
        if self._form is None:
            self._form = self._make_form(self._cursors.board())
        if self._progress is None:
            progress = self._cursors.of(self._chamber)
            if progress is None:
                since_ms = round(self._clock.wall().timestamp() * 1000) - BEFORE_MS
                progress = Progress(dict.fromkeys(self._sensors, since_ms))
            seq = progress.seq
            progress.resumed(
                last_seq=self._onward.last_seq(),
                parcel=self._onward.parcel_at(seq) if seq else None,
            )
            self._progress = progress

    def _forget(self) -> None:
        """Nothing is under way any more, and the broker may have lost what it had."""
        self._mark: object = None
        self._looked_s = -1e9
        self._now: NowMessage | None = None
        self._now_s = -1e9
        self._state: State | None = None
        self._alarms: dict[str, bytes] = {}  # as the broker has them
        self._standing: dict[str, bytes] = {}  # as they are
        self._lines: deque[tuple[int, KeptLine]] = deque()
        self._read_seq = self._progress.seq if self._progress else 0
        self._entries_due_s = -1e9
        self._readings_due_s = self._clock.now_s() + min(self._every_s, 2.0)

    def _stay_connected(self) -> None:
        """Connect and hand on until the connection is lost. Raises `OSError`, and paho's errors."""
        form = self._form
        assert form is not None
        mark = hashlib.sha256(form.base.encode()).hexdigest()[:22]  # 23 every broker has to take
        self._forget()
        self._connection = connection = Connection(
            self._broker,
            name=f"s{mark}",
            will=(form.topic("watch"), form.watch(SILENT, self._at())),
            kept=form.topic("alarms/+"),
            clock=self._clock,
        )
        try:
            connection.open()
            while not self._stopping.is_set():
                connection.serve()
                if connection.is_in:
                    self._came_in()
                    self._tell(connection)
            if connection.is_in:
                connection.leave(form.topic("watch"), form.watch(ENDED, self._at()))
        finally:
            connection.close()
            self._connection = None

    def _came_in(self) -> None:
        self._failures = 0
        if self._why != "":
            log.info("hall: %s: connected", self._broker.where)
            self._why = ""

    def _lost(self, why: str) -> None:
        if not self._why:
            log.warning("hall: %s: %s; tried again and again", self._broker.where, why)
        self._why = why
        self._failures += 1

    # --- what is told ---------------------------------------------------------------------

    def _tell(self, connection: Connection) -> None:
        """Give the broker what is due: how it is, then what happened, then readings."""
        form, progress, now_s = self._form, self._progress, self._clock.now_s()
        assert form is not None
        assert progress is not None
        self._question.answered()
        self._take_told()
        self._tell_how_it_is(connection, form, now_s)
        self._tell_alarms(connection, form)
        self._tell_entries(connection, form, progress, now_s)
        self._tell_readings(connection, progress, now_s)
        self._keep_cursors(at_once=False)

    def _tell_how_it_is(self, connection: Connection, form: Form, now_s: float) -> None:
        state: State = WATCHING if self._tells.watching() else STUCK
        if state != self._state and connection.may("watch"):
            self._state = state
            payload = form.watch(state, self._at())
            connection.publish("watch", form.topic("watch"), payload, _nothing)
        mark = self._tells.mark()
        if mark is self._mark and now_s - self._looked_s < LOOK_S:
            return
        self._mark, self._looked_s = mark, now_s
        item, whole = self._tells.now()
        alarms = cast("list[Mapping[str, Any]]", item["alarms"])
        self._standing = {str(of["id"]): form.alarm(of) for of in alarms}
        now = form.now(item, whole=whole)
        is_due = now_s - self._now_s >= NOW_EVERY_S
        if (is_due or self._now is None or _differs(now, self._now)) and connection.may("now"):
            self._now, self._now_s = now, now_s
            connection.publish("now", form.topic("now"), now.payload(), _nothing)

    def _tell_alarms(self, connection: Connection, form: Form) -> None:
        """Those that are another than the broker has them, and no more those that are over."""
        found, had = connection.found, self._alarms
        over = (had.keys() | found) - self._standing.keys()
        changed = {name: told for name, told in self._standing.items() if had.get(name) != told}
        for name, payload in {**changed, **dict.fromkeys(sorted(over), b"")}.items():
            kind = f"alarm {name}"
            if not connection.may(kind):
                continue

            def done(name: str = name, payload: bytes = payload) -> None:
                found.discard(name)
                if payload:
                    had[name] = payload
                else:
                    had.pop(name, None)

            connection.publish(kind, form.topic(f"alarms/{name}"), payload, done)

    def _tell_entries(
        self, connection: Connection, form: Form, progress: Progress, now_s: float
    ) -> None:
        if now_s < self._entries_due_s or not connection.may("entries"):
            return
        if not self._lines:
            self._read_lines(connection, now_s)
            return
        seq, line = self._lines[0]
        payload = form.entry(seq, line, self._tells.cleaned(line.body))
        if len(payload) > min(LARGEST_ENTRY_BYTES, connection.largest_bytes - TOPIC_BYTES):
            log.error("entry %d is too long for the hall: %d bytes", seq, len(payload))
            self._lines.popleft()
            progress.entry_taken(seq, line.parcel)
            return

        def done() -> None:
            self._heard()
            self._lines.popleft()
            progress.entry_taken(seq, line.parcel)

        def unheard() -> None:
            self._entries_due_s = self._unheard_until_s()

        topic = form.topic("entries")
        connection.publish("entries", topic, payload, done, retain=False, unheard=unheard)

    def _read_lines(self, connection: Connection, now_s: float) -> None:
        """Have the next lines read, if there are any."""
        after, newest = self._read_seq, self._tells.last_seq()
        if newest <= after or not self._question.is_free:
            return

        def read() -> Callable[[], None]:
            found = self._onward.lines(self._chamber, after)
            return lambda: came(found)

        def came(found: Lines) -> None:
            if connection is self._connection:  # else they are read again
                self._entries_due_s = -1e9
                self._lines.extend(found.lines)
                # Rows of other chambers have numbers as well.
                self._read_seq = max(found.to, newest) if found.are_all else found.to

        self._entries_due_s = now_s + AGAIN_S  # unless an answer comes
        self._question.ask(read)

    def _tell_readings(self, connection: Connection, progress: Progress, now_s: float) -> None:
        is_free = connection.may("readings") and self._question.is_free
        if now_s < self._readings_due_s or not is_free:
            return
        self._readings_due_s = now_s + self._every_s
        if (owed := progress.owed()) is None:
            return
        lane, spans_ms = owed
        room = min(connection.largest_bytes, LARGEST_BYTES) - OVERHEAD_BYTES
        most = max(1, min(MOST_READINGS, room // READING_BYTES))

        def read() -> Callable[[], None]:
            found = self._onward.readings(self._chamber, spans_ms, most)
            return lambda: self._hand_on(connection, progress, Batch(lane, spans_ms, found))

        self._question.ask(read)

    def _hand_on(self, connection: Connection, progress: Progress, batch: Batch) -> None:
        form = self._form
        if connection is not self._connection or form is None:
            return  # it is read again
        if batch.found.more:
            self._readings_due_s = self._clock.now_s() + CATCH_UP_S
        if not batch.found.pieces:
            progress.taken(batch)
            return

        def done() -> None:
            self._heard()
            progress.taken(batch)

        def unheard() -> None:
            self._readings_due_s = self._unheard_until_s()

        topic, payload = form.topic("readings"), form.readings(batch.found)
        connection.publish("readings", topic, payload, done, retain=False, unheard=unheard)

    def _unheard_until_s(self) -> float:
        """The broker has taken it for nobody: it is owed still, and kept here."""
        self._nobody = "nobody has subscribed at the broker, so it is all kept here"
        return self._clock.now_s() + AGAIN_S

    def _heard(self) -> None:
        self._nobody = ""

    # --- cursors ------------------------------------------------------------------------------

    def _take_told(self) -> None:
        """Note which readings there are since the last look."""
        with self._lock:
            new, self._new = self._new, {}
        if self._progress is not None:
            for sensor, instants in new.items():
                self._progress.told((sensor, at_ms) for at_ms in instants)

    def _keep_cursors(self, *, at_once: bool) -> None:
        """Write them down if they have moved, at most once a minute but at the end."""
        progress, now_s = self._progress, self._clock.now_s()
        if progress is None or progress.changes == self._kept_changes:
            return
        if at_once:
            self._take_told()
            try:
                self._cursors.keep(self._chamber, progress.kept())
            except StoreError as error:
                log.warning("how far the hall is was not kept: %s", error)
        elif now_s - self._kept_s >= KEEP_S and self._question.is_free:
            self._kept_s, self._kept_changes = now_s, progress.changes
            kept = progress.kept()

            def write() -> Callable[[], None]:
                self._cursors.keep(self._chamber, kept)
                return _nothing

            self._question.ask(write)

    def _at(self) -> str:
        return label(self._clock.wall().timestamp())


def _nothing() -> None:
    """There is nothing more to be done."""


def _differs(now: NowMessage, before: NowMessage) -> bool:
    """Whether it says something else than figures and times that move by themselves."""
    moving = {"at", "air_c", "sensors"}
    return now.model_dump(exclude=moving) != before.model_dump(exclude=moving)
