"""One chamber's time-lapse while its job is at work: few pictures, through restarts too."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from stillair.config.settings import ClipsTable
from stillair.media.clips import FEWEST
from stillair.media.cutting import Spacing
from stillair.media.files import new_id
from stillair.media.films import FilmFiles
from stillair.media.marking import shrunk
from stillair.media.ring import FrameRing, Shot
from stillair.media.spool import Spool
from stillair.model import Job, Timeline
from stillair.storage import clips as rows
from stillair.storage.clips import Clip

LARGE_BYTES = 20_000  # a picture of a time-lapse is made smaller then
QUALITY = 60  # of one that is
HELD_S = 45.0  # pictures wait in memory, and go to the disk together: a sync a minute at most
MOST_PAUSES = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Eye:
    """A chamber's camera as far as films go; what is called answers at once.

    `job` gives the job at work and whether that is known yet; `now` the chamber's second.
    """

    key: str
    origin: str
    zone: str | None
    ring: FrameRing
    wanted: ClipsTable
    now: Callable[[], tuple[float, Timeline]]
    is_paused: Callable[[], bool]
    job: Callable[[], tuple[bool, Job | None]]


class Lapse:
    """Take a picture now and then of the job at work; every method raises `StoreError`.

    A kill costs those of the last minute.
    """

    def __init__(
        self,
        eye: Eye,
        files: FilmFiles,
        keep_row: Callable[[Clip], None],
        forget_row: Callable[[Clip], object],
    ) -> None:
        self._eye = eye
        self._forget_row = forget_row
        self._files = files
        self._keep_row = keep_row
        self._left: list[Clip] = []  # from before a restart, whose job may be at work yet
        self._clip: Clip | None = None
        self._spool: Spool | None = None
        self._spacing = Spacing()
        self._held: list[Shot] = []  # not on the disk yet

    @property
    def id(self) -> str:
        """The film that is under way, or ""."""
        return "" if self._clip is None else self._clip.id

    @property
    def ids(self) -> set[str]:
        """That, and those that were under way at the last stop."""
        return {clip.id for clip in self._left} | ({self.id} - {""})

    def take_up(self, clip: Clip) -> None:
        """Know again one that was under way at the last stop."""
        self._left.append(clip)

    def forget(self) -> None:
        """Let go of the one under way: it was erased."""
        self._clip = self._spool = None
        self._held.clear()

    def go_on(
        self, job: Job | None, now_s: float, timeline: Timeline, *, paused: bool
    ) -> list[Clip]:
        """Take a picture if one is due; returns those whose job is over, to be made."""
        over: list[Clip] = []
        if self._clip is not None and (job is None or job.id != self._clip.job):
            over += self._ended(now_s, timeline)
        left, self._left = self._left, []
        for clip in left:
            if job is not None and clip.job == job.id and self._clip is None:
                self._resume(clip)
                if not paused:
                    self._over(_moved(clip, timeline, now_s))
                elif all(over_s is not None for _, over_s in clip.paused):
                    self.paused(now_s)  # it was stopped before that could be noted
            else:
                spool = self._files.spool(clip.id)
                over.append(replace(clip, end_s=max(clip.start_s, spool.last_s)))
        if job is not None and self._eye.wanted.time_lapse:
            if self._clip is None:
                self._begin(job, now_s, timeline, paused=paused)
            if not paused:
                self._take(job, timeline)
            if self._clip is not None and self._held:
                waited_s = _moved(self._clip, timeline, now_s) - self._held[0].t_s
                if not 0.0 <= waited_s < HELD_S:
                    self.flush()
        return [clip for clip in over if self._is_worth(clip)]

    def flush(self) -> None:
        """Bring all that was taken to the disk."""
        spool, held, self._held = self._spool, self._held, []
        if spool is None or not held:
            return
        self._files.need_room(danger=False)
        spool.append(held)

    def paused(self, since_s: float) -> None:
        """The camera looks away."""
        if self._clip is not None:
            _, timeline = self._eye.now()
            since_s = _moved(self._clip, timeline, since_s)
            pauses = (*self._clip.paused, (since_s, None))[-MOST_PAUSES:]
            self._note(replace(self._clip, paused=pauses))
        self.flush()

    def pause_over(self, now_s: float) -> None:
        """It looks again."""
        if self._clip is not None:
            _, timeline = self._eye.now()
            self._over(_moved(self._clip, timeline, now_s))

    def _over(self, over_s: float) -> None:
        assert self._clip is not None
        if any(end_s is None for _, end_s in self._clip.paused):
            self._note(rows.looks_again(self._clip, over_s))

    def _begin(self, job: Job, now_s: float, timeline: Timeline, *, paused: bool) -> None:
        clip = Clip(
            id=new_id(),
            chamber=self._eye.key,
            part=rows.TIME_LAPSE,
            state=rows.MAKING,
            timeline=timeline,
            start_s=now_s,
            end_s=now_s,
            origin=self._eye.origin,
            job=job.id,
            paused=((now_s, None),) if paused else (),
        )
        self._keep_row(clip)
        self._clip, self._spool = clip, self._files.spool(clip.id)
        self._spacing = Spacing(now_s)

    def _resume(self, clip: Clip) -> None:
        spool = self._files.spool(clip.id)
        self._clip, self._spool = clip, spool
        self._spacing = Spacing(clip.start_s, spool.last_s)

    def _take(self, job: Job, timeline: Timeline) -> None:
        clip, spool = self._clip, self._spool
        assert clip is not None and spool is not None
        ring = self._eye.ring
        newest = ring.nearest(ring.newest_s())
        if newest is None:
            return
        t_s = _moved(clip, timeline, newest.t_s)
        if t_s > spool.last_s and self._spacing.due(t_s, job.height_mm):
            jpeg = newest.jpeg
            if len(jpeg) > LARGE_BYTES:
                jpeg = shrunk(jpeg, QUALITY) or b""
            if jpeg:
                self._held.append(replace(newest, t_s=t_s, jpeg=jpeg))
                self._spacing.took(len(jpeg))

    def _ended(self, now_s: float, timeline: Timeline) -> list[Clip]:
        self.flush()
        clip, self._clip, self._spool = self._clip, None, None
        assert clip is not None
        return [replace(clip, end_s=max(clip.start_s, _moved(clip, timeline, now_s)))]

    def _is_worth(self, clip: Clip) -> bool:
        """Whether there is anything to be shown; of a job too short nothing is kept."""
        if self._files.spool(clip.id).count >= FEWEST or clip.paused:
            return True
        self._files.remove(clip.id)
        self._forget_row(clip)
        return False

    def _note(self, clip: Clip) -> None:
        self._clip = clip
        self._keep_row(clip)


def _moved(clip: Clip, timeline: Timeline, t_s: float) -> float:
    """An instant of now in the seconds of a film that may have been begun before a restart."""
    if timeline.boot_id == clip.timeline.boot_id:
        return t_s
    return timeline.epoch_s(t_s) - clip.timeline.wall_at_zero_s
