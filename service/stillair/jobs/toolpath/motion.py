"""How long moves take on a machine that plans ahead.

Each move is a trapezoid of speed: it begins at the speed with which the one before
ended, goes up at the acceleration in force, at most to its feed, and down to the
speed with which it ends. Those speeds at the corners are as high as can be: v2_k, the
square of the speed at corner k, is at most

    cap_k                                what the corner, and the moves beside it, allow
    v2_{k+1} + 2 a_k d_k                 so that it can be braked
    v2_{k-1} + 2 a_{k-1} d_{k-1}         as it can't have got faster

With S_k the sum of 2 a d of all moves before k the second is
v2_k + S_k = min over m >= k of (cap_m + S_m), one running minimum from the end, and
the third another from the beginning: exact, and in a few passes over columns. Where a
corner's own cap decides, nothing that comes later changes what lies before it; there
the moves are settled, and the rest is held until more is known.

A corner (deviation): v2 = a delta sin(t/2) / (1 - sin(t/2)), t the angle between the
moves, a the lower acceleration (Jeon, S., 2009). A corner (step): the greatest change
of the speed of one axis is bounded. In an arc v2 <= a r. Where only the filament moves
and where the machine waits, it stands before and after.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from stillair.jobs.toolpath.moves import WAIT, Moves
from stillair.jobs.toolpath.orders import Regime

Floats = NDArray[np.float64]

HELD_MOST: Final = 40_000  # moves that wait for a corner that settles them


class Planner:
    """Give moves their seconds, in the order of the program.

    `regimes` are the limits that moves name by number; more may be added to it.
    """

    def __init__(self, regimes: list[Regime]) -> None:
        self._regimes = regimes
        self._held: Moves | None = None
        self._entry_v2 = 0.0  # at which the first held move begins, mm2/s2

    def plan(self, moves: Moves) -> tuple[Moves, Floats]:
        """The moves that are settled with these, and the seconds of each."""
        held = moves if self._held is None else Moves.together([self._held, moves])
        return self._plan(held, last=False)

    def finish(self) -> tuple[Moves, Floats] | None:
        """The moves that were held, and their seconds: at the end the machine stands."""
        return None if self._held is None else self._plan(self._held, last=True)

    def _plan(self, moves: Moves, *, last: bool) -> tuple[Moves, Floats]:
        if not len(moves):
            return moves, np.empty(0)
        run, speed, acceleration = self._way(moves)
        cap = self._corners(moves, speed, acceleration)
        cap[0], cap[-1] = self._entry_v2, 0.0
        sums = np.concatenate((np.zeros(1), np.cumsum(2 * acceleration * run)))
        braked = np.minimum.accumulate((cap + sums)[::-1])[::-1] - sums
        v2 = np.minimum.accumulate(braked - sums) + sums
        np.maximum(v2, 0.0, out=v2)
        settled = len(moves)
        if not last:
            decides = np.flatnonzero(braked[1:-1] >= cap[1:-1] * (1 - 1e-12)) + 1
            settled = int(decides[-1]) if decides.size else 0
            if len(moves) - settled > HELD_MOST:
                settled = len(moves)  # as if it stood here: once in so many moves
        entry, exit_ = v2[:settled], v2[1 : settled + 1]
        seconds = _seconds(run[:settled], speed[:settled], acceleration[:settled], entry, exit_)
        ready = moves.part(slice(0, settled))
        waits = ready.kind >= WAIT
        seconds[waits] = ready.feed[waits]
        self._held = moves.part(slice(settled, None))
        self._entry_v2 = float(v2[settled])
        return ready, seconds

    def _way(self, moves: Moves) -> tuple[Floats, Floats, Floats]:
        """What of each move is driven, mm; its greatest speed, and its acceleration."""
        filament = np.abs(moves.filament)
        alone = moves.length == 0
        run = np.where(alone, filament, moves.length)
        stands = moves.kind >= WAIT
        run[stands] = 0.0
        which = np.unique(moves.regime)
        table = np.array([_row(self._regimes[number]) for number in which.tolist()])
        # Mostly one is in force: then a row for all.
        rows = table[np.searchsorted(which, moves.regime)] if which.size > 1 else table
        speed = np.where(stands, 1.0, moves.feed)
        acceleration = np.where(
            alone, rows[:, 10], np.where(moves.filament > 0, rows[:, 8], rows[:, 9])
        )
        share = np.maximum(np.abs(moves.into), np.abs(moves.out))
        round_ = np.isfinite(moves.radius)
        if bool(round_.any()):
            # Somewhere in an arc each axis of its plane has nearly all of the speed.
            share[round_] = np.maximum(share[round_], share[round_].max(axis=1)[:, None])
            share[round_, 2] = np.where(
                moves.sweep[round_] != 0, np.abs(moves.into[round_, 2]), share[round_, 2]
            )
        pushed = np.divide(filament, run, out=np.zeros_like(run), where=run > 0)
        for axis in range(4):
            part = np.maximum(share[:, axis] if axis < 3 else pushed, 1e-9)
            speed = np.minimum(speed, rows[:, axis] / part)
            acceleration = np.minimum(acceleration, rows[:, 4 + axis] / part)
        speed = np.minimum(speed, np.sqrt(acceleration * moves.radius))
        return run, speed, acceleration

    def _corners(self, moves: Moves, speed: Floats, acceleration: Floats) -> Floats:
        """The most that each corner's speed may be, squared; the first and last are open."""
        cap = np.zeros(len(moves) + 1)
        if len(moves) < 2:
            return cap
        before, after = moves.out[:-1], moves.into[1:]
        slower = np.minimum(speed[:-1], speed[1:]) ** 2
        rows = [self._regimes[number] for number in np.unique(moves.regime).tolist()]
        deviates = any(row.corner_change_mm_s != row.corner_change_mm_s for row in rows)
        steps = any(row.corner_change_mm_s == row.corner_change_mm_s for row in rows)
        change = np.full(len(moves) - 1, np.nan)
        if steps:
            change = self._of_each(moves, "corner_change_mm_s")[1:]
        corner = slower.copy()
        if deviates:
            along = np.clip(np.einsum("ij,ij->i", before, after), -1.0, 1.0)
            half = np.sqrt((1 + along) / 2)  # sin(t/2): 1 straight on, 0 straight back
            weakest = np.minimum(acceleration[:-1], acceleration[1:])
            by_cut = weakest * self._of_each(moves, "corner_deviation_mm")[1:] * half
            corner = np.minimum(corner, by_cut / np.maximum(1 - half, 1e-9))
        if steps:
            step = np.abs(before - after).max(axis=1)
            by_step = np.minimum(slower, (change / np.maximum(step, 1e-9)) ** 2)
            corner = np.where(np.isnan(change), corner, by_step)
        moving = moves.length > 0
        corner[~(moving[:-1] & moving[1:])] = 0.0
        cap[1:-1] = corner
        return cap

    def _of_each(self, moves: Moves, name: str) -> Floats:
        which = np.unique(moves.regime)
        values = np.array([getattr(self._regimes[number], name) for number in which.tolist()])
        if which.size == 1:
            return np.full(len(moves), values[0])
        found: Floats = values[np.searchsorted(which, moves.regime)]
        return found


def _row(regime: Regime) -> tuple[float, ...]:
    return (
        *regime.speed_mm_s,
        *regime.acceleration_mm_s2,
        regime.road_mm_s2,
        regime.travel_mm_s2,
        regime.filament_mm_s2,
    )


def _seconds(
    run: Floats, speed: Floats, acceleration: Floats, entry: Floats, exit_: Floats
) -> Floats:
    """The time of trapezoids, from the squares of the speeds at both ends."""
    peak2 = np.minimum(speed**2, (entry + exit_) / 2 + acceleration * run)
    peak2 = np.maximum(peak2, np.maximum(entry, exit_))
    peak = np.sqrt(peak2)
    evenly = run - (2 * peak2 - entry - exit_) / (2 * acceleration)
    seconds = (2 * peak - np.sqrt(entry) - np.sqrt(exit_)) / acceleration
    return seconds + np.divide(
        np.maximum(evenly, 0.0), peak, out=np.zeros_like(peak), where=peak > 0
    )
