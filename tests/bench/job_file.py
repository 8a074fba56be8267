"""How long the file of a long job takes, and how much memory: 60 h, four sensors, 300 pictures."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from kept_things import BOOT, CHAMBER, job
from stillair.media.files import PictureFiles, new_id
from stillair.model import JobPhase, Outcome
from stillair.storage.archive import Archive
from stillair.storage.journal import Journal
from stillair.storage.pictures import KeptPicture, add, file_name

HOURS, SENSORS, PICTURES, PICTURE_BYTES = 60, ("top", "low", "bed", "room"), 300, 150_000


def fill(folder: Path) -> str:
    """Keep such a job; returns its id."""
    journal, archive = Journal.open(folder / "journal.db"), Archive(folder / "archive.db")
    chance, built = np.random.default_rng(1), job()
    end_s = built.started_s + HOURS * 3600
    journal.commit(Outcome(CHAMBER, built.started_s, jobs=(built,)), BOOT)
    for second in range(HOURS * 3600):
        at_s = BOOT.epoch_s(built.started_s + second)
        for number, sensor in enumerate(SENSORS):
            archive.add(CHAMBER, sensor, at_s, 40.0 + number + (second % 97) / 60)
        if second % 20_000 == 0:
            archive.flush()
    archive.flush()
    files = PictureFiles(folder / "pictures", free_bytes=lambda _: 10**12)
    for number in range(PICTURES):
        id_ = new_id()
        files.write(file_name(id_), chance.bytes(PICTURE_BYTES))
        picture = KeptPicture(
            id=id_,
            chamber=CHAMBER,
            part="still",
            t_s=built.started_s + number,
            timeline=BOOT,
            size_bytes=PICTURE_BYTES,
            job=built.id,
            height_mm=float(number),
            detail={},
        )
        add(journal, picture)
    over = replace(built, state=JobPhase.FINISHED, finished_s=end_s)
    journal.commit(Outcome(CHAMBER, end_s, jobs=(over,)), BOOT)
    archive.close()
    journal.close()
    return built.id


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        asked = {"job": fill(folder), "now_s": time.time(), "air": [], "private": []}
        begun_s = time.monotonic()
        with (folder / "job.zip").open("wb") as to:
            process = subprocess.Popen(
                [sys.executable, "-m", "stillair.runtime.job_file"],
                stdin=subprocess.PIPE,
                stdout=to,
            )
            assert process.stdin is not None
            process.stdin.write(json.dumps({"folder": name, "asked": asked}).encode() + b"\n")
            process.stdin.close()
            _, status, used = os.wait4(process.pid, 0)
        size_mb = (folder / "job.zip").stat().st_size / 1e6
        print(
            f"{HOURS} h, {len(SENSORS)} sensors, {PICTURES} pictures: status {status}, "
            f"{time.monotonic() - begun_s:.1f} s, {size_mb:.0f} MB, "
            f"at most {used.ru_maxrss / 1024:.0f} MB of memory"
        )


if __name__ == "__main__":
    main()
