"""Ink on its ground can be read: AA for all words, AAA for alarms, by day and by night.

And words are of one scale of sizes.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

SHEET = Path(__file__).resolve().parents[2] / "web" / "stillair.css"
AA, AAA = 4.5, 7.0


def tokens() -> dict[str, dict[str, str]]:
    """The colours of the stylesheet's two schemes."""
    blocks = re.findall(r":root(?::not\(\.on-paper\))? \{(.*?)\}", SHEET.read_text(), re.DOTALL)
    found = [dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block)) for block in blocks]
    return {"light": found[0], "dark": {**found[0], **found[1]}}


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2), from 1 to 21."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(
    ("ink", "ground", "least"),
    [
        pytest.param("ink", "danger-ground", AAA, id="a danger's words"),
        pytest.param("danger", "danger-ground", AAA, id="a danger's shape"),
        pytest.param("danger", "ground", AAA, id="the sentence in danger"),
        pytest.param("danger", "sheet", AAA, id="a refusal"),
        pytest.param("ink", "sheet", AAA, id="any alarm's words"),
        pytest.param("ink", "ground", AAA, id="words"),
        pytest.param("soft", "ground", AA, id="smaller words"),
        pytest.param("soft", "sheet", AA, id="smaller words on a sheet"),
        pytest.param("good", "ground", AA, id="cool enough"),
        pytest.param("must-ink", "must", AA, id="the button to press"),
        pytest.param("caution-ink", "sheet", AA, id="a caution's shape"),
        *(pytest.param(f"line-{n}", "ground", AA, id=f"line {n}") for n in range(1, 6)),
    ],
)
def test_ink_can_be_read_on_its_ground(scheme: str, ink: str, ground: str, least: float) -> None:
    colours = tokens()[scheme]
    assert contrast(colours[ink], colours[ground]) >= least


def test_words_are_of_the_scales_sizes() -> None:
    sizes = re.findall(r"font-size: ([^;]+);", SHEET.read_text())
    assert sizes
    assert [size for size in sizes if size.endswith("px")] == []
