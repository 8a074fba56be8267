"""Boards that look after each other: the heartbeat of a chamber, and those listened for."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from stillair.alarms.words import MACHINE, NEIGHBOUR
from stillair.alerts.heartbeat import Heartbeat, TopicWay, Way, WebWay, heartbeat
from stillair.alerts.posting import get
from stillair.alerts.topic import TopicRoute
from stillair.clock import Clock
from stillair.config import ChamberSettings
from stillair.config.company import HeartbeatTable, NeighbourTable
from stillair.config.hall_file import HallSettings
from stillair.errors import DeliveryError
from stillair.model import Kind, Trouble
from stillair.runtime.drivers import Drivers
from stillair.runtime.found import Found, State
from stillair.runtime.machine import MachineHeard, ToldMachine
from stillair.runtime.reaching import broker_settings
from stillair.sensing.job_words import JobTopic
from stillair.sensing.neighbours import AskedNeighbour, Neighbour, TopicNeighbour, ailing

if TYPE_CHECKING:
    from stillair.hall.publisher import Publisher

ASK_TIMEOUT_S = 8.0
HEARD_REMEDY = "see that whoever hears it raises an alarm when it stays away"
MACHINE_REMEDY = "see that the broker runs, and [mqtt]: host, port, tls, username, password"
BOARD_REMEDY = "see whether it has power and network"


@dataclass(frozen=True, slots=True)
class Company:
    """Who tells others that a chamber is watched, and who is listened for, as they run.

    `neighbours` are the other boards by their names, `machine` what hears of jobs on a topic,
    `hall` what hands the chamber on to one.
    """

    beat: Heartbeat | None
    neighbours: tuple[tuple[str, Neighbour], ...]
    machine: MachineHeard | None = None
    hall: Publisher | None = None

    def found(self, prefix: str) -> Iterator[Found]:
        """How each is just now, for the page of the first run; waits for nobody."""
        for way, why in self.beat.went().items() if self.beat is not None else ():
            thing = f"{prefix}{way}"
            if why:
                remedy = "see [heartbeat], and whether what it goes to runs"
                yield Found(thing, State.UNFIT, why, remedy)
            else:
                told = "none has gone out so far" if why is None else "the last one was taken"
                yield Found(
                    thing, State.NOT_TRIED if why is None else State.FIT, told, HEARD_REMEDY
                )
        for name, neighbour in self.neighbours:
            thing, ails = f"{prefix}board {name}", neighbour.ails
            if ails:
                yield Found(thing, State.UNFIT, ails, BOARD_REMEDY)
            elif ails is None:
                yield Found(thing, State.NOT_TRIED, "nothing has been heard of it so far")
            else:
                yield Found(thing, State.FIT, "it is heard, and watches")
        if self.machine is not None:
            thing, why = f"{prefix}machine's topic", self.machine.ails
            if why is None:
                yield Found(thing, State.NOT_TRIED, "the broker has not been reached so far")
            elif why:
                yield Found(thing, State.UNFIT, why, MACHINE_REMEDY)
            else:
                yield Found(thing, State.FIT, f"listening on {self.machine.where}")
        if self.hall is not None:
            thing, why = f"{prefix}hall", self.hall.ails
            if why is None:
                yield Found(thing, State.NOT_TRIED, "the broker has not been reached so far")
            elif why:
                yield Found(thing, State.UNFIT, why, self.hall.remedy or MACHINE_REMEDY)
            else:
                yield Found(thing, State.FIT, self.hall.taker)


def heartbeat_of(
    settings: ChamberSettings | HallSettings,
    clock: Clock,
    *,
    watching: Callable[[], bool],
    whole: Callable[[], bool],
    on_trouble: Callable[[str, bool, str], None],
) -> Heartbeat | None:
    """What says at regular times that the chamber is watched; None where it isn't asked for.

    `clock` is the machine's: however fast a chamber is played, others wait by their own.
    """
    of = settings.heartbeat
    if of is None:
        return None
    words: Callable[..., dict[str, Any]] = partial(heartbeat, settings.key, every_s=of.every_s)
    ways: list[Way] = []
    if of.topic is not None and (broker := settings.mqtt) is not None:
        ways.append(
            TopicWay(
                broker_settings(broker),
                of.topic,
                {**words(watching=False, whole=False, at=clock.wall()), "lost": True},
            )
        )
    if of.url is not None:
        ways.append(WebWay(of.url.get_secret_value(), trust=_trust(of)))
    return Heartbeat(
        lambda: words(watching=watching(), whole=whole(), at=clock.wall()),
        ways,
        every_s=of.every_s,
        clock=clock,
        on_trouble=on_trouble,
    )


def neighbours_of(
    settings: ChamberSettings, drivers: Drivers, clock: Clock, put: Callable[[Trouble], None]
) -> tuple[tuple[str, Neighbour], ...]:
    """The other boards that this chamber's watch listens for, by their names."""
    return tuple((of.name, _neighbour(of, drivers, clock, put)) for of in settings.neighbours)


