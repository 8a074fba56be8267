"""A job that its owner erases is gone, and nothing else is."""

from __future__ import annotations

from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from kept_things import BOOT, CHAMBER, alarm, event, job, note, notice, over
from stillair.errors import CommandRefused, StoreError
from stillair.hall.messages import Entry, EntryMessage, Erased, Form
from stillair.model import JobPhase, Outcome
from stillair.runtime.erasing import Erasing
from stillair.storage import clips, erasing, pictures, toolpaths
from stillair.storage.archive import Archive
from stillair.storage.clips import Clip, Shown
from stillair.storage.history import History
from stillair.storage.journal import Journal
from stillair.storage.onward import Onward
from stillair.storage.pictures import KeptPicture
from stillair.storage.readings import Readings
from stillair.storage.taking_out import TakingOut


def picture(name: str, of_job: int) -> KeptPicture:
    return KeptPicture(
        id=name,
        chamber=CHAMBER,
        part="still",
        t_s=100.0,
        timeline=BOOT,
        size_bytes=1000,
        job=f"{CHAMBER}-{of_job}",
        height_mm=1.0,
        detail={},
    )


def film(name: str, **more: Any) -> Clip:
    return Clip(
        id=name,
        chamber=CHAMBER,
        part="clip",
        state="kept",
        timeline=BOOT,
        start_s=70.0,
        end_s=160.0,
        origin="simulated",
        **more,
    )


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    return Journal.open(tmp_path / "journal.db")


def keep(journal: Journal, number: int, state: JobPhase) -> None:
    name = f"{CHAMBER}-{number}"
    standing = alarm(number, job=name)
    journal.commit(
        Outcome(
            CHAMBER,
            100.0 + number,
            jobs=(job(number, state),),
            events=(event(number, job=name),),
            alarms=(standing, over(standing)),
            notices=(notice(f"k{number}", about=standing.id),),
        ),
        BOOT,
    )
    pictures.add(journal, picture(f"{number:032x}", number))


def test_all_of_a_job_goes_and_the_next_one_stays(journal: Journal, tmp_path: Path) -> None:
    for number in (1, 2):
        keep(journal, number, JobPhase.FINISHED)
        toolpaths.add(
            journal, f"{number}", chamber=CHAMBER, name="x", source="", size_bytes=1, at_us=1
        )
        toolpaths.follow(journal, f"{CHAMBER}-{number}", f"{number}", 1)
        clips.put(journal, film(f"a{number}", job=f"{CHAMBER}-{number}"))
        shown = (Shown(number, "door_open", 5.0),)
        clips.put(journal, film(f"b{number}", kind="door_open", shown=shown))
    one, two = f"{CHAMBER}-1", f"{CHAMBER}-2"
    removed: list[str] = []
    films: list[str] = []
    assert erasing.job(journal, CHAMBER, one, removed.extend, films.extend) == [f"{1:032x}"]
    assert removed == [f"{1:032x}"]
    assert films == ["a1", "b1"], "also that of its event, though it doesn't name the job"
    with closing(History(journal.path, tmp_path / "archive.db")) as history:
        assert history.job(one) is None
        assert history.job(two) is not None
        assert history.pictures().of_job(one) == []
        assert len(history.pictures().of_job(two)) == 1
        assert history.toolpaths().of_job(one) is None
        assert history.toolpaths().of_job(two) == "2"
        assert [f["id"] for f in history.clips().of_chamber(CHAMBER, 0, 9)[0]] == ["a2", "b2"]
        assert all(entry.body.get("job") != one for entry in history.entries(0, 100).entries)
        assert [item.body["id"] for item in history.alarms(0, 10).entries] == [alarm(2).id]
        assert [each.key for each in history.notices()] == ["k2"]
    journal.close()


def test_whoever_has_it_from_us_is_told_behind_all_else(journal: Journal, tmp_path: Path) -> None:
    keep(journal, 1, JobPhase.FINISHED)
    one = f"{CHAMBER}-1"
    with closing(Onward(journal.path, Readings(tmp_path / "archive.db"))) as onward:
        before = onward.lines(CHAMBER, 0).lines
        assert {line.topic for _, line in before} >= {"job", "event", "alarm"}
        told = erasing.Erased("a1b2", at_us=9_000_000, begun_us=2_000_000, over_us=7_500_000)
        erasing.job(journal, CHAMBER, one, len, len, erased=told)
        ((seq, line),) = onward.lines(CHAMBER, 0).lines
    assert seq > max(seq for seq, _ in before)
    assert (line.topic, line.parcel, line.job) == ("erased", "a1b2", one)
    form = Form(prefix="shed", board="b", chamber=CHAMBER, name="x", simulated=True)
    message = EntryMessage.model_validate_json(form.entries(Entry.of(seq, line, line.body)))
    gone = Erased.model_validate(message.body, strict=True)
    zero_s = message.at_us / 1e6 - message.mono_s
    assert (zero_s + gone.begun_s, zero_s + gone.over_s) == (2.0, 7.5)
    with closing(History(journal.path, tmp_path / "archive.db")) as history:
        assert [entry.topic for entry in history.since(0, 10).entries] == ["erased"]
        assert [each.body["id"] for each in history.jobs(0, 10).entries] == []
    with closing(TakingOut(journal.path)) as taking_out:
        assert not list(taking_out.lines(CHAMBER)), "it holds for no other board"
    journal.close()


