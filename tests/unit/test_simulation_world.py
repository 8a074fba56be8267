"""The simulated world: time, script, switches, marks, and several threads at once."""

from __future__ import annotations

import sys
import threading
from dataclasses import replace

import pytest

from stillair.errors import CameraError, ContactError, SensorError, TimeOrderError
from stillair.model import ContactKind
from stillair.simulation.physics import HeaterPlan, RoomPlan
from stillair.simulation.points import PointPlan
from stillair.simulation.scenario import ContactPlan, Scenario, Step, action
from stillair.simulation.world import SimulatedChamber

CONTACTS = (
    ContactPlan("door", ContactKind.DOOR),
    ContactPlan("smoke", ContactKind.DETECTOR),
    ContactPlan("button", ContactKind.PRESENCE),
    ContactPlan("heater", ContactKind.HEATER),
    ContactPlan("mains", ContactKind.SUPPLY),
)


def scenario(*steps: Step, repeat_s: float | None = None, warm_start_s: float = 0.0) -> Scenario:
    return Scenario(
        "test",
        room=RoomPlan(mean_c=20.0),
        heater=HeaterPlan(target_c=45.0),
        sensors=(PointPlan("top", height=0.9), PointPlan("low", height=0.1)),
        contacts=CONTACTS,
        steps=steps,
        warm_start_s=warm_start_s,
        repeat_s=repeat_s,
    )


def world(*steps: Step) -> SimulatedChamber:
    return SimulatedChamber(scenario(*steps))


def test_heaters_and_their_supply_have_switches() -> None:
    chamber = world(
        action(10, "lose_heat", of="both", for_s=20), action(40, "heater_to"), action(40, "bed_to")
    )
    told: list[tuple[bool, bool]] = []
    changes: list[None] = []
    chamber.on_switch(lambda: changes.append(None))
    for t_s in (5, 20, 35, 45):
        chamber.advance(t_s)
        told.append((chamber.contact("heater"), chamber.contact("mains")))
    assert told == [(True, False), (False, True), (True, False), (False, False)]
    assert len(changes) >= 3, "who waits for a switch hears of it"


@pytest.mark.parametrize(
    "times",
    [
        pytest.param([900.0], id="at once"),
        pytest.param([float(n) for n in range(901)], id="every second"),
        pytest.param([n * 0.37 for n in range(2433)] + [900.0], id="odd pieces"),
        pytest.param([0.0, 500.0, 300.0, 900.0], id="a look back in between"),
    ],
)
def test_course_does_not_depend_on_how_it_is_asked(times: list[float]) -> None:
    one, other = (world(action(100, "open_door", for_s=60)) for _ in range(2))
    for t_s in times:
        one.advance(t_s)
    for t_s in range(0, 901, 7):
        other.advance(t_s)
    other.advance(900)
    assert one.temperatures() == other.temperatures()
    assert one.temperature_c("top") == other.temperature_c("top")
    assert one.truth() == other.truth()


def test_seed_changes_noise_and_nothing_else() -> None:
    def course(seed: int) -> tuple[list[float | None], dict[str, float]]:
        chamber = SimulatedChamber(scenario(), seed=seed)
        shown = []
        for t_s in range(300):
            chamber.advance(t_s)
            shown.append(chamber.temperature_c("top"))
        return shown, chamber.temperatures()

    first, again, other = course(1), course(1), course(2)
    assert first == again
    assert first[0] != other[0]
    assert first[1] == other[1]


@pytest.mark.parametrize("t_s", [float("nan"), float("inf"), -float("inf"), 31 * 86400.0])
def test_impossible_time_is_refused(t_s: float) -> None:
    with pytest.raises(TimeOrderError):
        world().advance(t_s)


def test_negative_time_is_before_the_beginning() -> None:
    chamber = world()
    chamber.advance(-50.0)
    assert chamber.now_s == 0.0


def test_warm_start_is_warm_at_once() -> None:
    warm = SimulatedChamber(scenario(warm_start_s=7200.0))
    slow = SimulatedChamber(scenario())
    slow.advance(7200)
    assert warm.temperatures()["upper"] > 40.0
    # The warm start takes longer steps; the slow masses must agree all the same.
    for mass in ("wall_upper", "wall_lower", "machine"):
        assert warm.temperatures()[mass] == pytest.approx(slow.temperatures()[mass], abs=0.5)


def test_door_is_a_switch_a_flow_and_a_truth() -> None:
    chamber = world(action(10, "open_door", for_s=30))
    chamber.advance(9.9)
    assert not chamber.door_open()
    chamber.advance(10.5)
    assert chamber.door_open()
    assert chamber.contact("door")
    chamber.advance(60)
    assert not chamber.contact("door")
    assert [(one.kind, one.start_s, one.end_s) for one in chamber.truth()] == [
        ("door_open", 10.0, 41.5)
    ]


def test_detector_trips_by_smoke_and_falls_back_in_clean_air() -> None:
    chamber = world(
        action(10, "fire", smoulder_s=600.0),
        action(200, "fire_out"),
        action(200, "open_door", for_s=600.0),
        action(200, "draft", air_changes_per_h=200.0),
    )
    chamber.advance(10)
    assert not chamber.contact("smoke")
    chamber.advance(199)
    assert chamber.contact("smoke")
    chamber.advance(900)
    assert not chamber.contact("smoke")


