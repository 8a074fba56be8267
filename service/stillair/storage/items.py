"""Events, alarms, jobs and notes in the form in which other programs see them.

Instants become RFC 3339 UTC labels; the seconds of the chamber's own time
stand beside them where the contract has them. Used for what is read from the
journal and for what is shown before it is kept, so both look the same.
"""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from typing import Any

from stillair.alarms import testing
from stillair.alarms.seen import began_s
from stillair.alarms.wording import story
from stillair.model import (
    AlarmState,
    AlarmTestPhase,
    AlarmTestState,
    Duty,
    EventChange,
    EventJudged,
    HeightPin,
    Job,
    JobDiagnosis,
    JobLog,
    JobNote,
    JsonValue,
    LogTold,
    OutcomeTold,
    PieceOutcome,
    Timeline,
)
from stillair.storage.records import to_record
from stillair.thermal.diagnosis import JobFigures, spoken

Item = dict[str, JsonValue]

FIRST_S = -62135596800.0  # 0001-01-01, the first instant a label can name
LAST_S = 253402300799.0  # 9999-12-31, the last


def label(epoch_s: float) -> str:
    """RFC 3339 UTC label, to the millisecond, of seconds since the epoch."""
    at = datetime.fromtimestamp(min(max(round(epoch_s, 3), FIRST_S), LAST_S), UTC)
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _label(timeline: Timeline, t_s: float | None) -> str | None:
    return None if t_s is None else label(timeline.epoch_s(t_s))


def event_item(
    change: EventChange, chamber: str, timeline: Timeline, seq: int | None = None
) -> Item:
    """One change of an event: the keys of a replay line and where it belongs."""
    return {
        "seq": seq,
        **change.line(),
        "chamber": chamber,
        "job": change.job,
        "at": _label(timeline, change.at_s),
        "onset_at": _label(timeline, change.onset_s),
        "began_at": _label(timeline, began_s(change)),  # as its alarm and its messages say it
        "end_at": _label(timeline, change.end_s),
        "subject": change.subject,
        "height_mm": change.height_mm,
        "text": story(change, t_s=change.at_s),
    }


def alarm_item(alarm: AlarmState, timeline: Timeline, seq: int | None = None) -> Item:
    """One alarm as it stands."""
    return {
        "seq": seq,
        "id": alarm.id,
        "chamber": alarm.chamber,
        "kind": alarm.kind.value,
        "class": alarm.signal_class.value,
        "priority": alarm.priority.value,
        "annunciation": alarm.annunciation.value,
        "suppression": alarm.suppression.value,
        "condition": alarm.condition,
        "event": alarm.event,
        "job": alarm.job,
        "subject": alarm.subject,
        "raised_at": _label(timeline, alarm.raised_s),
        "began_at": _label(timeline, alarm.raised_s if alarm.began_s is None else alarm.began_s),
        "changed_at": _label(timeline, alarm.changed_s),
        "text": alarm.text,
        "acknowledged_by": alarm.acknowledged_by,
        "acknowledged_at": _label(timeline, alarm.acknowledged_s),
        "shelved_until": _label(timeline, alarm.shelved_until_s),
        "shelved_reason": alarm.shelved_reason,
        "blind": alarm.blind,
        "cause_alarm": alarm.cause_alarm or None,
    }


def job_item(job: Job, timeline: Timeline, seq: int | None = None) -> Item:
    """One job as it stands; what has been said of it since is added where it is read."""
    return {
        "seq": seq,
        "id": job.id,
        "chamber": job.chamber,
        "name": job.name,
        "material": job.material,
        "machine": job.machine,
        "notes": job.notes,
        "state": job.state.value,
        "started_at": _label(timeline, job.started_s),
        "finished_at": _label(timeline, job.finished_s),
        "height_mm": job.height_mm,
        "paused_s": job.paused_s,
        "paused_since_at": _label(timeline, job.paused_since_s),
        "origin": job.box.partition(" ")[0] or None,
        "guessed": job.guessed,
        "brought": seq is not None and seq < 0,  # from another board, or from before
        "outcome": None,
        "outcome_by": None,
        "outcome_at": None,
        "outcome_from": None,
        "diagnosis": None,
    }


def outcome_item(
    told: OutcomeTold, chamber: str, timeline: Timeline, seq: int | None = None
) -> Item:
    """How a job came out, who said so, and when."""
    return {
        "seq": seq,
        "chamber": chamber,
        "job": told.job,
        "at": _label(timeline, told.t_s),
        "outcome": told.outcome.value if told.outcome else None,
        "by": told.by,
    }


def log_told_item(told: LogTold, chamber: str, timeline: Timeline, seq: int | None = None) -> Item:
    """One word on a job's log: only what it says, who said so, and when."""
    piece = None
    if told.piece is not None:
        of_piece = _fields(told.piece)
        said = ("number", *told.piece_named)
        piece = {name: of_piece[name] for name in said if name in of_piece}
    return {
        "seq": seq,
        "chamber": chamber,
        "job": told.job,
        "at": _label(timeline, told.t_s),
        "by": told.by,
        "said": {name: _fields(told.log)[name] for name in told.named},
        "piece": piece,
        "gone": told.gone,
    }


