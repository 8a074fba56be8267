"""Take what boards publish of their past into the hall's store, once and in order.

    broker ──entries, readings──> Inbox ──a round──> store ──COMMIT──> `taken` ──> broker

One thread talks to the broker, another one writes. What was said to be taken is on the disk of
the database; what was not, the boards have still. So nothing here has to survive anything: where
store, broker or this process fail, all that waits is dropped, and comes again.

Somebody listens only while the store is open, and only once all boards can know how far they
are: a store that is an older one than it was would otherwise be given what comes behind a gap.
A message may also say what it comes after; behind a gap it isn't taken, and its board is told.
"""

from __future__ import annotations

import logging
import random
import threading
from collections import Counter, deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from stillair.alerts.topic import BrokerSettings
from stillair.clock import Clock
from stillair.errors import StoreError
from stillair.hall.catching_up import pause_s
from stillair.hall.inbox import Inbox, Letter
from stillair.hall.listening import Listening
from stillair.hall.messages import TakenMessage
from stillair.hall.names import MOST_CHAMBERS
from stillair.hall.understood import no_room, read, whose
from stillair.hall.wire import why_ended
from stillair.storage.hall_batches import Came, Cursor
from stillair.storage.hall_store import Written

log = logging.getLogger(__name__)

ROUND_S: Final = 0.2
MOST_IN_ROUND: Final = 2_000
ROUND_BYTES: Final = 1024 * 1024  # some 2,000 entries, which take two seconds
MOST_PACKED: Final = 2  # chambers, after a round: some 40 ms each
TRIED_S: Final = 30.0  # boards send what was not taken again by then
IDLE_S: Final = 5.0  # after which the store is asked whether it is still there
LONGEST_PAUSE_S: Final = 10.0  # before a store that was away is tried again
STORE_S: Final = 45.0  # longer than anything that is asked of the store
STOP_S: Final = 2.0
LEAVE_S: Final = 1.0
SETTLED_S: Final = 0.3  # since the last kept word: then there are no more
MOST_FAULTY: Final = 1_000
RATE_S: Final = 10.0
FORGET_EVERY_S: Final = 3600.0
FORGET_STEP_S: Final = 1.0  # from one step to the next, while there is something old
DAY_MS: Final = 86_400_000


class Store(Protocol):
    """Where it is kept; every method raises `StoreError`."""

    mark: str

    def cursors(self) -> list[Cursor]: ...
    def write(self, batch: Sequence[Came]) -> Written: ...
    def pack(self, most: int) -> int: ...
    def forget(self, keep_ms: int, now_ms: int) -> bool: ...
    def check(self) -> None: ...
    def cut(self) -> None: ...
    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Fault:
    """How many messages of a chamber could not be read, and why the last one."""

    count: int
    why: str


@dataclass(frozen=True, slots=True)
class Figures:
    """What was taken since the start; `left` found no room, `oldest_s` is the longest wait."""

    messages: int
    readings: int
    entries: int
    commits: int
    left: int
    readings_per_s: float
    oldest_s: float


