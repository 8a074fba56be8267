"""Heat lost: the chamber is no longer being heated, though nobody has let cold air in.

Without heat input the air can fall only as its own losses make it, a few per
cent of the excess over the room a minute (3 K/min at most on a real heated
box, after 60 to 84 s of going on rising). A thermostat's own cycles look just
so while they last; what tells them apart is that lost heat goes below the
band the air has kept. So it is told when every good sensor has fallen through
a minute and the air

- is below the lowest of the quarter of an hour before the peak by 0.7 K and a
  third of that band's height; or
- has fallen from its peak by 2.5 K and a tenth of the excess, for 100 s, where
  it had been warming up till then.

A chamber above its target coasts down to it; that is nothing. Without a job's
marks the end of a job looks the same, and the event says so.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from stillair.model import Change, Finding, JobPhase, JsonValue, Kind
from stillair.thermal.air import AirTrack

WARM_K = 8.0  # excess over the room below which there is no heat to lose
GRID_S = 10.0
BAND_S = 900.0
PEAK_S = 480.0
BAND_K, BAND_SHARE = 0.7, 0.35
HIGHEST_BAND_K = 6.0
NEW_S = 300.0  # a peak 1 K above all that is older than this is one of warming up
FALLEN_K, FALLEN_SHARE = 1.0, 0.03
PEAK_K, PEAK_SHARE, PEAK_AGE_S = 2.5, 0.10, 100.0
RATE_PER_MIN = 0.008  # least fall as a share of the excess
FASTEST_PER_MIN = 0.25  # faster than losses allow: something else
COASTING_K = 0.5
ONSET_SHARE = 0.15  # of the fall, below its peak
AFTER_DOOR_S = 240.0
BACK_K, BACK_SHARE = 0.7, 0.25
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
        cold_air: bool,
        wait: bool = False,
    ) -> list[Finding]:
        """Judge at a whole second.

        `cold_air` says that a door or draft stands, `wait` that a fall is
        still too young to be told from one.
        """
        if cold_air:
            self._door_s = t_s
            if self._onset_s is None:
                self._grid.clear()
        if not tracks:
            return []
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
            self._names = names
        self._last_c = air_c
        self._grid.append((t_s, air_c))
        if self._onset_s is None:
            if wait:
                return []
            return self._look(t_s, air_c, tracks, room_c, job)
        return self._follow(t_s, air_c, room_c, job)

    def _look(
        self,
        t_s: float,
        air_c: float,
        tracks: Sequence[AirTrack],
        room_c: float,
        job: JobPhase | None,
    ) -> list[Finding]:
        excess_k = air_c - room_c
        if (
            excess_k < WARM_K
            or job in OVER
            or t_s - self._door_s < AFTER_DOOR_S
            or (self._target_c is not None and air_c > self._target_c - COASTING_K)
            or not all(_falls(track, excess_k) for track in tracks)
        ):
            return []
        recent = [(s, c) for s, c in self._grid if s >= t_s - PEAK_S]
        peak_s, peak_c = max(recent, key=lambda sample: (sample[1], sample[0]))
        fallen_k = peak_c - air_c
        peak_excess_k = max(peak_c - room_c, 1.0)
        band = [c for s, c in self._grid if peak_s - BAND_S <= s <= peak_s]
        if len(band) >= 0.4 * BAND_S / GRID_S and peak_c < max(band[: -int(NEW_S / GRID_S)]) + 1.0:
            low_c = min(band)
            height_k = min(max(band) - low_c, HIGHEST_BAND_K)
            lost = air_c < low_c - BAND_K - BAND_SHARE * height_k and fallen_k >= max(
                FALLEN_K, FALLEN_SHARE * peak_excess_k
            )
        else:  # it was warming up
            lost = t_s - peak_s >= PEAK_AGE_S and fallen_k >= max(
                PEAK_K, PEAK_SHARE * peak_excess_k
            )
        if not lost:
            return []
        self._onset_s = max(
            s for s, c in recent if c >= peak_c - ONSET_SHARE * fallen_k or s == peak_s
        )
        self._peak_c, self._lowest_c, self._lowest_s = peak_c, air_c, t_s
        self._fastest = max(track.past_c(60) - track.past_c(0) for track in tracks)
        self._sensors = tuple(sorted(track.name for track in tracks))
        if len(tracks) == 1:
            self._detail = {"cause": "uncertain", "or": Kind.DRAFT.value}
        else:
            self._detail = {"cause": "clear"}
        if job is None:
            self._detail["reason"] = "without a job's marks this may be the end of a job"
        return [self._finding(Change.RAISED, t_s)]

    def _follow(
        self, t_s: float, air_c: float, room_c: float, job: JobPhase | None
    ) -> list[Finding]:
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
        if drop_k >= 2.0 * self._told_drop_k + 1.0:
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


def _falls(track: AirTrack, excess_k: float) -> bool:
    """Whether this sensor fell through the last minute, as losses alone would make it fall."""
    if track.seconds < 80 or track.fall_k * 60.0 > FASTEST_PER_MIN * excess_k * track.span_s:
        return False
    now_c, half_c, minute_c = track.mean_c(0, 10), track.mean_c(30, 40), track.mean_c(60, 70)
    least_k = max(0.12, 0.8 * track.noise_k, RATE_PER_MIN * excess_k)
    return (
        minute_c - half_c > 0.25 * least_k
        and half_c - now_c > 0.25 * least_k
        and least_k <= minute_c - now_c <= FASTEST_PER_MIN * excess_k
    )
