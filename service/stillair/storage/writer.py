"""The thread that brings outcomes into the journal, in order, whatever the disk does.

    put ──> queue ──> Journal.commit_all ──> on_entries
              │            │ StoreError, or no answer for 2 s
              └── EmergencyJournal <── and again, with growing pauses

`put` never waits. While the journal can't be written, outcomes stay in the
queue and go to the emergency journal as well; what a process left there is
brought into the journal by the next one. A second commit of the same parcel
changes nothing, so all of this may be repeated. Heights go there at once, and
into the journal a few minutes later: see `later`.

A card that hangs raises no error, it only never answers. So lateness is told
by whoever calls `check` or asks `stored`, and what waits is spilled by a
second thread: neither depends on the one that is stuck.
"""

from __future__ import annotations

import logging
import math
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from stillair.errors import StoreError
from stillair.model import Outcome, Timeline
from stillair.storage.emergency import EmergencyJournal
from stillair.storage.journal import Entry, Journal
from stillair.storage.later import Later
from stillair.storage.records import Parcel

log = logging.getLogger(__name__)

QUEUE_PARCELS = 5_000  # what waits in memory; about 20 MB at worst
BATCH_PARCELS = 32  # go into one transaction when many wait
FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 15.0
LATE_S = 2.0  # what is not kept by then is said not to be; a sound card takes some 20 ms
LATE_REASON = f"the disk has not answered for {LATE_S:g} s"
SPILL_S = 0.5  # what a last spill gets when the service stops
MARK_EVERY_S = 30.0  # each mark is a durable write of two or three pages
# Where readings are kept, each tells as well that somebody watched; see `KnownBefore`.
MARK_BY_READINGS_S = 600.0


