"""Flames, smokes and blind views of the simulated camera, by kind, with their labels."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from bench.fire_plot import Burn, Plot
from stillair.simulation.look import PARTS
from stillair.simulation.plume import Plume, Source, hidden
from stillair.simulation.view import Bgr, Block, Flame, SceneState, Smoke

TENTH = 0.1  # of the picture
BOX_WIDE_M = 0.5  # what the picture's width shows


def _burning(
    places: tuple[tuple[float, float, float, float], ...],
    *,
    onset: bool = True,
    covered: tuple[float, float] | None = None,
) -> Callable[[Plot], tuple[Burn, ...]]:
    """A flame somewhere in one of the places (left, top, right, bottom), growing."""

    def make(plot: Plot) -> tuple[Burn, ...]:
        rng = plot.rng
        left, top, right, bottom = places[int(rng.integers(len(places)))]
        x, y = rng.uniform(left, right), rng.uniform(top, bottom)
        first, last = np.sort(rng.uniform(0.03, 0.15, 2))
        onset_s = float(rng.uniform(15.0, 45.0)) if onset else 0.0
        grows_s = rng.uniform(5.0, 60.0)
        tall, power = rng.uniform(1.4, 3.0), rng.uniform(1.5, 6.0)
        blue = rng.uniform(0.3, 0.9) if rng.random() < 0.3 else 0.0
        behind = None
        if covered is not None:
            behind = float(y - rng.uniform(*covered) * tall * first * 4.0 / 3.0)
            colour: Bgr = (PARTS["orange"], PARTS["white"], (0.1, 0.1, 0.1))[int(rng.integers(3))]
            half = 0.6 * last + 0.02
            bottom = float(y) + 0.04
            plot.blocks += (Block(float(x - half), behind, float(x + half), bottom, colour),)
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
                behind,
                float(power),
                float(blue),
            )
            return replace(state, flames=(*state.flames, flame))

        plot.changes.append(change)
        return (Burn("flame", onset_s, plot.seconds, width=float(last)),)

    return make


Course = Callable[[float], Smoke]


def _smoking(
    course: Callable[[Plot], tuple[float, Course]],
) -> Callable[[Plot], tuple[Burn, ...]]:
    """Smoke after its course since the onset; the label comes from the depth it really has."""

    def make(plot: Plot) -> tuple[Burn, ...]:
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


def _smoke_colour(plot: Plot) -> Bgr:
    grey = float(plot.rng.choice((0.85, 0.6, 0.35, 0.05)))
    warm = plot.rng.uniform(-0.03, 0.03)
    return grey * (1.0 - warm), grey, grey * (1.0 + warm)


def _depth_of(share: float) -> float:
    """The optical depth that hides this share of contrast."""
    return -math.log(1.0 - share)


def _plume_then_layer(plot: Plot) -> tuple[float, Course]:
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


def _thin_plume(plot: Plot) -> tuple[float, Course]:
    """A column alone, from 12 % in its middle on."""
    rng, colour = plot.rng, _smoke_colour(plot)
    plume, rises_s = _depth_of(rng.uniform(0.12, 0.45)), rng.uniform(2.0, 8.0)
    plot.source = replace(plot.source, width=float(rng.uniform(0.07, 0.14)))

    def smoke(since_s: float) -> Smoke:
        grown = min(1.0, since_s / 20.0)
        return Smoke(plume=plume * grown, risen=min(1.0, since_s / rises_s), colour=colour)

    return float(rng.uniform(20.0, 45.0)), smoke


def _filling_layer(plot: Plot) -> tuple[float, Course]:
    """Smoke from out of sight that gathers under the lid."""
    rng, colour = plot.rng, _smoke_colour(plot)
    layer, fills_s = _depth_of(rng.uniform(0.15, 0.60)), rng.uniform(20.0, 120.0)

    def smoke(since_s: float) -> Smoke:
        filled = min(1.0, since_s / fills_s)
        return Smoke(layer=layer * filled, layer_to=0.1 + 0.8 * filled, colour=colour)

    return float(rng.uniform(20.0, 45.0)), smoke


def _slow_smoulder(plot: Plot) -> tuple[float, Course]:
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


def _smoke_at_start(plot: Plot) -> tuple[float, Course]:
    rng, colour = plot.rng, _smoke_colour(plot)
    plume, layer = _depth_of(rng.uniform(0.35, 0.75)), _depth_of(rng.uniform(0.15, 0.45))

    def smoke(since_s: float) -> Smoke:
        return Smoke(plume=plume, layer=layer, layer_to=0.45, colour=colour)

    return 0.0, smoke


def blind(condition: str) -> Callable[[Plot], tuple[tuple[str, float, float], ...]]:
    def make(plot: Plot) -> tuple[tuple[str, float, float], ...]:
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


_AT_PART = ((0.30, 0.62, 0.70, 0.80),)
_AT_CASE = ((0.12, 0.55, 0.26, 0.78), (0.74, 0.5, 0.88, 0.78))
_ANYWHERE = ((0.1, 0.35, 0.9, 0.92),)
FLAMES: dict[str, Callable[[Plot], tuple[Burn, ...]]] = {
    "flame at the part": _burning(_AT_PART),
    "flame at the electronics": _burning(_AT_CASE),
    "flame anywhere": _burning(_ANYWHERE),
    "flame partly behind": _burning(_AT_PART, covered=(0.2, 0.5)),
    "flame from the start": _burning(_ANYWHERE, onset=False),
}
SMOKES: dict[str, Callable[[Plot], tuple[Burn, ...]]] = {
    "plume, then layer": _smoking(_plume_then_layer),
    "thin plume": _smoking(_thin_plume),
    "filling layer": _smoking(_filling_layer),
    "slow smoulder": _smoking(_slow_smoulder),
    "smoke from the start": _smoking(_smoke_at_start),
}
BLIND = ("dark", "washed_out", "covered", "frozen", "moved", "out_of_focus", "flickering", "slow")
