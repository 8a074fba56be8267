"""The courier empties the outbox: every message is sent at least once, however long it takes.

    outbox.due_notices -> the most urgent of each route -> Route.send
        -> outbox.record_delivery (sent, next try, or failed for good)

Nothing is kept here that a restart may not lose: a message is pending in the
outbox until its sending is recorded. Each route has one message under way at
a time, so that a dead server costs one try and not one per message; all
routes together at most `concurrency`. A message that could not be stored is
given to `hand` and goes the same way.

Sending blocks, so each try has a daemon thread of its own: a server that
never answers holds neither the event loop nor the end of the service. Nor does
a store: the outbox is asked in the same way, and while it doesn't answer what
was handed over goes out. No error, whatever it is, ends the rounds; one that
keeps messages from going out is told as a trouble of every route.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import partial
from typing import Protocol, TypeVar

from stillair.alarms import figures
from stillair.alerts.routes import Due, Message, Route, route_for
from stillair.clock import Clock
from stillair.errors import DeliveryError, StoreError

log = logging.getLogger(__name__)

_URGENCY = {"critical": 0, "high": 1, "medium": 2, "low": 3}
_LATE_S = 600.0
_NO_WAIT_S = 2_592_000.0
STARVED_S = 5.0  # without memory for a thread; longer than a passing need
_REMEMBERED = 2000
EVERY_ROUTE = "every route"  # the subject of a trouble that is the courier's own
_READ, _KEPT, _ROUND = (
    "the outbox can't be read",
    "what becomes of messages can't be kept",
    "the courier stumbled",
)

R = TypeVar("R")


class Outbox(Protocol):
    """Where messages wait; its calls may block and raise `StoreError`."""

    def due_notices(self, now_at: datetime, limit: int) -> Sequence[Due]:
        """Messages to be sent now."""
        ...

    def record_delivery(
        self, key: str, *, at: datetime, sent: bool, outcome: str, next_try_at: datetime | None
    ) -> None:
        """Keep how one try ended; neither sent nor to be tried again: it has failed for good."""
        ...


@dataclass(frozen=True, slots=True)
class CourierPlan:
    """How patiently messages are tried.

    Between two tries of a message 5, 10, 20 ... 600 s pass, each shortened by
    chance by up to a quarter, so that what failed together isn't tried together.
    """

    first_pause_s: float = 5.0
    longest_pause_s: float = 600.0
    outbox_s: float = 2.0  # after this the outbox counts as not answering
    try_s: float = 20.0  # after this a try counts as failed, whatever the route is still doing
    # About two days, counted in tries because a wall clock that is set
    # forward must not make a message too old to be sent.
    most_tries: int = 300
    idle_s: float = 5.0  # how often the outbox is looked into when nobody calls
    concurrency: int = 4
    trouble_after: int = 3  # failures in a row after which a route is in trouble
    batch: int = 500

    def pause_s(self, failures: int, chance: float) -> float:
        """The pause after so many failures in a row; `chance` is from 0 to 1."""
        doubled_s = self.first_pause_s * 2.0 ** min(max(failures - 1, 0), 30)
        return float(min(doubled_s, self.longest_pause_s) * (1.0 - 0.25 * chance))


@dataclass(slots=True)
class _Address:
    """What the courier knows of one route's address."""

    failures: int = 0
    troubled: bool | None = None  # None: not known since the start
    again_s: float = float("-inf")
    thread: threading.Thread | None = None  # of the last try, which may outlive its timeout
    task: asyncio.Task[None] | None = field(default=None)

    def free(self, now_s: float) -> bool:
        sending = self.thread is not None and self.thread.is_alive()
        return self.task is None and not sending and now_s >= self.again_s


