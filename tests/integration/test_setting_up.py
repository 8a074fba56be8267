"""A real service on a board that is not well: it says so by alarm, by health and to its owner."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from boards import BoardTree
from running import RunningService, wait_until

SOON_S = 45.0  # generous: for a computer that does other things as well
CHAMBER = """
[chamber]
name = "North bench"
enclosure = ["metal"]

[[sensor]]
name = "top"
driver = "simulated"

[simulation]
scenario = "quiet_job"
speed = 10
"""
# The service reads the files of a board under another root.
ELSEWHERE = """
from pathlib import Path
from stillair.runtime import setting_up, wiring
setting_up.QUIET_S = 0.0  # told with the first look
read = wiring.read_board
wiring.read_board = lambda folder, at, **more: read(folder, at, root=Path({root}), **more)
"""


@pytest.fixture
def service(tmp_path: Path) -> Iterator[RunningService]:
    tree = BoardTree(tmp_path / "root")
    tree.throttled(0x50005)
    tree.zone(84.5)
    tree.own_clock(0)  # its battery is empty
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(CHAMBER)
    before = ELSEWHERE.format(root=json.dumps(str(tree.root)))
    with RunningService(tmp_path / "data", "--chamber", str(chamber), before=before) as running:
        yield running


def test_a_board_that_is_not_well_is_told_while_it_watches(service: RunningService) -> None:
    def told() -> set[str]:
        return {str(event["kind"]) for event in service.events() if event["change"] == "raised"}

    wait_until(lambda: {"power_fault", "board_fault"} <= told(), within_s=SOON_S)
    assert service.get("/api/health")["status"] == "impaired"
    texts = wait_until(
        lambda: [a["text"] for a in service.now()["alarms"] if a["kind"] == "power_fault"],
        within_s=SOON_S,
    )
    assert "Use a supply made for this board" in texts[0]
    found = {f["thing"]: f for f in service.get("/api/setting-up")["items"]}
    assert {t for t, f in found.items() if f["state"] == "unfit"} >= {"supply", "board's heat"}
    assert all(f["remedy"] for f in found.values() if f["state"] == "unfit")
    assert found["owner"]["remedy"] == "make an owner, on the page People"
    assert found["sensor top"]["state"] == "fit"
    assert found["disk"]["state"] == "fit"
    assert "chamber file" not in found
