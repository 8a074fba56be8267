"""Values are kept as plain records and come back the same, from older and newer programs too."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from kept_things import (
    BOOT,
    CHAMBER,
    alarm,
    alarm_test,
    diagnosis,
    event,
    job,
    judged,
    note,
    notice,
    outcome,
    word_on_event,
)
from stillair.model import (
    AlarmState,
    AttendanceState,
    ByHand,
    Change,
    EventChange,
    EventJudged,
    HeightPin,
    Job,
    JobDiagnosis,
    JobNote,
    Notice,
    OutcomeTold,
    StopState,
)
from stillair.model.duties import TOPICS, HeldState, OpeningState, OutOfServiceState, SeenState
from stillair.storage.items import alarm_item, event_item, job_item, label, note_item
from stillair.storage.records import Parcel, dump, load, shifted

# An alarm on its way to a journal that can't be written mustn't be lost by what goes with it.
DUTIES = (
    AttendanceState(7.0),
    StopState(7.0, until_s=8.0),
    alarm_test(),
    OpeningState(7.0),
    OutOfServiceState(7.0),
    HeldState(7.0),
    SeenState(7.0),
)


def test_each_kind_of_duty_is_tried_here() -> None:
    assert {type(duty) for duty in DUTIES} == set(TOPICS.values())


@pytest.mark.parametrize(
    "value",
    [
        event(),
        event(change=Change.CLEARED),
        alarm(),
        job(),
        note(),
        HeightPin("north-bench-1", 900.0, "cox", 12.4, 480.0),
        HeightPin("north-bench-1", 950.0, "cox", takes_back=17),
        notice(),
        replace(notice(), kind=ByHand.PERSON),
        judged(),
        judged(None),
        diagnosis(),
        word_on_event(),
        alarm_test(),
        Parcel(outcome(), BOOT),
        Parcel(replace(outcome(), duties=DUTIES), BOOT),
        Parcel(replace(outcome(), pins=(HeightPin("north-bench-1", 1.0, "cox", 2.0, 0.5),)), BOOT),
    ],
    ids=lambda value: type(value).__name__,
)
def test_a_value_comes_back_the_same(value: object) -> None:
    assert load(type(value), dump(value)) == value


def test_what_json_has_no_word_for_becomes_null_or_an_escape() -> None:
    change = event()
    hostile = {"drop_k": float("nan"), "or": "\ud800"}
    text = dump(
        EventChange(**{**{n: getattr(change, n) for n in _names(change)}, "detail": hostile})
    )
    assert json.loads(text)["detail"]["drop_k"] is None
    assert load(EventChange, text).detail["or"] == "\ud800"


def _names(change: EventChange) -> tuple[str, ...]:
    return tuple(change.__slots__)


def test_a_record_of_an_older_program_gets_defaults() -> None:
    record = json.loads(dump(job()))
    del record["paused_since_s"], record["paused_s"]
    assert load(Job, json.dumps(record)) == job()


def test_a_record_of_a_newer_program_has_fields_more() -> None:
    record = {**json.loads(dump(note())), "colour": "blue"}
    assert load(JobNote, json.dumps(record)) == note()


@pytest.mark.parametrize(
    "text",
    ["", "[]", "null", "{}", '{"id": 1}', dump(alarm()).replace("door_open", "unheard_of")],
    ids=["nothing", "list", "null", "empty", "too little", "a kind nobody knows"],
)
def test_a_broken_record_is_a_value_error(text: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        load(AlarmState, text)


def test_all_instants_of_a_state_move_together() -> None:
    moved = shifted(event(change=Change.CLEARED), 10.0)
    assert (moved.at_s, moved.onset_s, moved.end_s) == (110.0, 106.0, 109.0)
    assert shifted(job(), 0.0) == job()


@pytest.mark.parametrize(
    ("epoch_s", "expected"),
    [
        (0.0, "1970-01-01T00:00:00.000Z"),
        (1_790_000_000.1234, "2026-09-21T14:13:20.123Z"),
        (1e20, "9999-12-31T23:59:59.000Z"),
        (-1e20, "0001-01-01T00:00:00.000Z"),
    ],
)
def test_a_label_is_utc_to_the_millisecond(epoch_s: float, expected: str) -> None:
    assert label(epoch_s) == expected


def test_an_event_item_has_the_keys_of_a_replay_line_and_its_place() -> None:
    change = event(change=Change.CLEARED, job=f"{CHAMBER}-1")
    item = event_item(change, CHAMBER, BOOT, 7)
    assert item.items() >= change.line().items()
    assert (item["seq"], item["chamber"], item["job"]) == (7, CHAMBER, f"{CHAMBER}-1")
    assert item["at"] == "2026-09-21T14:15:00.000Z"
    assert item["end_at"] == "2026-09-21T14:14:59.000Z"


def test_an_alarm_item_is_as_the_contract_says() -> None:
    item = alarm_item(alarm(), BOOT)
    assert {"id", "chamber", "kind", "class", "priority", "annunciation", "suppression"} <= set(
        item
    )
    assert (item["raised_at"], item["text"]) == ("2026-09-21T14:15:00.000Z", "The door is open.")


def test_a_job_item_is_as_the_contract_says() -> None:
    item = job_item(job(), BOOT)
    assert {"id", "chamber", "name", "material", "machine", "notes", "state"} <= set(item)
    assert (item["started_at"], item["finished_at"]) == ("2026-09-21T14:14:10.000Z", None)


def test_a_note_item_tells_who_said_what_when() -> None:
    item = note_item(note(), CHAMBER, BOOT)
    assert (item["text"], item["by"], item["height_mm"]) == ("compressor on", "bench captain", 12.4)


def test_the_types_of_this_table_are_all_that_are_kept() -> None:
    parts = (event(), alarm(), job(), note(), notice(), judged(), diagnosis(), word_on_event())
    kept = {type(part) for part in parts}
    records = {EventChange, AlarmState, Job, JobNote, Notice, OutcomeTold, JobDiagnosis}
    assert kept == records | {EventJudged}
