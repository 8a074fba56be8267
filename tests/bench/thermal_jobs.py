"""Whole jobs for the thermal bench, drawn by seed: boxes, sensors, habits, and what goes wrong.

One plan is played either by the product's simulated chamber or by the second
physics of `scenario.thermal_box`. Faults of sensors and their reading period
are put on afterwards, alike for both. The tuning set has the even seeds and
its own kinds of box, the reporting set the odd seeds and others.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import count

from scenario.thermal_box import BoxPlan, Event, Feeler, readings
from stillair.errors import ReadingFault
from stillair.model import Place
from stillair.simulation.materials import layered
from stillair.simulation.physics import BedPlan, Box, HeaterPlan, RoomPlan
from stillair.simulation.points import PointKind, PointPlan
from stillair.simulation.scenario import Scenario, Step, action
from stillair.simulation.world import SimulatedChamber

Value = float | ReadingFault | None
Row = tuple[float, tuple[Value, ...]]

TUNING, REPORTING = "tuning", "reporting"
# kind of box: walls, least and largest volume in m3
ENCLOSURES: dict[str, dict[str, tuple[tuple[str, ...], float, float]]] = {
    TUNING: {
        "plywood cupboard": (("plywood",), 0.12, 0.6),
        "acrylic box": (("acrylic",), 0.05, 0.25),
        "foam-lined board": (("foam",), 0.08, 0.35),
        "carton": (("cardboard",), 0.06, 0.3),
    },
    REPORTING: {
        "board cupboard": (("mdf",), 0.1, 0.6),
        "polycarbonate box": (("polycarbonate",), 0.05, 0.3),
        "foil-faced lining": (("foil_board",), 0.1, 0.5),
        "sheet-steel cabinet": (("metal",), 0.08, 0.45),
        "glass case": (("glass",), 0.05, 0.2),
        "canvas tent": (("fabric",), 0.15, 0.6),
        "plywood with foam": (("plywood", "foam"), 0.1, 0.5),
    },
}
GROWTHS = {"slow": 600.0, "medium": 300.0, "fast": 150.0, "ultra_fast": 75.0}
FAULTS = (
    "decoded", "missing", "power_on", "power_on_once", "failed_conversion", "stuck", "spike",
    "swapped",
)  # fmt: skip
THERMAL = ("door_open", "draft", "heat_lost")
HOTTEST_STEADY_C = 70.0  # what the plan may make of the air by itself, below the limit of 80


@dataclass(frozen=True)
class Happening:
    """Something that happens from `start_s` to `end_s`.

    `what` refines the kind: the heat that is lost, a fault's or a fire's name,
    "side" for a draft along one side. `where` is a sensor or a place.
    """

    kind: str
    start_s: float
    end_s: float
    amount: float = 1.0
    what: str = ""
    where: int = 0


@dataclass(frozen=True)
class Instrument:
    """One sensor as the plan has it; `phase` is the second of its period at which it is read."""

    name: str
    height: float
    node: int
    tau_s: float
    noise_k: float
    step_k: float
    offset_k: float
    phase: int = 0


@dataclass(frozen=True)
class JobPlan:
    """One job from cold start to cool-down."""

    seed: int
    chosen: str  # which set
    what: str  # events, fire, quiet
    physics: str  # chamber or box
    enclosure: str
    walls: tuple[str, ...]
    volume_m3: float
    leak_per_h: float
    stirred: bool
    heater_w: float
    target_c: float | None
    hysteresis_k: float
    cut_out: bool
    bed_c: float
    bed_w: float
    room_c: float
    room_day_k: float
    room_swing_k: float
    starts_at_h: float
    instruments: tuple[Instrument, ...]
    one_wire: bool
    period_s: int
    room_sensor: bool
    marked: bool  # the watch is told of the job and its target
    heat_s: float
    build_s: float
    finish_s: float
    end_s: float
    habits: tuple[Happening, ...]
    events: tuple[Happening, ...]

    @property
    def sensors(self) -> tuple[tuple[str, Place], ...]:
        """Names and places of all columns."""
        own = tuple((one.name, Place.CHAMBER) for one in self.instruments)
        return (*own, ("room", Place.ROOM)) if self.room_sensor else own

    @property
    def one(self) -> bool:
        """Only one sensor in the chamber."""
        return len(self.instruments) == 1

    def describe(self) -> str:
        """One line for people."""
        heat = f"heater {self.heater_w:.0f} W to {self.target_c:.0f}" if self.target_c else "bed"
        taus = "/".join(f"{one.tau_s:.0f}" for one in self.instruments)
        return (
            f"{self.chosen} seed {self.seed} {self.what}: {self.physics}, {self.enclosure}"
            f" {self.volume_m3:.2f} m3, {self.leak_per_h:.1f} changes/h,"
            f" {'stirred' if self.stirred else 'layered'}, {heat}, bed {self.bed_c:.0f},"
            f" {'1-Wire' if self.one_wire else 'thermocouple'} tau {taus} s"
            f" step {self.instruments[0].step_k:g} K noise {self.instruments[0].noise_k:.2f} K"
            f" every {self.period_s} s,"
            f" {'room sensor, ' if self.room_sensor else ''}{'marked, ' if self.marked else ''}"
            f"heat {self.heat_s:.0f}, build {self.build_s:.0f}, finish {self.finish_s:.0f},"
            f" end {self.end_s:.0f}"
        )


def plans(chosen: str, what: str, hours: float) -> list[JobPlan]:
    """Plans of one set until their hours together reach `hours`."""
    found: list[JobPlan] = []
    total_s = 0.0
    first = {"events": 0, "fire": 100_000, "quiet": 200_000}[what]
    for number in count():
        if total_s >= hours * 3600.0:
            return found
        plan = draw(first + 2 * number + (chosen == REPORTING), what)
        found.append(plan)
        total_s += plan.end_s
    raise AssertionError("endless")


def draw(seed: int, what: str = "") -> JobPlan:
    """The plan of a seed; which set follows from the seed, what kind of job too."""
    chosen = REPORTING if seed % 2 else TUNING
    what = what or ("events", "fire", "quiet")[min(2, seed // 100_000)]
    rng = random.Random(f"job {seed}")
    enclosure = rng.choice(sorted(ENCLOSURES[chosen]))
    walls, least_m3, most_m3 = ENCLOSURES[chosen][enclosure]
    volume_m3 = math.exp(rng.uniform(math.log(least_m3), math.log(most_m3)))
    room_c = rng.uniform(12.0, 29.0)
    leak_per_h = math.exp(rng.uniform(math.log(0.5), math.log(5.0)))
    own_heater = rng.random() < 0.5
    target_c = rng.uniform(40.0, 60.0)
    area_m2 = 6.0 * volume_m3 ** (2.0 / 3.0)
    losses_w = (layered(walls).u_w_per_m2k * area_m2 + leak_per_h * volume_m3 * 0.32) * (
        target_c - room_c
    )
    one_wire = rng.random() < 0.5
    stirred = rng.random() < 0.6
    heat_s = rng.uniform(300.0, 900.0)
    if what == "fire":
        build_s = heat_s + rng.uniform(2400.0, 5400.0)
        finish_s = build_s + rng.uniform(1800.0, 4000.0)
        end_s = finish_s
    else:
        build_s = heat_s + rng.uniform(2400.0, 5400.0)
        finish_s = build_s + 3600.0 * math.exp(rng.uniform(math.log(2.0), math.log(12.0)))
        end_s = finish_s + rng.uniform(2400.0, 5400.0)
    plan = JobPlan(
        seed=seed,
        chosen=chosen,
        what=what,
        physics=rng.choice(("chamber", "box")),
        enclosure=enclosure,
        walls=walls,
        volume_m3=volume_m3,
        leak_per_h=leak_per_h,
        stirred=stirred,
        # A strong heater has a fan of its own, or it would glow.
        heater_w=losses_w * rng.uniform(1.15, 2.0 if stirred else 1.4) if own_heater else 0.0,
        target_c=target_c if own_heater else None,
        hysteresis_k=rng.choice((0.3, 0.5, 0.5, 1.0, 1.0, 2.0, 4.0)),
        cut_out=own_heater and rng.random() < 0.3,
        bed_c=rng.uniform(70.0, 110.0),
        bed_w=rng.uniform(150.0, 400.0),
        room_c=room_c,
        room_day_k=rng.choice((0.0, 1.0, 3.0)),
        room_swing_k=rng.uniform(0.0, 1.5),
        starts_at_h=rng.uniform(0.0, 24.0),
        instruments=_instruments(rng, one_wire),
        one_wire=one_wire,
        period_s=rng.choice((1, 1, 2, 3, 5)) if one_wire else 1,
        room_sensor=rng.random() < 0.45,
        marked=rng.random() < 0.5,
        heat_s=heat_s,
        build_s=build_s,
        finish_s=finish_s,
        end_s=end_s,
        habits=(),
        events=(),
    )
    plan = replace(plan, habits=_habits(rng, plan))
    if what == "events":
        plan = replace(plan, events=_events(rng, plan))
    elif what == "fire":
        start_s = rng.uniform(plan.build_s + 600.0, plan.finish_s - 900.0)
        fire = Happening("fire", start_s, plan.end_s, what=rng.choice(sorted(GROWTHS)))
        plan = replace(plan, events=(fire,), end_s=start_s + 300.0)
    return _bearable(plan)


def _instruments(rng: random.Random, one_wire: bool) -> tuple[Instrument, ...]:
    number = rng.choice((1, 2, 2, 3, 4))
    step_k = 0.0625 if one_wire else rng.choice((0.25, 0.25, 0.0078125))
    noise_k = rng.uniform(0.01, 0.04) if one_wire else rng.uniform(0.03, 0.2)
    places = [(0.9, 0), (0.15, 3), (0.5, 2), (0.8, 1)]
    return tuple(
        Instrument(
            name=("top", "low", "middle", "far side")[index],
            height=places[index][0],
            node=places[index][1],
            tau_s=rng.uniform(12.0, 60.0) if one_wire else rng.uniform(3.0, 6.0),
            noise_k=noise_k,
            step_k=step_k,
            offset_k=rng.gauss(0.0, 0.3 if one_wire else 0.8),
            phase=rng.randrange(5),
        )
        for index in range(number)
    )


def _habits(rng: random.Random, plan: JobPlan) -> tuple[Happening, ...]:
    """What machine, room and sun do and nobody is to be told of."""
    habits: list[Happening] = []
    if rng.random() < 0.8:
        t_s = plan.build_s + rng.uniform(60.0, 900.0)
        longest_s = rng.choice((60.0, 900.0))
        while t_s < plan.finish_s:
            length_s = rng.uniform(15.0, longest_s)
            end_s = min(t_s + length_s, plan.finish_s)
            habits.append(Happening("part_fan", t_s, end_s, rng.choice((0.3, 0.6, 1.0))))
            t_s += length_s + rng.uniform(30.0, 1800.0)
    if rng.random() < 0.6:
        t_s = plan.build_s + rng.uniform(300.0, 3600.0)
        for _ in range(rng.choice((1, 2))):
            if t_s < plan.finish_s - 600.0:
                habits.append(
                    Happening("bed_step", t_s, plan.finish_s, rng.choice((5.0, 5.0, 10.0, 15.0)))
                )
            t_s += rng.uniform(1800.0, 9000.0)
    for _ in range(rng.choice((0, 0, 1, 2))):
        t_s = rng.uniform(plan.build_s, plan.finish_s - 600.0)
        end_s = min(plan.finish_s, t_s + rng.uniform(60.0, 1800.0))
        if not any(h.kind == "pause" and h.start_s <= end_s and t_s <= h.end_s for h in habits):
            habits.append(Happening("pause", t_s, end_s))
    if rng.random() < 0.5:
        t_s = rng.uniform(0.0, plan.finish_s)
        while t_s < plan.end_s:
            length_s = rng.uniform(1800.0, 3 * 3600.0)
            habits.append(Happening("room", t_s, t_s + length_s, rng.uniform(-3.0, 4.0)))
            t_s += length_s + rng.uniform(1800.0, 3 * 3600.0)
    if plan.physics == "box" and rng.random() < 0.3:
        t_s = rng.uniform(plan.build_s, plan.finish_s)
        for _ in range(rng.randrange(1, 5)):
            length_s = rng.uniform(120.0, 2400.0)
            habits.append(Happening("sun", t_s, t_s + length_s, rng.uniform(10.0, 60.0)))
            t_s += length_s + rng.uniform(60.0, 900.0)
    return tuple(habits)


def _events(rng: random.Random, plan: JobPlan) -> tuple[Happening, ...]:
    """What is to be told, far enough apart for each to be over before the next."""
    events: list[Happening] = []
    if plan.finish_s - plan.build_s > 7 * 3600.0 and not plan.one and rng.random() < 0.5:
        start_s = plan.build_s + rng.uniform(0.0, 1800.0)
        amount = rng.choice((-1.0, 1.0)) * rng.uniform(1.0, 2.5) / 6.0  # K an hour
        where = rng.randrange(len(plan.instruments))
        events.append(Happening("fault", start_s, plan.end_s, amount, "drift", where))
    t_s = plan.heat_s + rng.uniform(1200.0, 3600.0)
    while True:
        kind = rng.choices((*THERMAL, "fault"), (0.4, 0.25, 0.15, 0.2))[0]
        event = _event(rng, plan, kind, t_s)
        if event.end_s > plan.end_s - 900.0:
            break
        heated = plan.build_s < t_s and event.end_s < plan.finish_s - 900.0
        at_finish = event.start_s - 60.0 < plan.finish_s < event.end_s + 1200.0
        if (heated or kind != "heat_lost") and not at_finish:
            events.append(event)
        t_s = event.end_s + rng.uniform(1500.0, 3600.0)
    return (*events, *_moving_air(plan, events))


def _moving_air(plan: JobPlan, events: list[Happening]) -> Iterator[Happening]:
    """Doors by which half of the stuck sensors of two or more can be known: the air moves."""
    rng = random.Random(f"moving air {plan.seed}")
    for event in events:
        if event.what == "stuck" and not plan.one and rng.random() < 0.5:
            start_s = event.start_s + rng.uniform(10.0, 60.0)
            length_s = rng.uniform(45.0, 180.0)
            yield Happening("door_open", start_s, start_s + length_s, rng.uniform(0.4, 1.0))


def _event(rng: random.Random, plan: JobPlan, kind: str, t_s: float) -> Happening:
    if kind == "door_open":
        length_s = math.exp(rng.uniform(math.log(15.0), math.log(600.0)))
        ajar = rng.random() < 0.2
        opening = rng.uniform(0.1, 0.3) if ajar else rng.uniform(0.3, 1.0)
        return Happening(kind, t_s, t_s + length_s, opening)
    if kind == "draft":
        length_s = math.exp(rng.uniform(math.log(60.0), math.log(1800.0)))
        side = "side" if rng.random() < 0.4 else "point"
        # Air changes an hour: some 2 to 20 times a leaky box's own, a door has hundreds.
        amount = math.exp(rng.uniform(math.log(10.0), math.log(80.0)))
        return Happening(kind, t_s, t_s + length_s, amount, side, rng.randrange(4))
    if kind == "heat_lost":
        of = rng.choice(("bed", "heater", "both")) if plan.heater_w else "both"
        return Happening(kind, t_s, t_s + rng.uniform(600.0, 1800.0), what=of)
    name = rng.choice([f for f in FAULTS if f != "swapped" or not plan.one])
    length_s = {
        "power_on_once": float(plan.period_s), "spike": rng.choice((1.0, 2.0)) * plan.period_s,
    }.get(name, rng.uniform(120.0, 900.0))  # fmt: skip
    amount = rng.choice((-1.0, 1.0, 1.0)) * rng.uniform(8.0, 120.0)
    return Happening(
        "fault", t_s, t_s + length_s, amount, name, rng.randrange(len(plan.instruments))
    )


def _bearable(plan: JobPlan) -> JobPlan:
    """The same plan with a bed that doesn't heat the air beyond what the chamber is for."""
    for _ in range(4):
        trial = replace(plan, habits=(), events=(), end_s=plan.heat_s + 2.5 * 3600.0)
        trial = replace(trial, finish_s=trial.end_s, room_day_k=0.0)
        hottest_c = 0.0
        for t_s, _, air_c in play(trial, every_s=30.0):
            if t_s > trial.end_s - 900.0:
                hottest_c = max(hottest_c, air_c)
        allowed_c = HOTTEST_STEADY_C - max(0.0, plan.room_c + plan.room_day_k - 22.0)
        if hottest_c <= allowed_c:
            break
        plan = replace(
            plan,
            bed_c=max(55.0, plan.bed_c - 1.6 * (hottest_c - allowed_c) - 1.0),
            target_c=None if plan.target_c is None else min(plan.target_c, 55.0),
        )
    return plan


