"""Figures of a bench as a table for people or one JSON object for a machine; no verdicts."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured value with its unit, and what it is to reach, if anything."""

    name: str
    value: float
    unit: str
    reach: float | None = None

    def line(self, width: int) -> str:
        reach = "" if self.reach is None else f"{self.reach:g} {self.unit}"
        return f"{self.name:{width}} | {f'{self.value:.4g} {self.unit}':>22} | {reach:>20}"


def show(figures: Sequence[Figure], *, as_json: bool) -> None:
    """Print all figures."""
    if as_json:
        print(json.dumps([asdict(figure) for figure in figures]))
        return
    width = max(len(figure.name) for figure in figures)
    print(f"{'figure':{width}} | {'measured':>22} | {'to reach, at most':>20}")
    print("-" * (width + 48))
    for figure in figures:
        print(figure.line(width))


def share(values: Sequence[float], part: float) -> float:
    """The least value that `part` of all don't exceed (nearest rank)."""
    ordered = sorted(values)
    return ordered[max(0, -(-int(len(ordered) * part * 1000) // 1000) - 1)]
