"""Alarm tests as they run: what becomes of their messages, when one is due, who asks for one.

The watch begins a test and keeps what is known of it; here a thread of its own asks the
outbox what has become of each message, has the stop checked, takes what the sounder tells,
and hands all of it to the watch. It decides nothing, and nothing waits for it: if it ended,
the watch would say of a test that nobody told its end.

A command line on this computer asks for a test by a file in the folder of history, and
whoever may write there may.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterable
from concurrent.futures import CancelledError
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Protocol
from uuid import uuid4
from zoneinfo import ZoneInfo

from stillair.alarms import testing
from stillair.alarms.reaching import Person
from stillair.config import ChamberSettings
from stillair.errors import CommandRefused, Refusal, StillairError, StoreError
from stillair.model import (
    AlarmTestPhase,
    AlarmTestState,
    AlarmTestTold,
    Kind,
    Notice,
    Outcome,
    PartTried,
    Priority,
    RouteTried,
    StartAlarmTest,
    Timeline,
)
from stillair.runtime import asking
from stillair.runtime.plans import watch_plan
from stillair.runtime.tested import Mark, Tested, is_due, people_of, readiness
from stillair.storage.history import Page
from stillair.storage.outbox import NoticeRow
from stillair.watch.rehearsal import KEY, dangers

log = logging.getLogger(__name__)

BY_COMMAND = "command line"
BY_SCHEDULE = "the schedule"
POLL_S = 0.25
IDLE_S = 1.0
AGAIN_S = 5.0
ROUND_S = 4.0  # of the fire sound, which open pages make as well
SOUNDER_S = 15.0
SETTLE_S = 60.0  # by then a test is over, whatever has no answer yet
LATE_S = 900.0  # for so long a message that comes late still counts
LIMIT_S = 300.0  # then the watch ends it, if nobody else does
ANSWER_S = 5.0
TRIAL_S = 6.0  # a tone of one second, and a program that makes it
SOUNDS = "It sounds already: see to that on the first page, and try it afterwards."
NO_SOUNDER = PartTried(None)
GAVE_WAY = PartTried(False, "an alarm was to be heard just then; answer it, then test again")


class Tries(Protocol):
    """Where it stands what has become of messages and of tests; raises `StoreError`."""

    def tries_of(self, keys: str) -> list[tuple[NoticeRow, datetime | None]]: ...
    def alarm_tests(
        self, after: int = ..., limit: int = ..., *, chamber: str | None = ...
    ) -> Page: ...


@dataclass(slots=True)
class _Run:
    """A test that is being followed."""

    chamber: Tested
    state: AlarmTestState
    began_at: datetime
    began_s: float
    checked: bool = False  # the stop
    told: tuple[RouteTried, ...] = ()
    told_s: float = 0.0
    done: bool = False
    unread: bool = False  # the outbox can't be read, which was logged
    heard: threading.Event = field(default_factory=threading.Event)  # of the sounder


class AlarmTests:
    """Begin and follow alarm tests.

    Parameters
    ----------
    folder : Path
        Of history, where a command line leaves its wish.
    chambers : callable
        All of this process, or the hall.
    tries : Tries
        What has become of messages.
    keep : callable
        Takes an outcome of a chamber that has to be kept and sent.
    withdraw, forget : callables
        Have no more sent of the messages whose key begins so: by the outbox, which may wait for
        a disk, and by who brings them, at once.
    mark : callable
        Of a chamber's settings a mark of all that a test tries, as it is now.
    check_stop : callable
        Tries what stops the machine of a chamber, without stopping it; None: there is none.
    wall : callable
    """

    def __init__(
        self,
        folder: Path,
        *,
        chambers: Callable[[], Iterable[Tested]],
        tries: Tries,
        keep: Callable[[str, Outcome], None],
        withdraw: Callable[[str], int],
        forget: Callable[[str], None],
        mark: Mark,
        check_stop: Callable[[str], PartTried | None] = lambda _: None,
        wall: Callable[[], datetime] = lambda: datetime.now(UTC),
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._folder = folder
        self._chambers = chambers
        self.kept = tries
        self._keep = keep
        self._withdraw = withdraw
        self._forget = forget
        self.mark = mark
        self._check_stop = check_stop
        self._wall = wall
        self._monotonic_s = monotonic_s
        self._runs: dict[str, _Run] = {}
        self._withdrawn: list[str] = []  # keys of messages that are not to be sent any more
        self._again_s = 0.0  # when taking back is tried again
        self._looked: dict[str, date] = {}
        self._stopping = threading.Event()
        self._wake = threading.Event()
        self._thread = threading.Thread(target=self._run, name="alarm tests", daemon=True)

    def start(self) -> None:
        """Begin to follow; a wish from before is nobody's any more."""
        asking.forget(self._folder)
        for chamber in self._chambers():
            if (state := chamber.supervisor.view.alarm_test) is not None:
                self._take_back(state.id)  # nobody follows it any more
        self._thread.start()

    def stop(self) -> None:
        """End; a test that runs then is cut off."""
        self._stopping.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(2.0)

    # --- what it hears ---------------------------------------------------------

    def happened(self, key: str, outcome: Outcome) -> None:
        """Take up a test that begins, and let go of one that danger ended; never blocks."""
        for state in outcome.duties:
            if not isinstance(state, AlarmTestState):
                continue
            run = self._runs.get(state.id)
            if run is not None:
                run.state = state
            elif state.phase is AlarmTestPhase.RUNNING and (chamber := self._of(key)):
                now_s = self._monotonic_s()
                self._runs[state.id] = _Run(chamber, state, self._wall(), now_s)
            if state.phase in (AlarmTestPhase.ENDED, AlarmTestPhase.CUT_OFF):
                self._take_back(state.id)
                self._runs.pop(state.id, None)
            self._wake.set()
        if dangers(outcome.alarms):
            self.danger()

    def danger(self) -> None:
        """Real danger is told: nothing more of a test is, until the next look ends it."""
        # Also of a test that is done, or of another chamber's.
        for run in list(self._runs.values()):
            self._take_back(run.state.id)
        self._wake.set()

    def _take_back(self, test: str) -> None:
        """What waits of a test is not sent: "nothing is wrong" must not come after "fire"."""
        self._forget(f"{KEY}{test}:")
        self._withdrawn.append(f"{KEY}{test}:")

    def sounded(self, key: str, well: bool, reason: str) -> None:
        """The sounder of a chamber has made its round, or failed in it; from its own thread."""
        for run in list(self._runs.values()):
            if run.chamber.key == key and run.chamber.settings.sounder and not run.heard.is_set():
                run.heard.set()
                self._tell(run, sounder=PartTried(well, reason))

    # --- beginning one -----------------------------------------------------------

    def command(
        self, key: str, *, by: str, scheduled: bool = False
    ) -> Callable[[float], StartAlarmTest]:
        """What has a chamber's watch begin a test.

        Raises `CommandRefused` while there is danger in another chamber; the watch knows its own.
        """
        chamber = self._of(key)
        assert chamber is not None  # the key was looked up
        settings = chamber.settings
        if danger := self._danger_beside(key, over=True):
            raise CommandRefused(
                Refusal.CONFLICT, f"there is danger, or nobody is done with it: {danger}"
            )
        return lambda t_s: StartAlarmTest(
            t_s=t_s,
            by=by,
            id=f"{key}-{uuid4().hex[:10]}",
            setup=self.mark(settings),
            scheduled=scheduled,
            within_s=LIMIT_S * chamber.speed,
            sounds_s=(SOUNDER_S + 2 * IDLE_S) * chamber.speed,
        )

    def _danger_beside(self, key: str, *, over: bool = False) -> str:
        """Real danger in another chamber: there the same people are told, and "test" misleads."""
        for other in self._chambers():
            if other.key != key:
                for danger in dangers(other.supervisor.view.alarms, over=over):
                    return f"{other.settings.name}: {danger}"
        return ""

    def try_sounder(self, key: str) -> PartTried:
        """Have a chamber's sounder make one tone of a second, and no more; waits for it.

        Raises `CommandRefused` in danger, where there is no sounder, and where it sounds.
        """
        chamber = self._of(key)
        assert chamber is not None  # the key was looked up
        if chamber.sounder is None or chamber.settings.sounder is None:
            raise CommandRefused(Refusal.CONFLICT, "There is no sounder. Name its pin first.")
        if danger := self._danger_beside("", over=True):
            raise CommandRefused(
                Refusal.CONFLICT, f"There is danger, or nobody is done with it: {danger}"
            )
        trial = chamber.sounder.try_out()
        try:
            fault = trial.result(TRIAL_S) if trial is not None else SOUNDS
        except CancelledError:  # what is real came first
            fault = SOUNDS
        except TimeoutError:
            return PartTried(False, "it doesn't answer")
        if fault is SOUNDS:
            raise CommandRefused(Refusal.CONFLICT, SOUNDS)
        return PartTried(not fault, fault)

    def look(self) -> None:
        """Once in the hour that is set: is a test due? Then it begins, or is asked for.

        By itself only where that is in nobody's quiet hours, in which nobody is asked either.
        """
        for chamber in self._chambers():
            of = chamber.settings.alarm_test
            timeline = chamber.labels.timeline()
            now_s = chamber.clock.now_s()
            local = timeline.at(now_s).astimezone(_zone(chamber))
            if local.hour != of.hour or self._looked.get(chamber.key) == local.date():
                continue
            self._looked[chamber.key] = local.date()
            if not chamber.settings.people or not is_due(chamber, now_s):
                continue
            people = people_of(chamber)
            awake = [p for p in people if p.quiet is None or not p.quiet.holds(local)]
            if of.automatic and len(awake) == len(people):
                try:
                    self._begin(chamber, by=BY_SCHEDULE, scheduled=True)
                except StillairError as error:
                    log.warning("%s: no alarm test was begun: %s", chamber.key, error)
            else:
                self._remind(chamber, awake, now_s, timeline)

    def _begin(self, chamber: Tested, *, by: str, scheduled: bool = False) -> str:
        make = self.command(chamber.key, by=by, scheduled=scheduled)
        future = chamber.supervisor.submit(make(chamber.clock.now_s()))
        try:
            outcome = future.result(ANSWER_S)
        except TimeoutError:
            raise StillairError("the watch did not answer in time") from None
        return outcome.created or ""

    def _remind(
        self, chamber: Tested, people: Iterable[Person], now_s: float, timeline: Timeline
    ) -> None:
        """Ask each once, and again only after as long; the outbox knows a key it has had."""
        settings = chamber.settings
        is_board = isinstance(settings, ChamberSettings)
        said = testing.reminder(
            chamber_name=settings.name,
            mark=watch_plan(settings).mark if isinstance(settings, ChamberSettings) else "",
            text=readiness(chamber, self.mark).text,
            place="Chamber" if is_board else "Hall",
        )
        turn = int(
            timeline.epoch_s(now_s) // (testing.DAY_S * chamber.settings.alarm_test.every_days)
        )
        key = f"{KEY}due:{chamber.key}:{turn}:"
        notices = tuple(
            Notice(
                key=each.key,
                chamber=chamber.key,
                alarm=None,
                kind=Kind.DELIVERY_FAULT,
                priority=Priority.LOW,
                person=each.person,
                route=each.route,
                title=said.title,
                text=said.text,
                created_s=now_s,
                stage=testing.REMINDER,
            )
            for each in testing.routes_of(people, key)
        )
        self._keep(chamber.key, Outcome(chamber.key, now_s, notices=notices))

    # --- the thread ----------------------------------------------------------------

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._wake.wait(POLL_S if self._runs or self._withdrawn else IDLE_S)
            self._wake.clear()
            for step in (self._send_no_more, self._take_wish, self._follow_all):
                try:
                    step()
                except Exception:
                    # Whatever it is, the next test has to be followed.
                    log.exception("alarm tests stumbled")
            self._stopping.wait(POLL_S)  # who wakes it often doesn't make it ask the disk often

    def _send_no_more(self) -> None:
        while self._withdrawn and self._monotonic_s() >= self._again_s:
            try:
                self._withdraw(self._withdrawn[0])
            except StoreError as error:
                log.warning("messages of an alarm test can't be taken back: %s", error)
                self._again_s = self._monotonic_s() + AGAIN_S
            else:
                self._withdrawn.pop(0)

    def _follow_all(self) -> None:
        for run in list(self._runs.values()):
            self._follow(run)

    def _follow(self, run: _Run) -> None:
        state, age_s = run.state, self._monotonic_s() - run.began_s
        if not run.done and (danger := self._danger_beside(run.chamber.key)):
            now_s = run.chamber.clock.now_s()
            run.chamber.supervisor.put(AlarmTestTold(state.id, now_s, danger=danger))
            return
        if not run.checked:
            run.checked = True
            self._tell(run, stop=self._checked_stop(run.chamber.key))
        silent = run.chamber.settings.sounder is None
        pages_s = ROUND_S if isinstance(run.chamber.settings, ChamberSettings) else 0.0
        if not run.heard.is_set() and age_s >= (pages_s if silent else SOUNDER_S):
            run.heard.set()
            self._tell(run, sounder=NO_SOUNDER if silent else GAVE_WAY)
        rows = self._found(run)
        routes = tuple(
            _as_found(route, rows.get(route.key), run.began_at) for route in state.routes
        )
        settled = all(
            route.key in rows and rows[route.key][0].state in ("sent", "failed")
            for route in state.routes
        )
        over = (settled and run.heard.is_set()) or age_s > SETTLE_S
        # Each telling is an entry of the ledger with every route in it.
        rest_s = max(2 * POLL_S, len(routes) / 50)
        if (over and not run.done) or (routes != run.told and age_s - run.told_s >= rest_s):
            run.told, run.told_s, run.done = routes, age_s, run.done or over
            self._tell(run, routes=routes, done=over)
        if run.done and (settled or age_s > LATE_S):
            self._runs.pop(state.id, None)
            if not settled:
                self._take_back(state.id)  # days later it would be of a test that nobody knows

    def _found(self, run: _Run) -> dict[str, tuple[NoticeRow, datetime | None]]:
        """What the outbox has of the test's messages; nothing where it can't be read."""
        try:
            found = self.kept.tries_of(f"{KEY}{run.state.id}:")
        except StoreError as error:
            if not run.unread:
                log.warning("what becomes of the alarm test isn't known: %s", error)
            run.unread = True
            return {}
        run.unread = False
        return {row.key: (row, at) for row, at in found}

    def _checked_stop(self, key: str) -> PartTried:
        try:
            return self._check_stop(key) or PartTried(None)
        except Exception as error:
            log.exception("%s: the stop could not be checked", key)
            return PartTried(False, f"it could not be checked: {type(error).__name__}")

    def _tell(
        self,
        run: _Run,
        *,
        routes: tuple[RouteTried, ...] = (),
        sounder: PartTried | None = None,
        stop: PartTried | None = None,
        done: bool = False,
    ) -> None:
        t_s = run.chamber.clock.now_s()
        run.chamber.supervisor.put(
            AlarmTestTold(run.state.id, t_s, routes, sounder=sounder, stop=stop, done=done)
        )

    def _take_wish(self) -> None:
        wish = asking.taken(self._folder)
        if wish is None:
            return
        chamber = self._of(wish.chamber) if wish.chamber else next(iter(self._chambers()), None)
        try:
            if chamber is None:
                keys = ", ".join(each.key for each in self._chambers())
                raise StillairError(f"there is no chamber {wish.chamber:.40}; there is {keys}")
            asking.answer(self._folder, wish, test=self._begin(chamber, by=BY_COMMAND))
        except StillairError as error:
            asking.answer(self._folder, wish, refused=str(error))

    def _of(self, key: str) -> Tested | None:
        return next((chamber for chamber in self._chambers() if chamber.key == key), None)


def _zone(chamber: Tested) -> ZoneInfo | None:
    zone = chamber.settings.timezone
    return ZoneInfo(zone) if zone else None


def _as_found(
    route: RouteTried, found: tuple[NoticeRow, datetime | None] | None, began_at: datetime
) -> RouteTried:
    """The route with what the outbox knows of its message."""
    if found is None:
        return route
    row, tried_at = found
    if row.state == "sent" and tried_at is not None:
        after_s = max(0.0, (tried_at - began_at).total_seconds())
        return RouteTried(route.person, route.route, route.key, round(after_s, 3))
    return RouteTried(route.person, route.route, route.key, refused=row.outcome)
