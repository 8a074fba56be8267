"""Entries and readings on their way to who takes them, and how far that has got.

Journal and archive are the queue: they are read on from the cursors of a `Progress`, one message
of a kind at a time; to a hall that takes several entries in one, as many as are read and have
room. A thread that lives only as long as a question asks the disk, so that a card that hangs
keeps nothing else from the hall.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from itertools import islice
from typing import Any, Final

from stillair.clock import Clock
from stillair.errors import StoreError
from stillair.hall.catching_up import Batch, Progress, is_known
from stillair.hall.connection import Connection
from stillair.hall.cursors import Cursors
from stillair.hall.messages import (
    LARGEST_BYTES,
    LARGEST_ENTRY_BYTES,
    MOST_READINGS,
    READING_BYTES,
    Entry,
    Form,
    TakenMessage,
)
from stillair.hall.obeying import Heard, Mode
from stillair.storage.kept_lines import KeptLine
from stillair.storage.onward import Lines, NextReadings, Onward

log = logging.getLogger(__name__)

CATCH_UP_S: Final = 0.2  # between two batches of what is late, so that the rest has its time
AGAIN_S: Final = 10.0  # after a disk that failed, or a broker at which nobody has subscribed
TAKEN_S: Final = 20.0  # for a hall to say that it has what was sent; then it is sent again
KEEP_S: Final = 60.0  # between two writes of the cursors
BEFORE_MS: Final = 24 * 3_600_000  # of the readings from before a hall knew of us
OVERHEAD_BYTES: Final = 16 * 1024  # of a batch of readings: up to 64 names of sensors
TOPIC_BYTES: Final = 2048  # of any message, beside its payload


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


@dataclass(frozen=True, slots=True)
class Ledger:
    """What is asked of the board's journal; each answers at once.

    `last_seq` is the newest row of the ledger; `cleaned` takes hosts and paths out of its body.
    """

    last_seq: Callable[[], int]
    cleaned: Callable[[Any], Any]


class Rows:
    """What of one chamber is owed; for one thread, but for `told`.

    Parameters
    ----------
    chamber : str
        Its key.
    sensors : tuple of str
        Those whose readings of the last day are owed to a hall that was never told of any.
    every_s : float
        How often readings go out.
    """

    def __init__(
        self,
        ledger: Ledger,
        onward: Onward,
        cursors: Cursors,
        *,
        chamber: str,
        sensors: tuple[str, ...],
        every_s: float,
        clock: Clock,
    ) -> None:
        self._ledger = ledger
        self._onward = onward
        self._cursors = cursors
        self._chamber = chamber
        self._sensors = sensors
        self._every_s = every_s
        self._clock = clock
        self._new: dict[str, deque[int]] = {}  # instants that the watch has told, see `told`
        self._lock = threading.Lock()
        self._progress: Progress | None = None
        self._question = _Question()
        self._kept_s = clock.now_s()
        self._kept = (0, 0)
        self.ails = ""  # why nothing is taken, though the broker is there
        self.begin_anew()

    @property
    def taker(self) -> str:
        """Who takes what is published, in a clause."""
        hall = self._hall
        return f"the hall {hall} takes it" if hall else "the broker takes what is published"

    def told(self, sensor: str, at_ms: int) -> None:
        """A reading is in the archive, with this label; from any thread, never blocks."""
        with self._lock:
            # Of a row of instants that grow only the first and the last are needed.
            noted = self._new.setdefault(sensor, deque(maxlen=64))
            if len(noted) >= 2 and noted[-2] < noted[-1] < at_ms:
                noted[-1] = at_ms
            else:
                noted.append(at_ms)

    def ready(self) -> None:
        """Know how far we had got. Raises `StoreError`."""
        if self._progress is not None:
            return
        progress = self._cursors.of(self._chamber)
        if progress is None:
            progress = Progress(dict.fromkeys(self._sensors, self._since_ms()))
        seq = progress.seq
        progress.resumed(
            last_seq=self._onward.last_seq(),
            parcel=self._onward.parcel_at(seq) if seq else None,
        )
        self._progress = progress

    def begin_anew(self) -> None:
        """On a new connection nothing is under way."""
        self._hall = ""  # whose words count; "": the broker's
        self._obeyed: TakenMessage | None = None
        self._lines: deque[tuple[int, KeptLine]] = deque()
        self._read_seq = self._progress.seq if self._progress else 0
        self._entry: tuple[int, float] | None = None  # the last one given, and when
        self._batch: tuple[Batch, float] | None = None
        self._word_due_s = -1e9
        self._entries_due_s = -1e9
        self._readings_due_s = self._clock.now_s() + min(self._every_s, 2.0)

    def hand_on(self, connection: Connection, form: Form, heard: Heard) -> None:
        """Give the broker what is due. `ready` was called."""
        assert self._progress is not None
        now_s = self._clock.now_s()
        self._question.answered()
        self._take_told(self._progress)
        if self._may(self._progress, heard, now_s):
            together = heard.together if self._hall else 1
            self._tell_entries(connection, form, self._progress, now_s, together)
            self._tell_readings(connection, form, self._progress, now_s)
        self.keep()

    # --- whose word counts ---------------------------------------------------------------

    def _may(self, progress: Progress, heard: Heard, now_s: float) -> bool:
        """Whether somebody takes just now, and we go on from where they are."""
        mode = heard.mode(now_s)
        if mode is not Mode.OBEYING:
            self._hall, self._entry, self._batch = "", None, None
            if heard.why_not:
                self.ails = f"{heard.why_not}, so it is all kept here"
            return mode is Mode.CONFIRMED
        word = heard.word
        is_new = self._hall != heard.hall
        if is_new:
            self._hall, self.ails = heard.hall, ""
            self._entry = self._batch = None
        # Without a word it knows nothing of us, or has forgotten us since.
        if (is_new and progress.hall != heard.hall) or (
            word is None and (is_new or self._obeyed is not None)
        ):
            log.info("hall: %s is handed on to %s from the beginning", self._chamber, heard.hall)
            before = progress.seq
            progress.begins_for(heard.hall, since_ms=self._since_ms())
            self._from(progress, before)
        if is_new or word is None:
            self._obeyed = None
        if word is None or word is self._obeyed:
            return True
        if not word.seq or not progress.is_news(word) or self._is_next(word):
            self._obey(progress, word, known=True)
            return True

        def read() -> Callable[[], None]:
            last_seq, found = self._onward.last_seq(), self._onward.parcel_at(word.seq)
            known = is_known(word.seq, word.parcel, last_seq=last_seq, found=found)

            def came() -> None:
                self._word_due_s = -1e9
                if heard.word is word and self._hall == heard.hall:  # else another is asked for
                    self._obey(progress, word, known=known)

            return came

        if self._question.is_free and now_s >= self._word_due_s:
            self._word_due_s = now_s + AGAIN_S  # unless an answer comes
            self._question.ask(read)
        return False

    def _is_next(self, word: TakenMessage) -> bool:
        """Whether it names one of the rows that come next."""
        return (word.seq, word.parcel) in ((seq, line.parcel) for seq, line in self._lines)

    def _obey(self, progress: Progress, word: TakenMessage, *, known: bool) -> None:
        self._obeyed, before = word, progress.seq
        progress.obeys(word, is_known=known)
        self._from(progress, before)
        if self._batch is not None and self._batch[0].is_in(word):
            self._batch, self.ails = None, ""
        if self._entry is None and self._batch is None:
            self.ails = ""

    def _from(self, progress: Progress, before: int) -> None:
        """Go on with the row behind the cursor, which was at `before`."""
        if progress.seq < before:
            self._lines.clear()
            self._read_seq, self._entry = progress.seq, None
        while self._lines and self._lines[0][0] <= progress.seq:
            self._lines.popleft()
        self._read_seq = max(self._read_seq, progress.seq)
        if progress.seq > before:
            self._entry = None  # where it is only a part, the hall takes no more of that message

    def _is_under_way(self, given_s: float | None, now_s: float) -> bool:
        """Whether the hall may still say that it has what was given it then."""
        if given_s is None:
            return False
        if now_s - given_s > TAKEN_S:
            self.ails = "the hall does not say that it has what was sent, so it is all kept here"
            return False
        return True

    # --- entries ------------------------------------------------------------------------

    def _tell_entries(
        self,
        connection: Connection,
        form: Form,
        progress: Progress,
        now_s: float,
        together: int,
    ) -> None:
        if now_s < self._entries_due_s or not connection.may("entries"):
            return
        if self._is_under_way(self._entry[1] if self._entry else None, now_s):
            return
        if not self._lines:
            self._read_lines(now_s)
            return
        seq, line = self._lines[0]
        most_bytes = connection.largest_bytes - TOPIC_BYTES
        entries = self._next(together, min(LARGEST_BYTES, most_bytes) - TOPIC_BYTES)
        after = self._obeyed.seq if self._obeyed else None
        payload = form.entries(*entries, after=after)
        if len(payload) > min(LARGEST_ENTRY_BYTES, most_bytes):
            log.error("entry %d is too long for the hall: %d bytes", seq, len(payload))
            self._lines.popleft()
            progress.passed(seq, line.parcel)
            return
        self._entry = (entries[-1].seq, now_s) if self._hall else None

        def done() -> None:
            if not self._hall and self._lines and self._lines[0][0] == seq:
                self.ails = ""
                self._lines.popleft()
                progress.entry_taken(seq, line.parcel)

        def unheard() -> None:
            self._entry, self._entries_due_s = None, self._unheard_until_s()

        topic = form.topic("entries")
        connection.publish("entries", topic, payload, done, retain=False, unheard=unheard)

    def _next(self, most: int, room: int) -> list[Entry]:
        """The next rows: one, and as many more as have room in one message."""
        entries: list[Entry] = []
        for seq, line in islice(self._lines, most):
            entry = Entry.of(seq, line, self._ledger.cleaned(line.body))
            room -= len(entry.model_dump_json()) + 1  # a comma
            if entries and room < 0:
                break
            entries.append(entry)
        return entries

    def _read_lines(self, now_s: float) -> None:
        """Have the next lines read, if there are any."""
        after, newest = self._read_seq, self._ledger.last_seq()
        if newest <= after or not self._question.is_free:
            return

        def read() -> Callable[[], None]:
            found = self._onward.lines(self._chamber, after)
            return lambda: came(found)

        def came(found: Lines) -> None:
            self._entries_due_s = -1e9
            if self._read_seq == after and not self._lines:  # else they are read again
                self._lines.extend(found.lines)
                # Rows of other chambers have numbers as well.
                self._read_seq = max(found.to, newest) if found.are_all else found.to

        self._entries_due_s = now_s + AGAIN_S  # unless an answer comes
        self._question.ask(read)

    # --- readings -----------------------------------------------------------------------

    def _tell_readings(
        self, connection: Connection, form: Form, progress: Progress, now_s: float
    ) -> None:
        is_free = connection.may("readings") and self._question.is_free
        if now_s < self._readings_due_s or not is_free:
            return
        if self._is_under_way(self._batch[1] if self._batch else None, now_s):
            return
        self._batch = None
        self._readings_due_s = now_s + self._every_s
        if (owed := progress.owed()) is None:
            return
        lane, spans_ms = owed
        room = min(connection.largest_bytes, LARGEST_BYTES) - OVERHEAD_BYTES
        most = max(1, min(MOST_READINGS, room // READING_BYTES))

        def read() -> Callable[[], None]:
            found = self._onward.readings(self._chamber, spans_ms, most)
            return lambda: came(found)

        def came(found: NextReadings) -> None:
            if not connection.is_in or not progress.is_owed(lane, spans_ms):
                self._readings_due_s = self._clock.now_s() + CATCH_UP_S
                return  # they are read again
            lane.found(spans_ms, found)
            if found.more:
                self._readings_due_s = self._clock.now_s() + CATCH_UP_S
            if found.pieces:
                self._hand_over(connection, form, progress, Batch(lane, found))

        self._question.ask(read)

    def _hand_over(
        self, connection: Connection, form: Form, progress: Progress, batch: Batch
    ) -> None:
        self._batch = (batch, self._clock.now_s()) if self._hall else None

        def done() -> None:
            if not self._hall:
                self.ails = ""
                progress.taken(batch)

        def unheard() -> None:
            self._batch, self._readings_due_s = None, self._unheard_until_s()

        number, word = batch.lane.number, self._obeyed
        said = word.sensors if word is not None and word.lane == number else {}
        after_ms = {sensor: said[sensor] for sensor in batch.found.pieces if sensor in said}
        topic = form.topic("readings")
        payload = form.readings(batch.found, number, after_ms=after_ms)
        connection.publish("readings", topic, payload, done, retain=False, unheard=unheard)

    def _unheard_until_s(self) -> float:
        """The broker has taken it for nobody: it is owed still, and kept here."""
        self.ails = "nobody has subscribed at the broker, so it is all kept here"
        return self._clock.now_s() + AGAIN_S

    # --- cursors ------------------------------------------------------------------------

    def _since_ms(self) -> int:
        """From when on readings are owed to who has none of them."""
        return round(self._clock.wall().timestamp() * 1000) - BEFORE_MS

    def _take_told(self, progress: Progress) -> None:
        """Note which readings there are since the last look."""
        with self._lock:
            new, self._new = self._new, {}
        for sensor, instants in new.items():
            progress.told((sensor, at_ms) for at_ms in instants)

    def keep(self, *, at_once: bool = False) -> None:
        """Write the cursors down if they have moved, at most once a minute but at the end.

        And where a clock was set back: what is begun then is known by its number.
        """
        self._question.answered()
        progress, now_s = self._progress, self._clock.now_s()
        if progress is None or (progress.changes, progress.turns) == self._kept:
            return
        if at_once:
            self._take_told(progress)
            try:
                self._cursors.keep(self._chamber, progress.kept())
            except StoreError as error:
                log.warning("how far the hall is was not kept: %s", error)
            return
        is_due = now_s - self._kept_s >= KEEP_S or progress.turns != self._kept[1]
        if is_due and self._question.is_free:
            self._kept_s, self._kept = now_s, (progress.changes, progress.turns)
            kept = progress.kept()

            def write() -> Callable[[], None]:
                self._cursors.keep(self._chamber, kept)
                return _nothing

            self._question.ask(write)

    def close(self) -> None:
        """Let the files go; harmless twice."""
        self._onward.close()


def _nothing() -> None:
    """There is nothing more to be done."""
