"""Parts of a picture, and how much of it an owner may leave out. Pure.

A region is (left, top, right, bottom) in shares of the picture's width and height, 0 to 1.
"""

from __future__ import annotations

Region = tuple[float, float, float, float]

LEAST_FROM, MOST_FROM = 0.3, 0.85  # strengths from which on a sign may be set to be told
MOST_LEFT_OUT = 0.6  # share of the picture; with more of it left out there is no watch


def pixels_of(region: Region, high: int, wide: int) -> tuple[slice, slice]:
    """The rows and columns of a region in a picture of that size."""
    left, top, right, bottom = region
    return (
        slice(round(top * high), round(bottom * high)),
        slice(round(left * wide), round(right * wide)),
    )
