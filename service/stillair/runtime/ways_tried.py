"""Ways to people are tried without sending, at the start and each day: a wrong password shows
before anybody has to be told of something.

Nothing waits for that, a stop neither. One that fails twice in a row is a trouble, as one that
lost a message is; who is told, and by which way, doesn't hang on it.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from stillair.runtime.found import Found, State
from stillair.runtime.reaching import RouteTry, Trial

log = logging.getLogger(__name__)

DAY_S: Final = 86_400.0
AGAIN_S: Final = 55.0  # by the next look: what failed once may only have been starting
LONGEST_S: Final = 3600.0  # a provider shuts out whoever comes with a wrong password often
TOLD_AFTER: Final = 2  # in a row


@dataclass(slots=True)
class _Way:
    trial: Trial
    tells: bool = False  # somebody, in whichever chamber
    found: Found | None = None
    failures: int = 0  # in a row
    due_s: float = 0.0


class WaysTried:
    """Try each way to people that can be tried, and say what was found.

    Parameters
    ----------
    trials : mapping
        Of each chamber, by its key; one route of several chambers is tried once for all of them.
    on_trouble : callable
        Told what it is, whether it fails, and why; of a way by which nobody is told never.
    monotonic_s : callable
    """

    def __init__(
        self,
        trials: Mapping[str, Sequence[Trial]],
        on_trouble: Callable[[str, bool, str], None],
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        ways: dict[RouteTry, _Way] = {}
        self._ways = {
            key: [ways.setdefault(trial.route, _Way(trial)) for trial in of]
            for key, of in trials.items()
        }
        for trial in (each for of in trials.values() for each in of):
            ways[trial.route].tells |= bool(trial.people)
        self._each = tuple(ways.values())
        self._on_trouble = on_trouble
        self._monotonic_s = monotonic_s
        self._told: dict[str, str] = {}  # what fails, and why
        # of which nothing was told yet: they may have failed before a restart
        self._untold = {way.trial.subject for way in self._each if way.tells}
        self._lock = threading.Lock()  # one look at a time
        self._stopped = False
        self._trying: threading.Thread | None = None

    def begin(self) -> None:
        """Have `look` done by a thread that ends with the process.

        Where names are looked up in vain that takes half a minute, and nobody can cut it.
        """
        if self._trying is None or not self._trying.is_alive():
            self._trying = threading.Thread(target=self.look, name="ways to people", daemon=True)
            self._trying.start()

    def look(self) -> None:
        """Try what is due; may take some seconds of each."""
        with self._lock:
            now_s = self._monotonic_s()
            for way in self._each:
                if way.found is None or now_s >= way.due_s:
                    self._try(way)
                if self._stopped:
                    return  # what was cut short says nothing of its server
            self._tell()

    def found(self, key: str) -> Iterator[Found]:
        """What was found of a chamber's ways so far."""
        for way in self._ways.get(key, ()):
            if way.found is not None:
                yield way.found

    def stop(self) -> None:
        """Let go of a server that is being tried."""
        self._stopped = True
        for way in self._each:
            way.trial.route.close()

    def _try(self, way: _Way) -> None:
        try:
            way.found = way.trial.found(way.trial.thing)
        except Exception as error:
            log.exception("%s could not be tried", way.trial.thing)
            why = f"it can't be tried: {type(error).__name__}"
            way.found = Found(way.trial.thing, State.UNFIT, why, way.trial.remedy)
        pause_s = DAY_S
        if way.found.state is State.FIT:
            way.failures = 0
        else:
            way.failures += 1
            pause_s = min(LONGEST_S, AGAIN_S * 2.0 ** (way.failures - 1))
        way.due_s = self._monotonic_s() + pause_s

    def _tell(self) -> None:
        """Of chambers with one kind of way each, one trouble: it is told to all of them."""
        failing: dict[str, str] = {}
        for way in self._each:
            found = way.found
            if found is not None and way.failures >= TOLD_AFTER and way.tells:
                remedy = f" ({found.remedy})" if found.remedy else ""
                failing.setdefault(way.trial.subject, f"{found.told}{remedy}")
        unsure = {way.trial.subject for way in self._each if way.found is None or way.failures}
        well = self._untold - unsure
        self._untold -= well | failing.keys()
        for thing in [*(each for each in self._told if each not in failing), *sorted(well)]:
            self._on_trouble(thing, False, "")
        for thing, why in failing.items():
            if thing not in self._told:
                log.warning("%s: %s", thing, why)
            if self._told.get(thing) != why:
                self._on_trouble(thing, True, why)
        self._told = failing
