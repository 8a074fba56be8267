"""Smoke: a veil before a scene that is otherwise as it was.

Theory of operation. Four times a second a small picture is taken. Once a second the median of
the last two seconds, so that what merely passes leaves no trace, is held against the same of
8, 30, 120, 600 and 1800 s ago, so that thin and slow smoke is not learned away. `veil` gives
measures of the plainest differences: what is hidden of the contrast, what is stained, what
stirs and billows, what simply changed, what the light did. `likelihood` weighs them: the
logarithm of how much likelier they are under smoke than without, from four small nets of
48 hidden units with fitted weights (`tests/bench/smoke_fit.py` fits them; scenes and recordings
are split into those for fitting and those for reporting). The evidence is a sum of that, with
floor and ceiling for each second (a one-sided CUSUM, after Page), so that no second and no
figure alone tells smoke.

While smoke is likely nothing is taken up as a reference, else smoke that stays would become
the scene; smoke that was told stays told until it is gone or somebody has said what it is. A
camera that draws another tone curve does it at a stroke and everywhere, which
smoke can't; that is taken out.

References
----------
Page, E. S. (1954). Continuous inspection schemes. Biometrika 41.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.fire.grid import SIZE, Gray
from stillair.fire.net import fitted_net
from stillair.fire.regions import Region, pixels_of
from stillair.fire.veil import (
    MEASURES,
    OTHER_LIGHT,
    SAMPLE_EVERY_S,
    SAMPLES,
    STIRRED,
    Difference,
    Moment,
    Sample,
    common_gain,
    differences,
    lost_at_once,
    moment,
    sampled,
)

EARLY_S = 1e-6  # times are rounded
GAP_S = 2.5  # pictures further apart belong to no common two seconds
JUDGE_EVERY_S = 1.0
AGES_S = (8.0, 30.0, 120.0, 600.0, 1800.0)
KEPT = ((1.0, 12), (5.0, 30), (60.0, 32))  # every so many seconds, so many
SUSPECTED_SUM = 4.0  # from which on the scene is no reference
TOLD_SUM = 8.0  # evidence at which the strength is a half
MOST_SUM = 24.0
LEAST_STEP, MOST_STEP = -1.0, 3.0  # of a second
STEP_PER_NAT = 0.6
LEAST_LIKELIHOOD = 1.4  # below it a second speaks against smoke
UNSURE_STEP = -0.2  # of a second in which nothing can be compared, while nothing is told
STROKE = 0.04  # of contrast, from one picture to the next and everywhere
MOST_TONE = 0.35  # of contrast, by its logarithm: more no camera's curve takes or gives
LONGEST_S = 1800.0  # after so long what was suspected without being told is the scene

Likelihood = Callable[[NDArray[np.float64]], NDArray[np.float64]]

# Each measure from floor to ceiling, and its unit.
TERMS = (
    ("hidden", -0.1, 0.4, 0.125),
    ("sigmas", 0.0, 25.0, 8.0),
    ("agreeing", 0.0, 1.0, 1.0),
    ("informed", 0.0, 0.3, 0.125),
    ("hidden_outside", -0.15, 0.3, 0.125),
    ("uneven", 0.0, 0.2, 0.125),
    ("stir_hidden", -0.05, 0.15, 0.067),
    ("stir_hidden_outside", -0.05, 0.15, 0.067),
    ("stain", -0.3, 0.3, 0.167),
    ("stained", 0.0, 1.0, 1.0),
    ("stain_outside", 0.0, 0.3, 0.125),
    ("stir_alike", -0.5, 1.0, 0.5),
    ("lost", 0.0, 0.5, 0.2),
    ("changed", 0.0, 0.5, 0.2),
    ("moved", 0.0, 0.4, 0.2),
    ("brighter", -0.4, 0.4, 0.2),
    ("blurred", 0.0, 0.2, 0.125),
    ("lit", 0.0, 1.0, 1.0),
    ("billows_px", 0.0, 10.0, 3.0),
    ("billows_px_then", 0.0, 10.0, 3.0),
    ("soft", 0.0, 1.0, 0.4),
    ("soft_outside", 0.0, 0.5, 0.2),
    ("sharp", 0.0, 1.0, 0.3),
    ("differs_px", 0.0, 10.0, 3.0),
    ("rises", -0.3, 0.3, 0.15),
)
BILLOWS_UNIT, LEAST_BILLOWS = 0.02, 1e-3  # of light
STIR_UNIT, LEAST_STIR = 2e-3, 2e-4  # of light, by its logarithm


@dataclass(frozen=True, slots=True)
class Veil:
    """The likeliest smoke of a second: how likely (natural logarithm), and what is seen of it."""

    likelihood: float
    difference: Difference

    @property
    def region(self) -> Region:
        return self.difference.region

    @property
    def age_s(self) -> float:
        """Of what it is held against."""
        return self.difference["age_s"]

    @property
    def hidden(self) -> float:
        """Share of contrast."""
        return self.difference["hidden"]


class SmokeWatch:
    """Hold the picture against what it was; see the module.

    The evidence grows or shrinks once a second by how far the likeliest difference is above
    `LEAST_LIKELIHOOD`, `STEP_PER_NAT` for each nat, between `LEAST_STEP` and `MOST_STEP`.

    Parameters
    ----------
    ignore : sequence of regions
        In which nothing is smoke.
    told_from : float
        The strength from which on it is told, and no scene of its own until somebody says so.
    likelihood : callable
        What measures `(n, len(MEASURES))` say of smoke; the net with the fitted weights.
    """

    def __init__(
        self,
        ignore: Sequence[Region] = (),
        told_from: float = 0.5,
        *,
        likelihood: Likelihood | None = None,
    ) -> None:
        self._likelihood = likelihood or _likelihood
        self._told_from = told_from
        self._seen = np.ones((SIZE[1], SIZE[0]), bool)
        for region in ignore:
            self._seen[pixels_of(region, SIZE[1], SIZE[0])] = False
        self._sampled_s = -math.inf
        self._judged_s = self._compared_s = -math.inf
        self._waits_s = math.inf  # since when nothing kept it from judging
        self._scene_lost = False  # while smoke was told: its end can't be seen
        self._samples: deque[Sample] = deque(maxlen=STIRRED)
        self._kept: tuple[deque[Moment], ...] = tuple(deque(maxlen=n) for _, n in KEPT)
        self._tone = 0.0
        self._sum = 0.0
        self._since_s: float | None = None
        self._held_s: float | None = None
        self._veil: Veil | None = None

    @property
    def strength(self) -> float:
        """How surely there is smoke, 0 to 1."""
        return 1.0 - math.exp2(-self._sum / TOLD_SUM)

    @property
    def since_s(self) -> float | None:
        """When what is held for smoke was first seen."""
        return self._since_s

    @property
    def veil(self) -> Veil | None:
        """The likeliest smoke of the last second in which anything could be compared."""
        return self._veil

    @property
    def due_s(self) -> float:
        """When it wants the next picture; sooner ones it leaves out."""
        return self._sampled_s + SAMPLE_EVERY_S - EARLY_S

    @property
    def is_told(self) -> bool:
        return self.strength >= self._told_from

    def unjudged_s(self, t_s: float) -> float:
        """For how long pictures have come of which none could be judged, though the view is fit."""
        return max(0.0, t_s - max(self._judged_s, self._waits_s))

    def uncompared_s(self, t_s: float) -> float:
        """For how long there was nothing in them to compare with how it was."""
        return max(0.0, t_s - max(self._compared_s, self._waits_s))

    def lose_scene(self) -> None:
        """The camera looks elsewhere. Of smoke that is told it can't see the end any more."""
        if self.is_told:
            self._scene_lost = True
            self._begin_seconds()
        else:
            self.begin_anew()

    def begin_anew(self) -> None:
        """Take what is seen from now on for the scene."""
        self._begin_seconds()
        self._scene_lost = False
        for kept in self._kept:
            kept.clear()
        self._sum, self._since_s, self._held_s, self._veil = 0.0, None, None, None

    def pause(self) -> None:
        """The view is unfit: take nothing up of it."""
        self._begin_seconds()
        self._waits_s = math.inf
        # what made it unfit, as a lamp that went off, may have passed for another tone curve
        references = self._references(self._sampled_s)
        self._tone = references[0].tone if references else self._tone

    def update(self, t_s: float, gray: Gray) -> bool:
        """Take the next picture, `(height, width) uint8`; whether it was judged."""
        if t_s < self.due_s:
            return False
        if t_s - self._sampled_s > GAP_S:
            self._begin_seconds()
            self._waits_s = t_s
        self._sampled_s = t_s
        self._waits_s = min(self._waits_s, t_s)
        small = cv2.resize(gray, SIZE, interpolation=cv2.INTER_AREA)
        self._take(sampled(np.asarray(small, np.uint8)))
        if t_s - self._judged_s < JUDGE_EVERY_S - 1e-6 or len(self._samples) < SAMPLES:
            return False
        self._judged_s = t_s
        now = moment(t_s, self._samples, self._seen, self._tone)
        self._judge(t_s, differences(now, self._references(t_s)))
        self._keep(t_s, now)
        return True

    def _begin_seconds(self) -> None:
        self._samples.clear()

    def _judge(self, t_s: float, found: list[Difference]) -> None:
        if found:
            self._compared_s = t_s
            measures = np.array([each.measures for each in found])
            likely = self._likelihood(measures)
            best = int(np.argmax(likely))
            if not self._scene_lost:
                self._veil = Veil(float(likely[best]), found[best])
                self._sum = with_second(self._sum, self._veil.likelihood)
        elif not self.is_told:  # smoke that is told isn't over because the light is another
            self._veil = None
            self._sum = with_second(self._sum, None)
        if self._sum == 0.0:
            self._since_s = None
        elif self._since_s is None:
            self._since_s = t_s

    def _keep(self, t_s: float, now: Moment) -> None:
        """A scene that may have smoke in it is no reference, or it would be learned."""
        if self._sum >= SUSPECTED_SUM:
            if self._held_s is None or self.is_told:
                self._held_s = t_s
            if t_s - self._held_s < LONGEST_S:
                return
            self.begin_anew()
        self._held_s = None
        for (every_s, _), kept in zip(KEPT, self._kept, strict=True):
            if not kept or t_s - kept[-1].t_s >= every_s - 1e-6:
                kept.append(now)

    def _take(self, sample: Sample) -> None:
        """Keep a picture; with the lamp switched, or another tone curve, begin the seconds anew.

        Light that swings is no reason to: it is taken out of the seconds (`veil.moment`).
        """
        if self._samples:
            gain = common_gain(sample.cells, self._samples[-1].cells)
            lost = lost_at_once(sample, self._samples[-1])
            switched = abs(math.log(gain)) > OTHER_LIGHT
            if switched or abs(lost) > STROKE:
                self._begin_seconds()
                if not switched:
                    self._draw_other_curve(lost)
        self._samples.append(sample)

    def _draw_other_curve(self, lost: float) -> None:
        """What contrast all of the picture lost at a stroke, smoke did not hide.

        But no more than a camera's curve can take: beyond it is smoke until it is known better.
        """
        tone = self._tone + math.log1p(-lost)
        if all(abs(tone - old.tone) <= MOST_TONE for old in self._references(self._sampled_s)):
            self._tone = tone

    def _references(self, t_s: float) -> list[Moment]:
        """The newest moment of each age and older, and the oldest of all."""
        every = sorted((each for kept in self._kept for each in kept), key=lambda each: -each.t_s)
        found: list[Moment] = []
        for age_s in AGES_S:
            newest = next((each for each in every if t_s - each.t_s >= age_s - 0.5), None)
            if newest is None:
                newest = every[-1] if found else None
            if newest is not None and all(newest is not each for each in found):
                found.append(newest)
        return found


