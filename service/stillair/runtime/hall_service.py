"""A hall as it runs: what boards say, whom that is told, and what pages are shown.

    broker ──> Hearing ──> Mirror ──> pages
                             └──> Telling ──> courier ──> a person
                                     └──> journal (the outbox)
    broker ──> Taking ──> PostgreSQL ──> History ──> pages

No chamber is watched here. What is said to people waits for no store: it goes to the courier in
the thread that heard it, and to the journal in the data directory beside that.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

from stillair import __version__
from stillair.alarms import testing
from stillair.alarms.catalogue import is_danger
from stillair.alerts.heartbeat import Heartbeat
from stillair.alerts.routes import Due
from stillair.clock import Clock
from stillair.errors import CommandRefused, Refusal, StoreError
from stillair.hall.hearing import Hearing
from stillair.hall.matters import hall_id, misread_id, own_words, reach_id
from stillair.hall.messages import ActedMessage
from stillair.hall.mirror import Heard, Mirror
from stillair.hall.taking import Taking
from stillair.model import AlarmTestState, Command, Kind, Notice, Outcome
from stillair.model.duties import SeenMatter, SeenState
from stillair.runtime import hall_shown, tested
from stillair.runtime.hall_ailing import HallAiling
from stillair.runtime.hall_copy import PagesCopy
from stillair.runtime.hall_known import HallKnown, told_before
from stillair.runtime.hall_orders import Orders
from stillair.runtime.hall_telling import HallTelling
from stillair.runtime.hall_tested import HallTested
from stillair.runtime.handing import Handing
from stillair.runtime.labels import Labels
from stillair.runtime.past import STORED_S, Answer, Past
from stillair.runtime.troubles import Troubles
from stillair.storage import outbox
from stillair.storage.history import History, Page
from stillair.storage.items import Item, label
from stillair.storage.journal import Journal
from stillair.storage.records import Parcel
from stillair.storage.writer import JournalWriter

log = logging.getLogger(__name__)

HALL = "hall"  # the chamber of what is the hall's own
AT_THE_BOARD = "Say it at the board that watches this chamber."
ON_TIME_S = 15.0
COURIER_S = 60.0
KNOWN_NOTICES = 20_000  # of the outbox, read at the start
STOP_S = 0.5


class HallService(Past):
    """All of one hall; `hall_wiring.build` puts it together.

    Its parts below work for it, so all are given before `start`.
    """

    writer: JournalWriter
    hearing: Hearing
    taking: Taking
    orders: Orders
    tested: HallTested
    kept: History  # of the hall's own journal
    beat: Heartbeat | None
    known: HallKnown
    copy: PagesCopy | None = None  # where pages read another database than the hall writes

    def __init__(
        self,
        *,
        name: str,
        keep_days: int,
        broker: str,
        mirror: Mirror,
        telling: HallTelling,
        journal: Journal,
        history: History,
        has_owner: Callable[[], bool],
        people_with_telephones: tuple[str, ...],
        clock: Clock,
        labels: Labels,
    ) -> None:
        super().__init__(history)
        self.name = name
        self.keep_days = keep_days
        self.broker = broker  # where it is, in words
        self.base: str | None = None  # where telephones open the page
        self.mirror = mirror
        self.journal = journal
        self.troubles = Troubles({}, clock)
        self.telling = telling
        self._has_owner = has_owner
        self._telephones = people_with_telephones
        self._clock = clock
        self._labels = labels
        self._handing = Handing(clock.now_s, at_once=lambda _: True)
        self.lock = threading.RLock()  # mirror and telling, for one thread at a time
        self._own = HallAiling(self.troubles, clock)
        self._faulty: dict[str, int] = {}  # messages of the past, by chamber, that were told of
        self._beat_s = clock.now_s()
        self._seen: tuple[SeenMatter, ...] = ()  # as it stands in the journal
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="hall seconds", daemon=True)

    # --- put together and run -----------------------------------------------------------------

    def start(self) -> None:
        """Begin to listen, to tell and to take."""
        self.writer.recover()
        self.known.read()
        self._know_told()
        self.writer.start()
        self.alarm_tests.start()
        self.housekeeping.start()
        self._thread.start()
        self.hearing.start()
        self.taking.start()
        for each in (self.beat, self.copy):
            if each is not None:
                each.start()

    def stop(self) -> None:
        """Send the viewers home, say goodbye to the boards, keep what waits."""
        self.feed.close()
        self.housekeeping.stop()
        self.ways.stop()
        self.alarm_tests.stop()
        self._stopping.set()
        for each in (self.beat, self.copy):
            if each is not None:
                each.stop()
        self.taking.stop()
        self.hearing.stop()
        self.known.keep()
        if self._thread.ident is not None:
            self._thread.join(STOP_S)
        self.writer.stop()
        self.history.close()
        self.kept.close()
        self.journal.close()

    def work(self) -> Mapping[str, Callable[[], Awaitable[None]]]:
        """What goes on in the web server's loop until it is cancelled, by its name."""
        return {"courier": self.courier.run}

    def on_time(self) -> bool:
        """Whether all that a restart would cure is as it should be."""
        return (
            self._clock.now_s() - self._beat_s <= ON_TIME_S
            and self.courier.on_time(COURIER_S)
            and self.writer.alive
            and self.housekeeping.alive
            and self.hearing.alive
            and self.hearing.on_time(COURIER_S)
            and self.taking.alive
        )

    def is_whole(self) -> bool:
        """Whether boards are heard, what they send is kept, and people can be told."""
        return (
            self.on_time()
            and self._own.heard
            and self._own.is_kept
            and self.writer.stored
            and not self.troubles
            and self.taking.on_time(COURIER_S)
        )

    def wall(self) -> datetime:
        """The machine's wall clock."""
        return self._clock.wall()

    def _know_told(self) -> None:
        """What was told before the start. A journal that can't be read costs a second message."""
        at = self._clock.wall()
        try:
            with self.journal.transaction("what was told before can't be read") as connection:
                rows = outbox.newest(connection, KNOWN_NOTICES)
            known = self.journal.memory(HALL, self._labels.timeline())
        except StoreError as error:
            log.warning("some may be told again: %s", error)
            return
        seen: tuple[SeenMatter, ...] = ()
        for duty in known.duties:
            if isinstance(duty, AlarmTestState):
                self.tested.restored(duty)
            elif isinstance(duty, SeenState):
                seen = duty.seen
        with self.lock:
            self._seen = seen
            self.telling.restored(told_before(rows), self._clock.now_s(), at, seen)

    # --- what is heard ---------------------------------------------------------------------------

    def heard(self, topic: str, payload: bytes, kept: bool) -> None:
        """Take a message of a board; called by the thread that hears, and quick."""
        now_s, at = self._clock.now_s(), self._clock.wall()
        with self.lock:
            told = self.mirror.take(topic, payload, now_s, kept=kept)
            notices: list[Notice] = []
            if isinstance(told, Heard):
                kind, _, name = topic.split("/", 2)[2].partition("/")
                notices += self.telling.heard(told, kind, name, now_s, at)
            notices += self.telling.dropped(now_s, at)
        if isinstance(told, ActedMessage):
            self.orders.answered(told)
        if notices:
            self._send(notices, now_s)
            self.feed.changed()

    def connected(self, is_in: bool, why: str) -> None:
        """The broker lets us in, or doesn't."""
        with self.lock:
            if is_in:
                self.mirror.joined(self._clock.now_s())
            self._own.connected(is_in, why)
        self.feed.changed()

    def took(self, takes: bool, why: str) -> None:
        """What boards send is being kept, can't be just now, or is only tried again."""
        self.hearing.takes(takes)
        self._own.took(takes, why)
        if takes:
            self.known.stored(self.taking.chambers)

    def link_for(self, due: Due) -> str | None:
        """The page of a message's chamber, for who may sign in; None while nobody else opens it."""
        if self.base is None:
            return None
        if due.stage in (testing.TEST, testing.REMINDER):
            return f"{self.base}/#/alarm-test"
        return f"{self.base}/" if due.chamber == HALL else f"{self.base}/#/chambers/{due.chamber}"

    def lacking(self) -> list[Heard]:
        """Chambers of which what the broker has kept never came."""
        with self.lock:
            return list(self.mirror.lacking())

    def unwritable(self, parcel: Parcel) -> None:
        """What was to be told will never be written: it goes out all the same."""
        self.courier.hand(self._handing.never_kept(parcel))

    # --- each second ----------------------------------------------------------------------

    def _run(self) -> None:
        due_s = self._clock.now_s()
        while not self._stopping.is_set():
            try:
                self.second()
            except Exception:
                log.exception("hall: a second")
            self._beat_s = self._clock.now_s()
            due_s = max(due_s + 1.0, self._beat_s)
            self._clock.wait(due_s, self._stopping)

    def second(self) -> None:
        """See who is out of reach, what fails, and who has to be told by now."""
        now_s, at = self._clock.now_s(), self._clock.wall()
        self._labels.check()
        self.writer.check()
        self._own.look(self.hearing, self.journal, self.push, self.mirror.refused)
        with self.lock:
            notices: list[Notice] = []
            if self._own.heard:  # else nobody is known, which is the broker's trouble
                self.mirror.tick(now_s)
                self._see_faults(now_s)
                notices += self.telling.chambers(now_s, at)
            notices += self.telling.dropped(now_s, at)
            notices += self.telling.own(self.troubles.standing(), now_s, at)
            notices += self.telling.due(now_s, at)
        if notices:
            self._send(notices, now_s)
        self.tested.second()
        self._keep_seen()
        if late := self._handing.late(self.writer):
            self.courier.hand(late)
        self.feed.changed()

    def _see_faults(self, now_s: float) -> None:
        """What of the past of a chamber nobody understood is shown as that chamber's."""
        for key, fault in self.taking.faults.items():
            new = fault.count - self._faulty.get(key, 0)
            if new > 0 and (of := self.mirror.chambers.get(key)) is not None:
                self._faulty[key] = fault.count
                self.mirror.misread(of, fault.why, now_s, new)

    def _send(self, notices: Iterable[Notice], now_s: float) -> None:
        told = tuple(notices)
        if any(isinstance(each.kind, Kind) and is_danger(each.kind) for each in told):
            self.tested.second()  # first: a test whose messages are taken back would be done
            self.alarm_tests.danger()
        self.keep(HALL, Outcome(HALL, now_s, notices=told))

    def keep(self, key: str, outcome: Outcome) -> None:
        """What is the hall's own goes into its journal, and what it says to people."""
        self.alarm_tests.happened(key, outcome)
        self._handing.take(outcome, self._labels.timeline(), self.writer, self.courier.hand)

    def _keep_seen(self) -> None:
        """What was seen and still stands is known after a restart."""
        with self.lock:
            seen, before = self.telling.seen, self._seen
            self._seen = seen
        if seen != before:
            now_s = self._clock.now_s()
            self.keep(HALL, Outcome(HALL, now_s, duties=(SeenState(now_s, seen),)))

    def dangers(self, over: bool) -> tuple[str, ...]:
        """What danger stands in any chamber; with `over` also what nobody has seen."""
        with self.lock:
            return hall_shown.dangers(self.mirror.chambers.values(), over=over)

    # --- what is asked --------------------------------------------------------------------

    def now(self, owner: bool = True) -> Item:
        """How the hall is; of its chambers the numbers alone."""
        with self.lock:
            chambers = list(self.mirror.chambers.values())
            hall: Item = {
                "name": self.name,
                "revision": self.mirror.revision,
                "jobs": self.mirror.jobs,
                "heard": self._own.heard,
                "why": self._own.why if owner else "",
                "lost_at": self._own.lost_at,
                "counts": hall_shown.counts(chambers),
                "settling": sum(of.is_settling for of in chambers),
                "awaited": hall_shown.awaited(chambers),
                "sounding": hall_shown.sounding(chambers) if self._own.heard else "silent",
                "strangers": self.mirror.strangers,
                "refused": self.mirror.refused,
                "answers": self.orders.able,
                "people": self.telling.people,
                "keep_days": self.keep_days,
            }
            told = self.ailing()
            hall["troubles"] = told if owner else [self.places.shown(each) for each in told]
        past = self.copy.ails if self.copy is not None else None
        hall["past"] = past if owner or past is None else self.places.shown(past)
        found = tested.now([self.tested], self.alarm_tests.mark)
        return {
            "version": __version__,
            "at": label(self._clock.wall().timestamp()),
            "simulated": False,
            "stored": self.writer.stored,
            "owner": self._has_owner(),
            "seq": self.last_seq,
            "alarm_test": found if owner else self.places.shown(found),
            "chambers": [],
            "elsewhere": {},
            "hall": hall,
        }

    def ailing(self) -> list[Any]:
        """What fails of the hall itself."""
        now = label(self._clock.wall().timestamp())
        return [
            {
                "subject": subject,
                "reason": reason,
                "text": own_words(subject, reason, active=True),
                "since_at": self.telling.since(kind, subject) or now,
                **self.telling.shown(hall_id(subject)),
            }
            for (kind, subject), reason in self.troubles.standing().items()
        ]

    def _live_at(self, of: Heard) -> str | None:
        """When a board was last heard, by the hall's own clock."""
        if of.live_s is None:
            return None
        return label(self._clock.wall().timestamp() - (self._clock.now_s() - of.live_s))

    @property
    def asks(self) -> bool:
        """Whether boards can be asked to note something, and would believe us."""
        return self._own.heard and self.orders.able

    def rows(self, revision: int) -> Item:
        """The chambers that changed after a revision."""
        with self.lock:
            changed, gone, only = self.mirror.since(revision)
            return {
                "revision": self.mirror.revision,
                "whole": not only,
                "items": [hall_shown.row(of, self._live_at(of)) for of in changed],
                "gone": [*gone],
            }

    def one(self, key: str) -> Item:
        """All of one chamber. Raises `CommandRefused` (unknown)."""
        with self.lock:
            of = self.known_one(key)
            told = hall_shown.whole(of, self.orders.of(key), self._live_at(of))
            told["reach_alarm"] = self.telling.shown(reach_id(of))
            told["misread_alarm"] = self.telling.shown(misread_id(of))
            return told

    def acknowledge(self, alarm: str, *, by: str) -> str:
        """Have the board note that somebody has seen an alarm; gives the order's id.

        Raises `CommandRefused`.
        """
        own = alarm.partition(".")[2]
        with self.lock:
            of = self.mirror.chambers.get(alarm.rpartition("-")[0])
            if of is None or own not in of.alarms:
                raise CommandRefused(Refusal.UNKNOWN, "There is no such alarm.")
            of = replace(of)
        return self.orders.acknowledge(of, own, by=by)

    def see(self, alarm: str, *, by: str) -> None:
        """Somebody has seen what is the hall's own: out of reach, or something of it fails.

        Nobody else is told of it then, until it is over and comes again. Raises `CommandRefused`.
        """
        with self.lock:
            self.telling.see(alarm, by=by, now_s=self._clock.now_s())
        self._keep_seen()
        self.feed.changed()

    def forget(self, key: str) -> None:
        """Take a chamber off the page that is no more. Raises `CommandRefused`."""
        with self.lock:
            of = self.known_one(key)
            if not (of.is_out_of_reach or of.reach.value == "ended"):
                raise CommandRefused(Refusal.CONFLICT, "Its board is heard, so it is shown.")
        if not self.hearing.forget(of):
            raise CommandRefused(Refusal.CONFLICT, "The broker is out of reach just now.")

    def known_one(self, key: str) -> Heard:
        """A chamber, for who has the lock. Raises `CommandRefused` (unknown)."""
        of = self.mirror.chambers.get(key)
        if of is None:
            raise CommandRefused(Refusal.UNKNOWN, "There is no such chamber.")
        return of

    def chamber_time_s(self, key: str) -> float:  # noqa: ARG002 - one clock for all here
        """Now, by the hall's own clock: boards keep theirs as well as it does."""
        return self.wall().timestamp()

    def chamber(self, key: str | None) -> str:
        """A key that was told; there is no first chamber here."""
        if key is None:
            raise CommandRefused(Refusal.UNKNOWN, "Name a chamber: in a hall there is no first.")
        return key  # what was taken off the page has a past all the same

    def kept_chamber(self, key: str | None) -> str:
        """The same: all that is kept here is of others."""
        return self.chamber(key)

    def alarms(
        self, after: int, limit: int, chamber: str | None, standing: bool | None
    ) -> tuple[list[Item], int | None]:
        """A page of alarms; those that stand as boards tell them this second."""
        if standing:
            with self.lock:
                items = hall_shown.alarm_items(self.mirror.chambers.values())
            return [item for item in items if chamber in (None, item["chamber"])][:limit], None
        page = self.history.alarms(after, limit, chamber=chamber, standing=standing)
        return [entry.body for entry in page.entries], page.next

    async def test_command(self, test: str, make: Callable[[float], Command]) -> Answer:  # noqa: ARG002
        """Begin an alarm test of the hall, or take a word on the newest."""
        outcome = self.tested.submit(make(self._clock.now_s())).result()
        stored = outcome.empty or await asyncio.to_thread(self.writer.flush, STORED_S)
        return Answer(outcome.created, stored)

    def missed(self, last: int, limit: int) -> Page:  # noqa: ARG002 - whatever it is
        """Nothing: pages ask for what they show by the hall's revisions."""
        return Page((), None)

    def toolpath_of(self, job: str) -> str | None:  # noqa: ARG002 - of no job
        """None: toolpaths stay at the boards."""
        return None

    def with_telephones(self) -> tuple[str, ...]:
        """Whose telephones may join."""
        return self._telephones
