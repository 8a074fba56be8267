"""What each measure of a place says of a flame: fitted curves, and their sum.

Each is a log-likelihood ratio by the measure's value, straight between the points and level
before the first and after the last, so that no measure can decide alone. They are fitted by
`tests/bench/fire_fit.py` (logistic regression) to simulated scenes of even seeds and to the
half of the real clips that is for tuning; where physics says that more of a measure speaks
for a flame, or against one, the curve may not turn back. `YOUNG` alone is set by hand.
"""

from __future__ import annotations

from collections.abc import Mapping

Curve = tuple[tuple[float, float], ...]

FIRST = -8.46
CURVES: dict[str, Curve] = {
    "alike": ((0.33, 0.00), (0.54, -1.94), (0.7, -2.46), (0.96, -3.60)),
    "near": ((-0.4, 0.00), (0.2, 1.88), (0.6, 2.12), (0.93, 2.12)),
    "unexplained": ((0.17, 0.00), (0.35, 0.72), (0.58, 4.02), (0.86, 4.59)),
    "settled": ((0.38, 0.00), (0.5, -1.10), (0.6, -1.67), (0.76, -3.45)),
    "loud": ((0, 0.00), (0.4, -1.30), (0.75, -3.43), (0.98, -7.38)),
    "glow": ((-0.6, 0.00), (0, 2.77), (0.4, 3.05), (0.97, 3.99)),
    "top": ((85, 0.00), (150, 2.08), (185, 2.08), (237, 3.89)),
    "edge": ((-1.6, 0.00), (-0.4, 3.18), (0.8, 3.40), (2, 3.40)),
}
NOVEL: Curve = ((0, -1.10), (0.1, 1.00), (0.5, 1.71))  # where the view is old enough to know
# Where it isn't, what the place lights and that more of it changes than its edges has to say
# more. Set by hand, on starts of scenes of even seeds and on the clips for tuning: false flames
# in 15 s fell from 11 to 4 of 587 harmless starts, and of 75 fires 64 instead of 65 were told in
# 12 s, 55 instead of 53 in 5 s.
YOUNG: dict[str, Curve] = {
    "glow": ((0.3, -0.5), (0.7, 0.2)),
    "edge": ((0, -0.8), (1, 0.2)),
}


def likelihood(features: Mapping[str, float]) -> float:
    """The log-likelihood ratio of a flame in one look, from `Place.features`."""
    total = FIRST + sum(_on(curve, features[name]) for name, curve in CURVES.items())
    if features["novel"] >= 0.0:
        return total + _on(NOVEL, features["novel"])
    return total + sum(_on(curve, features[name]) for name, curve in YOUNG.items())


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
