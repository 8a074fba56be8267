"""When a fall of the air is suspected, and what each sensor has lost since it began.

Suspected is what falls, within the last 10 s or (slow sensors, small gaps) the
last 30 s, below what the minute before foretold: by more than noise, by 0.3 or
0.4 K, and by a share of the excess over the room; two seconds running, by two
sensors, or longer by one. Sensors that rise at the same time speak for air
that is mixed (a fan), not lost. That is meant to miss nothing; what it is,
`hypotheses` weighs.
"""

from __future__ import annotations

from collections.abc import Sequence

from stillair.model import Kind
from stillair.thermal.air import AirTrack
from stillair.thermal.bends import began_ago_s
from stillair.thermal.falls import DEAD_S, Fall, Share

LEAST_K, LEAST_30_K = 0.3, 0.4
LEAST_SHARE, LEAST_SHARE_30 = 0.01, 0.014  # of the excess
NOISES, NOISES_30 = 6.0, 3.0
LEAST_EXCESS_K = 4.0  # nearer to the room nothing can be told
MIXING = 0.3  # risers above this share of the fallers mean mixing
APART_S, LATE_S = 15.0, 5.0
QUICK_CLIMB_K_PER_MIN = 0.3
SHARPER, SHARP_K, SHARP_NOISES, SHARP_SHARE = 1.8, 0.35, 6.0, 0.25


class Trigger:
    """Suspect a fall, from how long the tracks have been below what was foretold."""

    def __init__(self) -> None:
        self._suspect = 0  # seconds running

    def rest(self) -> None:
        """Begin to count anew."""
        self._suspect = 0

    def look(self, t_s: float, tracks: Sequence[AirTrack], room_c: float) -> Fall | None:
        """Look at this second; return the fall that is suspected from now on, if any."""
        hits = strong = wide = valid = 0
        fallen_k = risen_k = 0.0
        for track in tracks:
            span = track.span_s
            if track.seconds < span + 40:
                continue
            valid += 1
            kink_k = track.kink_k
            if kink_k < LEAST_K and track.kink_30_k < LEAST_30_K:
                off_k = track.fall_k + span * track.trend_k_per_s
                if off_k < 0.0 and track.fall_k < 0.0:
                    risen_k -= off_k
                elif kink_k > 0.0:
                    fallen_k += kink_k
                continue
            excess_k = track.past_c(span) - room_c
            if excess_k < LEAST_EXCESS_K:
                continue
            least_k = max(LEAST_K, NOISES * track.noise_k, LEAST_SHARE * excess_k)
            fallen_k += max(kink_k, 0.0)
            if kink_k >= least_k:
                hits += 1
                strong += kink_k >= 1.5 * least_k
            if track.kink_30_k >= max(
                LEAST_30_K, NOISES_30 * track.noise_k, LEAST_SHARE_30 * excess_k
            ):
                wide += 1
        if not (hits or wide) or risen_k > MIXING * fallen_k:
            self._suspect = 0
            return None
        self._suspect += 1
        enough = (
            (hits >= 2 and self._suspect >= 2)
            or (strong and self._suspect >= 3)
            or (hits and valid == 1 and self._suspect >= 3)
            or (wide >= min(2, valid) and self._suspect >= 3)
            or (wide and self._suspect >= 8)
        )
        if not enough:
            return None
        ago_s = _began_ago_s(tracks)
        return None if ago_s is None else begun(t_s, tracks, room_c, ago_s)


def begun(t_s: float, tracks: Sequence[AirTrack], room_c: float, ago_s: float) -> Fall | None:
    """A fall that began `ago_s` ago, with what each sensor has lost; None without any past."""
    back = int(ago_s) + 2
    shares: list[Share] = []
    climb_k_per_min = 0.0
    for track in tracks:
        if track.seconds < back + 16:
            continue
        base_c = track.past_c(back)
        excess_k = base_c - room_c
        if excess_k < LEAST_EXCESS_K:
            continue
        trend = min(0.0, (base_c - track.mean_c(back + 10, back + 16)) / 12.0)
        share = Share(track, base_c, max(trend, -0.1), excess_k, base_c, t_s)
        length = min(60, track.seconds - back - 12)
        if length >= 10:
            share.slope_k_per_s = track.slope_k_per_s(back, length)
        share.update(t_s, ago_s)
        climb_k_per_min = max(climb_k_per_min, share.look_before(int(ago_s + DEAD_S)))
        shares.append(share)
    if not shares:
        return None
    fall = Fall(Kind.DRAFT, t_s - ago_s - DEAD_S, shares, (), {}, t_s, 0.0, t_s)
    fall.kink_k = max(share.track.kink_k for share in shares)
    fall.from_climb = climb_k_per_min > QUICK_CLIMB_K_PER_MIN
    return fall


def sharpens(t_s: float, fall: Fall, alive: Sequence[Share]) -> bool:
    """Whether the air, having fallen less and less steeply, bends down anew."""
    track = max((share.track for share in alive), key=lambda track: track.kink_k)
    if t_s - fall.suspected_s <= track.span_s:
        fall.kink_k = max(fall.kink_k, track.kink_k)
        return False
    if track.kink_k >= max(
        SHARPER * fall.kink_k,
        SHARP_K,
        SHARP_NOISES * track.noise_k,
        SHARP_SHARE * fall.worst.drop_k,
    ):
        fall.kink_k = track.kink_k
        return True
    fall.kink_k = min(fall.kink_k, track.kink_k)
    return False


def begun_within(t_s: float, fall: Fall, tracks: Sequence[AirTrack], room_c: float) -> Fall | None:
    """A sharper fall that has begun within `fall`; None where it is still the same.

    A thermostat's pause has a bend of its own where it began.
    """
    most = max(tracks, key=lambda track: track.kink_k)
    ago_s = began_ago_s(most)
    if ago_s is not None:
        ago_s = min(ago_s, most.span_s + LATE_S)
    if ago_s is None or t_s - ago_s < fall.onset_s + APART_S:
        return None
    return begun_in_pause(t_s, fall, tracks, room_c, ago_s)


def begun_in_pause(
    t_s: float, fall: Fall, tracks: Sequence[AirTrack], room_c: float, ago_s: float
) -> Fall | None:
    """A fall that began `ago_s` ago, when the air fell already, less and less."""
    found = begun(t_s, tracks, room_c, ago_s)
    if found is not None:
        found.in_pause, found.before_k = True, max(0.0, fall.worst.now_k - found.worst.now_k)
        for share in found.shares:  # without heat the air soon falls less steeply
            share.trend_k_per_s = 0.0
            share.update(t_s, ago_s)
    return found


def _began_ago_s(tracks: Sequence[AirTrack]) -> float | None:
    """When the sensors that fall most began to, the earliest of them."""
    starts: list[tuple[float, float]] = []
    for track in tracks:
        if track.seconds >= track.span_s + 40 and (track.kink_k > 0 or track.kink_30_k > 0):
            start = began_ago_s(track)
            if start is not None:
                starts.append((max(track.kink_k, track.kink_30_k), start))
    if not starts:
        return None
    most_k = max(starts)[0]
    return max(ago for kink_k, ago in starts if kink_k >= 0.5 * most_k)
