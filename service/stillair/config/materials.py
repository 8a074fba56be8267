"""What an enclosure is made of: the heat each material bears, and whether it burns.

`bears_c` is the highest air temperature, in degrees Celsius, that a wall of
the material is taken to bear for the length of a job, again and again. The
figures are no test results. Each says where it comes from; where no source
could be checked it says "assumed", and then stays on the careful side. The
worst material of an enclosure decides.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

USUAL_LIMIT_C = 80.0  # the limit of a chamber that is told nothing else


class Material(StrEnum):
    """What a wall of the enclosure can be made of."""

    CARDBOARD = "cardboard"
    FABRIC = "fabric"
    PLYWOOD = "plywood"
    MDF = "mdf"
    ACRYLIC = "acrylic"
    POLYCARBONATE = "polycarbonate"
    FOAM = "foam"
    FOIL_BOARD = "foil_board"
    GLASS = "glass"
    METAL = "metal"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class MaterialFacts:
    """`bears_c` in degrees Celsius; `because` says where the figure comes from."""

    bears_c: float
    combustible: bool
    because: str


MATERIALS: Mapping[Material, MaterialFacts] = {
    Material.CARDBOARD: MaterialFacts(
        80.0,
        True,
        "assumed: it bears what wood bears; it catches fire at 230 to 350 °C",
    ),
    Material.FABRIC: MaterialFacts(
        70.0,
        True,
        "assumed: the coating of tent fabric is usually soft PVC, which gives way near 80 °C",
    ),
    Material.PLYWOOD: MaterialFacts(
        80.0,
        True,
        "assumed: wood kept much hotter for months chars slowly and then catches fire more easily",
    ),
    Material.MDF: MaterialFacts(
        70.0,
        True,
        "assumed: as wood, less a margin for its glue, which gives off formaldehyde when warm",
    ),
    Material.ACRYLIC: MaterialFacts(
        75.0,
        True,
        "assumed: it softens at 85 to 105 °C, less 10 degrees",
    ),
    Material.POLYCARBONATE: MaterialFacts(
        115.0,
        True,
        "assumed: its glass transition is at 147 °C, less a margin for panes under load",
    ),
    Material.FOAM: MaterialFacts(
        70.0,
        True,
        "polystyrene foam softens from 70 to 80 °C; any other foam is taken for it",
    ),
    Material.FOIL_BOARD: MaterialFacts(
        70.0,
        True,
        "assumed: under the foil there may be polystyrene foam, which softens from 70 °C",
    ),
    Material.GLASS: MaterialFacts(
        120.0,
        False,
        "assumed: window glass bears more, its seals do not, nor a sudden cold gust",
    ),
    Material.METAL: MaterialFacts(
        140.0,
        False,
        "the highest use that EN 54-5 has a class of heat detector for (class G)",
    ),
    Material.OTHER: MaterialFacts(
        USUAL_LIMIT_C,
        True,
        "assumed: unknown, so it is taken to bear no more than the usual limit, and to burn",
    ),
}


def weakest(enclosure: Iterable[Material]) -> tuple[Material, float]:
    """The material that bears the least, and how much that is in degrees Celsius.

    No material at all counts as `other`.
    """
    material = min(enclosure, key=lambda each: MATERIALS[each].bears_c, default=Material.OTHER)
    return material, MATERIALS[material].bears_c


def can_burn(enclosure: Iterable[Material]) -> bool:
    """True when any part of the enclosure burns; no material at all counts as `other`."""
    return any(MATERIALS[each].combustible for each in tuple(enclosure) or (Material.OTHER,))
