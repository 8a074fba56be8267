"""Make a person's photograph small and plain: what a stranger's file can hold stays behind.

`python -m stillair.media.photographs` reads one picture from standard input and
writes a JPEG to standard output, or one line that says why not and status 2. It
is a program of its own because pictures from outside are decoded by foreign
code: what crashes it, or eats memory, hurts no watch. Places, names and times
that a camera writes into a file are gone: only what is seen is encoded anew.
"""

from __future__ import annotations

import os
import resource
import sys
from contextlib import suppress

import cv2
import numpy as np

from stillair.errors import InputError

LONGEST_PX = 1600
MOST_PIXELS = 40_000_000
MOST_BYTES = 12_000_000
QUALITY = 85
MEMORY_BYTES = 1_500_000_000  # of addresses; a picture of 40 megapixels takes a third
REFUSED = 2
NICE = 10
NO_PICTURE = "that is no picture in JPEG, PNG or WebP"
TOO_MANY_PIXELS = f"a photograph has at most {MOST_PIXELS // 10**6} megapixels here"
ENVIRONMENT = {"OPENCV_IO_MAX_IMAGE_PIXELS": str(MOST_PIXELS), "OPENCV_LOG_LEVEL": "SILENT"}

_SMALLER = {2: cv2.IMREAD_REDUCED_COLOR_2, 4: cv2.IMREAD_REDUCED_COLOR_4}


def shrunk(data: bytes) -> bytes:
    """The picture as JPEG, at most 1600 px long, upright. Raises `InputError`."""
    if len(data) > MOST_BYTES:
        raise InputError(f"a photograph has at most {MOST_BYTES // 10**6} MB here")
    if not _known(data):
        raise InputError(NO_PICTURE)
    form = cv2.IMREAD_COLOR
    if data.startswith(b"\xff\xd8"):
        # A JPEG can be read at an eighth: so its size is known before it takes any room.
        eighth = _decoded(data, cv2.IMREAD_REDUCED_COLOR_8)
        height_px, width_px = eighth.shape[0] * 8, eighth.shape[1] * 8
        if (height_px - 8) * (width_px - 8) > MOST_PIXELS:
            raise InputError(TOO_MANY_PIXELS)
        longest_px = max(height_px, width_px)
        form = next((_SMALLER[n] for n in (4, 2) if longest_px / n >= 2 * LONGEST_PX), form)
    picture = _decoded(data, form)
    height_px, width_px = picture.shape[:2]
    share = LONGEST_PX / max(height_px, width_px)
    if share < 1.0:
        size = max(1, round(width_px * share)), max(1, round(height_px * share))
        picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    done, jpeg = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    if not done:
        raise InputError(NO_PICTURE)
    return bytes(jpeg)


def _known(data: bytes) -> bool:
    return data.startswith((b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n")) or (data[:4], data[8:12]) == (
        b"RIFF",
        b"WEBP",
    )


def _decoded(data: bytes, form: int) -> cv2.typing.MatLike:
    try:
        picture: cv2.typing.MatLike | None = cv2.imdecode(np.frombuffer(data, np.uint8), form)
    except cv2.error as error:
        too_many = "MAX_IMAGE" in str(error)
        raise InputError(TOO_MANY_PIXELS if too_many else NO_PICTURE) from None
    if picture is None or picture.size == 0:
        raise InputError(NO_PICTURE)
    return picture


def main() -> int:
    """One picture in, one out."""
    with suppress(OSError, ValueError):
        os.nice(NICE)
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    cv2.setNumThreads(1)
    try:
        jpeg = shrunk(sys.stdin.buffer.read(MOST_BYTES + 1))
    except InputError as error:
        sys.stdout.write(str(error))
        return REFUSED
    sys.stdout.buffer.write(jpeg)
    return 0


if __name__ == "__main__":
    sys.exit(main())
