"""One job's air held against others': another job's minutes, or between which they lay.

All go by their own clocks, seconds since the start less what was paused, and are moved
so that one moment falls together which all of them have: the first layer if their
toolpaths tell it, else when each box was warm and steady, else the start.

Of few jobs the lowest and the highest of each minute are given, as each of them came out
sound; from ten on what nine of ten stay within at either end, since one odd minute in a
hundred hours would widen the band for ever. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

MINUTE_S = 60.0
LEAST_JOBS = 3  # that make a band
MANY_JOBS = 10
TENTH = 10.0  # percent that lie below a band of many, and as many above
DIGITS = 2

Column = Sequence[float | None]


class Aligned(StrEnum):
    """Which moment of all jobs falls together, the surest first."""

    LAYER = "layer"
    STEADY = "steady"
    START = "start"


@dataclass(frozen=True, slots=True)
class PastAir:
    """A job's air: of each sensor one mean a minute, and its moments, by its own clock."""

    job: str
    minutes: Mapping[str, Column]
    moments_s: Mapping[Aligned, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Besides:
    """For each minute of a job what others had: of one both ends are the same."""

    aligned: Aligned
    jobs: tuple[str, ...]
    many: bool
    ends: Mapping[str, tuple[list[float | None], list[float | None]]]


def beside(
    moments_s: Mapping[Aligned, float], others: Sequence[PastAir], minutes: int, least: int = 1
) -> Besides:
    """The air of others in a job's minutes; of a minute less than `least` know, None.

    Others that haven't the moment at which most can be aligned are left out.
    """
    aligned = aligned_on(moments_s, [other.moments_s for other in others])
    taken = [other for other in others if aligned in other.moments_s]
    many = len(taken) >= MANY_JOBS
    names = sorted({name for other in taken for name in other.minutes})
    ends = {}
    for name in names:
        rows = np.full((len(taken), minutes), np.nan)
        for row, other in zip(rows, taken, strict=True):
            shift = round((moments_s.get(aligned, 0.0) - other.moments_s[aligned]) / MINUTE_S)
            _put(row, other.minutes.get(name, ()), shift)
        ends[name] = _ends(rows, least, many)
    return Besides(aligned, tuple(other.job for other in taken), many, ends)


def aligned_on(mine: Mapping[Aligned, float], others: Sequence[Mapping[Aligned, float]]) -> Aligned:
    """The surest moment that the job has, and more than half of the others; else the start."""
    for moment in Aligned:
        if moment in mine and 2 * sum(moment in other for other in others) > len(others):
            return moment
    return Aligned.START


def _put(row: NDArray[np.float64], column: Column, shift: int) -> None:
    """Write a column's minutes into a row, `shift` minutes later."""
    from_, to = max(0, shift), min(len(row), len(column) + shift)
    if from_ < to:
        row[from_:to] = [np.nan if t is None else t for t in column[from_ - shift : to - shift]]


def _ends(
    rows: NDArray[np.float64], least: int, many: bool
) -> tuple[list[float | None], list[float | None]]:
    """Low and high of each minute that enough jobs know."""
    enough = np.count_nonzero(~np.isnan(rows), axis=0) >= max(1, least)
    known = rows[:, enough]
    low = np.full(rows.shape[1], np.nan)
    high = low.copy()
    if known.size:
        if many:
            low[enough], high[enough] = np.nanpercentile(known, [TENTH, 100.0 - TENTH], axis=0)
        else:
            low[enough], high[enough] = np.nanmin(known, axis=0), np.nanmax(known, axis=0)
    return _plain(low), _plain(high)


def _plain(column: NDArray[np.float64]) -> list[float | None]:
    return [None if np.isnan(t) else round(float(t), DIGITS) for t in column]
