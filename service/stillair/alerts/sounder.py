"""The sounder's loop: a thread of its own that plays what should be heard, and waits for nothing.

`set` only leaves word; the thread plays the pattern on absolute deadlines, so
that it neither drifts nor depends on disk, network or the watch. An output
that fails is told, and tried again with each tone: a sounder that was
plugged in again sounds.

References
----------
ISO 8201:2017, audible emergency evacuation signal: three pulses of 0.5 s,
0.5 s apart, then 1.5 s of silence (a cycle of 4 s).
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from typing import Protocol

from stillair.alerts.output_loop import OutputLoop
from stillair.clock import Clock
from stillair.model import Sounding

log = logging.getLogger(__name__)

# (tone, silence after it) in seconds, played round and round
PATTERNS: Mapping[Sounding, tuple[tuple[float, float], ...]] = {
    Sounding.FIRE: ((0.5, 0.5), (0.5, 0.5), (0.5, 1.5)),
    Sounding.ATTENTION: ((0.2, 9.8),),
    Sounding.TEST: ((0.5, 0.5), (0.5, 0.5), (0.5, 1.5)),
}
ONCE = frozenset({Sounding.TEST})  # one round, and silence after it
TRIAL_S = 1.0  # of one tone, to hear whether there is one
REST_S = 3600.0
FIT_TONES = 3  # that many whole tones in a row show that a failed output works again


class SounderOutput(Protocol):
    """What makes the noise. Every call may raise any error; none may block for long."""

    def on(self, sounding: Sounding) -> None:
        """Begin one tone."""
        ...

    def off(self) -> None:
        """End the tone; the pattern goes on."""
        ...

    def silence(self) -> None:
        """The pattern has ended: be silent at once."""
        ...

    def describe(self) -> str:
        """One clause for a person."""
        ...

    def close(self) -> None:
        """Free the pin or program; safe to call twice."""
        ...


class SounderLoop(OutputLoop):
    """Play the sound that was last set.

    Parameters
    ----------
    output : SounderOutput
        Only the loop's thread uses it.
    clock : Clock
        The machine's own: a tone lasts half a second however fast a chamber is played.
    on_trouble : callable
        Told (True, reason) when the output begins to fail, (False, "") when it has
        sounded again. Silence proves nothing.
    on_test : callable
        Told whether the one round of a test was made, and why not. Nothing is told of
        one that gave way to something else.
    """

    def __init__(
        self,
        output: SounderOutput,
        clock: Clock,
        on_trouble: Callable[[bool, str], None],
        on_test: Callable[[bool, str], None] = lambda *_: None,
    ) -> None:
        super().__init__("sounder", clock, on_trouble)
        self._output = output
        self._on_test = on_test
        self._wanted = Sounding.SILENT
        self._trial: Future[str] | None = None
        self._asking = threading.Lock()
        self._fit_tones = 0

    def set(self, sounding: Sounding) -> None:
        """Say what should be heard; never waits. The same again doesn't restart the pattern."""
        if sounding is not self._wanted:
            self._wanted = sounding
            self._wake.set()

    def try_out(self) -> Future[str] | None:
        """Have one tone of a second made; why it failed, "" if it didn't, once it is over.

        None, and no tone, where something sounds, another trial too. What is real ends it at
        once; one that never began is cancelled.
        """
        with self._asking:  # of those who ask; the loop never waits for it
            under_way = self._trial is not None and not self._trial.done()
            if under_way or self._wanted is not Sounding.SILENT or self._stopping:
                return None
            self._trial = trial = Future[str]()
        self._wake.set()
        return trial

    def _round(self) -> None:
        trial = self._trial  # it stays until another is asked for
        if trial is None or trial.done():
            self._play(self._wanted)
        elif self._wanted is Sounding.SILENT and trial.set_running_or_notify_cancel():
            begun = self._ask(lambda: self._output.on(Sounding.TEST))
            fault = "" if begun else self._fault
            self._clock.wait(self._clock.now_s() + TRIAL_S, self._wake)
            if not self._ask(self._output.off) and begun:
                fault = self._fault  # a program tells only when it has ended how it went
            self._ask(self._output.silence)
            trial.set_result(fault)
        else:
            trial.cancel()

    def _end(self) -> None:
        if self._trial is not None:
            self._trial.cancel()
        self._ask(self._output.silence)
        self._ask(self._output.close)

    def _play(self, sounding: Sounding) -> None:
        """Play one pattern until something else is wanted."""
        start_s = self._clock.now_s()
        pattern = PATTERNS.get(sounding)
        if pattern is None:
            self._ask(self._output.silence)
        while not self._over(sounding):
            if pattern is None:
                start_s += REST_S
                if self._clock.wait(start_s, self._wake):
                    return  # also where the same is wanted again: the word must not spin here
                continue
            faults: list[str] = []
            for tone_s, pause_s in pattern:
                begun = self._ask(lambda: self._output.on(sounding))
                woken = self._clock.wait(start_s + tone_s, self._wake)
                fault = "" if begun else self._fault
                whole = self._ask(self._output.off) and begun
                faults += [] if whole else [fault or self._fault]
                self._count(whole)
                start_s += tone_s + pause_s
                if woken or self._clock.wait(start_s, self._wake):
                    return
            # After a standstill (a suspended machine) begin anew instead of catching up.
            start_s = max(start_s, self._clock.now_s())
            if sounding in ONCE:
                pattern = None
                # A program tells only when it has ended how it went.
                whole = self._ask(self._output.off)
                self._tell_test(faults[0] if faults else "" if whole else self._fault)
                self._ask(self._output.silence)

    def _tell_test(self, fault: str) -> None:
        try:
            self._on_test(not fault, fault)
        except Exception:
            # Whoever is told must not silence the sounder.
            log.exception("how the sounder's test went was not taken")

    def _over(self, sounding: Sounding) -> bool:
        return self._stopping or self._wanted is not sounding

    def _ask(self, action: Callable[[], object]) -> bool:
        well = super()._ask(action)
        if not well:
            self._fit_tones = 0
        return well

    def _count(self, whole: bool) -> None:
        self._fit_tones = self._fit_tones + 1 if whole else 0
        if self._fit_tones >= FIT_TONES:
            self._tell(False, "")
