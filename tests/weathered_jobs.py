"""A kept job of three bushings, whose layers' weather can be told."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

from kept_things import BOOT, CHAMBER, event, job
from running import RunningService
from stillair.jobs.toolpath import Toolpath
from stillair.jobs.toolpath.analysis import analyse
from stillair.model import Change, EventChange, Job, JobPhase, Outcome
from stillair.runtime.weathering import Weathered
from stillair.simulation.toolpaths import BUSHING, Build, toolpath_lines
from stillair.storage import toolpaths
from stillair.storage.archive import Archive
from stillair.storage.journal import Journal
from stillair.storage.layers import packed

BUILD = Build(BUSHING, places=((70.0, 100.0), (100.0, 100.0), (130.0, 100.0)))
HEAT_UP_S = 1200.0
ASKED = Weathered(f"{CHAMBER}-1", CHAMBER, ("top", "low"), BOOT.epoch_s(86_400.0))


@cache
def whole_file() -> bytes:
    """Made once it is asked for: every process of a check loads this, and few use it."""
    return "".join(toolpath_lines(BUILD)).encode()


@cache
def bushings() -> Toolpath:
    return analyse([whole_file()])


class Shed:
    """A kept job of three bushings at 55 degrees, with the door open for three minutes."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.journal = Journal(folder / "journal.db")
        self.archive = Archive(folder / "archive.db")
        self.path = bushings()

    def build(self, *, material: str = "ASA", opened_s: float | None = None) -> Job:
        """`opened_s`: when the door was opened, after the first layer was begun."""
        over_s = HEAT_UP_S + self.path.whole.duration_s * 1.03
        low_c = {"top": 56.0, "low": 54.0}
        for second in range(0, int(over_s) + 600, 5):
            cold_k = 0.0
            if opened_s is not None:
                since_s = second - HEAT_UP_S - opened_s
                cold_k = 25.0 * (0.0 <= since_s < 180.0)
            for sensor, air_c in low_c.items():
                self.archive.add(CHAMBER, sensor, BOOT.epoch_s(float(second)), air_c - cold_k)
        events: tuple[EventChange, ...] = ()
        if opened_s is not None:
            begun_s = HEAT_UP_S + opened_s
            raised = replace(event(1, Change.RAISED, begun_s), onset_s=begun_s, job=f"{CHAMBER}-1")
            cleared = replace(
                raised, change=Change.CLEARED, at_s=begun_s + 180.0, end_s=begun_s + 180.0
            )
            events = (raised, cleared)
        built = replace(
            job(1, JobPhase.FINISHED, 0.0), material=material, finished_s=over_s, box="real 1"
        )
        self.journal.commit(Outcome(CHAMBER, over_s, events=events, jobs=(built,)), BOOT)
        self.archive.flush()
        return built

    def follow(self) -> None:
        toolpaths.add(
            self.journal,
            "bushings",
            chamber=CHAMBER,
            name="bushings",
            source="",
            size_bytes=len(whole_file()),
            at_us=0,
        )
        toolpaths.keep(self.journal, "bushings", self.path.whole, packed(self.path))
        toolpaths.follow(self.journal, ASKED.job, "bushings", 0)

    def close(self) -> None:
        """Let go of what is kept, so that a service can take it over."""
        self.archive.close()
        self.journal.close()


CHAMBER_FILE = """
[chamber]
name = "North bench"
enclosure = ["plywood"]

[[sensor]]
name = "top"
driver = "simulated"

[simulation]
scenario = "boat_shed_day"
"""


def service_beside(folder: Path) -> RunningService:
    """A service that has kept a job of three bushings, whose door stood open for 3 minutes."""
    data, chamber = folder / "data", folder / "chamber.toml"
    data.mkdir()
    made = Shed(data)
    made.build(opened_s=made.path.whole.duration_s / 2.0)
    made.follow()
    made.close()
    chamber.write_text(CHAMBER_FILE)
    return RunningService(data, "--chamber", str(chamber))
