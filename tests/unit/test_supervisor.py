"""The loop of one chamber: every second sampled once, whatever the wall clock does."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from stillair.alarms.stopping import StopPlan
from stillair.clock import FasterClock, ManualClock, SystemClock
from stillair.errors import CommandRefused, ContactError
from stillair.model import (
    Afterwards,
    ContactKind,
    ContactState,
    FinishJob,
    Kind,
    Outcome,
    PauseJob,
    Place,
    Reading,
    Sounding,
    StartJob,
    StopNow,
    StopPhase,
    StopState,
    Trouble,
    WatchMemory,
)
from stillair.runtime.labels import TOLD_STEP_S, Labels
from stillair.runtime.supervisor import Supervisor, WiredContact
from stillair.thermal.balance import BalanceMemory
from stillair.thermal.plan import SensorPlan, ThermalPlan
from stillair.watch import Watch, WatchPlan, WatchView

PLAN = WatchPlan(
    chamber="north-bench",
    name="North bench",
    thermal=ThermalPlan((SensorPlan("top", Place.CHAMBER),)),
)


class Ear:
    """A sounder that only listens."""

    def __init__(self) -> None:
        self.heard: list[Sounding] = []

    def set(self, sounding: Sounding) -> None:
        self.heard.append(sounding)


class Switch:
    """A contact that does what the test says."""

    name = "smoke relay"

    def __init__(self) -> None:
        self.active: bool | None = False
        self.broken = False
        self.changed: Callable[[], None] = lambda: None

    def start(self, changed: Callable[[], None]) -> None:
        self.changed = changed

    def state(self) -> bool | None:
        if self.broken:
            raise ContactError(self.name, "its wire is cut", retry=True)
        return self.active

    def describe(self) -> str:
        return "a switch"

    def close(self) -> None:
        pass


class Shed:
    """A supervisor and all that it told."""

    def __init__(self, clock: Any, **more: Any) -> None:
        self.outcomes: list[Outcome] = more.pop("outcomes", [])
        self.readings: list[Reading] = []
        self.seconds: list[float] = []
        self.ear = Ear()
        self.enough = threading.Event()
        self.until = more.pop("until", 10**9)
        self.each_second: Callable[[float], None] = more.pop("each_second", float)
        self.supervisor = Supervisor(
            name="north bench",
            watch=more.pop("watch", Watch(PLAN)),
            clock=clock,
            sounder=self.ear,
            sink=self.outcomes.append,
            on_reading=self.readings.append,
            on_view=self._seen,
            instant=[lambda t_s: Reading("top", t_s, 45.0 + 0.0625 * (t_s % 3))],
            **more,
        )

    def _seen(self, view: WatchView) -> None:
        if view.t_s is None or (self.seconds and self.seconds[-1] == view.t_s):
            return
        self.seconds.append(view.t_s)
        self.each_second(view.t_s)
        if len(self.seconds) >= self.until:
            self.enough.set()

    def run(self) -> None:
        """Until enough seconds have been seen."""
        self.supervisor.start()
        assert self.enough.wait(20.0)
        self.supervisor.stop()


@pytest.mark.parametrize("step_s", [3600.0, -3600.0], ids=["an hour forward", "an hour back"])
def test_a_step_of_the_wall_clock_loses_no_sample_and_no_alarm(step_s: float) -> None:
    clock = ManualClock(100.0)
    switch = Switch()

    def each_second(t_s: float) -> None:
        if t_s == 150.0:
            clock.step_wall(step_s)
        if t_s == 151.0:
            switch.active = True
            switch.changed()

    shed = Shed(
        clock,
        until=200,
        each_second=each_second,
        contacts=[WiredContact("smoke relay", ContactKind.DETECTOR, switch)],
    )
    shed.run()
    assert shed.seconds == [100.0 + n for n in range(len(shed.seconds))]
    assert [r.t_s for r in shed.readings] == shed.seconds
    (tripped,) = (o for o in shed.outcomes if o.events)
    assert 151.0 <= tripped.t_s <= 152.0
    assert shed.ear.heard == [Sounding.FIRE]


class Relay:
    """What lets the machine run: keeps what it was told, and by which thread."""

    def __init__(self) -> None:
        self.told: list[tuple[bool, threading.Thread]] = []
        self.refuses = 0  # so many words more

    @property
    def words(self) -> list[bool]:
        return [stopped for stopped, _ in self.told]

    def set(self, stopped: bool) -> None:
        self.told.append((stopped, threading.current_thread()))
        if self.refuses:
            self.refuses -= 1
            raise RuntimeError("a defect")


STOPS = replace(PLAN, stop=StopPlan())


def test_the_machine_is_stopped_before_anybody_keeps_that() -> None:
    relay = Relay()
    kept: list[list[bool]] = []

    class Kept(list[Outcome]):
        def append(self, outcome: Outcome) -> None:
            if outcome.stop:
                kept.append(relay.words)

    shed = Shed(ManualClock(0.0), watch=Watch(STOPS), relay=relay, until=5, outcomes=Kept())
    shed.supervisor.put(StopNow(t_s=0.0, by="cox"))
    shed.run()
    assert kept == [[True]]


def test_a_machine_that_was_stopped_is_off_before_the_first_second() -> None:
    relay = Relay()
    stopped = StopState(-60.0, StopPhase.STOPPED, cause="fire", event=1, stops=1)
    memory = WatchMemory(duties=(stopped,))
    Shed(ManualClock(0.0), watch=Watch(STOPS, memory), relay=relay, until=3).run()
    assert relay.told == [(True, threading.current_thread())]


def test_a_word_that_the_relay_did_not_take_is_told_again() -> None:
    relay = Relay()
    relay.refuses = 2
    shed = Shed(ManualClock(0.0), watch=Watch(STOPS), relay=relay, until=6)
    shed.supervisor.put(StopNow(t_s=0.0, by="cox"))
    shed.run()
    assert relay.words == [True, True, True]


def test_what_was_learned_is_told_at_a_jobs_end_and_at_the_stop() -> None:
    told: list[tuple[float, tuple[BalanceMemory, Afterwards]]] = []
    clock = ManualClock(0.0)
    commands: dict[float, Callable[[], Any]] = {
        5.0: lambda: StartJob(t_s=5.0, by="", name="fin box"),
        9.0: lambda: FinishJob(t_s=9.0, by="", job="north-bench-1"),
    }

    def each_second(t_s: float) -> None:
        if t_s in commands:
            shed.supervisor.put(commands.pop(t_s)())

    shed: Shed = Shed(
        clock,
        until=20,
        each_second=each_second,
        on_learned=lambda *learned: told.append((shed.seconds[-1], learned)),
    )
    shed.run()
    at_s = [t_s for t_s, _ in told]
    assert len(at_s) == 2
    assert 9.0 <= at_s[0] <= 11.0
    assert at_s[1] == shed.seconds[-1]


def test_a_keeper_that_fails_holds_nothing_up(caplog: pytest.LogCaptureFixture) -> None:
    def fail(*_: object) -> None:
        raise OSError("no disk")

    shed = Shed(ManualClock(), until=5, on_learned=fail)
    shed.run()
    assert "who keeps what was learned failed" in caplog.text


def test_a_loop_that_was_stopped_goes_on_with_the_present() -> None:
    clock = ManualClock(0.0)
    shed = Shed(clock, until=20, each_second=lambda t_s: clock.advance(1800.0 * (t_s == 10.0)))
    shed.run()
    assert shed.seconds[:11] == [float(n) for n in range(11)]
    assert shed.seconds[11] >= 1810.0
    kinds = [event.kind.value for outcome in shed.outcomes for event in outcome.events]
    assert "watch_gap" in kinds


def test_a_reading_between_two_ticks_is_shown_before_the_next() -> None:
    clock = ManualClock(100.0)
    views: list[WatchView] = []
    read = threading.Event()

    def on_view(view: WatchView) -> None:
        views.append(view)
        if view.t_s == 103.0 and not read.is_set():
            read.set()
            supervisor.put(Reading("top", 103.25, 51.5))
        if view.t_s == 104.0:
            enough.set()

    enough = threading.Event()
    supervisor = Supervisor(
        name="north bench",
        watch=Watch(PLAN),
        clock=clock,
        sounder=Ear(),
        sink=lambda _: None,
        on_reading=lambda _: None,
        on_view=on_view,
    )
    supervisor.start()
    assert enough.wait(20.0)
    supervisor.stop()
    between = next(view for view in views if view.thermal.sensors[0].temperature_c == 51.5)
    assert between.t_s == 103.0


def test_a_broken_switch_is_told_and_the_loop_goes_on() -> None:
    switch = Switch()
    switch.broken = True
    shed = Shed(ManualClock(), until=5, contacts=[WiredContact("door", ContactKind.DOOR, switch)])
    shed.run()
    (fault,) = (event for outcome in shed.outcomes for event in outcome.events)
    assert fault.detail["reason"] == "its wire is cut"


def test_commands_are_answered_and_refusals_raised() -> None:
    shed = Shed(SystemClock())
    shed.supervisor.start()
    try:
        begun = shed.supervisor.submit(StartJob(t_s=0.0, by="cox", name="fin boxes")).result(5.0)
        assert begun.created == "north-bench-1"
        with pytest.raises(CommandRefused):
            shed.supervisor.submit(PauseJob(t_s=0.0, by="cox", job="none-1")).result(5.0)
    finally:
        shed.supervisor.stop()


class Stumbling(Watch):
    """A watch with a defect in it."""

    def step(self, stimulus: Any) -> Outcome:
        if isinstance(stimulus, Trouble):
            raise ZeroDivisionError
        return super().step(stimulus)


def test_a_defect_in_one_rule_does_not_end_the_watching(caplog: pytest.LogCaptureFixture) -> None:
    shed = Shed(ManualClock(), until=6, watch=Stumbling(PLAN))
    shed.supervisor.put(Trouble(Kind.STORE_FAULT, 0.0, True))
    shed.run()
    assert len(shed.seconds) >= 6
    assert "step with a Trouble failed" in caplog.text
    assert shed.supervisor.failing


def test_a_detector_that_trips_in_a_defect_is_heard_all_the_same() -> None:
    """What a switch says is told until the watch has taken it."""

    class Deaf(Watch):
        def step(self, stimulus: Any) -> Outcome:
            if isinstance(stimulus, ContactState) and stimulus.t_s < 108.0:
                raise ZeroDivisionError
            return super().step(stimulus)

    clock = ManualClock(100.0)
    detector = Switch()
    detector.active = True
    shed = Shed(
        clock,
        until=12,
        watch=Deaf(PLAN),
        contacts=[WiredContact("smoke relay", ContactKind.DETECTOR, detector)],
    )
    shed.run()
    assert shed.ear.heard == [Sounding.FIRE]
    assert [o.t_s for o in shed.outcomes if o.events] == [108.0]


class Broken:
    """What stands around the watch and fails from one second to another, with any error."""

    def __init__(self, clock: ManualClock, since_s: float, until_s: float) -> None:
        self.clock, self.since_s, self.until_s = clock, since_s, until_s
        self.calls = 0

    def call(self, *_: object) -> None:
        if self.since_s <= self.clock.now_s() < self.until_s:
            self.calls += 1
            raise RuntimeError("torn off")

    set = check = call

    def script(self, t_s: float, view: WatchView) -> list[PauseJob]:
        self.call()
        return [PauseJob(t_s=t_s, by="cox", job="none-1")]  # which is refused, too


class BrokenSwitch(Switch):
    """A switch whose driver fails with an error that nobody mapped."""

    def __init__(self, broken: Broken) -> None:
        super().__init__()
        self._broken = broken

    def state(self) -> bool | None:
        self._broken.call()
        return super().state()


class Around:
    """A supervisor between listeners that work and one that doesn't."""

    def __init__(self, what: str, clock: ManualClock, broken: Broken) -> None:
        self.ear, self.outcomes, self.seconds = Ear(), list[Outcome](), list[float]()
        self.enough = threading.Event()
        self.failing_at: dict[float, tuple[str, ...]] = {}
        self.detector = Switch()
        given: dict[str, Any] = {
            "sounder": self.ear,
            "sink": self.outcomes.append,
            "on_reading": lambda _: None,
            "on_view": lambda _: None,
            "instant": [lambda t_s: Reading("top", t_s, 45.0)],
            "contacts": [WiredContact("smoke relay", ContactKind.DETECTOR, self.detector)],
            "checked": [],
        }
        if what == "contact":
            switch = BrokenSwitch(broken)
            given["contacts"].insert(0, WiredContact("door", ContactKind.DOOR, switch))
        elif what == "checked":
            given["checked"] = [broken]
        elif what == "instant":
            given["instant"].insert(0, broken.call)
        elif what == "script":
            given["script"] = broken.script
        else:
            given[what] = broken if what == "sounder" else broken.call
        self.told = given["on_view"]
        given["on_view"] = self._seen
        self.supervisor = Supervisor(name="north bench", watch=Watch(PLAN), clock=clock, **given)

    def _seen(self, view: WatchView) -> None:
        if view.t_s is not None:
            self.seconds.append(view.t_s)
            self.failing_at[view.t_s] = self.supervisor.failing
            self.detector.active = view.t_s >= 105.0
            if view.t_s >= 120.0:
                self.enough.set()
        self.told(view)


