"""What the camera and the particle sensor show, on to events, alarms and their ends."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stillair.alarms.desk import CONFIRM_S
from stillair.model import (
    BURNING,
    CameraCondition,
    CameraState,
    Change,
    Detail,
    Kind,
    Movement,
    Particles,
    PauseJob,
    Sense,
    Sign,
    StartJob,
    WatchMemory,
)
from stillair.watch import Watch, WatchPlan
from unit.watch_story import PLAN, Story, detector, door

FIT = CameraCondition.FIT
UNFIT = [condition for condition in CameraCondition if condition is not FIT]


class Seen(Story):
    """A watch whose camera tells its condition, its signs and the machine's movement."""

    def __init__(
        self, memory: WatchMemory | None = None, *, plan: WatchPlan = PLAN, start_s: int = 0
    ) -> None:
        super().__init__(memory, start_s=start_s)
        self.watch = Watch(plan, memory)
        self.condition = FIT
        self.onset_s = 0.0
        self.moving: bool | None = None
        self.moved_s = 0.0
        self.take(door(float(start_s), False))
        self.take(detector(float(start_s), False))

    def sees(self, count: int, *names: str, strength: float = 0.6, air_c: float = 45.0) -> None:
        """So many seconds in which the camera shows these signs."""
        self.onset_s = self.t_s + 1.0
        for _ in range(count):
            t_s = float(self.t_s + 1)
            self.take(CameraState(t_s, self.condition, 0.0))
            if self.moving:
                self.moved_s = t_s
            self.take(Movement(t_s, self.moving, self.moved_s))
            for name in names:
                detail: Detail = {"regions": [[0.2, 0.5, 0.4, 0.9]], "share": 0.03}
                sign = Sign(
                    Sense.CAMERA, name, t_s, self.onset_s, strength, ("camera",), detail=detail
                )
                self.take(sign)
            self.seconds(1, air_c=air_c)

    def told(self, *kinds: Kind) -> list[tuple[str, str, float]]:
        """What was told of these kinds, or of all that may burn: kind, change and when."""
        wanted = kinds or tuple(BURNING)
        return [(e.kind.value, e.change.value, e.at_s) for e in self.events if e.kind in wanted]


STONE = replace(PLAN, thermal=replace(PLAN.thermal, combustible=False))


@pytest.mark.parametrize("plan", [PLAN, STONE], ids=["a box that burns", "a box of metal"])
def test_smoke_alone_says_to_look_at_the_picture_and_leave_the_box_shut(plan: WatchPlan) -> None:
    story = Seen(plan=plan)
    story.sees(20)
    story.sees(30, "smoke")
    story.sees(80)
    assert story.told() == [
        ("smoke", "raised", 21.0),
        ("smoke", "cleared", 110.0),
    ]
    raised = story.of(Kind.SMOKE)[0]
    assert (raised.priority.value, raised.sensors) == ("high", ("camera",))
    (notice,) = [n for o in story.outcomes for n in o.notices if n.kind is Kind.SMOKE][:1]
    assert "Look at the picture. Don't open the box" in notice.text
    assert "missing" not in raised.detail


@pytest.mark.parametrize(
    ("plan", "seconds", "expected"),
    [
        pytest.param(PLAN, 3, ["flame"], id="3 s, then gone"),
        pytest.param(STONE, 3, ["flame"], id="3 s, then gone, in a box of metal"),
        pytest.param(PLAN, 8, ["flame", "fire"], id="8 s in a box that burns"),
        pytest.param(STONE, 8, ["flame"], id="8 s in a box of metal"),
        pytest.param(STONE, 20, ["flame", "fire"], id="it stays"),
    ],
)
def test_a_flame_that_stays_is_fire(plan: WatchPlan, seconds: int, expected: list[str]) -> None:
    story = Seen(plan=plan)
    story.sees(10)
    story.sees(seconds, "flame")
    story.sees(60)
    assert [kind for kind, change, _ in story.told() if change == "raised"] == expected


