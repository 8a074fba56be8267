"""The thermal watch of one chamber: readings in, findings and signs of fire's heat out.

Every second, in this order: the fire path (`heat`), which asks nobody; the
health of each sensor; the tracks of the good ones in the chamber's air, and
the room; cold air let in (`drops`), heat lost (`heating`), phases; what the
sensors show beside each other (`neighbours`), what undisturbed cooling and
heating teach (`decays`), and what each should show next (`observer`). Readings
are taken at any time; nothing is decided between ticks, so the same readings
and ticks always give the same findings.

A defect in one of these takes nothing from what comes before it, least of all
from the fire path: what broke is begun anew, as after a restart of the service,
and named in the result, so that nobody takes its silence for safety.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from stillair.model import Change, Finding, JobPhase, Kind, Phase, Place, Priority, Reading
from stillair.thermal.air import BLEND_S, AirTrack, RoomEstimate
from stillair.thermal.balance import Balance, BalanceMemory
from stillair.thermal.decays import DecayWatch
from stillair.thermal.drops import DropWatch
from stillair.thermal.evidence import with_switch_lead
from stillair.thermal.health import JUMPS, SensorHealth, SensorTrouble
from stillair.thermal.heat import HeatPath
from stillair.thermal.heating import HeatingWatch
from stillair.thermal.neighbours import NeighbourWatch
from stillair.thermal.observer import Observer
from stillair.thermal.phases import PhaseWatch
from stillair.thermal.plan import (
    RuleFailure,
    SensorView,
    ThermalContext,
    ThermalPlan,
    ThermalResult,
    ThermalView,
)
from stillair.thermal.weighing import explain

AFTER_HEAT_S = 120.0  # in the heat of a fire a falling sensor is no news
RESTS_S = 3600.0  # no rule waits longer for anything without a reading
LONGEST_STEP_S = 30.0  # after a longer pause of the watch itself the past is no past

# What broke when one of these did: in words, and the events that nobody else can end
HEAT = "the heat of a fire", frozenset({Kind.RAPID_RISE, Kind.OVER_TEMPERATURE})
FALLS = "doors, drafts and lost heat", frozenset({Kind.DOOR_OPEN, Kind.DRAFT, Kind.HEAT_LOST})
PHASES = (
    "warming up and cooling down",
    frozenset({Kind.BELOW_TARGET, Kind.TOO_WARM, Kind.SOAK_READY, Kind.COOL_ENOUGH}),
)
LEARNING = "what the sensors should show", frozenset[Kind]()
SENSORS = "the sensors and all that follows from them", (FALLS[1] | PHASES[1] | {Kind.SENSOR_FAULT})


@dataclass(frozen=True, slots=True)
class _Second:
    """What the sensors show in one second, for the rules to judge by."""

    t_s: float
    tracks: Sequence[AirTrack]  # of the good sensors in the chamber's air
    room_c: float
    bed_c: float | None
    context: ThermalContext
    calm: bool  # no heat of a fire lately


class ThermalWatch:
    """Watch the temperatures of one chamber.

    `take` any reading at any time, `tick` once at every whole second. `balance`
    is what `memory` gave at an earlier job's end.
    """

    def __init__(self, plan: ThermalPlan, balance: BalanceMemory | None = None) -> None:
        self._plan = plan
        self._known = balance or BalanceMemory()
        self._ticked_s: float | None = None
        self._shown: ThermalView | None = None  # as it is asked for several times a second
        self._heat = HeatPath(plan)
        self._begin_all(self._known)

    @property
    def observers(self) -> Mapping[str, Observer]:
        """What each sensor in the chamber's air should show, by its name."""
        return self._observers

    def take(self, reading: Reading) -> None:
        """Take one reading; those of unknown sensors are passed over."""
        health = self._sensors.get(reading.sensor)
        if health is None:
            return
        self._heat.take(reading)  # first: it asks nobody
        self._shown = None
        health.take(reading)

    def tick(self, t_s: float, context: ThermalContext) -> ThermalResult:
        """Evaluate the second that ends at `t_s`; a time that isn't later gives nothing."""
        if self._ticked_s is not None and t_s <= self._ticked_s:
            return ThermalResult()
        broken_off = self._ticked_s is not None and t_s - self._ticked_s > LONGEST_STEP_S
        self._ticked_s, self._shown = t_s, None
        failures: list[RuleFailure] = []
        try:
            findings, signs = self._heat.tick(t_s)
        except Exception as error:
            # Without its last minute it knows little, so this is as bad as a loop that fails.
            failures.append(RuleFailure(*HEAT, error, begun_anew=False))
            findings, signs = [], []
            self._heat = HeatPath(self._plan)
        try:
            second = self._see(t_s, context, broken_off, findings)
        except Exception as error:
            failures.append(RuleFailure(*SENSORS, error))
            self._begin_all(self._known)
        else:
            for (what, kinds), judge, begin in (
                (FALLS, self._judge_falls, self._begin_falls),
                (PHASES, self._judge_phases, self._begin_phases),
                (LEARNING, self._learn, self._begin_learning),
            ):
                try:
                    findings.extend(judge(second))
                except Exception as error:
                    failures.append(RuleFailure(what, kinds, error))
                    begin()
        return ThermalResult(tuple(findings), tuple(signs), tuple(failures))

    def said_over(self, kind: Kind, subject: str, t_s: float, why: str) -> Iterable[Finding]:
        """Take a person's word for the end of a heat that no sensor can show the end of."""
        return self._heat.said_over(kind, subject, t_s, why)

    def rest(self, t_s: float) -> bool:
        """Pass over all ticks up to `t_s` at once, though no reading comes; False if one may tell.

        Where every sensor has been silent for so long that nothing waits any more.
        """
        at_s = self._ticked_s
        sensors = self._sensors.values()
        if at_s is None or not (sensors and all(s.has_been_silent(at_s, RESTS_S) for s in sensors)):
            return False
        self._ticked_s, self._shown = t_s, None
        return True

    def memory(self) -> BalanceMemory:
        """What has been learned of the chamber's heat balance, to be kept between jobs."""
        return replace(self._balance.memory(), neighbours=self._neighbours.memory())

    def view(self) -> ThermalView:
        """How the air is just now."""
        if self._shown is None:
            self._shown = self._view()
        return self._shown

    def _view(self) -> ThermalView:
        phases = self._phases
        soak, cool, made_s = phases.soak_forecast, phases.cool_forecast, phases.forecast_at_s
        return ThermalView(
            phase=self._phases.phase,
            phase_since_s=self._phases.phase_since_s,
            air_c=None if self._phases.air_c is None else round(self._phases.air_c, 2),
            room_c=round(self._room.room_c, 2) if self._ticked_s is not None else None,
            room_estimated=self._room.estimated,
            sensors=tuple(
                _sensor_view(name, health, self._observers.get(name))
                for name, health in self._sensors.items()
            ),
            target_c=self._plan.target_c,
            soak_forecast_s=None if soak is None else round(made_s + soak.to_go_s),
            soak_forecast_u_s=None if soak is None else round(soak.u_s),
            cool_forecast_s=None if cool is None else round(made_s + cool.to_go_s),
            cool_forecast_u_s=None if cool is None else round(cool.u_s),
        )

    # --- where each begins ---------------------------------------------------

    def _begin_all(self, balance: BalanceMemory) -> None:
        """Begin all but the fire path."""
        self._sensors = {sensor.name: SensorHealth(sensor) for sensor in self._plan.sensors}
        self._air = [
            (health, AirTrack(health.plan.name))
            for health in self._sensors.values()
            if health.plan.place is Place.CHAMBER
        ]
        self._room = RoomEstimate()
        self._faults: dict[str, tuple[SensorTrouble, Priority | None]] = {}
        self._balance = Balance(balance)
        self._begin_falls()
        self._begin_phases()
        self._begin_learning()

    def _begin_falls(self) -> None:
        self._drops = DropWatch(self._balance)
        self._heating = HeatingWatch(self._plan.target_c)

    def _begin_phases(self) -> None:
        self._phases = PhaseWatch(self._plan.target_c, self._plan.limit_c)

    def _begin_learning(self) -> None:
        self._observers = {track.name: Observer(track, self._balance) for _, track in self._air}
        self._decays = DecayWatch(self._balance)
        air = [track.name for _, track in self._air]
        self._neighbours = NeighbourWatch(
            air, [n for n in self._sensors if n not in air], self._known.neighbours
        )

    # --- one second --------------------------------------------------------

    def _see(
        self, t_s: float, context: ThermalContext, broken_off: bool, findings: list[Finding]
    ) -> _Second:
        """What the sensors show, and which of them can't be trusted."""
        room_c, bed_c = self._measure(t_s, broken_off)
        hot_s = self._heat.hot_s
        calm = hot_s is None or t_s - hot_s > AFTER_HEAT_S
        findings.extend(self._tell_faults(t_s, calm=calm))
        tracks = [t for h, t in self._air if t.seconds > BLEND_S and h.trouble is None]
        self._room.update(t_s, room_c, min((track.now_c for track in tracks), default=None))
        return _Second(t_s, tracks, self._room.room_c, bed_c, context, calm)

    def _judge_falls(self, now: _Second) -> list[Finding]:
        job = now.context.job
        unheated = self._heating.standing or job in (JobPhase.COOLING, JobPhase.FINISHED)
        falls = self._drops.tick(
            now.t_s,
            now.tracks,
            now.room_c,
            now.context.door_open,
            calm=now.calm,
            unheated=unheated,
        )
        findings = [with_switch_lead(finding) for finding in falls]
        findings.extend(
            self._heating.tick(
                now.t_s,
                now.tracks,
                now.room_c,
                job,
                explain=lambda agos_s: explain(
                    self._balance,
                    now.tracks,
                    now.room_c,
                    agos_s,
                    door_possible=now.context.door_open is None,
                ),
                cold_air=self._drops.standing or not now.calm,
                supply_on=None if self._drops.heat_lost else now.context.supply_on,
                balance=self._balance,
            )
        )
        return findings

    def _judge_phases(self, now: _Second) -> list[Finding]:
        return self._phases.tick(
            now.t_s,
            now.tracks,
            now.room_c,
            now.bed_c,
            now.context,
            cold_air=self._let_in,
            unheated=self._heating.standing or self._drops.heat_lost,
        )

    def _learn(self, now: _Second) -> list[Finding]:
        others_c = {
            name: health.last_c
            for name, health in self._sensors.items()
            if health.plan.place is not Place.CHAMBER and health.good and health.last_c is not None
        }
        disturbed = self._drops.standing or self._heating.standing or not now.calm
        for observer in self._observers.values():
            observer.tick(calm=not disturbed)
        heated = self._heated(now.context.job)
        self._decays.tick(
            now.t_s,
            now.tracks,
            now.room_c,
            heated=heated,
            disturbed=disturbed if heated else self._let_in or not now.calm,
        )
        self._neighbours.tick(
            now.t_s,
            now.tracks,
            others_c,
            now.room_c,
            self._phases.phase,
            disturbed=disturbed,
        )
        return []  # what differs from its neighbours is told among the sensors

    @property
    def _let_in(self) -> bool:
        """Whether cold air is told to come in."""
        return self._drops.standing and not self._drops.heat_lost

    def _heated(self, job: JobPhase | None) -> bool | None:
        """Whether the chamber is heated, by the job's marks or else by its phase, if known."""
        if job in (JobPhase.COOLING, JobPhase.FINISHED):
            return False
        if job is None and self._phases.phase in (Phase.COOLING, Phase.COOL_ENOUGH):
            return False
        if job is JobPhase.RUNNING or (job is None and self._phases.phase is Phase.STEADY):
            return True
        return None

    def _measure(self, t_s: float, broken_off: bool) -> tuple[float | None, float | None]:
        """Let each sensor judge itself, feed the tracks; return room and bed where measured."""
        samples: dict[str, float] = {}
        room_sum = 0.0
        room_count = 0
        bed_c: float | None = None
        for name, health in self._sensors.items():
            sample_c = health.tick(t_s)
            place = health.plan.place
            if place is Place.CHAMBER:
                if sample_c is not None:
                    samples[name] = sample_c
            elif health.good and health.last_c is not None:
                if place is Place.ROOM:
                    room_sum += health.last_c
                    room_count += 1
                elif place is Place.BED:
                    bed_c = health.last_c if bed_c is None else max(bed_c, health.last_c)
        good: dict[SensorHealth, float] = {}
        for health, track in self._air:
            if broken_off:
                track.blank()
            track.push(samples.get(track.name), health.usual_s)
            if track.seconds and health.good:
                good[health] = track.now_c
        for health, _ in self._air:  # not all are read in the same second
            others = {other: now_c for other, now_c in good.items() if other is not health}
            mean_c = sum(others.values()) / len(others) if others else None
            moved_s = max((other.moved_s for other in others), default=None)
            health.compare(t_s, mean_c, len(others), moved_s)
        return (room_sum / room_count if room_count else None), bed_c

    def _tell_faults(self, t_s: float, *, calm: bool) -> list[Finding]:
        """One event per sensor that can't be trusted; the last good one of the air is urgent."""
        apart = self._neighbours.troubles
        if not (self._faults or apart) and all(h.trouble is None for h in self._sensors.values()):
            return []
        findings: list[Finding] = []
        blind = bool(self._air) and all(health.trouble is not None for health, _ in self._air)
        for name, health in self._sensors.items():
            known = self._faults.get(name)
            trouble = health.trouble or apart.get(name)
            if trouble is None:
                if known is not None:
                    del self._faults[name]
                    good_s = t_s
                    if not known[0].sensors:  # its own fault, not that it differs from others
                        good_s = health.ended_s if health.ended_s is not None else t_s
                        self._neighbours.restart()
                    findings.append(
                        _fault(name, Change.CLEARED, t_s, known[0], known[1], end_s=good_s)
                    )
                continue
            if known is None and trouble.word == JUMPS and not calm:
                continue  # in the heat of a fire the air itself jumps about
            urgent = blind and health.plan.place is Place.CHAMBER and health.trouble is not None
            priority = Priority.HIGH if urgent else Priority.MEDIUM
            if known is None or known[0].word != trouble.word or (urgent and known[1] != priority):
                self._faults[name] = (trouble, priority)
                change = Change.RAISED if known is None else Change.REVISED
                findings.append(_fault(name, change, t_s, trouble, priority))
        return findings


def _sensor_view(name: str, health: SensorHealth, observer: Observer | None) -> SensorView:
    fault = health.trouble.reason if health.trouble else health.refused
    value_c = None if fault else health.last_c
    expected_c, u_k = (observer.expected_c, observer.u_k) if observer else (None, None)
    if fault or observer is None or expected_c is None or u_k is None:
        doubted = bool(fault) and health.tells
        return SensorView(name, health.plan.place, value_c, health.last_s, fault, doubted=doubted)
    return SensorView(
        name,
        health.plan.place,
        value_c,
        health.last_s,
        fault,
        round(expected_c, 3),
        round(u_k, 3),
        round(observer.off_k, 2),
    )


def _fault(
    name: str,
    change: Change,
    t_s: float,
    trouble: SensorTrouble,
    priority: Priority | None,
    *,
    end_s: float | None = None,
) -> Finding:
    return Finding(
        Kind.SENSOR_FAULT,
        change,
        t_s,
        trouble.since_s,
        trouble.sensors or (name,),
        {"cause": "clear", "reason": trouble.reason, "fault": trouble.word},
        end_s=None if end_s is None else max(trouble.since_s, min(end_s, t_s)),
        subject=name,
        priority=priority,
    )
