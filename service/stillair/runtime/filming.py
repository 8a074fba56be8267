"""Films that wait to be made, danger first; one at a time, by a program that nobody waits for."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

from stillair.clock import Clock
from stillair.errors import StoreError
from stillair.media import clips
from stillair.media.clips import Made, Wanted
from stillair.media.cutting import FILMED
from stillair.media.films import FilmFiles
from stillair.media.moments import is_danger
from stillair.media.spool import Spool
from stillair.storage import clips as rows
from stillair.storage.clips import Clip

WAITING = 64  # more have no film
TRIES = 3
TRY_AGAIN_S = 30.0
NO_PICTURES = "No picture came."
NO_ROOM = "Too many others waited to be made."
DANGERS = frozenset(kind.value for kind in FILMED if is_danger(kind))
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


class FilmQueue:
    """Films whose pictures have all come, until each is there or can't be.

    Parameters
    ----------
    files : FilmFiles
    keep_row : keeps what is known of a film, unless it was erased
    is_erased : whether a film was erased meanwhile
    clock : the machine's
    """

    def __init__(
        self,
        files: FilmFiles,
        keep_row: Callable[[Clip], None],
        is_erased: Callable[[str], bool],
        clock: Clock,
    ) -> None:
        self._files = files
        self._keep_row = keep_row
        self._is_erased = is_erased
        self._clock = clock
        self._maker = FilmMaker(clock)
        self._films: dict[str, Clip] = {}
        self._tries: dict[str, int] = {}
        self._not_before_s = -math.inf
        self.lost = 0  # films there are not, though there was something to see

    @property
    def ids(self) -> set[str]:
        """Those that wait."""
        return set(self._films)

    @property
    def making(self) -> str:
        """The one that is being made, or ""."""
        return self._maker.making

    def stop(self) -> None:
        """Make no more."""
        self._maker.stop()

    def put(self, clip: Clip, spool: Spool, why_none: str = NO_PICTURES) -> None:
        """Have a film made in its turn, or say why there is none. Raises `StoreError`."""
        if self._is_erased(clip.id):
            self._files.remove(clip.id)
            return
        if not spool.count:
            self._give_up(clip, why_none, paused=bool(clip.paused))
            return
        self._films[clip.id] = clip
        if len(self._films) > WAITING:
            last = min(self._films.values(), key=_turn)
            self._give_up(last, NO_ROOM)
        if clip.id in self._films:
            self._keep_row(clip)

    def looks_again(self, clip_id: str, over_s: float) -> None:
        """The pause is over that ended a film."""
        if clip_id in self._films:
            self._films[clip_id] = rows.looks_again(self._films[clip_id], over_s)

    def go_on(self, wanted: Callable[[Clip], Wanted]) -> Clip | None:
        """See what has become of the film being made, and begin the next.

        Returns one that is there now. Raises `StoreError`.
        """
        clip = self._films.get(self._maker.making)
        try:
            made = self._maker.made()
            if made is not None and clip is not None:
                self._films[clip.id] = replace(
                    clip,
                    state=rows.KEPT,
                    start_s=made.start_s,
                    end_s=made.end_s,
                    length_s=made.length_s,
                    size_bytes=made.size_bytes,
                )
            if self._maker.making or self._clock.now_s() < self._not_before_s:
                return None
            for each in [each for each in self._films if self._is_erased(each)]:
                self._done(each)
                self._files.remove(each)
            if not self._films:
                return None
            clip = max(self._films.values(), key=_turn)
            if clip.state == rows.KEPT:
                return self._noted(clip)
            self._files.need_room(danger=_is_danger(clip))
            self._maker.begin(clip.id, wanted(clip))
        except NotMade as error:
            if clip is None:
                return None
            tried = self._tries[clip.id] = self._tries.get(clip.id, 0) + 1
            self._not_before_s = self._clock.now_s() + TRY_AGAIN_S
            if error.again and tried < TRIES:
                raise StoreError(f"a film could not be made: {error.reason}") from None
            self._give_up(clip, sentence(f"it could not be made: {error.reason}"))
        except StoreError:
            self._not_before_s = self._clock.now_s() + TRY_AGAIN_S
            raise
        return None

    def _noted(self, clip: Clip) -> Clip:
        """A film is there: its row, and its pictures go. If that fails it is noted later."""
        self._keep_row(clip)
        self._done(clip.id)
        if self._is_erased(clip.id):
            self._files.remove(clip.id)
        else:
            self._files.spool(clip.id).remove()
        return clip

    def _give_up(self, clip: Clip, why: str, *, paused: bool = False) -> None:
        """There is no film of it, and the row says why."""
        self._done(clip.id)
        self._files.remove(clip.id)
        self.lost += clip.part == rows.CLIP and why != NO_PICTURES and not paused
        self._keep_row(replace(clip, state=rows.PAUSED if paused else rows.LOST, why=why))

    def _done(self, clip_id: str) -> None:
        self._films.pop(clip_id, None)
        self._tries.pop(clip_id, None)


def sentence(reason: str) -> str:
    """A reason as a sentence of its own."""
    return f"{reason[:1].upper()}{reason[1:]}."


def _is_danger(clip: Clip) -> bool:
    return any(shown.kind in DANGERS for shown in clip.shown)


def _turn(clip: Clip) -> tuple[bool, bool, bool, float]:
    """Whose turn it is first: the largest. Those made, danger, events, then the oldest."""
    made, event = clip.state == rows.KEPT, clip.part == rows.CLIP
    return made, _is_danger(clip), event, -clip.timeline.epoch_s(clip.end_s)
