"""What goes on in a box and before it without any fire, by kind."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from bench.fire_plot import Plot, every, pulse
from stillair.simulation.chance import even, wobble
from stillair.simulation.look import PARTS
from stillair.simulation.view import Bgr, SceneState


def _lamp_off_and_on(plot: Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        share, since_s, _ = every(t_s, plot.seed, 240.0, 20.0)
        return replace(state, lamp=not (share > 0.0 and 0.0 < since_s < 18.0))

    plot.changes.append(change)


def _dimmer(plot: Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        share, _, number = every(t_s, plot.seed, 150.0, 40.0 + 60.0 * even(plot.seed, 50))
        down = 0.25 + 0.5 * even(plot.seed, 2000 + number)
        return replace(state, lamp_level=1.0 - down * share)

    plot.changes.append(change)


def _lamp_colour(plot: Plot) -> None:
    colours: tuple[Bgr, ...] = (
        (0.4, 0.7, 1.1),
        (1.2, 0.9, 0.7),
        (0.2, 0.3, 1.2),
        (0.3, 1.1, 0.4),
        (0.2, 0.6, 1.3),
    )

    def change(t_s: float, state: SceneState) -> SceneState:
        share, _, number = every(t_s, plot.seed, 120.0, 50.0)
        to = colours[int(even(plot.seed, 2100 + number) * 4.999)]
        mixed = tuple(1.0 + share * (part - 1.0) for part in to)
        return replace(state, lamp_colour=(mixed[0], mixed[1], mixed[2]))

    plot.changes.append(change)


def _exposure_hunting(plot: Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        share, since_s, _ = every(t_s, plot.seed, 60.0, 25.0)
        swing = 1.0 + 0.45 * share * math.sin(since_s * 1.9) * math.exp(-since_s / 12.0)
        warm = 0.2 * share * math.sin(since_s * 0.7)
        optics = replace(
            state.optics, gain=state.optics.gain * swing, balance=(1.0 - warm, 1.0, 1.0 + warm)
        )
        return replace(state, optics=optics)

    plot.changes.append(change)


def _focus_hunting(plot: Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        share, since_s, _ = every(t_s, plot.seed, 60.0, 4.0)
        blur = 3.0 * share * abs(math.sin(since_s * 1.6))
        return replace(state, optics=replace(state.optics, blur_px=blur))

    plot.changes.append(change)


def _sun_and_clouds(plot: Plot) -> None:
    x0, y0 = plot.rng.uniform(0.1, 0.9), plot.rng.uniform(0.2, 0.8)

    def change(t_s: float, state: SceneState) -> SceneState:
        x = (x0 + t_s / 1800.0) % 1.3 - 0.15
        cloud = 0.5 + 0.5 * wobble(plot.seed + 310, t_s, 0.05)
        fast = 0.5 + 0.5 * wobble(plot.seed + 311, t_s, 0.4)
        return replace(
            state,
            daylight=0.9 * cloud + 0.1,
            passing=replace(state.passing, sun=(x, y0, 0.9 * cloud * (0.6 + 0.4 * fast))),
        )

    plot.changes.append(change)


def _door_and_hands(plot: Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        share, since_s, number = every(t_s, plot.seed, 180.0, 60.0)
        if since_s < 0.0:
            return state
        hand = pulse(since_s % 14.0, 3.0, 11.0, 2.0) if 8.0 < since_s < 50.0 else 0.0
        shirt = PARTS[("orange", "red", "blue", "white")[number % 4]]
        person = 0.2 + 0.6 * even(plot.seed, 2200 + number) if share > 0.2 else None
        passing = replace(state.passing, person=person, shirt=shirt)
        return replace(
            state, door_fraction=min(1.0, share * 1.5), hand=hand, passing=passing, parked=True
        )

    plot.changes.append(change)


def _person_behind(plot: Plot) -> None:
    plot.look = replace(plot.look, pane=True)

    def change(t_s: float, state: SceneState) -> SceneState:
        number = math.floor(t_s / 25.0)
        lasts_s = 2.0 + 10.0 * even(plot.seed, 2300 + number)
        share = (t_s % 25.0 - 3.0) / lasts_s
        if not 0.0 <= share <= 1.0:
            return state
        stands = even(plot.seed, 2400 + number) < 0.4
        place = 0.5 + 0.15 * wobble(plot.seed + 320, t_s, 0.8) if stands else 1.8 * share - 0.4
        shirt = PARTS[("orange", "red", "yellow")[number % 3]]
        return replace(state, passing=replace(state.passing, person=place, shirt=shirt))

    plot.changes.append(change)


def _status_lights(plot: Plot) -> None:
    plot.look = replace(plot.look, status_lights=3)
    per_s = plot.rng.uniform(0.5, 8.0, 4)

    def change(t_s: float, state: SceneState) -> SceneState:
        lights = tuple(
            1.0 if (t_s * per_s[n]) % 1.0 < 0.5 else 0.0 if n % 2 else 0.2 for n in range(4)
        )
        return replace(state, passing=replace(state.passing, status=lights))

    plot.changes.append(change)


def _display(plot: Plot) -> None:
    every_s = float(plot.rng.choice((0.2, 1.0, 5.0)))

    def change(t_s: float, state: SceneState) -> SceneState:
        return replace(state, passing=replace(state.passing, display=int(t_s / every_s)))

    plot.changes.append(change)


def _wet_filament(plot: Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        share = every(t_s, plot.seed, 40.0, 20.0)[0]
        return replace(state, passing=replace(state.passing, steam=0.5 * share))

    plot.changes.append(change)


def _dust(plot: Plot) -> None:
    count = int(plot.rng.integers(1, 8))
    plot.changes.append(lambda _, state: replace(state, passing=replace(state.passing, dust=count)))


def _insect(plot: Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        flies = even(plot.seed, 2500 + int(t_s / 20.0)) < 0.5
        per_s = 2.5 if flies else 0.15
        x = 0.5 + 0.5 * wobble(plot.seed + 330, t_s, per_s)
        y = 0.45 + 0.45 * wobble(plot.seed + 331, t_s, per_s)
        return replace(state, passing=replace(state.passing, insect=(x, y)))

    plot.changes.append(change)


def _vibration(plot: Plot) -> None:
    strength = float(plot.rng.uniform(0.2, 1.2))

    def change(t_s: float, state: SceneState) -> SceneState:
        if state.parked:
            return state
        share = 0.3 + 0.7 * abs(wobble(plot.seed + 342, t_s, 0.3))
        x = strength * share * wobble(plot.seed + 340, t_s, 23.0)
        y = strength * share * wobble(plot.seed + 341, t_s, 31.0)
        return replace(state, optics=replace(state.optics, shift_px=(x, y)))

    plot.changes.append(change)


def _compression(plot: Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        quality = (85, 35, 60, 25)[int(t_s / 15.0) % 4]
        return replace(state, optics=replace(state.optics, jpeg=quality))

    plot.changes.append(change)


def _bed_lowering(plot: Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        share, _, _ = every(t_s, plot.seed, 120.0, 60.0)
        drop = min(1.0, 1.6 * share)
        parked = state.parked or share > 0.0
        return replace(state, parked=parked, passing=replace(state.passing, bed_drop=drop))

    plot.changes.append(change)


def _purge(plot: Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        share, since_s, _ = every(t_s, plot.seed, 45.0, 15.0)
        if share <= 0.0:
            return state
        return replace(
            state, parked=True, passing=replace(state.passing, purge=min(1.0, since_s / 12.0))
        )

    plot.changes.append(change)


def _loose_part(plot: Plot) -> None:
    from_s = plot.some_time(0.1, 0.4)

    def change(t_s: float, state: SceneState) -> SceneState:
        loose = min(1.0, max(0.0, (t_s - from_s) / 0.8))
        tangle = min(1.0, max(0.0, (t_s - from_s - 10.0) / 300.0))
        return replace(state, passing=replace(state.passing, loose=loose, tangle=tangle))

    plot.changes.append(change)


def _screen_light(plot: Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        turn = t_s * 0.4
        colour = tuple(
            1.0 + 0.8 * math.sin(turn + shift) * (0.7 + 0.3 * wobble(plot.seed + 350, t_s, 2.0))
            for shift in (0.0, 2.1, 4.2)
        )
        screen = (colour[0], colour[1], colour[2])
        return replace(state, daylight=0.3, passing=replace(state.passing, screen=screen))

    plot.changes.append(change)


def _all_sorts(plot: Plot) -> None:
    """A day: something ordinary of all kinds comes now and then."""
    makers = [_person_behind, _dust, _display, _status_lights, _wet_filament, _bed_lowering]
    for maker in plot.rng.choice(len(makers), 3, replace=False):
        makers[int(maker)](plot)
    _sun_and_clouds(plot)


HARMLESS: dict[str, Callable[[Plot], None]] = {
    "building": lambda _: None,
    "all sorts": _all_sorts,
    "lamp off and on": _lamp_off_and_on,
    "dimmer": _dimmer,
    "lamp's colour": _lamp_colour,
    "exposure hunting": _exposure_hunting,
    "focus hunting": _focus_hunting,
    "sun and clouds": _sun_and_clouds,
    "door and hands": _door_and_hands,
    "person behind the pane": _person_behind,
    "status lights": _status_lights,
    "display": _display,
    "wet filament": _wet_filament,
    "dust": _dust,
    "insect": _insect,
    "vibration": _vibration,
    "compression": _compression,
    "bed lowering": _bed_lowering,
    "purge": _purge,
    "loose part": _loose_part,
    "screen's light": _screen_light,
}