def test_smoke_and_heat_are_fire_and_it_says_what_to_do() -> None:
    story = Seen()
    story.sees(60)
    story.sees(20, "smoke")
    for k in range(60):
        story.sees(1, "smoke", air_c=45.0 + 0.6 * k)
        if story.of(Kind.FIRE):
            break
    (fire,) = story.of(Kind.FIRE)
    assert fire.priority.value == "critical"
    assert fire.detail["signs"] == ["high_limit", "smoke"]
    (notice,) = [n for o in story.outcomes for n in o.notices if n.kind is Kind.FIRE]
    for words in ("power off away from the box", "Don't open", "everybody out", "fire service"):
        assert words in notice.text
    assert "The fire shows by smoke in the picture and heat above the limit" in notice.text


@pytest.mark.parametrize("condition", UNFIT)
def test_smoke_counts_in_an_unfit_view_only_where_it_may_have_made_it_so(
    condition: CameraCondition,
) -> None:
    story = Seen()
    story.condition = condition
    story.sees(30, "smoke", strength=0.9)
    # as thick smoke itself makes it; and few pictures show what there is
    hidden = condition.value in {"covered", "out_of_focus", "slow"}
    assert [kind for kind, *_ in story.told()] == (["smoke"] if hidden else [])
    assert [e.detail["condition"] for e in story.of(Kind.CAMERA_FAULT)] == [condition.value]


@pytest.mark.parametrize("condition", UNFIT)
def test_a_flame_counts_where_it_may_have_made_the_view_unfit(condition: CameraCondition) -> None:
    story = Seen()
    story.condition = condition
    story.sees(30, "flame", strength=0.9)
    shows_nothing = condition.value in {"lost", "frozen", "dark", "paused"}
    assert [kind for kind, *_ in story.told()] == ([] if shows_nothing else ["flame", "fire"])


@pytest.mark.parametrize("condition", UNFIT)
def test_a_view_that_becomes_unfit_ends_nothing_that_it_showed(condition: CameraCondition) -> None:
    story = Seen()
    story.sees(10)
    story.sees(20, "smoke")
    story.condition = condition
    story.sees(400)
    last = story.of(Kind.SMOKE)[-1]
    assert (last.change, last.detail["blind"]) == (Change.REVISED, True)
    story.condition = FIT
    story.sees(70)
    assert story.of(Kind.SMOKE)[-1].change is Change.CLEARED


def test_a_pause_that_a_person_wanted_and_a_fault_are_two_events() -> None:
    story = Seen()
    story.sees(10)
    for condition in ("slow", "paused", "lost"):
        story.condition = CameraCondition(condition)
        story.sees(10)
    story.condition = FIT
    story.sees(10)
    told = [(e.event, e.change.value, e.detail["condition"]) for e in story.of(Kind.CAMERA_FAULT)]
    first, second, third = (told[at][0] for at in (0, 2, 4))
    assert told == [
        (first, "raised", "slow"),
        (first, "cleared", "slow"),
        (second, "raised", "paused"),
        (second, "cleared", "paused"),
        (third, "raised", "lost"),
        (third, "cleared", "lost"),
    ]
    assert len({first, second, third}) == 3


def test_smoke_stands_on_after_a_restart_until_the_camera_has_seen_it_and_then_none() -> None:
    before = Seen()
    before.sees(20, "smoke")
    standing = tuple(before.watch.view().events)
    assert [e.kind for e in standing] == [Kind.SMOKE]
    after = Seen(WatchMemory(events=standing, next_event=9), start_s=30)
    after.condition = CameraCondition.DARK
    after.sees(300)
    assert [(c, s) for c, s, _ in after.told()] == [("smoke", "revised")]
    after.condition = FIT
    after.sees(70)  # by a camera that may have taken the smoke for its scene
    assert [(c, s) for c, s, _ in after.told()] == [("smoke", "revised")]
    after.sees(20, "smoke")
    after.sees(80)
    assert [(c, s) for c, s, _ in after.told()][-1] == ("smoke", "cleared")


def test_an_event_says_who_told_nothing_when_it_began() -> None:
    story = Seen()
    story.take(detector(0.5, None, "its wire is off"))
    story.condition = CameraCondition.DARK
    story.sees(20)
    story.take(door(20.5, True))
    story.sees(10)
    story.condition = FIT
    story.take(detector(30.5, False))
    story.sees(10)
    story.take(door(40.5, False))
    story.sees(60)
    told = story.of(Kind.DOOR_OPEN)
    assert [e.change for e in told][:: len(told) - 1] == [Change.RAISED, Change.CLEARED]
    assert {tuple(e.detail["missing"]) for e in told} == {("smoke relay", "camera")}  # type: ignore[arg-type]  # a list
    raised = next(a for o in story.outcomes for a in o.alarms if a.kind is Kind.DOOR_OPEN)
    assert "Nothing was heard then of smoke relay and the camera" in raised.text
    story.take(door(float(story.t_s), True))
    story.sees(5)
    assert "missing" not in story.of(Kind.DOOR_OPEN)[-1].detail


