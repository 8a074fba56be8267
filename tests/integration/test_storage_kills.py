"""Nothing that was told as kept is lost when the process is killed."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from kept_things import BOOT, CHAMBER
from killed_keepers import EPOCH_S, ROW_READINGS, keepers, told_before_kill
from stillair.database import check_soundness
from stillair.storage.archive import Archive
from stillair.storage.history import History
from stillair.storage.journal import Journal

KILLS = 30


def test_acknowledged_outcomes_survive_thirty_kills(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    chance = random.Random(3)
    told: list[list[int]] = []
    with keepers("journal", path) as process:
        for _ in range(KILLS):
            told += told_before_kill(process, "go", chance.randint(1, 12))
    check_soundness(path)
    journal = Journal.open(path)
    history = History(path, tmp_path / "archive.db")
    kept = {}
    after = 0
    while (page := history.entries(after, 1000)).entries:
        kept.update({entry.seq: entry for entry in page.entries})
        after = page.entries[-1].seq
    for number, last_seq in told:
        assert kept[last_seq].body["id"] == f"{CHAMBER}-{number}"
        assert kept[last_seq - 1].body["event"] == number
    numbers = [entry.body["event"] for entry in kept.values() if entry.topic == "event"]
    assert numbers == list(range(1, len(numbers) + 1))
    # All of an outcome or nothing of it: each event has its alarm and its message.
    assert len(kept) == 2 * len(numbers)
    assert len(journal.memory(CHAMBER, BOOT).alarms) == len(numbers)
    assert len(journal.waiting_notices(10**6)) == len(numbers)
    history.close()
    journal.close()


@pytest.mark.parametrize("what", ["archive", "recent"], ids=["in the tail", "in memory first"])
def test_flushed_readings_survive_kills(tmp_path: Path, what: str) -> None:
    path = tmp_path / "archive.db"
    chance = random.Random(4)
    last = -1
    with keepers(what, path) as process:
        for _ in range(KILLS // 2):
            told = told_before_kill(process, str(last + 1), chance.randint(5, 40))
            last = told[-1][0]
    archive = Archive.open(path, row_readings=ROW_READINGS)
    history = History(tmp_path / "journal.db", path, archive)
    rows = list(history.iter_readings(CHAMBER, EPOCH_S - 1, EPOCH_S + last).rows)
    numbers = [round(time_s - EPOCH_S) for time_s, _ in rows]
    assert numbers == list(range(last + 1))
    assert [value for _, (value,) in rows] == [float(number % 100) for number in numbers]
    held = archive.held(CHAMBER, -(10**15), 10**15)["top"]
    assert sum(len(times_ms) for times_ms, _ in held) < 3 * ROW_READINGS
    assert len(list(tmp_path.glob("*-tail-*"))) == 1
    assert np.all(np.diff(held[0][0]) > 0)
    history.close()
    archive.close()
