"""The courier empties the outbox: every message is sent at least once, however long it takes.

    Service ── hand ──> what waits ── Pace.choose ──> Route.send ──> outbox.record_delivery
    outbox.waiting_notices ──^                          (sent, next try, or failed for good)

Nothing is kept here that a restart may not lose: a message is pending in the
outbox until its sending is recorded. What presses is handed over in the same moment
as it goes to the journal, and is sent whether or not it is stored by then; the key
says which is which, so nothing is sent twice. Only a process that is killed between the
sending and its record leaves a message that goes again, under the same key.

Each address has one message under way at a time, so that a dead server costs one try
and not one per message; `pacing` says which and when, `circuit` when a dead one is worth
a try. All addresses together have at most `concurrency` under way; what presses has room
beside them, so that it never waits until slow servers have done with less.

Sending blocks, so each try has a daemon thread of its own: a server that
never answers holds neither the event loop nor the end of the service. Nor does
a store: the outbox is asked beside the rounds, and they never wait for it. No error,
whatever it is, ends them; one that keeps messages from going out is told as a trouble
of every route.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections import deque
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import partial
from types import MappingProxyType
from typing import Protocol

from stillair.alarms import figures
from stillair.alerts.errands import Asking, errand
from stillair.alerts.faults import KEPT, READ, ROUND, OwnFaults
from stillair.alerts.pacing import Pace, Pacing, Waiting, superseded
from stillair.alerts.routes import Due, Message, Route, route_for
from stillair.alerts.tray import Settled, Tray
from stillair.clock import Clock
from stillair.errors import DeliveryError

log = logging.getLogger(__name__)

_LATE_S = 600.0
_NO_WAIT_S = 2_592_000.0
_ADDRESSES = 200  # of which the pace is known; beyond, those that rest are forgotten
_HANGING = 3  # threads on one address that outlive their tries
_LINK_S = 0.5
_LAST_RECORDS_S = 0.5  # what the end of the service gives them


class Outbox(Protocol):
    """Where messages wait; its calls may block and raise `StoreError`."""

    def waiting_notices(self, limit: int) -> Sequence[Due]:
        """Messages neither sent nor given up, the most urgent of each route first."""
        ...

    def record_delivery(
        self, key: str, *, at: datetime, sent: bool, outcome: str, next_try_at: datetime | None
    ) -> None:
        """Keep how one try ended; neither sent nor to be tried again: it has failed for good."""
        ...

    def record_superseded(self, key: str) -> None:
        """Keep that a newer word went, or will go, in its place."""
        ...


@dataclass(frozen=True, slots=True)
class CourierPlan(Pacing):
    """How patiently messages are tried, and how many at once."""

    outbox_s: float = 2.0  # after this the outbox counts as not answering
    # After this a try counts as failed, whatever the route is still doing; mail may
    # have to hand over a picture, on a slow line.
    try_s: float = 20.0
    try_s_of: Mapping[str, float] = field(
        default_factory=lambda: MappingProxyType(
            {"mqtt": 10.0, "webhook": 15.0, "webpush": 15.0, "apprise": 30.0}
        )
    )
    # About two days, counted in tries because a wall clock that is set
    # forward must not make a message too old to be sent.
    most_tries: int = 300
    most_tries_pressing: int = 6000
    idle_s: float = 5.0  # how often the outbox is looked into when nobody calls
    concurrency: int = 4
    concurrency_pressing: int = 32
    batch: int = 500

    def limit_s(self, address: str) -> float:
        """How long one try to this address may take."""
        return self.try_s_of.get(address.partition(":")[0].lower(), self.try_s)


@dataclass(slots=True)
class _Address:
    """What the courier knows of one route's address."""

    pace: Pace
    troubled: bool | None = None  # None: not known since the start
    task: asyncio.Task[None] | None = None
    pressing: bool = False  # what the task is about
    key: str = ""  # and of which message
    threads: list[threading.Thread] = field(default_factory=list)  # they may outlive their tries
    left_s: float = 0.0  # when the last of them was given up

    def free_s(self, now_s: float, *, pressing: bool, patience_s: float) -> float:
        """From when on another try may begin here; infinity where something else comes first."""
        if self.task is not None:
            return float("inf")
        self.threads = [thread for thread in self.threads if thread.is_alive()]
        if not self.threads:
            return now_s
        # A route that never comes back must not keep a danger from being told.
        hangs = pressing and len(self.threads) < _HANGING
        return self.left_s + patience_s if hangs else float("inf")


