"""What each measure of a place says of a flame: fitted curves, and their sum.

Each is a log-likelihood ratio by the measure's value, straight between the points and level
before the first and after the last, so that no measure can decide alone. They are fitted by
`tests/bench/fire_fit.py` (logistic regression) to simulated scenes of even seeds and to the
half of the real clips that is for tuning; where physics says that more of a measure speaks
for a flame, or against one, the curve may not turn back.
"""

from __future__ import annotations

from collections.abc import Mapping

Curve = tuple[tuple[float, float], ...]

FIRST = -7.88
CURVES: dict[str, Curve] = {
    "alike": ((0.33, 0.00), (0.54, -1.85), (0.7, -2.28), (0.96, -3.15)),
    "near": ((-0.4, 0.00), (0.2, 1.86), (0.6, 2.13), (0.93, 2.24)),
    "unexplained": ((0.17, 0.00), (0.35, 0.67), (0.58, 3.46), (0.86, 3.86)),
    "settled": ((0.38, 0.00), (0.5, -1.03), (0.6, -1.46), (0.76, -3.39)),
    "loud": ((0, 0.00), (0.4, -1.31), (0.75, -3.58), (0.98, -6.75)),
    "glow": ((-0.6, 0.00), (0, 1.87), (0.4, 2.26), (0.97, 3.05)),
    "top": ((85, 0.00), (150, 2.41), (185, 2.41), (237, 4.31)),
    "edge": ((-1.6, 0.00), (-0.4, 3.08), (0.8, 3.45), (2, 3.45)),
}
NOVEL: Curve = ((0, -0.89), (0.1, 0.84), (0.5, 1.66))  # where the view is old enough to know


def likelihood(features: Mapping[str, float]) -> float:
    """The log-likelihood ratio of a flame in one look, from `Place.features`."""
    total = FIRST + sum(_on(curve, features[name]) for name, curve in CURVES.items())
    return total + _on(NOVEL, features["novel"]) if features["novel"] >= 0.0 else total


def _on(curve: Curve, value: float) -> float:
    """The height of a curve at a value."""
    before, height = curve[0]
    if value <= before:
        return height
    for at, high in curve[1:]:
        if value < at:
            return height + (high - height) * (value - before) / (at - before)
        before, height = at, high
    return height
