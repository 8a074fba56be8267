"""What a sounder may be: a pin of the board, a program, or nothing."""

from __future__ import annotations

import contextlib
import os
import shlex
import signal
import subprocess
from collections.abc import Mapping
from typing import Any

from stillair.clock import Clock, SystemClock
from stillair.errors import DeliveryError
from stillair.model import Sounding

LONGEST_TONE_S = 10.0  # a program still running after this hangs and is ended
_END_S = 0.3


class NoOutput:
    """No sounder is connected: nothing is heard, and nothing fails."""

    def on(self, sounding: Sounding) -> None:
        """Nothing sounds."""

    def off(self) -> None:
        """Nothing sounded."""

    def silence(self) -> None:
        """Nothing sounded."""

    def describe(self) -> str:
        return "no sounder"

    def close(self) -> None:
        """Nothing is held."""


class GpioOutput:
    """A sounder switched by a pin: high is sound.

    The pin is claimed when it is first needed and low from then on; gpiozero
    lets it go when the process ends, however it ends, so that it falls silent.
    Where the pin can't be claimed, each tone tries again.
    """

    def __init__(self, pin: int, *, pin_factory: Any = None) -> None:
        self._pin = pin
        self._pin_factory = pin_factory
        self._device: Any = None

    def on(self, sounding: Sounding) -> None:  # noqa: ARG002 - a pin has one tone for all
        self._claimed().on()

    def off(self) -> None:
        self._claimed().off()

    def silence(self) -> None:
        self._claimed().off()

    def describe(self) -> str:
        return f"sounder on GPIO {self._pin}"

    def close(self) -> None:
        device, self._device = self._device, None
        if device is not None:
            device.off()
            device.close()

    def _claimed(self) -> Any:
        if self._device is None:
            from gpiozero import DigitalOutputDevice

            try:
                self._device = DigitalOutputDevice(
                    self._pin, initial_value=False, pin_factory=self._pin_factory
                )
            except Exception as error:
                # gpiozero and the pin library below it raise errors of many families.
                reason = f"pin {self._pin} can't be switched: {error}"
                raise DeliveryError("sounder", reason, retry=True) from error
        return self._device


class CommandOutput:
    """A program that makes one tone each time it is run; no shell is involved.

    It finds "attention" or "fire" in STILLAIR_SOUND, in an alarm test "fire" too, and then
    "1" in STILLAIR_TEST. While one is still
    running the next tone is left out; one that runs longer than 10 s is ended
    with everything it has started, and so is one that runs when silence is due.

    Raises `ValueError` for an empty or unclosed command line.
    """

    def __init__(
        self,
        command: str,
        *,
        clock: Clock | None = None,
        environment: Mapping[str, str] | None = None,
    ) -> None:
        self._words = shlex.split(command)
        if not self._words:
            raise ValueError("the sounder's command is empty")
        self._clock = clock or SystemClock()
        self._environment = dict(os.environ if environment is None else environment)
        self._running: subprocess.Popen[bytes] | None = None
        self._end_by_s = 0.0

    def on(self, sounding: Sounding) -> None:
        if self._busy():
            return
        try:
            self._running = subprocess.Popen(
                self._words,
                env={**self._environment, **_told(sounding)},
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
        except OSError as error:
            what = error.strerror or str(error)
            raise self._failure(f"{self._words[0]} can't be run: {what}") from error
        self._end_by_s = self._clock.now_s() + LONGEST_TONE_S

    def off(self) -> None:
        """A program ends by itself; see how the last one did."""
        self._busy()

    def silence(self) -> None:
        running, self._running = self._running, None
        if running is not None and running.poll() is None:
            end(running)

    def describe(self) -> str:
        return f"sounder by {self._words[0]}"

    def close(self) -> None:
        self.silence()

    def _busy(self) -> bool:
        """Whether the last tone is still being made. Raises `DeliveryError` if it failed."""
        running = self._running
        if running is None:
            return False
        code = running.poll()
        if code is None and self._clock.now_s() < self._end_by_s:
            return True
        self._running = None
        if code is None:
            end(running)
            raise self._failure(f"{self._words[0]} didn't end within {LONGEST_TONE_S:g} s")
        if code != 0:
            raise self._failure(f"{self._words[0]} failed with exit status {code}")
        return False

    def _failure(self, reason: str) -> DeliveryError:
        return DeliveryError("sounder", reason, retry=True)


def _told(sounding: Sounding) -> dict[str, str]:
    if sounding is Sounding.TEST:  # what is tried is the sound of a fire
        return {"STILLAIR_SOUND": Sounding.FIRE.value, "STILLAIR_TEST": "1"}
    return {"STILLAIR_SOUND": sounding.value}


def end(running: subprocess.Popen[bytes]) -> None:
    """End a program and all it has started: asked first, then made to."""
    for number in (signal.SIGTERM, signal.SIGKILL):
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(running.pid, number)
        with contextlib.suppress(subprocess.TimeoutExpired):
            running.wait(_END_S)
            return
