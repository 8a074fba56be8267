"""How large a whole history is as one file, and how long and how much memory moving it takes.

    python tests/bench/archive.py [--jobs 200] [--days 90] [--sensors 4] [--every-s 1]

A board's history is made, taken out, and brought in on a bare one and once more on the same.
Each is done in a process of its own; peak memory is that process's.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from archived import job_of, picture_of
from kept_things import BOOT, CHAMBER, event
from stillair.model import Change, Outcome
from stillair.runtime.archive_file import export
from stillair.runtime.bringing_in import bring_in
from stillair.storage.archive import Archive
from stillair.storage.journal import Journal

DAY_S = 86_400


def make(folder: Path, jobs: int, days: int, sensors: int, every_s: float) -> None:
    """A board's history: jobs one after the other, each with forty more events."""
    step_s = days * DAY_S / jobs
    with closing(Journal.open(folder / "journal.db")) as journal:
        number = jobs
        for job in range(1, jobs + 1):
            name = job_of(journal, job, job * step_s)
            for more in range(20):
                number += 1
                at_s = job * step_s + 200 + 60 * more
                raised = replace(event(number, at_s=at_s), job=name)
                cleared = replace(event(number, Change.CLEARED, at_s + 30), job=name)
                journal.commit(Outcome(CHAMBER, at_s, events=(raised, cleared)), BOOT)
            picture_of(folder, journal, f"{job:032x}", name)
    chance = np.random.default_rng(1)
    with closing(Archive.open(folder / "archive.db")) as archive:
        for day in range(days):
            for sensor in range(sensors):
                count = round(DAY_S / every_s)
                walk = 45 + np.cumsum(chance.choice([-1, 0, 0, 0, 1], count)) / 16
                for index, value_c in enumerate(walk.tolist()):
                    at_s = BOOT.wall_at_zero_s + day * DAY_S + index * every_s + sensor / 10
                    archive.add(CHAMBER, f"sensor {sensor}", at_s, value_c)
            archive.flush()


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--jobs", type=int, default=200)
    words.add_argument("--days", type=int, default=90)
    words.add_argument("--sensors", type=int, default=4)
    words.add_argument("--every-s", type=float, default=1.0)
    words.add_argument("--step", nargs=3, help=argparse.SUPPRESS)
    asked = words.parse_args()
    if asked.step:
        _step(*asked.step)
        return
    with tempfile.TemporaryDirectory() as where:
        there, here, file = Path(where, "there"), Path(where, "here"), Path(where, "all.zip")
        there.mkdir()
        make(there, asked.jobs, asked.days, asked.sensors, asked.every_s)
        kept_mb = sum(path.stat().st_size for path in there.rglob("*") if path.is_file()) / 1e6
        print(f"kept: {kept_mb:.1f} MB, {asked.jobs} jobs, {asked.days} days")
        for what, folder in (("out", there), ("in", here), ("in", here), ("in", there)):
            step = [sys.executable, __file__, "--step", what, str(folder), str(file)]
            told = json.loads(subprocess.run(step, check=True, capture_output=True).stdout)
            size_mb = file.stat().st_size / 1e6
            print(f"{what} {folder.name}: {told}, file {size_mb:.1f} MB")


def _step(what: str, folder: str, file: str) -> None:
    began_s = time.monotonic()
    if what == "out":
        counts = export(Path(folder), Path(file)).counts.said()
    else:
        counts = bring_in(Path(file), Path(folder)).added.said()
    took_s = time.monotonic() - began_s
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    print(json.dumps({"s": round(took_s, 1), "peak_mb": round(peak_mb), "counts": counts}))


if __name__ == "__main__":
    main()
