"""When a fall or a return began: where the curve bends most.

Where it has no bend, a straight line through 20 % and 60 % of the way tells
where it left the level before. And how long the course before had been straight.
"""

from __future__ import annotations

import math

from stillair.thermal.air import AirTrack

STRAIGHTS_S = (72, 54, 39, 27, 18)
RETURN_S = 90  # how far back a return is looked for


def began_ago_s(track: AirTrack) -> float | None:
    """How long ago a track's fall began: where it bends down, or else left its level."""
    span = track.span_s if track.kink_k >= track.kink_30_k else max(30, track.span_s)
    reach = min(span + 25, track.seconds - 8)
    level_c = max(track.past_c(span), track.past_c(min(reach, span + 5)))
    if level_c <= track.past_c(0):
        return None
    bend = _bend_ago_s(track, min(reach, span + 5), sign=1.0)
    if bend is not None:
        return bend
    ago_s = _left_ago_s(track, level_c, reach)
    return float(span) if ago_s is None else ago_s


def came_back_ago_s(track: AirTrack) -> float:
    """How long ago a track began to come back: where it bends up, or else left its lowest.

    Air that creeps up under an open door bends when the door is shut.
    """
    reach = min(RETURN_S, track.seconds - 8)
    if reach < 5:
        return 0.0
    lowest_c, lowest = min((track.past_c(ago), ago) for ago in range(reach))
    bend = _bend_ago_s(track, lowest, sign=-1.0)
    if bend is not None:
        return bend
    return _left_ago_s(track, lowest_c, reach) or float(lowest)


def straight_s(track: AirTrack, ago_s: int, least_k: float) -> int:
    """How long the track's course before `ago_s` ago had been straight, by `least_k`.

    Each length is held against the bend of its thirds' means.
    """
    for length in STRAIGHTS_S:
        if ago_s + length + 8 > track.seconds:
            continue
        third = length // 3
        new, middle, old = (
            track.mean_c(ago_s + k * third, ago_s + (k + 1) * third) for k in range(3)
        )
        slack_k = max(least_k, 3.0 * track.noise_k * math.sqrt(6.0 / third))
        if abs(new - 2.0 * middle + old) <= slack_k:
            return length
    return STRAIGHTS_S[-1]


def _bend_ago_s(track: AirTrack, reach_s: int, *, sign: float) -> float | None:
    """Where the track bends down (`sign` 1) or up (-1) between `reach_s` ago and now.

    The bend is the point furthest off the straight line between the two ends;
    None if it is off by less than a quarter of the way.
    """
    if reach_s < 3:
        return None
    now_c = track.past_c(0)
    way_k = track.past_c(reach_s) - now_c
    off_k, bend = max(
        (sign * (track.past_c(ago) - now_c - way_k * ago / reach_s), ago)
        for ago in range(reach_s + 1)
    )
    return bend + 1.0 if off_k > 0.25 * abs(way_k) else None  # a mean of 3 s is 1 s old


def _left_ago_s(track: AirTrack, level_c: float, reach_s: int) -> float | None:
    """How long ago a track left `level_c` for where it is now; None if not within `reach_s`."""
    way_k = track.past_c(0) - level_c
    at_60: int | None = None
    for ago in range(1, reach_s):
        part = (track.past_c(ago) - level_c) / way_k if way_k else 0.0
        if at_60 is None and part < 0.6:
            at_60 = ago
        if part < 0.2:
            assert at_60 is not None
            return ago + 0.5 * (ago - at_60) + 1.0  # a mean of three seconds is one second old
    return None
