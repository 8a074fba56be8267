"""Jobs on real files: what they say of their box, and the curve that others are held against."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from kept_things import BOOT, CHAMBER, event, job
from stillair.clock import ManualClock
from stillair.config import default_chamber
from stillair.errors import InputError
from stillair.jobs.figures import RULE
from stillair.model import (
    Change,
    EventChange,
    Job,
    JobDiagnosis,
    JobPhase,
    Kind,
    Outcome,
    SignalClass,
    Timeline,
)
from stillair.runtime import worker
from stillair.runtime.chamber import Chamber
from stillair.runtime.comparing import past_curve
from stillair.runtime.diagnosing import (
    Diagnosed,
    diagnose,
    half_minutes,
    outdated,
    over_of,
    renewed,
)
from stillair.runtime.keeping import ArchiveLoop
from stillair.runtime.looking_back import LookingBack
from stillair.runtime.marks import sensor_marks
from stillair.runtime.worker import Workshop
from stillair.storage.archive import Archive
from stillair.storage.history import History
from stillair.storage.journal import Entry, Journal
from stillair.storage.records import to_record

BOX = "real 1"
HEAT_OFF_S = 7200.0
DAY_S = 86_400.0
MARKS = {"top": "a", "low": "b"}


class Shed:
    """A folder of kept jobs: 20 degrees, to 60, two hours, and down again."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.journal = Journal(folder / "journal.db")
        self.archive = Archive(folder / "archive.db")

    def build(self, number: int, *, tau_s: float = 2400.0, top_k: float = 2.0) -> Job:
        """One job a day; the box loses heat with `tau_s`, `top` stands off by `top_k`."""
        begun_s = number * DAY_S
        for second in range(0, int(HEAT_OFF_S) + 3 * 3600, 10):
            if second < HEAT_OFF_S:
                share = 1.0 - math.exp(-second / 1200.0)
            else:
                share = math.exp(-(second - HEAT_OFF_S) / tau_s)
            at_s = BOOT.epoch_s(begun_s + second)
            self.archive.add(CHAMBER, "top", at_s, 20.0 + (40.0 + top_k) * share)
            self.archive.add(CHAMBER, "low", at_s, 20.0 + (40.0 - top_k) * share)
            self.archive.add(CHAMBER, "room", at_s, 20.0)
        built = replace(
            job(number, JobPhase.FINISHED, begun_s), box=BOX, finished_s=begun_s + HEAT_OFF_S
        )
        self.keep(HEAT_OFF_S + begun_s, built)
        return built

    def keep(self, t_s: float, *jobs: Job, events: tuple[EventChange, ...] = ()) -> Sequence[Entry]:
        return self.journal.commit(Outcome(CHAMBER, t_s, events=events, jobs=jobs), BOOT)

    def asked(self, number: int, *, box: str = BOX) -> Diagnosed:
        return Diagnosed(f"{CHAMBER}-{number}", CHAMBER, box, ("top", "low"), ("room",), MARKS)

    def diagnose(self, number: int, *, box: str = BOX) -> JobDiagnosis:
        """Ask, and keep the answer."""
        self.archive.flush()
        found = replace(diagnose(self.folder, self.asked(number, box=box)), t_s=number * DAY_S)
        self.keep_diagnosis(found)
        return found

    def keep_diagnosis(self, found: JobDiagnosis) -> None:
        self.journal.commit(Outcome(CHAMBER, found.t_s, diagnoses=(found,)), BOOT)


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Shed]:
    made = Shed(tmp_path)
    yield made
    made.archive.close()
    made.journal.close()


@pytest.fixture
def history(shed: Shed) -> Iterator[History]:
    read = History(shed.folder / "journal.db", shed.folder / "archive.db")
    yield read
    read.close()


def test_a_worse_seal_is_told_against_this_boxs_own_past(shed: Shed) -> None:
    for number, tau_s in enumerate((2400.0, 2350.0, 2450.0, 2400.0), start=1):
        shed.build(number, tau_s=tau_s)
        found = shed.diagnose(number)
        assert found.text == ""
        assert found.loss_per_h == pytest.approx(3600.0 / tau_s, rel=0.05)
        assert found.compared == number - 1
        assert found.sensors == MARKS
    shed.build(5, tau_s=1500.0)
    found = shed.diagnose(5)
    assert "look at door and seals" in found.text
    assert "in the last 4 jobs" in found.text
    # The same job as one of a box that has no past: nothing is compared.
    assert shed.diagnose(5, box="simulated 1").text == ""


def test_a_sensor_that_moved_is_told_unless_it_was_replaced(shed: Shed) -> None:
    for number in range(1, 5):
        shed.build(number)
        shed.diagnose(number)
    shed.build(5, top_k=8.0)
    shed.archive.flush()
    asked = Diagnosed(f"{CHAMBER}-5", CHAMBER, BOX, ("top", "low"), ("room",), MARKS)
    assert "may have moved" in diagnose(shed.folder, asked).text
    others = replace(asked, sensors={"top": "c", "low": "d"})
    assert "moved" not in diagnose(shed.folder, others).text