@dataclass(slots=True)
class _Settled:
    """A message that is never sent again, and whether the outbox knows it."""

    sent: bool
    outcome: str
    recorded: bool = False


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
        it is kept nowhere.
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
        self._addresses: dict[str, _Address] = {}
        self._handed: OrderedDict[str, Message] = OrderedDict()
        self._settled: OrderedDict[str, _Settled] = OrderedDict()
        self._lock = threading.Lock()
        self._wake = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._hanging: threading.Thread | None = None  # a question to the outbox without answer
        self._faults: dict[str, int] = {}  # how often in a row something of its own failed
        self._troubled = False
        self._beat_s: float | None = None
        self._starved_s: float | None = None  # since when there is no memory to work with

    async def run(self) -> None:
        """Send until cancelled. What is under way then is tried again after the next start."""
        self._loop = asyncio.get_running_loop()
        try:
            while True:
                self._beat_s = self._clock.now_s()
                self._wake.clear()
                try:
                    self._dispatch(await self._due())
                except Exception as error:
                    # Who may have to be told of a fire can't be left without a courier.
                    self._fails(_ROUND, error)
                    await asyncio.sleep(self._plan.first_pause_s)
                else:
                    self._works(_ROUND)
                    await self._wait()
        finally:
            tasks = [a.task for a in self._addresses.values() if a.task is not None]
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            for route in self._routes.values():
                route.close()

    def on_time(self, within_s: float) -> bool:
        """Whether a round has begun within `within_s` seconds; True before the first.

        And whether there is memory to work with: a process that has run out of it for
        `STARVED_S` brings nobody anything any more, and the next one has it again.
        """
        now_s = self._clock.now_s()
        starved = self._starved_s is not None and now_s - self._starved_s > STARVED_S
        return self._beat_s is None or (now_s - self._beat_s <= within_s and not starved)

    def wake(self) -> None:
        """Say that the outbox has something new; from any thread."""
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._wake.set)

    def hand(self, messages: Iterable[Message]) -> None:
        """Take messages that could not be stored; from any thread.

        When the outbox shows them later they count as sent if they were.
        """
        with self._lock:
            for message in messages:
                if message.key not in self._settled:
                    self._handed[message.key] = message
            while len(self._handed) > _REMEMBERED:
                self._handed.popitem(last=False)
        self.wake()

    # --- one round ----------------------------------------------------------

    async def _due(self) -> list[Due]:
        stored: Sequence[Due] = ()
        try:
            stored = await self._ask(
                partial(self._outbox.due_notices, self._clock.wall(), self._plan.batch)
            )
        except Exception as error:
            # What was handed over goes out even so.
            self._fails(_READ, error)
        else:
            self._works(_READ)
        due: list[Due] = []
        known = {row.key for row in stored}
        for row in stored:
            settled = self._settled.get(row.key)
            if settled is None:
                due.append(row)
            elif not settled.recorded:
                await self._record_settled(row.key, settled)
        with self._lock:
            for key in known & self._handed.keys():
                del self._handed[key]  # stored by now
            due += self._handed.values()
        return due

    def _dispatch(self, due: list[Due]) -> None:
        """Start one try on every free address, the most urgent and least tried message first."""
        due.sort(key=lambda m: (_URGENCY.get(m.priority, 3), m.tries, m.created_at))
        now_s = self._clock.now_s()
        under_way = sum(address.task is not None for address in self._addresses.values())
        for message in due:
            if under_way >= self._plan.concurrency:
                return
            address = self._addresses.setdefault(message.route, _Address())
            if address.free(now_s):
                address.task = asyncio.create_task(self._try(message, address))
                under_way += 1

    async def _wait(self) -> None:
        """Until somebody calls, a try has ended, an address may be tried again, or in idle_s."""
        now_s = self._clock.now_s()
        pauses_s = [a.again_s - now_s for a in self._addresses.values() if a.again_s > now_s]
        try:
            async with asyncio.timeout(max(0.01, min([self._plan.idle_s, *pauses_s]))):
                await self._wake.wait()
        except TimeoutError:
            return

    # --- one try ------------------------------------------------------------

    async def _try(self, message: Due, address: _Address) -> None:
        try:
            late = _marked_late(message, self._clock.wall())
            try:
                await self._send(late, address)
            except DeliveryError as error:
                await self._failed(message, address, error)
            else:
                await self._sent(message, address)
        except Exception:
            # A defect on one route must not end the others.
            log.exception("message %s was not handled", message.key)
            address.again_s = self._clock.now_s() + self._plan.longest_pause_s
        finally:
            address.task = None
            self._wake.set()

    async def _send(self, message: Message, address: _Address) -> None:
        """Send in a thread of its own. Raises `DeliveryError`, also when it takes too long."""
        route = route_for(self._routes, message.route)

        def send() -> None:
            try:
                route.send(self._linked(message))
            except DeliveryError:
                raise
            except Exception as error:
                log.exception("message %s", message.key)
                what = f"this route is broken: {type(error).__name__}"
                raise DeliveryError(message.route, what, retry=True) from error

        address.thread, ended = _in_thread(f"courier {message.route}", send)
        try:
            async with asyncio.timeout(self._plan.try_s):
                await ended
        except TimeoutError:
            reason = f"no answer within {self._plan.try_s:g} s"
            raise DeliveryError(message.route, reason, retry=True) from None

    def _linked(self, message: Message) -> Message:
        """With the address that answers it; a message goes without rather than not at all."""
        try:
            return replace(message, link=self._link_for(message))
        except Exception as error:
            log.error("message %s goes without its link: %s", message.key, type(error).__name__)
            return message

    async def _sent(self, message: Due, address: _Address) -> None:
        address.failures = 0
        address.again_s = float("-inf")
        await self._settle(message.key, _Settled(sent=True, outcome="sent"))
        if address.troubled is not False:
            address.troubled = False
            self._on_trouble(message.route, False, "")

    async def _failed(self, message: Due, address: _Address, error: DeliveryError) -> None:
        address.failures += 1
        chance = self._chance()
        address.again_s = self._clock.now_s() + self._plan.pause_s(address.failures, chance)
        lost = not error.retry or message.tries + 1 >= self._plan.most_tries
        if not address.troubled and (lost or address.failures >= self._plan.trouble_after):
            address.troubled = True
            self._on_trouble(message.route, True, _reason(error))
        log.warning("message %s: %s", message.key, error)
        if lost:
            await self._settle(message.key, _Settled(sent=False, outcome=_reason(error)))
        elif not self._again(message):
            pause_s = self._plan.pause_s(message.tries + 1, chance)
            next_try_at = self._clock.wall() + timedelta(seconds=pause_s)
            await self._record(
                message.key, sent=False, outcome=_reason(error), next_try_at=next_try_at
            )

    def _again(self, message: Due) -> bool:
        """Count the try of a message that isn't stored; False if it is stored."""
        with self._lock:
            handed = self._handed.get(message.key)
            if handed is not None:
                self._handed[message.key] = replace(handed, tries=handed.tries + 1)
        return handed is not None

    async def _settle(self, key: str, settled: _Settled) -> None:
        """Never send this message again, whether or not that can be kept just now."""
        with self._lock:
            stored = self._handed.pop(key, None) is None
            self._settled[key] = settled
            while len(self._settled) > _REMEMBERED:
                self._settled.popitem(last=False)
        if stored:
            await self._record_settled(key, settled)

    async def _record_settled(self, key: str, settled: _Settled) -> None:
        settled.recorded = await self._record(key, sent=settled.sent, outcome=settled.outcome)

    async def _record(
        self, key: str, *, sent: bool, outcome: str, next_try_at: datetime | None = None
    ) -> bool:
        """Keep how a try ended; False if that failed."""
        record = partial(
            self._outbox.record_delivery,
            key,
            at=self._clock.wall(),
            sent=sent,
            outcome=outcome,
            next_try_at=next_try_at,
        )
        try:
            await self._ask(record)
        except Exception as error:
            self._fails(_KEPT, error)
            return False
        self._works(_KEPT)
        return True

    async def _ask(self, question: Callable[[], R]) -> R:
        """Have the outbox answer in a thread of its own. Raises `StoreError`, also if it hangs."""
        if self._hanging is not None and self._hanging.is_alive():
            raise StoreError("the store does not answer")
        thread, answer = _in_thread("outbox", question)
        try:
            async with asyncio.timeout(self._plan.outbox_s):
                return await answer
        except TimeoutError:
            self._hanging = thread
            raise StoreError(f"no answer within {self._plan.outbox_s:g} s") from None

    # --- its own troubles ---------------------------------------------------

    def _fails(self, what: str, error: Exception) -> None:
        """A store that fails is in trouble after several times in a row, a defect at once."""
        count = self._faults[what] = self._faults.get(what, 0) + 1
        if isinstance(error, MemoryError) and self._starved_s is None:
            self._starved_s = self._clock.now_s()
        if isinstance(error, StoreError):
            log.warning("%s: %s", what, error)
            lasting = count >= self._plan.trouble_after
        else:
            log.error("%s: %r", what, error, exc_info=error if count == 1 else None)
            lasting = True
        if lasting and not self._troubled:
            self._troubled = True
            self._tell(True, what)

    def _works(self, what: str) -> None:
        self._faults.pop(what, None)
        if what != _ROUND:  # a round may have had nothing to do
            self._starved_s = None
        if self._troubled and not self._faults:
            self._troubled = False
            self._tell(False, "")

    def _tell(self, failing: bool, reason: str) -> None:
        try:
            self._on_trouble(EVERY_ROUTE, failing, reason)
        except Exception:
            # Whoever is told must not end the rounds.
            log.exception("the courier's trouble was not taken")


