"""Doors and drafts: falls of the air that set in at once, told with their figures and their end.

A fall is suspected where the last 10 s (or, for slow sensors and small gaps,
30 s) fall below what the minute before foretold, by more than noise, by half
a degree, and by a share of the excess over the room; two seconds running, by
two sensors, or longer by one. Sensors that rise at the same time speak for
air being mixed (a fan), not lost. `causes` decides what it is: a clear door
is told at once, anything else only when a sensor gets colder than it has been
for 20 minutes, which leaves out what thermostats and fans do every time. For
two and a half minutes the kind may still be revised.

The end is a kink the other way: the air comes back by a part of what it had
lost, faster than it would creep. Onset and end are where the curve bends (see
`bends`), less the 2 s that air stays at a sensor before new air is there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from stillair.model import Change, Finding, JsonValue, Kind
from stillair.thermal.air import AirTrack
from stillair.thermal.bends import began_ago_s, came_back_ago_s
from stillair.thermal.causes import CLEAR_LEAD, Evidence, scores, told
from stillair.thermal.falls import (
    Fall,
    Share,
    figures,
    going_on,
    leaves_band,
    only_mixes,
    rate_per_min,
)

LEAST_K = 0.5
LEAST_30_K = 0.9
NOISES = 6.0
LEAST_SHARE = 0.02
LEAST_SHARE_30 = 0.035
LEAST_EXCESS_K = 4.0  # nearer to the room nothing can be told
MIXING = 0.3  # risers above this share of the fallers mean mixing
DEAD_S = 2.0
SHARPER = 1.8
USUAL_MOST_PER_MIN = 0.35
HABIT_S = 180.0
GOING_ON_S = 40.0
YOUNG_S = 75.0
OUTSIDE_S = 8
EVEN = 1.8  # highest over lowest share: the whole box is concerned
MIXED = 0.2
SUSPECT_S = 240.0
RETELL_S = 15.0  # figures alone are told anew no sooner
SHARPEN_S = 40.0
DECIDE_S = 150.0  # how long the kind may still change
CHANGE_LEAD = 1.0
BACK_K, BACK_SHARE, BACK_MOST_K = 0.5, 0.12, 1.5
DRAFT_BACK_SHARE = 0.4  # a thermostat makes up for part of a draft
WAIT_S = 12.0  # so long a young fall may wait for a clear cause
GONE_EXCESS_K = 3.0
GONE_S = 300.0
SETTLED_S = 2700.0
SHUT_S = 60.0  # after a switch said shut, slow sensors still fall


class DropWatch:
    """Find doors and drafts in the tracks of the chamber's sensors."""

    def __init__(self) -> None:
        self._fall: Fall | None = None
        self._suspected: Fall | None = None
        self._switch_s: float | None = None  # since when the switch has said open
        self._suspect = 0  # seconds running
        self._usual_per_min = 0.0
        self._look_from_s = -math.inf

    @property
    def standing(self) -> bool:
        """Whether cold air is told to come in just now, by switch or by temperature."""
        return self._fall is not None or self._switch_s is not None

    def is_young(self, t_s: float) -> bool:
        """Whether a fall is suspected that is too young for its cause to be known."""
        return self._suspected is not None and t_s - self._suspected.onset_s < YOUNG_S

    def tick(
        self,
        t_s: float,
        tracks: Sequence[AirTrack],
        room_c: float,
        door_open: bool | None,
        *,
        calm: bool,
        unheated: bool = False,
    ) -> list[Finding]:
        """Judge at a whole second.

        `tracks` are those of the good chamber sensors; not `calm`: there are
        signs of fire, beside which a fall is no news (a switch still is);
        `unheated`: heat input is known to be gone, so that a fall of the whole
        chamber needs to be a clear door.
        """
        findings: list[Finding] = []
        if door_open is not None or self._switch_s is not None:
            self._follow_switch(t_s, tracks, room_c, door_open, findings)
        fall = self._fall
        if fall is None:
            if self._switch_s is None and t_s >= self._look_from_s and calm:
                if self._suspected is None:
                    self._look(t_s, tracks, room_c)
                if self._suspected is not None:
                    self._weigh(t_s, self._suspected, tracks, door_open is None, unheated, findings)
            else:
                self._suspected = None
        else:
            self._follow(t_s, fall, tracks, room_c, door_open, findings)
        return findings

    # --- nothing stands ----------------------------------------------------

    def _look(
        self,
        t_s: float,
        tracks: Sequence[AirTrack],
        room_c: float,
    ) -> None:
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
            noise_k = NOISES * track.noise_k
            least_k = max(LEAST_K, noise_k, LEAST_SHARE * excess_k)
            fallen_k += max(kink_k, 0.0)
            if kink_k >= least_k:
                hits += 1
                strong += kink_k >= 1.5 * least_k
            if track.kink_30_k >= max(LEAST_30_K, noise_k, LEAST_SHARE_30 * excess_k):
                wide += 1
        if not (hits or wide) or risen_k > MIXING * fallen_k:
            self._suspect = 0
            return
        self._suspect += 1
        enough = (
            (hits >= 2 and self._suspect >= 2)
            or (strong and self._suspect >= 3)
            or (hits and valid == 1 and self._suspect >= 3)
            or (wide >= min(2, valid) and self._suspect >= 3)
            or (wide and self._suspect >= 8)
        )
        if enough:
            onset_s, shares = self._measure(t_s, tracks, room_c)
            if shares:
                kink_k = max(s.track.kink_k for s in shares)
                self._suspected = Fall(
                    Kind.DRAFT, onset_s, shares, (), {}, t_s, 0.0, t_s, kink_k=kink_k
                )

    def _weigh(
        self,
        t_s: float,
        fall: Fall,
        tracks: Sequence[AirTrack],
        door_possible: bool,
        unheated: bool,
        findings: list[Finding],
    ) -> None:
        """Tell a suspected fall once it is clearly a door, or a draft that leaves the band."""
        age_s = t_s - fall.onset_s
        alive = [s for s in fall.shares if s.track.seconds > 12 and s.track in tracks]
        for share in alive:
            share.update(t_s, age_s)
        worst = fall.worst
        if (
            not alive
            or t_s - fall.suspected_s > SUSPECT_S
            or worst.now_k < 0.5 * worst.drop_k
            or -min(s.now_k for s in alive) > MIXED * worst.now_k
        ):
            self._suspected = None
            self._suspect = 0
            if alive and worst.now_k < 0.5 * worst.drop_k:
                self._learn_rate(fall)
            return
        if max(s.track.kink_k for s in alive) >= SHARPER * max(fall.kink_k, LEAST_K):
            self._suspected = None  # something sharper has begun: measure that
            return
        kinds = self._judge(t_s, fall, door_possible)
        best = next(iter(kinds))
        if best is Kind.HEAT_LOST:
            return
        clear = told(kinds, best, sure=True)["cause"] == "clear"
        if not (best is Kind.DOOR_OPEN and clear):
            lost = [max(s.lost_share, 0.004) for s in fall.shares]
            even = max(lost) < EVEN * min(lost)
            if even and unheated:
                return
            heat_near = kinds[best] - kinds[Kind.HEAT_LOST] < CLEAR_LEAD
            if even and heat_near and age_s < GOING_ON_S + 5.0:
                return
            if best is Kind.DRAFT and len(lost) > 1 and age_s < WAIT_S:
                return
            outside = sum(leaves_band(share) for share in alive)
            if outside < (0.6 * len(alive) if even else 1) or (
                not even and only_mixes(worst, alive)
            ):
                fall.outside_s = max(0, fall.outside_s - 1)
                return
            fall.outside_s += 1
            if best is Kind.DRAFT and fall.outside_s < OUTSIDE_S:
                return
        fall.kind = best
        fall.onset_s = max(fall.onset_s, self._sharper_onset_s(t_s, fall))
        self._fall, self._suspected = fall, None
        self._tell(t_s, fall, Change.RAISED, kinds, findings)

    def _learn_rate(self, fall: Fall) -> None:
        """What came back by itself is how fast this chamber falls in the ordinary way."""
        rate = min(rate_per_min(fall), USUAL_MOST_PER_MIN)
        if rate > self._usual_per_min:
            self._usual_per_min = rate
        else:
            self._usual_per_min += 0.1 * (rate - self._usual_per_min)

    def _measure(
        self, t_s: float, tracks: Sequence[AirTrack], room_c: float
    ) -> tuple[float, list[Share]]:
        """When it began, from the sensors that fell most; and what each has lost since."""
        starts: list[tuple[float, float]] = []
        for track in tracks:
            if track.seconds >= track.span_s + 40 and (track.kink_k > 0 or track.kink_30_k > 0):
                start = began_ago_s(track)
                if start is not None:
                    starts.append((max(track.kink_k, track.kink_30_k), start))
        if not starts:
            return t_s, []
        starts.sort(reverse=True)
        most_k = starts[0][0]
        ago_s = max(ago for kink_k, ago in starts if kink_k >= 0.5 * most_k)
        back = int(ago_s) + 2
        shares: list[Share] = []
        for track in tracks:
            if track.seconds < back + 16:
                continue
            base_c = track.past_c(back)
            excess_k = base_c - room_c
            if excess_k < LEAST_EXCESS_K:
                continue
            trend = min(0.0, (base_c - track.mean_c(back + 10, back + 16)) / 12.0)
            share = Share(track, base_c, max(trend, -0.1), excess_k, base_c, t_s)
            share.update(t_s, ago_s)
            shares.append(share)
        return t_s - ago_s - DEAD_S, shares

    # --- something stands --------------------------------------------------

    def _follow(
        self,
        t_s: float,
        fall: Fall,
        tracks: Sequence[AirTrack],
        room_c: float,
        door_open: bool | None,
        findings: list[Finding],
    ) -> None:
        age_s = t_s - fall.onset_s
        alive = [s for s in fall.shares if s.track.seconds > 12 and s.track in tracks]
        for share in alive:
            share.update(t_s, age_s)
        if self._switch_s is not None:
            if fall.shares and fall.worst.drop_k >= 1.5 * fall.told_drop_k + 1.0:
                self._tell(t_s, fall, Change.REVISED, {}, findings)
            return None
        if self._is_over(t_s, fall, alive, room_c):
            return self._clear(t_s, fall, findings)
        if age_s > DECIDE_S:
            return None
        kinds = self._judge(t_s, fall, door_open is None)
        best = next(iter(kinds))
        if (
            best is not fall.kind
            and (best is not Kind.HEAT_LOST or age_s >= GOING_ON_S)
            and t_s - fall.told_s >= 5.0
            and kinds[best] - kinds.get(fall.kind, -1e9) >= CHANGE_LEAD
        ):
            was = fall.kind
            fall.kind = best
            self._tell(t_s, fall, Change.REVISED, kinds, findings, was)
        elif (
            t_s - fall.told_s >= RETELL_S and fall.worst.drop_k >= 1.5 * fall.told_drop_k + 1.0
        ) or (t_s - fall.told_s >= 20.0 and self._cause(fall, kinds) != fall.detail["cause"]):
            self._tell(t_s, fall, Change.REVISED, kinds, findings)
        return None

    def _is_over(self, t_s: float, fall: Fall, alive: list[Share], room_c: float) -> bool:
        if not alive:
            return False
        worst_k = fall.worst.drop_k
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
        if 2 * back >= len(concerned) and back:
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
        if t_s - fall.onset_s >= SETTLED_S and all(
            abs(s.track.past_c(0) - s.track.past_c(600)) < 0.5
            for s in alive
            if s.track.seconds > 610
        ):
            fall.detail["ended"] = "the air has settled at its new level"
            return True
        return False

    def _clear(self, t_s: float, fall: Fall, findings: list[Finding]) -> None:
        end_s = t_s
        if "ended" not in fall.detail:
            worst_k = fall.worst.drop_k
            ends = sorted(
                t_s - came_back_ago_s(s.track)
                for s in fall.shares
                if s.drop_k >= 0.4 * worst_k and s.track.seconds
            )
            end_s = ends[(len(ends) - 1) // 2] - DEAD_S
        self._fall = None
        self._suspect = 0
        if (
            fall.kind is Kind.DRAFT
            and end_s - fall.onset_s < HABIT_S
            and "ended" not in fall.detail
        ):
            self._learn_rate(fall)
            for share in fall.shares:
                share.track.band.learn(t_s, share.lowest_c)
        findings.append(
            Finding(
                fall.kind,
                Change.CLEARED,
                t_s,
                round(fall.onset_s, 1),
                fall.sensors,
                {**fall.detail, **figures(fall)},
                end_s=round(max(fall.onset_s, min(end_s, t_s)), 1),
            )
        )

    # --- the switch --------------------------------------------------------

    def _follow_switch(
        self,
        t_s: float,
        tracks: Sequence[AirTrack],
        room_c: float,
        door_open: bool | None,
        findings: list[Finding],
    ) -> None:
        """A door switch settles it at once; the figures come from the sensors."""
        fall = self._fall
        if door_open and self._switch_s is None:
            self._switch_s = t_s
            shares = [
                Share(track, base_c, 0.0, base_c - room_c, base_c, t_s)
                for track in tracks
                if track.seconds > 5
                if (base_c := track.past_c(0)) - room_c > LEAST_EXCESS_K
            ]
            detail: dict[str, JsonValue] = {"cause": "clear", "by": "switch"}
            was = None
            onset_s = t_s
            change = Change.RAISED
            if fall is not None:  # it was felt before the switch was heard
                was, onset_s, shares, change = fall.kind, fall.onset_s, fall.shares, Change.REVISED
            self._fall = fall = Fall(Kind.DOOR_OPEN, onset_s, shares, (), detail, t_s, 0.0, t_s)
            fall.sensors = tuple(sorted(s.track.name for s in shares if s.drop_k > LEAST_K))
            findings.append(
                Finding(
                    Kind.DOOR_OPEN,
                    change,
                    t_s,
                    round(onset_s, 1),
                    fall.sensors,
                    dict(detail),
                    was_kind=was if was is not Kind.DOOR_OPEN else None,
                )
            )
        elif door_open is None and fall is not None and fall.shares:
            self._switch_s = None  # it can't be read any more: the temperatures will tell
        elif not door_open and self._switch_s is not None:
            self._switch_s = None
            self._look_from_s = t_s + SHUT_S
            if fall is not None:
                fall.detail["ended"] = "by switch"
                self._clear(t_s, fall, findings)

    # --- shared ------------------------------------------------------------

    def _judge(self, t_s: float, fall: Fall, door_possible: bool) -> dict[Kind, float]:
        lost = sorted(max(s.lost_share, 0.004) for s in fall.shares)
        spread = lost[-1] / lost[0] if len(lost) > 1 else None
        evidence = Evidence(
            rate_per_min(fall),
            lost[-1],
            spread,
            t_s - fall.onset_s,
            self._usual_per_min,
            going_on(fall) if t_s - fall.onset_s >= GOING_ON_S else None,
        )
        return scores(evidence, door_possible=door_possible)

    def _sharper_onset_s(self, t_s: float, fall: Fall) -> float:
        """The onset seen again from deeper down, where a slow fall before it matters less."""
        worst_k = fall.worst.drop_k
        ago = [began_ago_s(s.track) for s in fall.shares if s.drop_k >= 0.5 * worst_k]
        return t_s - max((a for a in ago if a is not None), default=math.inf) - DEAD_S

    def _cause(self, fall: Fall, kinds: dict[Kind, float]) -> str:
        return told(kinds, fall.kind, sure=len(fall.shares) > 1)["cause"]

    def _tell(
        self,
        t_s: float,
        fall: Fall,
        change: Change,
        kinds: dict[Kind, float],
        findings: list[Finding],
        was: Kind | None = None,
    ) -> None:
        if change is Change.REVISED and t_s - fall.onset_s < SHARPEN_S:
            fall.onset_s = max(fall.onset_s, self._sharper_onset_s(t_s, fall))
        worst_k = fall.worst.drop_k
        fall.sensors = tuple(
            sorted(s.track.name for s in fall.shares if s.drop_k >= max(0.3, 0.25 * worst_k))
        ) or (fall.worst.track.name,)
        if kinds:
            fall.detail = {**told(kinds, fall.kind, sure=len(fall.shares) > 1)}
        fall.detail.update(figures(fall))
        fall.told_s, fall.told_drop_k = t_s, worst_k
        findings.append(
            Finding(
                fall.kind,
                change,
                t_s,
                round(fall.onset_s, 1),
                fall.sensors,
                dict(fall.detail),
                was_kind=was,
            )
        )
