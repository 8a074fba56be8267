"""Values for tests of what is kept: one chamber of the boat shed, one job, one open door."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from stillair.model import (
    AlarmState,
    AlarmTestPhase,
    AlarmTestState,
    Annunciation,
    Change,
    EventChange,
    EventJudged,
    Heard,
    Job,
    JobDiagnosis,
    JobNote,
    JobOutcome,
    JobPhase,
    Kind,
    Notice,
    Outcome,
    OutcomeTold,
    PartTried,
    Priority,
    RouteTried,
    SignalClass,
    Suppression,
    Timeline,
)

CHAMBER = "north-bench"
BOOT = Timeline("boot-1", 1_790_000_000.0)


def event(
    number: int = 1,
    change: Change = Change.RAISED,
    at_s: float = 100.0,
    *,
    kind: Kind = Kind.DOOR_OPEN,
    job: str | None = None,
) -> EventChange:
    """The door was opened 4 s before it was told."""
    return EventChange(
        event=number,
        change=change,
        at_s=at_s,
        kind=kind,
        signal_class=SignalClass.SUPERVISORY,
        priority=Priority.MEDIUM,
        onset_s=at_s - 4.0,
        sensors=("top",),
        detail={"cause": "clear", "drop_k": 6.2},
        end_s=at_s - 1.0 if change is Change.CLEARED else None,
        job=job,
    )


def alarm(number: int = 1, at_s: float = 100.0, *, job: str | None = None) -> AlarmState:
    """The alarm of that event, not yet seen."""
    return AlarmState(
        id=f"{CHAMBER}-{number}",
        chamber=CHAMBER,
        kind=Kind.DOOR_OPEN,
        subject="",
        signal_class=SignalClass.SUPERVISORY,
        priority=Priority.MEDIUM,
        annunciation=Annunciation.UNACKNOWLEDGED,
        suppression=Suppression.NONE,
        condition=True,
        event=number,
        raised_s=at_s,
        changed_s=at_s,
        text="The door is open.",
        job=job,
    )


def over(state: AlarmState) -> AlarmState:
    """The same alarm once it is over and seen."""
    return replace(state, annunciation=Annunciation.NORMAL, condition=False)


def job(number: int = 1, state: JobPhase = JobPhase.RUNNING, started_s: float = 50.0) -> Job:
    """A plate of oarlock bushings."""
    return Job(
        id=f"{CHAMBER}-{number}",
        chamber=CHAMBER,
        name="oarlock bushings",
        material="ASA",
        machine="left enclosure",
        notes="",
        state=state,
        started_s=started_s,
    )


def note(text: str = "compressor on", t_s: float = 100.0) -> JobNote:
    """A remark on that job."""
    return JobNote(f"{CHAMBER}-1", t_s, text, "bench captain", 12.4)


def judged(
    word: JobOutcome | None = JobOutcome.SOUND, number: int = 1, t_s: float = 900.0
) -> OutcomeTold:
    """The bench captain's word on a job."""
    return OutcomeTold(f"{CHAMBER}-{number}", t_s, word, "bench captain")


def diagnosis(number: int = 1, t_s: float = 800.0) -> JobDiagnosis:
    """What a job said of its box."""
    return JobDiagnosis(
        job=f"{CHAMBER}-{number}",
        t_s=t_s,
        text="The box now loses heat 41 % faster than in the last 5 jobs: look at door and seals.",
        loss_per_h=1.5,
        warm_k_per_min=0.8,
        excess_k=29.0,
        offsets={"top": 0.12},
        compared=5,
        box="real 0123456789ab",
        sensors={"top": "ba9876543210"},
    )


def word_on_event(number: int = 1, t_s: float = 150.0) -> EventJudged:
    """The bench captain has looked: nobody had opened it."""
    return EventJudged(number, Kind.DOOR_OPEN, t_s, True, "a tape came loose", "bench captain")


def notice(key: str = "k1", created_s: float = 100.0, *, about: str | None = None) -> Notice:
    """A message to the bench captain."""
    return Notice(
        key=key,
        chamber=CHAMBER,
        alarm=about,
        kind=Kind.DOOR_OPEN,
        priority=Priority.MEDIUM,
        person="bench captain",
        route="mailto:captain@example.org",
        title="The door is open",
        text="It has been open for 4 s.",
        created_s=created_s,
    )


def outcome(number: int = 1, at_s: float = 100.0) -> Outcome:
    """All that follows from one opened door."""
    return Outcome(
        CHAMBER,
        at_s,
        events=(event(number, at_s=at_s),),
        alarms=(alarm(number, at_s),),
        notices=(notice(f"{CHAMBER}-{number}", at_s, about=f"{CHAMBER}-{number}"),),
    )


def alarm_test(test: str = f"{CHAMBER}-t1", at_s: float = 200.0, **more: Any) -> AlarmTestState:
    """A test of one route, which a server took after 0.4 s and the captain heard."""
    base = AlarmTestState(
        id=test,
        changed_s=at_s,
        by="bench captain",
        phase=AlarmTestPhase.DONE,
        started_s=at_s - 20.0,
        steps=("sign", "event", "alarm", "messages"),
        setup="0a1b2c3d4e5f",
        routes=(
            RouteTried(
                "bench captain",
                "mailto:captain@example.org",
                f"test:{test}:0",
                handed_after_s=0.4,
                heard=Heard.HEARD,
                confirmed_after_s=12.0,
                confirmed_by="bench captain",
            ),
        ),
        sounder=PartTried(True),
        stop=PartTried(None),
    )
    return replace(base, **more)
