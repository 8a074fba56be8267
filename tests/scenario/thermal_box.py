"""A second, small physics of a heated box, written apart from the product's own simulation.

Four masses of air (top and low, left and right), one wall, the bed, the
machine, a heater with a thermostat. It shares no code with `stillair.simulation`, so
that the thermal watch isn't tuned to one simulator. Each step of a second is
implicit in every mass by itself, which can't become unstable.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, field

AIR_J_PER_M3K = 1150.0


@dataclass(frozen=True)
class Event:
    """Something that happens: kind, start and end in seconds, how much of it.

    `amount` is a share for a door and a fan, W/K for a draft, K for a bed's step and the
    room's heating, W for the sun, W/s2 for a fire.
    """

    kind: str  # door_open, draft, heat_lost, fan, bed_step, pause, room, sun, fire
    start_s: float
    end_s: float
    amount: float = 1.0
    node: int = 2  # where a draft comes in
    of: str = "both"  # which heat is lost: bed, heater or both

    def on(self, t_s: float) -> bool:
        return self.start_s <= t_s < self.end_s


@dataclass(frozen=True)
class Feeler:
    """A sensor: which air it is in, its lag, noise, resolution and offset."""

    name: str
    node: int
    tau_s: float = 20.0
    noise_k: float = 0.03
    step_k: float = 0.0625
    offset_k: float = 0.0


@dataclass(frozen=True)
class BoxPlan:
    """One box, one job: sizes, heat, habits and what happens to it."""

    volume_m3: float = 0.2
    wall_w_per_m2k: float = 2.0
    wall_j_per_m2k: float = 6000.0
    leak_per_h: float = 1.5
    bed_w: float = 250.0
    bed_c: float = 100.0
    bed_w_per_k: float = 1.8
    bed_j_per_k: float = 1500.0
    machine_j_per_k: float = 5000.0
    machine_w_per_k: float = 4.0
    heater_w: float = 0.0
    heater_tau_s: float = 40.0
    target_c: float | None = None
    hysteresis_k: float = 1.0
    mixing_w_per_k: float = 6.0
    room_c: float = 20.0
    room_swing_k: float = 0.0
    room_day_k: float = 0.0
    starts_at_h: float = 9.0
    start_s: float = 120.0  # heat on
    finish_s: float = 5 * 3600.0  # heat off
    end_s: float = 6 * 3600.0
    door_w_per_k: float = 20.0
    feelers: tuple[Feeler, ...] = (Feeler("top", 0), Feeler("low", 3))
    room_feeler: bool = False
    events: tuple[Event, ...] = ()
    seed: int = 1

    def without(self) -> BoxPlan:
        """The same box and job in which nothing happens that should be told."""
        from dataclasses import replace

        kept = tuple(e for e in self.events if e.kind in ("fan", "bed_step", "pause"))
        return replace(self, events=kept)


@dataclass
class _State:
    air: list[float]
    wall: float
    bed: float
    machine: float
    heater: float = 0.0
    room_rise_k: float = 0.0
    heating: bool = True
    felt: list[float] = field(default_factory=list)


def readings(
    plan: BoxPlan, hottest: list[float] | None = None
) -> Iterator[tuple[float, list[float]]]:
    """Yield `(t_s, one temperature per feeler)` each second; the room's last where it has one.

    `hottest` gets the temperature of the hottest air, one value a second.
    """
    noise = random.Random(plan.seed)
    room_c = plan.room_c
    state = _State([room_c] * 4, room_c, room_c, room_c, felt=[room_c] * len(plan.feelers))
    area_m2 = 6.0 * plan.volume_m3 ** (2.0 / 3.0)
    air_j = plan.volume_m3 * AIR_J_PER_M3K / 4.0
    film = 8.0 * area_m2 / 4.0
    outer = area_m2 / max(1.0 / plan.wall_w_per_m2k - 1.0 / 8.0, 0.02)
    leak = plan.leak_per_h / 3600.0 * plan.volume_m3 * AIR_J_PER_M3K
    gust = 0.0
    for second in range(int(plan.end_s)):
        t_s = float(second)
        active = [e for e in plan.events if e.on(t_s)]
        room_aim_k = sum(e.amount for e in active if e.kind == "room")
        state.room_rise_k += (room_aim_k - state.room_rise_k) / 900.0
        room_c = plan.room_c + plan.room_swing_k * _triangle(t_s / 5400.0) + state.room_rise_k
        if plan.room_day_k:
            hour = plan.starts_at_h + t_s / 3600.0
            room_c += plan.room_day_k * math.cos(math.tau * (hour - 15.0) / 24.0)
        lost = {e.of for e in active if e.kind == "heat_lost"}
        powered = plan.start_s <= t_s < plan.finish_s and "both" not in lost
        bed_c = plan.bed_c - sum(e.amount for e in active if e.kind == "bed_step")
        door = sum(e.amount for e in active if e.kind == "door_open") * plan.door_w_per_k
        gust += 0.1 * (noise.gauss(0.0, 0.3) - gust)
        flows = [leak / 4.0 + door / 4.0] * 4
        for event in active:
            if event.kind == "draft":
                flows[event.node] += event.amount * max(0.2, 1.0 + gust)
        fan = 25.0 * sum(e.amount for e in active if e.kind == "fan")
        sun_w = sum(e.amount for e in active if e.kind == "sun")
        mix = plan.mixing_w_per_k + fan + 0.25 * door
        fire_w = sum(e.amount * (t_s - e.start_s) ** 2 for e in active if e.kind == "fire")
        bed_w = 0.0
        if powered and "bed" not in lost and state.bed < bed_c:
            bed_w = min(plan.bed_w, (bed_c - state.bed) * 200.0)
        heater_w = 0.0
        if plan.heater_w and plan.target_c is not None and powered:
            mean_c = sum(state.air) / 4.0
            if mean_c > plan.target_c + plan.hysteresis_k / 2.0:
                state.heating = False
            elif mean_c < plan.target_c - plan.hysteresis_k / 2.0:
                state.heating = True
            heater_w = plan.heater_w if state.heating and "heater" not in lost else 0.0
        state.heater += (heater_w - state.heater) / plan.heater_tau_s
        _step(plan, state, room_c, flows, mix, film, outer, air_j, bed_w, fire_w + 0.3 * sun_w)
        if sun_w:
            area_j = plan.wall_j_per_m2k * area_m2
            state.wall += 0.7 * sun_w / area_j
        if powered and not any(e.kind == "pause" for e in active):
            state.air[2] += 15.0 / air_j / 4.0  # the hot end
        if hottest is not None:
            hottest.append(max(state.air))
        values: list[float] = []
        for index, feeler in enumerate(plan.feelers):
            state.felt[index] += (state.air[feeler.node] - state.felt[index]) / (feeler.tau_s + 0.5)
            raw = state.felt[index] + feeler.offset_k + noise.gauss(0.0, feeler.noise_k)
            values.append(round(raw / feeler.step_k) * feeler.step_k)
        if plan.room_feeler:
            values.append(round((room_c + noise.gauss(0.0, 0.03)) * 16.0) / 16.0)
        yield t_s, values


def _step(
    plan: BoxPlan,
    state: _State,
    room_c: float,
    flows: list[float],
    mix: float,
    film: float,
    outer: float,
    air_j: float,
    bed_w: float,
    fire_w: float,
) -> None:
    air = state.air
    bed_share = plan.bed_w_per_k / 2.0
    for node in (2, 3, 0, 1):
        low = node >= 2
        side, column = node ^ 1, node ^ 2
        gain = flows[node] + 2.0 * mix + film + plan.machine_w_per_k / 4.0
        heat = (
            flows[node] * (room_c if low else 0.6 * room_c + 0.4 * air[column])
            + mix * (air[side] + air[column])
            + film * state.wall
            + plan.machine_w_per_k / 4.0 * state.machine
        )
        if low:
            gain += bed_share
            heat += bed_share * state.bed + state.heater / 2.0
        else:
            heat += fire_w / 2.0
        air[node] = (air[node] + heat / air_j) / (1.0 + gain / air_j)
    mean_c = sum(air) / 4.0
    area_j = plan.wall_j_per_m2k * 6.0 * plan.volume_m3 ** (2.0 / 3.0)
    state.wall += (4.0 * film * (mean_c - state.wall) + outer * (room_c - state.wall)) / area_j
    state.bed += (bed_w - plan.bed_w_per_k * (state.bed - mean_c)) / plan.bed_j_per_k
    state.machine += (plan.machine_w_per_k * (mean_c - state.machine)) / plan.machine_j_per_k


def _triangle(cycles: float) -> float:
    phase = cycles % 1.0
    return 4.0 * abs(phase - 0.5) - 1.0


def random_box(seed: int, *, kinds: tuple[str, ...] = ()) -> BoxPlan:
    """A box, a job and sensors drawn by `seed`, with one event of each of `kinds` after soak."""
    rng = random.Random(f"box {seed}")
    own_heater = rng.random() < 0.5
    volume_m3 = rng.uniform(0.08, 0.35)
    wall = rng.choice((1.1, 1.1, 2.5, 3.2, 3.5))
    count = rng.choice((1, 2, 2, 3, 4))
    one_wire = rng.random() < 0.5
    feelers = tuple(
        Feeler(
            f"s{index}",
            (0, 3, 2, 1)[index],
            tau_s=rng.uniform(15.0, 60.0) if one_wire else rng.uniform(2.0, 6.0),
            noise_k=rng.uniform(0.02, 0.04) if one_wire else rng.uniform(0.05, 0.2),
            step_k=0.0625 if one_wire else rng.choice((0.0625, 0.25)),
            offset_k=rng.gauss(0.0, 0.4),
        )
        for index in range(count)
    )
    room_c = rng.uniform(14.0, 27.0)
    target_c = rng.uniform(45.0, 60.0)
    leak_per_h = rng.uniform(0.5, 5.0)
    area_m2 = 6.0 * volume_m3 ** (2.0 / 3.0)
    losses_w = (wall * area_m2 + leak_per_h * volume_m3 * 0.32) * (target_c - room_c)
    finish_s = rng.uniform(3.0, 6.0) * 3600.0
    events: list[Event] = []
    t_s = 2.0 * 3600.0
    for kind in kinds:
        t_s += rng.uniform(300.0, 1500.0)
        if kind == "door_open":
            length_s = rng.choice((20.0, 60.0, 75.0, 120.0, 240.0))
            events.append(Event(kind, t_s, t_s + length_s, rng.uniform(0.5, 1.2)))
        elif kind == "draft":
            length_s = rng.uniform(120.0, 900.0)
            events.append(
                Event(
                    kind, t_s, t_s + length_s, volume_m3 * rng.uniform(8.0, 32.0), rng.randrange(4)
                )
            )
        else:
            length_s = rng.uniform(600.0, 1500.0)
            events.append(Event(kind, t_s, t_s + length_s))
        t_s += length_s + 1800.0
    finish_s = max(finish_s, t_s)
    fan_s = 1500.0
    while fan_s < finish_s:
        length_s = rng.uniform(20.0, 900.0)
        events.append(Event("fan", fan_s, fan_s + length_s))
        fan_s += length_s + rng.uniform(60.0, 1800.0)
    step_s = rng.uniform(3600.0, 7000.0)
    events.append(Event("bed_step", step_s, finish_s, rng.uniform(5.0, 15.0)))
    return BoxPlan(
        volume_m3=volume_m3,
        wall_w_per_m2k=wall,
        wall_j_per_m2k=rng.uniform(2500.0, 9000.0),
        leak_per_h=leak_per_h,
        bed_w=rng.uniform(150.0, 400.0),
        bed_c=rng.uniform(85.0, 110.0),
        bed_w_per_k=rng.uniform(1.0, 2.5),
        machine_j_per_k=rng.uniform(3000.0, 9000.0),
        machine_w_per_k=rng.uniform(2.0, 6.0),
        heater_w=losses_w * rng.uniform(1.1, 2.0) if own_heater else 0.0,
        target_c=target_c if own_heater else None,
        hysteresis_k=rng.uniform(0.3, 2.0),
        mixing_w_per_k=rng.uniform(3.0, 15.0),
        room_c=room_c,
        room_swing_k=rng.uniform(0.0, 1.5),
        finish_s=finish_s,
        end_s=finish_s + 2400.0,
        door_w_per_k=volume_m3 * rng.uniform(65.0, 110.0),
        feelers=feelers,
        room_feeler=rng.random() < 0.4,
        events=tuple(events),
        seed=seed,
    )