def log_item(log: JobLog) -> Item:
    """How a job was prepared, as far as somebody has said."""
    return _fields(log)


def piece_item(piece: PieceOutcome) -> Item:
    """How a piece came out, and what is wrong with it where."""
    return _fields(piece)


def _fields(of: Any) -> Item:
    record: Item = to_record(of)
    return record


def diagnosis_item(
    found: JobDiagnosis, chamber: str, timeline: Timeline, seq: int | None = None
) -> Item:
    """What a job's readings say of its box."""
    loss_per_h = found.loss_per_h
    figures = JobFigures(loss_per_h, found.warm_k_per_min, early_loss_per_h=found.early_loss_per_h)
    return {
        "seq": seq,
        "chamber": chamber,
        "job": found.job,
        "at": _label(timeline, found.t_s),
        "text": found.text,
        "figures": spoken(figures, found.compared, differs=bool(found.text)),
        "time_constant_s": round(3600.0 / loss_per_h) if loss_per_h else None,
        "loss_per_h": None if loss_per_h is None else round(loss_per_h, 4),
        "early_loss_per_h": found.early_loss_per_h and round(found.early_loss_per_h, 4),
        "warm_k_per_min": found.warm_k_per_min and round(found.warm_k_per_min, 4),
        "excess_k": found.excess_k,
        "offsets": dict(found.offsets),
        "compared": found.compared,
        "measured": dict(found.measured),
        "rule": found.rule,
        "over": found.over,
    }


def note_item(note: JobNote, chamber: str, timeline: Timeline, seq: int | None = None) -> Item:
    """One timed remark on a job."""
    return {
        "seq": seq,
        "chamber": chamber,
        "job": note.job,
        "at": _label(timeline, note.t_s),
        "text": note.text,
        "by": note.by,
        "height_mm": note.height_mm,
    }


def pin_item(pin: HeightPin, chamber: str, timeline: Timeline, seq: int | None = None) -> Item:
    """That a person said how high a part was, or took that back."""
    return {
        "seq": seq,
        "chamber": chamber,
        "job": pin.job,
        "at": _label(timeline, pin.t_s),
        "by": pin.by,
        "height_mm": pin.height_mm,
        "seen_at": _label(timeline, pin.seen_s),
        "takes_back": pin.takes_back,
    }


def duty_item(duty: Duty, chamber: str, timeline: Timeline, seq: int | None = None) -> Item:
    """What is kept of a duty: its fields, instants (`_s`) as labels (`_at`)."""
    if isinstance(duty, AlarmTestState):
        return alarm_test_item(duty, chamber, timeline, seq)
    return {"seq": seq, "chamber": chamber, **fields_item(duty, timeline)}


def fields_item(of: Any, timeline: Timeline) -> Item:
    """The fields of a dataclass, instants (`_s`) as labels (`_at`), all the way down."""
    item: Item = {}
    for field in fields(of):
        value = getattr(of, field.name)
        if field.name.endswith("_s"):
            item[f"{field.name.removesuffix('_s')}_at"] = _label(timeline, value)
        elif isinstance(value, tuple):
            item[field.name] = [
                fields_item(each, timeline) if is_dataclass(each) else each for each in value
            ]
        else:
            item[field.name] = value
    return item


def alarm_test_item(
    test: AlarmTestState, chamber: str, timeline: Timeline, seq: int | None = None
) -> Item:
    """What an alarm test found, part by part and route by route, in figures and in words."""
    return {
        "seq": seq,
        "id": test.id,
        "chamber": chamber,
        "at": _label(timeline, test.started_s),
        "changed_at": _label(timeline, test.changed_s),
        "by": test.by,
        "scheduled": test.scheduled,
        "phase": test.phase.value,
        "why": test.why,
        "text": testing.summary(test),
        "steps": list[JsonValue](test.steps),
        "sounder": testing.part_line(test.sounder, yes="sounded once", none="none is connected"),
        "stop": testing.part_line(test.stop, yes="was checked", none="none is connected"),
        "passed": testing.passed(test),
        "faults": list[JsonValue](
            testing.faults(test) if test.phase is AlarmTestPhase.DONE else []
        ),
        "routes": [
            {
                "person": route.person,
                "route": route.route,
                "spoken": testing.spoken(route.route),
                "arrived": testing.arrived(route),
                "handed_after_s": route.handed_after_s,
                "refused": route.refused,
                "heard": route.heard.value if route.heard else None,
                "confirmed_after_s": route.confirmed_after_s,
                "confirmed_by": route.confirmed_by,
                "text": testing.route_line(route),
            }
            for route in test.routes
        ],
    }


def judgement_item(
    judged: EventJudged, chamber: str, timeline: Timeline, seq: int | None = None
) -> Item:
    """What a person said of an event, and when."""
    return {
        "seq": seq,
        "chamber": chamber,
        "event": judged.event,
        "kind": judged.kind.value,
        "job": judged.job,
        "at": _label(timeline, judged.t_s),
        "false": judged.false,
        "note": judged.note,
        "by": judged.by,
    }