def test_an_open_door_and_a_broken_sensor_are_left_out(shed: Shed) -> None:
    shed.build(1)
    begun_s = DAY_S
    door = event(1, Change.RAISED, begun_s + HEAT_OFF_S + 900.0)
    shed.keep(begun_s + HEAT_OFF_S + 900.0, events=(door,))
    found = shed.diagnose(1)
    assert found.loss_per_h is None
    assert found.warm_k_per_min is not None
    fault = replace(
        event(2, Change.RAISED, begun_s + 600.0, kind=Kind.SENSOR_FAULT),
        subject="top",
        signal_class=SignalClass.TROUBLE,
    )
    shed.keep(begun_s + 600.0, events=(fault,))
    assert set(shed.diagnose(1).offsets) == set(), "a single sensor is left, beside no other"


def test_the_next_job_ends_the_cool_down(shed: Shed) -> None:
    shed.build(1)
    early = replace(job(2, JobPhase.FINISHED, DAY_S + HEAT_OFF_S + 300.0), box=BOX)
    shed.keep(DAY_S + HEAT_OFF_S + 300.0, early)
    assert shed.diagnose(1).loss_per_h is None


def test_a_job_without_readings_has_no_figures_and_an_unknown_one_is_refused(shed: Shed) -> None:
    shed.keep(DAY_S, replace(job(1, JobPhase.FINISHED, DAY_S), box=BOX, finished_s=2 * DAY_S))
    found = shed.diagnose(1)
    assert (found.text, found.loss_per_h, found.excess_k) == ("", None, None)
    with pytest.raises(InputError, match="no job"):
        shed.diagnose(7)


def test_figures_by_an_earlier_rule_or_over_other_times_are_measured_anew(
    shed: Shed, history: History
) -> None:
    shed.build(1)
    found = shed.diagnose(1)
    assert outdated(history, CHAMBER) == []
    early = replace(found, measured={**found.measured, "longest_drop_s": 870.0}, rule=1, over="")
    shed.keep_diagnosis(early)
    assert outdated(history, CHAMBER) == [found.job]
    shed.keep_diagnosis(renewed(early, found, over_of(history, found.job)))
    assert outdated(history, CHAMBER) == []
    assert history.diagnoses(CHAMBER) == [found]
    corrected = replace(job(1, JobPhase.FINISHED, DAY_S), box=BOX, finished_s=DAY_S + 6000.0)
    shed.keep(3 * DAY_S, corrected)
    assert outdated(history, CHAMBER) == [found.job]


def test_an_early_job_that_is_measured_anew_stays_early(shed: Shed) -> None:
    """A box is held against its last jobs, not against those that were kept last."""
    for number in (*range(6, 12), 1, 2, 3, 4, 5):
        loss_per_h = 0.5 if number < 6 else 1.5
        name = f"{CHAMBER}-{number}"
        shed.keep_diagnosis(JobDiagnosis(name, number * DAY_S, loss_per_h=loss_per_h, box=BOX))
    shed.build(12)
    found = shed.diagnose(12)
    assert found.loss_per_h == pytest.approx(1.5, rel=0.05)
    assert found.text == ""


