"""Chance without a memory: what happens at a moment follows from seed and time alone."""

from __future__ import annotations

import math


def mixed(seed: int, number: int) -> int:
    """A well-mixed number of 31 bits from seed and count (a 64-bit multiply and fold)."""
    both = (number * 0x9E3779B97F4A7C15 + seed * 0xBF58476D1CE4E5B9) & 0xFFFFFFFFFFFFFFFF
    both ^= both >> 31
    both = (both * 0x94D049BB133111EB) & 0xFFFFFFFFFFFFFFFF
    return (both >> 33) & 0x7FFFFFFF


def even(seed: int, number: int) -> float:
    """Even chance from 0 to 1."""
    return mixed(seed, number) / 0x7FFFFFFF


def wobble(seed: int, t_s: float, per_s: float = 8.0) -> float:
    """Chance from -1 to 1 that changes so many times a second, smoothly."""
    at = t_s * per_s
    first = math.floor(at)
    share = at - first
    share = share * share * (3.0 - 2.0 * share)
    a, b = (2.0 * even(seed + 3, first + n) - 1.0 for n in (0, 1))
    return a + (b - a) * share
