"""How much of what a difference between two temperatures did was a trend, and how sure that is.

Over some hours, block by block, a difference d between sensors is explained by

    d(t) = a + r1 h1(t) + r2 h2(t) + b (x(t) - mean x) + c dx/dt + e l(t) + rest

x is the air's excess over the room: layers of air grow with the heat that is
lost, so d goes with x. Not in proportion, though, even where d is known without
any excess: a bed that is held hot gives its part of the heat whatever is lost,
so that the heater's part, and its layers, falls by more than x where the room
grows warmer. dx/dt stands for lags and walls that differ. l is how far two other
sensors stand apart, where there are any: what stirs the air or heats it
elsewhere moves that, too, and a drift of one sensor doesn't. h1 rises
from 0 to 1 within the first half of the time and stays, h2 within the second:
a trend that goes on has r1 and r2 alike, a step or what settles doesn't.

Least squares with what is known beforehand of b, c and e (as one more observation
each: ridge regression, Hoerl, A. E. and Kennard, R. W. (1970) Technometrics 12)
and with the weights of Huber, P. J. (1964) Ann. Math. Stat. 35, so that a door
or a fan now and then doesn't count for much. Where x itself has a trend, the
two can't be told apart, and the uncertainty says so. Blocks beside each other
err alike; the rest's own correlation rho widens the uncertainty by
(1 + rho) / (1 - rho) in variance, as of so many fewer values (Bayley, G. V. and
Hammersley, J. M. (1946) J. R. Stat. Soc. suppl. 8).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

LEAST_NOISE_K = 0.03
HUBER = 1.5
ROUNDS = 4
RATE_K = 3.0  # K of difference that 1 K/min may make
LAYERS = 1.0  # K of difference that 1 K between two others may make
# How far b may be from d over x: what isn't alike, and a part of d that doesn't go with x.
SHARE_OFF, OFFSET_K = 0.3, 1.0
JUMP_K, JUMP = 0.2, 4.0  # and so many standard deviations of a change
FAR = 3.0  # standard deviations, to which what is far off is cut
LEAST_RHO, MOST_RHO = 0.2, 0.9

Matrix = list[list[float]]


@dataclass(frozen=True, slots=True)
class Trend:
    """A trend over a time: its change in each half and their sum, K; `u_k` is one sigma of the sum.

    `alone_k` is the difference without what else explains it, `rests_k` what remains
    of that without the trend; what is far off is cut short in both.
    """

    first_k: float
    second_k: float
    u_k: float
    alone_k: tuple[float, ...]
    rests_k: tuple[float, ...]

    @property
    def change_k(self) -> float:
        return self.first_k + self.second_k

    @property
    def rough_k2(self) -> float:
        """What it leaves unexplained, as a mean square."""
        return sum(rest * rest for rest in self.rests_k) / len(self.rests_k) + LEAST_NOISE_K**2

    @property
    def jumped_k(self) -> float:
        """The sum of those changes from block to block that stand out; there and back is none."""
        changes = [after - before for before, after in pairwise(self.alone_k)]
        usual_k = 1.4826 * median(abs(change) for change in changes)
        least_k = max(JUMP_K, JUMP * usual_k)
        return sum(change for change in changes if abs(change) > least_k)

    def step_k2(self) -> tuple[float, float]:
        """What one step and what two steps would leave unexplained at best, as mean squares."""
        count = len(self.alone_k)
        sums, squares = [0.0], [0.0]
        for value in self.alone_k:
            sums.append(sums[-1] + value)
            squares.append(squares[-1] + value * value)

        def off(start: int, end: int) -> float:
            total = sums[end] - sums[start]
            return squares[end] - squares[start] - total * total / (end - start)

        one = min(off(0, at) + off(at, count) for at in range(2, count - 1))
        two = min(
            off(0, at) + off(at, then) + off(then, count)
            for at in range(2, count - 3)
            for then in range(at + 2, count - 1)
        )
        return one / count + LEAST_NOISE_K**2, two / count + LEAST_NOISE_K**2


@dataclass(frozen=True, slots=True)
class Course:
    """What a trend is sought beside, equally many values of each.

    Times in s, excess in K, its rate in K/min, and what two others differ by, K.
    """

    times_s: Sequence[float]
    excess_k: Sequence[float]
    rate_k_per_min: Sequence[float]
    layers_k: Sequence[float] | None = None


def trend(course: Course, apart_k: Sequence[float], cold_k: float | None = None) -> Trend | None:
    """The trend of a difference; None where it can't be solved for.

    `cold_k` is the difference without any excess, if it is known.
    """
    start_s, length_s = course.times_s[0], course.times_s[-1] - course.times_s[0]
    ramps = []
    for t_s in course.times_s:
        share = 2.0 * (t_s - start_s) / length_s
        ramps.append((min(share, 1.0), max(share - 1.0, 0.0)))
    found = _fit(course, apart_k, ramps, cold_k)
    if found is None:
        return None
    answer, inverse, noise_k, rests = found
    variance = inverse[1][1] + 2.0 * inverse[1][2] + inverse[2][2]
    rho = min(MOST_RHO, max(LEAST_RHO, _correlation(rests)))
    u_k = noise_k * math.sqrt(max(variance, 0.0) * (1.0 + rho) / (1.0 - rho))
    most_k = FAR * noise_k
    cut = tuple(max(-most_k, min(most_k, rest)) for rest in rests)
    alone_k = tuple(
        answer[1] * first + answer[2] * second + rest
        for (first, second), rest in zip(ramps, cut, strict=True)
    )
    return Trend(answer[1], answer[2], u_k, alone_k, cut)


def _fit(
    course: Course,
    apart_k: Sequence[float],
    shapes: Sequence[tuple[float, ...]],
    cold_k: float | None,
) -> tuple[list[float], Matrix, float, list[float]] | None:
    """Coefficients, inverse of the normal matrix, noise (K), what remains."""
    count = len(apart_k)
    mean_x = max(sum(course.excess_k) / count, 1.0)
    mean_d = sum(apart_k) / count
    share = (mean_d - (cold_k or 0.0)) / mean_x
    share_u = SHARE_OFF * abs(share) + OFFSET_K / mean_x + 0.01
    known = [(share, share_u), (0.0, RATE_K)]
    beside = [[x - mean_x for x in course.excess_k], course.rate_k_per_min]
    if course.layers_k is not None:
        mean_l = sum(course.layers_k) / count
        known.append((0.0, LAYERS))
        beside.append([layers_k - mean_l for layers_k in course.layers_k])
    table = [(1.0, *shape, *values) for shape, *values in zip(shapes, *beside, strict=True)]
    size = len(table[0])
    first = size - len(known)
    weights = [1.0] * count
    noise_k = 0.3
    answer: list[float] = []
    inverse: Matrix = []
    rests: list[float] = []
    for _ in range(ROUNDS):
        normal = [[0.0] * size for _ in range(size)]
        right = [0.0] * size
        for row, d, weight in zip(table, apart_k, weights, strict=True):
            for i, left in enumerate(row):
                heavy = weight * left
                right[i] += heavy * d
                line = normal[i]
                for j in range(i, size):
                    line[j] += heavy * row[j]
        for i in range(size):
            for j in range(i):
                normal[i][j] = normal[j][i]
        for place, (value, u) in enumerate(known, start=first):
            weight = (noise_k / u) ** 2
            normal[place][place] += weight
            right[place] += weight * value
        solved = _inverse(normal)
        if solved is None:
            return None
        inverse = solved
        answer = [sum(a * b for a, b in zip(line, right, strict=True)) for line in inverse]
        rests = [
            d - sum(a * b for a, b in zip(answer, row, strict=True))
            for row, d in zip(table, apart_k, strict=True)
        ]
        noise_k = max(LEAST_NOISE_K, 1.4826 * median(abs(rest) for rest in rests))
        bound_k = HUBER * noise_k
        weights = [1.0 if abs(rest) <= bound_k else bound_k / abs(rest) for rest in rests]
    return answer, inverse, noise_k, rests


def _correlation(rests: Sequence[float]) -> float:
    total = sum(rest * rest for rest in rests)
    beside = sum(a * b for a, b in pairwise(rests))
    return beside / total if total > 0.0 else 0.0


def _inverse(matrix: Matrix) -> Matrix | None:
    """By Gauss and Jordan; the matrix is symmetric and positive, so that no pivoting is needed."""
    size = len(matrix)
    rows = [[*line, *(float(i == j) for j in range(size))] for i, line in enumerate(matrix)]
    for at in range(size):
        pivot = rows[at][at]
        if pivot < 1e-9:
            return None
        own = rows[at] = [value / pivot for value in rows[at]]
        for other in range(size):
            factor = rows[other][at]
            if other != at and factor:
                rows[other] = [a - factor * b for a, b in zip(rows[other], own, strict=True)]
    return [line[size:] for line in rows]
