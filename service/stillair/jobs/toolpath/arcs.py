"""Arcs of G2 and G3: from where they begin, end and turn around to how long they are.

RS274 (NIST, 2000, The NIST RS274NGC interpreter, version 3, section 3.5.3): the
centre is told from the start (I J K), or the radius (R), below 0 for the longer way
round; an arc that ends where it begins is a whole turn; what the third axis moves
makes it a helix.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stillair.errors import ToolpathError

Floats = NDArray[np.float64]

SLACK_MM: Final = 0.5  # by which an arc's end may lie beside its circle: numbers are rounded
SLACK_SHARE: Final = 0.02
LONGEST_MM: Final = 50_000.0
WHOLE_TURN_MM: Final = 1e-4  # nearer than this an arc ends where it begins

# The axes in which an arc turns, in the order that makes G3 turn from the first to the second.
PLANES: Final = {17: (0, 1, 2), 18: (2, 0, 1), 19: (1, 2, 0)}


@dataclass(frozen=True, slots=True, eq=False)
class Arcs:
    """What arcs are, one entry each; `centre` in the plane's two axes."""

    centre: Floats  # (n, 2)
    radius: Floats
    sweep: Floats  # anticlockwise above 0
    length: Floats
    into: Floats  # (n, 3) direction at the beginning
    out: Floats  # (n, 3)


def arcs_of(
    start: Floats,
    end: Floats,
    offset: Floats,
    radius: Floats,
    clockwise: NDArray[np.bool_],
    plane: int,
    lines: NDArray[np.int64],
) -> Arcs:
    """The arcs of one plane. Raises `ToolpathError` for the first that can't be.

    `start`, `end` and `offset` (from the start to the centre) have X, Y, Z; `radius` is
    nan where the offset counts.
    """
    u, v, w = PLANES[plane]
    a, b = start[:, [u, v]], end[:, [u, v]]
    centre = a + np.nan_to_num(offset[:, [u, v]])
    by_radius = ~np.isnan(radius)
    if bool(by_radius.any()):
        centre[by_radius] = _centre(a, b, radius, clockwise, lines, by_radius)
    missing = ~by_radius & np.isnan(offset[:, [u, v]]).all(axis=1)
    if bool(missing.any()):
        raise ToolpathError(int(lines[missing][0]), "an arc needs I, J or R to know its centre")
    from_centre, to_end = a - centre, b - centre
    r = np.hypot(from_centre[:, 0], from_centre[:, 1])
    beside = np.abs(np.hypot(to_end[:, 0], to_end[:, 1]) - r)
    off = (beside > SLACK_MM) & (beside > SLACK_SHARE * r)
    off |= r <= 0
    if bool(off.any()):
        first = int(np.flatnonzero(off)[0])
        raise ToolpathError(
            int(lines[first]), f"an arc whose end lies {beside[first]:.3g} mm beside its circle"
        )
    before = np.arctan2(from_centre[:, 1], from_centre[:, 0])
    after = np.arctan2(to_end[:, 1], to_end[:, 0])
    sweep = np.mod(after - before, 2 * np.pi)
    closed = np.hypot(b[:, 0] - a[:, 0], b[:, 1] - a[:, 1]) < WHOLE_TURN_MM
    sweep = np.where(clockwise, sweep - 2 * np.pi, sweep)
    sweep[closed] = np.where(clockwise[closed], -2 * np.pi, 2 * np.pi)
    # Rounding may turn the smallest of arcs into nearly a whole turn.
    sweep[~closed & (np.abs(sweep) < 1e-9)] = 1e-9
    rise = end[:, w] - start[:, w]
    round_ = np.abs(sweep) * r
    length = np.hypot(round_, rise)
    if bool((length > LONGEST_MM).any()):
        first = int(np.flatnonzero(length > LONGEST_MM)[0])
        raise ToolpathError(
            int(lines[first]), f"an arc of {length[first]:.3g} mm is out of any machine's reach"
        )
    into, out = np.zeros_like(start), np.zeros_like(start)
    side = np.sign(sweep) * round_ / length
    for direction, angle in ((into, before), (out, before + sweep)):
        direction[:, u] = -np.sin(angle) * side
        direction[:, v] = np.cos(angle) * side
        direction[:, w] = rise / length
    return Arcs(centre, r, sweep, length, into, out)


def _centre(
    a: Floats,
    b: Floats,
    radius: Floats,
    clockwise: NDArray[np.bool_],
    lines: NDArray[np.int64],
    which: NDArray[np.bool_],
) -> Floats:
    """Centres of the arcs that name a radius."""
    a, b, radius = a[which], b[which], radius[which]
    clockwise, lines = clockwise[which], lines[which]
    chord = b - a
    across = np.hypot(chord[:, 0], chord[:, 1])
    closed = across < WHOLE_TURN_MM
    if bool(closed.any()):
        raise ToolpathError(
            int(lines[closed][0]), "an arc with R that ends where it begins; name its centre"
        )
    height = radius**2 - (across / 2) ** 2
    short = (height < 0) & (across / 2 - np.abs(radius) > SLACK_SHARE * across + 1e-3)
    if bool(short.any()):
        first = int(np.flatnonzero(short)[0])
        raise ToolpathError(
            int(lines[first]),
            f"an arc of R{radius[first]:g} can't reach {across[first]:.3g} mm far",
        )
    side = np.sqrt(np.maximum(height, 0.0)) / across
    # The centre of the shorter way lies to the left when it turns anticlockwise.
    side = np.where(clockwise ^ (radius < 0), -side, side)
    left = np.stack((-chord[:, 1], chord[:, 0]), axis=1)
    return a + chord / 2 + left * side[:, None]
