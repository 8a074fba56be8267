"""From a fresh data directory to a watched chamber without an editor, by the API alone."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest

from chips import OneWireTree
from running import RunningService, wait_until
from stillair.model import Timeline
from stillair.runtime.chamber_file import ChamberFile, digest_of
from stillair.runtime.chamber_trial import Trial
from stillair.storage.journal import Journal
from unnamed_chips import ROOM, TOP, first_start, two_chips

SOON_S = 60.0
SHED = {"do": "chamber", "name": "North bench", "enclosure": ["plywood", "foam"], "target_c": 45}


def files(service: RunningService) -> dict[str, Any]:
    """What is told of the only chamber file."""
    (found,) = service.get("/api/chamber-files")["items"]
    return dict(found)


def tried(service: RunningService) -> None:
    """Wait until what was written last has been watched by for long enough."""
    wait_until(lambda: not service.get("/api/chamber-files")["on_trial"], within_s=SOON_S)


def asked(service: RunningService, path: str, *changes: dict[str, Any]) -> httpx.Response:
    now = files(service)
    body = {"chamber": now["chamber"], "base": now["base"], "changes": list(changes)}
    return service.web.post(f"/api/chamber-files{path}", json=body)


def changed(service: RunningService, *changes: dict[str, Any]) -> float:
    """Write them; returns how long that took until it answers again, by the new file."""
    tried(service)
    before = files(service)["base"]
    begun_s = time.monotonic()  # it may be gone before its answer is read
    answer = asked(service, "", *changes)
    assert answer.status_code == 202, answer.text
    come_back(service, before)
    return time.monotonic() - begun_s


def come_back(service: RunningService, before: str) -> None:
    def anew() -> bool:
        try:
            now = files(service)
        except httpx.TransportError:
            return False
        return bool(now["base"] != before and not now["by_hand"])

    wait_until(anew, within_s=SOON_S)


@pytest.fixture
def tree(tmp_path: Path) -> OneWireTree:
    return two_chips(tmp_path)


@pytest.fixture
def service(tmp_path: Path, tree: OneWireTree) -> Iterator[RunningService]:
    with first_start(tmp_path, tree) as running:
        yield running


HOSTILE = [
    pytest.param([], id="none"),
    pytest.param([{"do": "camera", "source": "command:touch /tmp/x"}], id="a program"),
    pytest.param(
        [{"do": "add sensor", "name": "x", "address": "../../../etc/passwd"}], id="a path"
    ),
    pytest.param([{"do": "chamber", "name": "\x00"}], id="a zero byte"),
    pytest.param([{"do": "chamber", "name": "\ud800"}], id="half a letter"),
    pytest.param([{"do": "chamber", "target_c": 1e308}], id="a huge number"),
    pytest.param([{"do": "chamber", "name": 'x"\n[stop]\ncommand = "true'}], id="another table"),
    pytest.param([{"do": "sensor", "of": "x" * 900}], id="nobody's"),
    pytest.param([{"do": "chamber"}] * 61, id="too many"),
    pytest.param({"do": "chamber"}, id="no list"),
    pytest.param([[[[[]]]]], id="lists in lists"),
]


def refuses_what_is_hostile(service: RunningService) -> None:
    """Each a clear error, and nothing is written."""
    for case in HOSTILE:
        (changes,) = case.values
        for path in ("", "/proposal"):
            body = {"chamber": "boat-shed-north-bench", "base": "", "changes": changes}
            answer = service.web.post(
                f"/api/chamber-files{path}",
                content=json.dumps(body),
                headers={"content-type": "application/json"},
            )
            assert answer.status_code == 422, (case.id, answer.text)
            assert len(answer.text) < 20_000, case.id
    wrong = {"chamber": "nobody's", "base": "", "changes": [SHED]}
    assert service.web.post("/api/chamber-files", json=wrong).status_code == 404
    assert not (service.folder / "chamber.toml").exists()


def test_from_nothing_to_two_sensors_that_are_watched(
    service: RunningService, tree: OneWireTree
) -> None:
    own = service.folder / "chamber.toml"
    assert service.now()["simulated"], "nobody has set anything up"
    wait_until(lambda: service.get("/api/jobs")["items"], within_s=SOON_S)
    refuses_what_is_hostile(service)
    assert not own.exists()

    # Which is which: one is warmed between two fingers.
    def found() -> dict[str, Any]:
        return {s["address"]: s for s in service.get("/api/finding")["sensors"]}

    wait_until(lambda: set(found()) == {TOP, ROOM}, within_s=SOON_S)
    wait_until(lambda: all(s["rise_k"] == 0 for s in found().values()), within_s=SOON_S)
    tree.warm_to(TOP, 22.5)
    wait_until(lambda: found()[TOP]["rise_k"] == 3.5, within_s=SOON_S)
    assert found()[ROOM]["rise_k"] == 0
    service.post("/api/finding/anew")
    assert found()[TOP]["rise_k"] == 0

    top = {"do": "add sensor", "name": "top", "address": TOP, "drawn_at": [0.3, 0.9]}
    room = {"do": "add sensor", "name": "room", "address": ROOM, "place": "room"}
    proposed = asked(service, "/proposal", SHED, top, room)
    assert proposed.status_code == 200, proposed.text
    where = "in the chamber's air, drawn 30% from the left wall, 90% up from the floor."
    assert f"New sensor “top”: {TOP}, {where}" in proposed.json()["words"]
    assert not own.exists(), "only asked"

    gone_s = changed(service, SHED, top, room)
    gap_s = service.get("/api/chamber-files")["gap_s"]
    assert 0 < gap_s <= gone_s + 0.1, "it is told for how long nothing was watched"
    now = service.now()
    assert not now["simulated"]
    assert now["name"] == "North bench"
    wait_until(
        lambda: [s["temperature_c"] for s in service.now()["sensors"]] == [22.5, 18.5],
        within_s=SOON_S,
    )
    assert service.now()["sensors"][0]["drawn_at"] == [0.3, 0.9]
    assert own.stat().st_mode & 0o777 == 0o600
    assert service.get("/api/jobs")["items"] == [], "what was simulated is among nothing real"
    assert (service.folder / "simulated-before" / "journal.db").exists(), "nor is it gone"
    # What somebody writes by hand stays, and a page that has not seen it is refused.
    base = files(service)["base"]
    own.write_text(own.read_text().replace('name = "top"', 'name = "top"  # red tape') + "# end\n")
    assert files(service)["by_hand"]
    body = {"chamber": "north-bench", "changes": [{"do": "chamber", "target_c": 50}]}
    tried(service)
    stale = service.web.post("/api/chamber-files", json={**body, "base": base})
    assert stale.status_code == 409
    assert "changed meanwhile" in stale.json()["detail"]
    by_hand = own.read_text()

    service.post("/api/jobs", {"name": "Oarlock bushings"})
    changed(service, {"do": "chamber", "target_c": 50})
    assert own.read_text() == by_hand.replace("target_c = 45", "target_c = 50")
    assert service.now()["target_c"] == 50
    assert service.now()["job"]["name"] == "Oarlock bushings", "it goes on"
    renamed = asked(service, "/proposal", {"do": "chamber", "name": "South bench"})
    assert renamed.status_code == 409, "its job would be left behind"

    wait_until(lambda: files(service)["undo"] is not None, within_s=SOON_S)
    undo = files(service)
    assert undo["undo"]["words"] == ["The target: 50 °C. It was 45 °C."]
    service.post("/api/chamber-files/undo", {"chamber": "north-bench", "base": undo["base"]})
    come_back(service, undo["base"])
    assert own.read_text() == by_hand
    again = {"chamber": "north-bench", "base": files(service)["base"]}
    tried(service)
    assert service.web.post("/api/chamber-files/undo", json=again).status_code == 409


@pytest.mark.parametrize("real", [False, True], ids=["nothing is kept", "a real box's history is"])
def test_no_simulated_job_comes_among_what_is_kept_of_a_real_box(
    tmp_path: Path, real: bool
) -> None:
    """As where the first chamber file was undone: the built-in chamber is watched again."""
    data = tmp_path / "data"
    data.mkdir()
    if real:
        journal = Journal.open(data / "journal.db")
        journal.mark_seen("north-bench", Timeline("boot", time.time()), 0.0)
        journal.close()
    with RunningService(data) as service:
        begun = service.get("/api/now")["at"]

        def has_lived() -> bool:
            """With a job, or for longer than the script takes to begin one."""
            now = service.now()
            lived = datetime.fromisoformat(now["at"]) - datetime.fromisoformat(begun)
            return now["job"] is not None or lived.total_seconds() > 8.0

        wait_until(has_lived, within_s=SOON_S)
        assert service.now()["simulated"]
        if real:
            assert service.get("/api/jobs")["items"] == []
        else:  # the page hears of a job before the disk does, where the list comes from
            wait_until(lambda: service.get("/api/jobs")["items"], within_s=SOON_S)


def test_settings_that_do_not_come_up_are_put_back_and_the_page_says_so(tmp_path: Path) -> None:
    """As the page has left it: written and on trial, but its recording can't be played."""
    data = tmp_path / "data"
    data.mkdir()
    good, broken = tmp_path / "good.csv", tmp_path / "broken.csv"
    rows = "".join(f"{at_s},{20 + at_s / 100:.2f}\n" for at_s in range(0, 3600, 10))
    good.write_text(f"time_s,top\n{rows}")
    broken.write_text("time_s,top\n0,warm\n")
    text = """
# ours
[chamber]
name = "North bench"
enclosure = ["metal"]

[[sensor]]
name = "top"
driver = "recording"
file = "{file}"
column = "top"
"""
    own = ChamberFile(data / "chamber.toml")
    old, new = text.format(file=good), text.format(file=broken)
    own.write(old, "")
    trial = Trial(data, lambda: datetime.now(UTC))
    trial.change(own, digest_of(old), new, ["Another recording."], "bench captain")
    # As ./deploy/start begins: a season is for the simulated chamber, and no real one gets it.
    with RunningService(data, "--season") as service:
        assert service.get("/api/jobs")["items"] == []
        assert own.path.read_text() == old
        assert service.now()["name"] == "North bench"
        returned = service.get("/api/chamber-files")["returned"]
        assert returned["words"] == ["Another recording."]
        assert "warm" in returned["why"] or "broken.csv" in returned["why"]
        todo = {f["thing"]: f["state"] for f in service.get("/api/setting-up")["items"]}
        assert todo["chamber file"] == "unfit", "the first page says so, too"
        service.post("/api/chamber-files/seen")
        assert service.get("/api/chamber-files")["returned"] is None
        assert "chamber file" not in {f["thing"] for f in service.get("/api/setting-up")["items"]}
