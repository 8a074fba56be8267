"""The heat of a fire, told first and by itself: no other state is asked about.

Each chamber sensor is judged alone, on its own readings, whatever else is
going on: an open door, a paused job, another sensor's trouble. A second's
readings are averaged to one sample; the level that must be reached is the
lowest of the last three samples (two where another sensor rises as well, five
where this sensor had decoded faults within ten minutes), so that no spike of
two seconds counts. Placeholders (85.0, 127.94), decoded faults and the three
readings after them are no samples.

The rules
---------
static_response
    The level is at the least static response of the EN 54-5 class whose
    maximum application temperature covers the chamber's limit. Lasting: fire.
fast_rise
    17 K above the lowest median of the last 60 s, 20 K below 45 degrees. On
    121 real room-fire sensor records near the ceiling 15 to 20 K missed none,
    and in 37 h of a heated box they gave no false trip (UL 521's 15 F/min =
    8.3 K/min gave ten).
    A return to what the sensor has held within the last half hour, as after
    a door is shut, needs 25 K: warm walls and bed give back 8 K in 60 s.
steep_rise
    20 K within 30 s (Japan, differential heat detectors, class 1).
long_rise
    10 K/min for 4.5 min (the same standard).
growing_rise
    Five minutes in a row each of whose rises is at least 1.22 times the one
    before, the last 4 K; or four half minutes, 1.25 times, the last 6.5 K.
    Fires grow as t squared (NFPA 72, annex B); a heater of 13 K/min through its
    own and its sensor's lag of a minute each grows so for three minutes at
    most, and is at its 6.5 K in half a minute only when it grows no more.
high_limit
    Above the chamber's limit (`over_temperature`), with a deadband; electronics
    above their own; a bed above 160 degrees, which no material of the trade asks for.

References
----------
EN 54-5:2017, table 1 (classes of point heat detectors).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from itertools import islice, pairwise

from stillair.model import Change, Detail, Finding, JsonValue, Kind, Place, Reading, Sense, Sign
from stillair.thermal.air import Lowest
from stillair.thermal.health import HIGHEST_C, LOWEST_C, QUARANTINE, is_placeholder
from stillair.thermal.plan import SensorPlan, ThermalPlan

# EN 54-5: class, maximum application temperature, least and most static response
CLASSES = (
    ("A1", 50.0, 54.0, 65.0),
    ("B", 65.0, 69.0, 85.0),
    ("C", 80.0, 84.0, 100.0),
    ("D", 95.0, 99.0, 115.0),
    ("E", 110.0, 114.0, 130.0),
    ("F", 125.0, 129.0, 145.0),
    ("G", 140.0, 144.0, 160.0),
)
BED_LIMIT_C = 160.0
FAST_K, FAST_S = 17.0, 60.0
MILD_C, FAST_MILD_K = 45.0, 20.0  # air cooler than that is often being warmed up
RETURN_K = 25.0
STEEP_K, STEEP_S = 20.0, 30.0
LONG_K, LONG_S = 45.0, 270.0
GROWTH_FIRST_K = 0.15
# windows, grid steps of each, least ratio, least last rise
GROWTHS = ((5, 6, 1.22, 4.0), (4, 3, 1.25, 6.5))
ALONE, WITH_OTHERS, NERVOUS = 3, 2, 5  # samples that must hold the level
SLOW_SAMPLES_S = 15.0  # a sensor read more seldom needs only two
OTHERS_RISE_K = 3.0
NERVOUS_S = 600.0
GRID_S = 10.0
HELD_S = 1800.0  # a temperature held within this time is one to return to
FRESH_S = 90.0  # but not what was reached only just now
CALM_S = 60.0  # a rise is over after so long without one
COOLED_S = 30.0
RETELL_K = 5.0  # a danger that grows by so much is told anew, so that no old figure stands
STRENGTH = {"static_response": 0.95, "rapid_rise": 0.6, "high_limit": 0.5}


def static_response(limit_c: float) -> tuple[str, float]:
    """The EN 54-5 class for a chamber limited to `limit_c`, and its least static response, °C."""
    for name, application_c, least_c, _ in CLASSES:
        if limit_c <= application_c:
            return name, least_c
    return "G", max(CLASSES[-1][2], limit_c + 4.0)


@dataclass(frozen=True, slots=True)
class _Rise:
    rule: str
    rise_k: float
    window_s: float


class _HeatTrack:
    """One chamber sensor's samples and what the rules say of them."""

    def __init__(self, plan: SensorPlan) -> None:
        self.name = plan.name
        self._correction_k = plan.correction_k
        self._sum = 0.0
        self._count = 0
        self._skip = 0
        self._fault_s: float | None = None
        self.last_c: float | None = None
        self.last_s = 0.0
        self._recent: deque[tuple[float, float]] = deque(maxlen=NERVOUS)
        self._lowest_60 = Lowest(FAST_S)
        self._lowest_30 = Lowest(STEEP_S)
        self._minute: deque[tuple[float, float]] = deque(maxlen=75)
        self._grid: deque[tuple[float, float]] = deque(maxlen=int(HELD_S / GRID_S))
        self._ceiling_c = LOWEST_C
        self._low_60_c = self._low_30_c = 0.0
        self._growing_k: float | None = None
        self._growing_s = 0.0
        self.fresh = False
        self.rise_60_k = 0.0

    def take(self, reading: Reading) -> None:
        value_c = reading.temperature_c
        if reading.fault is not None or value_c is None or not LOWEST_C <= value_c <= HIGHEST_C:
            self._skip = QUARANTINE
            self._fault_s = reading.t_s
        elif is_placeholder(value_c, self._correction_k, self.last_c):
            return
        elif self._skip:
            self._skip -= 1
        else:
            self._sum += value_c
            self._count += 1

    def tick(self, t_s: float) -> None:
        """Make a sample of what came since the last second."""
        self.fresh = self._count > 0
        if not self._count:
            return
        value_c = self._sum / self._count
        self._sum, self._count = 0.0, 0
        gap_s = t_s - self.last_s
        self.last_c, self.last_s = value_c, t_s
        recent = self._recent
        recent.append((t_s, value_c))
        if len(recent) >= 3:
            a, b, c = recent[-1][1], recent[-2][1], recent[-3][1]
            median_c = max(min(a, b), min(max(a, b), c))
        else:
            median_c = value_c
        self._low_60_c = self._lowest_60.update(t_s, median_c)
        self._low_30_c = self._lowest_30.update(t_s, median_c)
        self._minute.append((t_s, median_c))
        self.rise_60_k = median_c - self._low_60_c
        if not self._grid or t_s - self._grid[-1][0] >= GRID_S - 0.5:
            self._on_grid(t_s, median_c)
        if gap_s > FAST_S and len(recent) > 1:
            recent.clear()
            recent.append((t_s, value_c))

    def level_c(self, others_rise: bool) -> float | None:
        """What the last samples have all reached; None while there are too few."""
        needed = WITH_OTHERS if others_rise else ALONE
        recent = self._recent
        if self._fault_s is not None:
            if self.last_s - self._fault_s <= NERVOUS_S:
                needed = NERVOUS
            else:
                self._fault_s = None
        have = len(recent)
        if needed > 2 and have >= 2 and recent[-1][0] - recent[-2][0] >= SLOW_SAMPLES_S:
            needed = 2
        if have < needed:
            return None
        level_c = recent[-1][1]
        for back in range(2, needed + 1):
            value_c = recent[-back][1]
            if value_c < level_c:
                level_c = value_c
        return level_c

    def rise(self, level_c: float) -> _Rise | None:
        """Which rule of rising heat holds at this level."""
        rise_k = level_c - self._low_30_c
        if rise_k >= STEEP_K:
            return _Rise("steep_rise", rise_k, STEEP_S)
        rise_k = level_c - self._low_60_c
        fast_k = FAST_K if level_c >= MILD_C else FAST_MILD_K
        if rise_k >= (fast_k if level_c > self._ceiling_c + 1.0 else RETURN_K):
            return _Rise("fast_rise", rise_k, FAST_S)
        long_ago_c = self._back_c(LONG_S)
        if long_ago_c is not None and level_c - long_ago_c >= LONG_K:
            return _Rise("long_rise", level_c - long_ago_c, LONG_S)
        if self._growing_k is not None and level_c > self._ceiling_c + 1.0:
            return _Rise("growing_rise", self._growing_k, self._growing_s)
        return None

    def onset_s(self) -> float:
        """When the present rise left its lowest point of the last minute."""
        low_c = min(c for _, c in self._minute)
        top_c = self._minute[-1][1]
        start_s = self._minute[-1][0]
        for t_s, value_c in reversed(self._minute):
            if value_c <= low_c + max(1.0, 0.1 * (top_c - low_c)):
                break
            start_s = t_s
        return start_s

    def since_s(self, level_c: float) -> float:
        """Since when the last samples have all been at `level_c` or above."""
        start_s = self.last_s
        for t_s, value_c in reversed(self._minute):
            if value_c < level_c:
                break
            start_s = t_s
        return start_s

    def _back_c(self, window_s: float) -> float | None:
        steps = round(window_s / GRID_S)
        if len(self._grid) <= steps:
            return None
        t_s, value_c = self._grid[-1 - steps]
        return value_c if self.last_s - t_s <= window_s + 2 * GRID_S else None

    def _on_grid(self, t_s: float, value_c: float) -> None:
        grid = self._grid
        grid.append((t_s, value_c))
        old = len(grid) - round(FRESH_S / GRID_S)
        self._ceiling_c = max((c for _, c in islice(grid, max(0, old))), default=LOWEST_C)
        self._growing_k = None
        for windows, steps, ratio, last_k in GROWTHS:
            if len(grid) <= steps * windows:
                continue
            marks = [grid[-1 - steps * back] for back in range(windows, -1, -1)]
            if marks[-1][0] - marks[0][0] > (steps * windows + 3) * GRID_S:
                continue
            rises = [after[1] - before[1] for before, after in pairwise(marks)]
            if (
                rises[-1] >= last_k
                and rises[0] >= GROWTH_FIRST_K
                and all(after >= ratio * before for before, after in pairwise(rises))
            ):
                self._growing_k = marks[-1][1] - marks[0][1]
                self._growing_s = steps * windows * GRID_S


