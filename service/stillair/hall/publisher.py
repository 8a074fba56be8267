"""The connection to the broker of a hall, by which one chamber is handed on.

    archive, journal ──> Onward ──┐                              ┌──> readings, entries
                                  ├──> Publisher ──> broker ─────┤
    the watch's view ──> Tells ───┘       ^                      └──> watch, now, alarms
                                          └── PUBACK: a cursor moves

A thread of its own talks to the broker; another one, that lives only as long as a question, asks
the disk, so that a card that hangs keeps no alarm from the hall. The watch waits for neither and
hands over nothing but the instant of each reading.

At most one message of a kind is under way, so what waits is bounded, whatever the broker does:
one that answers nothing for 20 s is hung up on. What it doesn't confirm, or confirms with the
word that nobody has subscribed to it, is owed still.

References
----------
OASIS, MQTT version 5.0: 3.1.3.2 last will, 3.2.2.3.6 maximum packet size, 3.4.2.1 PUBACK
reason codes, 3.8.3.1 subscription options.
"""

from __future__ import annotations

import hashlib
import logging
import re
import socket
import threading
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, cast

from stillair.alerts.topic import NOBODY_LISTENS, BrokerSettings, client_of
from stillair.clock import Clock
from stillair.errors import StoreError
from stillair.hall.catching_up import Batch, Lane, Progress, pause_s
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
from stillair.storage.onward import Lines, NextReadings, Onward

if TYPE_CHECKING:
    from paho.mqtt.client import Client

log = logging.getLogger(__name__)

LOOP_S: Final = 0.1  # the longest wait for the socket, and so for an alarm
KEEPALIVE_S: Final = 20
LET_IN_S: Final = 10.0  # in which a broker has to say whether we may come in
ANSWER_S: Final = 20.0  # and to confirm what it was given
STOP_S: Final = 0.5
ENDING_S: Final = 0.4
NOW_EVERY_S: Final = 10.0
LOOK_S: Final = 1.0  # between two looks at how it is, though nothing in the view has changed
CATCH_UP_S: Final = 0.2  # between two batches of what is late, so that the rest has its time
AGAIN_S: Final = 10.0  # after a disk that failed, or a broker at which nobody has subscribed
KEEP_S: Final = 60.0  # between two writes of the cursors
BEFORE_MS: Final = 24 * 3_600_000  # of the readings from before the hall was set up
MOST_ALARMS_UNDER_WAY: Final = 8
OVERHEAD_BYTES: Final = 4096  # of a batch of readings: names and what every message says
_ID: Final = re.compile(r"[a-z0-9-]{1,120}")


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


