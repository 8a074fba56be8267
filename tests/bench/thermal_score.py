"""What the thermal watch said of one job, held against what really happened.

An event's size is the largest difference that it made at a chamber sensor: the
same seed is played without it. What is raised where nothing of the kind was
is false; a wrong kind beside a true event is kept apart ("beside").
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, field
from typing import NamedTuple

from bench.thermal_jobs import THERMAL, Happening, JobPlan, Row, play, rows
from stillair.errors import ReadingFault
from stillair.fire.verdict import FireVerdict
from stillair.model import Change, Finding, JobPhase, Kind, Reading
from stillair.thermal.core import ThermalWatch
from stillair.thermal.plan import SensorPlan, ThermalContext, ThermalPlan

LIMIT_C = 80.0
STATIC_C = 84.0  # least static response of the class for that limit (EN 54-5, class C)
FIRE_KINDS = frozenset({Kind.FIRE, Kind.RAPID_RISE, Kind.OVER_TEMPERATURE})
NOTICES = frozenset({Kind.SOAK_READY, Kind.COOL_ENOUGH})
STATES = frozenset({Kind.BELOW_TARGET, Kind.TOO_WARM})  # told of the air, not of an event
MUST_K = {"door_open": 1.5, "draft": 2.0, "heat_lost": 1.5}
ALLOWED_S = {"door_open": 60.0, "draft": 120.0, "heat_lost": 300.0}
RECOVERY_S = 900.0  # so long after an event a second one of it is "beside", not false
MUST_NOT = ("power_on_once", "spike")  # faults of which nothing need be told
FAULT_ALLOWED_S = 300.0
PLAIN_FAULTS = frozenset(
    {*(fault.value for fault in ReadingFault), "stuck", "jumps", "intermittent"}
)
ASA_FLOOR_C, ASA_CEILING_C = 40.0, 70.0  # the band of the marked jobs' material
STATE_SLACK_K = 1.5
FORECAST_EVERY_S = 60.0
SETTLING_S = 300.0  # so long nobody knows yet what a sensor usually does
MOVED_K = 1.0  # a stuck sensor must be found where the true reading left it by so much


class Said(NamedTuple):
    """One word of the watch on an event."""

    at_s: float
    kind: str
    onset_s: float
    runner_up: str  # or nothing
    fault: str  # of a sensor


@dataclass
class Told:
    """One event of the watch with all that was said of it."""

    kind: str  # the last word
    subject: str
    raised_s: float
    said: list[Said]
    cleared_s: float | None = None
    end_s: float | None = None
    used: bool = False

    @property
    def last(self) -> Said:
        return self.said[-1]


@dataclass
class Answer:
    """What became of one true event."""

    seed: int
    physics: str
    kind: str
    what: str
    one_wire: bool
    one: bool
    marked: bool
    phase: str  # warming, build, cooling
    start_s: float
    length_s: float
    size_k: float
    must: bool
    result: str = "missed"  # found, missed, or the kind it was called
    first: str = ""
    delay_s: float | None = None
    onset_off_s: float | None = None
    end_off_s: float | None = None
    runner_up: str = ""  # of the last word
    early_k: float | None = None  # size after 180 s
    margin_s: float | None = None  # of a fire, before what must not be reached first
    beside: list[str] = field(default_factory=list)
    ever: list[str] = field(default_factory=list)  # every kind that it was called


@dataclass
class False_:  # noqa: N801 - the word is taken
    """Something told that wasn't so."""

    seed: int
    kind: str
    at_s: float
    one: bool
    one_wire: bool
    where: str  # quiet, events, beside door_open ...


class Misses(NamedTuple):
    """Innovations while nothing was the matter: of what kind of sensor, how many, how many
    within 2 and 3 standard deviations, and with how many the sensor was off for people."""

    kind: str
    number: int = 0
    within_2: int = 0
    within_3: int = 0
    off: int = 0


class Foretold(NamedTuple):
    """A forecast: of what, s until it was told, s by which that was later, k = 2 uncertainty."""

    kind: str
    lead_s: float
    off_s: float
    u_s: float


