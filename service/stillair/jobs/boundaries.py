"""Where a job that nobody announced began and ended: guessed from heat and motion.

Theory of operation. A machine that moves for minutes in a hot chamber builds something;
heating alone, or an axis that is moved by hand, is no job. So a job is taken to have
begun when, while it is hot, the camera has seen the machine move for five minutes of the
last ten. It began when the heat did, two hours before at most. Without a camera only a
chamber that has been warm and steady at its target for half an hour tells as much.

Only a job that was guessed ends by a guess: when the machine, seen to stand still for half
an hour though it is still hot, has had its end long ago, or when it stands still and its
heat has been gone for ten minutes. It ended with its last movement. Heat that goes while
the machine moves is lost heat, not an end; where nobody sees it move, an hour has to
pass, so that lost heat is told before anybody takes it for one.

Who puts in another spool or the next plate doesn't wait until the box is cold. So a
machine that works on while a job cools, fifteen of twenty minutes and in the heat, which
nobody does who only takes out the part, builds: the job that was guessed to have ended
goes on, and what lay between was a pause; after one that was said to be done it is a new
job.

All of it is a proposal that a person confirms, corrects, or erases.
"""

from __future__ import annotations

from dataclasses import dataclass

from stillair.model import AT_WORK, Job, JobPhase, Movement, Phase

MOVED_S, WITHIN_S = 300.0, 600.0
MOVED_AGAIN_S, AGAIN_WITHIN_S = 900.0, 1200.0
STEADY_S = 1800.0
LONGEST_HEAT_UP_S = 7200.0
COLD_S, COLD_UNSEEN_S = 600.0, 3600.0
STILL_S = 1800.0
_WARMING = frozenset({Phase.WARMING, Phase.SOAK, Phase.STEADY})


@dataclass(frozen=True, slots=True)
class Begun:
    """A job seems to have begun at `since_s`."""

    since_s: float


@dataclass(frozen=True, slots=True)
class Ended:
    """The job seems to have ended at `at_s`."""

    at_s: float


class Boundaries:
    """Guess where jobs begin and end."""

    def __init__(self) -> None:
        self._hot_since_s: float | None = None
        self._cold_since_s: float | None = None
        self._steady_since_s: float | None = None
        self._moved: list[tuple[float, float]] = []  # seconds of movement, as (from, to)
        self._last_moved_s: float | None = None
        self._ticked_s: float | None = None

    def tick(
        self,
        t_s: float,
        *,
        job: Job | None,
        hot: bool | None,
        movement: Movement | None,
        phase: Phase,
        has_target: bool,
    ) -> Begun | Ended | None:
        """Take a second; None for `hot` or of a movement where nobody can tell."""
        before_s, self._ticked_s = self._ticked_s, t_s
        moving = movement.moving if movement is not None else None
        self._follow_heat(t_s, hot, phase)
        self._follow_motion(before_s, t_s, moving)
        if job is not None and job.state in AT_WORK:
            return self._end_of(job, t_s, moving)
        if job is not None:  # it cools: what is hot is its own heat
            return self._begin_again(job, t_s, hot, movement)
        return self._begin(t_s, hot, movement, has_target=has_target)

    def _follow_heat(self, t_s: float, hot: bool | None, phase: Phase) -> None:
        if hot:
            self._cold_since_s = None
        elif hot is False and self._cold_since_s is None:
            self._cold_since_s = t_s
        if phase in _WARMING or hot:
            self._hot_since_s = t_s if self._hot_since_s is None else self._hot_since_s
        elif hot is False:
            self._hot_since_s = None
            self._moved = []
        if phase is Phase.STEADY:
            self._steady_since_s = t_s if self._steady_since_s is None else self._steady_since_s
        else:
            self._steady_since_s = None

    def _follow_motion(self, before_s: float | None, t_s: float, moving: bool | None) -> None:
        if moving is False and self._last_moved_s is None:
            self._last_moved_s = t_s  # it may have moved until it was first looked at
        if not moving:
            return
        self._last_moved_s = t_s
        if before_s is not None and t_s - before_s <= 2.0:
            if self._moved and self._moved[-1][1] == before_s:
                self._moved[-1] = (self._moved[-1][0], t_s)
            else:
                self._moved.append((before_s, t_s))
        self._moved = [(a, b) for a, b in self._moved if b > t_s - AGAIN_WITHIN_S]

    def _begin(
        self, t_s: float, hot: bool | None, movement: Movement | None, *, has_target: bool
    ) -> Begun | None:
        if not hot or self._hot_since_s is None:
            return None
        if movement is not None:
            if self._moved_s(t_s - WITHIN_S) < MOVED_S:
                return None
        else:
            since_s = self._steady_since_s
            if not has_target or since_s is None or t_s - since_s < STEADY_S:
                return None
        self._moved = []
        return Begun(max(self._hot_since_s, t_s - LONGEST_HEAT_UP_S))

    def _begin_again(
        self, job: Job, t_s: float, hot: bool | None, movement: Movement | None
    ) -> Begun | None:
        if not hot or movement is None:
            self._moved = []
            return None
        since_s = max(job.finished_s or 0.0, t_s - AGAIN_WITHIN_S)
        if self._moved_s(since_s) < MOVED_AGAIN_S:
            return None
        began_s = next(max(a, since_s) for a, b in self._moved if b > since_s)
        self._moved = []
        return Begun(began_s)

    def _moved_s(self, since_s: float) -> float:
        """For how long it was seen to move since then."""
        return sum(max(b - max(a, since_s), 0.0) for a, b in self._moved)

    def _end_of(self, job: Job, t_s: float, moving: bool | None) -> Ended | None:
        if not job.guessed or job.state is JobPhase.PAUSED or moving:
            return None
        still_since_s = self._last_moved_s
        if moving is False and still_since_s is not None and t_s - still_since_s >= STILL_S:
            return Ended(max(still_since_s, job.started_s))
        cold_s = COLD_UNSEEN_S if moving is None else COLD_S
        if self._cold_since_s is not None and t_s - self._cold_since_s >= cold_s:
            known_s = self._cold_since_s if still_since_s is None else still_since_s
            return Ended(max(min(known_s, self._cold_since_s), job.started_s))
        return None
