"""Heat lost: the chamber is no longer being heated, though nobody has let cold air in.

Without heat input the air can fall only as its own losses make it, a few per
cent of the excess over the room a minute (3 K/min at most on a real heated
box, after 60 to 84 s of going on rising). A thermostat's pauses and a bed that
is set lower look just so while they last; what tells them apart is that they
end. So it is told once every good sensor has fallen through two and a half
minutes, by half a degree and 8.5 % of the excess (6 % within the first three
minutes: a bed set lower takes longer), and by a fifth and a quarter of a degree
more than the air had fallen at any time in the 25 minutes before; where it had
been warming up till then, by 2.5 K and a tenth of the excess as well, because a
thermostat's first pause comes there. It must go on three quarters as fast as on
the whole way, or half as fast where an eighth of the excess is gone or it goes
by 3.5 % a minute, and twice as fast as before the onset: where a bed was set
lower it slows down. Where the air
has not swung, and falls by 2 to 6 % a minute, which a bed does and no heater's
pause, two minutes are enough. In a pause that was announced an eighth of the
excess has to be gone: a machine that waits may let its bed cool a little.
But where a thermostat let the air swing by 2 K, light air falls to its walls'
temperature at once and with them from then on, so for five minutes the depth
will do.

All heat lost, the air falls at the rate r x, with x its excess and 1/r the
chamber's own time constant; in general at r x - q', with q' the heat input that
is left. Earlier coolings have taught r, and undisturbed stretches of heating the
usual input q (`decays`), so q' / q is the share of the heat that is left. Where
both say that less than a third is gone it was a pause, or the tail of a step,
and isn't told.

A supply that is switched off while a job runs is told at once, and stands until
it is on again. It can be seen without any sensor.

`hypotheses` has the last word: what is clearly a door, a draft or a fan's
mixing isn't told as lost heat. What shows only after 200 s can't be weighed that
way any more. How far lost heat is before a step by schedule, a pause and a weak
draft, says `evidence`; while it isn't clear the cause is uncertain, and it is
told anew once it is. A chamber above its target coasts down to it;
that is nothing. Without a job's marks the end of a job looks the same, and the
event says so. The end is told when the air has come back by a part, holds a
lower level for five minutes, or can't be seen any longer.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise

from stillair.model import AT_WORK, Change, Finding, JobPhase, JsonValue, Kind
from stillair.thermal.air import AirTrack
from stillair.thermal.balance import Balance
from stillair.thermal.evidence import SWITCH_LEAD, loss_leads
from stillair.thermal.falls import ONE_LEAD, told
from stillair.thermal.hypotheses import CLEAR_LEAD, Cause, Verdict

Explain = Callable[[Sequence[float]], Verdict | None]  # of falls that many seconds ago

AROUND_S = (-50, -35, -22, -12, -5, 0, 5, 12, 22, 35, 50)
WARM_K = 4.0  # excess over the room below which there is no heat to lose
GRID_S = 10.0
BAND_S = 1500.0
PEAK_S = 480.0
BAND_K, BAND_SHARE = 0.25, 0.2
SWING_K, SWING_AGE_S = 2.0, 300.0
HIGHEST_BAND_K = 6.0
AGE_S, MARKS_S = 150.0, (0, 50, 100, 150)
EARLY_S, EARLY_MARKS_S = 115.0, (0, 40, 75, 105)
EARLY_PER_MIN, EARLY_SWING = (0.02, 0.06), 0.5  # of the excess; of the fall, in what was before
LEAST_K, LEAST_SHARE = 0.5, 0.085
QUICK_SHARE, QUICK_S = 0.06, 190.0
CLIMB = 48  # grid steps
QUICK_CLIMB_K_PER_MIN = 0.3
EXPLAINED_S, SAME_S = 200.0, 600.0  # older falls can't be weighed any more
BLIND_S, BLIND = 900.0, "no sensor is left that could tell"
PEAK_K, PEAK_SHARE = 2.5, 0.10
LAST_S = 50.0
GOES_ON_SHARE, FAST_GOES_ON_SHARE, QUICKER = 0.75, 0.5, 2.0
DEEP_SHARE, FAST_PER_MIN = 0.12, 0.035  # of the excess: a bed set lower does neither
LEAST_GONE = 0.35  # of the heat
COASTING_K = 0.5
ONSET_SHARE = 0.15  # of the fall, below its peak
AFTER_DOOR_S, EARLY_AFTER_DOOR_S = 240.0, 600.0
BACK_K, BACK_SHARE = 0.7, 0.25
STEP = "a bed that is set lower looks like this too"
END = "without a job's marks this may be the end of a job"
SETTLED_S, SETTLED_K, SETTLED_SHARE = 300.0, 0.2, 0.01  # unheated, it would fall by more
OVER = (JobPhase.COOLING, JobPhase.FINISHED)


class HeatingWatch:
    """Find lost heat in the mean of the chamber's sensors."""

    def __init__(self, target_c: float | None) -> None:
        self._target_c = target_c
        self._grid: deque[tuple[float, float]] = deque(maxlen=int((BAND_S + PEAK_S) / GRID_S))
        self._names: tuple[str, ...] = ()
        self._onset_s: float | None = None
        self._peak_c = 0.0
        self._lowest_c = 0.0
        self._lowest_s = 0.0
        self._fastest = 0.0
        self._sensors: tuple[str, ...] = ()
        self._detail: dict[str, JsonValue] = {}
        self._told_drop_k = 0.0
        self._door_s = -AFTER_DOOR_S * 2
        self._last_c: float | None = None
        self._seen_s = self._vetoed_s = -math.inf
        self._supplied, self._by_supply = True, False

    @property
    def standing(self) -> bool:
        """Whether heat is lost just now."""
        return self._onset_s is not None

    def tick(
        self,
        t_s: float,
        tracks: Sequence[AirTrack],
        room_c: float,
        job: JobPhase | None,
        *,
        explain: Explain,
        cold_air: bool,
        supply_on: bool | None = None,
        balance: Balance | None = None,
    ) -> list[Finding]:
        """Judge at a whole second.

        `explain` weighs what may be behind a fall of one of those ages; `cold_air`
        says that a door or draft stands, `supply_on` what a switch says of the
        heat's supply, `balance` what has been learned of the chamber.
        """
        if cold_air:
            self._door_s = t_s
            if self._onset_s is None:
                self._grid.clear()
        self._supplied = supply_on is not False
        if supply_on is None and self._by_supply:  # from now on the air must show the end
            self._by_supply = False
            self._detail = {"cause": "clear", "lead": round(SWITCH_LEAD, 1)}
        if self._by_supply or (not self._supplied and job in AT_WORK):
            return self._follow_supply(t_s, tracks, room_c, job)
        if not tracks:
            if self._onset_s is not None and (job in OVER or t_s - self._seen_s >= BLIND_S):
                self._detail["ended"] = "the job is over" if job in OVER else BLIND
                return [self._finding(Change.CLEARED, t_s, end_s=t_s)]
            return []
        self._seen_s = t_s
        if self._grid and t_s - self._grid[-1][0] < GRID_S - 0.5:
            return []
        air_c = sum(track.past_c(0) for track in tracks) / len(tracks)
        names = tuple(track.name for track in tracks)
        if names != self._names:
            if self._last_c is not None:  # keep the shape of the past, move its level
                shift_k = air_c - self._last_c
                self._grid = deque(
                    ((s, c + shift_k) for s, c in self._grid), maxlen=self._grid.maxlen
                )
                self._peak_c += shift_k
                self._lowest_c += shift_k
            self._names = names
        self._last_c = air_c
        self._grid.append((t_s, air_c))
        if self._onset_s is None:
            return self._look(t_s, air_c, tracks, room_c, job, explain, balance)
        return self._follow(t_s, air_c, room_c, job)

    def _look(
        self,
        t_s: float,
        air_c: float,
        tracks: Sequence[AirTrack],
        room_c: float,
        job: JobPhase | None,
        explain: Explain,
        balance: Balance | None,
    ) -> list[Finding]:
        excess_k = air_c - room_c
        if (
            excess_k < WARM_K
            or job in OVER
            or t_s - self._door_s < AFTER_DOOR_S
            or (self._target_c is not None and air_c > self._target_c - COASTING_K)
            or not all(_falls(track, EARLY_MARKS_S) for track in tracks)
        ):
            return []
        recent = [(s, c) for s, c in self._grid if s >= t_s - PEAK_S]
        peak_s, peak_c = max(recent, key=lambda sample: (sample[1], sample[0]))
        fallen_k = peak_c - air_c
        onset_s = max(s for s, c in recent if c >= peak_c - ONSET_SHARE * fallen_k or s == peak_s)
        age_s = t_s - onset_s
        if age_s < EARLY_S:
            return []
        share = fallen_k / (peak_c - room_c)
        per_min = share * 60.0 / age_s
        before = [c for s, c in self._grid if onset_s - BAND_S <= s <= onset_s]
        fallen_before_k = _deepest_fall_k(before)
        early = age_s < AGE_S or not all(_falls(track, MARKS_S) for track in tracks)
        if early:
            slowest, fastest = EARLY_PER_MIN
            stood_still = (
                t_s - self._door_s >= EARLY_AFTER_DOOR_S
                and fallen_before_k <= EARLY_SWING * fallen_k
            )
            if not (stood_still and slowest <= per_min <= fastest):
                return []
        going_on = self._going_on(t_s, age_s, fallen_k)
        swings = fallen_before_k >= SWING_K and age_s < SWING_AGE_S
        fast = share >= DEEP_SHARE or (per_min >= FAST_PER_MIN and not early)
        least = FAST_GOES_ON_SHARE if fast else GOES_ON_SHARE
        if not swings and (going_on < least or not self._quickened(t_s, age_s, fallen_k)):
            return []
        if balance is not None and _gone(balance, excess_k, 0.6 * self._fell_k(100.0)) < LEAST_GONE:
            return []
        least_share = QUICK_SHARE if age_s < QUICK_S else LEAST_SHARE
        if job is JobPhase.PAUSED:
            least_share = DEEP_SHARE
        least_k = max(
            LEAST_K,
            least_share * (peak_c - room_c),
            BAND_K + (1.0 + BAND_SHARE) * min(fallen_before_k, HIGHEST_BAND_K),
        )
        climb_k = peak_c - min(before[-CLIMB:], default=peak_c)
        if len(before) < CLIMB or climb_k > QUICK_CLIMB_K_PER_MIN * CLIMB * GRID_S / 60.0:
            least_k = max(least_k, PEAK_K, PEAK_SHARE * (peak_c - room_c))
        if fallen_k < least_k:
            return []
        verdict = None
        if age_s < EXPLAINED_S:
            verdict = explain([age_s + around for around in AROUND_S])
            if verdict is not None and verdict.best in (Cause.NOTHING, Cause.HEAT):
                verdict = None  # so slow a fall passes for the trend it began with
        elif t_s - self._vetoed_s < SAME_S:
            return []  # it was something else when that could still be told
        else:
            onset_s = t_s - age_s / (1.0 - ONSET_SHARE)  # a straight fall's
        if verdict is not None:
            if verdict.best in (Cause.DOOR, Cause.DRAFT, Cause.MIXING) and (
                verdict.lead_over(Cause.HEAT_LOST) >= CLEAR_LEAD
            ):
                self._vetoed_s = t_s
                return []
            if verdict.best is Cause.HEAT_LOST and not verdict.at_edge:
                onset_s = t_s - verdict.ago_s
        self._onset_s = onset_s
        self._peak_c, self._lowest_c, self._lowest_s = peak_c, air_c, t_s
        self._fastest = max(track.past_c(60) - track.past_c(0) for track in tracks)
        self._sensors = tuple(sorted(track.name for track in tracks))
        self._detail = {} if verdict is None else told(verdict, Kind.HEAT_LOST)
        self._add_rivals(loss_leads(share, going_on, age_s, LAST_S, job))
        if job is None:
            self._detail["reason"] = END
        if not self._supplied:
            self._take_supplys_word()
        return [self._finding(Change.RAISED, t_s)]

    def _follow_supply(
        self, t_s: float, tracks: Sequence[AirTrack], room_c: float, job: JobPhase | None
    ) -> list[Finding]:
        """Tell lost heat by the switch of its supply, and its end by the same."""
        air_c = sum(track.past_c(0) for track in tracks) / len(tracks) if tracks else None
        if air_c is not None and self._onset_s is not None and air_c < self._lowest_c:
            self._lowest_c, self._lowest_s = air_c, t_s
        if not self._by_supply:
            return self._begin_by_supply(t_s, tracks, room_c, air_c)
        if job in OVER:
            self._detail["ended"] = "the job is over: the chamber is cooling down"
        elif self._supplied:
            self._detail["ended"] = "its supply is on again"
        elif air_c is not None and air_c - room_c < 0.5 * WARM_K:
            self._detail["ended"] = "no heat is left that could be lost"
        else:
            return []
        self._by_supply = False
        return [self._finding(Change.CLEARED, t_s, end_s=t_s)]

    def _begin_by_supply(
        self, t_s: float, tracks: Sequence[AirTrack], room_c: float, air_c: float | None
    ) -> list[Finding]:
        change = Change.REVISED
        if self._onset_s is None:
            if air_c is None and t_s - self._seen_s < BLIND_S:
                air_c = self._last_c  # it was heard of lately
            if air_c is None or air_c - room_c < WARM_K:
                return []  # nobody can see that there is heat to be lost
            change, self._onset_s, self._fastest = Change.RAISED, t_s, 0.0
            self._sensors = tuple(sorted(track.name for track in tracks))
            self._peak_c, self._lowest_c, self._lowest_s = air_c, air_c, t_s
        self._take_supplys_word()
        return [self._finding(change, t_s)]

    def _take_supplys_word(self) -> None:
        self._by_supply = True
        self._detail = {"cause": "clear", "by": "supply", "lead": round(SWITCH_LEAD, 1)}
        self._detail["reason"] = "its supply is switched off"

    def _fell_k(self, within_s: float) -> float:
        """By how much it fell within so long till now, by means of half a minute."""
        steps, past = round(within_s / GRID_S), list(self._grid)
        then = past[-3 - steps : -steps]
        if len(then) < 3 or past[-1][0] - then[0][0] > within_s + 4.0 * GRID_S:
            return 0.0
        return (sum(c for _, c in then) - sum(c for _, c in past[-3:])) / 3.0

    def _going_on(self, t_s: float, age_s: float, fallen_k: float) -> float:
        """How many times as fast the air falls now as on the whole way; 0 if unknown."""
        if len([s for s, _ in self._grid if s >= t_s - 180.0]) < 16:
            return 0.0
        return self._fell_k(LAST_S) / LAST_S * age_s / max(fallen_k, 0.01)

    def _quickened(self, t_s: float, age_s: float, fallen_k: float) -> bool:
        """Whether the air falls faster than it had before the onset."""
        before = [c for s, c in self._grid if t_s - age_s - 310.0 <= s <= t_s - age_s - 20.0]
        if len(before) < 12:
            return True
        third = len(before) // 3
        fell_k = (sum(before[:third]) - sum(before[-third:])) / third
        rate_before = max(0.0, fell_k) / (GRID_S * (len(before) - third))
        return fallen_k / age_s >= QUICKER * rate_before

    def _add_rivals(self, leads: Mapping[str, float]) -> None:
        """Say how surely it is lost heat, beside what `told` has said or may not say any more."""
        detail = self._detail
        if "lead" not in detail:
            need = CLEAR_LEAD if len(self._sensors) > 1 else ONE_LEAD
            clear = leads["draft"] >= need
            detail.update(cause="clear" if clear else "uncertain", lead=leads["draft"])
        rival = min(leads["step"], leads["pause"])
        lead = detail["lead"]
        assert isinstance(lead, float)
        detail["lead"] = round(min(lead, rival), 1)
        if rival < CLEAR_LEAD:
            detail["cause"] = "uncertain"
            detail.setdefault("reason", STEP)
        elif detail.get("reason") == STEP:
            del detail["reason"]
        if detail["cause"] == "clear":
            detail.pop("or", None)
        else:
            detail.setdefault("or", Kind.DRAFT.value)

    def _follow(
        self, t_s: float, air_c: float, room_c: float, job: JobPhase | None
    ) -> list[Finding]:
        assert self._onset_s is not None
        if air_c < self._lowest_c:
            self._lowest_c, self._lowest_s = air_c, t_s
        drop_k = self._peak_c - self._lowest_c
        if job in OVER:
            self._detail["ended"] = "the job is over: the chamber is cooling down"
            return [self._finding(Change.CLEARED, t_s, end_s=t_s)]
        if air_c - self._lowest_c >= max(BACK_K, BACK_SHARE * min(drop_k, 8.0)):
            return [self._finding(Change.CLEARED, t_s, end_s=self._lowest_s)]
        if air_c - room_c < 0.5 * WARM_K:
            self._detail["ended"] = "no heat is left that could be lost"
            return [self._finding(Change.CLEARED, t_s, end_s=t_s)]
        held = [c for s, c in self._grid if s >= t_s - SETTLED_S]
        level = SETTLED_K + SETTLED_SHARE * (air_c - room_c)
        if len(held) >= 0.9 * SETTLED_S / GRID_S and max(held) - min(held) < level:
            self._detail["ended"] = "the air holds a lower level: heat comes in again"
            return [self._finding(Change.CLEARED, t_s, end_s=t_s - SETTLED_S)]
        was = self._detail["cause"]
        if was == "uncertain" and air_c <= self._lowest_c:  # what comes back tells no more of it
            fallen_k, age_s = self._peak_c - air_c, t_s - self._onset_s
            going_on = self._going_on(t_s, age_s, fallen_k)
            share = fallen_k / max(self._peak_c - room_c, WARM_K)
            del self._detail["lead"]
            self._add_rivals(loss_leads(share, going_on, age_s, LAST_S, job))
        if was != self._detail["cause"] or drop_k >= 2.0 * self._told_drop_k + 1.0:
            return [self._finding(Change.REVISED, t_s)]
        return []

    def _finding(self, change: Change, t_s: float, *, end_s: float | None = None) -> Finding:
        assert self._onset_s is not None
        self._told_drop_k = self._peak_c - self._lowest_c
        detail: dict[str, JsonValue] = {
            **self._detail,
            "drop_k": round(self._told_drop_k, 1),
            "fastest_k_per_min": round(-self._fastest, 1) + 0.0,
        }
        onset_s = self._onset_s
        if change is Change.CLEARED:
            self._onset_s = None
            if "ended" in self._detail:
                self._grid.clear()  # what came back stays in the band: it may be a habit
        return Finding(Kind.HEAT_LOST, change, t_s, onset_s, self._sensors, detail, end_s=end_s)


def _deepest_fall_k(course_c: Sequence[float]) -> float:
    """By how much the course has fallen at most from what it had reached, K."""
    highest_c, deepest_k = -math.inf, 0.0
    for value_c in course_c:
        highest_c = max(highest_c, value_c)
        deepest_k = max(deepest_k, highest_c - value_c)
    return deepest_k


def _gone(balance: Balance, excess_k: float, fall_k_per_min: float) -> float:
    """Which share of its usual heat input a chamber that falls so has lost; 1 if unknown."""
    if not balance.cooling_per_min:
        return 1.0
    losses = balance.cooling_per_min * excess_k
    usual = balance.heat_k_per_min or losses
    return max(fall_k_per_min / losses, 1.0 - (losses - fall_k_per_min) / usual)


def _falls(track: AirTrack, marks_s: Sequence[int]) -> bool:
    """Whether this sensor has fallen from each mark, so many seconds ago, to the next."""
    if track.seconds < marks_s[-1] + 30:
        return False
    marks_c = [track.mean_c(ago, ago + 20) for ago in marks_s]
    least_k = max(0.03, 0.3 * track.noise_k)
    return all(later + least_k < earlier for later, earlier in pairwise(marks_c))
