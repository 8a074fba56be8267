"""The stop of one chamber's machine, put together: its relay, its messages, and how they are.

Whatever of it fails is one trouble of the chamber, with a clause for each part.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from uuid import uuid4

from stillair.alarms.stopping import StopPlan, in_the_way
from stillair.alerts.relay import RelayLoop, RelayOutput
from stillair.alerts.routes import Message
from stillair.alerts.stop_messages import TEST, StopMessage
from stillair.clock import Clock
from stillair.config import ChamberSettings
from stillair.errors import DeliveryError
from stillair.model import PartTried, StopPhase, StopState, Timeline
from stillair.runtime.plans import TOPIC, WEBHOOK, stop_address, stop_plan
from stillair.storage.items import Item, label
from stillair.watch import WatchView

RELAY = "relay"  # the part of a stop that is no message


@dataclass(frozen=True, slots=True)
class Tested:
    """How one part of the stop did in a test that stopped nothing."""

    part: str
    is_fit: bool
    told: str


class MachineStop:
    """Stop one machine by all the ways that are set up.

    Parameters
    ----------
    key : str
        The chamber's.
    output : RelayOutput, optional
        What is switched here.
    messages : mapping of a part's name to its message
    clock : Clock
        The machine's own.
    wall : callable
    tell : callable
        Told (True, reasons) while any part fails, (False, "") when all work.
    """

    def __init__(
        self,
        key: str,
        output: RelayOutput | None,
        messages: Mapping[str, StopMessage],
        *,
        clock: Clock,
        wall: Callable[[], datetime],
        tell: Callable[[bool, str], None],
    ) -> None:
        self.key = key
        self.messages = messages
        self.wanted: bool | None = None
        self._wall = wall
        self._tell = tell
        self._lock = threading.Lock()
        self._failing: dict[str, str] = {}
        self._relay: RelayLoop | None = None
        if output is not None:
            self._relay = RelayLoop(output, clock, lambda *told: self.trouble(RELAY, *told))

    def start(self) -> None:
        if self._relay is not None:
            self._relay.start()

    def stop(self) -> None:
        """Let go of the relay, which by the usual wiring stops the machine."""
        if self._relay is not None:
            self._relay.stop()

    def set(self, stopped: bool) -> None:
        """Say whether the machine has to be off; never waits."""
        self.wanted = stopped
        if self._relay is not None:
            self._relay.set(stopped)

    def on_time(self, within_s: float) -> bool:
        """Whether the relay's thread is as it should be."""
        return self._relay is None or self._relay.on_time(within_s)

    def trouble(self, part: str, failing: bool, reason: str) -> None:
        """A part fails, or works again; from any thread."""
        with self._lock:
            before = dict(self._failing)
            if failing:
                self._failing[part] = reason
            else:
                self._failing.pop(part, None)
            if self._failing != before:
                told = "; ".join(f"{part}: {why}" for part, why in sorted(self._failing.items()))
                self._tell(bool(self._failing), told)

    def check(self) -> tuple[Tested, ...]:
        """Try every part without stopping anything; may take some seconds for each message."""
        tested = []
        if self._relay is not None:
            tested.append(self._test(RELAY, self._relay.check))
        for part, way in self.messages.items():
            message = Message(
                key=f"{self.key}:stop:test:{uuid4().hex}",
                route=stop_address(self.key, part),
                title="test of the stop: nothing is stopped",
                text="This is a test: nothing is stopped.",
                created_at=self._wall(),
                chamber=self.key,
                stage=TEST,
            )
            tested.append(self._test(part, partial(way.test, message)))
        return tuple(tested)

    def tried(self) -> PartTried:
        """How such a test went, for an alarm test."""
        parts = self.check()
        told = "; ".join(f"{each.part}: {each.told}" for each in parts)
        return PartTried(all(each.is_fit for each in parts), told)

    def describe(self) -> str:
        """By what it is stopped, in a clause that holds no secret."""
        relay = self._relay.describe() if self._relay is not None else ""
        names = {TOPIC: "an MQTT message", WEBHOOK: "a signed web message"}
        return " and ".join(filter(None, [relay, *(names[part] for part in self.messages)]))

    def _test(self, part: str, try_it: Callable[[], str]) -> Tested:
        try:
            told = try_it()
        except Exception as error:
            reason = error.reason if isinstance(error, DeliveryError) else str(error)
            self.trouble(part, True, reason)
            return Tested(part, False, reason)
        self.trouble(part, False, "")
        return Tested(part, True, told)


# --- for pages ------------------------------------------------------------------


def stop_now(
    settings: ChamberSettings, stop: MachineStop | None, view: WatchView, timeline: Timeline
) -> Item:
    """The stop's part of the first page."""
    state, of = view.stop, settings.stop
    if state is None or of is None or stop is None:
        return {"set_up": False}
    plan = stop_plan(settings)
    assert plan is not None
    wrong = in_the_way(plan.on, view.alarms, view.events)
    tried = _tried(state, plan)
    return {
        "set_up": True,
        "phase": state.phase.value,
        "since_at": _at(state.changed_s, timeline),
        "until_at": _at(state.until_s, timeline),
        "countdown_s": of.countdown_s,
        "on": [each.value for each in of.on],
        "cause": state.cause,
        "by": state.by,
        "outputs": stop.describe(),
        "has_button": plan.has_button,
        "may_reset": state.phase is StopPhase.STOPPED and not wrong,
        "tried_at": _at(state.tried_s, timeline) if tried else None,
        "tried_worked": state.tried_worked if tried else None,
        "tried_by": state.tried_by if tried else "",
    }


def _tried(state: StopState, plan: StopPlan) -> bool:
    """Whether it was tried with the outputs that it has now."""
    return state.tried_s is not None and state.tried_with == plan.outputs


def _at(t_s: float | None, timeline: Timeline) -> str | None:
    return None if t_s is None else label(timeline.epoch_s(t_s))