def _in_thread(name: str, work: Callable[[], R]) -> tuple[threading.Thread, asyncio.Future[R]]:
    """Work in a daemon thread, and what it gives or raises, unless nobody waits any more."""
    loop = asyncio.get_running_loop()
    ended: asyncio.Future[R] = loop.create_future()

    def settle(settled: Callable[[], None]) -> None:
        if not ended.done():
            settled()

    def run() -> None:
        try:
            given = work()
        except Exception as error:
            settled = partial(ended.set_exception, error)
        else:
            settled = partial(ended.set_result, given)
        try:
            loop.call_soon_threadsafe(settle, settled)
        except RuntimeError:
            log.info("%s ended after the courier did", name)

    thread = threading.Thread(target=run, name=name, daemon=True)
    try:
        thread.start()
    except RuntimeError as error:
        raise MemoryError("no thread can be started") from error
    return thread, ended


def _reason(error: DeliveryError) -> str:
    """The error's reason alone; the address stands beside it anyway."""
    return str(error).removeprefix(f"{error.route}: ")


def _marked_late(message: Due, now_at: datetime) -> Message:
    """The message as it goes out now: one that had to wait says so.

    A difference of a month is a clock that was set, not a wait.
    """
    late_s = (now_at - message.created_at).total_seconds()
    title, text = message.title, message.text
    if _LATE_S < late_s < _NO_WAIT_S:
        waited = figures.duration(late_s)
        title = f"{title} ({waited} late)"
        text = f"{text.rstrip()}\n\nThis was written {waited} before it could be sent.\n"
    return Message(
        key=message.key,
        route=message.route,
        title=title,
        text=text,
        created_at=message.created_at,
        alarm=message.alarm,
        priority=message.priority,
        tries=message.tries,
        chamber=message.chamber,
        kind=message.kind,
        stage=message.stage,
        person=message.person,
    )
