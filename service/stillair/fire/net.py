"""A small net whose weights were fitted beforehand, read from a table beside the code."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Net = Callable[[Floats], Floats]


@cache
def fitted_net(name: str) -> Net:
    """What a net says of terms `(n, terms)`: a log-likelihood ratio for each, `(n,)`.

    Its table has a row of weights for each term, one column for each tanh unit; then a row
    of the units' biases; then the units' own weights and, last, the bias of their sum.
    """
    with resources.files("stillair.fire").joinpath(name).open() as table:
        rows = np.loadtxt(table, delimiter=",")
    inner, biases, outer = rows[:-2, :-1], rows[-2, :-1], rows[-1]

    def net(terms: Floats) -> Floats:
        return np.asarray(np.tanh(terms @ inner + biases) @ outer[:-1] + outer[-1], np.float64)

    return net
