"""From a frame to the two things that are asked of it: a small grey picture, a JPEG.

The one place that decodes and encodes pictures. OpenCV is kept to one thread,
because the board has other work, and silent, because it writes addresses with
their passwords.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.sensing.mjpeg import picture_size
from stillair.sensing.protocols import Frame

SMALL_WIDTH, SMALL_HEIGHT = 160, 120
WORKING_WIDTH, WORKING_HEIGHT = 320, 240  # in which signs of fire are looked for
JPEG_QUALITY = 85
NARROW_QUALITY = 70

_REDUCED = {
    8: cv2.IMREAD_REDUCED_GRAYSCALE_8,
    4: cv2.IMREAD_REDUCED_GRAYSCALE_4,
    2: cv2.IMREAD_REDUCED_GRAYSCALE_2,
}
_REDUCED_COLOUR = {
    8: cv2.IMREAD_REDUCED_COLOR_8,
    4: cv2.IMREAD_REDUCED_COLOR_4,
    2: cv2.IMREAD_REDUCED_COLOR_2,
}

cv2.setNumThreads(1)
_SILENT = 0
# OpenCV 4 has it at the top, OpenCV 5 in a module of its own
(getattr(cv2, "setLogLevel", None) or cv2.utils.logging.setLogLevel)(_SILENT)


def small_gray(frame: Frame) -> NDArray[np.uint8] | None:
    """The frame as `(height, width) uint8`, at most 160x120, or None where it is broken.

    The shape of the picture is kept, so 1280x720 becomes 160x90.
    """
    if frame.pixels is not None:
        return small_gray_of_pixels(frame.pixels)
    return None if frame.jpeg is None else _small_gray_of_jpeg(frame.jpeg)


def small_gray_of_pixels(pixels: NDArray[np.uint8]) -> NDArray[np.uint8] | None:
    """The same for `(height, width, 3) uint8, BGR` or `(height, width) uint8`."""
    if pixels.size == 0:
        return None
    small = fitted(pixels, SMALL_WIDTH, SMALL_HEIGHT)
    return small if small.ndim == 2 else _as_uint8(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY))


def fitted(pixels: NDArray[np.uint8], width: int, height: int) -> NDArray[np.uint8]:
    """The picture shrunk to fit into `width` x `height`; a smaller one as it is."""
    high, wide = pixels.shape[:2]
    scale = min(width / wide, height / high)
    if scale >= 1.0:
        return pixels
    size = max(1, round(wide * scale)), max(1, round(high * scale))
    return _as_uint8(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA))


def working_picture(frame: Frame) -> NDArray[np.uint8] | None:
    """The frame as `(height, width, 3) uint8, BGR`, at most 320x240, or None where it is broken.

    The shape of the picture is kept, so 1280x720 becomes 320x180, decoded no larger than
    that needs.
    """
    pixels = frame.pixels if frame.jpeg is None else _small_colour_of_jpeg(frame.jpeg)
    return None if pixels is None else working_picture_of_pixels(pixels)


def working_picture_of_pixels(pixels: NDArray[np.uint8]) -> NDArray[np.uint8] | None:
    """The same for `(height, width, 3) uint8, BGR` or `(height, width) uint8`."""
    if pixels.size == 0:
        return None
    small = fitted(pixels, WORKING_WIDTH, WORKING_HEIGHT)
    return _as_uint8(cv2.cvtColor(small, cv2.COLOR_GRAY2BGR)) if small.ndim == 2 else small


def encoded(frame: Frame) -> bytes | None:
    """The frame as JPEG: the source's own bytes, or encoded now. None where that can't be done."""
    if frame.jpeg is not None or frame.pixels is None:
        return frame.jpeg
    done, data = cv2.imencode(".jpg", frame.pixels, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    return data.tobytes() if done else None


def narrower(jpeg: bytes, width: int) -> bytes | None:
    """The picture at most so wide, as JPEG; as it is where it is no wider, None where it is broken.

    Decoded no larger than that needs.
    """
    size = picture_size(jpeg)
    if size is None or size[0] <= width:
        return jpeg if size is not None else None
    pixels = _decoded(jpeg, width, size[1], _REDUCED_COLOUR, cv2.IMREAD_COLOR)
    if pixels is None:
        return None
    small = fitted(pixels, width, size[1])
    done, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, NARROW_QUALITY])
    return data.tobytes() if done else None


def packed_anew(frame: Frame, width: int, height: int) -> bytes | None:
    """The frame as a JPEG of ours that fits into `width` x `height`, None where it is broken.

    None of the bytes that a camera has sent are in it.
    """
    pixels = frame.pixels
    if frame.jpeg is not None:
        pixels = _decoded(frame.jpeg, width, height, _REDUCED_COLOUR, cv2.IMREAD_COLOR)
    if pixels is None or pixels.size == 0:
        return None
    small = fitted(pixels, width, height)
    return encoded(Frame(frame.t_s, frame.number, pixels=small))


def _small_gray_of_jpeg(jpeg: bytes) -> NDArray[np.uint8] | None:
    gray = _decoded(jpeg, SMALL_WIDTH, SMALL_HEIGHT, _REDUCED, cv2.IMREAD_GRAYSCALE)
    return None if gray is None else small_gray_of_pixels(gray)


def _small_colour_of_jpeg(jpeg: bytes) -> NDArray[np.uint8] | None:
    return _decoded(jpeg, WORKING_WIDTH, WORKING_HEIGHT, _REDUCED_COLOUR, cv2.IMREAD_COLOR)


def _decoded(
    jpeg: bytes, width: int, height: int, reduced: dict[int, int], whole: int
) -> NDArray[np.uint8] | None:
    """Decode as coarsely as possible without falling below the size wanted."""
    size = picture_size(jpeg)
    if size is None:
        return None
    divisor = max((d for d in reduced if size[0] >= d * width or size[1] >= d * height), default=1)
    try:
        picture = cv2.imdecode(np.frombuffer(jpeg, np.uint8), reduced.get(divisor, whole))
    except cv2.error:
        return None
    return None if picture is None else _as_uint8(picture)


def _as_uint8(picture: object) -> NDArray[np.uint8]:
    return np.asarray(picture, dtype=np.uint8)
