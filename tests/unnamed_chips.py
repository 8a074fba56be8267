"""A first start: no chamber file, and two sensors on a 1-Wire bus that nobody has named."""

from __future__ import annotations

import json
from pathlib import Path

from chips import OneWireTree
from running import RunningService

TOP, ROOM = "28-0000075c2f11", "28-0000075c30a4"
# The usual bus of this computer, until a file names the folder of the bus.
ELSEWHERE = """
from pathlib import Path
from stillair.runtime import finding
finding.USUAL = Path({bus})
"""


def two_chips(folder: Path) -> OneWireTree:
    """The bus, with both sensors as cold as the shed."""
    tree = OneWireTree(folder / "w1")
    tree.warm_to(TOP, 19.0)
    tree.warm_to(ROOM, 18.5)
    return tree


def first_start(folder: Path, tree: OneWireTree) -> RunningService:
    """The service on a computer with that bus, to be entered."""
    before = ELSEWHERE.format(bus=json.dumps(str(tree.bus_dir)))
    return RunningService(folder / "data", before=before)
