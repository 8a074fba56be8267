"""A program that writes motion JPEG on its standard output, for cameras that need their maker's.

The program runs without a shell, in a process group of its own that ends with
the camera. What it says on standard error is kept, the last 2 KiB of it, to
tell why there is no picture.
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import shlex
import signal
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

from stillair.clock import SystemClock
from stillair.errors import CameraError
from stillair.sensing.cameras import TIMEOUT_S, Lease, Tap
from stillair.sensing.protocols import Frame

if TYPE_CHECKING:
    from stillair.clock import Clock

READ_BYTES = 2**18
WAIT_S = 0.2  # how soon a reader that waits sees that the camera was closed
TAIL_BYTES = 2048
REASON_LETTERS = 160
ENDING_S = 0.3  # between asking the program to end and ending it

_MACHINE = SystemClock()  # a program runs in the machine's time, at whatever speed a chamber runs
_SECRET_IN_ADDRESS = re.compile(r"(?<=//)[^\s/@]*@|\?\S+")


class CommandCamera:
    """The camera behind `command`, split into words as a shell would, but run without one.

    Raises `CameraError` (`retry` False) when there are no words in it.
    """

    def __init__(
        self, command: str, clock: Clock, *, frames_per_s: float, timeout_s: float = TIMEOUT_S
    ) -> None:
        try:
            self._words = shlex.split(command)
        except ValueError:
            raise CameraError("command", "a quotation mark is not closed", retry=False) from None
        if not self._words:
            raise CameraError("command", "names no program", retry=False)
        self.source = f"command:{Path(self._words[0]).name}"
        self._clock = clock
        self._timeout_s = timeout_s
        self._frames_per_s = frames_per_s
        self._running: _Running | None = None
        self._number = 0

    def open(self) -> None:
        self.close()
        try:
            self._running = _Running(self._words, self.source, self._frames_per_s)
        except FileNotFoundError:
            reason, remedy = "there is no such program", "install it, or write its whole path"
            raise CameraError(self.source, reason, retry=False, remedy=remedy) from None
        except PermissionError:
            reason, remedy = "may not be run by this user", "let this user execute the program"
            raise CameraError(self.source, reason, retry=False, remedy=remedy) from None
        except (OSError, ValueError) as error:
            reason = f"can't be started ({getattr(error, 'strerror', None) or 'bad argument'})"
            raise CameraError(self.source, reason, retry=True) from None

    def grab(self) -> Frame:
        running = self._running
        if running is None:
            raise CameraError(self.source, "not open", retry=True)
        with running.lease:
            jpeg = self._newest(running)
        self._number += 1
        return Frame(self._clock.now_s(), self._number, jpeg=jpeg)

    def describe(self) -> str:
        return f"motion JPEG of the program {self._words[0]}"

    def close(self) -> None:
        running, self._running = self._running, None
        if running is not None:
            running.end()

    def _newest(self, running: _Running) -> bytes:
        give_up_s = _MACHINE.now_s() + self._timeout_s
        while not running.ending:
            data = running.read(WAIT_S)
            now_s = _MACHINE.now_s()
            jpeg = None
            if data:
                jpeg = running.tap.take(data, running.more, now_s)
            elif data is not None:
                jpeg = running.tap.rest()
            if jpeg is not None:
                return jpeg
            if data == b"":
                raise CameraError(self.source, running.how_it_ended(), retry=True)
            if running.tap.fruitless:
                reason = "writes data, but no picture" + running.last_words()
                raise CameraError(self.source, reason, retry=True)
            if now_s >= give_up_s:
                reason = f"runs, but no picture for {self._timeout_s:.0f} s"
                raise CameraError(self.source, reason + running.last_words(), retry=True)
        raise CameraError(self.source, "closed", retry=True)


class _Running:
    """The program and its two pipes."""

    def __init__(self, words: list[str], source: str, frames_per_s: float) -> None:
        self._process = subprocess.Popen(
            words,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            bufsize=0,
            start_new_session=True,
        )
        assert self._process.stdout is not None
        assert self._process.stderr is not None
        self._pictures, self._complaints = self._process.stdout, self._process.stderr
        self._out, self._err = self._pictures.fileno(), self._complaints.fileno()
        self._poll = select.poll()
        for pipe in (self._out, self._err):
            os.set_blocking(pipe, False)
            self._poll.register(pipe, select.POLLIN)
        self._tail = b""
        self.lease = Lease(source, self._free)
        self.tap = Tap(frames_per_s)
        self.ending = False

    def read(self, timeout_s: float) -> bytes | None:
        """What came on standard output; None where only the time passed or words came."""
        ready = [pipe for pipe, _ in self._poll.poll(timeout_s * 1000.0)]
        if self._err in ready:
            self._listen()
        if self._out in ready:
            with contextlib.suppress(BlockingIOError):
                return os.read(self._out, READ_BYTES)
        return None

    def more(self) -> bool:
        return any(pipe == self._out for pipe, _ in self._poll.poll(0))

    def last_words(self) -> str:
        """The last line of standard error as a clause in brackets, without addresses' secrets."""
        lines = self._tail.decode("utf-8", "replace").split("\n")
        said = [line.strip() for line in lines if line.strip()]
        if not said:
            return ""
        plain = "".join(c if c.isprintable() else " " for c in said[-1])
        return f" ({_SECRET_IN_ADDRESS.sub('', plain)[-REASON_LETTERS:]})"

    def how_it_ended(self) -> str:
        try:
            status = self._process.wait(ENDING_S)
        except subprocess.TimeoutExpired:
            return "closed its standard output" + self.last_words()
        self._listen()
        if status < 0:
            return f"was ended by signal {-status}" + self.last_words()
        return f"ended with exit status {status}" + self.last_words()

    def end(self) -> None:
        """End the program and whatever it started, from any thread; a waiting reader is woken."""
        self.ending = True
        self._signal(signal.SIGTERM)
        self.lease.end()

    def _free(self) -> None:
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(ENDING_S)
        self._signal(signal.SIGKILL)
        self._process.wait()
        self._pictures.close()
        self._complaints.close()

    def _listen(self) -> bool:
        """Take what came on standard error; False at its end or where nothing waits."""
        try:
            words = os.read(self._err, READ_BYTES)
        except BlockingIOError:
            return False
        if not words:
            with contextlib.suppress(KeyError):  # seen before
                self._poll.unregister(self._err)
            return False
        self._tail = (self._tail + words)[-TAIL_BYTES:]
        return True

    def _signal(self, number: signal.Signals) -> None:
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(self._process.pid, number)