def machine_of(
    settings: ChamberSettings, drivers: Drivers, clock: Clock, put: Callable[[Trouble], None]
) -> tuple[ToldMachine, MachineHeard] | None:
    """What hears of jobs on a topic, and what tells that it can't; None where there is none."""
    if settings.jobs.topic is None:
        return None

    def tell(active: bool, why: str) -> None:
        detail = {"reason": why} if why else {}
        put(Trouble(Kind.DELIVERY_FAULT, clock.now_s(), active, subject=MACHINE, detail=detail))

    topic = JobTopic(drivers.broker(), settings.jobs.topic)
    heard = MachineHeard(topic, tell, is_told_besides=reads_besides(settings))
    return ToldMachine(topic), heard


def reads_besides(settings: ChamberSettings) -> bool:
    """Whether sensors, switches or other boards are read at the broker."""
    read = (*settings.sensors, *settings.contacts)
    return any(of.driver == "mqtt" for of in read) or any(of.topic for of in settings.neighbours)


def broker_found(drivers: Drivers, thing: str, *, within_s: float) -> Found:
    """Sign in at the broker, and ask for the topic on which the machine tells of its jobs."""
    settings = drivers.settings
    assert settings.mqtt is not None, "who asks has looked"
    broker = broker_settings(settings.mqtt)
    route = TopicRoute(broker)
    try:
        told = route.check()
    except DeliveryError as error:
        return Found(thing, State.UNFIT, error.reason, error.remedy or MACHINE_REMEDY)
    finally:
        route.close()
    if settings.jobs.topic is None:
        return Found(thing, State.FIT, told)
    topic = JobTopic(drivers.broker(), settings.jobs.topic)
    until_s = time.monotonic() + within_s
    while not (topic.is_open or topic.refused) and time.monotonic() < until_s:
        time.sleep(0.05)
    if topic.is_open:
        return Found(thing, State.FIT, f"{told}; {settings.jobs.topic} can be listened to")
    why = topic.refused or topic.outage() or f"{broker.where} does not grant {settings.jobs.topic}"
    remedy = "let this user read jobs.topic, in the broker's own settings"
    return Found(thing, State.UNFIT, why, remedy)


def heard_of(of: NeighbourTable, drivers: Drivers, *, within_s: float) -> str:
    """What another board says when it is heard just now; "" where it is well.

    Raises `PostError` where it can't be asked, and `TimeoutError` where it says nothing.
    """
    if of.url is not None:
        return ailing(get(of.url, timeout_s=within_s, trust=_trust(of)).body)
    assert of.topic is not None, "the settings were checked: it has a topic or a url"
    came = threading.Event()
    messages = drivers.broker().subscribe(of.topic)
    messages.on_message(came.set)
    try:
        came.wait(within_s)
        said = messages.take()
        if not said:
            raise TimeoutError(messages.outage() or f"nothing came within {within_s:g} s")
        return ailing(said[-1])
    finally:
        messages.close()


def _neighbour(
    of: NeighbourTable, drivers: Drivers, clock: Clock, put: Callable[[Trouble], None]
) -> Neighbour:
    def tell(active: bool, why: str) -> None:
        detail = {"reason": why} if why else {}
        subject = f"{NEIGHBOUR}{of.name}"
        put(Trouble(Kind.WATCH_GAP, clock.now_s(), active, subject=subject, detail=detail))

    if of.topic is not None:
        messages = drivers.broker().subscribe(of.topic)
        return TopicNeighbour(messages, tell, silent_after_s=of.silent_after_s)
    url = str(of.url)

    def ask() -> bytes:
        return get(url, timeout_s=ASK_TIMEOUT_S, trust=_trust(of)).body

    return AskedNeighbour(ask, tell, clock, silent_after_s=of.silent_after_s)


def _trust(of: HeartbeatTable | NeighbourTable) -> str | None:
    return str(of.trust_file) if of.trust_file else None