def test_button_is_pressed_by_the_script_and_counted() -> None:
    chamber = world(action(10, "contact_on", contact="button", for_s=2.0))
    chamber.advance(11)
    assert chamber.contact("button")
    chamber.advance(30)
    assert not chamber.contact("button")
    assert chamber.presses("button") == 1


def test_broken_wire_of_a_switch_is_an_error() -> None:
    chamber = world(action(10, "contact_broken", contact="door", for_s=5.0))
    chamber.advance(12)
    with pytest.raises(ContactError, match="the wire is open"):
        chamber.contact("door")
    chamber.advance(20)
    assert chamber.contact("door") is False


def test_unknown_names_are_errors_that_do_not_go_away() -> None:
    chamber = world()
    with pytest.raises(SensorError, match="no such sensor") as no_sensor:
        chamber.temperature_c("nobody")
    with pytest.raises(ContactError, match="no such switch") as no_switch:
        chamber.contact("nobody")
    assert not no_sensor.value.retry
    assert not no_switch.value.retry


def test_listener_hears_of_every_change_of_a_switch() -> None:
    chamber = world(
        action(10, "open_door", for_s=30), action(60, "contact_on", contact="button", for_s=1)
    )
    heard: list[float] = []
    chamber.advance(0)
    chamber.on_switch(lambda: heard.append(chamber.now_s))
    for t_s in range(1, 100):
        chamber.advance(t_s)
    # Open from 11 s (at 10.0 s it has not moved yet); shut when it has swung to, 1.5 s later.
    assert heard == [11.0, 42.0, 60.0, 61.0]


def test_job_grows_pauses_and_ends() -> None:
    chamber = world(
        action(
            10,
            "job_start",
            name="Fin box",
            material="ASA",
            machine="left",
            height_mm=30,
            build_s=600,
        ),
        action(310, "job_pause", for_s=100),
    )
    chamber.advance(2000)
    marks = chamber.marks()
    assert chamber.marks() == ()
    kinds = [mark.kind for mark in marks if mark.kind != "progress"]
    assert kinds == ["start", "pause", "resume", "finish"]
    assert (marks[0].name, marks[0].material, marks[0].machine) == ("Fin box", "ASA", "left")
    heights = [mark.height_mm for mark in marks]
    assert heights == sorted(heights)
    assert heights[0] == 0.0
    assert heights[-1] == pytest.approx(30.0)
    assert marks[-1].t_s == pytest.approx(10.0 + 600.0 + 100.0, abs=1.5)
    paused = next(mark for mark in marks if mark.kind == "pause")
    assert paused.height_mm == pytest.approx(15.0, abs=0.3)


def test_next_job_ends_the_one_before() -> None:
    chamber = world(
        action(10, "job_start", name="First", build_s=9000),
        action(100, "job_start", name="Second", build_s=9000),
    )
    chamber.advance(110)
    assert [(m.kind, m.name) for m in chamber.marks() if m.kind != "progress"] == [
        ("start", "First"),
        ("finish", "First"),
        ("start", "Second"),
    ]


def test_pause_without_a_job_changes_nothing() -> None:
    chamber = world(action(10, "job_pause"), action(20, "job_resume"), action(30, "job_finish"))
    chamber.advance(60)
    assert chamber.marks() == ()
    assert chamber.truth() == ()


def test_day_repeats_and_ends_carry_over() -> None:
    chamber = SimulatedChamber(
        scenario(action(90, "open_door", for_s=20), action(5, "lamp_off", for_s=1), repeat_s=100.0)
    )
    chamber.advance(330)
    doors = [(one.start_s, one.end_s) for one in chamber.truth() if one.kind == "door_open"]
    assert doors == [(90.0, 111.5), (190.0, 211.5), (290.0, 311.5)]


def test_script_kept_running_for_weeks_does_not_grow() -> None:
    chamber = SimulatedChamber(scenario(action(1, "lamp_off", for_s=1), repeat_s=60.0))
    chamber.advance(60 * 5000)
    assert len(chamber.truth()) == 4096
    assert sys.getsizeof(chamber._script._due) < 2000  # a private look: growth shows nowhere else


@pytest.mark.parametrize(
    ("do", "told"), [("camera_lost", True), ("camera_frozen", False)], ids=["lost", "frozen"]
)
def test_camera_fails_by_script(do: str, told: bool) -> None:
    chamber = world(action(10, do, for_s=10))
    chamber.advance(15)
    if told:
        with pytest.raises(CameraError, match="unplugged"):
            chamber.scene_state()
    else:
        first = chamber.picture().tobytes()
        chamber.advance(18)
        assert chamber.picture().tobytes() == first
    chamber.advance(30)
    assert chamber.scene_state().t_s == 30.0


def test_many_threads_share_one_world() -> None:
    """Whoever moves it, it has one course: the same as with one thread."""
    shared, alone = world(action(50, "open_door", for_s=30)), world()
    alone = SimulatedChamber(replace(shared.scenario))
    failed: list[BaseException] = []

    def run(offset_s: float) -> None:
        try:
            for t_s in range(0, 600, 5):
                shared.advance(t_s + offset_s)
                shared.temperature_c("top")
                shared.contact("door")
                if t_s % 50 == 0:
                    shared.picture()
        except BaseException as error:
            failed.append(error)
            raise

    threads = [threading.Thread(target=run, args=(n * 0.9,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    shared.advance(600)
    alone.advance(600)
    assert failed == []
    assert shared.temperatures() == alone.temperatures()
    assert shared.temperature_c("top") == alone.temperature_c("top")