class JournalWriter:
    """Keep outcomes without making anybody wait.

    Parameters
    ----------
    journal, emergency
        Where outcomes go, and where they go when that fails.
    on_entries : callable
        Takes the entries of what has just been kept, in order, none where that were messages
        alone; called by the writer's thread.
    on_trouble : callable
        Takes True when the journal can't be written or doesn't answer, False
        when it can again and nothing waits any more; `reason` says why. Called
        by the writer's thread or by who calls `check`; never blocks.
    on_lost : callable
        Takes an outcome that will never be written and was left out, before
        `waiting` counts it as done; called by the writer's thread or within `put`.
    monotonic_s : callable
        Monotonic seconds.
    """

    def __init__(
        self,
        journal: Journal,
        emergency: EmergencyJournal,
        on_entries: Callable[[list[Entry]], None],
        on_trouble: Callable[[bool], None],
        *,
        on_lost: Callable[[Parcel], None] = lambda _: None,
        monotonic_s: Callable[[], float] = time.monotonic,
        first_pause_s: float = FIRST_PAUSE_S,
        queue_parcels: int = QUEUE_PARCELS,
    ) -> None:
        self._journal = journal
        self._emergency = emergency
        self._on_entries = on_entries
        self._on_trouble = on_trouble
        self._on_lost = on_lost
        self._monotonic_s = monotonic_s
        self._first_pause_s = first_pause_s
        self._queue_parcels = queue_parcels
        self._wake = threading.Condition()
        self._queue: deque[Parcel] = deque()
        self._put_s: deque[float] = deque()  # when each of the queue came
        self._busy_since_s: float | None = None  # when the call of the journal under way began
        self._puts = 0
        self._marks: dict[str, tuple[Timeline, float, bool]] = {}
        self._marked_s: dict[str, float] = {}
        self._new_labels: dict[str, Timeline] = {}  # by boot: what it has to be labelled with
        self._learned: dict[str, str] = {}  # by chamber: what is to be remembered
        self._next_mark_s = monotonic_s()
        self._spilled: set[str] = set()  # ids of parcels that stand in the emergency journal
        self._only_spilled = False  # some of them are no longer in the queue
        self._later = Later()
        self._wanted = False  # the journal shall have these too
        self._hurry = False
        self._stopping = False
        self._trouble = False
        self._telling = threading.Lock()  # so that what is told comes in the order of what was
        self._spilling = threading.Lock()  # the emergency journal and `_spilled` belong together
        self._to_spill = threading.Event()
        self._thread = threading.Thread(target=self._run, name="journal writer", daemon=True)
        self._spiller = threading.Thread(target=self._spill_late, name="journal spill", daemon=True)
        self.lost = 0
        self.reason = ""
        self._recovered = False

    # --- called from anywhere ------------------------------------------------

    def recover(self) -> None:
        """Bring in what an earlier process left, for whoever has to know it before `start`.

        A journal that refuses it is tried again from then on, as for anything new.
        """
        if self._recovered:
            return
        self._recovered = True
        try:
            self._journal.commit_all(self._emergency.read())
        except StoreError as error:
            log.warning("what was not kept before is not known yet: %s", error)

    def start(self) -> None:
        """Begin; what an earlier process left in the emergency journal comes first."""
        self._recall()
        self._thread.start()
        self._spiller.start()

    def put(self, outcome: Outcome, timeline: Timeline) -> None:
        """Take an outcome to be kept; never waits. An empty one is left out."""
        if outcome.empty:
            return
        dropped: Parcel | None = None
        with self._wake:
            self._puts += 1
            parcel = Parcel(outcome, timeline)
            self._later.note(parcel)
            self._queue.append(parcel)
            self._put_s.append(self._monotonic_s())
            if len(self._queue) > self._queue_parcels:
                dropped = self._taken_first()
            self._wake.notify_all()
        if dropped is not None:
            self._drop(dropped)

    def seen(
        self, chamber: str, timeline: Timeline, t_s: float, *, by_readings: bool = False
    ) -> None:
        """Note that the chamber is being watched, as often as one likes; never waits.

        `by_readings`: a reading of just now that is kept elsewhere says so too.
        """
        with self._wake:
            self._marks[chamber] = (timeline, t_s, by_readings)

    def relabel(self, timeline: Timeline) -> None:
        """Have all rows of the boot labelled anew, after what waits; never waits."""
        with self._wake:
            self._new_labels[timeline.boot_id] = timeline
            self._wake.notify_all()

    def remember(self, chamber: str, body: str) -> None:
        """Have what a chamber's watch has learned kept, after what waits; never waits."""
        with self._wake:
            self._learned[chamber] = body
            self._wake.notify_all()

    def check(self) -> None:
        """Tell when the journal doesn't answer, and have spilled what waits; never blocks.

        Call it each second, from any thread but the writer's.
        """
        late = self._is_late()
        if late:
            self._tell(True, LATE_REASON, only_if=self._is_late)
        if late or self._trouble:
            self._to_spill.set()

    @property
    def stored(self) -> bool:
        """False while something that happened could not be kept in the journal."""
        return not self._trouble and not self._is_late()

    @property
    def alive(self) -> bool:
        """Whether its threads run, as they should between start and stop."""
        return self._stopping or all(
            thread.ident is None or thread.is_alive() for thread in (self._thread, self._spiller)
        )

    @property
    def waiting(self) -> int:
        """How many outcomes are not in the journal yet."""
        return len(self._queue)

    def flush(self, timeout_s: float) -> bool:
        """Try at once and wait until all is kept; False if it isn't after `timeout_s`."""
        with self._wake:
            self._hurry = True
            self._wake.notify_all()
            return self._wake.wait_for(lambda: not self._queue and not self._trouble, timeout_s)

    def catch_up(self, timeout_s: float) -> bool:
        """Have the journal get what may wait, for who reads it; False if not after `timeout_s`."""
        with self._wake:
            if not self._later.parcels or threading.current_thread() is self._thread:
                return True
            self._wanted = True
            self._wake.notify_all()
            return self._wake.wait_for(lambda: not self._later.parcels, timeout_s)

    def stop(self, timeout_s: float = 3.0) -> bool:
        """Try once more to keep what waits, then end; True if all was kept."""
        with self._wake:
            self._stopping = True
            self._wake.notify_all()
        self._to_spill.set()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
            self._spiller.join(SPILL_S)
        return not self._queue and not self._trouble and not self._thread.is_alive()

    # --- the thread ------------------------------------------------------------

    def _run(self) -> None:
        pause_s = self._first_pause_s
        while True:
            with self._wake:
                self._wake.wait_for(self._has_to_act, self._until_due_s())
                stopping = self._stopping
            if self._attempt(stopping):
                pause_s = self._first_pause_s
                if stopping and not self._queue:
                    return
                continue
            if stopping:
                return
            self._wait(pause_s)
            pause_s = min(pause_s * 2, LONGEST_PAUSE_S)

    def _recall(self) -> None:
        """Put what an earlier process could not keep in front of the queue."""
        try:
            left = self._emergency.read()
        except StoreError as error:
            log.warning("emergency journal: %s", error)
            return
        with self._wake:
            self._spilled = {parcel.id for parcel in left}
            self._queue.extendleft(reversed(left))
            self._put_s.extendleft([self._monotonic_s()] * len(left))

    def _has_to_act(self) -> bool:
        return (
            bool(self._queue or self._new_labels or self._learned)
            or self._stopping
            or self._wanted
            or self._hurry
            or self._trouble
        )

    def _until_due_s(self) -> float:
        return max(0.0, min(self._next_mark_s, self._later.due_s) - self._monotonic_s())

    def _attempt(self, stopping: bool) -> bool:
        """Do what is due; False if the journal refused."""
        try:
            self._bring_in(stopping)
            self._label_anew()
            self._remember()
            self._mark(stopping)
            self._empty_emergency()
        except StoreError as error:
            self._spill()
            self._tell(True, str(error))
            return False
        except Exception:
            # Whatever it is, the thread must live on: the next outcome may be an alarm.
            log.exception("the journal writer stumbled")
            self._spill()
            self._tell(True, "the journal writer stumbled; see the log")
            return False
        with self._wake:
            self._hurry = False
            done = not self._queue
            self._wake.notify_all()
        if done:
            self._tell(False, "")
        return True

    def _bring_in(self, stopping: bool) -> None:
        if self._only_spilled:
            self._commit_later([])
            waiting = {parcel.id for parcel in self._queue}
            older = [parcel for parcel in self._emergency.read() if parcel.id not in waiting]
            for begin in range(0, len(older), BATCH_PARCELS):
                self._commit(older[begin : begin + BATCH_PARCELS])
            self._only_spilled = False
        while True:
            with self._wake:
                batch = [
                    parcel for parcel, _ in zip(self._queue, range(BATCH_PARCELS), strict=False)
                ]
                # In trouble only a commit tells that it is over.
                can_wait = not self._trouble and self._later.may_have(batch)
            if not batch:
                break
            if can_wait and self._spill(batch):
                self._later.add(batch, self._monotonic_s())
            else:
                self._commit_later(batch)
            kept = {parcel.id for parcel in batch}
            with self._wake:
                while self._queue and self._queue[0].id in kept:
                    self._taken_first()
        with self._wake:
            now = stopping or self._wanted or bool(self._new_labels)  # which are put on all rows
            self._wanted = False
        if now or self._later.due_s <= self._monotonic_s():
            self._commit_later([])

    def _taken_first(self) -> Parcel:
        """The first of the queue, which it has no longer; under the lock."""
        self._put_s.popleft()
        parcel = self._queue.popleft()
        self._later.forget(parcel)
        return parcel

    def _commit_later(self, batch: list[Parcel]) -> None:
        """Bring into the journal what has waited, and a batch behind it."""
        if together := [*self._later.parcels, *batch]:
            self._commit(together)
            self._later.clear()

    def _empty_emergency(self) -> None:
        with self._spilling:
            with self._wake:
                over = bool(self._spilled) and not self._queue and not self._later.parcels
            if over:
                self._emergency.clear()
                self._spilled.clear()

    @contextmanager
    def _timed(self) -> Iterator[None]:
        """A call of the journal, of which `check` sees how long it takes."""
        self._busy_since_s = self._monotonic_s()
        try:
            yield
        finally:
            self._busy_since_s = None

    def _is_late(self) -> bool:
        """Whether an outcome has waited for too long, or the journal doesn't come back."""
        with self._wake:
            since_s = self._put_s[0] if self._put_s else math.inf
            busy_s = self._busy_since_s
        oldest_s = since_s if busy_s is None else min(since_s, busy_s)
        return self._monotonic_s() - oldest_s > LATE_S

    def _commit(self, batch: list[Parcel]) -> None:
        try:
            with self._timed():
                kept = self._journal.commit_all(batch)
        except StoreError:
            raise
        except Exception:
            if len(batch) > 1:
                for parcel in batch:
                    self._commit([parcel])
                return
            # No later try can keep this one; the others must not wait behind it.
            log.exception("an outcome that can't be written was left out: %r", batch[0].outcome)
            lost = batch[0]
            with self._wake:
                self.lost += 1
            self._call(lambda: self._on_lost(lost))
            return
        entries = [entry for each in kept for entry in each]
        self._call(lambda: self._on_entries(entries))

    def _label_anew(self) -> None:
        with self._wake:
            wanted = list(self._new_labels.values())
        for timeline in wanted:
            with self._timed():
                changed = self._journal.relabel(timeline)
            log.info("%d entries got the labels of the clock as it is now", changed)
            with self._wake:
                if self._new_labels.get(timeline.boot_id) is timeline:
                    del self._new_labels[timeline.boot_id]

    def _remember(self) -> None:
        with self._wake:
            learned = dict(self._learned)
        for chamber, body in learned.items():
            with self._timed():
                self._journal.remember(chamber, body)
            with self._wake:
                if self._learned.get(chamber) is body:
                    del self._learned[chamber]

    def _mark(self, stopping: bool) -> None:
        if not stopping and self._monotonic_s() < self._next_mark_s:
            return
        with self._wake:
            marks, self._marks = self._marks, {}
        now_s = self._monotonic_s()
        self._next_mark_s = now_s + MARK_EVERY_S
        for chamber, (timeline, t_s, by_readings) in marks.items():
            due_s = self._marked_s.get(chamber, -math.inf) + MARK_BY_READINGS_S
            if by_readings and not stopping and now_s < due_s:
                continue
            with self._timed():
                self._journal.mark_seen(chamber, timeline, t_s)
            self._marked_s[chamber] = now_s

    def _wait(self, pause_s: float) -> None:
        """Wait before the next try; what comes meanwhile goes to the emergency journal."""
        until_s = self._monotonic_s() + pause_s
        while True:
            with self._wake:
                if self._stopping or self._hurry or self._monotonic_s() >= until_s:
                    return
                known = self._puts
            self._spill()
            with self._wake:
                self._wake.wait_for(
                    lambda known=known: self._is_called(known),  # type: ignore[misc]  # default
                    max(0.0, until_s - self._monotonic_s()),
                )

    def _is_called(self, known: int) -> bool:
        return self._puts != known or self._stopping or self._hurry

    def _spill(self, batch: list[Parcel] | None = None) -> bool:
        """Have the emergency journal take a batch, or all that waits; whether it has it now."""
        with self._spilling:
            with self._wake:
                wanted = self._queue if batch is None else batch
                fresh = [parcel for parcel in wanted if parcel.id not in self._spilled]
            if not fresh:
                return True
            try:
                taken = self._emergency.append(fresh)
            except StoreError as error:
                log.warning("emergency journal: %s", error)
                return False
            with self._wake:
                self._spilled.update(parcel.id for parcel in fresh[:taken])
            return taken == len(fresh)

    def _spill_late(self) -> None:
        """The second thread: spill when `check` says so, until the writer's thread has ended."""
        stopping = False
        while not stopping:
            self._to_spill.wait()
            self._to_spill.clear()
            with self._wake:
                stopping = self._stopping
            if stopping:
                # Its last try comes first; should that hang too, what waits must lie somewhere.
                self._thread.join(SPILL_S)
            try:
                self._spill()
            except Exception:
                # Whatever it is, the thread must live on: the next outcome may be an alarm.
                log.exception("what waits for the journal could not be spilled")

    def _drop(self, parcel: Parcel) -> None:
        """The queue is full: the oldest goes, unless the emergency journal has it."""
        with self._wake:
            spilled = parcel.id in self._spilled
            if spilled:
                self._only_spilled = True
            else:
                self.lost += 1
        if not spilled:
            self._call(lambda: self._on_lost(parcel))

    def _tell(
        self, trouble: bool, reason: str, *, only_if: Callable[[], bool] = lambda: True
    ) -> None:
        with self._telling:
            if not only_if():
                return
            with self._wake:
                changed, self._trouble = self._trouble is not trouble, trouble
                if changed or reason != LATE_REASON:
                    self.reason = reason  # an error says more than that it takes long
                self._wake.notify_all()
            if not changed:
                return
            if trouble:
                log.error("history can't be kept: %s", reason)
            else:
                log.info("history is kept again")
            self._call(lambda: self._on_trouble(trouble))

    @staticmethod
    def _call(function: Callable[[], None]) -> None:
        try:
            function()
        except Exception:
            log.exception("a listener of the journal writer failed")
