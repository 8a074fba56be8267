"""One fall of the air: what each sensor has lost in it, and plain questions about that."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from stillair.model import Change, Finding, JsonValue, Kind
from stillair.thermal.air import AirTrack
from stillair.thermal.bends import came_back_ago_s
from stillair.thermal.hypotheses import CLEAR_LEAD, Cause, Verdict

KINDS = {Cause.DOOR: Kind.DOOR_OPEN, Cause.DRAFT: Kind.DRAFT, Cause.HEAT_LOST: Kind.HEAT_LOST}
DEAD_S = 2.0  # how long old air stays at a sensor
ONE_LEAD = 2.0 * CLEAR_LEAD
RECOVERED = 0.9
LEAST_BELOW_K, BELOW_SHARE = 0.4, 0.25
USUAL_S = 480
UNBANDED_SHARE = 0.15  # of the excess, where no band is known yet
BACK_K, BACK_SHARE, BACK_MOST_K, BACK_HELD_S = 0.5, 0.25, 3.0, 5
DRAFT_BACK_SHARE = 0.4
GONE_EXCESS_K, GONE_S = 3.0, 300.0
FELT_K, TURNED = 0.3, 0.9
SETTLED_S, BLIND_S = 2700.0, 900.0
WARM_S = 600


@dataclass(slots=True)
class Share:
    """What one sensor has lost in the present event."""

    track: AirTrack
    base_c: float
    trend_k_per_s: float
    excess_k: float
    lowest_c: float
    lowest_s: float
    drop_k: float = 0.0
    now_k: float = 0.0  # lost just now; negative where it has risen
    fastest_k_per_min: float = 0.0
    slope_k_per_s: float = 0.0  # of the minute before
    low_c: float | None = None  # the lowest of what was usual before
    height_k: float = 0.0  # from there to the highest

    def update(self, t_s: float, since_s: float) -> None:
        track = self.track
        now_c = track.past_c(0)
        lost_k = self.base_c + self.trend_k_per_s * min(since_s, 120.0) - now_c
        if now_c < self.lowest_c:
            self.lowest_c, self.lowest_s = now_c, t_s - 1.0
        self.now_k = lost_k
        self.drop_k = max(self.drop_k, lost_k)
        over_s = min(track.span_s, max(since_s, 4.0))
        self.fastest_k_per_min = max(self.fastest_k_per_min, track.fall_k * 60.0 / over_s)

    def look_before(self, ago_s: int) -> float:
        """See what was usual before the fall; return how fast the air had climbed, K/min.

        Air that rose all the time has no lowest to come back to. Without a past
        of five minutes it counts as climbing without bound.
        """
        track = self.track
        marks = range(ago_s, min(ago_s + USUAL_S, track.seconds - 30), 20)
        means_c = [track.mean_c(mark, mark + 20) for mark in marks]
        if len(means_c) < 12:
            return math.inf
        quarter = len(means_c) // 4
        levels_c = [sum(means_c[k * quarter : (k + 1) * quarter]) / quarter for k in range(4)]
        if all(newer - older > 0.3 * track.noise_k for newer, older in pairwise(levels_c)):
            self.low_c, self.height_k = self.base_c, 0.0
            return (levels_c[0] - levels_c[3]) / (3 * quarter * 20.0) * 60.0
        self.low_c, self.height_k = min(means_c), max(means_c) - min(means_c)
        return 0.0


@dataclass(slots=True)
class Fall:
    """A door or draft that stands."""

    kind: Kind
    onset_s: float
    shares: list[Share]
    sensors: tuple[str, ...]
    detail: dict[str, JsonValue]
    told_s: float
    told_drop_k: float
    suspected_s: float
    seen_s: float = -math.inf  # when one of its sensors was last alive
    back_s: int = 0  # how long it has been coming back
    outside_s: int = 0  # how long it has been out of the band
    kink_k: float = 0.0  # the sharpest when it was measured
    in_pause: bool = False  # it began while the air fell already, and less and less
    heated: bool = False  # a thermostat's swings show that the heater is on
    back_at_s: float | None = None  # when it was first seen coming back
    back_end_s: float = 0.0  # and since when
    before_k: float = 0.0  # what the air had lost by then
    kink_30_k: float = 0.0  # the deepest within half a minute
    cold_since_s: float | None = None
    degree_minutes: float = 0.0  # lost at the worst sensor
    verdict: Verdict | None = None
    next_s: float = -math.inf
    learned: bool = False
    from_climb: bool = False  # the air had been rising for minutes

    @property
    def worst(self) -> Share:
        return max(self.shares, key=lambda s: s.drop_k)


def leaves_band(share: Share) -> bool:
    """Whether a sensor is colder than it has been for the last minutes, by a good part."""
    if share.low_c is None:
        return share.drop_k >= UNBANDED_SHARE * share.excess_k
    return share.low_c - share.track.past_c(0) >= max(
        LEAST_BELOW_K, 3.0 * share.track.noise_k, BELOW_SHARE * min(share.height_k, 6.0)
    )


def has_turned(shares: Sequence[Share]) -> bool:
    """Whether every sensor that fell is on its way back."""
    return all(s.now_k < TURNED * s.drop_k for s in shares if s.drop_k > FELT_K)


def is_over(fall: Fall, t_s: float, alive: Sequence[Share], room_c: float) -> bool:
    """Whether a fall that was told is over at this second; if not by a return, `ended` says why.

    `alive` are the shares of those of its sensors that can still be judged.
    """
    if not alive:
        if t_s - max(fall.seen_s, fall.told_s) >= BLIND_S:
            fall.detail["ended"] = "its sensors give nothing that could tell"
            return True
        return False
    worst_k = max(s.drop_k for s in alive)
    concerned = [s for s in alive if s.drop_k >= 0.4 * worst_k]
    if not concerned:
        return False
    back = 0
    for share in concerned:
        track = share.track
        if fall.kind is Kind.DRAFT:
            part_k = DRAFT_BACK_SHARE * share.drop_k
        else:
            part_k = min(BACK_SHARE * share.drop_k, BACK_MOST_K)
        least_k = max(BACK_K, 4.0 * track.noise_k, part_k)
        risen_k = track.past_c(0) - share.lowest_c
        if risen_k < least_k or track.fall_k >= 0.0:
            continue
        quickly = (
            track.seconds < 70 or track.past_c(0) - track.past_c(60) >= 0.5 * least_k
        ) or risen_k >= 0.5 * share.drop_k
        back += quickly or t_s - share.lowest_s < 60.0
    fall.back_s = fall.back_s + 1 if back and 2 * back >= len(concerned) else 0
    if fall.back_s >= BACK_HELD_S:
        fall.detail.pop("ended", None)
        return True
    if all(s.track.now_c - room_c < GONE_EXCESS_K for s in alive):
        if fall.cold_since_s is None:
            fall.cold_since_s = t_s
        elif t_s - fall.cold_since_s >= GONE_S:
            fall.detail["ended"] = "too close to the room's temperature to be seen any longer"
            return True
    else:
        fall.cold_since_s = None
    old = [s.track for s in alive if s.track.seconds > 610]
    if (
        t_s - fall.onset_s >= SETTLED_S
        and old
        and all(abs(track.past_c(0) - track.past_c(600)) < 0.5 for track in old)
    ):
        fall.detail["ended"] = "the air has settled at its new level"
        return True
    return False


def came_back_s(t_s: float, fall: Fall) -> float:
    """Since when half of the sensors concerned have been on their way back."""
    heard = [share for share in fall.shares if share.track.seconds]
    worst_k = max(share.drop_k for share in heard)
    ends = sorted(t_s - came_back_ago_s(s.track) for s in heard if s.drop_k >= 0.4 * worst_k)
    return ends[(len(ends) - 1) // 2] - DEAD_S


def keeps_warm(track: AirTrack, least_c: float) -> bool:
    """Whether the air has been so warm for ten minutes, and gets no colder."""
    return track.seconds > WARM_S + 10 and track.past_c(0) > track.past_c(WARM_S) > least_c


def finding(
    fall: Fall, change: Change, t_s: float, *, was: Kind | None = None, end_s: float | None = None
) -> Finding:
    onset_s, detail = round(fall.onset_s, 1), dict(fall.detail)
    return Finding(fall.kind, change, t_s, onset_s, fall.sensors, detail, end_s=end_s, was_kind=was)


def figures(fall: Fall) -> dict[str, JsonValue]:
    if not fall.shares:
        return {}
    worst = fall.worst
    return {
        "drop_k": round(max(worst.drop_k, 0.0), 1),
        "fastest_k_per_min": round(-max(s.fastest_k_per_min for s in fall.shares), 1) + 0.0,
        "degree_minutes": round(fall.degree_minutes, 1),
    }


def told(verdict: Verdict, kind: Kind, *, heated: bool = False) -> dict[str, JsonValue]:
    """The keys `cause`, `lead`, and `or` where another cause comes near.

    With one sensor a cause is clear only when it is far ahead. Where the air is
    known to be `heated`, lost heat is no rival.
    """
    known = {c: s for c, s in verdict.scores.items() if not (heated and c is Cause.HEAT_LOST)}
    scores = {KINDS[cause]: score for cause, score in known.items() if cause in KINDS}
    own = scores.get(kind, 0.0)
    others = [other for other in scores if other is not kind]
    rival = max(score for cause, score in known.items() if KINDS.get(cause) is not kind)
    lead = own - rival
    need = CLEAR_LEAD if len(verdict.parts) > 1 else ONE_LEAD
    if lead >= need or not others:
        return {"cause": "clear", "lead": round(lead, 1)}
    return {"cause": "uncertain", "or": others[0].value, "lead": round(lead, 1)}


def recovery_s(t_s: float, end_s: float, worst: Share) -> float | None:
    """When nine tenths will be back, if it goes on coming back by halves as it did so far."""
    lost_k = worst.base_c - worst.lowest_c
    if lost_k <= 0.0 or t_s - end_s < 1.0:
        return None
    back = (worst.track.past_c(0) - worst.lowest_c) / lost_k
    if back >= RECOVERED:
        return round(t_s - end_s)
    if back <= 0.02:
        return None
    return round((t_s - end_s) * math.log(1.0 - RECOVERED) / math.log(1.0 - back))
