"""A message of an alarm test is confirmed by its link, from a telephone that has not signed in."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from answered import Shed, shed
from running import wait_until
from servers import MailServer

COX, CAPTAIN = "cox@shed.example", "captain@shed.example"
SOON_S = 60.0


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shed]:
    server = MailServer()
    server.start()
    with shed(tmp_path_factory.mktemp("told"), server) as running:
        yield running
    server.stop()


def begin(told: Shed) -> str:
    answer = told.owner.post("/api/alarm-tests", json={})
    assert answer.status_code == 201, answer.text
    test = str(answer.json()["id"])

    def over() -> bool:
        return bool(newest(told)["phase"] == "done")

    wait_until(over, within_s=SOON_S)
    return test


def newest(told: Shed) -> dict[str, Any]:
    item: dict[str, Any] = told.ask("/api/now")["alarm_test"]["chambers"][0]["test"]
    return item


def word(told: Shed, person: str) -> tuple[str | None, str]:
    (route,) = [route for route in newest(told)["routes"] if route["person"] == person]
    return route["heard"], route["confirmed_by"]


def test_a_telephone_confirms_its_own_message_and_looking_changes_nothing(told: Shed) -> None:
    begin(told)
    link = told.link(COX, "Alarm test: nothing is wrong.")
    page = told.web.get(link)
    assert (page.status_code, "It arrived, and I heard it" in page.text) == (200, True)
    assert "set-cookie" not in page.headers
    assert told.web.get("/web/answer-test.js").status_code == 200
    shown = told.web.get(f"/api{link}/test").json()
    assert (shown["person"], shown["route"], shown["heard"], shown["open"]) == (
        "cox",
        f"e-mail to {COX}",
        None,
        True,
    )
    assert word(told, "cox") == (None, "")
    for heard in ("silent", "heard"):
        answer = told.web.post(f"/api{link}/heard", json={"heard": heard})
        assert answer.json() == {"done": True, "stored": True}
        assert word(told, "cox") == (heard, "cox, by message")
    assert word(told, "bench captain") == (None, ""), "that is another's message"
    acts = told.ask("/api/audit")["items"]
    assert {"alarm test confirmed"} <= {act["what"] for act in acts if "by message" in act["by"]}
    token = link.rpartition("/")[2]
    assert token not in told.service.log.read_text()


@pytest.mark.parametrize(
    ("method", "path", "body", "status"),
    [
        ("GET", "/api{link}", None, 404),
        ("POST", "/api{link}/seen", None, 404),
        ("POST", "/api{link}/quiet", {"minutes": 10}, 404),
        ("GET", "/api{link}/picture", None, 404),
        ("POST", "/api{link}/heard", {"heard": "loud"}, 422),
        ("POST", "/api{link}/heard", {"heard": "heard", "person": "bench captain"}, 422),
        ("GET", "/api{link}x/test", None, 404),
        ("POST", "/api{link}x/heard", {"heard": "heard"}, 404),
        ("GET", "/api/alarm-tests", None, 401),
    ],
)
def test_the_link_is_good_for_nothing_else(
    told: Shed, method: str, path: str, body: object, status: int
) -> None:
    if not newest_or_none(told):
        begin(told)
    link = told.link(CAPTAIN, "Alarm test: nothing is wrong.")
    answer = told.web.request(method, path.format(link=link), json=body)
    assert answer.status_code == status, answer.text
    assert word(told, "bench captain") == (None, "")


def newest_or_none(told: Shed) -> Any:
    return told.ask("/api/now")["alarm_test"]["chambers"][0]["test"]


def test_the_link_of_an_earlier_test_says_so(told: Shed) -> None:
    begin(told)
    link = told.link(COX, "Alarm test: nothing is wrong.")
    begin(told)
    page = told.web.get(link)
    assert page.status_code == 404
    assert "earlier alarm test" in page.text
    answer = told.web.post(f"/api{link}/heard", json={"heard": "heard"})
    assert answer.status_code == 404
    assert word(told, "cox") == (None, "")