@pytest.mark.parametrize(
    "what",
    ["sounder", "sink", "on_reading", "on_view", "instant", "contact", "checked", "script"],
)
def test_whatever_fails_around_the_watch_it_watches_sounds_and_ticks_on(
    what: str, caplog: pytest.LogCaptureFixture
) -> None:
    clock = ManualClock(100.0)
    broken = Broken(clock, 103.0, 112.0)
    around = Around(what, clock, broken)
    around.supervisor.start()
    assert around.enough.wait(20.0)
    around.supervisor.stop()
    assert set(around.seconds) >= {100.0 + n for n in range(21)}
    if what == "sounder":
        assert around.ear.heard == []  # it was not this one
    else:
        assert around.ear.heard == [Sounding.FIRE]
    assert not around.failing_at[102.0]
    assert around.failing_at[111.0]
    if what != "sink":  # which has nothing to take by then
        assert not around.failing_at[120.0]
    assert broken.calls >= (1 if what == "sink" else 7)
    said = [r for r in caplog.records if r.exc_info and "torn off" in str(r.exc_info[1])]
    assert len(said) == 1, "logged once, not each second"


def test_a_sounder_that_failed_is_told_again() -> None:
    clock = ManualClock(100.0)
    broken = Broken(clock, 100.0, 110.0)
    heard: list[tuple[float, Sounding]] = []

    class Late:
        def set(self, sounding: Sounding) -> None:
            broken.call()
            heard.append((clock.now_s(), sounding))

    switch = Switch()
    switch.active = True
    enough = threading.Event()
    supervisor = Supervisor(
        name="north bench",
        watch=Watch(PLAN),
        clock=clock,
        sounder=Late(),
        sink=lambda _: None,
        on_reading=lambda _: None,
        on_view=lambda view: enough.set() if (view.t_s or 0.0) >= 115.0 else None,
        contacts=[WiredContact("smoke relay", ContactKind.DETECTOR, switch)],
    )
    supervisor.start()
    assert enough.wait(20.0)
    supervisor.stop()
    assert [sounding for _, sounding in heard] == [Sounding.FIRE]
    assert heard[0][0] <= 112.0


