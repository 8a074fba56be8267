"""Listen for the heartbeat of another board, which can't tell by itself that it has died.

It is heard on a topic of a broker, or asked for at its web address. What counts is the time
since it was last well: a board that starts anew or a broker that is away for a moment is no
news, and neither is a heartbeat that says that the watch stands still, until it has lasted.

    heartbeat -> Neighbour -> tell(True, reason) ... tell(False, "")
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable
from typing import Final

from stillair.clock import Clock
from stillair.sensing.topics import Subscription

log = logging.getLogger(__name__)

LARGEST_BYTES: Final = 16 * 1024
ASK_EVERY_S: Final = 20.0
STOP_S: Final = 0.2
NOTHING: Final = "nothing has been heard of it"


class Neighbour:
    """Know whether another board was well within `silent_after_s`.

    `hear` may be called from any thread, `check` once a second from one.
    """

    def __init__(self, tell: Callable[[bool, str], None], *, silent_after_s: float) -> None:
        self._tell = tell
        self._silent_after_s = silent_after_s
        self._well_s: float | None = None  # when it was last well, or when we began to listen
        self._heard_well = False
        self._why = NOTHING
        self._told: bool | None = None

    @property
    def ails(self) -> str | None:
        """What is told of it: "" where it is well, else why not; None as long as nothing is."""
        told = self._told
        return None if told is None else (self._why or NOTHING) if told else ""

    def hear(self, body: bytes) -> None:
        """Take one heartbeat, whatever it is."""
        self._why = ailing(body)
        self._heard_well = self._heard_well or not self._why

    def fail(self, why: str) -> None:
        """Nothing can be heard of it, for `why`."""
        self._why = why

    def check(self, t_s: float) -> None:
        """See whether it has been well lately, and tell when that begins or ends."""
        if self._heard_well or self._well_s is None:
            self._well_s = t_s
        if self._heard_well:
            self._heard_well = False
            if self._told is not False:
                self._told = False
                self._tell(False, "")
        elif self._told is not True and t_s - self._well_s > self._silent_after_s:
            self._told = True
            self._tell(True, self._why or NOTHING)


class TopicNeighbour(Neighbour):
    """One that is heard on a topic."""

    def __init__(
        self,
        messages: Subscription,
        tell: Callable[[bool, str], None],
        *,
        silent_after_s: float,
    ) -> None:
        super().__init__(tell, silent_after_s=silent_after_s)
        self._messages = messages

    def check(self, t_s: float) -> None:
        """Take what has come, then see."""
        for body in self._messages.take():
            self.hear(body)
        if outage := self._messages.outage():
            self.fail(outage)
        super().check(t_s)


class AskedNeighbour(Neighbour):
    """One that is asked at its web address, from a thread of its own.

    `ask` gives the answer's body within some seconds, or raises an error whose text is the
    reason why there is none.
    """

    def __init__(
        self,
        ask: Callable[[], bytes],
        tell: Callable[[bool, str], None],
        clock: Clock,
        *,
        silent_after_s: float,
    ) -> None:
        super().__init__(tell, silent_after_s=silent_after_s)
        self._ask = ask
        self._clock = clock
        self._every_s = min(ASK_EVERY_S, silent_after_s / 4.0)
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="neighbour", daemon=True)

    def start(self) -> None:
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether its thread runs, as it should between start and stop."""
        return self._stopping.is_set() or self._thread.ident is None or self._thread.is_alive()

    def stop(self) -> None:
        """Ask no more; an answer still to come is told to nobody."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(STOP_S)

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self.hear(self._ask())
            except Exception as error:
                self.fail(str(error) or type(error).__name__)
            self._clock.wait(self._clock.now_s() + self._every_s, self._stopping)


def ailing(body: bytes) -> str:
    """What a heartbeat, or an answer of /api/health, says is wrong; "" where all is well.

    "impaired" alone means that it watches and has told its own people what ails it.
    """
    if len(body) > LARGEST_BYTES:
        return "what it says is too long to be a heartbeat"
    try:
        said = json.loads(body)
    except (ValueError, RecursionError):
        said = None
    if not isinstance(said, dict) or said.get("status") not in ("ok", "impaired"):
        return "what it says is no heartbeat"
    if said.get("lost") is True:
        return "the broker has lost touch with it"  # said for it, by what it left there
    return "" if said.get("watching", True) is True else "it says that its watch stands still"