@dataclass
class JobScore:
    """All that one job gave."""

    seed: int
    what: str
    hours: float
    calm_hours: float
    sensor_s: int
    watch_s: float
    one: bool
    answers: list[Answer] = field(default_factory=list)
    false: list[False_] = field(default_factory=list)
    beside: list[False_] = field(default_factory=list)
    states: list[False_] = field(default_factory=list)
    ends: list[bool] = field(default_factory=list)  # job's end without marks: heat_lost told
    forecasts: list[Foretold] = field(default_factory=list)  # those that came true undisturbed
    misses: Misses = field(default_factory=lambda: Misses(""))

    def as_dict(self) -> dict[str, object]:
        return asdict(self)


@dataclass(frozen=True)
class Heard:
    """What the watch said of one job, and what it cost."""

    findings: tuple[Finding, ...]
    watch_s: float
    sensor_s: int
    forecasts: tuple[tuple[str, float, float, float], ...]  # kind, when made, for when, u
    misses: Misses


def thermal_plan(plan: JobPlan) -> ThermalPlan:
    """What the watch is told of the chamber: the target only where a job is marked."""
    return ThermalPlan(
        tuple(SensorPlan(name, place) for name, place in plan.sensors),
        target_c=plan.target_c if plan.marked else None,
        limit_c=LIMIT_C,
    )


def listen(thermal: ThermalPlan, table: Iterable[Row], plan: JobPlan | None = None) -> Heard:
    """Run watch and verdict over rows as a replay does; with the job's marks where it has them."""
    watch, verdict = ThermalWatch(thermal), FireVerdict(combustible=True)
    names = [sensor.name for sensor in thermal.sensors]
    findings: list[Finding] = []
    calm = ThermalContext()
    context = calm
    pauses: list[Happening] = []
    if plan is not None and plan.marked:
        pauses = [habit for habit in plan.habits if habit.kind == "pause"]
    spent_s = 0.0
    forecasts: list[tuple[str, float, float, float]] = []
    misses = _MissCount(watch)
    calm_from_s = SETTLING_S
    ticks = 0
    next_s: int | None = None
    clock = time.process_time  # other programs on the machine cost the watch nothing

    def tick(t_s: float) -> None:
        result = watch.tick(t_s, context)
        for sign in result.signs:
            verdict.take(sign)
        heard_s = watch.view().heard_s if verdict.stands else {}
        findings.extend(verdict.tick(t_s, heard_s))
        findings.extend(result.findings)

    for t_s, values in table:
        if plan is not None and plan.marked:
            context = _context(plan, pauses, t_s)
        begun_s = clock()
        next_s = math.ceil(t_s) if next_s is None else next_s
        while next_s < t_s:
            tick(float(next_s))
            next_s += 1
            ticks += 1
        for name, value in zip(names, values, strict=True):
            if isinstance(value, ReadingFault):
                watch.take(Reading(name, t_s, None, value))
            elif value is not None:
                watch.take(Reading(name, t_s, value))
        spent_s += clock() - begun_s
        if plan is not None and any(e.start_s <= t_s < e.end_s for e in plan.events):
            calm_from_s = t_s + RECOVERY_S
        misses.look(calm=t_s > calm_from_s)
        if t_s % FORECAST_EVERY_S == 0.0:
            view = watch.view()
            for kind, for_s, u_s in (
                (Kind.SOAK_READY, view.soak_forecast_s, view.soak_forecast_u_s),
                (Kind.COOL_ENOUGH, view.cool_forecast_s, view.cool_forecast_u_s),
            ):
                if for_s is not None and u_s is not None:
                    forecasts.append((kind.value, t_s, for_s, u_s))
    if next_s is not None:
        tick(float(next_s))
    sensors = _sensor_kind(plan) if plan is not None else ""
    return Heard(
        tuple(findings), spent_s, ticks * len(names), tuple(forecasts), misses.told(sensors)
    )


class _MissCount:
    """Count the innovations of all sensors, each once."""

    def __init__(self, watch: ThermalWatch) -> None:
        self._observers = list(watch.observers.values())
        self._seen = [0] * len(self._observers)
        self._counts = [0, 0, 0, 0]

    def look(self, *, calm: bool) -> None:
        for index, observer in enumerate(self._observers):
            if observer.readings == self._seen[index]:
                continue
            self._seen[index] = observer.readings
            if calm and observer.readings:
                units = abs(observer.innovation_k) / observer.last_u_k
                counts = (1, units <= 2.0, units <= 3.0, observer.off_k != 0.0)
                self._counts = [a + b for a, b in zip(self._counts, counts, strict=True)]

    def told(self, kind: str) -> Misses:
        return Misses(kind, *self._counts)


