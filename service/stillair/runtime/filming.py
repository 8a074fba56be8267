"""One film at a time, made by a program of its own; asked now and then, never waited for."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from contextlib import suppress

from stillair.clock import Clock
from stillair.media import clips
from stillair.media.clips import Made, Wanted

PATIENCE_S = 1800.0  # ten minutes of film on the slowest board, which does other things first
STOP_S = 1.0


class NotMade(Exception):
    """There is no film; `again` says if trying once more can help."""

    def __init__(self, reason: str, *, again: bool) -> None:
        super().__init__(reason)
        self.reason = reason
        self.again = again


class FilmMaker:
    """Start the program, and know when it has done."""

    def __init__(self, clock: Clock, patience_s: float = PATIENCE_S) -> None:
        self._clock = clock
        self._patience_s = patience_s
        self._process: subprocess.Popen[str] | None = None
        self._give_up_s = 0.0
        self.making = ""  # the id of the film that is being made

    def begin(self, clip_id: str, wanted: Wanted) -> None:
        """Have a film made. Raises `NotMade` where that can't be begun."""
        try:
            self._process = process = subprocess.Popen(
                [sys.executable, "-m", clips.__name__],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                env=os.environ | clips.ENVIRONMENT,
            )
        except OSError as error:
            raise NotMade(f"the program can't be started: {error.strerror}", again=True) from None
        self.making = clip_id
        self._give_up_s = self._clock.now_s() + self._patience_s
        assert process.stdin is not None
        with suppress(OSError):  # it has ended already, and its status says how
            process.stdin.write(wanted.question())  # less than a pipe holds
            process.stdin.close()

    def made(self) -> Made | None:
        """The film once it is there, None before. Raises `NotMade` where it won't be."""
        process = self._process
        if process is None:
            return None
        status = process.poll()
        if status is None:
            if self._clock.now_s() < self._give_up_s:
                return None
            self.stop()
            raise NotMade("it took too long", again=False)
        assert process.stdout is not None
        with process.stdout as told:
            answer = told.read()
        self._process, self.making = None, ""
        if status:
            raise NotMade(f"the program that makes it ended with {status}", again=True)
        return _understood(answer)

    def stop(self) -> None:
        """Give up what is being made; harmless twice."""
        process, self._process, self.making = self._process, None, ""
        if process is None:
            return
        process.kill()
        with suppress(subprocess.TimeoutExpired):
            process.wait(STOP_S)
        if process.stdout is not None:
            process.stdout.close()


def _understood(answer: str) -> Made:
    try:
        told = json.loads(answer)
        if "refused" in told:
            raise NotMade(str(told["refused"]), again=False)
        if "disk" in told:
            raise NotMade(f"the disk takes no more: {told['disk']}", again=True)
        return Made(**told)
    except (ValueError, TypeError):
        raise NotMade("the program that makes it can't be understood", again=True) from None