def test_a_sensor_that_is_not_trusted_is_not_said_to_have_been_silent() -> None:
    story = Seen()
    story.sees(60)
    story.sees(5, air_c=1500.0)  # told, and beyond what any can show
    story.take(door(float(story.t_s), True))
    story.sees(15, air_c=1500.0)
    detail = story.of(Kind.DOOR_OPEN)[0].detail
    assert detail["doubted"] == detail["missing"] != []
    raised = next(a for o in story.outcomes for a in o.alarms if a.kind is Kind.DOOR_OPEN)
    assert "Nothing was heard" not in raised.text
    assert "told then isn't trusted" in raised.text


def test_a_machine_that_stands_still_in_a_job_is_told() -> None:
    story = Seen()
    story.moving = True
    story.sees(30, air_c=50.0)
    story.take(StartJob(t_s=30.5, by="bench captain", name="hull"))
    story.sees(60, air_c=50.0)
    story.moving = False
    story.sees(320, air_c=50.0)
    (raised,) = story.of(Kind.NO_MOTION)
    assert (raised.at_s, raised.onset_s, raised.priority.value) == (390.0, 90.0, "high")
    notices = [n for o in story.outcomes for n in o.notices if n.kind is Kind.NO_MOTION]
    assert "jam" in notices[0].text
    story.condition = CameraCondition.COVERED
    story.sees(100, air_c=50.0)
    assert len(story.of(Kind.NO_MOTION)) == 1, "blind is neither still nor moving"
    story.condition = FIT
    story.moving = True
    story.sees(2, air_c=50.0)
    assert story.of(Kind.NO_MOTION)[-1].change is Change.CLEARED


def test_a_pause_that_was_announced_is_no_standstill() -> None:
    story = Seen()
    story.moving = True
    story.take(StartJob(t_s=0.5, by="bench captain", name="hull"))
    story.sees(60, air_c=50.0)
    story.take(PauseJob(t_s=60.5, by="bench captain", job="north-bench-1"))
    story.moving = False
    story.sees(900, air_c=50.0)
    assert story.of(Kind.NO_MOTION) == []


def test_a_standstill_that_goes_on_over_a_restart_is_one_event() -> None:
    before = Seen()
    before.moving = True
    before.take(StartJob(t_s=0.5, by="bench captain", name="hull"))
    before.sees(60, air_c=50.0)
    before.moving = False
    before.sees(320, air_c=50.0)
    view = before.watch.view()
    after = Seen(
        WatchMemory(events=view.events, job=view.job, next_event=9, next_job=2), start_s=before.t_s
    )
    after.moving = False
    after.sees(int(CONFIRM_S) + 100, air_c=50.0)
    assert after.of(Kind.NO_MOTION) == []
    after.moving = True
    after.sees(2, air_c=50.0)
    (over,) = after.of(Kind.NO_MOTION)
    assert over.change is Change.CLEARED


def test_particles_alone_are_smoke_and_their_fault_is_told() -> None:
    story = Seen(plan=replace(PLAN, particles=("air",)))
    for _ in range(120):
        story.take(Particles("air", float(story.t_s), 10.0))
        story.sees(1)
    for _ in range(60):
        story.take(Particles("air", float(story.t_s), 900.0))
        story.sees(1)
    raised = story.of(Kind.SMOKE)[0]
    assert (raised.change, raised.sensors) == (Change.RAISED, ("air",))
    story.take(Particles("air", float(story.t_s), None, "its fan stands still"))
    story.sees(1)
    assert story.of(Kind.SENSOR_FAULT)[-1].detail["reason"] == "its fan stands still"
    story.take(door(float(story.t_s), True))
    story.sees(2)
    assert story.of(Kind.DOOR_OPEN)[-1].detail["missing"] == ["air"]
