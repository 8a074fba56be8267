"""Labelled scenes of the simulated camera, by kind and seed: harmless, flames, smokes, blind views.

Drawn by `stillair.simulation.scene`; here they are only put together and
labelled. Nothing in a label comes from what a detector says. The smoke's label
is what the physics did: the share of contrast hidden, by place.

    for t_s, picture in scene("flame at the part", 7).frames(): ...
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]

from stillair.simulation.chance import even, wobble  # noqa: E402 - the paths above come first
from stillair.simulation.look import PARTS, Look  # noqa: E402
from stillair.simulation.plume import Plume, Source, hidden  # noqa: E402
from stillair.simulation.scene import Scene  # noqa: E402
from stillair.simulation.view import (  # noqa: E402
    Bgr,
    Flame,
    Optics,
    SceneState,
    Smoke,
)

Frame = tuple[float, NDArray[np.uint8]]
SIZE = (320, 240)
TENTH = 0.1  # of the picture
BOX_WIDE_M = 0.5


@dataclass(frozen=True, slots=True)
class Burn:
    """What really burns, and when.

    A flame has its greatest `width` as a share of the picture's. Smoke has a
    `curve` of (second, contrast hidden over a tenth of the picture or more,
    share of the picture in which 8 % or more is hidden), the greatest of both
    as `hidden` and `share`, and when it first hid 15 % and 8 % over a tenth.
    """

    what: str
    onset_s: float
    end_s: float
    width: float = 0.0
    hidden: float = 0.0
    share: float = 0.0
    curve: tuple[tuple[float, float, float], ...] = ()
    hides_15_s: float | None = None
    hides_8_s: float | None = None


@dataclass(frozen=True, slots=True)
class LabelledScene:
    """One scene: what is in it, and its pictures."""

    name: str
    kind: str
    seed: int
    frames_per_s: float
    seconds: float
    burns: tuple[Burn, ...]
    blind: tuple[tuple[str, float, float], ...]
    _play: Callable[[], Iterator[Frame]]

    def frames(self) -> Iterator[Frame]:
        """The time and the picture, `(240, 320, 3) uint8, BGR`, from the beginning."""
        return self._play()


# --- what goes on in every scene -------------------------------------------


@dataclass(slots=True)
class _Plot:
    """What happens over time: a chain of changes to the state of ordinary building."""

    seed: int
    seconds: float
    look: Look
    rng: np.random.Generator
    changes: list[Callable[[float, SceneState], SceneState]]
    jpeg: int | None
    source: Source
    exposure: float = 0.0  # how much of a change of brightness the camera evens out
    slow_from: tuple[float, float, float] | None = None
    frozen: tuple[float, float] | None = None

    def at(self, t_s: float) -> SceneState:
        state = _building(self, t_s)
        for change in self.changes:
            state = change(t_s, state)
        return state

    def some_time(self, early: float = 0.15, late: float = 0.5) -> float:
        return float(self.rng.uniform(early, late)) * self.seconds


def _building(plot: _Plot, t_s: float) -> SceneState:
    """A machine at work on some pieces, with pauses; daylight that goes its way over hours."""
    seed = plot.seed
    span_s = 240.0 + 600.0 * even(seed, 1)
    phase = (t_s + span_s * even(seed, 2)) % span_s
    working = phase < 0.88 * span_s
    begun_s = 7200.0 * even(seed, 3)
    hour = 24.0 * even(seed, 4) + t_s / 3600.0
    daylight = max(0.05, min(1.0, 1.3 - abs(hour % 24.0 - 13.0) / 6.0))
    return SceneState(
        t_s=t_s,
        daylight=daylight * (1.0 + 0.03 * wobble(seed + 300, t_s, 0.02)),
        working=working,
        parked=not working,
        built_s=begun_s + t_s,
        height_mm=4.0 + (begun_s + t_s) / 120.0,
        pieces=1 + int(8 * even(seed, 5) ** 2),
        optics=Optics(gain=_gain(plot), jpeg=plot.jpeg),
    )


def _gain(plot: _Plot) -> float:
    """The exposure that a camera chose for this place: darker boxes are exposed longer."""
    dark = {"fabric": 2.6, "white": 0.75, "plywood": 1.2, "foil": 0.9}.get(plot.look.wall, 1.2)
    return dark / (0.45 + 0.55 * plot.look.lamp) * (0.8 + 0.4 * even(plot.seed, 6))


def _plot(seed: int, seconds: float) -> _Plot:
    rng = np.random.default_rng((seed, 0x5CE2E))
    jpeg = int(rng.integers(60, 91)) if rng.random() < 0.6 else None
    source = Source(
        x=float(rng.uniform(0.25, 0.75)),
        y=float(rng.uniform(0.6, 0.88)),
        width=float(rng.uniform(0.03, 0.09)),
        lift=float(rng.uniform(0.25, 0.6)),
    )
    return _Plot(seed, seconds, Look.by_lot(seed), rng, [], jpeg, source)


def _pulse(t_s: float, from_s: float, until_s: float, ramp_s: float) -> float:
    """0, up to 1, and down again."""
    return max(0.0, min(1.0, (t_s - from_s) / ramp_s, (until_s - t_s) / ramp_s))


def _every(t_s: float, seed: int, span_s: float, lasts_s: float) -> tuple[float, float, int]:
    """Something comes about once in `span_s`: its share, seconds since it began, number."""
    number = math.floor(t_s / span_s)
    begins_s = (number + 0.1 + 0.5 * even(seed, 1000 + number)) * span_s
    since_s = t_s - begins_s
    share = _pulse(t_s, begins_s, begins_s + lasts_s, max(0.05, 0.15 * lasts_s))
    return share, since_s, number


# --- harmless ----------------------------------------------------------------


def _lamp_off_and_on(plot: _Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        share, since_s, _ = _every(t_s, plot.seed, 240.0, 20.0)
        return replace(state, lamp=not (share > 0.0 and 0.0 < since_s < 18.0))

    plot.changes.append(change)


def _dimmer(plot: _Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        share, _, number = _every(t_s, plot.seed, 150.0, 40.0 + 60.0 * even(plot.seed, 50))
        down = 0.25 + 0.5 * even(plot.seed, 2000 + number)
        return replace(state, lamp_level=1.0 - down * share)

    plot.changes.append(change)


def _lamp_colour(plot: _Plot) -> None:
    colours: tuple[Bgr, ...] = (
        (0.4, 0.7, 1.1),
        (1.2, 0.9, 0.7),
        (0.2, 0.3, 1.2),
        (0.3, 1.1, 0.4),
        (0.2, 0.6, 1.3),
    )

    def change(t_s: float, state: SceneState) -> SceneState:
        share, _, number = _every(t_s, plot.seed, 120.0, 50.0)
        to = colours[int(even(plot.seed, 2100 + number) * 4.999)]
        mixed = tuple(1.0 + share * (part - 1.0) for part in to)
        return replace(state, lamp_colour=(mixed[0], mixed[1], mixed[2]))

    plot.changes.append(change)


def _exposure_hunting(plot: _Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        share, since_s, _ = _every(t_s, plot.seed, 60.0, 25.0)
        swing = 1.0 + 0.45 * share * math.sin(since_s * 1.9) * math.exp(-since_s / 12.0)
        warm = 0.2 * share * math.sin(since_s * 0.7)
        optics = replace(
            state.optics, gain=state.optics.gain * swing, balance=(1.0 - warm, 1.0, 1.0 + warm)
        )
        return replace(state, optics=optics)

    plot.changes.append(change)


def _focus_hunting(plot: _Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        share, since_s, _ = _every(t_s, plot.seed, 60.0, 4.0)
        blur = 3.0 * share * abs(math.sin(since_s * 1.6))
        return replace(state, optics=replace(state.optics, blur_px=blur))

    plot.changes.append(change)


def _sun_and_clouds(plot: _Plot) -> None:
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


def _door_and_hands(plot: _Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        share, since_s, number = _every(t_s, plot.seed, 180.0, 60.0)
        if since_s < 0.0:
            return state
        hand = _pulse(since_s % 14.0, 3.0, 11.0, 2.0) if 8.0 < since_s < 50.0 else 0.0
        shirt = PARTS[("orange", "red", "blue", "white")[number % 4]]
        person = 0.2 + 0.6 * even(plot.seed, 2200 + number) if share > 0.2 else None
        passing = replace(state.passing, person=person, shirt=shirt)
        return replace(
            state, door_fraction=min(1.0, share * 1.5), hand=hand, passing=passing, parked=True
        )

    plot.changes.append(change)


def _person_behind(plot: _Plot) -> None:
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


def _status_lights(plot: _Plot) -> None:
    plot.look = replace(plot.look, status_lights=3)
    per_s = plot.rng.uniform(0.5, 8.0, 4)

    def change(t_s: float, state: SceneState) -> SceneState:
        lights = tuple(
            1.0 if (t_s * per_s[n]) % 1.0 < 0.5 else 0.0 if n % 2 else 0.2 for n in range(4)
        )
        return replace(state, passing=replace(state.passing, status=lights))

    plot.changes.append(change)


def _display(plot: _Plot) -> None:
    every_s = float(plot.rng.choice((0.2, 1.0, 5.0)))

    def change(t_s: float, state: SceneState) -> SceneState:
        return replace(state, passing=replace(state.passing, display=int(t_s / every_s)))

    plot.changes.append(change)


def _wet_filament(plot: _Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        share = _every(t_s, plot.seed, 40.0, 20.0)[0]
        return replace(state, passing=replace(state.passing, steam=0.5 * share))

    plot.changes.append(change)


def _dust(plot: _Plot) -> None:
    count = int(plot.rng.integers(1, 8))
    plot.changes.append(lambda _, state: replace(state, passing=replace(state.passing, dust=count)))


def _insect(plot: _Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        flies = even(plot.seed, 2500 + int(t_s / 20.0)) < 0.5
        per_s = 2.5 if flies else 0.15
        x = 0.5 + 0.5 * wobble(plot.seed + 330, t_s, per_s)
        y = 0.45 + 0.45 * wobble(plot.seed + 331, t_s, per_s)
        return replace(state, passing=replace(state.passing, insect=(x, y)))

    plot.changes.append(change)


def _vibration(plot: _Plot) -> None:
    strength = float(plot.rng.uniform(0.2, 1.2))

    def change(t_s: float, state: SceneState) -> SceneState:
        if state.parked:
            return state
        share = 0.3 + 0.7 * abs(wobble(plot.seed + 342, t_s, 0.3))
        x = strength * share * wobble(plot.seed + 340, t_s, 23.0)
        y = strength * share * wobble(plot.seed + 341, t_s, 31.0)
        return replace(state, optics=replace(state.optics, shift_px=(x, y)))

    plot.changes.append(change)


def _compression(plot: _Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        quality = (85, 35, 60, 25)[int(t_s / 15.0) % 4]
        return replace(state, optics=replace(state.optics, jpeg=quality))

    plot.changes.append(change)


def _bed_lowering(plot: _Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        share, _, _ = _every(t_s, plot.seed, 120.0, 60.0)
        drop = min(1.0, 1.6 * share)
        parked = state.parked or share > 0.0
        return replace(state, parked=parked, passing=replace(state.passing, bed_drop=drop))

    plot.changes.append(change)


def _purge(plot: _Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        share, since_s, _ = _every(t_s, plot.seed, 45.0, 15.0)
        if share <= 0.0:
            return state
        return replace(
            state, parked=True, passing=replace(state.passing, purge=min(1.0, since_s / 12.0))
        )

    plot.changes.append(change)


def _loose_part(plot: _Plot) -> None:
    from_s = plot.some_time(0.1, 0.4)

    def change(t_s: float, state: SceneState) -> SceneState:
        loose = min(1.0, max(0.0, (t_s - from_s) / 0.8))
        tangle = min(1.0, max(0.0, (t_s - from_s - 10.0) / 300.0))
        return replace(state, passing=replace(state.passing, loose=loose, tangle=tangle))

    plot.changes.append(change)


def _screen_light(plot: _Plot) -> None:
    def change(t_s: float, state: SceneState) -> SceneState:
        turn = t_s * 0.4
        colour = tuple(
            1.0 + 0.8 * math.sin(turn + shift) * (0.7 + 0.3 * wobble(plot.seed + 350, t_s, 2.0))
            for shift in (0.0, 2.1, 4.2)
        )
        screen = (colour[0], colour[1], colour[2])
        return replace(state, daylight=0.3, passing=replace(state.passing, screen=screen))

    plot.changes.append(change)


def _all_sorts(plot: _Plot) -> None:
    """A day: something ordinary of all kinds comes now and then."""
    makers = [_person_behind, _dust, _display, _status_lights, _wet_filament, _bed_lowering]
    for maker in plot.rng.choice(len(makers), 3, replace=False):
        makers[int(maker)](plot)
    _sun_and_clouds(plot)


# --- fires ---------------------------------------------------------------------


def _burning(
    places: tuple[tuple[float, float, float, float], ...],
    *,
    onset: bool = True,
    covered: tuple[float, float] = (0.0, 0.0),
) -> Callable[[_Plot], tuple[Burn, ...]]:
    """A flame somewhere in one of the places (left, top, right, bottom), growing."""

    def make(plot: _Plot) -> tuple[Burn, ...]:
        rng = plot.rng
        left, top, right, bottom = places[int(rng.integers(len(places)))]
        x, y = rng.uniform(left, right), rng.uniform(top, bottom)
        first, last = np.sort(rng.uniform(0.03, 0.15, 2))
        onset_s = float(rng.uniform(15.0, 45.0)) if onset else 0.0
        grows_s = rng.uniform(5.0, 60.0)
        tall, power = rng.uniform(1.4, 3.0), rng.uniform(1.5, 6.0)
        blue = rng.uniform(0.3, 0.9) if rng.random() < 0.3 else 0.0
        hides = rng.uniform(*covered)
        catches_s = 0.5  # until it is as wide as it is labelled from the onset on

        def change(t_s: float, state: SceneState) -> SceneState:
            since_s = t_s - onset_s
            if since_s < -catches_s:
                return state
            share = 1.0 if not onset else min(1.0, max(0.05, (since_s + catches_s) / catches_s))
            width = share * (first + (last - first) * min(1.0, max(0.0, since_s) / grows_s))
            flame = Flame(
                float(x),
                float(y),
                float(width),
                float(width * BOX_WIDE_M),
                float(tall),
                float(hides),
                float(power),
                float(blue),
            )
            return replace(state, flames=(*state.flames, flame))

        plot.changes.append(change)
        if rng.random() < 0.5:
            plot.exposure = float(rng.uniform(0.2, 0.9))
        return (Burn("flame", onset_s, plot.seconds, width=float(last)),)

    return make


Course = Callable[[float], Smoke]


def _smoking(
    course: Callable[[_Plot], tuple[float, Course]],
) -> Callable[[_Plot], tuple[Burn, ...]]:
    """Smoke after its course since the onset; the label comes from the depth it really has."""

    def make(plot: _Plot) -> tuple[Burn, ...]:
        onset_s, smoke = course(plot)

        def change(t_s: float, state: SceneState) -> SceneState:
            return replace(state, smoke=smoke(t_s - onset_s)) if t_s >= onset_s else state

        plot.changes.append(change)
        return (smoke_burn(plot.seed, plot.source, smoke, onset_s, plot.seconds),)

    return make


def smoke_burn(seed: int, source: Source, smoke: Course, onset_s: float, end_s: float) -> Burn:
    """The label of smoke: what it hides, second by second, each the mean of that second."""
    plume = _plume(seed, source)
    curve: list[tuple[float, float, float]] = []
    step_s = 1.0 if end_s - onset_s < 400.0 else 5.0
    t_s = onset_s
    while t_s < end_s:
        moments = [
            hidden(plume.depth(smoke(at - onset_s), at)) for at in (t_s, t_s + 0.35, t_s + 0.7)
        ]
        over_tenth = float(np.mean([np.quantile(moment, 1.0 - TENTH) for moment in moments]))
        share = float(np.mean([(moment >= 0.08).mean() for moment in moments]))
        curve.append((t_s, over_tenth, share))
        t_s += step_s

    def first(limit: float) -> float | None:
        return next((at for at, over_tenth, _ in curve if over_tenth >= limit), None)

    return Burn(
        "smoke",
        onset_s,
        end_s,
        hidden=max(over_tenth for _, over_tenth, _ in curve),
        share=max(share for _, _, share in curve),
        curve=tuple(curve),
        hides_15_s=first(0.15),
        hides_8_s=first(0.08),
    )


_PLUMES: dict[tuple[int, Source], Plume] = {}


def _plume(seed: int, source: Source) -> Plume:
    if (seed, source) not in _PLUMES:
        _PLUMES.clear()  # one at a time: a flow is 3 MB
        _PLUMES[seed, source] = Plume(seed, source)
    return _PLUMES[seed, source]


def _smoke_colour(plot: _Plot) -> Bgr:
    grey = float(plot.rng.choice((0.85, 0.6, 0.35, 0.05)))
    warm = plot.rng.uniform(-0.03, 0.03)
    return grey * (1.0 - warm), grey, grey * (1.0 + warm)


def _depth_of(share: float) -> float:
    """The optical depth that hides this share of contrast."""
    return -math.log(1.0 - share)


def _plume_then_layer(plot: _Plot) -> tuple[float, Course]:
    """A column that rises in a few seconds, then a layer that fills the box from the lid."""
    rng, colour = plot.rng, _smoke_colour(plot)
    plume, layer = _depth_of(rng.uniform(0.25, 0.7)), _depth_of(rng.uniform(0.10, 0.60))
    rises_s, fills_s = rng.uniform(1.0, 4.0), rng.uniform(15.0, 90.0)

    def smoke(since_s: float) -> Smoke:
        filled = min(1.0, since_s / fills_s)
        return Smoke(
            plume=plume * min(1.0, since_s / (2.0 * rises_s)),
            risen=min(1.0, since_s / rises_s),
            layer=layer * filled,
            layer_to=0.05 + 0.75 * filled,
            colour=colour,
        )

    return float(rng.uniform(20.0, 45.0)), smoke


def _thin_plume(plot: _Plot) -> tuple[float, Course]:
    """A column alone, from 12 % in its middle on."""
    rng, colour = plot.rng, _smoke_colour(plot)
    plume, rises_s = _depth_of(rng.uniform(0.12, 0.45)), rng.uniform(2.0, 8.0)
    plot.source = replace(plot.source, width=float(rng.uniform(0.07, 0.14)))

    def smoke(since_s: float) -> Smoke:
        grown = min(1.0, since_s / 20.0)
        return Smoke(plume=plume * grown, risen=min(1.0, since_s / rises_s), colour=colour)

    return float(rng.uniform(20.0, 45.0)), smoke


def _filling_layer(plot: _Plot) -> tuple[float, Course]:
    """Smoke from out of sight that gathers under the lid."""
    rng, colour = plot.rng, _smoke_colour(plot)
    layer, fills_s = _depth_of(rng.uniform(0.15, 0.60)), rng.uniform(20.0, 120.0)

    def smoke(since_s: float) -> Smoke:
        filled = min(1.0, since_s / fills_s)
        return Smoke(layer=layer * filled, layer_to=0.1 + 0.8 * filled, colour=colour)

    return float(rng.uniform(20.0, 45.0)), smoke


def _slow_smoulder(plot: _Plot) -> tuple[float, Course]:
    """Haze and a lazy column that grow over most of the scene, tens of minutes when it is long."""
    rng, colour = plot.rng, _smoke_colour(plot)
    onset_s = float(rng.uniform(30.0, 60.0))
    grows_s = 0.8 * (plot.seconds - onset_s)
    plume, haze = _depth_of(rng.uniform(0.15, 0.5)), _depth_of(rng.uniform(0.10, 0.35))
    plot.source = replace(plot.source, lift=0.16)

    def smoke(since_s: float) -> Smoke:
        grown = min(1.0, since_s / grows_s)
        return Smoke(
            plume=plume * grown,
            haze=0.5 * haze * grown,
            layer=haze * grown,
            layer_to=0.6,
            colour=colour,
        )

    return onset_s, smoke


def _smoke_at_start(plot: _Plot) -> tuple[float, Course]:
    rng, colour = plot.rng, _smoke_colour(plot)
    plume, layer = _depth_of(rng.uniform(0.35, 0.75)), _depth_of(rng.uniform(0.15, 0.45))

    def smoke(since_s: float) -> Smoke:
        return Smoke(plume=plume, layer=layer, layer_to=0.45, colour=colour)

    return 0.0, smoke


# --- blind ------------------------------------------------------------------------


def _blind(condition: str) -> Callable[[_Plot], tuple[tuple[str, float, float], ...]]:
    def make(plot: _Plot) -> tuple[tuple[str, float, float], ...]:
        rng = plot.rng
        from_s = float(rng.uniform(20.0, 40.0))
        until_s = min(plot.seconds, from_s + 60.0)
        level = float(rng.uniform(0.6, 1.0))
        side = 1.0 if rng.random() < 0.5 else -1.0

        def change(t_s: float, state: SceneState) -> SceneState:
            if not from_s <= t_s < until_s:
                return state
            optics = state.optics
            match condition:
                case "dark":
                    return replace(
                        state,
                        lamp=False,
                        daylight=0.0,
                        optics=replace(optics, gain=optics.gain * 0.3),
                    )
                case "washed_out":
                    optics = replace(optics, gain=optics.gain * (12.0 + 10.0 * level))
                case "covered":
                    optics = replace(optics, cover=1.0 if level > 0.75 else 0.85)
                case "moved":
                    optics = replace(optics, turned=(side * 0.35 * level, 0.25 * (1.0 - level)))
                case "out_of_focus":
                    optics = replace(optics, blur_px=5.0 + 5.0 * level)
                case "flickering":
                    beat = 0.5 + 0.5 * math.sin(math.tau * (2.0 + 4.0 * level) * t_s)
                    return replace(state, lamp_level=1.0 - 0.6 * level * beat, bands=0.35 * level)
            return replace(state, optics=optics)

        if condition == "frozen":
            plot.frozen = (from_s, until_s)
        elif condition == "slow":
            plot.slow_from = (from_s, until_s, float(rng.uniform(0.3, 1.5)))
        else:
            plot.changes.append(change)
        return ((condition, from_s, until_s),)

    return make


# --- the kinds ---------------------------------------------------------------------

_HARMLESS: dict[str, Callable[[_Plot], None]] = {
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
_AT_PART = ((0.30, 0.62, 0.70, 0.80),)
_AT_CASE = ((0.12, 0.55, 0.26, 0.78), (0.74, 0.5, 0.88, 0.78))
_ANYWHERE = ((0.1, 0.35, 0.9, 0.92),)
_FLAMES: dict[str, Callable[[_Plot], tuple[Burn, ...]]] = {
    "flame at the part": _burning(_AT_PART),
    "flame at the electronics": _burning(_AT_CASE),
    "flame anywhere": _burning(_ANYWHERE),
    "flame partly behind": _burning(_AT_PART, covered=(0.2, 0.5)),
    "flame from the start": _burning(_ANYWHERE, onset=False),
}
_SMOKES: dict[str, Callable[[_Plot], tuple[Burn, ...]]] = {
    "plume, then layer": _smoking(_plume_then_layer),
    "thin plume": _smoking(_thin_plume),
    "filling layer": _smoking(_filling_layer),
    "slow smoulder": _smoking(_slow_smoulder),
    "smoke from the start": _smoking(_smoke_at_start),
}
_BLIND = ("dark", "washed_out", "covered", "frozen", "moved", "out_of_focus", "flickering", "slow")

HARMLESS = tuple(_HARMLESS)
FLAMES = tuple(_FLAMES)
SMOKES = tuple(_SMOKES)
BLIND = tuple(f"blind: {condition}" for condition in _BLIND)
USUAL_S = {"slow smoulder": 1500.0}  # others: 300 s harmless, 90 s flames and blind, 150 s smokes


def usual_seconds(kind: str) -> float:
    """How long a scene of this kind is unless told."""
    if kind in HARMLESS:
        return 300.0
    return USUAL_S.get(kind, 150.0 if kind in SMOKES else 90.0)


def scene(
    kind: str, seed: int, seconds: float | None = None, frames_per_s: float = 12.0
) -> LabelledScene:
    """The scene of this kind and seed. Raises `KeyError` for no such kind."""
    seconds = usual_seconds(kind) if seconds is None else seconds
    plot = _plot(seed * 1009 + sum(kind.encode()), seconds)
    burns: tuple[Burn, ...] = ()
    blind: tuple[tuple[str, float, float], ...] = ()
    if kind in _HARMLESS:
        _HARMLESS[kind](plot)
    elif kind in _FLAMES:
        burns = _FLAMES[kind](plot)
    elif kind in _SMOKES:
        burns = _SMOKES[kind](plot)
    else:
        blind = _blind(dict(zip(BLIND, _BLIND, strict=True))[kind])(plot)
    return LabelledScene(
        f"{kind} {seed}",
        kind,
        seed,
        frames_per_s,
        seconds,
        burns,
        blind,
        lambda: _frames(plot, frames_per_s),
    )


def _frames(plot: _Plot, frames_per_s: float) -> Iterator[Frame]:
    """Draw; times have the small unevenness that real ones have."""
    drawing = Scene(plot.seed, plot.look, SIZE, plot.source)
    usual_mean: float | None = None
    gain, n, t_s = 1.0, 0, 0.0
    last: NDArray[np.uint8] | None = None
    while True:
        t_s = (n + 0.2 * even(plot.seed + 400, n)) / frames_per_s
        n += 1
        if t_s >= plot.seconds:
            return
        if plot.slow_from is not None:
            from_s, until_s, per_s = plot.slow_from
            every = max(1, round(frames_per_s / per_s))
            if from_s <= t_s < until_s and n % every:
                continue
        if plot.frozen and last is not None and plot.frozen[0] <= t_s < plot.frozen[1]:
            yield t_s, last
            continue
        state = plot.at(t_s)
        if plot.exposure > 0.0:
            state = replace(state, optics=replace(state.optics, gain=state.optics.gain * gain))
        picture = drawing.draw(state)
        if plot.exposure > 0.0:
            mean = float(picture[::4, ::4].mean())
            usual_mean = mean if usual_mean is None else usual_mean
            wanted = gain * (usual_mean / max(mean, 1.0)) ** plot.exposure
            gain += (min(4.0, max(0.25, wanted)) - gain) * min(1.0, 1.5 / frames_per_s)
        last = picture
        yield t_s, picture
