"""Many alarms seen at once at a hall, each by an order of its own; and how a hall begins."""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Any

import pytest

from hall_voices import Boards, alarm, an_alarm, board_mark, now, watch
from halls import HALL, NOWHERE, SECRET, hall
from running import RunningService, wait_until
from servers import TOLD_BY_MAIL, Broker, MailServer
from stillair.config.hall_file import load_hall
from stillair.hall.orders import read_order
from stillair.model import Kind
from stillair.runtime import hall_wiring, ways_tried

ONE, TWO, THREE = board_mark(1), board_mark(2), board_mark(3)
DOOR = {"kind": "door_open", "class": "supervisory", "priority": "medium"}


def unseen(running: RunningService, **of: str) -> dict[str, Any]:
    found: dict[str, Any] = running.get("/api/hall/unseen", **of)
    return found


def test_many_are_seen_at_once_each_by_an_order_and_no_danger(
    tmp_path: Path, own_broker: Broker
) -> None:
    boards = Boards(own_broker.port)
    try:
        with hall(tmp_path, own_broker.port) as running:
            names = ("north-bench-1", "north-bench-2")
            for board in (ONE, TWO, THREE):
                boards.say(board, "watch", watch(board))
                boards.say(board, "now", now(board, standing=names))
                for name in names:
                    text = f"{board}: the door is open."
                    boards.say(
                        board, f"alarms/{name}", alarm(board, an_alarm(name, text=text, **DOOR))
                    )
            boards.say(TWO, "alarms/north-bench-2", alarm(TWO, an_alarm("north-bench-2")))
            boards.say(THREE, "watch", watch(THREE, state="silent"))
            boards.say(ONE, "now", b"what is this")
            wait_until(lambda: len(unseen(running)["items"]) == 4, within_s=60)

            found = unseen(running)
            ids = [each["id"] for each in found["items"]]
            seen = [f"{ONE}.north-bench-1", f"{ONE}.north-bench-2", f"{TWO}.north-bench-1"]
            assert sorted(ids) == sorted([*seen, f"misread {ONE}.north-bench"])
            assert (found["more"], found["dangers"], found["unasked"]) == (0, 1, 2)
            one = unseen(running, chamber=f"{TWO}.north-bench")
            assert [each["id"] for each in one["items"]] == [f"{TWO}.north-bench-1"]
            missing = running.web.get("/api/hall/unseen", params={"chamber": "nobody"})
            assert missing.status_code == 404
            for wrong in ([], ["x"] * 101):
                answer = running.web.post("/api/hall/seen", json={"alarms": wrong})
                assert answer.status_code == 422

            danger, strange = f"{TWO}.north-bench-2", f"{ONE}.north-bench-9"
            told = running.post("/api/hall/seen", {"alarms": [*ids, danger, strange, ids[0]]})
            assert told["refused"] == {
                danger: "A danger is looked at by itself.",
                strange: "There is no such alarm.",
            }
            wait_until(lambda: len(boards.orders) == 3, within_s=60)
            orders = [read_order(each.payload(), SECRET) for _, each in boards.orders]
            assert sorted(f"{each.board}.{each.alarm}" for each in orders) == seen
            assert len({each.id for each in orders}) == 3
            boards.answer(0)
            states = [f"/api/hall/{board}.north-bench" for board in (ONE, TWO)]
            wait_until(
                lambda: (
                    sorted(o["state"] for path in states for o in running.get(path)["orders"])
                    == ["done", "sent", "sent"]
                ),
                within_s=60,
            )
            assert f"misread {ONE}.north-bench" not in [
                each["id"] for each in unseen(running)["items"]
            ]
    finally:
        boards.close()


def test_a_database_that_is_only_being_opened_is_no_trouble_until_it_is_known(
    tmp_path: Path, own_broker: Broker
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as mute:  # it takes whoever calls, and says nothing
        address = f"postgresql://stillair@127.0.0.1:{mute.getsockname()[1]}/shed"
        with hall(tmp_path, own_broker.port, store=address) as running:
            texts: set[str] = set()

            def told() -> bool:
                texts.update(each["text"] for each in heard(running).get("troubles", []))
                return bool(texts)

            wait_until(told, within_s=60, every_s=0.1)
            assert running.get("/api/health") == {"status": "impaired"}
            (text,) = texts
            assert text.startswith("The hall's database can't be reached")


def heard(running: RunningService) -> dict[str, Any]:
    found: dict[str, Any] = running.get("/api/now")["hall"]
    return found if found["heard"] else {}


def test_a_refused_mail_password_is_a_trouble_of_the_hall_before_any_mail_is_due(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ways_tried, "AGAIN_S", 0.0)
    mail = MailServer(password="three oars in water")
    mail.start()
    file = tmp_path / "hall.toml"
    told = TOLD_BY_MAIL.format(host=mail.host, port=mail.port)
    signs_in = 'username = "shed"\npassword = "not this one"\n'
    text = HALL.format(port=9, store=NOWHERE, pages="", secret=SECRET)
    file.write_text(f"{text}{told}{signs_in}")
    service = hall_wiring.build(load_hall(file), tmp_path, boot_id="1", has_owner=lambda: True)
    try:
        service.ways.look()
        assert service.troubles.standing() == {}, "its server may only have been starting"
        service.ways.look()
        ((kind, subject), why), *more = service.troubles.standing().items()
        assert (kind, subject, more) == (Kind.DELIVERY_FAULT, "mail", [])
        assert "refused the name or password (put the right username" in why
        assert (mail.sign_ins > 0, mail.messages) == (True, [])
    finally:
        service.ways.stop()
        mail.stop()
