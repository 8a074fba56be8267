"""Pictures made small, marked and measured: everything here that touches pixels."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.fire.regions import Region

KEPT_WIDTH = 640  # a picture encoded here is at most so wide
QUALITY = 80
SMALLEST_QUALITY = 30
MARKED_BYTES = 250_000  # goes with a message
SHARP_WIDTH = 160  # enough to tell a moved picture from a sharp one
MOST_REGIONS = 16
NEAR = 0.02  # places no further apart, in shares of the picture, are outlined as one
RED = (30, 30, 200)  # BGR: danger
WHITE = (255, 255, 255)
DARK = (40, 40, 40)


@dataclass(frozen=True, slots=True)
class Marked:
    """A place in a picture: left, top, right, bottom in shares of it, and what was seen there."""

    region: Region
    word: str


def as_jpeg(pixels: NDArray[np.uint8], quality: int = QUALITY) -> bytes | None:
    """Pixels as JPEG at most 640 wide; None where that can't be done."""
    if pixels.size == 0:
        return None
    return _encoded(_fitted(pixels, KEPT_WIDTH), quality)


def shrunk(jpeg: bytes, quality: int = QUALITY) -> bytes | None:
    """A JPEG made at most 640 wide; None where it is broken."""
    pixels = decoded(jpeg, cv2.IMREAD_REDUCED_COLOR_2)  # cheaper, where it is large
    if pixels is not None and pixels.shape[1] < KEPT_WIDTH:
        pixels = decoded(jpeg)
    return None if pixels is None else as_jpeg(pixels, quality)


def decoded(jpeg: bytes, how: int = cv2.IMREAD_COLOR) -> NDArray[np.uint8] | None:
    """The picture as `(height, width, 3) uint8, BGR`; None where it is broken."""
    try:
        pixels = cv2.imdecode(np.frombuffer(jpeg, np.uint8), how)
    except cv2.error:
        return None
    return None if pixels is None else np.asarray(pixels, np.uint8)


def sharpness(jpeg: bytes) -> float:
    """How sharp a picture is: the variance of its Laplacian, small and in grey; 0 where broken.

    Pech-Pacheco, J. L. et al. (2000). Diatom autofocusing in brightfield microscopy. ICPR.
    """
    try:
        gray = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_REDUCED_GRAYSCALE_2)
    except cv2.error:
        return 0.0
    if gray is None:
        return 0.0
    small = _fitted(np.asarray(gray, np.uint8), SHARP_WIDTH)
    return float(cv2.Laplacian(small, cv2.CV_64F).var())


def regions_of(value: object) -> list[Region]:
    """The regions in a sign's detail; what isn't one is left out, each is cut to the picture."""
    found: list[Region] = []
    if not isinstance(value, Sequence) or isinstance(value, (str, bytes)):
        return found
    for entry in value[:MOST_REGIONS]:
        if not isinstance(entry, Sequence) or isinstance(entry, (str, bytes)) or len(entry) != 4:
            continue
        if not all(
            isinstance(edge, (int, float)) and not isinstance(edge, bool) and -1e6 < edge < 1e6
            for edge in entry
        ):
            continue
        left, top, right, bottom = (round(min(1.0, max(0.0, float(e))), 4) for e in entry)
        if left < right and top < bottom:
            found.append((left, top, right, bottom))
    return found


def around(one: Region, other: Region) -> Region:
    """The least place that holds both."""
    return (
        min(one[0], other[0]),
        min(one[1], other[1]),
        max(one[2], other[2]),
        max(one[3], other[3]),
    )


def joined(regions: Iterable[Region], *, near: float = 0.0) -> list[Region]:
    """The same places, those that overlap, touch or lie no further apart than `near` as one."""
    apart: list[Region] = []
    for region in regions:
        place = region
        while found := next((each for each in apart if _touch(each, place, near)), None):
            apart.remove(found)
            place = around(place, found)
        apart.append(place)
    return apart


def _touch(one: Region, other: Region, near: float) -> bool:
    return (
        one[0] <= other[2] + near
        and other[0] <= one[2] + near
        and one[1] <= other[3] + near
        and other[1] <= one[3] + near
    )


def marked(jpeg: bytes, marks: Sequence[Marked], caption: str = "") -> bytes | None:
    """A copy with the outline of each place drawn and named, and a caption below.

    At most 640 wide and 250 kB; None where the picture is broken. Letters are
    those of ASCII.
    """
    pixels = decoded(jpeg)
    if pixels is None:
        return None
    pixels = _fitted(pixels, KEPT_WIDTH).copy()
    for mark in marks[:MOST_REGIONS]:
        _outline(pixels, mark)
    if caption:
        pixels = _captioned(pixels, caption)
    for quality in range(QUALITY, SMALLEST_QUALITY - 1, -25):
        data = _encoded(pixels, quality)
        if data is not None and len(data) <= MARKED_BYTES:
            return data
    return None


def _outline(pixels: NDArray[np.uint8], mark: Marked) -> None:
    high, wide = pixels.shape[:2]
    left, top, right, bottom = mark.region
    first = int(left * wide), int(top * high)
    last = min(wide - 1, int(right * wide)), min(high - 1, int(bottom * high))
    # White around red is seen on any ground.
    cv2.rectangle(pixels, first, last, WHITE, 4)
    cv2.rectangle(pixels, first, last, RED, 2)
    size, below = cv2.getTextSize(mark.word, cv2.FONT_HERSHEY_SIMPLEX, 0.55, 1)
    x = max(0, min(first[0], wide - size[0] - 8))
    y = first[1] - 4 if first[1] >= size[1] + below + 8 else min(high - 4, last[1] + size[1] + 8)
    cv2.rectangle(pixels, (x, y - size[1] - 6), (x + size[0] + 8, y + below), RED, cv2.FILLED)
    _write(pixels, mark.word, (x + 4, y - 2), 0.55)


def _captioned(pixels: NDArray[np.uint8], caption: str) -> NDArray[np.uint8]:
    wide = pixels.shape[1]
    scale = 0.5
    size, _ = cv2.getTextSize(caption, cv2.FONT_HERSHEY_SIMPLEX, scale, 1)
    scale *= min(1.0, (wide - 12) / max(1, size[0]))
    strip = np.full((24, wide, 3), DARK, np.uint8)
    _write(strip, caption, (6, 17), scale)
    return np.vstack((pixels, strip))


def _write(pixels: NDArray[np.uint8], words: str, place: tuple[int, int], scale: float) -> None:
    cv2.putText(pixels, words, place, cv2.FONT_HERSHEY_SIMPLEX, scale, WHITE, 1, cv2.LINE_AA)


def _fitted(pixels: NDArray[np.uint8], width: int) -> NDArray[np.uint8]:
    high, wide = pixels.shape[:2]
    if wide <= width:
        return pixels
    size = width, max(1, round(high * width / wide))
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)


def _encoded(pixels: NDArray[np.uint8], quality: int) -> bytes | None:
    try:
        done, data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])
    except cv2.error:
        return None
    return data.tobytes() if done else None