class Taking:
    """Take the past of all chambers of a topic.

    Parameters
    ----------
    store_factory : callable
        Opens the store, or raises `StoreError`; called again after each loss.
    prefix : str
        What all topics begin with.
    on_takes : callable
        Told from a thread of this class, where that changes, whether it takes, and what ails
        that, in a sentence: also a store that failed and has yet to show that it keeps anything.
    chance : callable
        From 0 to 1.
    keep_days : float
        After which readings and quiet entries are given up.
    round_s : float
        From the beginning of one round to that of the next, s: a commit costs more than its rows.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        store_factory: Callable[[], Store],
        *,
        prefix: str,
        clock: Clock,
        on_takes: Callable[[bool, str], None],
        chance: Callable[[], float] = random.random,
        keep_days: float = 3_650.0,
        round_s: float = ROUND_S,
    ) -> None:
        self._broker = broker
        self._store_factory = store_factory
        self._prefix = prefix
        self._clock = clock
        self._on_takes = on_takes
        self._chance = chance
        self._keep_ms = round(keep_days * DAY_MS)
        self._round_s = round_s
        self._inbox = Inbox(clock)
        self._stopping = threading.Event()
        self._open = threading.Event()  # set while the store takes
        self._lock = threading.Lock()
        # Under the lock:
        self._mark = ""
        self._known: dict[str, Cursor] = {}
        self._of_board: Counter[str] = Counter()
        self._words: dict[str, Cursor] = {}  # to be said
        self._faults: dict[str, Fault] = {}
        self._messages = self._readings = self._entries = self._commits = 0
        self._rates: deque[tuple[float, int]] = deque()
        self._round_of_s: float | None = None  # when the oldest that is being written came
        self._store_why = "the store was not opened yet"
        self._broker_why = "the broker was not reached yet"
        self._tried_why = ""  # why the store failed, until it has kept something since
        self._told: tuple[bool, str] | None = None
        self._failures = 0  # of the store, since it last kept something
        self._heard_kept_s = 0.0
        self._store_due_s = self._broker_due_s = clock.now_s()
        self._connection: Listening | None = None
        self._store: Store | None = None  # while it is in use
        self._threads = [
            threading.Thread(target=self._run_store, name="hall-store", daemon=True),
            threading.Thread(target=self._run_broker, name="hall-rows", daemon=True),
        ]

    # --- from any thread ---------------------------------------------------------------

    def start(self) -> None:
        """Begin."""
        self._store_due_s = self._broker_due_s = self._clock.now_s()
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Let go, within three seconds; what waits comes again. Safe to call twice."""
        self._stopping.set()
        self._join(LEAVE_S)
        if (connection := self._connection) is not None:
            connection.cut()  # to a dead host it connects for 5 s
        if (store := self._store) is not None:
            store.cut()  # for a server that stands still it waits half a minute
        self._join(STOP_S)

    def _join(self, within_s: float) -> None:
        give_up_s = self._clock.now_s() + within_s
        for thread in self._threads:
            if thread.ident is not None:
                thread.join(max(0.0, give_up_s - self._clock.now_s()))

    @property
    def alive(self) -> bool:
        """Whether its threads run, as they should between start and stop."""
        return self._stopping.is_set() or all(
            thread.ident is None or thread.is_alive() for thread in self._threads
        )

    def on_time(self, within_s: float) -> bool:
        """Whether both threads have come round within that time of when they should have."""
        late_s = self._clock.now_s() - min(self._store_due_s, self._broker_due_s)
        return late_s <= within_s

    @property
    def mark(self) -> str:
        """The mark of the store; "" as long as it was never open."""
        with self._lock:
            return self._mark

    @property
    def chambers(self) -> list[str]:
        """Those that the store has, as far as it was open."""
        with self._lock:
            return list(self._known)

    @property
    def stopped_why(self) -> str:
        """Why nothing is taken, or nothing was kept so far; in a sentence, "" while all is well."""
        with self._lock:
            return self._store_why or self._broker_why or self._tried_why

    def _tell(self) -> None:
        """Say whether it takes, where that is news."""
        with self._lock:
            why = self._store_why or self._broker_why
            told = not why, why or self._tried_why
        if told != self._told:
            self._told = told
            self._on_takes(*told)

    @property
    def faults(self) -> dict[str, Fault]:
        """By chamber, what nobody understood of it since the start."""
        with self._lock:
            return dict(self._faults)

    @property
    def figures(self) -> Figures:
        """What was taken, and how fast."""
        oldest_s = self._inbox.oldest_s
        now_s = self._clock.now_s()
        with self._lock:
            waits = [each for each in (oldest_s, self._round_of_s) if each is not None]
            rate = 0.0
            if self._rates and now_s > self._rates[0][0]:
                rate = (self._readings - self._rates[0][1]) / (now_s - self._rates[0][0])
            return Figures(
                messages=self._messages,
                readings=self._readings,
                entries=self._entries,
                commits=self._commits,
                left=self._inbox.left,
                readings_per_s=rate,
                oldest_s=now_s - min(waits) if waits else 0.0,
            )

    # --- the store -----------------------------------------------------------------------

    def _run_store(self) -> None:
        while not self._stopping.is_set():
            self._store_due_s = self._clock.now_s() + STORE_S
            store: Store | None = None
            try:
                self._store = store = self._store_factory()
                self._take_into(store)
            except StoreError as error:
                self._away(str(error), was_open=store is not None)
            except Exception as error:
                log.exception("taking has a defect")
                self._away(f"a defect: {type(error).__name__}", was_open=store is not None)
            finally:
                self._store = None
                self._open.clear()
                self._inbox.clear()
                self._tell()
                if store is not None:
                    store.close()
            self._failures += 1
            pause = pause_s(self._failures, self._chance(), LONGEST_PAUSE_S)
            self._store_due_s = self._clock.now_s() + pause
            self._stopping.wait(pause)

    def _away(self, why: str, *, was_open: bool) -> None:
        with self._lock:
            is_news = why not in (self._store_why, self._tried_why)
            self._store_why = why
            if was_open:  # one whose disk is full can be opened, and fails at what comes first
                self._tried_why = why
        if is_news:
            log.warning("hall: nothing is taken: %s; tried again and again", why)

    def _take_into(self, store: Store) -> None:
        """Write what comes until the end. Raises `StoreError`."""
        with self._lock:
            self._mark = store.mark
            self._known = {each.of.chamber: each for each in store.cursors()}
            self._of_board = Counter(each.of.board for each in self._known.values())
            self._words = dict(self._known)
            self._store_why = ""
            self._rates.clear()
        self._inbox.clear()
        log.info("hall: the store is open; it has %d chambers", len(self._known))
        self._open.set()
        asked_s = self._clock.now_s()
        forget_s = asked_s + FORGET_STEP_S
        tried_s = asked_s + TRIED_S
        while not self._stopping.is_set():
            begun_s = self._clock.now_s()
            self._store_due_s = begun_s + STORE_S
            if letters := self._inbox.take(MOST_IN_ROUND, ROUND_BYTES, IDLE_S / 10):
                self._round(store, letters)
                asked_s = self._clock.now_s()
            elif begun_s - asked_s > IDLE_S:
                store.check()
                asked_s = begun_s
            store.pack(MOST_PACKED)
            if begun_s >= forget_s:
                now_ms = round(self._clock.wall().timestamp() * 1000)
                more = store.forget(self._keep_ms, now_ms)
                forget_s = self._clock.now_s() + (FORGET_STEP_S if more else FORGET_EVERY_S)
            if self._failures and (letters or begun_s > tried_s):
                self._failures = 0
                with self._lock:
                    self._tried_why = ""
                self._tell()
            if letters and (rest_s := self._round_s - (self._clock.now_s() - begun_s)) > 0:
                self._stopping.wait(rest_s)

    def _round(self, store: Store, letters: Sequence[Letter]) -> None:
        with self._lock:
            self._round_of_s = letters[0].at_s
        new: dict[str, str] = {}
        batch = [came for letter in letters for came in self._understood(letter, new)]
        written = store.write(batch)
        now_s = self._clock.now_s()
        for chamber, why in written.refused:
            self._note(chamber, why)
        with self._lock:
            self._round_of_s = None
            self._commits += 1
            self._messages += len(letters)
            self._entries += written.entries
            for chamber, cursor in written.cursors.items():
                self._of_board[cursor.of.board] += chamber not in self._known
            self._known.update(written.cursors)
            self._words.update(written.cursors)
            self._rates.append((now_s, self._readings))
            while now_s - self._rates[0][0] > RATE_S:
                self._rates.popleft()
            self._readings += written.readings

    def _understood(self, letter: Letter, new: dict[str, str]) -> list[Came]:
        """What a letter says; `new` has the boards of the chambers that are new in this round."""
        found = whose(letter.topic, self._prefix)
        if found is None:
            self._note("", f"nobody can be called {letter.topic[:80]!r}")
            return []
        of, kind = found
        if of.chamber not in self._known and of.chamber not in new:
            of_board = self._of_board[of.board] + sum(each == of.board for each in new.values())
            if why := no_room(of.board, of_board, len(self._known) + len(new)):
                self._note(of.chamber, why)
                return []
            new[of.chamber] = of.board
        try:
            came, why = read(of, kind, letter.payload)
        except Exception as error:
            # Whatever comes from outside costs only itself.
            log.exception("a message of %s", of.chamber)
            came, why = [], f"a defect: {type(error).__name__}"
        if why:
            self._note(of.chamber, why)
        return came

    def _note(self, chamber: str, why: str) -> None:
        with self._lock:
            fault = self._faults.get(chamber)
            if fault is None and len(self._faults) >= MOST_FAULTY:
                return
            count = fault.count + 1 if fault else 1
            self._faults[chamber] = Fault(count, why)
        if count & (count - 1) == 0:  # the first, the second, the fourth ...
            log.warning("hall: message %d of %s that nobody understands: %s", count, chamber, why)

    # --- the broker ------------------------------------------------------------------------

    def _run_broker(self) -> None:
        failures = 0
        while not self._stopping.is_set():
            self._broker_due_s = self._clock.now_s() + 1.0
            if not self._open.wait(0.2):
                continue
            why = ""
            try:
                self._listen()
            except OSError as error:
                why = why_ended(error)
            except Exception as error:
                # paho raises struct.error, IndexError and others for what a broker garbles.
                log.warning("hall: %s", self._broker.where, exc_info=error)
                why = f"it does not speak MQTT 5 as it should ({type(error).__name__})"
            if not why or self._stopping.is_set():
                continue
            with self._lock:
                failures = failures + 1 if self._broker_why else 1
                self._broker_why = f"{self._broker.where}: {why}"
            if failures == 1:
                log.warning("hall: %s: %s; tried again and again", self._broker.where, why)
            self._tell()
            pause = pause_s(failures, self._chance())
            self._broker_due_s = self._clock.now_s() + pause
            self._stopping.wait(pause)

    def _listen(self) -> None:
        """Hear and answer while the store is open. Raises `OSError`, and paho's errors."""
        self._connection = connection = Listening(
            self._broker,
            name=f"hall-{self.mark}-rows",
            topics=[f"{self._prefix}/+/+/taken"],
            heard=self._heard,
            clock=self._clock,
        )
        self._broker_due_s = self._clock.now_s() + 10.0
        try:
            connection.open()
            self._serve(connection, until=lambda: connection.is_in)
            with self._lock:
                self._words = dict(self._known)  # the broker may have lost what it had
                self._heard_kept_s = self._clock.now_s()
            self._serve(connection, until=lambda: self._is_settled(connection))
            connection.subscribe([f"{self._prefix}/+/+/{kind}" for kind in ("entries", "readings")])
            self._serve(connection, until=lambda: connection.is_in)
            if self._goes_on:
                with self._lock:
                    self._broker_why = ""
                self._tell()
            self._serve(connection, until=lambda: False)
            if connection.is_in:
                connection.leave()
        finally:
            connection.close()
            self._connection = None

    @property
    def _goes_on(self) -> bool:
        return self._open.is_set() and not self._stopping.is_set()

    def _serve(self, connection: Listening, *, until: Callable[[], bool]) -> None:
        while self._goes_on and not until():
            self._broker_due_s = self._clock.now_s() + 1.0
            connection.serve()
            if connection.is_in:
                self._say(connection)

    def _is_settled(self, connection: Listening) -> bool:
        """Whether the broker has all our words, and we all that it had kept."""
        rests = self._clock.now_s() - self._heard_kept_s >= SETTLED_S
        return rests and connection.is_heard and not self._words

    def _heard(self, topic: str, payload: bytes, is_kept: bool) -> None:
        if not topic.endswith("/taken"):
            self._inbox.offer(topic, payload)
        elif not is_kept:
            self._note("", "another hall answers boards of this topic")
        elif payload and (found := whose(topic, self._prefix)) is not None:
            # Said by this store when it was another: what it doesn't know now has to come again.
            of = found[0]
            self._heard_kept_s = self._clock.now_s()
            with self._lock:
                if of.chamber not in self._known and len(self._words) < MOST_CHAMBERS:
                    self._words[of.chamber] = Cursor(of)

    def _say(self, connection: Listening) -> None:
        """Tell boards how far they are."""
        if not self._words:
            return
        with self._lock:
            words, self._words, mark = self._words, {}, self._mark
        for cursor in words.values():
            of = cursor.of
            try:
                word = _word(mark, cursor)
            except ValueError:  # what one board has sent must not keep the others from being told
                log.exception("what is taken of %s can't be said", of.chamber)
                self._note(of.chamber, "what is taken of it can't be said")
                continue
            connection.publish(f"{self._prefix}/{of.board}/{of.key}/taken", word)


def _word(mark: str, cursor: Cursor) -> bytes:
    return TakenMessage(
        hall=mark,
        board=cursor.of.board,
        chamber=cursor.of.key,
        seq=cursor.seq,
        parcel=cursor.parcel,
        lane=cursor.lane,
        sensors=dict(cursor.sensors),
    ).payload()