# --- playing a plan ---------------------------------------------------------


def play(
    plan: JobPlan,
    *,
    without: int | None = None,
    until_s: float | None = None,
    every_s: float = 1.0,
) -> Iterator[tuple[float, list[float], float]]:
    """Yield `(t_s, a value per column, hottest air)` as sound sensors give them each second.

    `without` leaves out one of the events, with the same noise.
    """
    end_s = plan.end_s if until_s is None else min(plan.end_s, until_s)
    events = [e for index, e in enumerate(plan.events) if index != without and e.kind != "fault"]
    source = _in_chamber if plan.physics == "chamber" else _in_box
    return source(plan, events, end_s, every_s)


def rows(plan: JobPlan, sound: list[tuple[float, list[float], float]]) -> list[Row]:
    """What the instruments gave: faults of sensors and the reading period put on."""
    faults = [e for e in plan.events if e.kind == "fault"]
    held: dict[int, float] = {}
    found: list[Row] = []
    for t_s, values_c, _ in sound:
        values: list[Value] = list(values_c)
        for number, fault in enumerate(faults):
            if fault.start_s <= t_s < fault.end_s:
                _spoil(plan, fault, t_s, values, held, number)
        if plan.period_s > 1:
            second = int(t_s)
            for index, one in enumerate(plan.instruments):
                if (second + one.phase) % plan.period_s:
                    values[index] = None
            if plan.room_sensor and second % plan.period_s:
                values[-1] = None
        if any(value is not None for value in values):
            found.append((t_s, tuple(values)))
    return found


