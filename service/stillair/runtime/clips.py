"""Films of events and of jobs, kept by a thread of its own that nothing waits for.

    watch's thread -> Clips.happened -> what is due
    this thread    -> pictures from the ring into a file, as they come
                   -> a program of its own makes a film of them, danger first
                   -> rows; gives up old ones

Pictures go to the disk while they come: so a film of ten minutes takes no memory, and
one is made even if the computer died in the middle of it, of what had come until then.
A disk that is full loses films and nothing else, and that is told. While the camera is
paused nothing is taken; a film that was under way ends there and says so.
"""

from __future__ import annotations

import logging
import math
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from stillair.clock import Clock
from stillair.errors import StoreError
from stillair.media.clips import CAPTIONS, Wanted
from stillair.media.cutting import FILMED, Cut, Cutter
from stillair.media.files import new_id
from stillair.media.films import FilmFiles
from stillair.media.moments import Held, given_up
from stillair.media.ring import EVERY_S
from stillair.media.spool import Spool
from stillair.model import Change, EventChange, Outcome
from stillair.runtime.filming import DANGERS, NO_PICTURES, TRY_AGAIN_S, FilmQueue, sentence
from stillair.runtime.keeper import Keeper
from stillair.runtime.lapsing import Eye, Lapse
from stillair.storage import clips as rows
from stillair.storage.clips import Clip, Shown
from stillair.storage.journal import Journal

log = logging.getLogger(__name__)

POLL_S = 0.5  # a ring reaches 4 s further back than a film begins
WAITING = 64  # events that may wait to be begun
LATE_S = 3.0  # so long after its end a film waits for a picture of then
SPARSER_BYTES = 24 * 2**20  # with each so many its pictures lie twice as far apart
TIDY_S = 3600.0
DAY_S = 86_400.0
MOST_PAUSES = 50
RESTARTED = "It ends where the service was stopped."


@dataclass(slots=True)
class _Take:
    """A film whose pictures are still coming."""

    cut: Cut
    clip: Clip
    spool: Spool
    why_none: str = NO_PICTURES


@dataclass(slots=True)
class _Roll:
    """What becomes of one chamber's pictures."""

    eye: Eye
    lapse: Lapse
    cutter: Cutter = field(default_factory=Cutter)
    take: _Take | None = None
    paused_s: float | None = None  # since when the camera is
    ended: list[str] = field(default_factory=list)  # films that ended with that pause


