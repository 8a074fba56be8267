"""Hand one chamber on to a hall: what is published when, and what is heard there.

    archive, journal ──> Rows ──┐                              ┌──> readings, entries
                                ├──> Publisher <──> broker ────┤
    the watch's view ──> Tells ─┘        │                     └──> watch, now, alarms, acted
                                         ├── hall, taken: the cursors move
    the watch  <── acknowledge ── Orders ┴── acts

A thread of its own talks to the broker. The watch waits for it in nothing and hands over nothing
but the instant of each reading. What nobody says that they have is owed still.
"""

from __future__ import annotations

import hashlib
import logging
import re
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, cast

from stillair.alerts.topic import BrokerSettings, not_reached
from stillair.clock import Clock
from stillair.errors import StoreError
from stillair.hall.catching_up import pause_s
from stillair.hall.connection import Connection, EndedError
from stillair.hall.cursors import Cursors
from stillair.hall.messages import ENDED, SILENT, STUCK, WATCHING, Form, NowMessage, State
from stillair.hall.obeying import Heard
from stillair.hall.orders import Answers, Orders
from stillair.hall.rows import Rows
from stillair.storage.items import Item, label

log = logging.getLogger(__name__)

STOP_S: Final = 0.5
CUT_OFF_S: Final = 0.2  # the same where nobody is there to be told
NOW_EVERY_S: Final = 10.0
STUCK_S: Final = 10.0  # a loop that only begins comes round by then
LOOK_S: Final = 1.0  # between two looks at how it is, though nothing in the view has changed
MOST_FOUND: Final = 1000
_NAME: Final = re.compile(r"[a-z0-9-]{1,120}")


@dataclass(frozen=True, slots=True)
class Tells:
    """What is asked of the board; each answers at once.

    `now`: what the first page shows of the chamber to who is no owner, and whether the watch is
    whole. `mark` is another object whenever `now` may say something new.
    """

    now: Callable[[], tuple[Item, bool]]
    mark: Callable[[], object]
    watching: Callable[[], bool]


class Watch:
    """What is to be said of the watch, told the time: pure."""

    def __init__(self) -> None:
        self._stuck_s: float | None = None  # since when it is

    def state(self, watching: bool, now_s: float) -> State | None:
        """Watching, or stuck once it was so for some seconds; None until that is known."""
        if watching:
            self._stuck_s = None
            return WATCHING
        if self._stuck_s is None:
            self._stuck_s = now_s
        return STUCK if now_s - self._stuck_s >= STUCK_S else None