def _sensor_kind(plan: JobPlan) -> str:
    """What all sensors of a job are."""
    step_k = plan.instruments[0].step_k
    if not plan.one_wire:
        return f"thermocouple, {step_k:.3g} K"
    return f"1-Wire, every {'second' if plan.period_s == 1 else f'{plan.period_s} s'}"


def _context(plan: JobPlan, pauses: list[Happening], t_s: float) -> ThermalContext:
    if t_s < plan.build_s:
        return ThermalContext(material="ASA")
    if t_s >= plan.finish_s:
        return ThermalContext(job=JobPhase.COOLING, material="ASA")
    paused = any(pause.start_s <= t_s < pause.end_s for pause in pauses)
    return ThermalContext(job=JobPhase.PAUSED if paused else JobPhase.RUNNING, material="ASA")


def follow(findings: Iterable[Finding]) -> list[Told]:
    """The findings as events, in the order in which they were raised."""
    told: list[Told] = []
    standing: dict[tuple[Kind, str], Told] = {}
    for finding in findings:
        key = (finding.was_kind or finding.kind, finding.subject)
        event = standing.get(key)
        runner_up = finding.detail.get("or", "") if finding.detail.get("cause") != "clear" else ""
        word = Said(
            finding.at_s,
            finding.kind.value,
            finding.onset_s,
            str(runner_up or ""),
            str(finding.detail.get("fault", "")),
        )
        if finding.change is Change.CLEARED:
            if event is not None:
                event.cleared_s, event.end_s = finding.at_s, finding.end_s
                event.said.append(word)
                del standing[key]
            continue
        if event is None:
            event = Told(finding.kind.value, finding.subject, finding.at_s, [])
            told.append(event)
        else:
            del standing[key]
        event.kind = finding.kind.value
        event.said.append(word)
        standing[finding.kind, finding.subject] = event
    return told


def run(plan: JobPlan) -> JobScore:
    """Play a job, watch it, and hold the one against the other."""
    sound = list(play(plan))
    table = rows(plan, sound)
    heard = listen(thermal_plan(plan), table, plan)
    told = follow(heard.findings)
    score = JobScore(
        plan.seed, plan.what, plan.end_s / 3600.0, _calm_hours(plan),
        heard.sensor_s, heard.watch_s, plan.one,
    )  # fmt: skip
    for index, event in enumerate(plan.events):
        if event.kind in THERMAL:
            score.answers.append(_thermal(plan, index, event, sound, told))
        elif event.kind == "fault":
            score.answers.append(_fault(plan, event, sound, told))
        else:
            score.answers.append(_fire(plan, event, sound, table, told))
    if plan.what != "fire" and not plan.marked:
        at_end = [t for t in told if t.kind == "heat_lost" and t.raised_s >= plan.finish_s]
        score.ends.append(bool(at_end))
        for one in at_end:
            one.used = True
    for one in told:
        _judge_rest(plan, one, sound, score)
    score.forecasts = list(_come_true(plan, heard))
    score.misses = heard.misses
    return score


def _come_true(plan: JobPlan, heard: Heard) -> Iterator[Foretold]:
    """Hold forecasts against what was told then, where nothing came between."""
    for kind, made_s, for_s, u_s in heard.forecasts:
        told = (
            f.at_s
            for f in heard.findings
            if f.kind.value == kind and f.change is Change.RAISED and f.at_s > made_s
        )
        at_s = next(told, None)
        if at_s is None:
            continue
        after_finish = kind == Kind.COOL_ENOUGH.value and made_s < plan.finish_s < at_s
        if after_finish or any(
            e.kind in THERMAL and e.start_s < at_s and e.end_s > made_s - RECOVERY_S
            for e in plan.events
        ):
            continue
        yield Foretold(kind, at_s - made_s, at_s - for_s, u_s)


def _calm_hours(plan: JobPlan) -> float:
    """Hours in which nothing was the matter, recovery left out."""
    away_s = sum(
        min(e.end_s + RECOVERY_S, plan.end_s) - e.start_s
        for e in plan.events
        if e.kind in THERMAL or e.kind == "fire"
    )
    return (plan.end_s - away_s) / 3600.0


def _answer(plan: JobPlan, event: Happening, size_k: float, *, must: bool) -> Answer:
    phase = "build"
    if event.start_s < plan.build_s:
        phase = "warming"
    elif event.start_s >= plan.finish_s:
        phase = "cooling"
    return Answer(
        plan.seed, plan.physics, event.kind, event.what, plan.one_wire, plan.one, plan.marked,
        phase, event.start_s, event.end_s - event.start_s, size_k, must,
    )  # fmt: skip


