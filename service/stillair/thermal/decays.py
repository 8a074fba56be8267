"""How fast the unheated chamber loses its excess, and with how much heat it keeps it.

With x the excess of the air over the room, averaged over the sensors, the
balance (see `balance`) without exchange and heat is dx/dt = -lambda x, so that
between two levels of an undisturbed cooling

    lambda = ln(x1 / x2) / (t2 - t1)

and while the chamber is heated the heat input over its heat capacity is
q = lambda x + dx/dt (lumped heat capacity, Newton's law of cooling: Incropera,
F. P. et al. (2007) Fundamentals of heat and mass transfer, 5.1).

A box has more than one store of heat: at first the air alone falls, later walls,
bed and part with it, and slower. What lasts and differs between boxes is the
slow fall, so the first minutes are left out. q is the heat that keeps that
store where it is; q / lambda is the excess at which the chamber would settle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from stillair.thermal.air import AirTrack
from stillair.thermal.balance import Balance

EVERY_S = 60.0
LEVEL_S = 120  # over which a level is averaged
FIRST_S = 600.0  # in which the air alone falls
STRETCH_S = 900.0  # between two levels
LEAST_EXCESS_K, LEAST_FALL_K = 6.0, 0.5


class DecayWatch:
    """Teach the balance its losses and heat input while nothing disturbs them."""

    def __init__(self, balance: Balance) -> None:
        self._balance = balance
        self._due_s = -math.inf
        self._state: tuple[bool | None, tuple[str, ...]] = (None, ())
        self._from_s = 0.0
        self._from_k = 0.0

    def tick(
        self,
        t_s: float,
        tracks: Sequence[AirTrack],
        room_c: float,
        *,
        heated: bool | None,
        disturbed: bool,
    ) -> None:
        """Look once a minute. `heated`: None where nobody knows."""
        if disturbed:
            self._state = (None, ())
            return
        if t_s < self._due_s:
            return
        self._due_s = t_s + EVERY_S
        names = tuple(track.name for track in tracks)
        known = bool(tracks) and all(track.seconds > LEVEL_S for track in tracks)
        if heated is None or not known:
            self._state = (None, ())
            return
        excess_k = sum(track.mean_c(0, LEVEL_S) for track in tracks) / len(tracks) - room_c
        if self._state != (heated, names):
            self._state = (heated, names)
            self._begin(t_s + (0.0 if heated else FIRST_S), excess_k)
        elif t_s <= self._from_s:
            self._begin(self._from_s, excess_k)
        elif t_s - self._from_s >= STRETCH_S:
            self._learn(t_s - self._from_s, excess_k, heated=heated)
            self._begin(t_s, excess_k)

    def _begin(self, t_s: float, excess_k: float) -> None:
        self._from_s, self._from_k = t_s, excess_k

    def _learn(self, length_s: float, excess_k: float, *, heated: bool) -> None:
        minutes = length_s / 60.0
        if min(excess_k, self._from_k) < LEAST_EXCESS_K:
            return
        if not heated:
            if self._from_k - excess_k >= LEAST_FALL_K:
                self._balance.learn_cooling(math.log(self._from_k / excess_k) / minutes)
            return
        lost = self._balance.cooling_per_min
        if lost is not None:
            middle_k = 0.5 * (excess_k + self._from_k)
            self._balance.learn_heat(lost * middle_k + (excess_k - self._from_k) / minutes)