def _spoil(
    plan: JobPlan,
    fault: Happening,
    t_s: float,
    values: list[Value],
    held: dict[int, float],
    number: int,
) -> None:
    where = fault.where
    own = values[where]
    assert isinstance(own, float)
    match fault.what:
        case "decoded":
            is_open = int(fault.start_s) % 2 == 0
            values[where] = ReadingFault.OPEN_CIRCUIT if is_open else ReadingFault.SHORT_TO_GROUND
        case "missing":
            values[where] = None
        case "power_on" | "power_on_once":
            values[where] = 85.0
        case "failed_conversion":
            values[where] = 127.94
        case "stuck":
            values[where] = held.setdefault(number, own)
        case "spike":
            values[where] = own + fault.amount
        case "drift":
            step_k = plan.instruments[where].step_k
            drift_k = fault.amount * (t_s - fault.start_s) / 3600.0
            values[where] = own + round(drift_k / step_k) * step_k
        case "swapped":
            other = (where + 1) % len(plan.instruments)
            values[where], values[other] = values[other], values[where]


@dataclass(frozen=True, slots=True)
class _RestlessRoom(RoomPlan):
    """A room with a day, a quicker swing and heating that comes on and goes off."""

    quick_k: float = 0.0
    heats: tuple[tuple[float, float, float], ...] = ()  # hours of start and end, K

    def temperature_c(self, hour: float) -> float:
        turn = math.tau * (hour - self.warmest_at_h) / 24.0
        room_c = self.mean_c + self.swing_k * math.cos(turn)
        room_c += self.quick_k * math.sin(math.tau * hour / 1.5)
        for start_h, end_h, rise_k in self.heats:
            if hour > start_h:
                room_c += rise_k * (1.0 - math.exp(-4.0 * (min(hour, end_h) - start_h)))
                if hour > end_h:
                    gone = 1.0 - math.exp(-4.0 * (hour - end_h))
                    room_c -= rise_k * (1.0 - math.exp(-4.0 * (end_h - start_h))) * gone
        return room_c