class InHere:
    """A workshop without a process of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.asked = folder, list[str]()

    async def diagnosis(self, asked: Diagnosed) -> JobDiagnosis:
        self.asked.append(asked.job)
        return diagnose(self.folder, asked)


async def test_the_service_measures_one_job_after_the_other_anew(
    shed: Shed, history: History
) -> None:
    settings = default_chamber()
    marks = {name: mark for name, mark in sensor_marks(settings).items() if name in MARKS}
    shed.build(1)
    found = shed.diagnose(1)
    for number, kept_marks, rule in ((1, marks, 1), (2, MARKS, 1), (3, marks, RULE)):
        begun_s = number * DAY_S
        built = replace(job(number, JobPhase.FINISHED, begun_s), box=BOX)
        if number > 1:
            shed.keep(begun_s, replace(built, finished_s=begun_s + HEAT_OFF_S))
        early = replace(found, job=built.id, sensors=kept_marks, rule=rule, over="")
        shed.keep_diagnosis(replace(early, measured={**found.measured, "longest_drop_s": 870.0}))
    workshop = InHere(shed.folder)
    chamber = SimpleNamespace(
        key=CHAMBER,
        settings=settings.model_copy(
            update={"sensors": tuple(s for s in settings.sensors if s.name in (*MARKS, "room"))}
        ),
        clock=ManualClock(9 * DAY_S),
        labels=SimpleNamespace(timeline=lambda: BOOT),
    )

    def keep(told: Outcome, timeline: Timeline) -> None:
        shed.journal.commit(told, timeline)

    looking = LookingBack(
        history=history,
        archive=cast("ArchiveLoop", None),
        workshop=cast("Workshop", workshop),
        chambers=list,
        keep=keep,
    )

    def longest_s() -> list[float | None]:
        return [
            d.measured.get("longest_drop_s") for d in sorted(history.diagnoses(CHAMBER), key=id_of)
        ]

    await looking._measure_anew(cast("Chamber", chamber))
    assert longest_s() == [870.0, None, 870.0], "its sensors have been replaced"
    await looking._measure_anew(cast("Chamber", chamber))
    assert longest_s() == [found.measured["longest_drop_s"], None, 870.0]
    await looking._measure_anew(cast("Chamber", chamber))
    assert workshop.asked == [f"{CHAMBER}-1"], "and then there is nothing more to do"

    corrected = replace(job(1, JobPhase.FINISHED, DAY_S), box=BOX, finished_s=DAY_S + 6000.0)
    looking.kept(shed.keep(9 * DAY_S, corrected))
    await looking._measure_anew(cast("Chamber", chamber))
    assert workshop.asked == [f"{CHAMBER}-1"] * 2
    (anew,) = history.diagnoses(CHAMBER, [f"{CHAMBER}-1"])
    assert anew.over == over_of(history, anew.job)


def id_of(found: JobDiagnosis) -> str:
    return found.job


def test_half_minutes_are_means() -> None:
    rows = [(float(s), (40.0 + s, None if s < 30 else 7.0)) for s in range(0, 90, 10)]
    assert half_minutes(["top", "low"], rows) == (
        [0.0, 30.0, 60.0],
        {"top": [50.0, 80.0, 110.0], "low": [None, 7.0, 7.0]},
    )
    assert half_minutes(["top"], []) == ([], {"top": []})


def test_a_curve_goes_by_the_jobs_own_clock(shed: Shed) -> None:
    built = shed.build(1)
    begun_s = DAY_S
    started = replace(built, state=JobPhase.RUNNING, finished_s=None)
    paused = replace(started, state=JobPhase.PAUSED, paused_since_s=begun_s + 600.0)
    again = replace(started, paused_s=1200.0)
    for t_s, state in ((0.0, started), (600.0, paused), (1800.0, again)):
        shed.keep(begun_s + t_s, state)
    soaked = event(1, Change.RAISED, begun_s + 3000.0, kind=Kind.SOAK_READY, job=built.id)
    shed.keep(begun_s + 3000.0, events=(soaked,))
    shed.keep(begun_s + HEAT_OFF_S, replace(built, paused_s=1200.0))
    shed.archive.flush()
    curve = past_curve(shed.folder, built.id, ["top", "nowhere"])
    assert set(curve.minutes) == {"top"}
    assert curve.soak_s == 1800.0
    column = curve.minutes["top"]
    assert len(column) == (HEAT_OFF_S - 1200.0) / 60.0 + 1

    def then_c(second: float) -> float:
        return 20.0 + 42.0 * (1.0 - math.exp(-second / 1200.0))

    assert column[9] == pytest.approx(then_c(565.0), abs=0.05)
    assert column[10] == pytest.approx(then_c(1825.0), abs=0.05)
    with pytest.raises(InputError, match="no job"):
        past_curve(shed.folder, "north-bench-9", ["top"])


def test_the_worker_answers_each_kind_of_question(shed: Shed) -> None:
    built = shed.build(1)
    shed.archive.flush()
    folder = {"folder": str(shed.folder)}
    asked = to_record(Diagnosed(built.id, CHAMBER, BOX, ("top", "low"), ("room",), MARKS))
    found = worker.answer({"what": "diagnosis", "asked": asked, **folder})
    assert found["diagnosis"]["loss_per_h"] > 1.0
    curve = worker.answer({"what": "curve", "job": built.id, "sensors": ["low"], **folder})
    assert list(curve["minutes"]) == ["low"]
    refused = worker.answer({"what": "curve", "job": "nobody-1", "sensors": [], **folder})
    assert refused == {"refused": "there is no job 'nobody-1'"}


@pytest.mark.parametrize(
    ("change", "soak_s"),
    [
        pytest.param(Change.RAISED, 0.0, id="warm already"),
        pytest.param(Change.CLEARED, 3000.0, id="warm once, long before"),
    ],
)
def test_a_job_may_begin_in_a_warm_chamber(shed: Shed, change: Change, soak_s: float) -> None:
    shed.keep(100.0, events=(event(1, change, 100.0, kind=Kind.SOAK_READY),))
    built = shed.build(1)
    soaked = event(2, Change.RAISED, DAY_S + 3000.0, kind=Kind.SOAK_READY, job=built.id)
    shed.keep(DAY_S + 3000.0, events=(soaked,))
    shed.archive.flush()
    assert past_curve(shed.folder, built.id, ["top"]).soak_s == soak_s


async def test_the_workshop_works_in_another_process(shed: Shed) -> None:
    built = shed.build(1)
    shed.archive.flush()
    shop = worker.Workshop(shed.folder)
    found = await shop.diagnosis(
        Diagnosed(built.id, CHAMBER, BOX, ("top", "low"), ("room",), MARKS)
    )
    assert found.loss_per_h == pytest.approx(1.5, rel=0.05)
    curve = await shop.curve(built.id, ("top",))
    assert len(curve.minutes["top"]) > 100
    with pytest.raises(InputError, match="no job"):
        await shop.curve("nobody-1", ("top",))
    with pytest.raises(TimeoutError):
        await worker.Workshop(shed.folder, patience_s=0.001).curve(built.id, ("top",))
