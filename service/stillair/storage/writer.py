"""The thread that brings outcomes into the journal, in order, whatever the disk does.

    put ──> queue ──> Journal.commit_all ──> on_entries
              │            │ StoreError
              └── EmergencyJournal <── and again, with growing pauses

`put` never waits. While the journal can't be written, outcomes stay in the
queue and go to the emergency journal as well; what a process left there is
brought into the journal by the next one. A second commit of the same parcel
changes nothing, so all of this may be repeated.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable

from stillair.errors import StoreError
from stillair.model import Outcome, Timeline
from stillair.storage.emergency import EmergencyJournal
from stillair.storage.journal import Entry, Journal
from stillair.storage.records import Parcel

log = logging.getLogger(__name__)

QUEUE_PARCELS = 5_000  # what waits in memory; about 20 MB at worst
BATCH_PARCELS = 32  # go into one transaction when many wait
FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 15.0
MARK_EVERY_S = 30.0  # each mark is a durable write, about 6 kB on the card


class JournalWriter:
    """Keep outcomes without making anybody wait.

    Parameters
    ----------
    journal, emergency
        Where outcomes go, and where they go when that fails.
    on_entries : callable
        Takes the entries of what has just been kept, in order; called by the
        writer's thread.
    on_trouble : callable
        Takes True when the journal can't be written, False when it can again
        and nothing waits any more; `reason` then says why.
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
        monotonic_s: Callable[[], float] = time.monotonic,
        first_pause_s: float = FIRST_PAUSE_S,
        queue_parcels: int = QUEUE_PARCELS,
    ) -> None:
        self._journal = journal
        self._emergency = emergency
        self._on_entries = on_entries
        self._on_trouble = on_trouble
        self._monotonic_s = monotonic_s
        self._first_pause_s = first_pause_s
        self._queue_parcels = queue_parcels
        self._wake = threading.Condition()
        self._queue: deque[Parcel] = deque()
        self._puts = 0
        self._marks: dict[str, tuple[Timeline, float]] = {}
        self._next_mark_s = monotonic_s()
        self._spilled: set[str] = set()  # ids of parcels that stand in the emergency journal
        self._only_spilled = False  # some of them are no longer in the queue
        self._hurry = False
        self._stopping = False
        self._trouble = False
        self._thread = threading.Thread(target=self._run, name="journal writer", daemon=True)
        self.lost = 0
        self.reason = ""

    # --- called from anywhere ------------------------------------------------

    def start(self) -> None:
        """Begin; what an earlier process left in the emergency journal comes first."""
        self._recall()
        self._thread.start()

    def put(self, outcome: Outcome, timeline: Timeline) -> None:
        """Take an outcome to be kept; never waits. An empty one is left out."""
        if outcome.empty:
            return
        with self._wake:
            self._puts += 1
            self._queue.append(Parcel(outcome, timeline))
            if len(self._queue) > self._queue_parcels:
                self._drop(self._queue.popleft())
            self._wake.notify_all()

    def seen(self, chamber: str, timeline: Timeline, t_s: float) -> None:
        """Note that the chamber is being watched, as often as one likes; never waits."""
        with self._wake:
            self._marks[chamber] = (timeline, t_s)

    @property
    def stored(self) -> bool:
        """False while something that happened could not be kept in the journal."""
        return not self._trouble

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

    def stop(self, timeout_s: float = 3.0) -> bool:
        """Try once more to keep what waits, then end; True if all was kept."""
        with self._wake:
            self._stopping = True
            self._wake.notify_all()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
        return not self._queue and not self._trouble and not self._thread.is_alive()

    # --- the thread ------------------------------------------------------------

    def _run(self) -> None:
        pause_s = self._first_pause_s
        while True:
            with self._wake:
                self._wake.wait_for(self._has_to_act, self._until_mark_s())
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

    def _has_to_act(self) -> bool:
        return bool(self._queue) or self._stopping or self._hurry or self._trouble

    def _until_mark_s(self) -> float:
        return max(0.0, self._next_mark_s - self._monotonic_s())

    def _attempt(self, stopping: bool) -> bool:
        """Do what is due; False if the journal refused."""
        try:
            self._bring_in()
            self._mark(stopping)
            if self._spilled and not self._queue:
                self._emergency.clear()
                self._spilled.clear()
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

    def _bring_in(self) -> None:
        if self._only_spilled:
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
            if not batch:
                return
            self._commit(batch)
            kept = {parcel.id for parcel in batch}
            with self._wake:
                while self._queue and self._queue[0].id in kept:
                    self._queue.popleft()

    def _commit(self, batch: list[Parcel]) -> None:
        try:
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
            self.lost += 1
            return
        entries = [entry for each in kept for entry in each]
        if entries:
            self._call(lambda: self._on_entries(entries))

    def _mark(self, stopping: bool) -> None:
        if not stopping and self._monotonic_s() < self._next_mark_s:
            return
        with self._wake:
            marks, self._marks = self._marks, {}
        self._next_mark_s = self._monotonic_s() + MARK_EVERY_S
        for chamber, (timeline, t_s) in marks.items():
            self._journal.mark_seen(chamber, timeline, t_s)

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

    def _spill(self) -> None:
        with self._wake:
            fresh = [parcel for parcel in self._queue if parcel.id not in self._spilled]
        if not fresh:
            return
        try:
            taken = self._emergency.append(fresh)
        except StoreError as error:
            log.warning("emergency journal: %s", error)
            return
        with self._wake:
            self._spilled.update(parcel.id for parcel in fresh[:taken])

    def _drop(self, parcel: Parcel) -> None:
        """The queue is full: the oldest goes, unless the emergency journal has it."""
        if parcel.id in self._spilled:
            self._only_spilled = True
        else:
            self.lost += 1

    def _tell(self, trouble: bool, reason: str) -> None:
        with self._wake:
            changed, self._trouble = self._trouble is not trouble, trouble
            self.reason = reason
            self._wake.notify_all()
        if changed:
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
