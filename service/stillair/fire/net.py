"""A small net whose weights were fitted beforehand, read from a table beside the code."""

from __future__ import annotations

from collections.abc import Callable
from importlib import resources

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Net = Callable[[Floats], Floats]


def fitted_net(name: str, terms: int) -> Net:
    """What a net says of terms `(n, terms)`: a log-likelihood ratio for each, `(n,)`.

    Raises `ValueError` for a table that isn't whole.

    Its table has a row of weights for each term, one column for each tanh unit; then a row
    of the units' biases; then the units' own weights and, last, the bias of their sum.
    """
    with resources.files("stillair.fire").joinpath(name).open() as table:
        rows = np.loadtxt(table, delimiter=",")
    if len(rows) != terms + 2 or not np.isfinite(rows).all():
        raise ValueError(f"{name} is not the table of a net of {terms} terms")
    inner, biases, outer = rows[:-2, :-1], rows[-2, :-1], rows[-1]

    def net(given: Floats) -> Floats:
        return np.asarray(np.tanh(given @ inner + biases) @ outer[:-1] + outer[-1], np.float64)

    return net