def _in_chamber(
    plan: JobPlan, events: list[Happening], end_s: float, every_s: float
) -> Iterator[tuple[float, list[float], float]]:
    world = SimulatedChamber(_scenario(plan, events), seed=plan.seed)
    names = [name for name, _ in plan.sensors]
    for number in range(int(end_s / every_s)):
        t_s = number * every_s
        world.advance(t_s)
        values = [world.temperature_c(name) for name in names]
        temperatures = world.temperatures()
        yield (
            t_s,
            [math.nan if value is None else value for value in values],
            max(temperatures["upper"], temperatures["lower"]),
        )


def _scenario(plan: JobPlan, events: list[Happening]) -> Scenario:
    rng = random.Random(f"shape {plan.seed}")
    width_m = plan.volume_m3 ** (1.0 / 3.0) * rng.uniform(0.85, 1.1)
    depth_m = plan.volume_m3 ** (1.0 / 3.0) * rng.uniform(0.85, 1.1)
    height_m = plan.volume_m3 / width_m / depth_m
    bed_m = min(0.35, 0.6 * width_m)
    steps = [
        action(plan.heat_s, "bed_to", target_c=plan.bed_c),
        action(
            plan.build_s, "job_start", name="bushings", build_s=plan.finish_s - plan.build_s,
            mass_g=rng.uniform(30.0, 600.0),
        ),
        action(plan.finish_s, "bed_to"),
        action(plan.finish_s, "heater_to"),
    ]  # fmt: skip
    if plan.target_c is not None:
        steps.append(action(plan.heat_s, "heater_to", target_c=plan.target_c))
    bed_c = plan.bed_c
    heats: list[tuple[float, float, float]] = []
    for habit in sorted((*plan.habits, *events), key=lambda one: one.start_s):
        if habit.kind == "bed_step":
            bed_c -= habit.amount
            steps.append(action(habit.start_s, "bed_to", target_c=bed_c))
        elif habit.kind == "room":
            hours = [plan.starts_at_h + t_s / 3600.0 for t_s in (habit.start_s, habit.end_s)]
            heats.append((hours[0], hours[1], habit.amount))
        else:
            steps.extend(_steps(habit))
    heater = None
    if plan.heater_w:
        heater = HeaterPlan(
            power_w=plan.heater_w,
            hysteresis_k=plan.hysteresis_k / 2.0,
            cut_out=plan.cut_out,
            upper_share=rng.uniform(0.3, 0.9),
        )
    sensors = [
        PointPlan(
            one.name,
            height=one.height,
            kind=PointKind.BEAD,
            tau_s=one.tau_s,
            resolution_k=one.step_k,
            noise_k=one.noise_k,
            offset_k=one.offset_k,
            bed_view=rng.choice((0.0, 0.0, 0.02)),
        )
        for one in plan.instruments
    ]
    if plan.room_sensor:
        sensors.append(PointPlan("room", Place.ROOM, tau_s=60.0, resolution_k=0.0625))
    return Scenario(
        name=f"bench {plan.seed}",
        enclosure=Box(
            walls=plan.walls,
            width_m=width_m,
            depth_m=depth_m,
            height_m=height_m,
            leak_per_h=plan.leak_per_h,
            door_width_m=0.85 * width_m,
            door_height_m=0.85 * height_m,
            mix_m3_per_s=rng.uniform(0.004, 0.012) if plan.stirred else rng.uniform(0.0003, 0.002),
            stir_m_per_s=rng.uniform(0.3, 1.0) if plan.stirred else rng.uniform(0.0, 0.1),
            machine_kg=rng.uniform(4.0, 12.0),
            machine_area_m2=rng.uniform(0.2, 0.6),
        ),
        room=_RestlessRoom(
            plan.room_c,
            plan.room_day_k,
            quick_k=plan.room_swing_k / 2.0,
            heats=tuple(heats),
        ),
        bed=BedPlan(bed_m, bed_m, mass_kg=14.0 * bed_m * bed_m, power_w=plan.bed_w),
        heater=heater,
        sensors=tuple(sensors),
        steps=tuple(steps),
        starts_at_h=plan.starts_at_h,
    )


