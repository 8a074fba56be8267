"""Small nets for `stillair.fire.net`: fitted here, written as it reads them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Given = NDArray[np.float32] | Floats


class Net:
    """Tanh units between terms and a logarithm of odds; fitted by Adam.

    References
    ----------
    Kingma, D. P. and Ba, J. (2015). Adam: a method for stochastic optimization. ICLR.
    """

    def __init__(self, inputs: int, units: int, ridge: float, rng: np.random.Generator) -> None:
        self._rng = rng
        self.parts = [
            rng.normal(size=(inputs, units)) / math.sqrt(inputs),
            np.zeros(units),
            rng.normal(size=units) / math.sqrt(units),
            np.zeros(1),
        ]
        self._ridge = ridge
        self._means = [np.zeros_like(part) for part in self.parts]
        self._squares = [np.zeros_like(part) for part in self.parts]
        self._steps = 0

    def __call__(self, given: Given) -> Floats:
        inner, biases, outer, bias = self.parts
        return np.asarray(np.tanh(given @ inner + biases) @ outer + bias[0], np.float64)

    def epoch(self, given: Given, truth: Floats, weight: Floats, rate: float, batch: int) -> None:
        """Once through all, in another order each time."""
        order = self._rng.permutation(len(given))
        for begin in range(0, len(order), batch):
            some = order[begin : begin + batch]
            self._step(given[some], truth[some], weight[some], rate)

    def _step(self, given: Given, truth: Floats, weight: Floats, rate: float) -> None:
        """One step down the logistic loss of a batch."""
        inner, biases, outer, bias = self.parts
        units = np.tanh(given @ inner + biases)
        odds = units @ outer + bias[0]
        error = (1.0 / (1.0 + np.exp(-odds)) - truth) * weight / weight.sum()
        back = np.outer(error, outer) * (1.0 - units**2)
        slopes = [
            given.T @ back + self._ridge * inner,
            back.sum(axis=0),
            units.T @ error + self._ridge * outer,
            np.array([error.sum()]),
        ]
        self._steps += 1
        for part, slope, mean, square in zip(
            self.parts, slopes, self._means, self._squares, strict=True
        ):
            mean += 0.1 * (slope - mean)
            square += 0.001 * (slope**2 - square)
            sure = mean / (1.0 - 0.9**self._steps)
            part -= rate * sure / (np.sqrt(square / (1.0 - 0.999**self._steps)) + 1e-8)

    def loss(self, given: Given, truth: Floats, weight: Floats) -> float:
        odds = self(given) * np.where(truth > 0.0, -1.0, 1.0)
        return float((weight * np.logaddexp(0.0, odds)).sum() / weight.sum())


@dataclass(frozen=True, slots=True)
class Nets:
    """Several that were begun otherwise: what they say together, and as one net."""

    nets: tuple[Net, ...]

    def __call__(self, given: Given) -> Floats:
        return np.asarray(np.mean([net(given) for net in self.nets], axis=0), np.float64)

    def write(self, to: Path) -> None:
        """A row of weights for each term, then the units' biases, then their own weights."""
        inner, biases, outer, bias = zip(*(net.parts for net in self.nets), strict=True)
        share = 1.0 / len(self.nets)
        rows = [
            np.pad(np.hstack(inner), ((0, 0), (0, 1))),
            np.append(np.concatenate(biases), 0.0),
            np.append(np.concatenate(outer) * share, sum(bias) * share),
        ]
        np.savetxt(to, np.vstack(rows), fmt="%.4g", delimiter=",")
