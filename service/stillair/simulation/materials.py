"""What a box's walls are made of, as far as heat is concerned.

`resistance_m2k_per_w` is the wall's own resistance without the films of air
on either side, `capacity_j_per_m2k` the heat it takes up. The resistances of
steel, acrylic, plywood, cardboard and foam are those that give the computed
U values 3.7, 3.5, 3.2, 3.0 and 1.1 W/(m2 K) with a film of 7.4 W/(m2 K) on
each side (convection and radiation together, ISO 6946, table 7, gives 7.7
inside). The others are computed from common handbook conductivities and
densities, and no more exact than those.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

FILM_W_PER_M2K: Final = 7.4
"""Still-air film on one side of a wall, convection and radiation together."""


@dataclass(frozen=True, slots=True)
class Wall:
    """One square metre of wall, films not included."""

    resistance_m2k_per_w: float
    capacity_j_per_m2k: float

    @property
    def u_w_per_m2k(self) -> float:
        """Transmittance with a still-air film on both sides."""
        return 1.0 / (self.resistance_m2k_per_w + 2.0 / FILM_W_PER_M2K)


def _with_u(u_w_per_m2k: float, capacity_j_per_m2k: float) -> Wall:
    return Wall(1.0 / u_w_per_m2k - 2.0 / FILM_W_PER_M2K, capacity_j_per_m2k)


WALLS: Final[Mapping[str, Wall]] = {
    "cardboard": _with_u(3.0, 730.0),  # 4 mm corrugated
    "fabric": Wall(0.02, 520.0),  # one layer of canvas, 0.4 kg/m2
    "plywood": _with_u(3.2, 5300.0),  # 6 mm
    "mdf": Wall(0.05, 7600.0),  # 6 mm
    "acrylic": _with_u(3.5, 5200.0),  # 3 mm
    "polycarbonate": Wall(0.015, 4300.0),  # 3 mm solid
    "foam": _with_u(1.1, 840.0),  # 20 mm
    "foil_board": Wall(0.87, 900.0),  # 20 mm closed-cell board between foils
    "glass": Wall(0.004, 8000.0),  # 4 mm
    "metal": _with_u(3.7, 3600.0),  # 1 mm sheet steel
    "other": _with_u(3.2, 5300.0),  # as plywood
}


def layered(materials: Sequence[str]) -> Wall:
    """A wall of these materials one behind another. Raises `KeyError` for an unknown one."""
    layers = [WALLS[material] for material in materials]
    return Wall(
        sum(layer.resistance_m2k_per_w for layer in layers),
        sum(layer.capacity_j_per_m2k for layer in layers),
    )
