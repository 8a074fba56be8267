"""What may pause a camera, and what is made of wishes that a file holds."""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import pytest

from kept_things import event
from stillair.clock import ManualClock
from stillair.errors import CommandRefused, Refusal
from stillair.model import EventChange, Kind
from stillair.runtime.chamber import Chamber
from stillair.runtime.pausing import FILE_NAME, LONGEST_S, Pausing


@dataclass
class Eye:
    until_s: float | None = None

    def pause(self, until_s: float, reason: str) -> None:
        self.until_s = until_s

    def go_on(self) -> None:
        self.until_s = None


@dataclass
class View:
    events: tuple[EventChange, ...] = ()


@dataclass
class Loop:
    view: View = field(default_factory=View)


@dataclass
class Bench:
    """As much of a chamber as pausing asks for."""

    clock: ManualClock = field(default_factory=ManualClock)
    key: str = "bench"
    speed: float = 1.0
    camera: Eye | None = field(default_factory=Eye)
    supervisor: Loop = field(default_factory=Loop)


def pausing(folder: Path, bench: Bench) -> Pausing:
    return Pausing(folder, lambda: [cast("Chamber", bench)], bench.clock)


@pytest.mark.parametrize("kind", [Kind.FIRE, Kind.FLAME, Kind.SMOKE])
def test_a_camera_that_sees_danger_goes_on_looking(tmp_path: Path, kind: Kind) -> None:
    bench = Bench()
    bench.supervisor.view.events = (event(1, kind=kind),)
    with pytest.raises(CommandRefused) as told:
        pausing(tmp_path, bench).pause("bench", 600.0, by="cox")
    assert told.value.refusal is Refusal.CONFLICT
    assert bench.camera == Eye(None)


def test_no_camera_is_said(tmp_path: Path) -> None:
    bench = Bench(camera=None)
    for act in (
        lambda: pausing(tmp_path, bench).pause("bench", 60.0, by="cox"),
        lambda: pausing(tmp_path, bench).go_on("bench"),
    ):
        with pytest.raises(CommandRefused) as told:
            act()
        assert told.value.refusal is Refusal.UNKNOWN


def test_a_wish_outlives_a_restart_until_its_time_is_up(tmp_path: Path) -> None:
    bench = Bench()
    assert pausing(tmp_path, bench).pause("bench", 600.0, by="cox")
    bench.camera = Eye()
    bench.clock.advance(200.0)
    pausing(tmp_path, bench).restore()
    assert bench.camera.until_s == pytest.approx(bench.clock.now_s() + 400.0)
    bench.camera = Eye()
    bench.clock.advance(401.0)
    pausing(tmp_path, bench).restore()
    assert bench.camera == Eye(None)


def test_who_lets_it_go_on_ends_the_wish(tmp_path: Path) -> None:
    bench = Bench()
    pausing(tmp_path, bench).pause("bench", 600.0, by="cox")
    pausing(tmp_path, bench).go_on("bench")
    assert bench.camera == Eye(None)
    pausing(tmp_path, bench).restore()
    assert bench.camera == Eye(None)


def test_a_wish_that_is_over_does_not_come_back_with_a_clock_that_is_behind(
    tmp_path: Path,
) -> None:
    bench = Bench()
    pausing(tmp_path, bench).pause("bench", 600.0, by="cox")
    bench.clock.advance(599.0)
    pausing(tmp_path, bench).tidy()
    assert (tmp_path / FILE_NAME).exists()
    bench.clock.advance(1.0)
    pausing(tmp_path, bench).tidy()
    behind = Bench(camera=Eye())
    pausing(tmp_path, behind).restore()
    assert behind.camera == Eye(None)


def test_wishes_for_several_chambers_at_once_are_all_kept(tmp_path: Path) -> None:
    benches = [Bench(key=f"bench-{number}") for number in range(8)]
    of_all = Pausing(tmp_path, lambda: [cast("Chamber", each) for each in benches], ManualClock())
    wishing = [
        threading.Thread(target=of_all.pause, args=(each.key, 600.0), kwargs={"by": "cox"})
        for each in benches
    ]
    for each in wishing:
        each.start()
    for each in wishing:
        each.join()
    assert len(json.loads((tmp_path / FILE_NAME).read_text())) == 8


def test_a_wrong_clock_pauses_no_longer_than_anybody_may(tmp_path: Path) -> None:
    bench = Bench()
    (tmp_path / FILE_NAME).write_text(json.dumps({"bench": [9e12, "cox"]}))
    pausing(tmp_path, bench).restore()
    assert bench.camera == Eye(bench.clock.now_s() + LONGEST_S)


@pytest.mark.parametrize(
    "content", ["", "[]", "{", '{"bench": 7}', '{"bench": ["x", "y"]}', '{"bench": [NaN, "y"]}']
)
def test_a_file_that_holds_nothing_of_use_is_passed_over(tmp_path: Path, content: Any) -> None:
    bench = Bench()
    (tmp_path / FILE_NAME).write_text(content)
    pausing(tmp_path, bench).restore()
    assert bench.camera == Eye(None)