def _steps(one: Happening) -> list[Step]:
    length_s = max(1.0, one.end_s - one.start_s)
    match one.kind:
        case "door_open":
            return [
                action(one.start_s, "open_door", fraction=max(0.02, one.amount), for_s=length_s)
            ]
        case "draft":
            # Nodes 0 and 1 are the upper air; along a side it comes in at both heights.
            upper = 0.5 if one.what == "side" else (1.0 if one.where < 2 else 0.0)
            return [
                action(
                    one.start_s, "draft", air_changes_per_h=one.amount, upper_share=upper,
                    for_s=length_s,
                )
            ]  # fmt: skip
        case "heat_lost":
            return [action(one.start_s, "lose_heat", of=one.what, for_s=length_s)]
        case "part_fan":
            return [action(one.start_s, "part_fan", speed=one.amount, for_s=length_s)]
        case "pause":
            return [action(one.start_s, "job_pause", for_s=length_s)]
        case "fire":
            return [action(one.start_s, "fire", growth=one.what)]
        case _:
            return []


def _in_box(
    plan: JobPlan, events: list[Happening], end_s: float, every_s: float
) -> Iterator[tuple[float, list[float], float]]:
    hottest: list[float] = []
    every = int(every_s)
    for t_s, values in readings(_box(plan, events, end_s), hottest):
        if int(t_s) % every == 0:
            yield t_s, values, hottest[-1]


