"""Who at a hall is told what, when, and that nobody is told twice."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from hall_voices import AT, a_job, alarm, an_alarm, board_mark, now, watch
from stillair.alarms.flood import MOST
from stillair.alarms.reaching import Person, QuietHours
from stillair.alerts.pacing import presses
from stillair.alerts.routes import Message
from stillair.hall.matters import (
    alarm_matter,
    hall_id,
    hall_matter,
    reach_matter,
)
from stillair.hall.messages import Alarm
from stillair.hall.mirror import Heard, Mirror, Reach, Standing
from stillair.hall.telling import Telling, Told, round_of
from stillair.model import Kind, Notice, Outcome, Timeline
from stillair.runtime.hall_telling import BROKER, STORE, HallTelling
from stillair.storage.journal import Journal
from stillair.storage.outbox import newest
from stillair.storage.records import Parcel

ONE = board_mark(1)
NAME = "north-bench-1"
NIGHT = datetime(2026, 11, 29, 2, 0, tzinfo=UTC)
DAY = datetime(2026, 11, 29, 12, 0, tzinfo=UTC)
CAPTAIN = Person("captain", ("mailto:captain@example.org", "mqtt:shed/captain"))
MATE = Person("mate", ("mailto:mate@example.org",))
SLEEPER = Person("sleeper", ("mailto:sleeper@example.org",), QuietHours(22 * 60, 7 * 60, UTC))
DOOR = {
    "kind": "door_open",
    "class": "supervisory",
    "priority": "medium",
    "text": "The door is open.",
}


def telling(*people: Person) -> Telling:
    return Telling(hall="boat shed", people=people or (CAPTAIN, MATE))


def chamber(**more: object) -> Heard:
    mirror = Mirror()
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE), 0.0)
    mirror.take(f"{ONE}/north-bench/now", now(ONE, job=a_job(), **more), 0.0)  # type: ignore[arg-type]
    return mirror.chambers[f"{ONE}.north-bench"]


def told(of: Telling, alarm: Alarm | None, t_s: float, at: datetime = DAY) -> list[Notice]:
    return of.consider(alarm_matter(chamber(), alarm, NAME), t_s, at)


def stages(notices: list[Notice]) -> list[tuple[str, str]]:
    return [(notice.stage, notice.person) for notice in notices]


def test_a_fire_goes_to_everybody_at_once_and_names_chamber_and_board() -> None:
    notices = told(telling(), an_alarm(), 0.0)
    assert {notice.route for notice in notices} == {*CAPTAIN.routes, *MATE.routes}
    first = notices[0]
    assert first.title.startswith("north bench: Fire")
    assert f"Board: {ONE}" in first.text
    assert "Call the fire brigade" in first.text
    assert first.alarm == f"{ONE}.{NAME}"


def test_where_a_board_is_stands_in_each_message_of_it_also_after_a_restart() -> None:
    mirror, of = begun_anew([])
    place = "boat shed, left bench"
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE, place=place), 1000.0)
    mirror.take(f"{ONE}/north-bench/now", now(ONE), 1000.0)
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE, place=place, state="silent"), 1001.0)
    (notice, *_) = seconds(mirror, of, 1001, 1100)
    assert f"Chamber: north bench\nPlace: {place}\nBoard: {ONE}\n" in notice.text

    mirror, of = begun_anew([], f"{ONE}.north-bench")
    mirror.expect(f"{ONE}.north-bench", 1000.0, name="north bench", place=place)
    (notice, *_) = seconds(mirror, of, 1000, 1100)
    assert f"Place: {place}\n" in notice.text


def test_the_same_word_again_tells_nobody_again() -> None:
    of = telling()
    assert told(of, an_alarm(), 0.0)
    assert told(of, an_alarm(), 0.1) == []
    assert of.tick(1.0, DAY) == []


def test_a_door_is_told_to_one_then_the_next_then_it_is_over() -> None:
    of = telling()
    assert stages(told(of, an_alarm(**DOOR), 0.0)) == [("raised", "captain")]
    assert stages(of.tick(200.0, DAY)) == [("still", "captain")]
    assert ("raised", "captain") in stages(of.tick(610.0, DAY))  # the next way to the same person
    over = told(of, an_alarm(**DOOR, condition=False), 700.0)
    assert {stage for stage, _ in stages(over)} == {"over"}
    assert len(over) == 2


def test_a_seen_alarm_climbs_no_further() -> None:
    of = telling()
    told(of, an_alarm(**DOOR), 0.0)
    told(of, an_alarm(**DOOR, annunciation="acknowledged"), 10.0)
    assert of.tick(5000.0, DAY) == []


def test_what_gets_more_urgent_is_told_again_at_once() -> None:
    of = telling(CAPTAIN)
    smoke = {"kind": "smoke", "priority": "high", "text": "Smoke in the chamber."}
    assert {stage for stage, _ in stages(told(of, an_alarm(**smoke), 0.0))} == {"raised"}
    worse = told(of, an_alarm(), 5.0)
    assert {stage for stage, _ in stages(worse)} == {"changed"}
    assert told(of, an_alarm(), 6.0) == []


def test_a_fire_that_nobody_sees_is_said_again() -> None:
    of = telling(CAPTAIN)
    told(of, an_alarm(), 0.0)
    assert {stage for stage, _ in stages(of.tick(121.0, DAY))} == {"still"}
    told(of, an_alarm(annunciation="acknowledged"), 130.0)
    assert of.tick(1000.0, DAY) == []


@pytest.mark.parametrize("hidden", [{"suppression": "shelved"}, {"cause_alarm": "north-bench-0"}])
def test_what_is_quiet_at_the_board_is_quiet_here(hidden: dict[str, str]) -> None:
    assert told(telling(), an_alarm(**DOOR, **hidden), 0.0) == []


def test_quiet_hours_hold_a_door_and_no_fire() -> None:
    of = telling(SLEEPER)
    assert told(of, an_alarm(**DOOR), 0.0, NIGHT) == []
    morning = of.tick(20_000.0, NIGHT + timedelta(hours=6))
    assert stages(morning) == [("still", "sleeper")]
    assert stages(told(telling(SLEEPER), an_alarm(), 0.0, NIGHT)) == [("raised", "sleeper")]


def test_an_end_in_quiet_hours_is_told_after_them() -> None:
    of = telling(SLEEPER)
    told(of, an_alarm(**DOOR), 0.0)
    assert told(of, None, 10.0, NIGHT) == []
    assert stages(of.tick(20.0, DAY)) == [("over", "sleeper")]


def restarted(rows: list[Notice], *people: Person) -> Telling:
    of = telling(*people)
    of.restored(
        [
            Told(str(row.alarm), row.stage, row.person, row.route, row.priority.value, DAY)
            for row in rows
        ],
        1000.0,
        DAY + timedelta(seconds=60),
    )
    return of


def test_after_a_restart_nobody_is_told_twice_and_the_end_is_told() -> None:
    rows = told(telling(CAPTAIN), an_alarm(), 0.0)
    of = restarted(rows, CAPTAIN)
    assert told(of, an_alarm(), 1001.0) == []
    over = told(of, None, 1010.0)
    assert {stage for stage, _ in stages(over)} == {"over"}
    assert restarted([*rows, *over], CAPTAIN).tick(2000.0, DAY) == []


def begun_anew(rows: list[Notice], *chambers: str) -> tuple[Mirror, HallTelling]:
    """A hall that was started anew at second 1000, of which an earlier one knew chambers."""
    mirror = Mirror()
    of = HallTelling("boat shed", telling(CAPTAIN), mirror, ZoneInfo("Europe/Berlin"))
    known = [
        Told(
            *(str(row.alarm), row.stage, row.person, row.route, row.priority.value, DAY),
            round=round_of(row.key),
            kind=row.kind.value,
            title=row.title,
        )
        for row in rows
    ]
    for key in chambers:
        mirror.expect(key, 1000.0, name="north bench")
    of.restored(known, 1000.0, DAY, [])
    return mirror, of


def seconds(mirror: Mirror, of: HallTelling, begin: int, end: int) -> list[Notice]:
    """What is told while those seconds pass, each as the service lets it."""
    found: list[Notice] = []
    for t_s in range(begin, end):
        mirror.tick(t_s)
        found += of.chambers(t_s, DAY) + of.dropped(t_s, DAY) + of.due(t_s, DAY)
    return found


def test_a_fire_told_before_a_restart_is_never_over_by_silence() -> None:
    """The board went dark, the broker has forgotten it, and the hall was started anew."""
    key = f"{ONE}.north-bench"
    fire = told(telling(CAPTAIN), an_alarm(), 0.0)
    mirror, of = begun_anew(fire, key)
    lost = mirror.chambers[key]
    assert (lost.standing, lost.reach, lost.lacking) == (
        Standing.DANGER,
        Reach.UNHEARD,
        (NAME,),
    )
    notices = seconds(mirror, of, 1000, 1400)
    assert {(notice.stage, notice.title) for notice in notices} == {
        ("raised", "north bench: Out of reach")
    }
    assert "An alarm of danger stood there" in notices[0].text

    mirror.take(f"{ONE}/north-bench/watch", watch(ONE), 1400.0)
    back = now(ONE, standing=(NAME,))
    mirror.take(f"{ONE}/north-bench/now", back, 1400.0)
    notices = seconds(mirror, of, 1400, 1440)
    assert {notice.title for notice in notices} == {"north bench: Over: out of reach"}
    mirror.take(f"{ONE}/north-bench/now", now(ONE), 1440.0)
    notices = seconds(mirror, of, 1440, 1460)
    assert {(notice.stage, notice.title) for notice in notices} == {
        ("over", f"north bench: Over: {fire[0].title.partition(': ')[2].lower()}")
    }
    assert not mirror.chambers[key].lacking


def test_a_chamber_that_is_not_heard_after_a_restart_is_shown_and_told() -> None:
    key = f"{ONE}.north-bench"
    mirror, of = begun_anew([], key)
    assert mirror.chambers[key].standing is Standing.OUT_OF_REACH
    assert seconds(mirror, of, 1000, 1060) == []
    (notice, *_) = seconds(mirror, of, 1060, 1062)
    assert notice.title == "north bench: Out of reach"
    mirror.take(f"{ONE}/north-bench/watch", b"", 1070.0)
    (over, *_) = seconds(mirror, of, 1070, 1072)
    assert (over.stage, over.title) == ("over", "north bench: Over: out of reach")
    assert "taken off" in over.text
    assert seconds(mirror, of, 1072, 5000) == []


def test_after_a_broker_was_away_boards_have_a_minute_to_come_back() -> None:
    mirror, of = begun_anew([])
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE), 1000.0)
    mirror.take(f"{ONE}/north-bench/now", now(ONE), 1000.0)
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE, state="silent"), 1001.0)
    mirror.joined(1300.0)
    assert seconds(mirror, of, 1300, 1359) == []
    assert stages(seconds(mirror, of, 1359, 1362)) == [("raised", "captain")]


def test_what_a_broker_has_kept_of_a_board_is_no_word_of_it() -> None:
    """Board and broker lost their power together, so that no last will was told."""
    key = f"{ONE}.north-bench"
    mirror, of = begun_anew([])

    def kept(t_s: float) -> None:
        mirror.joined(t_s)
        mirror.take(f"{ONE}/north-bench/watch", watch(ONE), t_s, kept=True)
        mirror.take(f"{ONE}/north-bench/now", now(ONE), t_s, kept=True)

    kept(1000.0)
    assert seconds(mirror, of, 1000, 1060) == []
    before = seconds(mirror, of, 1060, 1070)
    assert {notice.title for notice in before} == {"north bench: Out of reach"}
    kept(1100.0)
    assert mirror.chambers[key].standing is Standing.OUT_OF_REACH
    assert {stage for stage, _ in stages(seconds(mirror, of, 1100, 1200))} <= {"raised"}

    # A hall that is started anew has only what is kept, and what was told before.
    mirror, of = begun_anew(before, key)
    kept(1000.0)
    assert {stage for stage, _ in stages(seconds(mirror, of, 1000, 1100))} <= {"raised"}
    assert mirror.chambers[key].standing is Standing.OUT_OF_REACH
    mirror.take(f"{ONE}/north-bench/now", now(ONE), 1100.0)
    assert {stage for stage, _ in stages(seconds(mirror, of, 1100, 1102))} == {"over"}


@pytest.mark.parametrize(
    ("more", "while_"),
    [
        ({"job": a_job()}, "a job ran there"),
        ({"phase": "steady"}, "not known to be cold"),
        ({"phase": "cold", "standing": (NAME,)}, "an alarm stood there"),
    ],
)
def test_a_board_stopped_in_the_middle_is_told_after_five_minutes(
    more: dict[str, Any], while_: str
) -> None:
    mirror, of = begun_anew([])
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE), 1000.0)
    mirror.take(f"{ONE}/north-bench/now", now(ONE, **more), 1000.0)
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE, state="ended"), 1000.0)
    assert mirror.chambers[f"{ONE}.north-bench"].standing is Standing.OUT_OF_REACH
    assert seconds(mirror, of, 1000, 1299) == []
    (notice, *_) = seconds(mirror, of, 1299, 1302)
    assert notice.title == "north bench: Stopped in the middle"
    assert "was stopped at 19:00," in notice.text
    assert while_ in notice.text


def test_a_board_that_was_stopped_on_another_day_where_the_hall_is_says_which() -> None:
    mirror, of = begun_anew([])
    midnight = "2026-11-28T23:30:00.000Z"  # 00:30 of the day on which it is told there
    for name, at in ((ONE, midnight), (board_mark(2), "2026-11-28T22:30:00.000Z")):
        mirror.take(f"{name}/north-bench/now", now(name, job=a_job()), 1000.0)
        mirror.take(f"{name}/north-bench/watch", watch(name, state="ended", at=at), 1000.0)
    texts = [notice.text for notice in seconds(mirror, of, 1299, 1302)]
    assert any("was stopped at 00:30, and" in text for text in texts)
    assert any("was stopped at 23:30 on 2026-11-28, and" in text for text in texts)


@pytest.mark.parametrize(
    "at", ["2026-99-99T00:00:00Z", "0001-01-01T00:00:00+23:59", "2026-01-01T00:00:00+99:99", "soon"]
)
def test_a_time_that_can_not_be_read_keeps_nobody_from_being_told(at: str) -> None:
    mirror, of = begun_anew([])
    for name, told_at in ((ONE, at), (board_mark(2), AT)):
        mirror.take(f"{name}/north-bench/now", now(name, at=told_at, job=a_job()), 1000.0)
        mirror.take(f"{name}/north-bench/watch", watch(name, state="silent", at=told_at), 1000.0)
    assert {each.board for each in mirror.chambers.values()} == {
        each.chamber.partition(".")[0] for each in seconds(mirror, of, 1000, 1100)
    }


def test_a_broker_that_is_back_for_a_moment_each_minute_is_told() -> None:
    _, of = begun_anew([])
    away = {(Kind.WATCH_GAP, BROKER): "no answer"}
    found: list[Notice] = []
    for t_s in range(1000, 1150):
        found += of.own({} if t_s % 50 < 3 else away, t_s, DAY)
    assert stages(found) == [("raised", "captain")]
    for t_s in range(1150, 1212):
        found += of.own({}, t_s, DAY)
    assert stages(found)[1:] == [("over", "captain")]
    assert [of.own(away if t_s < 1410 else {}, t_s, DAY) for t_s in range(1400, 1500)] == [[]] * 100


def test_an_alarm_that_comes_back_is_told_under_another_key() -> None:
    of = telling(CAPTAIN)
    first = told(of, an_alarm(), 0.0)
    over = told(of, None, 10.0)
    again = told(of, an_alarm(), 20.0)
    keys = [notice.key for notice in (*first, *over, *again)]
    assert len(set(keys)) == len(keys) == 6


@pytest.mark.parametrize("state", ["silent", "stuck"])
def test_a_board_out_of_reach_is_told_after_a_minute_and_when_it_is_back(state: str) -> None:
    of = telling(CAPTAIN)
    mirror = Mirror()
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE), 0.0)
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE, state=state), 5.0)  # type: ignore[arg-type]
    one = mirror.chambers[f"{ONE}.north-bench"]
    assert of.consider(reach_matter(one, 14.0), 14.0, DAY) == []
    early = of.consider(reach_matter(one, 30.0), 30.0, DAY)
    assert bool(early) is (state == "stuck")
    notices = early or of.consider(reach_matter(one, 66.0), 66.0, DAY)
    assert stages(notices) == [("raised", "captain")]
    assert notices[0].title == "north bench: Out of reach"
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE), 70.0)
    assert stages(of.consider(reach_matter(one, 70.0), 70.0, DAY)) == [("over", "captain")]


def test_a_board_that_was_stopped_while_all_was_calm_is_no_matter() -> None:
    mirror = Mirror()
    mirror.take(f"{ONE}/north-bench/now", now(ONE, phase="cold"), 0.0)
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE, state="ended"), 0.0)
    assert not reach_matter(mirror.chambers[f"{ONE}.north-bench"], 1e6).active


def test_what_of_the_hall_fails_is_not_told_by_the_way_that_fails() -> None:
    of = telling(CAPTAIN, MATE)
    dead = MATE.routes[0]
    matter = hall_matter("boat shed", dead, Kind.DELIVERY_FAULT, "no answer", active=True)
    notices = of.consider(matter, 0.0, DAY)
    assert {notice.route for notice in notices} == set(CAPTAIN.routes)


def test_a_kind_that_is_not_known_here_is_told_in_the_board_s_own_words() -> None:
    odd = an_alarm(kind="gas_leak", text="Gas in the room. Open the door and leave.")
    notices = told(telling(CAPTAIN), odd, 0.0)
    assert notices[0].title == "north bench: Gas in the room"
    assert notices[0].priority.value == "critical"


def test_words_of_a_board_stay_on_one_line_and_short() -> None:
    odd = an_alarm(kind="gas_leak", text="Bcc: x\r\n" + "y" * 9000)
    (first, *_) = told(telling(CAPTAIN), odd, 0.0)
    assert "\r" not in first.title + first.text
    assert len(first.text) < 1400
    assert "\n" not in first.title


def test_many_boards_that_fall_silent_together_are_told_in_few_messages() -> None:
    of = telling(MATE)
    mirror = Mirror()
    for number in range(60):
        board = board_mark(number)
        mirror.take(f"{board}/north-bench/watch", watch(board, state="silent"), 0.0)
    notices: list[Notice] = []
    for t_s in range(60, 600, 20):
        for one in mirror.chambers.values():
            notices += of.consider(reach_matter(one, float(t_s)), float(t_s), DAY)
        notices += of.tick(float(t_s), DAY)
    assert 10 <= len([notice for notice in notices if not notice.within]) <= 15


def test_the_message_of_a_chamber_carries_that_it_is_simulated() -> None:
    mirror = Mirror()
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE, simulated=True), 0.0)
    told_alarm = alarm(ONE, an_alarm(), simulated=True)
    mirror.take(f"{ONE}/north-bench/alarms/{NAME}", told_alarm, 0.0)
    one = mirror.chambers[f"{ONE}.north-bench"]
    notices = telling().consider(alarm_matter(one, one.alarms[NAME].alarm, NAME), 0.0, DAY)
    assert all(notice.title.startswith("Simulated: ") for notice in notices)


def test_of_several_in_one_message_each_says_once_that_it_is_simulated() -> None:
    of = telling()
    told: list[Notice] = []
    for number in range(14):
        one = Mirror()
        one.take(f"{ONE}/north-bench/watch", watch(ONE, simulated=True), 0.0)
        one.take(
            f"{ONE}/north-bench/alarms/{NAME}", alarm(ONE, an_alarm(**DOOR), simulated=True), 0.0
        )
        chamber = one.chambers[f"{ONE}.north-bench"]
        matter = alarm_matter(chamber, an_alarm(**DOOR), f"{NAME}{number}")
        told += of.consider(matter, 100.0, DAY)
    told += of.tick(200.0, DAY)
    (gathered,) = [notice for notice in told if notice.stage == "gathered"]
    lines = [line for line in gathered.text.splitlines() if line.startswith("- Simulated: ")]
    assert len(lines) >= 4
    assert [line.count("Simulated") for line in lines] == [1] * len(lines)


def test_what_is_the_halls_own_climbs_no_further_once_seen_and_comes_back_anew() -> None:
    of, lost = telling(), chamber()
    lost.reach, lost.reach_s = Reach.UNHEARD, 0.0
    assert stages(of.consider(reach_matter(lost, 60.0), 60.0, DAY)) == [("raised", "captain")]
    assert not of.see(f"{ONE}.{NAME}", by="mate", now_s=70.0), "that is the board's"
    assert of.see(f"reach {lost.key}", by="mate", now_s=70.0)
    for t_s in range(71, 5000, 60):
        assert of.consider(reach_matter(lost, t_s), t_s, DAY) + of.tick(t_s, DAY) == []

    again = telling()  # after a restart
    known = Told(f"reach {lost.key}", "raised", "captain", CAPTAIN.routes[0], "high", DAY)
    again.restored([known], 5000.0, DAY, list(of.seen.values()))
    assert again.consider(reach_matter(lost, 5001.0), 5001.0, DAY) == []
    assert again.tick(6000.0, DAY) == []

    lost.reach = Reach.HEARD
    assert stages(of.consider(reach_matter(lost, 6001.0), 6001.0, DAY)) == [("over", "captain")]
    assert of.seen == {}
    lost.reach = Reach.UNHEARD
    assert stages(of.consider(reach_matter(lost, 7000.0), 7000.0, DAY)) == [("raised", "captain")]
    assert ("raised", "mate") in stages(of.tick(7301.0, DAY))


@pytest.mark.parametrize("priority", ["low", "medium", "next to nothing"])
@pytest.mark.parametrize("kind", ["gas_leak", "door_open"])
def test_danger_is_danger_also_of_a_kind_that_is_none_here(kind: str, priority: str) -> None:
    """By its class: no quiet hours, no flood and no patience hold it back."""
    unknown = {"kind": kind, "priority": priority, "text": "Gas runs out. Go out of the house."}
    of = telling(SLEEPER)
    for number in range(30):
        of.consider(
            alarm_matter(chamber(), an_alarm(**DOOR), f"north-bench-{number + 2}"), 0.0, DAY
        )
    notices = told(of, an_alarm(**unknown), 1.0, NIGHT)
    assert stages(notices) == [("raised", "sleeper")]
    assert notices[0].title == "north bench: Gas runs out"
    assert presses(Message.of(notices[0], NIGHT))
    tamer = {**unknown, "class": "supervisory"}
    assert told(telling(SLEEPER), an_alarm(**tamer), 1.0, NIGHT) == []


def test_what_a_flood_gathered_is_known_one_by_one_after_a_restart(tmp_path: Path) -> None:
    """Through a real outbox: of each it stands there that it was told, and one message goes."""
    journal = Journal(tmp_path / "journal.sqlite", wall=lambda: DAY)
    timeline = Timeline("boot", DAY.timestamp())
    of, keys = telling(CAPTAIN), [f"north-bench-{number}" for number in range(1, 16)]

    def doors(telling: Telling, t_s: float) -> list[Notice]:
        found: list[Notice] = []
        for key in keys:
            door = alarm_matter(chamber(), an_alarm(**DOOR, id=key), key)
            found += telling.consider(door, t_s, DAY)
        return found

    notices = doors(of, 0.0)
    assert len(notices) == 10
    gathered = of.tick(61.0, DAY)
    sent = [notice for notice in gathered if not notice.within]
    assert [notice.title for notice in sent] == ["boat shed: north bench: Door open, and 4 more"]
    outcome = Outcome("hall", 61.0, notices=(*notices, *gathered))
    journal.commit_all([Parcel(outcome, timeline)])
    assert len(journal.waiting_notices()) == 11, "ten, and one for five"

    with journal.transaction("can't be read") as connection:
        rows = newest(connection, 100)
    again = telling(CAPTAIN)
    again.restored(
        [
            Told(
                *(row.alarm, row.stage, row.person, row.route, row.priority, row.created_at),
                round=round_of(row.key),
            )
            for row in rows
            if row.alarm is not None
        ],
        100.0,
        DAY,
    )
    assert doors(again, 100.0) + again.tick(101.0, DAY) == []
    journal.close()


def test_an_end_that_was_gathered_alone_leaves_the_next_time_a_key_of_its_own() -> None:
    over = f"{ONE}.{NAME}:over:0.0:0123456789ab"
    again = telling(CAPTAIN)
    known = Told(f"{ONE}.{NAME}", "over", "captain", CAPTAIN.routes[0], "medium", DAY)
    again.restored([replace(known, round=round_of(over))], 100.0, DAY)
    (notice,) = told(again, an_alarm(**DOOR), 101.0)
    assert ":raised:1." in notice.key


@pytest.mark.parametrize("subject", [BROKER, STORE])
def test_what_ails_the_hall_waits_for_no_flood_of_chambers(subject: str) -> None:
    """Nor of ways that fail: away over two minutes it is told after one, and when it is back."""
    of = telling(CAPTAIN)
    hall = HallTelling("boat shed", of, Mirror())
    for number in range(40):
        of.consider(alarm_matter(chamber(), an_alarm(**DOOR), f"north-bench-{number}"), 0.0, DAY)
        way = f"mailto:rower-{number}@example.org"
        of.consider(hall_matter("boat shed", way, Kind.DELIVERY_FAULT, "", active=True), 0.0, DAY)
    found: list[tuple[float, str]] = []
    for t_s in range(1, 300):
        away = {(Kind.STORE_FAULT, subject): "it doesn't answer"} if t_s < 130 else {}
        notices = hall.own(away, float(t_s), DAY) + hall.due(float(t_s), DAY)
        found += [
            (t_s, notice.stage)
            for notice in notices
            if notice.alarm == hall_id(subject) and not notice.within
        ]
    assert {stage: t_s for t_s, stage in reversed(found)} == {"raised": 61, "over": 189}


def test_of_much_that_ails_the_hall_itself_the_rest_is_one_message() -> None:
    of = telling(MATE)
    notices: list[Notice] = []
    for number in range(30):
        way = f"mailto:rower-{number}@example.org"
        matter = hall_matter("boat shed", way, Kind.DELIVERY_FAULT, "no answer", active=True)
        notices += of.consider(matter, float(number), DAY)
    notices += of.tick(100.0, DAY)
    *single, gathered = [notice for notice in notices if not notice.within]
    assert len(single) == MOST
    assert gathered.title.endswith(", and 19 more")


def test_what_a_hall_tells_together_names_the_hall_and_no_chamber() -> None:
    of = telling(MATE)
    for number in range(14):
        of.consider(alarm_matter(chamber(), an_alarm(**DOOR), f"north-bench-{number}"), 0.0, DAY)
    (gathered,) = [notice for notice in of.tick(61.0, DAY) if not notice.within]
    assert gathered.text.endswith("\n\nHall: boat shed\n")
    assert "Chamber: " not in gathered.text
