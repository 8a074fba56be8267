"""The heat of a fire, told first and by itself: no other state is asked about.

Each chamber sensor is judged alone, on its own readings, whatever else is
going on: an open door, a paused job, another sensor's trouble. What a reading
must be to count, and what is a fire's rise, says `rises`.

The rules
---------
static_response
    The level is at the least static response of the EN 54-5 class whose
    maximum application temperature covers the chamber's limit. Lasting: fire.
    It asks for nothing else: no door, opened or shut, can hide a fire.
rapid_rise
    Rises that quicken, 17 K within 60 s or 20 K within 30 s that grow, 30 K that
    don't, 10 K/min for 4.5 min, or minutes of growth (`rises`).
high_limit
    Above the chamber's limit (`over_temperature`), with a deadband; electronics
    above their own; a bed above 160 degrees, which no material of the trade asks for.

`lead` says how far a danger is before what else it could be, and decides nothing
(`evidence`).

A rise or too much heat whose sensors have all fallen silent, burnt perhaps, stands,
and says so, until one of them is heard again or a person says that it is over. That
another one is cold doesn't end it: heat may be where the silent one is.

References
----------
EN 54-5:2017, table 1 (classes of point heat detectors).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from stillair.model import (
    BLIND,
    Change,
    Detail,
    Finding,
    JsonValue,
    Kind,
    Place,
    Reading,
    Sense,
    Sign,
)
from stillair.thermal.evidence import limit_lead, rise_lead
from stillair.thermal.plan import ThermalPlan
from stillair.thermal.rises import HeatTrack, Rise

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
# A rise is over after so long without one, told by a sensor that felt it: one that has
# burnt says nothing of the kind.
CALM_S = 60.0
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
class _OwnLimit:
    """A sensor outside the chamber's air, with a limit of its own."""

    track: HeatTrack
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

    @property
    def blind(self) -> bool:
        return self.detail.get("blind") is True


