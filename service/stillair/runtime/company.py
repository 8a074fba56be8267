"""Boards that look after each other: the heartbeat of a chamber, and those listened for."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any

from stillair.alarms.words import NEIGHBOUR
from stillair.alerts.heartbeat import Heartbeat, TopicWay, Way, WebWay, heartbeat
from stillair.alerts.posting import get
from stillair.clock import Clock
from stillair.config import ChamberSettings
from stillair.config.company import HeartbeatTable, NeighbourTable
from stillair.model import Kind, Trouble
from stillair.runtime.drivers import Drivers
from stillair.runtime.found import Found, State
from stillair.runtime.reaching import broker_settings
from stillair.sensing.neighbours import AskedNeighbour, Neighbour, TopicNeighbour, ailing

ASK_TIMEOUT_S = 8.0
HEARD_REMEDY = "see that whoever hears it raises an alarm when it stays away"
BOARD_REMEDY = "see whether it has power and network"


@dataclass(frozen=True, slots=True)
class Company:
    """Who tells others that a chamber is watched, and the other boards listened for, as they run.

    `neighbours` are those by their names.
    """

    beat: Heartbeat | None
    neighbours: tuple[tuple[str, Neighbour], ...]

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


def heartbeat_of(
    settings: ChamberSettings,
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