class Courier:
    """Send what is due.

    Parameters
    ----------
    outbox : Outbox
        The stored messages.
    routes : mapping from a scheme such as "mailto" to its route
    clock : Clock
        Its wall clock labels the tries, its monotonic one times the pauses.
    chance : callable
        Gives numbers from 0 to 1.
    on_trouble : callable
        Told (address, True, reason) when a route fails again and again or has
        lost a message for good, and (address, False, "") when one arrives. The
        courier's own troubles are those of "every route".
    link_for : callable
        Gives the address of a page that answers a message, or None. It is asked when
        the message goes, so that a link is new however long the message waited, and
        it is kept nowhere. Where it fails or hangs the message goes without.
    """

    def __init__(
        self,
        outbox: Outbox,
        routes: Mapping[str, Route],
        *,
        clock: Clock,
        chance: Callable[[], float],
        on_trouble: Callable[[str, bool, str], None],
        plan: CourierPlan | None = None,
        link_for: Callable[[Due], str | None] = lambda _due: None,
    ) -> None:
        self._outbox = outbox
        self._routes = routes
        self._clock = clock
        self._chance = chance
        self._on_trouble = on_trouble
        self._plan = plan or CourierPlan()
        self._link_for = link_for
        self.tray = Tray(routes)
        self._addresses: dict[str, _Address] = {}
        self._wake = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._asking = Asking("the outbox", self._plan.outbox_s)
        self._linking = Asking("the link", _LINK_S)
        self._reading: asyncio.Task[None] | None = None
        self._recording: set[asyncio.Task[None]] = set()
        self._unread = True  # the outbox has something new
        self._more = False  # it has more than it has shown
        self._read_s = float("-inf")
        self._next_s = 0.0  # when there is something to do, as far as is known
        self._withdrawn: deque[str] = deque()  # beginnings of keys, whose tries are to be left
        self._faults = OwnFaults(on_trouble, clock.now_s, self._plan.opens_after)
        self._beat_s: float | None = None

    async def run(self) -> None:
        """Send until cancelled. What is under way then is tried again after the next start."""
        self._loop = asyncio.get_running_loop()
        try:
            while True:
                self._beat_s = self._clock.now_s()
                self._wake.clear()
                try:
                    self._look()
                    self._dispatch()
                except Exception as error:
                    # Who may have to be told of a fire can't be left without a courier.
                    self._faults.fails(ROUND, error)
                    await asyncio.sleep(self._plan.first_pause_s)
                else:
                    self._faults.works(ROUND)
                    await self._wait()
        finally:
            tasks = [a.task for a in self._addresses.values() if a.task is not None]
            if self._reading is not None:
                tasks.append(self._reading)
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            for route in self._routes.values():
                route.close()
            if self._recording:
                # What was sent is not to be sent again.
                _, left = await asyncio.wait(self._recording, timeout=_LAST_RECORDS_S)
                for task in left:
                    task.cancel()
                await asyncio.gather(*left, return_exceptions=True)

    def on_time(self, within_s: float) -> bool:
        """Whether a round has begun within `within_s` seconds; True before the first.

        And whether there is memory to work with: a process that has run out of it for
        `STARVED_S` brings nobody anything any more, and the next one has it again.
        """
        now_s = self._clock.now_s()
        came_round = self._beat_s is None or now_s - self._beat_s <= within_s
        return came_round and not self._faults.starved

    def wake(self) -> None:
        """Say that the outbox has something new; from any thread."""
        self._unread = True
        self._call()

    def hand(self, messages: Iterable[Message]) -> None:
        """Take messages that press, or could not be stored; from any thread, never waits.

        When the outbox shows them later they count as sent if they were.
        """
        self.tray.hand(messages)
        self._call()

    def withdraw(self, keys: str) -> None:
        """Send no more of the messages whose key begins so; from any thread, never waits.

        What comes after one that is under way doesn't wait for its end.
        """
        self.tray.withdraw(keys)
        self._withdrawn.append(keys)
        self.wake()

    def _call(self) -> None:
        loop = self._loop
        if loop is not None:
            with suppress(RuntimeError):  # it has been closed
                loop.call_soon_threadsafe(self._wake.set)

    # --- one round ----------------------------------------------------------

    def _look(self) -> None:
        """Have the outbox read, beside the rounds, where it may have something new."""
        now_s = self._clock.now_s()
        due = self._unread or now_s - self._read_s >= self._plan.idle_s
        if due and (self._reading is None or self._reading.done()):
            self._unread = False
            self._read_s = now_s
            self._reading = asyncio.create_task(self._read())

    async def _read(self) -> None:
        try:
            rows = await self._asking.ask(partial(self._outbox.waiting_notices, self._plan.batch))
        except Exception as error:
            # What was handed over goes out even so.
            self._faults.fails(READ, error)
        else:
            self._faults.works(READ)
            self._more = len(rows) >= self._plan.batch
            for key, settled in self.tray.take(rows):
                self._record_settled(key, settled)
        self._wake.set()

    def _dispatch(self) -> None:
        """Begin one try on every free address, with the message whose turn it is."""
        while self._withdrawn:
            keys = self._withdrawn.popleft()
            for busy in self._addresses.values():
                if busy.task is not None and busy.key.startswith(keys):
                    busy.task.cancel()
        now_s = self._clock.now_s()
        reading = self._reading is not None and not self._reading.done()
        self._next_s = (now_s if reading else self._read_s) + self._plan.idle_s
        idle = self.tray.idle()
        overtaken = superseded(each.message for each in idle)
        by_route: dict[str, list[Waiting]] = {}
        for each in idle:
            if each.message.key in overtaken:
                self._settle(each, Settled(False, "", superseded=True))
            else:
                by_route.setdefault(each.message.route, []).append(each)
        turns: list[tuple[Waiting, _Address]] = []
        if len(self._addresses) > _ADDRESSES:
            self._forget(by_route)
        for route, waiting in by_route.items():
            address = self._addresses.get(route)
            if address is None:
                address = self._addresses[route] = _Address(Pace(self._plan))
            free_s = {
                pressing: address.free_s(
                    now_s, pressing=pressing, patience_s=self._plan.pressing_pause_s
                )
                for pressing in (False, True)
            }
            may = [each for each in waiting if free_s[each.presses] <= now_s]
            chosen, next_s = address.pace.choose(may, now_s)
            self._next_s = min([self._next_s, next_s, *(t for t in free_s.values() if t > now_s)])
            if chosen is not None:
                turns.append((chosen, address))
        turns.sort(key=lambda turn: turn[0].turn())
        for chosen, address in turns:
            if self._has_room(chosen.presses):
                self._begin(chosen, address, now_s)

    def _forget(self, needed: Collection[str]) -> None:
        """Addresses at rest for which nothing waits: of those in no chamber file any more."""
        for route, address in list(self._addresses.items()):
            rests = address.task is None and not any(t.is_alive() for t in address.threads)
            if rests and route not in needed and not address.troubled:
                del self._addresses[route]

    def _has_room(self, pressing: bool) -> bool:
        under_way = [a.pressing for a in self._addresses.values() if a.task is not None]
        if pressing:
            return sum(under_way) < self._plan.concurrency_pressing
        return len(under_way) - sum(under_way) < self._plan.concurrency

    def _begin(self, waiting: Waiting, address: _Address, now_s: float) -> None:
        waiting.under_way = True
        address.pressing = waiting.presses
        address.key = waiting.message.key
        address.pace.begun(now_s)
        address.task = asyncio.create_task(self._try(waiting, address))

    async def _wait(self) -> None:
        """Until somebody calls, a try has ended, or there is something to do."""
        try:
            async with asyncio.timeout(max(0.01, self._next_s - self._clock.now_s())):
                await self._wake.wait()
        except TimeoutError:
            return

    # --- one try ------------------------------------------------------------

    async def _try(self, waiting: Waiting, address: _Address) -> None:
        try:
            message = _marked_late(waiting.message, self._clock.wall())
            try:
                await self._send(await self._linked(message), address)
            except DeliveryError as error:
                self._failed(waiting, address, error)
            else:
                self._sent(waiting, address)
        except Exception:
            # A defect on one route must not end the others.
            log.exception("message %s was not handled", waiting.message.key)
            waiting.not_before_s = self._clock.now_s() + self._plan.pressing_pause_s
        finally:
            waiting.under_way = False
            address.task = None
            self._wake.set()

    async def _linked(self, message: Message) -> Message:
        """The message with the page that answers it, where there is one at once."""
        try:
            link = await self._linking.ask(partial(self._link_for, message))
            return replace(message, link=link)
        except Exception as error:
            # The error may tell the secret of the link.
            log.warning("message %s goes without its link: %s", message.key, type(error).__name__)
            return message

    async def _send(self, message: Message, address: _Address) -> None:
        """Send in a thread of its own. Raises `DeliveryError`, also when it takes too long."""
        route = route_for(self._routes, message.route)
        limit_s = self._plan.limit_s(message.route)

        def send() -> None:
            try:
                route.send(message)
            except DeliveryError:
                raise
            except Exception as error:
                log.exception("message %s", message.key)
                what = f"this route is broken: {type(error).__name__}"
                raise DeliveryError(message.route, what, retry=True) from error

        thread, ended = errand(f"courier {message.route}", send)
        address.threads.append(thread)
        try:
            async with asyncio.timeout(limit_s):
                await ended
        except TimeoutError:
            address.left_s = self._clock.now_s()
            reason = f"no answer within {limit_s:g} s"
            raise DeliveryError(message.route, reason, retry=True) from None

    def _sent(self, waiting: Waiting, address: _Address) -> None:
        route = waiting.message.route
        address.pace.arrived(self.tray.of(route))
        self._settle(waiting, Settled(sent=True, outcome="sent"))
        if address.troubled is not False:
            address.troubled = False
            self._on_trouble(route, False, "")

    def _failed(self, waiting: Waiting, address: _Address, error: DeliveryError) -> None:
        message = waiting.message
        pause_s = address.pace.failed(
            waiting,
            self._clock.now_s(),
            chance=self._chance(),
            wait_s=getattr(error, "wait_s", None),
        )
        plan = self._plan
        most_tries = plan.most_tries_pressing if waiting.presses else plan.most_tries
        lost = not error.retry or waiting.message.tries >= most_tries
        log.warning("message %s: %s", message.key, error)
        self.tray.try_failed(message.route)
        if lost:
            self._settle(waiting, Settled(sent=False, outcome=_reason(error)))
        elif waiting.stored:
            self._record(
                partial(
                    self._outbox.record_delivery,
                    message.key,
                    at=self._clock.wall(),
                    sent=False,
                    outcome=_reason(error),
                    next_try_at=self._clock.wall() + timedelta(seconds=pause_s),
                )
            )
        if not address.troubled and (lost or address.pace.circuit.is_open):
            address.troubled = True
            self._on_trouble(message.route, True, _reason(error))

    # --- what has become of messages ------------------------------------------

    def _settle(self, waiting: Waiting, settled: Settled) -> None:
        """Never send this message again, whether or not that can be kept just now."""
        self.tray.settle(waiting, settled)
        self._unread |= self._more
        if waiting.stored:
            self._record_settled(waiting.message.key, settled)

    def _record_settled(self, key: str, settled: Settled) -> None:
        if settled.recorded:
            return
        if settled.superseded:
            record = partial(self._outbox.record_superseded, key)
        else:
            record = partial(
                self._outbox.record_delivery,
                key,
                at=self._clock.wall(),
                sent=settled.sent,
                outcome=settled.outcome,
                next_try_at=None,
            )
        self._record(record, settled)

    def _record(self, record: Callable[[], None], settled: Settled | None = None) -> None:
        """Have it kept, beside everything else; where that fails the outbox shows it again."""

        async def keep() -> None:
            try:
                await self._asking.ask(record)
            except Exception as error:
                if settled is not None:
                    settled.recorded = False
                self._faults.fails(KEPT, error)
            else:
                self._faults.works(KEPT)

        if settled is not None:
            settled.recorded = True
        task = asyncio.create_task(keep())
        self._recording.add(task)
        task.add_done_callback(self._recording.discard)


def _reason(error: DeliveryError) -> str:
    """The error's reason alone; the address stands beside it anyway."""
    return str(error).removeprefix(f"{error.route}: ")


def _marked_late(message: Message, now_at: datetime) -> Message:
    """The message as it goes out now: one that had to wait says so.

    A difference of a month is a clock that was set, not a wait.
    """
    late_s = (now_at - message.created_at).total_seconds()
    if not _LATE_S < late_s < _NO_WAIT_S:
        return message
    waited = figures.duration(late_s)
    text = f"{message.text.rstrip()}\n\nThis was written {waited} before it could be sent.\n"
    return replace(message, title=f"{message.title} ({waited} late)", text=text)
