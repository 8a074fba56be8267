"""What a hall holds of its boards: who is heard, what stands, and what hostile messages can do."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from hall_voices import AT, a_job, alarm, an_alarm, board_mark, now, watch
from stillair.hall.harmless import NEVER_SET
from stillair.hall.known import KnownChamber, KnownChambers
from stillair.hall.messages import ActedMessage
from stillair.hall.mirror import MOST_ALARMS, Heard, Mirror, Reach, Standing
from stillair.hall.names import MOST_OF_BOARD
from stillair.runtime import hall_shown

ONE, TWO = board_mark(1), board_mark(2)
KEY = f"{ONE}.north-bench"


def known(**more: object) -> Mirror:
    mirror = Mirror()
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE), 0.0)
    mirror.take(f"{ONE}/north-bench/now", now(ONE, **more), 0.0)  # type: ignore[arg-type]
    return mirror


@pytest.mark.parametrize(
    ("more", "standing"),
    [
        ({}, Standing.CALM),
        ({"job": a_job()}, Standing.BUILDING),
        ({"calm": False}, Standing.HEED),
        ({"whole": False}, Standing.HEED),
        ({"tone": "caution"}, Standing.ALARM),
        ({"tone": "trouble"}, Standing.ALARM),
        ({"tone": "danger"}, Standing.DANGER),
        ({"standing": ("north-bench-1",)}, Standing.ALARM),
    ],
)
def test_a_chamber_stands_as_its_board_tells(more: dict[str, object], standing: Standing) -> None:
    assert known(**more).chambers[KEY].standing is standing


@pytest.mark.parametrize(
    ("more", "is_settling"),
    [
        ({"calm": False, "phase": "unknown"}, True),
        ({"calm": False, "phase": "unknown", "sub": "The last alarm test failed."}, False),
        ({"calm": False, "phase": "unknown", "whole": False}, False),
        ({"calm": False, "phase": "unknown", "tone": "caution"}, False),
        ({"calm": False, "phase": "steady"}, False),
        ({"calm": True, "phase": "unknown"}, False),
    ],
)
def test_what_is_too_soon_to_say_is_told_from_what_is_not_calm(
    more: dict[str, object], is_settling: bool
) -> None:
    of = known(**more).chambers[KEY]
    assert of.is_settling is is_settling
    of.misread = 1
    assert not of.is_settling


def test_two_boards_with_a_chamber_of_one_name_are_two() -> None:
    mirror = known()
    mirror.take(f"{TWO}/north-bench/watch", watch(TWO), 0.0)
    assert list(mirror.chambers) == [KEY, f"{TWO}.north-bench"]


def test_an_alarm_comes_changes_and_goes() -> None:
    mirror = known()
    topic = f"{ONE}/north-bench/alarms/north-bench-1"
    mirror.take(topic, alarm(ONE, an_alarm()), 1.0)
    assert mirror.chambers[KEY].standing is Standing.DANGER
    mirror.take(topic, alarm(ONE, an_alarm(annunciation="acknowledged")), 2.0)
    assert mirror.chambers[KEY].alarms["north-bench-1"].alarm.annunciation == "acknowledged"
    mirror.take(topic, b"", 3.0)
    assert mirror.chambers[KEY].standing is Standing.CALM
    assert [(of.key, name) for of, name in mirror.dropped] == [(KEY, "north-bench-1")]


def test_an_alarm_that_ended_while_nobody_listened_is_over_with_a_later_word() -> None:
    mirror = known()
    mirror.take(f"{ONE}/north-bench/alarms/north-bench-1", alarm(ONE, an_alarm()), 1.0)
    mirror.take(f"{ONE}/north-bench/now", now(ONE), 2.0)  # on its way before the alarm
    assert mirror.chambers[KEY].alarms
    mirror.take(f"{ONE}/north-bench/now", now(ONE), 31.0)
    assert not mirror.chambers[KEY].alarms


def test_an_alarm_whose_message_was_lost_is_asked_for() -> None:
    mirror = known(standing=("north-bench-1",))
    assert [of.key for of in mirror.lacking()] == [KEY]
    mirror.take(f"{ONE}/north-bench/alarms/north-bench-1", alarm(ONE, an_alarm()), 1.0)
    assert not list(mirror.lacking())


@pytest.mark.parametrize(
    ("state", "reach"),
    [("silent", Reach.SILENT), ("stuck", Reach.STUCK), ("ended", Reach.ENDED)],
)
def test_what_a_board_says_of_itself_counts_at_once(state: str, reach: Reach) -> None:
    mirror = known(phase="cold")
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE, state=state), 1.0)  # type: ignore[arg-type]
    of = mirror.chambers[KEY]
    assert of.reach is reach
    assert of.is_out_of_reach is (reach is not Reach.ENDED)


def test_who_says_nothing_for_a_minute_is_out_of_reach_until_heard() -> None:
    mirror = known()
    assert not mirror.tick(60.0)
    assert [of.key for of in mirror.tick(61.0)] == [KEY]
    assert mirror.chambers[KEY].standing is Standing.OUT_OF_REACH
    mirror.take(f"{ONE}/north-bench/now", now(ONE), 70.0)
    assert mirror.chambers[KEY].standing is Standing.CALM


def test_after_a_broker_was_away_nobody_is_calm_before_its_board_has_spoken() -> None:
    """A board that died meanwhile has left what it last said, at the hall and at the broker."""
    mirror = known(job=a_job())
    of = mirror.chambers[KEY]

    def shown() -> tuple[object, object]:
        row = hall_shown.row(of)
        return row["standing"], row["awaited"]

    assert shown() == ("building", False)
    revision = mirror.revision
    mirror.joined(10.0)
    assert shown() == ("heed", True)
    assert (of.is_settling, hall_shown.awaited([of])) == (False, 1)
    assert mirror.since(revision)[0] == [of], "pages are told"
    mirror.take(f"{ONE}/north-bench/now", now(ONE), 11.0, kept=True)
    assert shown() == ("heed", True), "what the broker kept is no word of it"
    revision = mirror.revision
    mirror.take(f"{ONE}/north-bench/now", now(ONE), 12.0)
    assert shown() == ("calm", False)
    assert mirror.since(revision)[0] == [of]

    mirror.joined(20.0)
    for now_s in range(21, 81):  # as of a chamber of which the hall asks what was kept again
        mirror.take(f"{ONE}/north-bench/watch", watch(ONE), float(now_s), kept=True)
    mirror.tick(81.0)
    assert shown() == ("out_of_reach", False), "what the broker kept keeps nobody in reach"


def test_a_danger_is_danger_also_while_its_board_is_awaited() -> None:
    mirror = known(tone="danger")
    mirror.joined(10.0)
    of = mirror.chambers[KEY]
    assert of.is_awaited and of.standing is Standing.DANGER
    assert hall_shown.awaited([of]) == 0, "it is counted as danger"


def test_a_danger_stays_danger_when_its_board_falls_silent() -> None:
    mirror = known()
    mirror.take(f"{ONE}/north-bench/alarms/north-bench-1", alarm(ONE, an_alarm()), 1.0)
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE, state="silent"), 2.0)
    assert mirror.chambers[KEY].standing is Standing.DANGER
    assert mirror.chambers[KEY].is_out_of_reach


def test_a_danger_stays_danger_when_its_board_is_stopped() -> None:
    mirror = known(standing=("north-bench-1",))
    mirror.take(f"{ONE}/north-bench/alarms/north-bench-1", alarm(ONE, an_alarm()), 1.0)
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE, state="ended"), 2.0)
    of = mirror.chambers[KEY]
    assert (of.standing, of.reach) == (Standing.DANGER, Reach.ENDED)
    assert hall_shown.row(of)["stopped_at"] == AT
    assert hall_shown.row(of)["alarms"] == 1
    assert hall_shown.sounding([of]) == "fire"
    assert hall_shown.counts([of])["danger"] == 1


def test_a_cold_chamber_whose_board_is_stopped_is_not_watched_and_that_is_all() -> None:
    mirror = known(phase="cold")
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE, state="ended"), 2.0)
    assert mirror.chambers[KEY].standing is Standing.ENDED


def test_one_board_fills_no_hall() -> None:
    mirror = Mirror()
    for number in range(MOST_OF_BOARD + 5):
        mirror.take(f"{ONE}/bench-{number}/watch", watch(ONE, f"bench-{number}"), 0.0)
    mirror.take(f"{TWO}/north-bench/watch", watch(TWO), 0.0)
    assert len(mirror.chambers) == MOST_OF_BOARD + 1
    assert mirror.refused == 5
    mirror.take("nobody/watch", b"{}", 1.0)
    mirror.tick(3_600.0)
    assert (mirror.refused, mirror.strangers) == (5, 1)
    mirror.tick(3_602.0)
    assert (mirror.refused, mirror.strangers) == (0, 0)
    assert (mirror.refused_ever, mirror.strangers_ever) == (5, 1), "a counter goes back for nobody"


@pytest.mark.parametrize("at", ["", "soon", "2026-02-30T00:00:00Z", "9999-12-31T23:59:59-23:59"])
def test_a_page_gets_instants_alone_and_no_danger_is_lost_for_one_that_is_none(at: str) -> None:
    mirror = known(job=a_job(started_at=at))
    mirror.take(f"{ONE}/north-bench/alarms/north-bench-1", alarm(ONE, an_alarm(began_at=at)), 1.0)
    of = mirror.chambers[KEY]
    assert (of.standing, hall_shown.row(of)["since_at"]) == (Standing.DANGER, NEVER_SET)
    assert hall_shown.alarm_items([of])[0]["began_at"] == NEVER_SET
    assert of.now is not None and of.now.job is not None
    assert of.now.job.started_at == NEVER_SET


def test_names_turn_no_writing_round() -> None:
    name, sentence = "north\u202ebench\x07", "Warm\u2066 and steady"
    mirror = known(name=name, sentence=sentence, job=a_job("fin\u202ebox"))
    of = mirror.chambers[KEY]
    assert of.now is not None
    assert of.now.job is not None
    assert (of.name, of.now.sentence) == ("north bench ", "Warm  and steady")
    assert of.now.job.name == "fin box"
    mirror.take(
        f"{ONE}/north-bench/alarms/north-bench-1", alarm(ONE, an_alarm(text="Fire\u202e!")), 1.0
    )
    assert of.alarms["north-bench-1"].alarm.text == "Fire !"


def test_which_chambers_there_are_outlives_the_process(tmp_path: Path) -> None:
    path = tmp_path / "chambers.json"
    first = KnownChambers(path, lambda: datetime(2026, 11, 29, tzinfo=UTC))
    bench = KnownChamber(name="north bench", simulated=False, place="left bench")
    first.keep({KEY: bench}, [f"{TWO}.north-bench"])
    later = KnownChambers(path, lambda: datetime(2026, 11, 29, tzinfo=UTC))
    later.read()
    assert later.chambers[KEY] == bench
    assert later.is_off(f"{TWO}.north-bench")
    path.write_bytes(b"{" * 100)
    later = KnownChambers(path, lambda: datetime(2026, 11, 29, tzinfo=UTC))
    later.read()
    assert not later.chambers
    assert not path.exists()


def test_a_page_is_told_only_what_has_changed() -> None:
    mirror = known()
    changed, gone, only = mirror.since(0)
    assert ([of.key for of in changed], gone, only) == ([KEY], [], True)
    at = mirror.revision
    assert mirror.since(at) == ([], [], True)
    mirror.take(f"{TWO}/north-bench/watch", watch(TWO), 1.0)
    assert [of.board for of in mirror.since(at)[0]] == [TWO]
    mirror.take(f"{TWO}/north-bench/watch", b"", 2.0)
    assert mirror.since(at) == ([], [f"{TWO}.north-bench"], True)


def test_a_page_of_another_time_gets_everything() -> None:
    mirror = Mirror(begun=1_000_000)
    mirror.take(f"{ONE}/north-bench/watch", watch(ONE), 0.0)
    for revision in (0, 999_999, 2_000_000):
        changed, _, only = mirror.since(revision)
        assert ([of.key for of in changed], only) == ([KEY], False)


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("now", b"no JSON"),
        ("now", b"[]"),
        ("now", b"\xff\xfe"),
        ("now", now(TWO)),
        ("now", now(ONE, "south-bench")),
        ("now", json.dumps({**json.loads(now(ONE)), "v": 2}).encode()),
        ("now", now(ONE, sentence="x" * 40_000)),
        ("watch", watch(ONE).replace(b'"watching"', b'"asleep"')),
        ("alarms/north-bench-9", alarm(ONE, an_alarm("north-bench-8"))),
        ("alarms/north-bench-1", b"{" * 15_000),
    ],
)
def test_a_message_that_nobody_understands_costs_only_itself(topic: str, payload: bytes) -> None:
    mirror = known()
    told = mirror.take(f"{ONE}/north-bench/{topic}", payload, 5.0)
    assert isinstance(told, Heard)
    of = mirror.chambers[KEY]
    assert (of.misread, of.standing) == (1, Standing.HEED)
    assert of.now is not None
    assert len(of.misread_why) < 200
    assert not of.alarms
    mirror.tick(1000.0)
    assert of.misread == 0


@pytest.mark.parametrize(
    "topic",
    ["", "x", "a/b", "shed/north-bench/now", f"{ONE}/North/now", f"{ONE}/north-bench/taken",
     f"{ONE}/north-bench/now/more", f"{ONE}/north-bench/alarms", f"{ONE}/../now", f"{ONE}//now"],
)  # fmt: skip
def test_a_topic_of_nobody_is_counted_and_no_more(topic: str) -> None:
    mirror = Mirror()
    assert mirror.take(topic, watch(ONE), 0.0) is None
    assert (mirror.strangers, mirror.chambers) == (1, {})


def test_a_number_that_is_none_reaches_no_page() -> None:
    mirror = Mirror()
    text = now(ONE).decode().replace('"air_c":45.2', '"air_c":NaN').replace("46.1", "Infinity")
    mirror.take(f"{ONE}/north-bench/now", text.encode(), 0.0)
    told = mirror.chambers[KEY].now
    assert told is not None
    assert told.air_c is None
    assert told.sensors[0].temperature_c is None


def test_it_stays_bounded_however_many_send_whatever() -> None:
    mirror = Mirror(most_chambers=10, most_bytes=40_000)
    for number in range(50):
        board = board_mark(number)
        mirror.take(f"{board}/north-bench/watch", watch(board), 0.0)
    assert len(mirror.chambers) == 10
    first = board_mark(0)
    for number in range(500):
        name = f"north-bench-{number}"
        mirror.take(f"{first}/north-bench/alarms/{name}", alarm(first, an_alarm(name)), 1.0)
    assert len(mirror.chambers[f"{first}.north-bench"].alarms) <= MOST_ALARMS
    assert mirror.refused >= 480
    for of in list(mirror.chambers.values()):
        mirror.take(f"{of.board}/north-bench/watch", b"", 2.0)
    assert mirror._bytes == 0


def test_what_a_board_answers_is_given_on() -> None:
    told = ActedMessage(board=ONE, chamber="north-bench", simulated=False, id="x", done=True)
    given = known().take(f"{ONE}/north-bench/acted", told.payload(), 1.0)
    assert given == told


def test_jobs_are_counted_so_that_a_list_is_asked_for_anew() -> None:
    mirror = known()
    assert mirror.jobs == 0
    for told, count in (
        (a_job(), 1),
        (a_job(height_mm=13.0), 1),
        (a_job(state="paused"), 2),
        (None, 3),
    ):
        mirror.take(f"{ONE}/north-bench/now", now(ONE, job=told), 1.0)
        assert mirror.jobs == count