@dataclass(frozen=True, slots=True)
class _OwnLimit:
    """A sensor outside the chamber's air, with a limit of its own."""

    track: _HeatTrack
    limit_c: float
    place: Place


@dataclass(slots=True)
class _Standing:
    onset_s: float
    sensors: tuple[str, ...]
    detail: Detail
    last_s: float  # when the condition last held
    told_k: float = 0.0  # the figure that stands in its text
    below_s: float | None = None  # since when it has been below the deadband


class HeatPath:
    """Tell the heat of a fire from a chamber's sensors, second by second."""

    def __init__(self, plan: ThermalPlan) -> None:
        self._limit_c = plan.limit_c
        self.fire_class, self.static_c = static_response(plan.limit_c)
        self._air = {s.name: _HeatTrack(s) for s in plan.sensors if s.place is Place.CHAMBER}
        self._room = {s.name: _HeatTrack(s) for s in plan.sensors if s.place is Place.ROOM}
        self._own: dict[str, _OwnLimit] = {}
        for sensor in plan.sensors:
            limit_c = sensor.limit_c
            if sensor.place is Place.BED:
                limit_c = limit_c or BED_LIMIT_C
            elif sensor.place is not Place.ELECTRONICS:
                continue
            if limit_c is not None:
                self._own[sensor.name] = _OwnLimit(_HeatTrack(sensor), limit_c, sensor.place)
        self._tracks = {**self._air, **self._room, **{n: o.track for n, o in self._own.items()}}
        self._standing: dict[tuple[Kind, str], _Standing] = {}
        self.hot_s: float | None = None  # when the chamber's air last gave a sign of fire

    def take(self, reading: Reading) -> None:
        """Take one reading of any sensor; unknown names are not ours."""
        track = self._tracks.get(reading.sensor)
        if track is not None:
            track.take(reading)

    def tick(self, t_s: float) -> tuple[list[Finding], list[Sign]]:
        """Judge at a whole second."""
        findings: list[Finding] = []
        signs: list[Sign] = []
        tracks = self._air.values()
        rising = 0
        for track in self._tracks.values():
            track.tick(t_s)
        for track in tracks:
            if track.rise_60_k >= OTHERS_RISE_K:
                rising += 1
        risen: list[tuple[_HeatTrack, _Rise]] = []
        over: list[tuple[str, float]] = []
        stale = True
        for track in tracks:
            if not track.fresh:
                continue
            stale = False
            level_c = track.level_c(rising - (track.rise_60_k >= OTHERS_RISE_K) > 0)
            if level_c is None:
                continue
            rise = track.rise(level_c)
            if rise is not None:
                risen.append((track, rise))
            if level_c > self._limit_c:
                over.append((track.name, level_c))
                if level_c >= self.static_c:
                    signs.append(self._static_sign(t_s, track, level_c))
        for track in self._room.values():
            if track.fresh:
                level_c = track.level_c(False)
                if level_c is not None and level_c >= self.static_c:
                    signs.append(self._static_sign(t_s, track, level_c))
        if risen or over:
            self.hot_s = t_s
        self._tell_rise(t_s, risen, findings, signs)
        if over or (Kind.OVER_TEMPERATURE, "") in self._standing:
            below = not stale and all(
                t.last_c is None or t.last_c < self._limit_c - max(1.0, 0.01 * self._limit_c)
                for t in tracks
            )
            self._tell_limit(t_s, "", over, self._limit_c, below, findings, signs)
        for name, own in self._own.items():
            track, limit_c = own.track, own.limit_c
            if not track.fresh:
                continue
            level_c = track.level_c(False)
            high = [(name, level_c)] if level_c is not None and level_c > limit_c else []
            if high or (Kind.OVER_TEMPERATURE, name) in self._standing:
                below = track.last_c is not None and track.last_c < limit_c - max(
                    1.0, 0.01 * limit_c
                )
                self._tell_limit(t_s, name, high, limit_c, below, findings, signs)
        return findings, signs

    # --- what is told ------------------------------------------------------

    def _static_sign(self, t_s: float, track: _HeatTrack, level_c: float) -> Sign:
        return Sign(
            Sense.HEAT,
            "static_response",
            t_s,
            track.since_s(self.static_c),
            STRENGTH["static_response"],
            (track.name,),
            lasting=True,
            detail={"temperature_c": round(level_c, 1), "class": self.fire_class},
        )

    def _tell_rise(
        self,
        t_s: float,
        risen: list[tuple[_HeatTrack, _Rise]],
        findings: list[Finding],
        signs: list[Sign],
    ) -> None:
        key = (Kind.RAPID_RISE, "")
        event = self._standing.get(key)
        if not risen:
            if event is not None and t_s - event.last_s >= CALM_S:
                findings.append(self._clear(key, t_s, event.last_s))
            return
        track, rise = max(risen, key=lambda pair: (pair[1].rise_k, pair[0].name))
        names = tuple(sorted(t.name for t, _ in risen))
        detail: Detail = {
            "cause": "clear",
            "rule": rise.rule,
            "rise_k": round(rise.rise_k, 1),
            "window_s": rise.window_s,
            "temperature_c": round(track.last_c or 0.0, 1),
        }
        if event is None:
            onset_s = min(t.onset_s() for t, _ in risen)
            self._standing[key] = event = _Standing(onset_s, names, detail, t_s)
            findings.append(Finding(key[0], Change.RAISED, t_s, onset_s, names, detail))
        elif rise.rise_k >= event.told_k + RETELL_K or not set(names) <= set(event.sensors):
            event.sensors = names = tuple(sorted({*event.sensors, *names}))
            event.detail = detail
            findings.append(Finding(key[0], Change.REVISED, t_s, event.onset_s, names, detail))
        event.told_k = max(event.told_k, _figure(event.detail, "rise_k"))
        event.last_s = t_s
        signs.extend(
            Sign(
                Sense.HEAT,
                "rapid_rise",
                t_s,
                event.onset_s,
                STRENGTH["rapid_rise"],
                (t.name,),
                detail={"rise_k": round(r.rise_k, 1)},
            )
            for t, r in risen
        )

    def _tell_limit(
        self,
        t_s: float,
        subject: str,
        over: list[tuple[str, float]],
        limit_c: float,
        below: bool,
        findings: list[Finding],
        signs: list[Sign],
    ) -> None:
        """One event of too much heat, by its limit, with the deadband of `below`."""
        key = (Kind.OVER_TEMPERATURE, subject)
        event = self._standing.get(key)
        if over:
            names = tuple(sorted(name for name, _ in over))
            hottest_c = max(level_c for _, level_c in over)
            if event is None:
                onset_s = min(self._tracks[name].since_s(limit_c) for name in names)
                detail: dict[str, JsonValue] = {
                    "cause": "clear",
                    "temperature_c": round(hottest_c, 1),
                    "limit_c": limit_c,
                }
                if subject:
                    detail["place"] = self._own[subject].place.value
                self._standing[key] = event = _Standing(onset_s, names, detail, t_s)
                event.told_k = hottest_c
                findings.append(
                    Finding(key[0], Change.RAISED, t_s, onset_s, names, detail, subject=subject)
                )
            event.last_s, event.below_s = t_s, None
            highest_c = max(_figure(event.detail, "temperature_c"), round(hottest_c, 1))
            event.detail = {**event.detail, "temperature_c": highest_c}
            event.sensors = tuple(sorted({*event.sensors, *names}))
            if hottest_c >= event.told_k + RETELL_K:
                event.told_k = hottest_c
                findings.append(
                    Finding(
                        key[0],
                        Change.REVISED,
                        t_s,
                        event.onset_s,
                        event.sensors,
                        event.detail,
                        subject=subject,
                    )
                )
            signs.extend(
                Sign(
                    Sense.HEAT,
                    "high_limit",
                    t_s,
                    event.onset_s,
                    STRENGTH["high_limit"],
                    (name,),
                    detail={"temperature_c": round(level_c, 1), "limit_c": limit_c},
                )
                for name, level_c in over
            )
        elif event is not None:
            if not below:
                event.below_s = None
            elif event.below_s is None:
                event.below_s = t_s
            elif t_s - event.below_s >= COOLED_S:
                findings.append(self._clear(key, t_s, event.last_s))

    def _clear(self, key: tuple[Kind, str], t_s: float, end_s: float) -> Finding:
        event = self._standing.pop(key)
        kind, subject = key
        return Finding(
            kind,
            Change.CLEARED,
            t_s,
            event.onset_s,
            event.sensors,
            event.detail,
            end_s=max(event.onset_s, end_s),
            subject=subject,
        )


def _figure(detail: Detail, key: str) -> float:
    value = detail[key]
    assert isinstance(value, float)
    return value