class Clips(Keeper):
    """Keep films of events and of jobs.

    Parameters
    ----------
    files : FilmFiles
    journal : has the rows; only this object's thread writes them
    clock : the machine's
    on_trouble : told (True, reason) when films can't be kept, (False, "") when they can again
    """

    def __init__(
        self,
        files: FilmFiles,
        journal: Journal,
        *,
        clock: Clock,
        on_trouble: Callable[[bool, str], None],
    ) -> None:
        super().__init__("films")
        self._files = files
        self._journal = journal
        self._clock = clock
        self._on_trouble = on_trouble
        self._queue = FilmQueue(files, self._keep_row, self._is_erased, clock)
        self._rolls: dict[str, _Roll] = {}
        # The lock guards what follows.
        self._told: deque[tuple[str, EventChange]] = deque()
        self._paused_s: dict[str, float] = {}  # chambers whose pause nobody has seen yet
        self._erased: set[str] = set()
        self._lost = 0
        self._failing = ""  # of this thread alone, as what follows
        self._tried_s = -math.inf
        self._tidied_s = -math.inf

    def watch(self, eye: Eye) -> None:
        """Take in a chamber's camera, before `start`."""
        self._rolls[eye.key] = _Roll(eye, Lapse(eye, self._files, self._keep_row, self._forget_row))

    @property
    def lost(self) -> int:
        """How many films there are not, though there was something to see."""
        return self._lost + self._queue.lost

    def path(self, clip_id: str) -> Path:
        """Where the file of a film is. Raises `StoreError`."""
        return self._files.film(clip_id)

    def happened(self, key: str, outcome: Outcome) -> None:
        """Take what a watch has concluded; never blocks, never raises."""
        if key not in self._rolls:
            return
        for change in outcome.events:
            if change.change is Change.RAISED and change.kind in FILMED:
                with self._changed:
                    if len(self._told) >= WAITING:
                        self._lost += 1
                        continue
                    self._told.append((key, change))
                    self._changed.notify_all()

    def pause(self, key: str) -> None:
        """The camera looks away from now on; never blocks."""
        roll = self._rolls.get(key)
        if roll is not None:
            now_s, _ = roll.eye.now()
            with self._changed:
                self._paused_s.setdefault(key, now_s)
                self._changed.notify_all()

    def erase(self, ids: Iterable[str]) -> None:
        """Remove the files of films whose rows go with them. Raises `StoreError`."""
        for clip_id in ids:
            with self._changed:
                self._erased.add(clip_id)
            self._files.remove(clip_id)

    def brought_in(self) -> None:
        """Others came: have each chamber keep to what it wants of them; never blocks."""
        with self._changed:
            self._tidied_s = -math.inf
            self._changed.notify_all()

    def _is_erased(self, clip_id: str) -> bool:
        with self._changed:
            return clip_id in self._erased

    # --- the thread ----------------------------------------------------------------

    def _run(self) -> None:
        taken_up = self._guarded(self._take_up)
        while True:
            with self._changed:
                self._changed.wait_for(
                    lambda: self._told or self._paused_s or self._stopping, POLL_S
                )
                told = list(self._told)
                self._told.clear()
                paused, self._paused_s = self._paused_s, {}
                stopping = self._stopping
            if not taken_up:
                taken_up = self._due() and self._guarded(self._take_up)
            for key, change in told:
                self._guarded(partial(self._begin, self._rolls[key], change))
            for key, roll in self._rolls.items():
                self._guarded(partial(self._go_on, roll, paused.get(key)))
            if stopping:
                for roll in self._rolls.values():
                    self._guarded(roll.lapse.flush)
                self._queue.stop()
                return
            self._guarded(self._make)
            if self._clock.now_s() - self._tidied_s >= TIDY_S and taken_up:
                self._tidied_s = self._clock.now_s()
                self._guarded(self._tidy)
            if self._failing and self._due():
                self._guarded(self._try_again)

    def _due(self) -> bool:
        """Whether it is time to try again what failed."""
        if self._clock.now_s() - self._tried_s < TRY_AGAIN_S:
            return False
        self._tried_s = self._clock.now_s()
        return True

    def _guarded(self, action: Callable[[], object]) -> bool:
        """Do something; a store that fails, or a defect, costs a film and is told."""
        try:
            action()
        except StoreError as error:
            self._tell(str(error))
        except Exception as error:
            log.exception("a film was not kept")
            self._tell(f"keeping films failed: {type(error).__name__}")
        else:
            return True
        return False

    def _tell(self, reason: str) -> None:
        """Tell what keeps films from being kept; "": nothing any more."""
        if reason:
            self._tried_s = self._clock.now_s()
        if bool(reason) is bool(self._failing):
            return
        self._failing = reason
        self._on_trouble(bool(reason), reason)

    def _try_again(self) -> None:
        """Whether films could be kept again: the next event may be days off."""
        self._files.need_room(danger=False)
        rows.unfinished(self._journal)
        self._tell("")

    def _keep_row(self, clip: Clip) -> None:
        """Keep what is known of a film, with the clock's newest label. Raises `StoreError`."""
        rows.put(self._journal, self._labelled(clip), self._is_erased)

    def _forget_row(self, clip: Clip) -> None:
        rows.remove(self._journal, [clip.id])

    def _labelled(self, clip: Clip) -> Clip:
        roll = self._rolls.get(clip.chamber)
        if roll is None:
            return clip
        _, now = roll.eye.now()
        same_boot = now.boot_id == clip.timeline.boot_id
        return replace(clip, timeline=now) if same_boot else clip

    def _take_up(self) -> None:
        """Go on with what was under way at the last stop."""
        left = [clip for clip in rows.unfinished(self._journal) if clip.id not in self._under_way()]
        for clip in left:
            roll = self._rolls.get(clip.chamber)
            if clip.part == rows.TIME_LAPSE and roll is not None:
                roll.lapse.take_up(clip)
                continue
            spool = self._files.spool(clip.id)
            end_s = min(clip.end_s, spool.last_s + EVERY_S) if spool.count else clip.end_s
            cut_off = end_s < clip.end_s - EVERY_S or not spool.count
            why = RESTARTED if cut_off else clip.why
            self._queue.put(replace(clip, end_s=end_s, why=why), spool)
        self._sweep()

    def _under_way(self) -> set[str]:
        """The films that are not there yet, whether their rows could be kept or not."""
        found = {clip_id for roll in self._rolls.values() for clip_id in roll.lapse.ids}
        found |= {roll.take.clip.id for roll in self._rolls.values() if roll.take is not None}
        return found | self._queue.ids

    # --- films of events -------------------------------------------------------------

    def _begin(self, roll: _Roll, change: EventChange) -> None:
        """Have an event in a film."""
        if not roll.eye.wanted.events:
            return
        cut = roll.cutter.happened(change.event, change.kind, change.at_s, change.job)
        take = roll.take
        if cut is None:
            return
        if take is None or cut is not take.cut:
            if take is not None:
                self._guarded(partial(self._take, roll.eye, take))
                self._guarded(partial(self._end, roll, take))
            _, timeline = roll.eye.now()
            paused = () if roll.paused_s is None else ((roll.paused_s, None),)
            clip = Clip(
                id=new_id(),
                chamber=roll.eye.key,
                part=rows.CLIP,
                state=rows.MAKING,
                timeline=timeline,
                start_s=cut.from_s,
                end_s=cut.to_s,
                origin=roll.eye.origin,
                job=cut.job,
                paused=paused,
            )
            roll.take = take = _Take(cut, clip, self._files.spool(clip.id))
        take.clip = replace(
            take.clip,
            end_s=cut.to_s,
            kind=cut.kind,
            shown=tuple(Shown(m.event, m.kind, m.at_s) for m in cut.moments),
        )
        self._keep_row(take.clip)

    def _go_on(self, roll: _Roll, paused_s: float | None) -> None:
        """Take the pictures that have come, and see to what begins or ends."""
        now_s, timeline = roll.eye.now()
        paused = roll.eye.is_paused()
        if roll.paused_s is None and (paused or paused_s is not None):
            self._pause(roll, now_s if paused_s is None else paused_s)
        if roll.paused_s is not None and not paused:
            self._pause_over(roll, now_s)
        take = roll.take
        if take is not None:
            self._guarded(partial(self._take, roll.eye, take))
            newest_s = roll.eye.ring.newest_s()
            if now_s > take.cut.to_s + LATE_S or newest_s > take.cut.to_s:
                self._guarded(partial(self._end, roll, take))
        if roll.lapse.id and self._is_erased(roll.lapse.id):
            self._files.remove(roll.lapse.id)  # a picture may have come after it was
            roll.lapse.forget()
        known, job = roll.eye.job()
        if known:
            for clip in roll.lapse.go_on(job, now_s, timeline, paused=paused):
                self._queue.put(clip, self._files.spool(clip.id))

    def _take(self, eye: Eye, take: _Take) -> None:
        """Keep what came since the last time; what can't be kept is in the ring for a while."""
        spool = take.spool
        sparse_s = EVERY_S * 2.0 ** (spool.size_bytes // SPARSER_BYTES)
        last_s = spool.last_s
        chosen = []
        if not spool.count:  # the one that was the newest as the film begins
            chosen = eye.ring.shots(to_s=take.cut.from_s)[-1:]
            last_s = chosen[0].t_s if chosen else last_s
        for shot in eye.ring.shots(max(take.cut.from_s, last_s), take.cut.to_s):
            if shot.t_s - last_s >= 0.8 * sparse_s:
                chosen.append(shot)
                last_s = shot.t_s
        if chosen and not self._is_erased(take.clip.id):
            try:
                self._files.need_room(danger=take.cut.danger)
                spool.append(chosen)
            except StoreError as error:
                take.why_none = sentence(str(error))
                raise

    def _end(self, roll: _Roll, take: _Take) -> None:
        """All pictures of a film have come: have it made."""
        roll.take = None
        if roll.cutter.open is take.cut:
            roll.cutter.open = None
        self._queue.put(replace(take.clip, end_s=take.cut.to_s), take.spool, take.why_none)

    def _pause(self, roll: _Roll, since_s: float) -> None:
        """Somebody wants no picture from now on: what has some ends with it, and says so."""
        roll.paused_s = since_s
        self._guarded(partial(roll.lapse.paused, since_s))
        take = roll.take
        if take is None:
            return
        take.clip = replace(take.clip, paused=(*take.clip.paused, (since_s, None))[-MOST_PAUSES:])
        if take.spool.count:
            take.cut.to_s = min(take.cut.to_s, since_s)
            roll.ended.append(take.clip.id)
            self._end(roll, take)

    def _pause_over(self, roll: _Roll, now_s: float) -> None:
        roll.paused_s = None
        self._guarded(partial(roll.lapse.pause_over, now_s))
        if roll.take is not None:
            roll.take.clip = rows.looks_again(roll.take.clip, now_s)
        ended, roll.ended = roll.ended, []
        for clip_id in ended:
            self._queue.looks_again(clip_id, now_s)
            rows.pause_over(self._journal, clip_id, now_s)

    # --- made, and given up ------------------------------------------------------------

    def _make(self) -> None:
        """See what has become of the film being made, and begin the next."""
        made = self._queue.go_on(self._wanted)
        if made is not None:
            self._tell("")
            self._give_up(made.chamber)

    def _wanted(self, clip: Clip) -> Wanted:
        roll = self._rolls.get(clip.chamber)
        return Wanted(
            spool=str(self._files.spool_path(clip.id)),
            to=str(self._files.film(clip.id)),
            part=clip.part,
            start_s=clip.start_s,
            end_s=clip.end_s,
            zero_s=self._labelled(clip).timeline.wall_at_zero_s,
            zone=None if roll is None else roll.eye.zone,
            word=CAPTIONS.get(clip.origin, ""),
            paused=clip.paused,
        )

    def _give_up(self, key: str) -> None:
        """Remove what is too much of a chamber: small matters by age, danger last."""
        roll = self._rolls.get(key)
        if roll is None:
            return
        held = [
            Held(row.id, row.number, row.size_bytes, row.event, row.kind in DANGERS)
            for row in rows.sizes(self._journal)
            if row.chamber == key and row.state == rows.KEPT
        ]
        self._remove(given_up(held, roll.eye.wanted.keep_mb * 10**6))

    def _tidy(self) -> None:
        """Remove what is too old, and what nobody knows of."""
        known = rows.sizes(self._journal)
        now_us = self._clock.wall().timestamp() * 1e6
        for key, roll in self._rolls.items():
            oldest_us = now_us - roll.eye.wanted.keep_days * DAY_S * 1e6
            self._remove(
                row.id
                for row in known
                if row.chamber == key
                and row.state != rows.MAKING
                and row.kind not in DANGERS
                and row.at_us < oldest_us
            )
            self._give_up(key)
        self._sweep()

    def _sweep(self) -> None:
        def known() -> set[str]:
            return {row.id for row in rows.sizes(self._journal)} | self._under_way()

        self._files.sweep(known, self._queue.making)

    def _remove(self, ids: Iterable[str]) -> None:
        old = list(ids)
        if old:
            rows.remove(self._journal, old)
            for clip_id in old:
                self._files.remove(clip_id)
