"""What a hall hears of its boards and says to them, over the broker: all but entries and readings.

A connection and a thread of its own, so that an alarm never waits behind readings. The hall's
word on whether it takes (PREFIX/hall) is retained here, with the last will that takes it back.
What is heard is given on in this thread; whoever takes it has to be quick.

A broker that stands still keeps its connections, and one that falls behind keeps alarms: so the
hall calls to itself every few seconds, by the way that alarms come. Where nothing at all comes
for as long, the connection is given up; where only the calls are late, so is all that boards say.
One that comes back settles those before it: a broker without room drops some.

References
----------
OASIS, MQTT version 5.0: 3.1.2.11.4 maximum packet size, 3.1.3.2 last will, 3.3.2.3.3 message
expiry interval, 3.8.3.1 subscription options.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

from stillair.alerts.topic import BrokerSettings
from stillair.clock import Clock
from stillair.hall.catching_up import pause_s
from stillair.hall.messages import MOST_ENTRIES, HallMessage
from stillair.hall.mirror import Heard
from stillair.hall.wire import LET_IN_S, Wire, why_ended
from stillair.storage.items import label

if TYPE_CHECKING:
    from paho.mqtt.client import Client

log = logging.getLogger(__name__)

LOOP_S: Final = 0.1
ECHO_S: Final = 10.0  # our own word comes back by then, or we may not read or write here
CALL_S: Final = 5.0  # from one call to ourselves to the next
ANSWER_S: Final = 8.0  # by then it has come back
MOST_CALLS: Final = 1_000  # of an hour or more
STOP_S: Final = 0.7
ORDER_S: Final = 60  # an order that no board took by then is none
LARGEST_BYTES: Final = 60_000  # what is longer the broker keeps to itself
MOST_OWED: Final = 200
LONGEST_PAUSE_S: Final = 5.0  # before the broker is tried again: who waits is a person
# What of all that was kept when we came the broker had no room to queue, Mosquitto as it comes
# beyond 1,000 messages, is asked for once more, of so few chambers at a time.
AGAIN_S: Final = 1.0
MOST_AGAIN: Final = 200
UNKNOWN: Final = "unknown"  # while the store was never open
HallState = Literal["taking", "ended", "silent"]


@dataclass(frozen=True, slots=True)
class _Word:
    topic: str
    payload: bytes
    retain: bool = False
    expires_s: int | None = None


class Hearing:
    """Listen to all boards of a hall for as long as it runs.

    Parameters
    ----------
    broker : BrokerSettings
    prefix : str
        What all topics of the hall begin with.
    mark : callable
        The mark of the hall's store; "" while that isn't known.
    on_message : callable
        Takes a topic without the prefix, a payload, and whether the broker had kept it.
    on_connected : callable
        Takes whether the broker lets us in, and why not.
    lacking : callable
        Gives chambers whose alarms have to be asked for once more.
    chance : callable
        From 0 to 1.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        *,
        prefix: str,
        mark: Callable[[], str],
        on_message: Callable[[str, bytes, bool], None],
        on_connected: Callable[[bool, str], None],
        lacking: Callable[[], list[Heard]],
        clock: Clock,
        chance: Callable[[], float],
    ) -> None:
        self._broker = broker
        self._prefix = prefix
        self._mark = mark
        self._on_message = on_message
        self._on_connected = on_connected
        self._lacking = lacking
        self._clock = clock
        self._chance = chance
        self._lock = threading.Lock()
        self._owed: deque[_Word] = deque()
        self._state: HallState = "ended"
        self._said: tuple[str, HallState] | None = None
        self._stopping = threading.Event()
        self._beat_s = clock.now_s()
        self._why: str | None = None
        self._again_s = 0.0
        self._asked_again = 0
        self._said_s = 0.0
        self._echoed = False
        self.is_in = False
        self._refused = ""
        self._calls: deque[tuple[bytes, float]] = deque(maxlen=MOST_CALLS)  # not back yet, and when
        self._called_s: float | None = None  # the oldest of them
        self._call_s = 0.0  # when the next is due
        self._came_s = 0.0  # when anything last came
        self.other_hall = ""  # the mark of another one that says that it takes here
        self._thread = threading.Thread(target=self._run, name="hall hears", daemon=True)

    # --- from any thread --------------------------------------------------------------------

    def start(self) -> None:
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether its thread runs, as it should between start and stop."""
        return self._stopping.is_set() or self._thread.ident is None or self._thread.is_alive()

    def on_time(self, within_s: float) -> bool:
        """Whether its loop came round within so many seconds."""
        return self._clock.now_s() - self._beat_s <= within_s

    @property
    def ails(self) -> str | None:
        """Why the broker isn't heard; "" while it is, None before the first try."""
        return self._why

    @property
    def late_s(self) -> float:
        """How late what boards say is at least, s; 0.0 while it is in time or nothing is heard."""
        called_s = self._called_s
        waits_s = 0.0 if called_s is None else self._clock.now_s() - called_s
        return waits_s if self.is_in and waits_s > ANSWER_S else 0.0

    def takes(self, taking: bool) -> None:
        """Say to all boards whether the hall takes what they publish."""
        self._state = "taking" if taking else "ended"

    def order(self, of: Heard, payload: bytes) -> bool:
        """Send an order to a chamber's board; False where that can't be done just now."""
        return self._owe(_Word(f"{self._of(of)}/acts", payload, expires_s=ORDER_S))

    def forget(self, of: Heard) -> bool:
        """Take away all that the broker has kept of a chamber that is no more."""
        names = ["now", "taken", *(f"alarms/{name}" for name in of.alarms), "watch"]
        return all(self._owe(_Word(f"{self._of(of)}/{name}", b"", retain=True)) for name in names)

    def stop(self) -> None:
        """Say that it ends, and let go. Safe to call twice."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(STOP_S)

    def _of(self, of: Heard) -> str:
        return f"{self._prefix}/{of.board}/{of.chamber}"

    def _owe(self, word: _Word) -> bool:
        with self._lock:
            if not self.is_in or len(self._owed) >= MOST_OWED:
                return False
            self._owed.append(word)
            return True

    # --- the connection ----------------------------------------------------------------------

    def _run(self) -> None:
        failures = 0
        while not self._stopping.is_set():
            try:
                self._stay_connected()
            except Exception as error:
                if self.is_in:
                    failures = 0
                known = isinstance(error, OSError)
                # paho raises struct.error, IndexError and others for what a broker garbles.
                garbled = f"it does not speak MQTT 5 as it should ({str(error).lower()[:80]})"
                why = why_ended(error) if isinstance(error, OSError) else garbled
                self._lost(why, None if known else error)
                failures += 1
            self._beat_s = self._clock.now_s()
            if not self._stopping.is_set():
                self._stopping.wait(min(LONGEST_PAUSE_S, pause_s(failures, self._chance())))

    def _lost(self, why: str, error: Exception | None) -> None:
        with self._lock:
            self.is_in = False
            self._owed.clear()
        if self._stopping.is_set():
            return
        if not self._why:
            log.warning(
                "hall: %s: %s; tried again and again", self._broker.where, why, exc_info=error
            )
        self._why = why
        self._on_connected(False, why)

    def _stay_connected(self) -> None:
        """Connect and listen until the connection is lost. Raises `OSError`, and paho's errors."""
        self._refused, self._said, self._called_s = "", None, None
        self._calls.clear()
        will = (self._topic, self._word("silent"))
        wire = Wire(self._broker, name=self._name(), largest_bytes=LARGEST_BYTES, will=will)
        client = wire.client
        client.on_connect = self._came_in
        client.on_disconnect = self._hung_up
        client.on_message = self._heard
        client.on_subscribe = self._granted
        begun_s = self._clock.now_s()
        try:
            wire.open()
            while not self._stopping.is_set():
                if client.loop(LOOP_S) or self._refused:
                    raise OSError(self._refused or "the connection broke")
                self._beat_s = self._clock.now_s()
                if self.is_in:
                    self._speak(client)
                elif self._beat_s - begun_s > LET_IN_S:
                    raise OSError(f"it says nothing within {LET_IN_S:g} s")
            if self.is_in:
                self._leave(client)
        finally:
            wire.close()

    def _name(self) -> str:
        mark = self._mark()
        return f"hall-{mark[:12]}-now" if mark else ""

    @property
    def _topic(self) -> str:
        return f"{self._prefix}/hall"

    @property
    def _call_topic(self) -> str:
        return f"{self._topic}/call"

    def _word(self, state: HallState) -> bytes:
        at = label(self._clock.wall().timestamp())
        told = HallMessage(hall=self._mark() or UNKNOWN, state=state, at=at, entries=MOST_ENTRIES)
        return told.payload()

    def _speak(self, client: Client) -> None:
        """Give the broker what is due."""
        word = (self._mark(), self._state)
        if word != self._said and word[0]:
            self._said, self._said_s, self._echoed = word, self._beat_s, False
            client.publish(self._topic, self._word(self._state), qos=1, retain=True)
        if self._beat_s >= self._call_s:
            self._calls.append((f"{self._chance():.15f}".encode(), self._beat_s))
            self._called_s, self._call_s = self._calls[0][1], self._beat_s + CALL_S
            client.publish(self._call_topic, self._calls[-1][0], qos=1)
        called_s = self._called_s
        if called_s is not None and self._beat_s - max(called_s, self._came_s) > ANSWER_S:
            raise OSError(f"it has given nothing on for {ANSWER_S:g} s, not even to ourselves")
        if self._said is not None and not self._echoed and self._beat_s - self._said_s > ECHO_S:
            raise OSError(f"it does not let this user read and write {self._prefix}/#")
        while self._owed:
            with self._lock:
                each = self._owed.popleft()
            client.publish(
                each.topic, each.payload, qos=1, retain=each.retain, properties=_expiring(each)
            )
        if self._beat_s - self._again_s >= AGAIN_S:
            self._again_s = self._beat_s
            lacking = self._lacking()
            start = self._asked_again % max(1, len(lacking))  # who never answers is in nobody's way
            self._asked_again += MOST_AGAIN
            for of in (lacking[start:] + lacking[:start])[:MOST_AGAIN]:
                kept = [f"{self._of(of)}/watch", f"{self._of(of)}/alarms/+"]
                client.subscribe([(each, 1) for each in kept])  # then it sends them once more
                client.unsubscribe(kept)

    def _leave(self, client: Client) -> None:
        """Take the word on the hall back, so that the will needn't be told."""
        with suppress(Exception):
            until_s = self._clock.now_s() + STOP_S / 2
            handed = client.publish(self._topic, self._word("ended"), qos=1, retain=True)
            while not handed.is_published() and self._clock.now_s() < until_s:
                if client.loop(LOOP_S):
                    return
            client.disconnect()

    # --- called by paho, in the thread above ---------------------------------------------------

    def _came_in(self, client: Client, _data: Any, _flags: Any, reason: Any, _of: Any) -> None:
        if reason.is_failure:
            self._refused = f"it refuses: {str(reason).lower()}"
            return
        if self._why != "":
            log.info("hall: %s: connected", self._broker.where)
        self._why, self._again_s = "", self._clock.now_s()
        self._call_s = self._again_s
        self.other_hall = ""
        with self._lock:
            self.is_in = True
        self._on_connected(True, "")
        # `now` comes again within ten seconds: confirming each would hold the alarms up.
        kinds = (("watch", 1), ("alarms/+", 1), ("acted", 1), ("now", 0))
        client.subscribe(
            [
                (self._call_topic, 1),
                *((f"{self._prefix}/+/+/{kind}", qos) for kind, qos in kinds),
                (self._topic, 0),
            ]
        )

    def _granted(self, _client: Client, _data: Any, _mid: int, reasons: Any, _of: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            self._refused = f"it does not let this user read {self._prefix}/#"

    def _hung_up(self, _client: Client, _data: Any, _flags: Any, reason: Any, _of: Any) -> None:
        if reason.is_failure and not self._refused:
            self._refused = f"it hung up: {str(reason).lower()}"

    def _heard(self, _client: Client, _data: Any, message: Any) -> None:
        topic = str(message.topic)
        payload = bytes(message.payload)
        self._came_s = self._clock.now_s()
        if topic == self._call_topic:
            self._came_back(payload)
            return
        if topic == self._topic:
            self._heard_hall(payload)
            return
        try:
            told = topic.removeprefix(f"{self._prefix}/")
            self._on_message(told, payload, bool(message.retain))
        except Exception:
            log.exception("hall: a message on %s", topic[:200])

    def _came_back(self, call: bytes) -> None:
        """A call of ours, or another hall's."""
        if any(call == each for each, _ in self._calls):
            while self._calls.popleft()[0] != call:
                pass
            self._called_s = self._calls[0][1] if self._calls else None

    def _heard_hall(self, payload: bytes) -> None:
        """Another hall under the same topic would have boards move on for what we don't have."""
        try:
            told = HallMessage.model_validate_json(payload)
        except ValueError:
            return
        own = self._mark()
        self._echoed = self._echoed or told.hall == own
        if own and told.hall != own:
            self.other_hall = told.hall[:40] if told.state == "taking" else ""
            if told.state != "taking":
                self._said = None  # somebody's last word on it isn't ours


def _expiring(word: _Word) -> Any:
    if word.expires_s is None:
        return None
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.properties import Properties

    found: Any = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    found.MessageExpiryInterval = word.expires_s
    return found
