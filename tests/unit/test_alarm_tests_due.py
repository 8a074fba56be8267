"""When an alarm test is due, what is done then, and a wish from a shell that nobody can read."""

from __future__ import annotations

import json
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from kept_things import alarm, alarm_test
from stillair.clock import ManualClock
from stillair.config.reading import chamber_from_text
from stillair.errors import CommandRefused, Refusal, StoreError
from stillair.model import (
    AlarmState,
    AlarmTestPhase,
    AlarmTestState,
    AlarmTestTold,
    Kind,
    Outcome,
    PartTried,
    RouteTried,
    SignalClass,
    StartAlarmTest,
    Stimulus,
    Timeline,
)
from stillair.runtime.alarm_tests import AlarmTests
from stillair.runtime.asking import ANSWERED, WANTED
from stillair.runtime.chamber import Chamber
from stillair.runtime.service import Service
from stillair.runtime.tested import mark_with, now
from stillair.storage.history import Page

DAY_S = 86_400.0
NOON = datetime(2026, 5, 2, 10, 30, tzinfo=UTC)  # half past noon in Berlin
CHAMBER = """
[chamber]
name = "north bench"
timezone = "Europe/Berlin"

[[sensor]]
name = "top"
driver = "onewire"
address = "28-0000075c2f11"

[alarm_test]
every_days = 30
hour = 12
automatic = {automatic}
{people}
"""
SOUNDER = """
[sounder]
driver = "gpio"
pin = 18
"""
PEOPLE = """
[[person]]
name = "bench captain"
routes = ["mailto:captain@example.org"]

[mail]
host = "127.0.0.1"
port = 25
security = "none"
"""


@dataclass
class Shed:
    """A chamber whose watch carries out nothing, and what was done about its alarm tests."""

    folder: Path
    automatic: bool = False
    people: str = PEOPLE
    state: AlarmTestState | None = None
    refuse: str = ""
    alarms: tuple[AlarmState, ...] = ()
    begun: list[StartAlarmTest] = field(default_factory=list)
    kept: list[Outcome] = field(default_factory=list)
    told: list[Stimulus] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.forgotten: list[str] = []
        self.withdrawn: list[str] = []
        self.rows: list[Any] = []
        self.now_s = 0.0
        self.beside: list[Chamber] = []
        self.clock = ManualClock()
        self.at = NOON
        text = CHAMBER.format(automatic=str(self.automatic).lower(), people=self.people)
        self.chamber = cast(
            "Chamber",
            SimpleNamespace(
                key="north-bench",
                settings=chamber_from_text(text, "north.toml", self.folder),
                clock=self.clock,
                speed=1.0,
                labels=SimpleNamespace(timeline=self.timeline),
                supervisor=self,
            ),
        )
        self.tests = AlarmTests(
            self.folder,
            chambers=lambda: [self.chamber, *self.beside],
            tries=cast("Any", SimpleNamespace(tries_of=lambda _: self.rows)),
            keep=lambda _key, outcome: self.kept.append(outcome),
            withdraw=self.withdraw,
            forget=self.forgotten.append,
            mark=lambda settings: settings.reach_mark,
            monotonic_s=lambda: self.now_s,
        )

    def withdraw(self, keys: str) -> int:
        self.withdrawn.append(keys)
        return 1

    def happened(self, *duties: AlarmTestState, alarms: tuple[AlarmState, ...] = ()) -> None:
        self.tests.happened("north-bench", Outcome("north-bench", 0.0, (), alarms, duties=duties))

    def taken_back(self) -> tuple[list[str], list[str]]:
        """What the courier and what the outbox are to send no more."""
        self.tests._send_no_more()
        return self.forgotten, self.withdrawn

    def timeline(self) -> Timeline:
        return Timeline("boot", self.at.timestamp() - self.clock.now_s())

    @property
    def view(self) -> object:
        return SimpleNamespace(alarm_test=self.state, alarms=self.alarms)

    def put(self, stimulus: Stimulus) -> None:
        self.told.append(stimulus)

    def submit(self, command: StartAlarmTest) -> Future[Outcome]:
        future: Future[Outcome] = Future()
        if self.refuse:
            future.set_exception(CommandRefused(Refusal.CONFLICT, self.refuse))
        else:
            self.begun.append(command)
            future.set_result(Outcome("north-bench", command.t_s, created=command.id))
        return future

    def ago(self, days: float) -> AlarmTestState:
        now_s = self.clock.now_s()
        return replace(alarm_test(), started_s=now_s - days * DAY_S)


