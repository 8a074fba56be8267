"""A screenshot as a PNG of few colours, a third of the usual size, fit to be committed."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

COLOURS = 240
SAMPLE = 20_000  # pixels from which the colours are chosen


def make_small(file: Path) -> None:
    """Write the PNG `file` anew with a palette (PNG specification, colour type 3)."""
    image = cv2.imread(str(file))
    assert image is not None
    pixels = image.reshape(-1, 3).astype(np.float32)
    palette = _palette(pixels)
    colours, which = np.unique(image.reshape(-1, 3), axis=0, return_inverse=True)
    index = _nearest(colours.astype(np.uint8), palette)[which].reshape(image.shape[:2])
    height, width = index.shape
    rows = b"".join(b"\0" + row.tobytes() for row in index)
    file.write_bytes(
        b"\x89PNG\r\n\x1a\n"
        + _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 3, 0, 0, 0))
        + _chunk(b"PLTE", palette[:, ::-1].tobytes())
        + _chunk(b"IDAT", zlib.compress(rows, 9))
        + _chunk(b"IEND", b"")
    )


def _palette(pixels: NDArray[np.float32]) -> NDArray[np.uint8]:
    """The colours that most pixels are near to, blue first."""
    cv2.setRNGSeed(1)
    sample = pixels[np.random.default_rng(1).choice(len(pixels), SAMPLE)]
    end = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 10, 1.0)
    none = np.zeros((SAMPLE, 1), np.int32)
    _, _, centres = cv2.kmeans(sample, COLOURS, none, end, 1, cv2.KMEANS_PP_CENTERS)
    return np.round(centres).astype(np.uint8)


def _nearest(colours: NDArray[np.uint8], palette: NDArray[np.uint8]) -> NDArray[np.uint8]:
    apart = colours[:, None, :].astype(np.int32) - palette[None, :, :]
    nearest: NDArray[np.uint8] = (apart**2).sum(axis=2).argmin(axis=1).astype(np.uint8)
    return nearest


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