class Publisher:
    """Hand one chamber on to the broker of a hall, for as long as it runs.

    Parameters
    ----------
    broker : BrokerSettings
    form : callable
        Makes the messages, given the board's mark.
    answers : Answers, optional
        What to do at a hall's word; nothing is without.
    chance : callable
        From 0 to 1.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        form: Callable[[str], Form],
        tells: Tells,
        rows: Rows,
        cursors: Cursors,
        *,
        answers: Answers | None = None,
        clock: Clock,
        chance: Callable[[], float],
    ) -> None:
        self._broker = broker
        self._make_form = form
        self._tells = tells
        self._rows = rows
        self._cursors = cursors
        self._answers = answers
        self._clock = clock
        self._chance = chance
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="hall", daemon=True)
        self._connection: Connection | None = None
        self._why: str | None = None
        self.remedy = ""  # what helps where the broker lets nobody in
        # Of the thread alone:
        self._form: Form | None = None
        self._orders: Orders | None = None
        self._failures = 0

    # --- from any thread ---------------------------------------------------------------

    def told(self, sensor: str, at_epoch_s: float) -> None:
        """A reading is in the archive, with this label; never blocks."""
        self._rows.told(sensor, round(at_epoch_s * 1000))

    def start(self) -> None:
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether its thread runs, as it should between start and stop."""
        return self._stopping.is_set() or self._thread.ident is None or self._thread.is_alive()

    @property
    def is_connected(self) -> bool:
        """Whether the broker takes what is said of the present: a hall can tell people of it."""
        return self._why == ""

    @property
    def ails(self) -> str | None:
        """Why nothing is taken just now; "" while all is well, None before the first try."""
        if self._why != "":
            return self._why
        if (connection := self._connection) is not None and connection.denied:
            return f"{self._broker.where} does not let this user read what a hall answers"
        return self._rows.ails

    @property
    def taker(self) -> str:
        """Who takes what is published, in a clause."""
        return self._rows.taker

    def stop(self) -> None:
        """Say that it ends, keep the cursors and let go, within 0.5 s. Safe to call twice."""
        self._stopping.set()
        if self._thread.ident is not None:
            connection = self._connection
            is_in = connection is not None and connection.is_in
            self._thread.join(STOP_S if is_in else CUT_OFF_S)  # to a dead host it connects for 5 s
            if connection is not None and self._thread.is_alive():
                connection.cut()
        self._rows.close()

    # --- the connection ------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self._ready()
                self._stay_connected()
            except StoreError as error:
                self._lost(str(error))
            except EndedError as error:
                self._lost(f"{self._broker.where} {error.reason}", error.remedy)
            except OSError as error:
                why, remedy = not_reached(error)
                self._lost(f"{self._broker.where} {why}", remedy)
            except Exception as error:
                # paho raises struct.error, IndexError and others for what a broker garbles.
                if not self._why:
                    log.warning("hall: %s", self._broker.where, exc_info=error)
                name = type(error).__name__
                self._lost(f"{self._broker.where} does not speak MQTT 5 as it should ({name})")
            self._rows.keep()
            if not self._stopping.is_set():
                self._stopping.wait(pause_s(self._failures, self._chance()))
        self._rows.keep(at_once=True)

    def _ready(self) -> None:
        """Know who we are and how far we had got. Raises `StoreError`."""
        if self._form is None:
            self._form = form = self._make_form(self._cursors.board())
            if self._answers is not None:
                self._orders = Orders(self._answers, form.board, form.chamber, self._clock)
        self._rows.ready()

    def _forget(self) -> None:
        """Nothing is under way any more, and the broker may have lost what it had."""
        self._is_in = False
        self._mark: object = None
        self._looked_s = -1e9
        self._now: NowMessage | None = None
        self._now_s = -1e9
        self._state: State | None = None
        self._watch = Watch()
        self._alarms: dict[str, bytes] = {}  # as the broker has them
        self._standing: dict[str, bytes] = {}  # as they are
        self._found: set[str] = set()  # those that the broker had kept when we came
        self._rows.begin_anew()

    def _stay_connected(self) -> None:
        """Connect and hand on until the connection is lost. Raises `OSError`, and paho's errors."""
        form = self._form
        assert form is not None
        mark = hashlib.sha256(form.base.encode()).hexdigest()[:22]  # 23 every broker has to take
        self._forget()
        heard = Heard(form.board, form.chamber, self._clock.now_s())
        filters = [form.topic("alarms/+"), form.hall_topic, form.topic("taken")]
        self._connection = connection = Connection(
            self._broker,
            name=f"s{mark}",
            will=(form.topic("watch"), form.watch(SILENT, self._at())),
            filters=[*filters, form.topic("acts/#")] if self._orders else filters,
            heard=lambda topic, payload, was_kept: self._hear(
                form, heard, topic, payload, was_kept
            ),
            clock=self._clock,
        )
        try:
            connection.open()
            while not self._stopping.is_set():
                connection.serve()
                if connection.is_in:
                    self._came_in(heard)
                    self._tell(connection, form, heard)
            if connection.is_in:
                connection.leave(form.topic("watch"), form.watch(ENDED, self._at()))
        finally:
            connection.close()
            self._connection = None

    def _came_in(self, heard: Heard) -> None:
        self._failures = 0
        if not self._is_in:
            self._is_in = True
            heard.let_in(self._clock.now_s())
        if self._why != "":
            log.info("hall: %s: connected", self._broker.where)
            self._why = ""

    def _lost(self, why: str, remedy: str = "") -> None:
        if not self._why:
            log.warning("hall: %s; tried again and again", why)
        self._why, self.remedy = why, remedy
        self._failures += 1

    # --- what is heard --------------------------------------------------------------------

    def _hear(self, form: Form, heard: Heard, topic: str, payload: bytes, was_kept: bool) -> None:
        """Take what came. Raises `ValueError` for what can't be understood."""
        of = topic.removeprefix(f"{form.base}/")
        if topic == form.hall_topic:
            heard.says(payload, self._clock.now_s())
        elif of == "taken":
            heard.has(payload)
        elif of.startswith("alarms/"):
            name = of.removeprefix("alarms/")
            is_ours = was_kept and payload and _NAME.fullmatch(name)
            if is_ours and len(self._found) < MOST_FOUND:
                self._found.add(name)
        elif self._orders is not None and not was_kept:
            self._orders.take(payload)

    # --- what is told ---------------------------------------------------------------------

    def _tell(self, connection: Connection, form: Form, heard: Heard) -> None:
        """Give the broker what is due: how it is, then what happened, then readings."""
        self._tell_how_it_is(connection, form, self._clock.now_s())
        self._tell_alarms(connection, form)
        self._tell_acted(connection, form)
        self._rows.hand_on(connection, form, heard)

    def _tell_acted(self, connection: Connection, form: Form) -> None:
        """What became of orders."""
        if self._orders is None or not connection.may("acted"):
            return
        if (outcome := self._orders.outcome()) is not None:
            order, reason = outcome
            payload = form.acted(order, reason)
            connection.publish("acted", form.topic("acted"), payload, _nothing, retain=False)

    def _tell_how_it_is(self, connection: Connection, form: Form, now_s: float) -> None:
        state = self._watch.state(self._tells.watching(), now_s)
        if state is not None and state != self._state and connection.may("watch"):
            self._state = state
            payload = form.watch(state, self._at())
            connection.publish("watch", form.topic("watch"), payload, _nothing)
        mark = self._tells.mark()
        if mark is self._mark and now_s - self._looked_s < LOOK_S:
            return
        self._mark, self._looked_s = mark, now_s
        item, whole = self._tells.now()
        alarms = cast("list[Mapping[str, Any]]", item["alarms"])
        self._standing = {str(of["id"]): form.alarm(of) for of in alarms}
        now = form.now(item, whole=whole)
        is_due = now_s - self._now_s >= NOW_EVERY_S
        if (is_due or self._now is None or _differs(now, self._now)) and connection.may("now"):
            self._now, self._now_s = now, now_s
            connection.publish("now", form.topic("now"), now.payload(), _nothing)

    def _tell_alarms(self, connection: Connection, form: Form) -> None:
        """Those that are another than the broker has them, and no more those that are over."""
        found, had = self._found, self._alarms
        over = (had.keys() | found) - self._standing.keys()
        changed = {name: told for name, told in self._standing.items() if had.get(name) != told}
        for name, payload in {**changed, **dict.fromkeys(sorted(over), b"")}.items():
            kind = f"alarm {name}"
            if not connection.may(kind):
                continue

            def done(name: str = name, payload: bytes = payload) -> None:
                found.discard(name)
                if payload:
                    had[name] = payload
                else:
                    had.pop(name, None)

            connection.publish(kind, form.topic(f"alarms/{name}"), payload, done)

    def _at(self) -> str:
        return label(self._clock.wall().timestamp())


def _nothing() -> None:
    """There is nothing more to be done."""


def _differs(now: NowMessage, before: NowMessage) -> bool:
    """Whether it says something else than figures and times that move by themselves."""
    moving = {"at", "air_c", "sensors"}
    return now.model_dump(exclude=moving) != before.model_dump(exclude=moving)