def tone(fault: str) -> Future[str]:
    made: Future[str] = Future()
    made.set_result(fault)
    return made


@pytest.mark.parametrize(
    ("sounder", "danger", "made", "told"),
    [
        pytest.param(True, None, tone(""), PartTried(True, ""), id="well"),
        pytest.param(True, None, tone("no pin"), PartTried(False, "no pin"), id="it fails"),
        pytest.param(True, None, None, "sounds already", id="something sounds"),
        pytest.param(False, None, tone(""), "no sounder", id="there is none"),
        pytest.param(True, "here", tone(""), "There is danger", id="danger"),
        pytest.param(True, "beside", tone(""), "There is danger", id="danger in another box"),
    ],
)
def test_the_sounder_alone_is_tried_in_no_danger(
    tmp_path: Path,
    sounder: bool,
    danger: str | None,
    made: Future[str] | None,
    told: PartTried | str,
) -> None:
    shed = Shed(tmp_path, people=PEOPLE + SOUNDER * sounder)
    fire = (replace(alarm(), kind=Kind.FIRE, signal_class=SignalClass.ALARM),)
    shed.alarms = fire if danger == "here" else ()
    if danger == "beside":
        view = SimpleNamespace(alarms=fire)
        other = SimpleNamespace(
            key="south-bench",
            settings=SimpleNamespace(name="south bench"),
            supervisor=SimpleNamespace(view=view),
        )
        shed.beside.append(cast("Chamber", other))
    asked: list[str] = []

    def try_out() -> Future[str] | None:
        asked.append("tone")
        return made

    cast("Any", shed.chamber).sounder = SimpleNamespace(try_out=try_out)
    if isinstance(told, str):
        with pytest.raises(CommandRefused, match=told):
            shed.tests.try_sounder("north-bench")
        assert asked == [] or made is None
    else:
        assert shed.tests.try_sounder("north-bench") == told
    assert shed.told == [], "the watch hears nothing of it"


@pytest.mark.parametrize(
    ("days", "phase", "due"),
    [
        pytest.param(None, AlarmTestPhase.DONE, True, id="never tested"),
        pytest.param(29.0, AlarmTestPhase.DONE, False, id="a day to go"),
        pytest.param(29.98, AlarmTestPhase.DONE, True, id="about the same hour 30 days ago"),
        pytest.param(31.0, AlarmTestPhase.DONE, True, id="a day late"),
        pytest.param(2.0, AlarmTestPhase.CUT_OFF, True, id="the last one came to no end"),
    ],
)
def test_it_is_asked_for_when_it_is_due(
    tmp_path: Path, days: float | None, phase: AlarmTestPhase, due: bool
) -> None:
    shed = Shed(tmp_path)
    if days is not None:
        shed.state = replace(shed.ago(days), phase=phase, why="x")
    shed.tests.look()
    assert bool(shed.kept) is due
    assert shed.begun == [], "nothing sounds by itself"


def test_a_reminder_is_one_quiet_message_and_comes_again_only_after_as_long(
    tmp_path: Path,
) -> None:
    shed = Shed(tmp_path)
    for hours in range(24 * 61):
        shed.at = NOON + timedelta(hours=hours)
        shed.tests.look()
    notices = [notice for outcome in shed.kept for notice in outcome.notices]
    assert {(n.person, n.route, n.priority.value, n.stage) for n in notices} == {
        ("bench captain", "mailto:captain@example.org", "low", "reminder")
    }
    # The outbox takes a key once; a look is there for each day, also after a restart.
    assert len({notice.key for notice in notices}) == 3
    assert notices[0].title == "north bench: time for an alarm test"
    assert notices[0].text.startswith("The alarms have never been tested. Start an alarm test")


