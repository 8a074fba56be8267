"""A job that a watch followed live, kept on real files, and watched again."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from stillair.errors import InputError, ReadingFault
from stillair.model import (
    ContactKind,
    ContactState,
    FinishJob,
    Kind,
    PauseJob,
    Place,
    Reading,
    ResumeJob,
    StartJob,
    Stimulus,
    Tick,
    Timeline,
)
from stillair.runtime.whatif import what_if
from stillair.storage.archive import Archive
from stillair.storage.journal import Journal
from stillair.thermal.plan import SensorPlan, ThermalPlan
from stillair.watch import ContactPlan, Watch, WatchPlan

BOOT = Timeline("boot", 1_790_000_000.275)
AIR = ("top", "low")
PLAN = WatchPlan(
    "shed",
    "Shed",
    ThermalPlan(
        (*(SensorPlan(name, Place.CHAMBER) for name in AIR), SensorPlan("room", Place.ROOM)),
        target_c=45.0,
        limit_c=70.0,
    ),
    contacts=(ContactPlan("door", ContactKind.DOOR),),
)
JOB_S = 4000.4
UNWATCHED = range(8400, 8500)
LAST_S = 9000
FAULTS = {  # of "low", told by its driver, each too short to be told by silence
    (4600.0, 4615.0): ReadingFault.SILENT,
    (8200.0, 8215.0): ReadingFault.OPEN_CIRCUIT,
}


def air_c(t_s: float) -> float:
    """45 degrees; a door at 5,000 s, and half an hour's pause from 6,000 s in which it cools."""
    door_k = 9.0 * min(1.0, (t_s - 5000.0) / 40.0) if 5000.0 <= t_s < 5060.0 else 0.0
    if t_s >= 5060.0:
        door_k = 9.0 * math.exp(-(t_s - 5060.0) / 60.0)
    paused_k = 0.0
    if t_s >= 6000.0:
        paused_k = 6.0 * (1.0 - math.exp(-(min(t_s, 7800.0) - 6000.0) / 400.0))
    if t_s >= 7800.0:
        paused_k *= math.exp(-(t_s - 7800.0) / 100.0)
    return 45.0 - door_k - paused_k + 0.06 * math.sin(t_s)


def told(t_s: float) -> Iterator[Stimulus]:
    """What happens in the second before a tick, and with it."""
    commands: dict[int, Stimulus] = {
        4001: StartJob(t_s=JOB_S, by="", name="Oarlocks", material="ABS"),
        6001: PauseJob(t_s=6000.7, by="", job="shed-1"),
        7801: ResumeJob(t_s=7800.2, by="", job="shed-1"),
        8901: FinishJob(t_s=8900.6, by="", job="shed-1"),
        1: ContactState("door", ContactKind.DOOR, 1.0, False),
        5001: ContactState("door", ContactKind.DOOR, 5000.3, True),
        5061: ContactState("door", ContactKind.DOOR, 5060.6, False),
    }
    if int(t_s) in commands:
        yield commands[int(t_s)]
    for name in AIR:
        if name == "low" and 4300.0 <= t_s < 4400.0:
            continue  # it says nothing, and nobody tells why
        fault = next((f for (start, end), f in FAULTS.items() if start <= t_s < end), None)
        fault = fault if name == "low" else None
        yield Reading(name, t_s, None if fault else air_c(t_s), fault)
    yield Reading("room", t_s, 20.0)
    yield Tick(t_s)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kept")
    journal, archive = Journal(folder / "journal.db"), Archive(folder / "archive.db")
    watch = Watch(PLAN)
    for second in range(1, LAST_S):
        if second in UNWATCHED:
            continue
        for stimulus in told(float(second)):
            outcome = watch.step(stimulus)
            if not outcome.empty:
                journal.commit(outcome, BOOT)
            if isinstance(stimulus, Reading):
                at_s = BOOT.epoch_s(stimulus.t_s)
                archive.add("shed", stimulus.sensor, at_s, stimulus.temperature_c)
    archive.flush()
    archive.close()
    journal.close()
    return folder


def test_the_same_settings_tell_the_same(kept: Path) -> None:
    """With what a switch and a driver told, what a pause kept silent, and where nobody watched."""
    found = what_if(kept, "shed-1", None, PLAN)
    assert [(d.what, d.before, d.after) for d in found if d.what != "same"] == []
    kinds = {d.after.kind for d in found if d.after}
    assert {Kind.DOOR_OPEN, Kind.SENSOR_FAULT} <= kinds
    assert [d.after.kind for d in found if d.after].count(Kind.SENSOR_FAULT) == 3
    assert Kind.BELOW_TARGET not in kinds, "what cools in a pause is no news"


def test_other_settings_tell_what_they_change(kept: Path) -> None:
    warmer = replace(PLAN, thermal=replace(PLAN.thermal, target_c=52.0))
    for before in (None, PLAN):
        found = what_if(kept, "shed-1", before, warmer)
        assert Kind.BELOW_TARGET in {d.after.kind for d in found if d.what == "new" and d.after}


def test_settings_of_another_chamber_are_refused(kept: Path) -> None:
    other = replace(PLAN, chamber="loft", name="Loft")
    for before, after in ((None, other), (other, PLAN)):
        with pytest.raises(InputError, match=r"'shed'.*'loft'"):
            what_if(kept, "shed-1", before, after)


def test_settings_that_name_none_of_its_sensors_are_refused(kept: Path) -> None:
    thermal = replace(PLAN.thermal, sensors=(SensorPlan("door side", Place.CHAMBER),))
    with pytest.raises(InputError, match="low, room, top"):
        what_if(kept, "shed-1", None, replace(PLAN, thermal=thermal))