@dataclass(slots=True)
class _UnderWay:
    """A message that the broker has been given."""

    kind: str
    done: Callable[[], None]
    given_s: float


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
        self._wire: socket.socket | None = None
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
            self._thread.join(STOP_S)
            if self._thread.is_alive() and (wire := self._wire) is not None:
                with suppress(OSError):  # the broker then tells that it is silent
                    wire.shutdown(socket.SHUT_RDWR)
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
                log.debug("the hall's broker", exc_info=True)
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
        """Nothing is under way any more: the connection has ended."""
        self._client: Client | None = None
        self._is_in = False
        self._refused = ""
        self._under_way: dict[int, _UnderWay] = {}
        self._largest_bytes = LARGEST_ENTRY_BYTES
        self._mark: object = None
        self._looked_s = -1e9
        self._now: NowMessage | None = None
        self._now_s = -1e9
        self._state: State | None = None
        self._alarms: dict[str, bytes] = {}  # as the broker has them
        self._standing: dict[str, bytes] = {}  # as they are
        self._found: set[str] = set()  # alarms that the broker has kept from before
        self._lines: deque[tuple[int, KeptLine]] = deque()
        self._read_seq = self._progress.seq if self._progress else 0
        self._entries_due_s = -1e9
        self._batch: Batch | None = None
        self._readings_due_s = self._clock.now_s() + min(self._every_s, 2.0)

    def _stay_connected(self) -> None:
        """Connect and hand on until the connection is lost. Raises `OSError`, and paho's errors."""
        self._forget()
        form = self._form
        assert form is not None
        mark = hashlib.sha256(form.base.encode()).hexdigest()[:22]  # 23 every broker has to take
        client = client_of(self._broker, self._watch_wire, version_5=True, client_id=f"s{mark}")
        client.on_connect = self._on_connect
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        client.on_disconnect = self._on_disconnect
        client.will_set(form.topic("watch"), form.watch(SILENT, self._at()), qos=1, retain=True)
        self._client = client
        begun_s = self._clock.now_s()
        try:
            client.connect(self._broker.host, self._broker.port, keepalive=KEEPALIVE_S)
            while not self._stopping.is_set():
                if client.loop(LOOP_S) or self._refused:
                    raise OSError(self._refused or "the connection broke")
                if self._is_in:
                    self._tell()
                elif self._clock.now_s() - begun_s > LET_IN_S:
                    raise OSError(f"it says nothing within {LET_IN_S:g} s")
            if self._is_in:
                self._end(client)
        finally:
            # They hold each other: without this the socket waits for the collector.
            client.on_connect = client.on_publish = client.on_message = None
            client.on_disconnect = None
            if (wire := client.socket()) is not None:
                wire.close()
            self._wire = None
            self._forget()

    def _end(self, client: Client) -> None:
        """Say that it was on purpose, and leave once the broker has that."""
        assert self._form is not None
        ended: list[bool] = []
        payload = self._form.watch(ENDED, self._at())
        self._publish("watch", "watch", payload, lambda: ended.append(True), retain=True)
        until_s = self._clock.now_s() + ENDING_S
        while not ended and self._clock.now_s() < until_s:
            if client.loop(LOOP_S):
                return
        if ended:
            client.disconnect()

    def _watch_wire(self, wire: socket.socket) -> None:
        self._wire = wire

    def _lost(self, why: str) -> None:
        if not self._why:
            log.warning("hall: %s: %s; tried again and again", self._broker.where, why)
        self._why = why
        self._failures += 1

    def _on_connect(
        self, client: Client, _data: Any, _flags: Any, reason: Any, properties: Any
    ) -> None:
        if reason.is_failure:
            self._refused = f"it refuses: {str(reason).lower()}"
            return
        from paho.mqtt.subscribeoptions import SubscribeOptions

        assert self._form is not None
        self._is_in = True
        self._failures = 0
        if self._why != "":
            log.info("hall: %s: connected", self._broker.where)
        self._why = ""
        self._largest_bytes = getattr(properties, "MaximumPacketSize", self._largest_bytes)
        client.max_inflight_messages_set(min(20, getattr(properties, "ReceiveMaximum", 20)))
        # What it has kept of alarms that have ended since, perhaps while nobody told it.
        kept = SubscribeOptions(qos=0, noLocal=True)
        client.subscribe(self._form.topic("alarms/+"), options=kept)

    def _on_disconnect(
        self, _client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        if reason.is_failure and not self._refused:
            self._refused = f"it hung up: {str(reason).lower()}"

    def _on_message(self, _client: Client, _data: Any, message: Any) -> None:
        name = str(message.topic).rpartition("/")[2]
        if message.retain and message.payload and _ID.fullmatch(name) and len(self._found) < 1000:
            self._found.add(name)

    def _on_publish(
        self, _client: Client, _data: Any, number: int, reason: Any, _properties: Any
    ) -> None:
        sent = self._under_way.pop(number, None)
        if sent is None:
            return
        if reason.value == NOBODY_LISTENS and sent.kind in ("entries", "readings"):
            self._unheard(sent.kind)
        elif reason.is_failure:
            self._refused = f"it refuses {sent.kind}: {str(reason).lower()}"
        else:
            if sent.kind in ("entries", "readings"):
                self._nobody = ""
            sent.done()

    def _unheard(self, kind: str) -> None:
        """The broker has taken it for nobody: it is owed still, and kept here."""
        self._nobody = "nobody has subscribed at the broker, so it is all kept here"
        again_s = self._clock.now_s() + AGAIN_S
        if kind == "entries":
            self._entries_due_s = again_s
        else:
            self._batch, self._readings_due_s = None, again_s

    # --- what is told ---------------------------------------------------------------------

    def _tell(self) -> None:
        """Give the broker what is due: how it is, then what happened, then readings."""
        now_s = self._clock.now_s()
        if any(now_s - sent.given_s > ANSWER_S for sent in self._under_way.values()):
            raise OSError(f"it confirms nothing within {ANSWER_S:g} s")
        self._question.answered()
        self._take_told()
        self._tell_how_it_is(now_s)
        self._tell_entries(now_s)
        self._tell_readings(now_s)
        self._keep_cursors(at_once=False)

    def _publish(
        self, kind: str, topic: str, payload: bytes, done: Callable[[], None], *, retain: bool
    ) -> None:
        assert self._client is not None
        assert self._form is not None
        handed = self._client.publish(self._form.topic(topic), payload, qos=1, retain=retain)
        self._under_way[handed.mid] = _UnderWay(kind, done, self._clock.now_s())

    def _is_under_way(self, kind: str) -> bool:
        return any(sent.kind == kind for sent in self._under_way.values())

    def _tell_how_it_is(self, now_s: float) -> None:
        assert self._form is not None
        state: State = WATCHING if self._tells.watching() else STUCK
        if state != self._state and not self._is_under_way("watch"):
            self._state = state
            payload = self._form.watch(state, self._at())
            self._publish("watch", "watch", payload, _nothing, retain=True)
        mark = self._tells.mark()
        if mark is not self._mark or now_s - self._looked_s >= LOOK_S:
            self._mark, self._looked_s = mark, now_s
            item, whole = self._tells.now()
            alarms = cast("list[Mapping[str, Any]]", item["alarms"])
            self._standing = {str(of["id"]): self._form.alarm(of) for of in alarms}
            now = self._form.now(item, whole=whole)
            if now_s - self._now_s >= NOW_EVERY_S or self._now is None or _differs(now, self._now):
                if not self._is_under_way("now"):
                    self._now, self._now_s = now, now_s
                    self._publish("now", "now", now.payload(), _nothing, retain=True)
        self._tell_alarms()

    def _tell_alarms(self) -> None:
        over = (self._alarms.keys() | self._found) - self._standing.keys()
        changed = [
            *(
                (name, told)
                for name, told in self._standing.items()
                if self._alarms.get(name) != told
            ),
            *((name, b"") for name in sorted(over)),
        ]
        for name, payload in changed:
            kind = f"alarm {name}"
            if not self._is_under_way(kind) and len(self._under_way) < MOST_ALARMS_UNDER_WAY:

                def done(name: str = name, payload: bytes = payload) -> None:
                    self._found.discard(name)
                    if payload:
                        self._alarms[name] = payload
                    else:
                        self._alarms.pop(name, None)

                self._publish(kind, f"alarms/{name}", payload, done, retain=True)

    def _tell_entries(self, now_s: float) -> None:
        progress, form = self._progress, self._form
        assert progress is not None
        assert form is not None
        if now_s < self._entries_due_s or self._is_under_way("entries"):
            return
        while self._lines:
            seq, line = self._lines[0]
            payload = form.entry(seq, line, self._tells.cleaned(line.body))
            if len(payload) > min(LARGEST_ENTRY_BYTES, self._largest_bytes - OVERHEAD_BYTES):
                log.error("entry %d is too long for the hall, %d bytes", seq, len(payload))
                self._lines.popleft()
                progress.entry_taken(seq, line.parcel)
                continue

            def done(seq: int = seq, parcel: str = line.parcel) -> None:
                self._lines.popleft()
                progress.entry_taken(seq, parcel)

            self._publish("entries", "entries", payload, done, retain=False)
            return
        if self._tells.last_seq() > self._read_seq and self._question.is_free:
            after, newest, client = self._read_seq, self._tells.last_seq(), self._client

            def read() -> Callable[[], None]:
                found = self._onward.lines(self._chamber, after)
                return lambda: self._came(client, found, newest)

            self._entries_due_s = now_s + AGAIN_S  # unless an answer comes
            self._question.ask(read)

    def _came(self, client: Client | None, found: Lines, newest: int) -> None:
        if client is self._client:  # else they are read again
            self._entries_due_s = -1e9
            self._lines.extend(found.lines)
            # Rows of other chambers have numbers as well.
            self._read_seq = max(found.to, newest) if found.are_all else found.to

    def _tell_readings(self, now_s: float) -> None:
        progress = self._progress
        assert progress is not None
        if now_s < self._readings_due_s or self._batch is not None or not self._question.is_free:
            return
        self._readings_due_s = now_s + self._every_s
        if (owed := progress.owed()) is None:
            return
        lane, spans_ms = owed
        room = min(self._largest_bytes, LARGEST_BYTES) - OVERHEAD_BYTES
        most = max(1, min(MOST_READINGS, room // READING_BYTES))
        client = self._client

        def read() -> Callable[[], None]:
            found = self._onward.readings(self._chamber, spans_ms, most)
            return lambda: self._hand_on(client, Batch(lane, spans_ms, found))

        self._question.ask(read)

    def _hand_on(self, client: Client | None, batch: Batch) -> None:
        progress, form = self._progress, self._form
        if client is None or client is not self._client or progress is None or form is None:
            return  # it is read again
        found: NextReadings = batch.found
        if found.more:
            self._readings_due_s = self._clock.now_s() + CATCH_UP_S
        if not found.pieces:
            progress.taken(batch)
            return
        self._batch = batch

        def done() -> None:
            self._batch = None
            progress.taken(batch)

        self._publish("readings", "readings", form.readings(found), done, retain=False)

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