def _box(plan: JobPlan, events: list[Happening], end_s: float) -> BoxPlan:
    rng = random.Random(f"shape {plan.seed}")
    wall = layered(plan.walls)
    w_per_change = plan.volume_m3 * 1150.0 / 3600.0  # W/K of one air change an hour
    told: list[Event] = []
    for one in (*plan.habits, *events):
        start_s, stop_s, amount = one.start_s, one.end_s, one.amount
        match one.kind:
            case "part_fan":
                told.append(Event("fan", start_s, stop_s, amount))
            case "draft":
                nodes = (one.where, one.where ^ 2) if one.what == "side" else (one.where,)
                for node in nodes:
                    told.append(
                        Event("draft", start_s, stop_s, amount * w_per_change / len(nodes), node)
                    )
            case "heat_lost":
                told.append(Event("heat_lost", start_s, stop_s, of=one.what))
            case "fire":
                told.append(Event("fire", start_s, stop_s, 1055e3 / GROWTHS[one.what] ** 2))
            case _:
                told.append(Event(one.kind, start_s, stop_s, amount))
    return BoxPlan(
        volume_m3=plan.volume_m3,
        wall_w_per_m2k=wall.u_w_per_m2k,
        wall_j_per_m2k=wall.capacity_j_per_m2k,
        leak_per_h=plan.leak_per_h,
        bed_w=plan.bed_w,
        bed_c=plan.bed_c,
        bed_w_per_k=rng.uniform(0.8, 2.0),
        bed_j_per_k=rng.uniform(500.0, 1600.0),
        machine_j_per_k=rng.uniform(3000.0, 9000.0),
        machine_w_per_k=rng.uniform(2.0, 6.0),
        heater_w=plan.heater_w,
        heater_tau_s=rng.uniform(20.0, 90.0),
        target_c=plan.target_c,
        hysteresis_k=plan.hysteresis_k,
        mixing_w_per_k=rng.uniform(8.0, 25.0) if plan.stirred else rng.uniform(2.0, 6.0),
        room_c=plan.room_c,
        room_swing_k=plan.room_swing_k,
        room_day_k=plan.room_day_k,
        starts_at_h=plan.starts_at_h,
        start_s=plan.heat_s,
        finish_s=plan.finish_s,
        end_s=end_s,
        door_w_per_k=plan.volume_m3 * rng.uniform(65.0, 110.0),
        feelers=tuple(
            Feeler(one.name, one.node, one.tau_s, one.noise_k, one.step_k, one.offset_k)
            for one in plan.instruments
        ),
        room_feeler=plan.room_sensor,
        events=tuple(told),
        seed=plan.seed,
    )