class HeatPath:
    """Tell the heat of a fire from a chamber's sensors, second by second."""

    def __init__(self, plan: ThermalPlan) -> None:
        self._limit_c = plan.limit_c
        self.fire_class, self.static_c = static_response(plan.limit_c)
        chamber = plan.limit_c, self.static_c
        self._air = {
            s.name: HeatTrack(s, *chamber) for s in plan.sensors if s.place is Place.CHAMBER
        }
        self._room = {s.name: HeatTrack(s) for s in plan.sensors if s.place is Place.ROOM}
        self._own: dict[str, _OwnLimit] = {}
        for sensor in plan.sensors:
            limit_c = sensor.limit_c
            if sensor.place is Place.BED:
                limit_c = limit_c or BED_LIMIT_C
            elif sensor.place is not Place.ELECTRONICS:
                continue
            if limit_c is not None:
                self._own[sensor.name] = _OwnLimit(HeatTrack(sensor), limit_c, sensor.place)
        self._tracks = {**self._air, **self._room, **{n: o.track for n, o in self._own.items()}}
        self._standing: dict[tuple[Kind, str], _Standing] = {}
        self.hot_s: float | None = None  # when the chamber's air last rose or stood as in a fire

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
        for track in self._tracks.values():
            track.tick(t_s)
        risen: list[tuple[HeatTrack, Rise]] = []
        over: list[tuple[str, float]] = []
        for track in tracks:
            if not track.fresh:
                continue
            hot = track.last_c is not None and track.last_c > self._limit_c
            if not (track.stirs or hot):
                continue
            level_c = track.level_c()
            if level_c is None:
                continue
            rise = track.rise(level_c) if track.stirs else None
            if rise is not None:
                risen.append((track, rise))
            if level_c > self._limit_c:
                over.append((track.name, level_c))
                if level_c >= self.static_c:
                    self.hot_s = t_s
                    signs.append(self._static_sign(t_s, track, level_c))
        for track in self._room.values():
            if track.fresh:
                level_c = track.level_c()
                if level_c is not None and level_c >= self.static_c:
                    signs.append(self._static_sign(t_s, track, level_c))
        if risen:
            self.hot_s = t_s
        self._tell_rise(t_s, risen, findings, signs)
        if over or (Kind.OVER_TEMPERATURE, "") in self._standing:
            self._tell_limit(t_s, "", over, self._limit_c, tuple(tracks), findings, signs)
        for name, own in self._own.items():
            track, limit_c = own.track, own.limit_c
            level_c = track.level_c() if track.fresh else None
            high = [(name, level_c)] if level_c is not None and level_c > limit_c else []
            if high or (Kind.OVER_TEMPERATURE, name) in self._standing:
                self._tell_limit(t_s, name, high, limit_c, (track,), findings, signs)
        return findings, signs

    def said_over(self, kind: Kind, subject: str, t_s: float, why: str) -> Iterable[Finding]:
        """Take a person's word for the end of what no sensor can show the end of."""
        event = self._standing.get((kind, subject))
        if event is not None and event.blind:
            over = self._clear((kind, subject), t_s, event.last_s)
            yield replace(over, detail={**over.detail, "ended": why})

    # --- what is told ------------------------------------------------------

    def _static_sign(self, t_s: float, track: HeatTrack, level_c: float) -> Sign:
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
        risen: list[tuple[HeatTrack, Rise]],
        findings: list[Finding],
        signs: list[Sign],
    ) -> None:
        key = (Kind.RAPID_RISE, "")
        event = self._standing.get(key)
        if not risen:
            if (
                event is not None
                and t_s - event.last_s >= CALM_S
                and any(t_s - self._air[name].last_s < CALM_S for name in event.sensors)
            ):
                findings.append(self._clear(key, t_s, event.last_s))
            elif event is not None and all(
                self._air[name].is_silent(t_s, CALM_S) for name in event.sensors
            ):
                self._go_blind(key, t_s, findings)
            return
        track, rise = max(risen, key=lambda pair: (pair[1].rise_k, pair[0].name))
        names = tuple(sorted(t.name for t, _ in risen))
        detail: Detail = {
            "cause": "clear",
            "rule": rise.rule,
            "rise_k": round(rise.rise_k, 1),
            "window_s": rise.window_s,
            "temperature_c": round(track.last_c or 0.0, 1),
            "lead": round(rise_lead(rise.rise_k, rise.window_s, rise.growing), 1),
        }
        if event is None:
            onset_s = min(t.onset_s() for t, _ in risen)
            self._standing[key] = event = _Standing(onset_s, names, detail, t_s)
            findings.append(_finding(key, event, Change.RAISED, t_s))
        elif (
            rise.rise_k >= event.told_k + RETELL_K
            or event.blind
            or not set(names) <= set(event.sensors)
        ):
            event.sensors = tuple(sorted({*event.sensors, *names}))
            event.detail = detail
            findings.append(_finding(key, event, Change.REVISED, t_s))
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
        tracks: tuple[HeatTrack, ...],
        findings: list[Finding],
        signs: list[Sign],
    ) -> None:
        """One event of too much heat at `tracks`, by its limit, with a deadband."""
        key = (Kind.OVER_TEMPERATURE, subject)
        event = self._standing.get(key)
        if over:
            place = {"place": self._own[subject].place.value} if subject else {}
            names = tuple(sorted(name for name, _ in over))
            hottest_c = max(level_c for _, level_c in over)
            if event is None:
                onset_s = min(self._tracks[name].since_s(limit_c) for name in names)
                detail: dict[str, JsonValue] = {
                    "cause": "clear",
                    "temperature_c": round(hottest_c, 1),
                    "limit_c": limit_c,
                    "lead": round(limit_lead(hottest_c - limit_c), 1),
                    **place,
                }
                self._standing[key] = event = _Standing(onset_s, names, detail, t_s)
                event.told_k = hottest_c
                findings.append(_finding(key, event, Change.RAISED, t_s))
            event.last_s, event.below_s = t_s, None
            anew = event.blind
            highest_c = max(_figure(event.detail, "temperature_c"), round(hottest_c, 1))
            event.detail = {
                **_seen(event.detail),
                "temperature_c": highest_c,
                "lead": round(limit_lead(highest_c - limit_c), 1),
            }
            event.sensors = tuple(sorted({*event.sensors, *names}))
            if anew or hottest_c >= event.told_k + RETELL_K:
                event.told_k = max(event.told_k, hottest_c)
                findings.append(_finding(key, event, Change.REVISED, t_s))
            signs.extend(
                Sign(
                    Sense.HEAT,
                    "high_limit",
                    t_s,
                    event.onset_s,
                    STRENGTH["high_limit"],
                    (name,),
                    detail={"temperature_c": round(level_c, 1), "limit_c": limit_c, **place},
                )
                for name, level_c in over
            )
        elif event is not None:
            back_c = limit_c - max(1.0, 0.01 * limit_c)
            hot = [t for t in tracks if t.last_c is not None and t.last_c >= back_c]
            silent = [t for t in hot if t.is_silent(t_s, CALM_S)]
            hot = [t for t in hot if t not in silent or t.name in event.sensors]
            if hot and all(t in silent for t in hot):
                self._go_blind(key, t_s, findings)
            if not any(t.fresh for t in tracks):
                return
            if hot:
                event.below_s = None
            elif event.below_s is None:
                event.below_s = t_s
            elif t_s - event.below_s >= COOLED_S:
                findings.append(self._clear(key, t_s, event.last_s))

    def _go_blind(self, key: tuple[Kind, str], t_s: float, findings: list[Finding]) -> None:
        """Say, once, that those who could show the end have fallen silent."""
        event = self._standing[key]
        if not event.blind:
            event.detail = {**event.detail, **BLIND}
            findings.append(_finding(key, event, Change.REVISED, t_s))

    def _clear(self, key: tuple[Kind, str], t_s: float, end_s: float) -> Finding:
        event = self._standing.pop(key)
        event.detail = _seen(event.detail)
        return _finding(key, event, Change.CLEARED, t_s, end_s=max(event.onset_s, end_s))


def _finding(
    key: tuple[Kind, str],
    event: _Standing,
    change: Change,
    t_s: float,
    *,
    end_s: float | None = None,
) -> Finding:
    kind, subject = key
    return Finding(
        kind, change, t_s, event.onset_s, event.sensors, event.detail, end_s=end_s, subject=subject
    )


def _seen(detail: Detail) -> dict[str, JsonValue]:
    """What there is to be told of an event once it is seen again."""
    return {k: v for k, v in detail.items() if k not in BLIND}


def _figure(detail: Detail, key: str) -> float:
    value = detail[key]
    assert isinstance(value, float)
    return value