def test_a_switch_that_can_not_be_started_is_a_fault_and_no_all_clear() -> None:
    class Unstarted(Switch):
        def start(self, changed: Callable[[], None]) -> None:
            raise OSError("no such pin")

    wired = WiredContact("smoke relay", ContactKind.DETECTOR, Unstarted())
    shed = Shed(ManualClock(), until=5, contacts=[wired])
    shed.run()
    (fault,) = (event for outcome in shed.outcomes for event in outcome.events)
    assert "driver failed" in str(fault.detail["reason"])


def test_a_defect_in_the_loop_itself_is_survived(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("stillair.runtime.supervisor.REST_S", 0.001)
    clock = ManualClock(100.0)
    shed = Shed(clock, until=10)
    fails = iter([False] * 3 + [True] * 2)
    real = clock.now_s

    def now_s() -> float:
        if next(fails, False):
            raise OSError("no clock")
        return real()

    monkeypatch.setattr(clock, "now_s", now_s)
    shed.run()
    assert len(shed.seconds) >= 10
    assert shed.supervisor.failing == ()


def test_a_faster_clock_runs_every_second_of_the_chamber() -> None:
    shed = Shed(FasterClock(SystemClock(), 200.0), until=100)
    shed.run()
    steps = {b - a for a, b in zip(shed.seconds, shed.seconds[1:], strict=False)}
    assert steps == {1.0}


@pytest.mark.parametrize(
    ("step_s", "told"),
    [
        pytest.param(0.2, None, id="drift"),
        pytest.param(20.0, None, id="small: labels follow, nothing is said"),
        pytest.param(-3600.0, -3600.0, id="an hour back"),
        pytest.param(TOLD_STEP_S, TOLD_STEP_S, id="a minute"),
    ],
)
def test_labels_follow_the_wall_clock(step_s: float, told: float | None) -> None:
    clock = ManualClock(50.0, datetime(2026, 5, 2, 9, 0, tzinfo=UTC))
    labels = Labels(clock, "boot")
    before = labels.timeline()
    clock.advance(10.0)
    assert labels.check() is None
    assert labels.timeline() == before
    clock.step_wall(step_s)
    step = labels.check()
    assert (step.step_s if step else None) == (pytest.approx(told) if told is not None else None)
    moved_s = labels.timeline().wall_at_zero_s - before.wall_at_zero_s
    assert moved_s == pytest.approx(step_s if abs(step_s) >= 0.5 else 0.0)
