"""The page offers the materials that the service has figures of."""

from __future__ import annotations

import json
import re
from pathlib import Path

from stillair.model.materials import MATERIALS, NAMES, material

OFFERED = Path(__file__).parents[2] / "web" / "js" / "materials.js"


def test_the_page_offers_what_the_table_has() -> None:
    (listed,) = re.findall(r"MATERIALS = (\[.*?\]);", OFFERED.read_text())
    offered: list[str] = json.loads(listed)
    assert [name for name in offered if material(name) is None] == []
    assert set(NAMES) <= set(offered)
    assert [material(name) for name in NAMES] == list(MATERIALS.values())
