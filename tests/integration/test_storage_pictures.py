"""Rows of kept pictures and words on events, in a real journal."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from kept_things import BOOT, CHAMBER, event, outcome, word_on_event
from stillair.model import Change, JsonValue, Kind, Outcome, Timeline
from stillair.storage import pictures
from stillair.storage.emergency import EmergencyJournal
from stillair.storage.history import History
from stillair.storage.journal import Journal
from stillair.storage.pictures import KeptPicture
from stillair.storage.records import Parcel
from stillair.storage.retention import forget_quiet

DETAIL: dict[str, JsonValue] = {
    "origin": "simulated",
    "offset_s": 3.0,
    "saw": [{"sign": "smoke", "strength": 0.6}],
}


def picture(name: str, t_s: float = 100.0, part: str = "moment", of: int | None = 1) -> KeptPicture:
    return KeptPicture(
        id=name,
        chamber=CHAMBER,
        part=part,
        t_s=t_s,
        timeline=BOOT,
        size_bytes=1000,
        kind="smoke" if of else "",
        event=of,
        job=f"{CHAMBER}-1",
        height_mm=12.4,
        detail=DETAIL,
    )


def test_pictures_of_an_event_come_in_the_order_of_their_times(
    journal: Journal, history: History
) -> None:
    for name, t_s, part in (("c", 110.0, "after"), ("a", 90.0, "before"), ("b", 100.0, "marked")):
        pictures.add(journal, picture(name, t_s, part))
    pictures.add(journal, picture("d", 100.0, of=2))
    items = history.pictures().of_event(CHAMBER, 1)
    assert [item["id"] for item in items] == ["a", "b", "c"]
    assert items[1]["saw"] == DETAIL["saw"]
    assert (items[1]["origin"], items[1]["height_mm"]) == ("simulated", 12.4)
    assert history.pictures().of_event("elsewhere", 1) == []
    assert pictures.of_moment(journal, CHAMBER, 1, ["smoke"]) == ("b", True)
    assert pictures.of_moment(journal, CHAMBER, 1, ["door_open"]) is None
    assert pictures.of_moment(journal, CHAMBER, 2, ["smoke"]) == ("d", False)


def test_photographs_are_never_given_up_for_room_but_their_files_are_known(
    journal: Journal, history: History
) -> None:
    pictures.add(journal, picture("a", part=pictures.PHOTOGRAPH, of=None))
    pictures.add(journal, picture("b", part=pictures.STILL, of=None))
    assert [size.id for size in pictures.sizes(journal, CHAMBER)] == ["b"]
    assert [size.id for size in pictures.sizes(journal)] == ["a", "b"]
    assert [item["id"] for item in history.pictures().photographs(f"{CHAMBER}-1")] == ["a"]
    assert [item["id"] for item in history.pictures().of_job(f"{CHAMBER}-1")] == ["b"]
    counts = [pictures.count(journal, f"{CHAMBER}-{n}", pictures.PHOTOGRAPH) for n in (1, 2)]
    assert counts == [1, 0]


def test_stills_are_a_job_s_and_no_event_s(journal: Journal, history: History) -> None:
    pictures.add(journal, picture("s", part="still", of=None))
    pictures.add(journal, picture("e"))
    assert [item["id"] for item in history.pictures().of_job(f"{CHAMBER}-1")] == ["s"]
    assert pictures.stills(journal, f"{CHAMBER}-1") == 1
    assert pictures.stills(journal, "") == 0


def test_what_is_forgotten_is_gone(journal: Journal, history: History) -> None:
    for name in ("a", "b"):
        pictures.add(journal, picture(name))
    pictures.remove(journal, ["a", "never there"])
    assert [size.id for size in pictures.sizes(journal, CHAMBER)] == ["b"]
    assert pictures.sizes(journal, "elsewhere") == []
    assert (history.pictures().name("a"), history.pictures().name("b")) == (None, "b.jpg")


def test_pictures_get_the_labels_of_a_clock_that_was_set(
    journal: Journal, history: History
) -> None:
    pictures.add(journal, picture("a"))
    (before,) = history.pictures().of_event(CHAMBER, 1)
    journal.relabel(Timeline(BOOT.boot_id, BOOT.wall_at_zero_s + 3600.0))
    (after,) = history.pictures().of_event(CHAMBER, 1)
    moved = _at(str(after["at"])) - _at(str(before["at"]))
    assert moved == timedelta(hours=1)


def test_the_newest_word_on_an_event_counts_and_is_no_change_of_it(
    journal: Journal, history: History
) -> None:
    journal.commit(outcome(1), BOOT)
    first = word_on_event()
    for word in (first, replace(first, t_s=160.0, false=False, note="")):
        journal.commit(Outcome(CHAMBER, word.t_s, judgements=(word,)), BOOT)
    words = [entry.body for entry in history.of_event(CHAMBER, 1, "judgement")]
    assert [(word["false"], word["by"]) for word in words] == [
        (True, "bench captain"),
        (False, "bench captain"),
    ]
    assert len(history.of_event(CHAMBER, 1, "event")) == 1
    assert [entry.topic for entry in history.entries(0, 10, "event").entries] == ["event"]


def test_a_word_goes_through_the_place_kept_free_for_the_worst_day(tmp_path: Path) -> None:
    emergency = EmergencyJournal(tmp_path / "emergency.journal")
    word = word_on_event()
    emergency.append([Parcel(Outcome(CHAMBER, word.t_s, judgements=(word,)), BOOT)])
    (parcel,) = emergency.read()
    assert parcel.outcome.judgements == (word,)
    assert not parcel.outcome.empty
    emergency.close()


def test_a_word_on_a_quiet_event_goes_with_it_and_one_on_a_fire_stays(
    journal: Journal, history: History
) -> None:
    quiet, fire = event(1, change=Change.CLEARED), replace(event(2), kind=Kind.FIRE)
    words = (word_on_event(1), replace(word_on_event(2), kind=Kind.FIRE))
    events = tuple(replace(each, job=None) for each in (quiet, fire))
    journal.commit(Outcome(CHAMBER, 150.0, events=events, judgements=words), BOOT)
    forget_quiet(journal, datetime(2100, 1, 1, tzinfo=UTC))
    assert history.of_event(CHAMBER, 1, "judgement") == []
    assert len(history.of_event(CHAMBER, 2, "judgement")) == 1


def _at(label: str) -> datetime:
    return datetime.fromisoformat(label)
