"""The materials of the trade: what they want of nozzle, bed and air, and how they take heat.

Temperatures in degrees Celsius. Nozzle, bed and the chamber's floor and ceiling are
workshop knowledge, not measurements: starting values. `cool_c` is the air at which a
part may come out: where a material softens above 80 the part is stiff at 45 degrees;
the others come out at 40.

`firm_c` is the temperature below which a road keeps its shape, and above which a joint
grows together. Where a material has no crystals it is the glass transition: ABS 105, ASA
100, polystyrene 95, PC 147, PETG 78, all handbook figures; of the PC/ABS blend the PC's
part, which falls with its share, 125. PA and PP are firm far above their glass
transition (PA 45 to 60 dry, PP below zero), because they crystallise; what counts there is
where that begins on cooling: 145 to 150 for PA12, 165 to 185 for PA6, so 150 for the name
they share, and 105 to 120 for PP.

Density, conductivity and heat capacity are handbook ranges for the solid near the
temperature of the part, unfilled: ABS 1,050 kg/m3, 0.18 W/mK, 1.9 to 2.1 kJ/kgK; ASA
1,070, 0.18, 1.9, here with 5 % either way; polystyrene 1,040, 0.16, 1.7 to 2.0; PC 1,200,
0.20, 1.3 solid to 1.9 melt; PA6 1,140 and PA12 1,010, 0.25, 1.7 to 2.5; PP 900, 0.20, 1.9
to 2.6; PETG 1,270, 0.20, 1.2 solid to 1.9 melt; the blend between its two. The capacity is
a mean from nozzle to chamber, so that what is set free in crystallising counts in it:
some 55 kJ/kg over 180 degrees adds 0.2 to 0.3 to PA's, 85 over 160 adds 0.5 to PP's. A
filling of fibres conducts better and may change them by more than these ranges.
"""

from __future__ import annotations

from dataclasses import dataclass

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Material:
    """One row: the band of the chamber, when the part may come out, how it is built, its heat."""

    floor_c: float
    ceiling_c: float
    cool_c: float
    nozzle_c: Range
    bed_c: Range
    firm_c: float
    density_kg_per_m3: float
    conductivity_w_per_mk: float
    heat_j_per_kgk: Range


MATERIALS = {
    "abs": Material(
        40.0, 70.0, 45.0, (230.0, 260.0), (95.0, 110.0), 105.0, 1050.0, 0.18, (1900.0, 2100.0)
    ),
    "asa": Material(
        40.0, 70.0, 45.0, (240.0, 265.0), (90.0, 110.0), 100.0, 1070.0, 0.18, (1800.0, 2000.0)
    ),
    "hips": Material(
        35.0, 60.0, 45.0, (225.0, 245.0), (90.0, 110.0), 95.0, 1040.0, 0.16, (1700.0, 2000.0)
    ),
    "pc": Material(
        55.0, 90.0, 45.0, (265.0, 300.0), (100.0, 120.0), 147.0, 1200.0, 0.20, (1300.0, 1900.0)
    ),
    "pc/abs": Material(
        50.0, 80.0, 45.0, (255.0, 280.0), (95.0, 115.0), 125.0, 1130.0, 0.19, (1500.0, 2000.0)
    ),
    "pa": Material(
        35.0, 60.0, 40.0, (240.0, 285.0), (70.0, 105.0), 150.0, 1080.0, 0.25, (1900.0, 2700.0)
    ),
    "pp": Material(
        35.0, 60.0, 40.0, (220.0, 245.0), (80.0, 100.0), 115.0, 900.0, 0.20, (2300.0, 3100.0)
    ),
    "petg": Material(
        0.0, 45.0, 40.0, (225.0, 250.0), (70.0, 85.0), 78.0, 1270.0, 0.20, (1300.0, 1900.0)
    ),
}
NAMES = tuple(
    name.upper() for name in MATERIALS
)  # as people write them; web/js/materials.js offers them
COOL_C = 40.0  # for a part of unknown material


def material(name: str) -> Material | None:
    """The row for a material as a person writes it: "PA6 CF", "pc-abs", "ASA"; None if unknown."""
    words = name.lower().replace("-", "/").replace("+", "/").split()
    if not words:
        return None
    first = words[0]
    if first in MATERIALS:
        return MATERIALS[first]
    if first == "pcabs" or first == "pc/abs/blend":
        return MATERIALS["pc/abs"]
    stem = first.split("/")[0]
    if stem in MATERIALS:
        return MATERIALS[stem]
    if stem.startswith("pa") and stem[2:].isdigit():
        return MATERIALS["pa"]
    return None
