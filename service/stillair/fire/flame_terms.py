"""What the measures of a place say of a flame, together.

A small net weighs them all (tanh units, weights in `flame.csv`), because one alone says
little: a place that changes as a whole may still be a flame that lights what is about it, and
one that never does the same twice may be a head at work over an orange part. A sum of one
curve for each measure told 54 false flames in 28.6 h of harmless scenes that it hadn't been
fitted to; nets that hadn't either, none (`tests/bench/fire_fit.py`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from stillair.fire.net import Floats, fitted_net

# Each from floor to ceiling.
TERMS = (
    ("alike", 0.25, 1.0),
    ("near", -0.6, 1.0),
    ("unexplained", 0.1, 1.0),
    ("settled", 0.35, 1.0),
    ("loud", 0.0, 1.0),
    ("glow", -0.9, 1.0),
    ("top", 60.0, 242.0),
    ("edge", -2.4, 2.8),
    ("novel", -1.0, 1.0),
    ("coloured", 0.4, 1.0),
    ("flares", 0.05, 0.9),
    ("brighter", -140.0, 80.0),
    ("swing", 1.2, 4.1),
    ("great", 0.0, 0.75),
    ("active", 0.2, 0.7),
    ("filled", 0.0, 0.45),
    ("large", 1.8, 8.0),
    ("hot", 0.0, 1.0),
    ("sways", 0.0, 0.55),
    ("bobs", 0.0, 0.55),
    ("steps", 0.0, 0.8),
)
_OF_NOW = {"large", "hot", "sways", "bobs", "steps"}
AVERAGED = tuple(name for name, *_ in TERMS if name not in _OF_NOW)
SPREAD = 3.0  # of a term between its floor and its ceiling
_NET = fitted_net("flame.csv", len(TERMS) + 1)  # read now: no watch may wait for a disk
_LOW, _HIGH = (np.array(ends) for ends in list(zip(*TERMS, strict=True))[1:])


def features(history: Sequence[Mapping[str, float]]) -> dict[str, float]:
    """The usual of each measure over a place's last looks, oldest first, and how it stays.

    `sways` and `bobs` are how much its middle goes sideways and up and down, and `steps` how
    much its foot does: standard deviations, by its size. A fire stands where it burns.
    """
    now = history[-1]
    size = sum(look["size"] for look in history) / len(history)
    return {
        **{name: sum(look[name] for look in history) / len(history) for name in AVERAGED},
        "large": math.log(now["spots"]),
        "hot": now["hot"],
        **{
            name: float(np.std([look[at] for look in history])) / size
            for name, at in (("sways", "x"), ("bobs", "y"), ("steps", "foot"))
        },
    }


def likelihood(measured: Mapping[str, float]) -> float:
    """The log-likelihood ratio of a flame in one look, from `features`."""
    return float(_NET(terms(measured)[None, :])[0])


def terms(measured: Mapping[str, float]) -> Floats:
    """What the net weighs: each measure between floor and ceiling; is the view old enough."""
    values = np.clip([measured[name] for name, *_ in TERMS], _LOW, _HIGH)
    known = 1.0 if measured["novel"] >= 0.0 else 0.0
    return np.append((values - (_LOW + _HIGH) / 2.0) / (_HIGH - _LOW) * SPREAD, known)
