"""The layers whose weather was another than the rest's, as stretches along the ruler, in words.

Each says by how much, whether that stands whatever the figures really are, and what of
air, time and fan explains it. It says how the layers differ, not what became of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stillair.jobs.roads import Column
from stillair.jobs.toolpath.layers import Layers
from stillair.jobs.weather import COLD, HOT, NOT_FIRM, Weather

GAP = 2  # layers without the mark that don't end a stretch
MOST = 200  # stretches that are told, the furthest off first
HALF = 0.5  # of a difference that the air has to explain to be named
LONGER = 1.5  # times the usual wait
FAN_SHARE = 0.15  # of fan more or less than usual
SIDES = {COLD: "cold", HOT: "hot", NOT_FIRM: "not_firm"}


@dataclass(frozen=True, slots=True)
class Stretch:
    """Layers `first` to `last`, both included; heights are the tops of roads in mm.

    `side` is "cold", "hot" or "not_firm". `by_k` is how far the furthest layer `at` is off,
    with its range; for "not_firm" above the temperature at which the material is firm.
    """

    first: int
    last: int
    from_mm: float
    to_mm: float
    piece: int
    side: str
    at: int
    by_k: float
    by_range_k: tuple[float, float]
    is_sure: bool
    text: str
    because: tuple[str, ...]


def stretches(layers: Layers, found: Weather) -> tuple[Stretch, ...]:
    """All stretches in the order in which they were built; of more than `MOST` the furthest."""
    told: list[Stretch] = []
    for side in (COLD, HOT, NOT_FIRM):
        at = np.flatnonzero(found.mark == side)
        if not len(at):
            continue
        ends = np.flatnonzero((np.diff(at) > GAP + 1) | (np.diff(layers.piece[at]) != 0)) + 1
        told += [_stretch(layers, found, side, part) for part in np.split(at, ends)]
    furthest = sorted(told, key=lambda each: -each.by_k)[:MOST]
    return tuple(sorted(furthest, key=lambda each: (each.first, each.side)))


def _stretch(layers: Layers, found: Weather, side: int, which: np.ndarray) -> Stretch:
    if side == NOT_FIRM:
        over_k = found.below_c[which] - found.firm_c
        ranges_k = found.below_range_c[:, which] - found.firm_c
    else:
        sign = -1.0 if side == COLD else 1.0
        over_k = sign * found.off_k[which]
        ranges_k = np.sort(sign * found.off_range_k[:, which], axis=0)
    furthest = int(np.argmax(over_k))
    at, by_k = int(which[furthest]), float(over_k[furthest])
    low_k, high_k = (float(value) for value in ranges_k[:, furthest])
    first, last = int(which[0]), int(which[-1])
    is_sure = bool(found.is_sure[at])
    return Stretch(
        first=first,
        last=last,
        from_mm=float(layers.height_mm[first]),
        to_mm=float(layers.height_mm[last]),
        piece=int(layers.piece[first]),
        side=SIDES[side],
        at=at,
        by_k=by_k,
        by_range_k=(low_k, high_k),
        is_sure=is_sure,
        text=_text(found, side, at, by_k, (low_k, high_k), is_sure=is_sure),
        because=because(layers, found, at) if side != NOT_FIRM else _soon(found, at),
    )


def _text(
    found: Weather, side: int, at: int, by_k: float, range_k: tuple[float, float], *, is_sure: bool
) -> str:
    low, high = (f"{max(value, 0.0):.0f}" for value in range_k)
    between = f" ({low} to {high} degrees)" if low != high else ""
    doubt = "" if is_sure else ", perhaps: it depends on figures that nobody knows exactly"
    if side == NOT_FIRM:
        low, high = (f"{value:.0f}" for value in found.below_range_c[:, at])
        return (
            f"The layer below was still at {found.below_c[at]:.0f} °C ({low} °C to {high} °C) when"
            f" the next arrived; it is firm below {found.firm_c:.0f} °C{doubt}."
        )
    word = "colder" if side == COLD else "warmer"
    by = f"{by_k:.0f} degrees{between}"
    return f"The layer below was {by} {word} than is usual in this job{doubt}."


def because(layers: Layers, found: Weather, at: int) -> tuple[str, ...]:
    """What explains a layer's difference: what covers the layer below it, and the air."""
    said: list[str] = []
    below = max(at - 1, 0)
    off_k, air_k = float(found.off_k[at]), float(found.air_k[at])
    if off_k * air_k > 0.0 and abs(air_k) >= HALF * abs(off_k):
        was_k = float(found.air_c[below]) - found.usual_air_c
        said.append(
            f"the chamber's air made {abs(air_k):.0f} degrees of it: its mean was"
            f" {abs(was_k):.0f} degrees {'colder' if was_k < 0.0 else 'warmer'} than usual"
            if was_k * air_k > 0.0
            else f"the chamber's air some layers before made {abs(air_k):.0f} degrees of it"
        )
    wait_s, usual_s = float(found.wait_s[below]), found.usual_wait_s
    if off_k < 0.0 and wait_s > LONGER * usual_s:
        said.append(f"the layer below lay open for {_lasting(wait_s)}, usually {_lasting(usual_s)}")
    if off_k > 0.0 and wait_s < usual_s / LONGER:
        said.append(f"it came after {_lasting(wait_s)}, usually {_lasting(usual_s)}")
    fan, usual_fan = float(layers.fan_share[below]), _usual(layers.fan_share, found)
    if (usual_fan - fan) * off_k > 0.0 and abs(usual_fan - fan) > FAN_SHARE:
        said.append(f"the fan ran at {fan:.0%}, usually {usual_fan:.0%}")
    return tuple(said)


def _soon(found: Weather, at: int) -> tuple[str, ...]:
    wait_s, usual_s = float(found.wait_s[max(at - 1, 0)]), found.usual_wait_s
    if wait_s < usual_s / LONGER:
        return (f"it came after {_lasting(wait_s)}, usually {_lasting(usual_s)}",)
    return (f"it came after {_lasting(wait_s)}",)


def _usual(column: Column, found: Weather) -> float:
    base = found.is_undisturbed
    return float(np.median(column[base] if base.any() else column))


def _lasting(time_s: float) -> str:
    if time_s < 100.0:
        return f"{time_s:.0f} s"
    return f"{time_s / 60.0:.0f} min" if time_s < 5400.0 else f"{time_s / 3600.0:.1f} h"