@pytest.mark.parametrize(
    ("at", "looked"),
    [
        pytest.param(NOON, True, id="the hour"),
        pytest.param(NOON - timedelta(hours=1), False, id="before"),
        pytest.param(NOON + timedelta(hours=1), False, id="after"),
        pytest.param(NOON - timedelta(hours=11), False, id="at night"),
    ],
)
def test_it_is_looked_at_in_the_hour_that_is_set(
    tmp_path: Path, at: datetime, looked: bool
) -> None:
    shed = Shed(tmp_path)
    shed.at = at
    shed.tests.look()
    shed.tests.look()
    assert len(shed.kept) == (1 if looked else 0)


def test_it_begins_by_itself_where_that_is_set(tmp_path: Path) -> None:
    shed = Shed(tmp_path, automatic=True)
    shed.tests.look()
    (begun,) = shed.begun
    assert (begun.by, begun.scheduled) == ("the schedule", True)
    assert begun.setup == shed.chamber.settings.reach_mark
    assert shed.kept == []


@pytest.mark.parametrize(
    ("hours", "begins"),
    [
        pytest.param("12:00-14:00", False, id="in somebody's quiet hours"),
        pytest.param("22:00-07:00", True, id="outside of them"),
    ],
)
def test_by_itself_it_wakes_nobody(tmp_path: Path, hours: str, begins: bool) -> None:
    quiet = f'quiet_hours = "{hours}"\n\n[mail]'
    shed = Shed(tmp_path, automatic=True, people=PEOPLE.replace("[mail]", quiet))
    shed.tests.look()
    assert bool(shed.begun) is begins
    assert [notice for outcome in shed.kept for notice in outcome.notices] == []


def test_one_that_is_refused_by_itself_is_logged_and_nothing_breaks(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    Shed(tmp_path, automatic=True, refuse="there is danger").tests.look()
    assert "no alarm test was begun: there is danger" in caplog.text


def test_where_nobody_is_named_nobody_is_reminded(tmp_path: Path) -> None:
    shed = Shed(tmp_path, people="")
    shed.tests.look()
    assert shed.kept == []


# --- a wish from a shell -----------------------------------------------------------


def answer(folder: Path) -> Any:
    path = folder / ANSWERED
    return json.loads(path.read_text()) if path.exists() else None


@pytest.mark.parametrize(
    ("wish", "told"),
    [
        pytest.param({"id": "1", "chamber": None}, "test", id="the first chamber"),
        pytest.param({"id": "1", "chamber": "north-bench"}, "test", id="by its key"),
        pytest.param({"id": "1", "chamber": "jetty"}, "refused", id="no such chamber"),
        pytest.param({"id": "1", "chamber": ["x"]}, "refused", id="no key at all"),
    ],
)
def test_a_wish_is_answered(tmp_path: Path, wish: object, told: str) -> None:
    shed = Shed(tmp_path)
    (tmp_path / WANTED).write_text(json.dumps(wish))
    shed.tests._take_wish()
    said = answer(tmp_path)
    assert said["id"] == "1" and said[told]
    assert not (tmp_path / WANTED).exists()
    assert len(shed.begun) == (1 if told == "test" else 0)


def test_a_wish_that_the_watch_refuses_says_why(tmp_path: Path) -> None:
    shed = Shed(tmp_path, refuse="an alarm test is running already")
    (tmp_path / WANTED).write_text('{"id": "1"}')
    shed.tests._take_wish()
    assert answer(tmp_path)["refused"] == "an alarm test is running already"


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"{",
        b"[]",
        b"\xff\xfe",
        b'{"id": "1"' + b" " * 100_000,
        pytest.param(b"[" * 900, id="deep"),
    ],
)
def test_a_wish_that_nobody_understands_is_thrown_away(tmp_path: Path, text: bytes) -> None:
    shed = Shed(tmp_path)
    (tmp_path / WANTED).write_bytes(text)
    shed.tests._take_wish()
    assert shed.begun == [] and answer(tmp_path) is None
    assert not (tmp_path / WANTED).exists()


# --- what can't be read -------------------------------------------------------------


