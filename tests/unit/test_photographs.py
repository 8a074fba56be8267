"""What becomes of a photograph from outside: small, upright, without what a camera wrote."""

from __future__ import annotations

import os
import struct
import subprocess
import sys
import zlib

import cv2
import numpy as np
import pytest

from stillair.media import photographs
from stillair.media.photographs import ENVIRONMENT, LONGEST_PX, MOST_BYTES, REFUSED, shrunk


def encoded(form: str, width_px: int, height_px: int) -> bytes:
    """A picture with a bright left half."""
    picture = np.zeros((height_px, width_px, 3), np.uint8)
    picture[:, : width_px // 2] = 220
    done, data = cv2.imencode(form, picture)
    assert done
    return bytes(data)


def with_exif(jpeg: bytes, orientation: int) -> bytes:
    """The JPEG with an orientation and a maker's name in its metadata."""
    maker = b"Boat shed camera 7\0"
    tiff = struct.pack("<2sHIH", b"II", 42, 8, 2)
    tiff += struct.pack("<HHIHH", 0x0112, 3, 1, orientation, 0)
    tiff += struct.pack("<HHII", 0x010F, 2, len(maker), 8 + 2 + 24 + 4)
    tiff += struct.pack("<I", 0) + maker
    body = b"Exif\0\0" + tiff
    return jpeg[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + jpeg[2:]


def png_header(width_px: int, height_px: int) -> bytes:
    """A tiny PNG that says it is that large, and holds a long run of nothing."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    size = struct.pack(">IIBBBBB", width_px, height_px, 8, 0, 0, 0, 0)
    rows = zlib.compress(bytes(100_000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", size) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def jpeg_of_size(width_px: int, height_px: int) -> bytes:
    """A small JPEG whose frame says it is that large."""
    jpeg = encoded(".jpg", 64, 64)
    at = jpeg.index(b"\xff\xc0") + 5
    return jpeg[:at] + struct.pack(">HH", height_px, width_px) + jpeg[at + 4 :]


def seen(jpeg: bytes) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    picture = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    return np.asarray(picture, np.uint8)


def in_a_program(data: bytes) -> tuple[int, bytes]:
    done = subprocess.run(
        [sys.executable, "-m", photographs.__name__],
        input=data,
        capture_output=True,
        env=os.environ | ENVIRONMENT,
        timeout=60,
        check=False,
    )
    return done.returncode, done.stdout


@pytest.mark.parametrize("form", [".jpg", ".png", ".webp"])
@pytest.mark.parametrize(
    ("given", "kept"),
    [
        pytest.param((800, 600), (800, 600), id="small as it is"),
        pytest.param((1600, 1200), (1600, 1200), id="just fits"),
        pytest.param((3000, 2000), (1600, 1067), id="too wide"),
        pytest.param((500, 4000), (200, 1600), id="too high"),
        pytest.param((7000, 1000), (1600, 229), id="read at half or less"),
    ],
)
def test_a_photograph_is_made_small(
    form: str, given: tuple[int, int], kept: tuple[int, int]
) -> None:
    picture = seen(shrunk(encoded(form, *given)))
    height_px, width_px = picture.shape[:2]
    assert max(width_px, height_px) <= LONGEST_PX
    assert (width_px, height_px) == pytest.approx(kept, abs=1)
    assert picture[height_px // 2, width_px // 4].min() > 190
    assert picture[height_px // 2, -width_px // 4].max() < 30


def test_a_photograph_stands_upright_and_tells_nothing_of_its_camera() -> None:
    turned = with_exif(encoded(".jpg", 3000, 2000), orientation=6)  # the top was on the right
    assert b"Boat shed camera" in turned
    kept = shrunk(turned)
    assert b"Exif" not in kept
    assert b"Boat shed camera" not in kept
    picture = seen(kept)
    assert picture.shape[:2] == (1600, 1067)
    assert picture[400, 500].min() > 190, "the left half has come to the top"
    assert picture[1200, 500].max() < 30


@pytest.mark.parametrize(
    ("data", "why"),
    [
        pytest.param(b"", "no picture", id="nothing"),
        pytest.param(b"GIF89a" + bytes(100), "no picture", id="another format"),
        pytest.param(b"II*\0" + bytes(100), "no picture", id="a format of many decoders"),
        pytest.param(b"\xff\xd8\xff" + bytes(500), "no picture", id="a JPEG in name"),
        pytest.param(encoded(".png", 64, 64)[:40], "no picture", id="cut off"),
        pytest.param(encoded(".webp", 64, 64)[:30], "no picture", id="WebP cut off"),
        pytest.param(png_header(60_000, 60_000), "40 megapixels", id="bomb"),
        pytest.param(png_header(8_000, 5_001), "40 megapixels", id="a row too many"),
        pytest.param(jpeg_of_size(60_000, 60_000), "40 megapixels", id="JPEG bomb"),
        pytest.param(bytes(MOST_BYTES + 1), "12 MB", id="too many bytes"),
    ],
)
def test_what_is_no_photograph_is_refused(data: bytes, why: str) -> None:
    status, said = in_a_program(data)
    assert status == REFUSED, said[:200]
    assert why in said.decode()


def test_the_largest_that_is_taken_fits_into_its_memory() -> None:
    status, kept = in_a_program(encoded(".jpg", 8_000, 5_000))
    assert status == 0
    assert seen(kept).shape[:2] == (1000, 1600)
