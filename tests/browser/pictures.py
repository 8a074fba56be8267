"""The README's pictures: taken where a story of a test is at that very point.

Nothing is drawn unless STILLAIR_PICTURES=1 is set, so a check leaves the kept ones alone.
"""

from __future__ import annotations

import os
from pathlib import Path

import cv2
import numpy as np
from playwright.sync_api import FloatRect, Locator, Page

PICTURES = Path(__file__).resolve().parents[2] / "web" / "pictures"
LARGEST_BYTES = 100_000
# From crisp to less so: the first that is small enough is kept.
QUALITIES = (85, 80, 75, 70, 65, 60, 50)


def drawn_anew() -> bool:
    """Whether the pictures are to be drawn."""
    return os.environ.get("STILLAIR_PICTURES") == "1"


def for_the_readme(page: Page, name: str, *, first: Locator | None = None, last: Locator) -> None:
    """Keep what stands between two parts of the page as the README's picture `name`.

    From the top of `first` (else of the page) to the bottom of `last`, as wide as the page.
    """
    if not drawn_anew():
        return
    page.emulate_media(reduced_motion="reduce")
    page.evaluate("scrollTo(0, 0)")
    page.wait_for_timeout(1_500)  # what is still fetched, as the camera's picture
    top_px = 0.0 if first is None else _edges(first)[0] - 8
    clip: FloatRect = {
        "x": 0,
        "y": max(0.0, top_px),
        "width": page.evaluate("innerWidth"),
        "height": _edges(last)[1] + 8 - max(0.0, top_px),
    }
    shot = np.frombuffer(page.screenshot(full_page=True, clip=clip), np.uint8)
    image = cv2.imdecode(shot, cv2.IMREAD_COLOR)
    assert image is not None
    for quality in QUALITIES:
        done, data = cv2.imencode(".webp", image, [cv2.IMWRITE_WEBP_QUALITY, quality])
        if done and len(data) <= LARGEST_BYTES:
            (PICTURES / f"{name}.webp").write_bytes(bytes(data))
            return
    raise AssertionError(f"{name}: too large a picture for a page that is read on a telephone")


def _edges(part: Locator) -> tuple[float, float]:
    """Top and bottom in the whole page, whose scrolling is at its top."""
    box = part.bounding_box()
    assert box is not None
    return box["y"], box["y"] + box["height"]