def test_without_an_outbox_to_read_it_ends_all_the_same_and_is_logged_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    shed = Shed(tmp_path)
    now_s = 0.0
    asked = 0

    class Broken:
        def alarm_tests(self, *_: object, **__: object) -> Page:
            raise StoreError("the disk is away")

        def tries_of(self, _keys: str) -> list[Any]:
            nonlocal asked
            asked += 1
            raise StoreError("the disk is away")

    tests = AlarmTests(
        tmp_path,
        chambers=lambda: [shed.chamber],
        tries=Broken(),
        keep=lambda *_: None,
        withdraw=lambda _: 0,
        forget=lambda _: None,
        mark=lambda settings: settings.reach_mark,
        monotonic_s=lambda: now_s,
    )
    route = RouteTried("cox", "mailto:cox@example.org", "test:x:1")
    running = replace(alarm_test(routes=(route,)), phase=AlarmTestPhase.RUNNING)
    tests.happened("north-bench", Outcome("north-bench", 0.0, duties=(running,)))
    for second in range(70):
        now_s = float(second)
        tests._follow_all()
    told = [each for each in shed.told if isinstance(each, AlarmTestTold)]
    assert [each.done for each in told].count(True) == 1
    assert told[0].stop == PartTried(None), "there is none"
    assert PartTried(None) in [each.sounder for each in told], "nor a sounder"
    assert told[-1].routes == (route,), "nobody knows"
    assert asked > 60
    assert caplog.text.count("the disk is away") == 1


def test_taking_back_is_tried_again_until_it_works(tmp_path: Path) -> None:
    shed = Shed(tmp_path)
    now_s = 0.0
    tried: list[tuple[float, str]] = []
    forgotten: list[str] = []

    def withdraw(keys: str) -> int:
        tried.append((now_s, keys))
        if now_s < 8.0:
            raise StoreError("the disk is away")
        return 1

    tests = AlarmTests(
        tmp_path,
        chambers=lambda: [shed.chamber],
        tries=cast("Any", None),
        keep=lambda *_: None,
        withdraw=withdraw,
        forget=forgotten.append,
        mark=lambda settings: settings.reach_mark,
        monotonic_s=lambda: now_s,
    )
    ended = alarm_test(phase=AlarmTestPhase.ENDED)
    tests.happened("north-bench", Outcome("north-bench", 0.0, duties=(ended,)))
    for second in range(30):
        now_s = float(second)
        tests._send_no_more()
    assert forgotten == [f"test:{ended.id}:"], "at once"
    assert tried == [(t_s, f"test:{ended.id}:") for t_s in (0.0, 5.0, 10.0)]


FIRE = replace(
    alarm(), kind=Kind.FIRE, signal_class=SignalClass.ALARM, text="Fire: top is at 140 °C."
)
OVER = replace(FIRE, condition=False)
DRAFT = alarm()


def beside(*alarms: AlarmState) -> Chamber:
    """Another chamber of this service, and what stands there."""
    shown = SimpleNamespace(view=SimpleNamespace(alarms=alarms, alarm_test=None))
    settings = SimpleNamespace(name="South bench")
    return cast("Chamber", SimpleNamespace(key="south-bench", supervisor=shown, settings=settings))


@pytest.mark.parametrize(
    ("stands", "why"),
    [
        pytest.param(FIRE, "South bench: Fire: top is at 140 °C.", id="fire"),
        pytest.param(OVER, "nobody is done with it", id="one that nobody is done with"),
        pytest.param(DRAFT, "", id="no danger"),
    ],
)
def test_no_test_begins_while_there_is_danger_in_another_chamber(
    tmp_path: Path, stands: AlarmState, why: str
) -> None:
    shed = Shed(tmp_path)
    shed.beside = [beside(stands)]
    (tmp_path / WANTED).write_text('{"id": "1", "chamber": "north-bench"}')
    shed.tests._take_wish()
    assert why in answer(tmp_path)["refused"]
    assert bool(shed.begun) is not bool(why)


@pytest.mark.parametrize(
    ("stands", "ends"),
    [
        pytest.param(FIRE, True, id="fire"),
        pytest.param(OVER, False, id="one that is over"),
        pytest.param(DRAFT, False, id="no danger"),
    ],
)
def test_danger_in_another_chamber_ends_a_test_that_runs(
    tmp_path: Path, stands: AlarmState, ends: bool
) -> None:
    shed = Shed(tmp_path)
    shed.happened(alarm_test(phase=AlarmTestPhase.RUNNING))
    shed.beside = [beside(stands)]
    shed.tests._follow_all()
    dangers = [each.danger for each in shed.told if isinstance(each, AlarmTestTold)]
    assert any(dangers) is ends
    if ends:
        assert dangers == ["South bench: Fire: top is at 140 °C."]


