"""When a part was how high, where no toolpath is known: between the heights that were told.

Between two told heights nobody knows how the part grew. The most likely is evenly, by
the job's own clock; how far it may have strayed from that is what a gamma process strays
that ends where it has to: at a share f of the way its variance is f (1 - f) / (c + 1) of
the span squared, with c steps of like size between. A part that changes its shape a few
times between two told heights has a small c.

Heights that fall belong to a next piece where they stay low, and to a head that was
lifted where they don't: of the rest the longest row that never falls is believed.

References
----------
Ferguson, T. S. (1973). A Bayesian analysis of some nonparametric problems. Annals of
Statistics 1, 209-230 (the process of shares, and its variance). c is our choice.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from stillair.jobs.heights import MOST_POSTS, HeightTimes
from stillair.jobs.sightings import PIN_SD_S, POST_SD_S, HeightSeen, OwnClock, Span

STEPS_BETWEEN = 3.0  # c, above
LAYER_MM = 0.25  # taken for one, where it isn't told
MOST_ROWS = 4000
PIECE_SHARE = 0.5  # of the height before: lower, and staying so, is a next piece
OPEN_S = 60.0  # least, of the last height that was told

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Told:
    """By the job's own clock the part was so high."""

    own_s: float
    height_mm: float
    sd_s: float
    pin: int = -1  # which of the pins


def between(
    *,
    started_s: float,
    finished_s: float | None = None,
    pauses: Sequence[Span] = (),
    posts: Sequence[HeightSeen] = (),
    pins: Sequence[HeightSeen] = (),
) -> HeightTimes:
    """Heights and times between what was told.

    Parameters as of `heights.fit`. Rows are steps of height, not layers: of each, when
    the part went through it. Nothing is said of heights above the highest that was told.
    """
    clock = OwnClock(started_s, pauses)
    end_s = None if finished_s is None else clock.own_s(finished_s)
    told = _told(clock, posts, pins)
    rows: list[tuple[float, float, float, float, float, int]] = []
    used: list[_Told] = []
    step_mm = max(LAYER_MM, sum(piece[-1].height_mm for piece in _pieces(told)) / MOST_ROWS)
    for number, piece in enumerate(_pieces(told)):
        believed = _rising(piece)
        used += believed
        before_s = rows[-1][3] if rows else 0.0
        rows += _rows(believed, before_s, end_s, step_mm, number)
    table = np.array(rows, dtype=float).reshape(-1, 6)
    odd = set(range(len(pins))) - {each.pin for each in used}
    kept = {id(each) for each in used}
    posts_used = sum(each.pin < 0 for each in used)
    return HeightTimes(
        height_mm=table[:, 0],
        thickness_mm=table[:, 1],
        start_s=clock.at_s(table[:, 2]),
        end_s=clock.at_s(table[:, 3]),
        uncertainty_s=2.0 * table[:, 4],
        piece=table[:, 5].astype(np.int32),
        posts=posts_used,
        odd=tuple(_seen(clock, [each for each in told if each.pin < 0 and id(each) not in kept])),
        doubtful_pins=tuple(sorted(odd)),
    )


def _seen(clock: OwnClock, told: Sequence[_Told]) -> Iterator[HeightSeen]:
    times_s = clock.at_s(np.array([each.own_s for each in told], dtype=float))
    for each, t_s in zip(told, times_s.tolist(), strict=True):
        yield HeightSeen(t_s, each.height_mm)


def _told(clock: OwnClock, posts: Sequence[HeightSeen], pins: Sequence[HeightSeen]) -> list[_Told]:
    """All that was told, in order of time; of a height that is told again its first time."""
    posted: list[_Told] = []
    thinned = posts[:: 1 + (len(posts) - 1) // MOST_POSTS] if posts else posts
    for post in thinned:
        if not posted or post.height_mm != posted[-1].height_mm:
            posted.append(_Told(clock.own_s(post.t_s), post.height_mm, POST_SD_S))
    pinned = [
        _Told(clock.own_s(pin.t_s), pin.height_mm, PIN_SD_S, number)
        for number, pin in enumerate(pins)
    ]
    return sorted((each for each in posted + pinned if each.own_s >= 0.0), key=lambda e: e.own_s)


def _pieces(told: list[_Told]) -> list[list[_Told]]:
    """Cut where heights fall far and stay low."""
    pieces: list[list[_Told]] = []
    for index, each in enumerate(told):
        last_mm = sorted(before.height_mm for before in pieces[-1][-3:]) if pieces else [0.0]
        # The middle of three: a head that was lifted once is no height of the part.
        bound_mm = PIECE_SHARE * last_mm[(len(last_mm) - 1) // 2]
        after = told[index + 1].height_mm if index + 1 < len(told) else each.height_mm
        if not pieces or (each.height_mm < bound_mm and after < bound_mm):
            pieces.append([])
        pieces[-1].append(each)
    return pieces


def _rising(piece: list[_Told]) -> list[_Told]:
    """The longest row of heights that rise: what most of what was told agrees with."""
    ends: list[float] = []  # lowest end of a row of each length
    at: list[int] = []
    before: list[int] = []
    for index, each in enumerate(piece):
        place = bisect_right(ends, each.height_mm)
        before.append(at[place - 1] if place else -1)
        if place == len(ends):
            ends.append(each.height_mm)
            at.append(index)
        else:
            ends[place], at[place] = each.height_mm, index
    found: list[_Told] = []
    index = at[-1] if at else -1
    while index >= 0:
        found.append(piece[index])
        index = before[index]
    return found[::-1]


def _rows(
    told: list[_Told], before_s: float, end_s: float | None, step_mm: float, piece: int
) -> list[tuple[float, float, float, float, float, int]]:
    """Height, thickness, start, end, standard deviation and piece of each step."""
    # A machine tells a height as it begins the layer that ends there.
    lows, below_mm = [0.0], 0.0
    for each in told:
        layer_mm = 0.0 if each.pin >= 0 else min(LAYER_MM, each.height_mm - below_mm)
        lows.append(max(lows[-1], each.height_mm - layer_mm))
        below_mm = each.height_mm
    times = [min(before_s, told[0].own_s), *(each.own_s for each in told)]
    spread = [POST_SD_S, *(each.sd_s for each in told)]
    last_s = times[-1] - times[-2] if len(told) > 1 else OPEN_S
    closed_s = times[-1] + max(last_s * (told[-1].height_mm - lows[-1]) / step_mm, 1.0)
    closed_s = max(times[-1], closed_s if end_s is None else min(closed_s, end_s))
    lows.append(told[-1].height_mm)
    times.append(closed_s)
    spread.append(spread[-1])
    rows = []
    for (low, high), (from_s, to_s), (a_sd, b_sd) in zip(
        pairwise(lows), pairwise(times), pairwise(spread), strict=True
    ):
        if high - low < 1e-6:
            continue
        count = max(1, round((high - low) / step_mm))
        edges = np.linspace(0.0, 1.0, count + 1)
        sd_s = (to_s - from_s) * np.sqrt(edges * (1.0 - edges) / (STEPS_BETWEEN + 1.0))
        sd_s = np.hypot(sd_s, a_sd + (b_sd - a_sd) * edges)
        rows += [
            (
                low + (high - low) * float(edges[i + 1]),
                (high - low) / count,
                from_s + (to_s - from_s) * float(edges[i]),
                from_s + (to_s - from_s) * float(edges[i + 1]),
                float(max(sd_s[i], sd_s[i + 1])),
                piece,
            )
            for i in range(count)
        ]
    return rows
