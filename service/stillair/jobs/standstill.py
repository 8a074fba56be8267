"""Whether the machine stands still though it should move: hot, and with a job that runs.

Theory of operation. The camera says whether it sees the machine move. What is not
seen is not still: while that can't be told nothing is raised and nothing ended, and
after a minute of it the stillness counts anew. A job that runs begins with a long
heat-up, so it is waited long for the first movement and shortly for each further one.
A height that the machine reports anew is movement as well. A pause that was announced,
a job that is over and a machine that has cooled may stand as they like.
"""

from __future__ import annotations

from collections.abc import Iterable

from stillair.model import Change, EventChange, Finding, Job, JobPhase, Kind, Movement, Phase

STILL_AFTER_S = 300.0
# Assumed: a large bed and the air of its box take an hour or more before the first move.
FIRST_MOVE_S = 7200.0
BLIND_S = 60.0
HOT_AIR_C, HOT_BED_C = 40.0, 45.0  # assumed: warmer than any room, and than a bed that is off
_AT_WORK = frozenset({Phase.WARMING, Phase.SOAK, Phase.STEADY})


def is_hot(phase: Phase, air_c: float | None, beds_c: Iterable[float | None]) -> bool | None:
    """Whether chamber or bed are hot; None where no sensor can tell."""
    known_c = [bed_c for bed_c in beds_c if bed_c is not None]
    if phase in _AT_WORK or any(bed_c >= HOT_BED_C for bed_c in known_c):
        return True
    return air_c >= HOT_AIR_C if air_c is not None else False if known_c else None


class StandStill:
    """Tell when a machine has stood still in a job for too long, and when it moves again.

    Parameters
    ----------
    still_after_s : float
        For how long it may, once it has moved in this job.
    """

    def __init__(self, still_after_s: float = STILL_AFTER_S) -> None:
        self._still_after_s = still_after_s
        self._job = ""
        self._moved = False  # in this job
        self._height_mm: float | None = None
        self._from_s = 0.0  # from when on stillness counts
        self._blind_since_s: float | None = None
        self.holds = False  # that it stood still too long when it was seen last

    def tick(
        self,
        t_s: float,
        job: Job | None,
        movement: Movement | None,
        *,
        hot: bool | None,
        event: EventChange | None,
    ) -> Iterable[Finding]:
        """Take a second; `event` is the standstill as it is told by now.

        `movement` and `hot` are None where nobody can tell.
        """
        idle = _why_idle(job, hot=hot)
        if job is None or idle:
            self._from_s, self.holds = t_s, False
            if event is not None:
                yield event.ended(t_s, idle)
            return
        height_mm = job.height_mm or None
        if job.id != self._job:
            self._job, self._moved, self._from_s = job.id, height_mm is not None, t_s
            self._height_mm = height_mm
        climbs, self._height_mm = height_mm not in (None, self._height_mm), height_mm
        self.holds = event is not None  # until it is seen to be over
        moving = True if climbs else movement.moving if movement and hot else None
        if moving is None:
            self._blind_since_s = t_s if self._blind_since_s is None else self._blind_since_s
            if t_s - self._blind_since_s >= BLIND_S:
                self._from_s = t_s
            return
        self._blind_since_s = None
        if moving:
            self._moved, self._from_s, self.holds = True, t_s, False
            if event is not None:
                moves_s = movement.since_s if movement and movement.moving else t_s
                end_s = min(max(moves_s, event.onset_s), t_s)
                yield _finding(Change.CLEARED, t_s, event.onset_s, end_s)
            return
        assert movement is not None
        still_s = t_s - max(self._from_s, movement.since_s)
        if event is None and still_s >= (self._still_after_s if self._moved else FIRST_MOVE_S):
            self.holds = True
            yield _finding(Change.RAISED, t_s, t_s - still_s)


def _why_idle(job: Job | None, *, hot: bool | None) -> str:
    """Why the machine may stand still; nothing where it should move."""
    if job is None or job.state in {JobPhase.COOLING, JobPhase.FINISHED}:
        return "the job is over"
    if job.state is JobPhase.PAUSED:
        return "the job is paused"
    return "it is no longer hot" if hot is False else ""


def _finding(change: Change, t_s: float, onset_s: float, end_s: float | None = None) -> Finding:
    return Finding(
        Kind.NO_MOTION, change, t_s, onset_s, ("camera",), {"cause": "clear"}, end_s=end_s
    )