def _sizes(
    plan: JobPlan, index: int, event: Happening, sound: list[tuple[float, list[float], float]]
) -> tuple[float, float]:
    """By how much the event lowered a sensor at most, K; and within its first three minutes."""
    size_k = early_k = 0.0
    sensors = range(len(plan.instruments))
    for at, (t_s, values_c, _) in enumerate(play(plan, without=index, until_s=event.end_s + 30.0)):
        if t_s >= event.start_s:
            lowered_k = max(values_c[one] - sound[at][1][one] for one in sensors)
            size_k = max(size_k, lowered_k)
            if t_s <= event.start_s + 180.0:
                early_k = size_k
    return size_k, early_k


def _thermal(
    plan: JobPlan,
    index: int,
    event: Happening,
    sound: list[tuple[float, list[float], float]],
    told: list[Told],
) -> Answer:
    size_k, early_k = _sizes(plan, index, event, sound)
    answer = _answer(plan, event, size_k, must=size_k >= MUST_K[event.kind])
    answer.early_k = early_k
    until_s = event.end_s + ALLOWED_S[event.kind]

    def is_own(one: Told) -> bool:
        """Said at the time of the event; what stood shortly before may become right."""
        from_s = event.start_s - (60.0 if one.kind == event.kind else 2.0)
        said = any(
            event.start_s - 2.0 <= word.at_s <= until_s and word.kind in THERMAL
            for word in one.said
        )
        return said and not one.used and one.raised_s >= from_s

    own = [one for one in told if is_own(one)]
    if not own:
        return answer
    right = [t for t in own if t.kind == event.kind]
    chosen = right[0] if right else own[0]
    chosen.used = True
    answer.result = "found" if right else chosen.kind
    answer.first = chosen.said[0].kind
    answer.runner_up = chosen.last.runner_up
    named = [word.at_s for word in chosen.said if word.kind == event.kind]
    answer.delay_s = (named[0] if named else chosen.raised_s) - event.start_s
    answer.onset_off_s = chosen.last.onset_s - event.start_s
    if chosen.end_s is not None:
        answer.end_off_s = chosen.end_s - event.end_s
    answer.beside = [t.kind for t in own if t is not chosen]
    answer.ever = sorted({word.kind for one in own for word in one.said})
    return answer


def _fault(
    plan: JobPlan,
    event: Happening,
    sound: list[tuple[float, list[float], float]],
    told: list[Told],
) -> Answer:
    must = event.what not in (*MUST_NOT, "swapped")
    size_k = abs(event.amount)
    first, last = int(event.start_s) + 1, min(int(event.end_s), len(sound) - 1)
    if event.what == "stuck":
        held_c = sound[first][1][event.where]
        span = sound[first : min(first + 180, last)]
        size_k = max((abs(values[event.where] - held_c) for _, values, _ in span), default=0.0)
        must = size_k >= MOVED_K and not plan.one
    elif event.what == "swapped":
        values = sound[first][1]
        size_k = abs(values[event.where] - values[(event.where + 1) % len(plan.instruments)])
    elif event.what == "missing":
        must = event.end_s - event.start_s > 60.0
    elif event.what == "drift":
        hours = (event.end_s - event.start_s) / 3600.0
        size_k = abs(event.amount) * hours
        must = hours >= 6.0 or size_k >= 1.5
    answer = _answer(plan, event, size_k, must=must)
    names = {plan.instruments[event.where].name}
    if event.what in ("swapped", "drift"):
        names = {one.name for one in plan.instruments}
    slow = event.what in ("swapped", "drift")
    until_s = event.end_s + (0.0 if slow else FAULT_ALLOWED_S)
    best: Said | None = None
    for one in told:
        if one.kind != "sensor_fault" or one.subject not in names:
            continue
        for word in one.said:
            cleared = word is one.last and one.cleared_s is not None
            if (
                event.start_s - 1.0 <= word.at_s <= until_s
                and not cleared
                and slow == (word.fault not in PLAIN_FAULTS)
            ):
                one.used = True  # and more of the same, as it comes and goes
                if best is None or word.at_s < best.at_s:
                    best = word
                    end_s = one.end_s
                    answer.end_off_s = None if end_s is None else end_s - event.end_s
    if best is not None:
        answer.result = "found"
        answer.delay_s = best.at_s - event.start_s
        answer.onset_off_s = best.onset_s - event.start_s
    return answer