@pytest.mark.parametrize("is_handed_on", [True, False])
def test_it_is_told_where_a_hall_may_have_it(
    journal: Journal, tmp_path: Path, is_handed_on: bool
) -> None:
    keep(journal, 1, JobPhase.FINISHED)
    history = History(journal.path, tmp_path / "archive.db")
    archive = Archive(tmp_path / "archive.db")
    files: Any = SimpleNamespace(erase=lambda *_: None)
    desk = Erasing(
        journal=journal,
        archive=archive,
        history=history,
        pictures=files,
        clips=files,
        flush=lambda _: True,
        forget=len,
        is_handed_on=lambda: is_handed_on,
        wall=lambda: datetime(2026, 5, 2, 9, 0, tzinfo=UTC),
    )
    with closing(archive), closing(history), closing(journal):
        begun_s, over_s = history.job_span(f"{CHAMBER}-1")
        assert over_s is not None
        desk.job(f"{CHAMBER}-1")
        told = [entry.body for entry in history.since(0, 10).entries]
        assert len(told) == is_handed_on
        if is_handed_on:
            now_s = datetime(2026, 5, 2, 9, 0, tzinfo=UTC).timestamp()
            assert told[0]["begun_s"] == pytest.approx(begun_s - now_s, abs=1e-5)
            assert told[0]["over_s"] == pytest.approx(over_s - now_s, abs=1e-5)
            assert desk.last_seq == told[0]["seq"]


def test_a_job_that_goes_on_stays(journal: Journal) -> None:
    keep(journal, 1, JobPhase.RUNNING)
    with pytest.raises(CommandRefused, match="isn't over"):
        erasing.check_over(journal, f"{CHAMBER}-1")
    with pytest.raises(CommandRefused, match="isn't over"):
        erasing.job(
            journal, CHAMBER, f"{CHAMBER}-1", lambda _: pytest.fail("of a running job"), len
        )
    assert erasing.pictures_of(journal, CHAMBER, f"{CHAMBER}-1", len, len) == [f"{1:032x}"]
    journal.close()


def test_a_picture_that_could_not_be_removed_can_be_erased_again(
    journal: Journal, tmp_path: Path
) -> None:
    keep(journal, 1, JobPhase.FINISHED)
    name = f"{CHAMBER}-1"

    def fail(_: list[str]) -> None:
        raise StoreError("the disk doesn't answer")

    for act in (erasing.job, erasing.pictures_of):
        with pytest.raises(StoreError):
            act(journal, CHAMBER, name, len, fail)
    with closing(History(journal.path, tmp_path / "archive.db")) as history:
        assert history.job(name) is not None
        assert len(history.pictures().of_job(name)) == 1
    assert erasing.job(journal, CHAMBER, name, len, len) == [f"{1:032x}"]
    journal.close()


def test_what_is_erased_stands_neither_in_the_file_nor_in_its_log(journal: Journal) -> None:
    words = "what the captain said of the cox"
    keep(journal, 1, JobPhase.FINISHED)
    journal.commit(Outcome(CHAMBER, 200.0, notes=(note(words),)), BOOT)

    def on_disk() -> bytes:
        found = journal.path.parent.glob("journal.db*")
        return b"".join(path.read_bytes() for path in found)

    assert words.encode() in on_disk()
    erasing.job(journal, CHAMBER, f"{CHAMBER}-1", len, len)
    assert words.encode() not in on_disk()
    journal.close()


@pytest.mark.parametrize("row_readings", [4, 25, 1_000], ids=["in rows", "in two", "not packed"])
def test_readings_of_another_time_stay(tmp_path: Path, row_readings: int) -> None:
    archive = Archive.open(tmp_path / "archive.db", row_readings=row_readings)
    for second in range(40):
        for sensor in ("top", "bed"):
            archive.add(CHAMBER, sensor, 1_000.0 + second, 20.0)
        archive.flush(sync=True)
    archive.forget_between(CHAMBER, 1_010.0, 1_020.0)
    archive.close()
    archive = Archive.open(tmp_path / "archive.db", row_readings=row_readings)
    history = History(tmp_path / "journal.db", tmp_path / "archive.db", archive)
    with closing(history):
        left = history.readings(CHAMBER, 1_000.0, 1_040.0, 1_000)["time_s"]
        summed_up: Any = history.readings(CHAMBER, 1_000.0, 1_000.0 + 1e6, 1_000)["sensors"]
    assert left == [1_000.0 + second for second in range(40) if not 10 <= second <= 20]
    assert summed_up["top"][:2] == [20.0, 20.0]
    archive.close()
