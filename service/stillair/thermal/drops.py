"""Doors and drafts: falls of the air that set in at once, told with their figures and their end.

A suspected fall (`suspicion`) is weighed again and again by `hypotheses`,
through the lags that `balance` has learned, until it is told or has come back.
Told is what the best explanation says once it is far enough before lost heat,
mixing and heat, and while the fall is still near its depth:

- a door at once, where it is before a draft as well, or after 25 s all the same;
- a draft after 25 s, with 1.7 K at least, once a sensor has been colder for 8 s
  than in the eight minutes before; a lone sensor needs 6 % of the excess, because
  it can't see that a fan only mixes the air;
- what came back within 45 s was a door where a draft isn't clearly before it:
  who lets in air for so short a time has opened something.

A chamber may do such things by itself (see `habits`). A thermostat's pause looks
like lost heat, and its first ones, after warming up, like a break: air that has
climbed for eight minutes by 0.3 K/min or more gets 150 s to turn again, unless
lost heat is far behind or 60 changes an hour take a seventh of the excess; and
where the air swings by half of the fall, it must be colder than in those swings.
Beside three like falls within half an hour it must be 1.3 times as deep. Falls
that come back by themselves twice within half an hour are a habit, and what is
told must be half as quick again or colder than the last minutes. A draft must
be deeper than the rises of the last two hours. Where the air, having fallen less
and less steeply, bends down anew, the new fall is measured by itself: a door
opened in a thermostat's pause. Where a thermostat's swings are known (see `cycles`),
a fall within them is none, and what breaks them is told with 1.5 K. One reading of
one sensor read seldom is a slip. For two and a half minutes the kind may still be
revised, but not in broken swings: the heater makes up for what is lost.

The end is told once half of the sensors concerned have been 5 s on their way
back, by a quarter of what they lost (two fifths in a draft, part of which a
thermostat makes up for). It is dated where the curve bends (see `bends`), less
the 2 s that air stays at a sensor before new air is there. The onset is the
fitted one. `lead` says how far, in log-likelihood, the cause is before the
next; `air_changes_per_h` the exchange that explains the fall; `degree_minutes`
what the worst sensor lost against the expectation; `recovery_s`, with the end,
how long after it nine tenths will be back, if it goes on as it has so far. It
also ends, with the reason in `ended`, where the air is too close to the room's,
has settled at a new level for good, or no sensor has been left for a quarter of
an hour. A draft or lost heat that has stood for a minute gives way to a door, a
door that has stood for a quarter of an hour to another.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from stillair.model import Change, Finding, JsonValue, Kind
from stillair.thermal.air import AirTrack
from stillair.thermal.balance import Balance
from stillair.thermal.cycles import BROKEN_S, Cycles
from stillair.thermal.falls import (
    DEAD_S,
    KINDS,
    USUAL_S,
    Fall,
    Share,
    came_back_s,
    figures,
    finding,
    has_turned,
    is_over,
    keeps_warm,
    leaves_band,
    recovery_s,
    told,
)
from stillair.thermal.habits import Returns, Rises, Swings
from stillair.thermal.hypotheses import CLEAR_LEAD, Cause, Verdict
from stillair.thermal.suspicion import (
    LEAST_EXCESS_K,
    LEAST_K,
    Trigger,
    begun,
    begun_in_pause,
    begun_within,
    sharpens,
)
from stillair.thermal.weighing import explain, learn_lags, straight_before_s

AROUND_S = (-14, -8, -4, -2, -1, 0, 1, 2, 4, 8, 14)  # instants tried about the known onset
RECENT_S = (6, 10, 15, 22)  # and ages of something newer
LEARN_AGE_S = 50.0
LATE_S, LONG_STRAIGHT_S = 6, 50.0
SEE_S = 60.0
# What it takes to be told
FIRM = 8.0  # over nothing
DOOR_LEAD = 1.0
DRAFT_AGE_S, DRAFT_LEAST_K, ALONE_SHARE, LEISURE_PER_H = 25.0, 1.7, 0.06, 6.0
LONG_S, LONG_LEAD = 60.0, 1.0  # by then a draft may be told though its cause isn't clear
HEATED_DOOR, SWINGS_LEAST_K = 0.5, 1.5
STILL_DOWN, SHORT_S, SELDOM_S = 0.7, 45.0, 3.0
OUTSIDE_S, WIDE_OUTSIDE_S = 8, 2
TURN_S, TURN_PER_H, TURN_SHARE = 150.0, 60.0, 0.15
SHARP_LEAD, RESTLESS_SHARE = 20.0, 0.5
MIRRORED, RECOVERY_S, DEEPER = 1.2, 900.0, 1.3
QUICKER, HABIT_S = 1.5, 180.0
OVERTAKEN_S, STALE_S = 60.0, 900.0  # no draft or lost heat of that age hides a door, no door
# When a suspicion ends untold
SUSPECT_S, MIXED = 240.0, 0.2
STEEP_APART_S, STEEP_AGO_S = 20.0, 6.0
PAUSE_FADES_S = 30.0
# What stands
RETELL_S = 15.0  # figures alone are told anew no sooner
SHARPEN_S, BACK_WAIT_S = 40.0, 90.0
DECIDE_S, CHANGE_LEAD = 150.0, 1.0  # how long the kind may still change
GOING_ON_S, LOSS_LEAD = 60.0, 2.0 * CLEAR_LEAD
SHUT_S = 60.0  # after a switch said shut, slow sensors still fall


class DropWatch:
    """Find doors and drafts in the tracks of the chamber's sensors."""

    def __init__(self, balance: Balance | None = None) -> None:
        self._balance = balance or Balance()
        self._fall: Fall | None = None
        self._suspected: Fall | None = None
        self._switch_s: float | None = None  # since when the switch has said open
        self._opened: Fall | None = None  # what a switch told last
        self._trigger = Trigger()
        self._rises, self._swings = Rises(), Swings()
        self._cycles = Cycles(self._balance)
        self._returns = Returns(self._balance)
        self._look_from_s = self._see_s = self._ended_s = -math.inf

    @property
    def standing(self) -> bool:
        """Whether cold air is told to come in just now, by switch or by temperature."""
        return self._fall is not None or self._switch_s is not None

    @property
    def heat_lost(self) -> bool:
        """Whether what stands has turned out to be lost heat: no cold air comes in."""
        return self._fall is not None and self._fall.kind is Kind.HEAT_LOST

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
        `unheated`: heat input is known to be gone, so that a draft has to be
        clearly before lost heat, and isn't revised to it.
        """
        findings: list[Finding] = []
        if door_open is not None or self._switch_s is not None:
            self._follow_switch(t_s, tracks, room_c, door_open, findings)
        if self._fall is not None:
            self._follow(t_s, self._fall, tracks, room_c, door_open, unheated, findings)
        elif t_s >= self._see_s and calm:  # a fall would look like noise
            self._see_s = t_s + SEE_S
            for track in tracks:
                self._balance.sensor(track.name).see(track.step_k, track.noise_k)
            self._balance.compare({t.name: t.now_c - room_c for t in tracks}, SEE_S)
        if unheated:
            self._cycles.forget()
        self._cycles.see(t_s, tracks)
        if self._fall is None and calm and t_s - self._ended_s > RECOVERY_S:
            self._rises.see(t_s, tracks)
        fall = self._fall
        free = fall is None or t_s - fall.onset_s >= (
            STALE_S if fall.kind is Kind.DOOR_OPEN else OVERTAKEN_S
        )
        if free and calm and self._switch_s is None and t_s >= self._look_from_s:
            if self._suspected is None:
                self._suspected = self._trigger.look(t_s, tracks, room_c)
                if self._suspected is None and self._cycles.below_s >= BROKEN_S:
                    ago_s = t_s - self._cycles.fallen_since_s(tracks)
                    self._suspected = begun(t_s, tracks, room_c, min(ago_s, SUSPECT_S))
            if self._suspected is not None:
                self._weigh(
                    t_s, self._suspected, tracks, room_c, door_open is None, unheated, findings
                )
        else:
            self._suspected = None
        return findings

    # --- nothing stands ----------------------------------------------------

    def _weigh(
        self,
        t_s: float,
        fall: Fall,
        tracks: Sequence[AirTrack],
        room_c: float,
        door_possible: bool,
        unheated: bool,
        findings: list[Finding],
    ) -> None:
        """Tell a suspected fall once it is clear enough what it is; drop one that has come back."""
        age_s = t_s - fall.onset_s
        alive = [s for s in fall.shares if s.track.seconds > 12 and s.track in tracks]
        for share in alive:
            share.update(t_s, age_s)
        worst = fall.worst
        if (
            not alive
            or t_s - fall.suspected_s > SUSPECT_S
            or worst.now_k < STILL_DOWN * worst.drop_k
            or -min(s.now_k for s in alive) > MIXED * worst.now_k
        ):
            self._suspected = None
            self._trigger.rest()
            if alive and worst.now_k < STILL_DOWN * worst.drop_k:
                self._swings.note(fall.onset_s, worst.drop_k)
                self._returns.note(t_s, fall.verdict)
            return
        fall.kink_30_k = max(fall.kink_30_k, *(s.track.kink_30_k for s in alive))
        if sharpens(t_s, fall, alive):
            newer = begun_within(t_s, fall, [s.track for s in alive], room_c)
            if newer is not None:  # something sharper has begun since: measure that
                self._suspected = newer
                return
        steep_s = self._cycles.steep_since_s(tracks)
        if steep_s is not None and not fall.in_pause and fall.onset_s < steep_s - STEEP_APART_S:
            newer = begun_in_pause(t_s, fall, tracks, room_c, t_s - steep_s + STEEP_AGO_S)
            if newer is not None:
                self._suspected = newer
                return
        verdict = self._judge(t_s, fall, room_c, door_possible)
        best = None if verdict is None else self._sure_of(t_s, fall, alive, verdict, unheated)
        if verdict is None or best is None:
            return
        fall.kind = KINDS[best]
        fall.onset_s = t_s - verdict.ago_s
        fall.degree_minutes = max(0.0, worst.now_k) * age_s / 120.0
        if self._fall is not None:
            if best is not Cause.DOOR:
                return
            self._fall.detail["ended"] = "a door was opened"
            self._clear(t_s, self._fall, findings)
            self._ended_s = fall.onset_s - OVERTAKEN_S
        self._fall, self._suspected = fall, None
        self._tell(t_s, fall, Change.RAISED, verdict, findings)

    def _sure_of(
        self, t_s: float, fall: Fall, alive: list[Share], verdict: Verdict, unheated: bool
    ) -> Cause | None:
        """As what a suspected fall is to be told; None where it isn't, or not yet."""
        best, worst = verdict.best, fall.worst
        tracks = [share.track for share in alive]
        if self._cycles.swinging(tracks):
            since_s = t_s - max(self._cycles.below_s, verdict.ago_s)
            new = self._fall is None and since_s >= self._ended_s
            fall.heated = True  # a pause is in them: what is told is no heat lost
            if new and worst.drop_k >= SWINGS_LEAST_K and self._cycles.broken(tracks):
                door, draft = (verdict.scores.get(c, -math.inf) for c in (Cause.DOOR, Cause.DRAFT))
                return Cause.DOOR if door > draft - HEATED_DOOR else Cause.DRAFT
            if self._cycles.steep_since_s(tracks) is None:
                return None
        if best not in (Cause.DOOR, Cause.DRAFT) or verdict.at_edge:
            return None
        age_s = t_s - fall.onset_s
        over_door = verdict.scores[best] - verdict.scores.get(Cause.DOOR, -math.inf)
        if best is Cause.DRAFT and over_door < CLEAR_LEAD and age_s < SHORT_S:
            if not has_turned(alive):
                return None
            best = Cause.DOOR  # who lets air in for less than a minute has opened something
        ahead = verdict.lead_over(Cause.HEAT_LOST, Cause.MIXING, Cause.HEAT)
        at_leisure = best is Cause.DRAFT and age_s >= (TURN_S if fall.from_climb else LONG_S)
        if verdict.scores[best] < FIRM or ahead < (LONG_LEAD if at_leisure else CLEAR_LEAD):
            return None
        if t_s - verdict.ago_s < self._ended_s:
            return None  # that one has been told
        if worst.drop_k + fall.before_k < DEEPER * self._swings.usual_k(t_s):
            return None
        felt = [share for share in alive if share.now_k >= LEAST_K]
        if len(felt) == 1 and t_s - fall.suspected_s < felt[0].track.usual_s > SELDOM_S:
            return None  # one reading of one sensor may be a slip
        # Air that stops rising bends as much as air that falls, but loses nothing.
        climb_k = max(0.0, worst.slope_k_per_s) * age_s
        if worst.now_k < max(1.5 * climb_k, LEAST_K, STILL_DOWN * worst.drop_k):
            return None
        outside = sum(leaves_band(share) for share in alive)
        fall.outside_s = fall.outside_s + 1 if outside else 0
        turning = fall.from_climb and age_s < TURN_S and ahead < SHARP_LEAD
        least_per_h = QUICKER * 60.0 * (self._balance.loss_per_min or 0.0)
        if best is Cause.DOOR:
            rival = verdict.scores.get(Cause.DRAFT, -math.inf)
            if verdict.scores[best] - rival < DOOR_LEAD and age_s < DRAFT_AGE_S:
                return None
            if verdict.exchange_per_h < least_per_h and fall.outside_s < OUTSIDE_S:
                return None
            restless = worst.low_c is None or worst.height_k > RESTLESS_SHARE * worst.drop_k
            wide_open = verdict.exchange_per_h >= TURN_PER_H and verdict.share >= TURN_SHARE
            if turning and not wide_open:
                return None
            if wide_open:  # the door before is no swing of the air's own
                restless = restless and t_s - self._ended_s > USUAL_S
            outside_s = WIDE_OUTSIDE_S if wide_open else OUTSIDE_S
            return None if restless and fall.outside_s < outside_s else best
        least_k = max(DRAFT_LEAST_K, (ALONE_SHARE if len(alive) == 1 else 0.0) * worst.excess_k)
        if turning or worst.now_k < least_k or age_s < DRAFT_AGE_S:
            return None
        if unheated and age_s < LONG_S:
            return None
        if fall.kink_30_k < MIRRORED * self._rises.usual_k:
            return None
        if ahead < CLEAR_LEAD and (
            unheated or verdict.exchange_per_h < max(least_per_h, LEISURE_PER_H)
        ):
            return None
        return best if fall.outside_s >= OUTSIDE_S else None

    # --- something stands --------------------------------------------------

    def _follow(
        self,
        t_s: float,
        fall: Fall,
        tracks: Sequence[AirTrack],
        room_c: float,
        door_open: bool | None,
        unheated: bool,
        findings: list[Finding],
    ) -> None:
        age_s = t_s - fall.onset_s
        alive = [s for s in fall.shares if s.track.seconds > 12 and s.track in tracks]
        for share in alive:
            share.update(t_s, age_s)
        if alive:
            fall.seen_s = t_s
            fall.degree_minutes += max(0.0, max(s.now_k for s in alive)) / 60.0
        if self._switch_s is None and is_over(fall, t_s, alive, room_c):
            if not fall.heated or self._cycles.below_s <= 0.0:
                return self._clear(t_s, fall, findings)
            if fall.back_at_s is None:  # it may be the heater that makes up for it
                fall.back_at_s, fall.back_end_s = t_s, came_back_s(t_s, fall)
        if fall is self._opened:  # what a switch saw stays what it is
            if fall.shares and fall.worst.drop_k >= 1.5 * fall.told_drop_k + 1.0:
                self._tell(t_s, fall, Change.REVISED, None, findings)
            return None
        if age_s > DECIDE_S:
            return None
        verdict = self._judge(t_s, fall, room_c, door_open is None)
        if verdict is None or not any(cause in KINDS for cause in verdict.scores):
            return None
        cause, score = next((c, s) for c, s in verdict.scores.items() if c in KINDS)
        best = KINDS[cause]
        lead = score - verdict.scores.get(Cause(fall.kind.value), -math.inf)
        if (
            best is not fall.kind
            and not fall.heated  # what the heater makes up for looks like less than it is
            and (best is not Kind.HEAT_LOST or (age_s >= GOING_ON_S and not unheated))
            and t_s - fall.told_s >= 5.0
            and lead >= (LOSS_LEAD if best is Kind.HEAT_LOST else CHANGE_LEAD)
        ):
            was = fall.kind
            fall.kind = best
            self._tell(t_s, fall, Change.REVISED, verdict, findings, was)
        elif (
            t_s - fall.told_s >= RETELL_S and fall.worst.drop_k >= 1.5 * fall.told_drop_k + 1.0
        ) or (
            t_s - fall.told_s >= 20.0
            and told(verdict, fall.kind, heated=fall.heated)["cause"] != fall.detail.get("cause")
        ):
            self._tell(t_s, fall, Change.REVISED, verdict, findings)
        return None

    def _clear(self, t_s: float, fall: Fall, findings: list[Finding]) -> None:
        end_s = t_s
        if "ended" not in fall.detail:
            end_s = came_back_s(t_s, fall)
            if fall.back_at_s is not None and t_s - fall.back_at_s < BACK_WAIT_S:
                end_s = fall.back_end_s
            worst = max((s for s in fall.shares if s.track.seconds), key=lambda s: s.drop_k)
            back_s = recovery_s(t_s, end_s, worst)
            if back_s is not None:
                fall.detail["recovery_s"] = back_s
        self._fall = None
        self._trigger.rest()
        self._cycles.forget()
        self._ended_s = end_s
        if end_s - fall.onset_s < HABIT_S and "ended" not in fall.detail:
            self._swings.note(fall.onset_s, fall.worst.drop_k)
            if fall.kind is Kind.DRAFT:
                self._returns.note(t_s, fall.verdict)
        fall.detail.update(figures(fall))
        end_s = round(max(fall.onset_s, min(end_s, t_s)), 1)
        findings.append(finding(fall, Change.CLEARED, t_s, end_s=end_s))

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
            if fall is not None and fall.kind is Kind.HEAT_LOST:  # another thing, not this door
                fall.detail["ended"] = "a door was opened: nobody can see whether heat comes in"
                self._clear(t_s, fall, findings)
                fall = None
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
            fall = Fall(Kind.DOOR_OPEN, onset_s, shares, (), detail, t_s, 0.0, t_s)
            self._fall = self._opened = fall
            fall.sensors = tuple(sorted(s.track.name for s in shares if s.drop_k > LEAST_K))
            was = was if was is not Kind.DOOR_OPEN else None
            findings.append(finding(fall, change, t_s, was=was))
        elif fall is None or fall is not self._opened:
            self._switch_s = None
        elif door_open is None:  # it can't be read any more: the temperatures will tell
            if fall.shares:
                self._switch_s = None
            elif any(keeps_warm(track, room_c + LEAST_EXCESS_K) for track in tracks):
                self._switch_s = None
                fall.detail["ended"] = "its switch can't be read any more, and the air keeps warm"
                self._clear(t_s, fall, findings)
        elif not door_open:
            self._switch_s = None
            self._look_from_s = t_s + SHUT_S
            fall.detail["ended"] = "by switch"
            self._clear(t_s, fall, findings)

    # --- shared ------------------------------------------------------------

    def _judge(self, t_s: float, fall: Fall, room_c: float, door_possible: bool) -> Verdict | None:
        """Weigh the explanations anew where that is due; the latest verdict otherwise."""
        if t_s < fall.next_s:
            return fall.verdict
        if fall.verdict is not None and has_turned(fall.shares):
            fall.next_s = t_s + 2.0
            return fall.verdict  # on its way back: what comes now tells no more of the cause
        age_s = t_s - fall.onset_s
        fall.next_s = t_s + (2.0 if age_s < 12.0 else 5.0 if age_s < 40.0 else 0.25 * age_s)
        tracks = [share.track for share in fall.shares]
        suspected = self._suspected is fall
        recent = (ago for ago in RECENT_S if suspected and ago < age_s + AROUND_S[0])
        since_s = t_s - self._ended_s - DEAD_S
        straight = straight_before_s(tracks, int(age_s) + LATE_S) if suspected else math.inf
        fall.verdict = verdict = explain(
            self._balance,
            tracks,
            room_c,
            [*recent, *(age_s + around for around in AROUND_S)],
            door_possible=door_possible,
            since_s=min(since_s, age_s + LATE_S + straight),
            fades_s=PAUSE_FADES_S if fall.in_pause else math.inf,
        )
        if verdict is not None and age_s >= LEARN_AGE_S and not fall.learned:
            fall.learned = True
            learn_lags(self._balance, verdict)
        if verdict is not None and suspected:
            if verdict.at_edge and straight < LONG_STRAIGHT_S:
                return verdict  # what is before belongs to another bend
            fall.onset_s = t_s - verdict.ago_s
            if verdict.ago_s < age_s + AROUND_S[0]:  # something has begun since: measure that
                self._suspected = begun(t_s, tracks, room_c, verdict.ago_s)
                return None
        return verdict

    def _tell(
        self,
        t_s: float,
        fall: Fall,
        change: Change,
        verdict: Verdict | None,
        findings: list[Finding],
        was: Kind | None = None,
    ) -> None:
        if verdict is not None and change is Change.REVISED and t_s - fall.onset_s < SHARPEN_S:
            fall.onset_s = t_s - verdict.ago_s
        worst_k = fall.worst.drop_k
        fall.sensors = tuple(
            sorted(s.track.name for s in fall.shares if s.drop_k >= max(0.3, 0.25 * worst_k))
        ) or (fall.worst.track.name,)
        if verdict is not None:
            fall.detail = told(verdict, fall.kind, heated=fall.heated)
            if fall.kind is not Kind.HEAT_LOST:
                fall.detail["air_changes_per_h"] = round(max(verdict.exchange_per_h, 0.0))
        fall.detail.update(figures(fall))
        fall.told_s, fall.told_drop_k = t_s, worst_k
        findings.append(finding(fall, change, t_s, was=was))
