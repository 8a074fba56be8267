"""What of the service itself fails or works again: every chamber's watch hears of it.

Told by whatever thread finds it; never blocks. Only what begins and ends is told,
and what the stores lost not more often than every ten minutes.
"""

from __future__ import annotations

import logging
import math
import threading
from collections.abc import Iterable, Mapping

from stillair.alarms.stop_words import STOP_OF
from stillair.alarms.words import CERTIFICATE, DISK, HEAT, PAGE
from stillair.clock import Clock
from stillair.model import JsonValue, Kind, Trouble
from stillair.runtime.chamber import Chamber
from stillair.runtime.labels import ClockStep, Labels
from stillair.storage.steps import ZERO_AFTER, ZERO_BEFORE

log = logging.getLogger(__name__)

# Where nothing can be written each telling is one more loss, and must not tell itself.
DAMAGE_EVERY_S = 600.0
PUSH = "push"  # subject of what went wrong with all telephones
TIME = "time"  # subject of a clock that isn't set; a step of it has none


class Troubles:
    """Tell the watches what fails, and know whether anything does.

    Parameters
    ----------
    chambers : mapping
        All chambers of this process by their key; may grow until the service starts.
    clock : Clock
        The machine's.
    """

    def __init__(self, chambers: Mapping[str, Chamber], clock: Clock) -> None:
        self._chambers = chambers
        self._clock = clock
        self._lock = threading.Lock()
        self._standing: dict[tuple[Kind, str], str] = {}
        self._well: set[tuple[Kind, str]] = set()  # of which has been told that nothing fails
        self._damage: dict[str, tuple[str, float]] = {}  # what has been told of it, and when
        self._push: tuple[str, ...] = ()  # what was put right and has been told
        self._late: set[str] = set()  # what has been told not to come round
        self._ended: set[str] = set()  # tasks that had to be begun again

    def __bool__(self) -> bool:
        """Whether something fails just now."""
        return bool(self._standing or self._ended)

    def standing(self) -> dict[tuple[Kind, str], str]:
        """What fails just now, by kind and subject, with the reason."""
        with self._lock:
            return dict(self._standing)

    def tell(self, kind: Kind, subject: str, active: bool, reason: str) -> None:
        """Something fails, or works again; the first word ends what failed before a restart too."""
        with self._lock:
            if active:
                self._well.discard((kind, subject))
                self._standing[kind, subject] = reason
            elif (kind, subject) in self._well:
                return
            else:
                self._well.add((kind, subject))
                self._standing.pop((kind, subject), None)
        detail = {"reason": reason} if reason else {}
        for chamber in self._chambers.values():
            chamber.supervisor.put(
                Trouble(kind, chamber.clock.now_s(), active, subject=subject, detail=detail)
            )

    def journal(self, failing: bool, reason: str) -> None:
        """The journal can't be written, or can again."""
        self.tell(Kind.STORE_FAULT, "journal", failing, reason)

    def archive(self, failing: bool, reason: str) -> None:
        """Readings can't be kept, or can again."""
        self.tell(Kind.STORE_FAULT, "readings", failing, reason)

    def pictures(self, failing: bool, reason: str) -> None:
        """Pictures of what happens can't be kept, or can again."""
        self.tell(Kind.STORE_FAULT, "pictures", failing, reason)

    def clips(self, failing: bool, reason: str) -> None:
        """Films of what happens can't be kept, or can again."""
        self.tell(Kind.STORE_FAULT, "films", failing, reason)

    def backup(self, failing: bool, reason: str) -> None:
        """The nightly backup could not be made, or was again."""
        self.tell(Kind.STORE_FAULT, "backup", failing, reason)

    def route(self, address: str, failing: bool, reason: str) -> None:
        """A route fails again and again, or works again."""
        self.tell(Kind.DELIVERY_FAULT, address, failing, reason)

    def push(self, repaired: tuple[str, ...]) -> None:
        """What had to be set aside of keys and telephones: over, and an alarm until it is seen."""
        with self._lock:
            new, self._push = [each for each in repaired if each not in self._push], repaired
        for reason in new:
            for active in (True, False):
                self.tell(Kind.DELIVERY_FAULT, PUSH, active, reason)

    def sounder(self, key: str, failing: bool, reason: str) -> None:
        """The sounder of one chamber fails, or works again."""
        self.tell(Kind.DELIVERY_FAULT, f"sounder of {key}", failing, reason)

    def stop(self, key: str, failing: bool, reason: str) -> None:
        """What stops the machine of one chamber fails, or works again."""
        self.tell(Kind.DELIVERY_FAULT, f"{STOP_OF}{key}", failing, reason)

    def certificate(self, failing: bool, reason: str) -> None:
        """The service's certificate can't be renewed, or can again."""
        self.tell(Kind.DELIVERY_FAULT, CERTIFICATE, failing, reason)

    def page(self, failing: bool, reason: str) -> None:
        """Nobody else can open the page, or others can again."""
        self.tell(Kind.DELIVERY_FAULT, PAGE, failing, reason)

    def supply(self, failing: bool, reason: str) -> None:
        """The board's supply sags, or holds again."""
        self.tell(Kind.POWER_FAULT, "", failing, reason)

    def heat(self, failing: bool, reason: str) -> None:
        """The board is too hot, or cool enough again."""
        self.tell(Kind.BOARD_FAULT, HEAT, failing, reason)

    def disk(self, failing: bool, reason: str) -> None:
        """The board's disk is nearly full or read-only, or has room again."""
        self.tell(Kind.BOARD_FAULT, DISK, failing, reason)

    def clock(self, failing: bool, reason: str) -> None:
        """The wall clock can't be trusted, or was set."""
        self.tell(Kind.CLOCK_FAULT, TIME, failing, reason)

    def task(self, name: str, ended: bool) -> None:
        """A task of the web server's loop has ended and is begun again, or runs again."""
        with self._lock:
            (self._ended.add if ended else self._ended.discard)(name)
        self.tell(Kind.DELIVERY_FAULT, f"the {name}", ended, "it ended; see the log")

    def rounds(self, found: Iterable[tuple[str, bool]]) -> None:
        """Of each subject, whether it comes round on time: what hangs can't say so itself."""
        for subject, on_time in found:
            with self._lock:
                if on_time is (subject not in self._late):
                    continue
                (self._late.discard if on_time else self._late.add)(subject)
            log.warning("%s: %s", subject, "it comes round again" if on_time else "no longer")
            self.tell(Kind.DELIVERY_FAULT, subject, not on_time, "it does not come round")

    def damage(self, found: Iterable[tuple[str, str | None]]) -> None:
        """Of each store, what it had to set aside or leave out: nothing is dropped in silence.

        It has happened and is over: an alarm all the same, until it is seen.
        """
        for subject, what in found:
            if what is None:
                continue
            with self._lock:
                told, told_s = self._damage.get(subject, ("", -math.inf))
                now_s = self._clock.now_s()
                if what == told or now_s - told_s < DAMAGE_EVERY_S:
                    continue
                self._damage[subject] = (what, now_s)
            for active in (True, False):
                self.tell(Kind.STORE_FAULT, f"{subject}, damaged", active, what)

    def clock_step(self, labels: Labels, step: ClockStep) -> None:
        """The wall clock was set, for all chambers that are labelled by it."""
        log.warning("the wall clock was set by %+.0f s", step.step_s)
        detail: dict[str, JsonValue] = {
            "reason": f"it was set by {step.step_s:+.0f} s",
            ZERO_BEFORE: step.before.wall_at_zero_s,
            ZERO_AFTER: step.after.wall_at_zero_s,
        }
        for chamber in self._chambers.values():
            if chamber.labels is labels:
                now_s = chamber.clock.now_s()
                for active in (True, False):
                    chamber.supervisor.put(Trouble(Kind.CLOCK_FAULT, now_s, active, detail=detail))