def _fire(
    plan: JobPlan,
    event: Happening,
    sound: list[tuple[float, list[float], float]],
    table: list[Row],
    told: list[Told],
) -> Answer:
    if plan.one_wire:  # what a slow sensor hasn't been asked yet, nobody can know
        number = len(plan.instruments)
        hot = (
            t_s
            for t_s, values in table
            if t_s >= event.start_s
            and any(isinstance(v, float) and v >= STATIC_C for v in values[:number])
        )
    else:
        hot = (t_s for t_s, _, air_c in sound if t_s >= event.start_s and air_c >= STATIC_C)
    reached_s = next(hot, math.inf)
    answer = _answer(plan, event, 0.0, must=math.isfinite(reached_s))
    own = [t for t in told if t.raised_s >= event.start_s and Kind(t.kind) in FIRE_KINDS]
    if own:
        answer.result = "found" if own[0].raised_s < reached_s else "late"
        answer.first = own[0].said[0].kind
        answer.delay_s = own[0].raised_s - event.start_s
        answer.onset_off_s = own[0].last.onset_s - event.start_s
        if math.isfinite(reached_s):
            answer.margin_s = reached_s - own[0].raised_s
    return answer


def _surroundings(plan: JobPlan, at_s: float) -> str:
    """What was going on that nobody need be told of: the habit that changed last, the job's end."""
    if plan.finish_s <= at_s <= plan.finish_s + RECOVERY_S:
        return "job's end"
    if at_s < plan.build_s:
        return "before the build"
    latest_s, name = at_s - 300.0, "nothing"
    for habit in plan.habits:
        for changed_s in (habit.start_s, habit.end_s):
            if latest_s < changed_s <= at_s:
                latest_s, name = changed_s, habit.kind
    if name == "nothing" and plan.heater_w and plan.hysteresis_k >= 2.0:
        return "thermostat"
    return name


def _is_so(
    plan: JobPlan, kind: Kind, at_s: float, sound: list[tuple[float, list[float], float]]
) -> bool:
    """Whether sound sensors' mean over the last minute is, but for a slack, where it was said."""
    span = sound[max(0, int(at_s) - 60) : int(at_s)]
    number = len(plan.instruments)
    mean_c = sum(sum(values[:number]) for _, values, _ in span) / max(number * len(span), 1)
    if kind is Kind.TOO_WARM:
        return mean_c > ASA_CEILING_C - STATE_SLACK_K
    floor_c = ASA_FLOOR_C if plan.target_c is None else plan.target_c
    return mean_c < floor_c - STATE_SLACK_K


def _judge_rest(
    plan: JobPlan, one: Told, sound: list[tuple[float, list[float], float]], score: JobScore
) -> None:
    """Put an event that answers nothing where it belongs."""
    kind = Kind(one.kind)
    at_s = one.raised_s
    if one.used or kind in NOTICES:
        return
    here = False_(plan.seed, one.kind, at_s, plan.one, plan.one_wire, plan.what)
    fires = [e for e in plan.events if e.kind == "fire"]
    if any(at_s >= fire.start_s for fire in fires):
        return
    near = [e for e in plan.events if e.start_s - 2.0 <= at_s <= e.end_s + RECOVERY_S]
    if kind in FIRE_KINDS:
        span = sound[max(0, int(at_s) - 60) : int(at_s) + 1]
        if any(max(values[: len(plan.instruments)]) >= LIMIT_C - 0.5 for _, values, _ in span):
            return
    elif kind in STATES:
        score.states.append(here)
        if _is_so(plan, kind, at_s, sound):
            return
        near = []  # no event excuses a state that the air isn't in
    elif kind is Kind.SENSOR_FAULT:
        for fault in near:
            if fault.kind == "fault" and at_s <= fault.end_s + FAULT_ALLOWED_S:
                return
    else:
        for event in near:
            if event.kind in THERMAL:
                here.where = f"beside {event.kind}"
                score.beside.append(here)
                return
    here.where = _surroundings(plan, at_s)
    for event in near:
        if event.kind == "fault" and event.what != "drift":
            here.where = f"in fault {event.what}"
        elif event.kind in THERMAL:
            here.where = f"in {event.kind}"
    score.false.append(here)
