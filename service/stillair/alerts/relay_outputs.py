"""What may let the machine run and stop it: a pin of the board, or a program."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
from collections.abc import Mapping
from typing import Any, Literal

from stillair.alerts.outputs import end
from stillair.errors import DeliveryError

LONGEST_PROGRAM_S = 4.0  # one still running after this hangs and is ended


class GpioRelay:
    """A relay switched by a pin.

    By the usual wiring (`stops_when="low"`) the pin is high for as long as the machine may
    run. When the process ends, however it ends, the kernel lets the pin go and a resistor
    pulls it low: a dead board, a cut wire and a stopped service stop the machine as well.
    """

    def __init__(
        self, pin: int, *, stops_when: Literal["low", "high"] = "low", pin_factory: Any = None
    ) -> None:
        self._pin = pin
        self._cut_level = stops_when == "high"
        self._pin_factory = pin_factory
        self._device: Any = None

    def let_run(self) -> None:
        self._set(not self._cut_level)

    def cut(self) -> None:
        self._set(self._cut_level)

    def look(self, *, is_cut: bool) -> str:
        device = self._device
        level = self._cut_level if is_cut else not self._cut_level
        if device is None:
            raise self._failure("is not held")
        if bool(device.value) is not level:
            raise self._failure(f"is {_name(not level)} and should be {_name(level)}")
        return f"GPIO {self._pin} is {_name(level)}, as it should be"

    def describe(self) -> str:
        return f"GPIO {self._pin}"

    def close(self) -> None:
        device, self._device = self._device, None
        if device is not None:
            device.close()

    def _set(self, level: bool) -> None:
        if self._device is not None:
            self._device.value = level
            return
        from gpiozero import DigitalOutputDevice

        try:
            self._device = DigitalOutputDevice(
                self._pin, initial_value=level, pin_factory=self._pin_factory
            )
        except Exception as error:
            # gpiozero and the pin library below it raise errors of many families.
            raise self._failure(f"can't be switched: {error}") from error

    def _failure(self, reason: str) -> DeliveryError:
        return DeliveryError("stop", f"pin {self._pin} {reason}", retry=True)


class CommandRelay:
    """A program that switches the machine's supply; no shell is involved.

    It finds "run" or "stop" in STILLAIR_MACHINE and has to end within 4 s with status 0;
    until it does it is run again. A service that has died runs nothing.

    Raises `ValueError` for an empty or unclosed command line.
    """

    def __init__(self, command: str, *, environment: Mapping[str, str] | None = None) -> None:
        self._words = shlex.split(command)
        if not self._words:
            raise ValueError("the command that stops the machine is empty")
        self._environment = dict(os.environ if environment is None else environment)

    def let_run(self) -> None:
        self._do("run")

    def cut(self) -> None:
        self._do("stop")

    def look(self, *, is_cut: bool) -> str:
        if shutil.which(self._words[0]) is None:
            raise self._failure("is not there any more")
        return f'{self._words[0]} was run with "{"stop" if is_cut else "run"}" and ended well'

    def describe(self) -> str:
        return f"the program {self._words[0]}"

    def close(self) -> None:
        """Nothing is held, and the machine stays as it is."""

    def _do(self, word: str) -> None:
        try:
            program = subprocess.Popen(
                self._words,
                env={**self._environment, "STILLAIR_MACHINE": word},
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
        except OSError as error:
            raise self._failure(f"can't be run: {error.strerror or error}") from error
        try:
            code = program.wait(LONGEST_PROGRAM_S)
        except subprocess.TimeoutExpired:
            end(program)
            raise self._failure(f"didn't end within {LONGEST_PROGRAM_S:g} s") from None
        if code != 0:
            raise self._failure(f"failed with exit status {code}")

    def _failure(self, reason: str) -> DeliveryError:
        return DeliveryError("stop", f"{self._words[0]} {reason}", retry=True)


def _name(level: bool) -> str:
    return "high" if level else "low"
