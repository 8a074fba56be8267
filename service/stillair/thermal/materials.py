"""What the materials of the trade want of the air around the part.

Workshop knowledge, not measurements: starting values. Floor and ceiling of
the chamber and the temperature of the air at which a part may come out, all
in degrees Celsius. Where a material softens above 80 the part is stiff at 45
degrees; the others come out at 40.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Material:
    """One row: the band of the chamber, and when the part may come out."""

    floor_c: float
    ceiling_c: float
    cool_c: float


MATERIALS = {
    "abs": Material(40.0, 70.0, 45.0),
    "asa": Material(40.0, 70.0, 45.0),
    "hips": Material(35.0, 60.0, 45.0),
    "pc": Material(55.0, 90.0, 45.0),
    "pc/abs": Material(50.0, 80.0, 45.0),
    "pa": Material(35.0, 60.0, 40.0),
    "pp": Material(35.0, 60.0, 40.0),
    "petg": Material(0.0, 45.0, 40.0),
}
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