@pytest.mark.parametrize(
    ("alarms", "back"),
    [
        pytest.param((FIRE,), True, id="fire"),
        pytest.param((OVER,), False, id="one that is over"),
        pytest.param((DRAFT,), False, id="no danger"),
    ],
)
@pytest.mark.parametrize("phase", [AlarmTestPhase.RUNNING, AlarmTestPhase.DONE])
def test_with_danger_nothing_more_of_a_test_is_sent_though_it_be_done(
    tmp_path: Path, alarms: tuple[AlarmState, ...], back: bool, phase: AlarmTestPhase
) -> None:
    shed = Shed(tmp_path)
    running = alarm_test(phase=AlarmTestPhase.RUNNING)
    shed.happened(running)
    shed.now_s = 70.0
    shed.tests._follow_all()
    shed.happened(replace(running, phase=phase))
    shed.happened(alarms=alarms)
    keys = [f"test:{running.id}:"] if back else []
    assert shed.taken_back() == (keys, keys)


def test_a_test_is_taken_back_before_the_message_of_danger_is_handed_on() -> None:
    done: list[str] = []

    def part(name: str) -> Any:
        return SimpleNamespace(
            **dict.fromkeys(("happened", "take"), lambda *_: done.append(name)), hand=None
        )

    shed = SimpleNamespace(
        _chambers={
            "north-bench": SimpleNamespace(
                stories=part("stories"), labels=SimpleNamespace(timeline=lambda: None)
            )
        },
        pictures=part("pictures"),
        clips=part("clips"),
        alarm_tests=part("test"),
        _handing=part("handing"),
        writer=None,
        courier=part("courier"),
    )
    Service.keep(cast("Service", shed), "north-bench", Outcome("north-bench", 0.0, alarms=(FIRE,)))
    assert done.index("test") < done.index("handing")


def test_what_no_server_took_in_time_is_not_sent_for_days(tmp_path: Path) -> None:
    shed = Shed(tmp_path)
    running = alarm_test(phase=AlarmTestPhase.RUNNING)
    shed.happened(running)
    for shed.now_s in (70.0, 880.0):
        shed.tests._follow_all()
        assert shed.taken_back() == ([], [])
    shed.now_s = 910.0
    shed.tests._follow_all()
    assert shed.taken_back() == ([f"test:{running.id}:"],) * 2


def test_a_test_of_before_the_start_sends_nothing_more(tmp_path: Path) -> None:
    shed = Shed(tmp_path)
    shed.state = alarm_test()
    shed.tests.start()
    shed.tests.stop()
    assert shed.forgotten == [f"test:{shed.state.id}:"]


def test_several_chambers_are_named(tmp_path: Path) -> None:
    shed = Shed(tmp_path)
    one = now([shed.chamber], shed.tests.mark)
    assert one["text"] == "The alarms have never been tested"
    two = now([shed.chamber, shed.chamber], shed.tests.mark)
    assert two["text"] == "north bench: the alarms have never been tested"
    assert (two["ready"], len(cast("Any", two["chambers"]))) == (False, 2)


def test_a_telephone_that_joins_or_leaves_has_to_be_tried(tmp_path: Path) -> None:
    text = CHAMBER.format(automatic="false", people=PEOPLE).replace(
        '["mailto:captain@example.org"]', '["webpush:"]'
    )
    settings = chamber_from_text(text, "north.toml", tmp_path)
    joined: dict[str, tuple[str, ...]] = {}

    class Some:
        def of(self, person: str) -> tuple[object, ...]:
            return tuple(SimpleNamespace(id=each) for each in joined.get(person, ()))

    mark = mark_with(cast("Any", Some()))
    marks = [mark(settings)]
    for telephones in (("one",), ("one", "two"), ("two",), ("two",)):
        joined["bench captain"] = telephones
        joined["a stranger"] = (*telephones, "three")
        marks.append(mark(settings))
    assert len(set(marks)) == 4
    assert marks[-1] == marks[-2]