def terms(measures: NDArray[np.float64]) -> NDArray[np.float64]:
    """What the net weighs, `(n, terms)`, of measures `(n, len(MEASURES))`."""
    of = dict(zip(MEASURES, measures.T, strict=True))
    plain = [np.clip(of[name], low, high) / unit for name, low, high, unit in TERMS]
    stir, then, around = (
        _log(of[each], STIR_UNIT, LEAST_STIR) for each in ("stir", "stir_then", "stir_outside")
    )
    more = (of["stir"] - 1.2 * of["stir_then"]) / STIR_UNIT
    stirred = np.clip(more, 0.0, 2.0)
    return np.stack(
        [
            *plain,
            np.clip(stir, -2.0, 2.0),
            np.clip(stir - then, -2.0, 2.0),
            np.clip(stir - around, -2.0, 2.0),
            np.clip(_log(of["unrest"], STIR_UNIT, LEAST_STIR), -2.0, 3.0),
            *(
                np.clip(_log(of[each], BILLOWS_UNIT, LEAST_BILLOWS), -3.0, 3.0)
                for each in ("billows", "billows_then", "differs")
            ),
            np.log(of["age_s"] / 30.0) / 2.0,
            np.log(of["cover"] / 0.1) / 2.0,
            np.minimum(np.clip(np.abs(of["stain"]) / 0.05, 0.0, 2.0), stirred),
            np.minimum(np.clip(of["hidden"] / 0.05, 0.0, 2.0), stirred),
        ],
        axis=1,
    )


def with_second(evidence: float, likelihood: float | None) -> float:
    """The evidence after a second whose likeliest difference is so likely; None: there is none."""
    if likelihood is None:
        return max(0.0, evidence + UNSURE_STEP)
    step = STEP_PER_NAT * (likelihood - LEAST_LIKELIHOOD)
    return min(MOST_SUM, max(0.0, evidence + min(MOST_STEP, max(LEAST_STEP, step))))


def _log(share: NDArray[np.float64], unit: float, least: float) -> NDArray[np.float64]:
    """Of a share of light, in a unit."""
    return np.asarray(np.log(np.maximum(share, least) / unit), np.float64)


def _likelihood(measures: NDArray[np.float64]) -> NDArray[np.float64]:
    """What the fitted nets say of measures `(n, len(MEASURES))`, as one."""
    return _NETS(terms(measures))


# Read now: no watch may wait for a disk. Eleven terms more than `TERMS`, see `terms`.
_NETS = fitted_net("smoke.csv", len(TERMS) + 11)
