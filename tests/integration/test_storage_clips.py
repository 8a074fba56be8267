"""Rows of films in a real journal."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from kept_things import BOOT, CHAMBER
from stillair.model import Timeline
from stillair.storage import clips
from stillair.storage.clips import Clip, Shown
from stillair.storage.history import History
from stillair.storage.journal import Journal


def film(name: str, **other: Any) -> Clip:
    given: dict[str, Any] = {
        "chamber": CHAMBER,
        "part": clips.CLIP,
        "state": clips.MAKING,
        "timeline": BOOT,
        "start_s": 70.0,
        "end_s": 160.0,
        "origin": "real",
        "kind": "smoke",
        "shown": (Shown(1, "door_open", 95.0), Shown(2, "smoke", 100.0)),
        "job": f"{CHAMBER}-1",
    }
    return Clip(id=name, **(given | other))


def films_of_job(history: History) -> list[Any]:
    return list(history.clips().of_job(f"{CHAMBER}-1"))


def test_a_film_is_told_as_it_is_kept(journal: Journal, history: History) -> None:
    paused = ((160.0, None),)
    assert clips.put(journal, film("a"))
    clips.put(journal, film("a", state=clips.KEPT, length_s=90.0, size_bytes=7, paused=paused))
    (item,) = films_of_job(history)
    assert item == history.clips().one("a")
    assert (item["state"], item["kind"], item["event"], item["events"]) == (
        "kept",
        "smoke",
        2,
        [1, 2],
    )
    at = [moment["film_s"] for moment in item["moments"]]
    assert at == [25.0, 30.0]
    clips.pause_over(journal, "a", 200.0)
    (item,) = films_of_job(history)
    (pause,) = item["paused"]
    assert pause["start_at"] == item["end_at"] < pause["end_at"]
    clips.pause_over(journal, "none", 200.0)


def test_pages_of_a_chamber_and_the_time_lapse_last_of_a_job(
    journal: Journal, history: History
) -> None:
    clips.put(journal, film("lapse", part=clips.TIME_LAPSE, kind="", shown=(), start_s=0.0))
    for number in range(5):
        clips.put(journal, film(f"{number}", start_s=70.0 - number))
    clips.put(journal, film("other", chamber="elsewhere"))
    found: list[str] = []
    after: int | None = 0
    while after is not None:
        items, after = history.clips().of_chamber(CHAMBER, after, 2)
        assert len(items) <= 2
        found += [str(item["id"]) for item in items]
    assert found == ["lapse", "0", "1", "2", "3", "4"]
    of_job = [item["id"] for item in films_of_job(history)]
    assert [each for each in of_job if each != "other"] == ["4", "3", "2", "1", "0", "lapse"]
    assert history.clips().one("../x") is None


def test_labels_follow_a_clock_that_is_known_late(journal: Journal, history: History) -> None:
    clips.put(journal, film("a"))
    before = history.clips().one("a")
    journal.relabel(Timeline(BOOT.boot_id, BOOT.wall_at_zero_s + 3600.0))
    after = history.clips().one("a")
    assert before is not None and after is not None
    for name in ("start_at", "end_at"):
        assert str(after[name]) > str(before[name])
    assert after["moments"] != before["moments"]


def test_what_was_erased_is_not_kept_again(journal: Journal, history: History) -> None:
    clips.put(journal, film("a"))
    clips.remove(journal, ["a"])
    assert not clips.put(journal, film("a", state=clips.KEPT), lambda name: name == "a")
    assert history.clips().one("a") is None


def test_those_that_were_being_made_are_known_again(journal: Journal) -> None:
    whole = film("a", paused=((80.0, 90.0),), why="It ends early.")
    clips.put(journal, whole)
    clips.put(journal, film("b", state=clips.KEPT))
    (again,) = clips.unfinished(journal)
    assert replace(again, timeline=BOOT) == whole
    assert again.timeline.wall_at_zero_s == pytest.approx(BOOT.wall_at_zero_s, abs=1e-5)
    assert {size.id for size in clips.sizes(journal)} == {"a", "b"}


@pytest.mark.parametrize("body", ["", "{", "[]", "null", '{"end_s": "x"}', '{"end_s": 1}'])
def test_a_broken_row_breaks_no_list(journal: Journal, history: History, body: str) -> None:
    clips.put(journal, film("a"))
    with closing(sqlite3.connect(journal.path)) as file, file:
        file.execute("UPDATE clip SET body = ?", (body,))
    (item,) = films_of_job(history)
    assert item["moments"] == []
    assert clips.unfinished(journal)[0].start_s == 70.0


def test_a_journal_from_before_films_takes_them(tmp_path: Path) -> None:
    with closing(Journal.open(tmp_path / "journal.db")) as journal:
        pass
    with closing(sqlite3.connect(tmp_path / "journal.db")) as file, file:
        for later in ("clip", "settings"):
            file.execute(f"DROP TABLE {later}")
        file.execute("UPDATE alembic_version SET version_num = 'j0006'")
    with closing(Journal.open(tmp_path / "journal.db")) as journal:
        clips.put(journal, film("a"))
        assert journal.repaired is None
        assert len(clips.unfinished(journal)) == 1
