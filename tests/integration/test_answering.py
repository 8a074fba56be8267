"""Alarms are answered by the links that a real service mails, by telephones without a sign-in."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from answered import Shed, shed
from running import stillair, wait_until
from servers import MailServer
from stillair.access.answers import FILE_NAME, Answer, Answers, Purpose
from stillair.runtime import backup, network
from warm_starts import warm_run

COX, CAPTAIN = "cox@shed.example", "captain@shed.example"
FOREIGN = {"origin": "https://evil.example"}


@pytest.fixture(scope="module")
def mail() -> Iterator[MailServer]:
    server = MailServer()
    server.start()
    yield server
    server.stop()


@pytest.fixture(scope="module")
def burning(tmp_path_factory: pytest.TempPathFactory, mail: MailServer) -> Iterator[Shed]:
    """The detector has gone off, and nobody has answered."""
    with shed(tmp_path_factory.mktemp("burning"), mail) as running:
        running.order("contact_on", contact="smoke detector", for_s=36_000.0)
        running.link(COX, "detector")
        yield running


def api(link: str) -> str:
    return f"/api{link}"


def test_the_page_of_a_mailed_link_opens_without_a_sign_in(burning: Shed) -> None:
    link = burning.link(COX, "detector")
    text = next(text for text in burning.mails(COX) if link in text)
    assert text.rstrip().endswith(link)
    assert "Answer it here, without signing in (until " in text
    page = burning.web.get(link)
    assert page.status_code == 200
    assert "I've seen it" in page.text
    assert page.headers["referrer-policy"] == "no-referrer"
    assert page.headers["cache-control"] == "no-store"
    assert "script-src 'self'" in page.headers["content-security-policy"]
    assert "set-cookie" not in page.headers
    for file in ("answer.js", "stillair.css", "icon.svg"):
        assert burning.web.get(f"/web/{file}").status_code == 200, file


def test_it_shows_that_alarm_its_picture_and_its_last_hour(burning: Shed) -> None:
    link = burning.link(COX, "detector")
    shown = burning.web.get(api(link)).json()
    assert shown["person"] == "cox"
    assert shown["name"] == "North bench"
    assert shown["family"] == "simulated"
    assert shown["alarm"]["kind"] == "detector_contact"
    assert shown["danger"] is True
    assert (shown["can_see"], shown["can_quiet"]) == (True, False)
    assert (
        timedelta(hours=11)
        < (datetime.fromisoformat(shown["until_at"]) - datetime.now(UTC))
        <= timedelta(hours=12, seconds=1)  # the end is told in whole seconds
    )
    picture = burning.web.get(shown["picture"])
    assert picture.headers["content-type"] == "image/jpeg"
    assert picture.content[:2] == b"\xff\xd8"
    assert int(picture.headers["age"]) < 60
    readings = burning.web.get(shown["readings"]).json()
    assert list(readings["sensors"]) == ["top", "low"], "the air, coloured as on the first page"
    assert any(t is not None for t in readings["sensors"]["top"])
    page = {
        s["name"]: s["temperature_c"] for s in burning.ask("/api/now")["chambers"][0]["sensors"]
    }
    assert shown["temperatures"] == {
        name: pytest.approx(page[name], abs=1.0) for name in ("top", "low")
    }, "the same as on the first page, but for the moments between"


def test_a_link_opens_nothing_else(burning: Shed) -> None:
    link = burning.link(COX, "detector")
    token = link.rpartition("/")[2]
    assert burning.web.get(link).status_code == 200
    for headers in (
        {},
        {"authorization": f"Bearer {token}"},
        {"cookie": f"stillair_session={token}"},
    ):
        for path in ("/api/now", "/api/alarms", "/api/picture", "/api/readings", "/api/people"):
            assert burning.web.get(path, headers=headers).status_code == 401, (path, headers)
        assert burning.web.get("/web/js/main.js", headers=headers).status_code == 401
    for what in ("acknowledge", "reset", "unshelve", "reset/", "../alarms"):
        answer = burning.web.post(f"{api(link)}/{what}")
        assert answer.status_code in (401, 404, 405, 307), what


LOOKS = [
    pytest.param({}, id="a browser"),
    pytest.param({"purpose": "prefetch", "sec-purpose": "prefetch;prerender"}, id="ahead of time"),
    pytest.param({"user-agent": "LinkPreview/1.0", "accept": "*/*"}, id="a preview"),
    pytest.param({"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}, id="from a mail"),
    pytest.param({"range": "bytes=0-99"}, id="a part"),
]


def everything_kept(burning: Shed) -> tuple[set[str], set[str], object]:
    """All rows of the journal that somebody's answer would change, and the record of acts."""
    with closing(sqlite3.connect(f"file:{burning.data / 'journal.db'}?mode=ro", uri=True)) as db:
        tables = [
            name for (name,) in db.execute("select name from sqlite_master where type='table'")
        ]
        assert {"ledger", "alarm"} <= set(tables)
        ledger, alarms = (
            {repr(row) for row in db.execute(f"select * from {name}")}
            for name in ("ledger", "alarm")
        )
    return ledger, alarms, burning.ask("/api/audit")["items"]


@pytest.mark.parametrize("headers", LOOKS)
def test_looking_changes_nothing(burning: Shed, headers: dict[str, str]) -> None:
    link = burning.link(COX, "detector")
    ledger, alarms, acts = everything_kept(burning)
    for _ in range(20):
        for method in ("GET", "HEAD", "OPTIONS"):
            for path in (link, api(link), f"{api(link)}/picture", f"{api(link)}/readings"):
                burning.web.request(method, path, headers=headers)
            for path in ("seen", "quiet"):
                answer = burning.web.request(method, f"{api(link)}/{path}", headers=headers)
                assert answer.status_code == 405
        assert burning.web.get(link, headers=headers).status_code in (200, 206)
        assert burning.web.head(link, headers=headers).status_code in (200, 206)
    ledger_then, alarms_then, acts_then = everything_kept(burning)
    # The service goes on by itself meanwhile, and on a busy computer may find a fault.
    assert ledger <= ledger_then and alarms <= alarms_then
    assert not [row for row in (ledger_then - ledger) | (alarms_then - alarms) if "cox" in row]
    assert acts_then == acts
    assert burning.alarm("detector_contact")["annunciation"] == "unacknowledged"


def test_a_danger_can_t_be_made_quiet_by_its_link(burning: Shed) -> None:
    link = burning.link(COX, "detector")
    answer = burning.web.post(f"{api(link)}/quiet", json={"minutes": 3})
    assert answer.status_code == 403
    assert "danger" in answer.json()["detail"]


@pytest.mark.parametrize(
    ("headers", "body", "status"),
    [
        pytest.param(FOREIGN, None, 403, id="a page of another origin"),
        pytest.param({"sec-fetch-site": "cross-site"}, None, 403, id="from another site"),
        pytest.param({"content-type": "text/plain"}, b"{}", 415, id="what a form can send"),
        pytest.param({"host": "evil.example"}, None, 421, id="under another name"),
    ],
)
def test_a_foreign_page_can_t_answer_with_a_link_that_it_got_hold_of(
    burning: Shed, headers: dict[str, str], body: bytes | None, status: int
) -> None:
    link = burning.link(COX, "detector")
    answer = burning.web.post(f"{api(link)}/seen", headers=headers, content=body)
    assert answer.status_code == status
    assert burning.alarm("detector_contact")["annunciation"] == "unacknowledged"


@pytest.mark.parametrize(
    ("made", "status", "said"),
    [
        pytest.param({"ago": timedelta(hours=12, seconds=1)}, 410, "run out", id="run out"),
        pytest.param(
            {"purpose": Purpose.PRESENCE, "subject": "north-bench"},
            404,
            "something else",
            id="for something else",
        ),
        pytest.param({"purpose": Purpose.TEST}, 404, "earlier alarm test", id="of an earlier test"),
        pytest.param({"person": "a fan"}, 404, "withdrawn", id="of who isn't told of this"),
        pytest.param({"subject": "south-bench-1"}, 404, "withdrawn", id="of another's chamber"),
        pytest.param({"most": -1}, 404, "isn't whole", id="cut off"),
        pytest.param("<b>x", 404, "isn't whole", id="none"),
        pytest.param("x" * 9_000, 404, "isn't whole", id="long"),
        pytest.param("%00%ed%a0%80", 404, "isn't whole", id="odd bytes"),
    ],
)
def test_a_link_that_answers_nothing_says_why_and_changes_nothing(
    burning: Shed, made: Any, status: int, said: str
) -> None:
    token = made
    if isinstance(made, dict):
        token = Answers(burning.data).make(
            made.get("purpose", Purpose.ALARM),
            made.get("subject", burning.alarm("detector_contact")["id"]),
            made.get("person", "cox"),
            datetime.now(UTC) - made.get("ago", timedelta(0)),
        )[: made.get("most")]
    for path in ("", "/picture", "/readings"):
        answer = burning.web.get(f"/api/answer/{token}{path}")
        assert answer.status_code in (status, 429), path
        assert answer.headers["content-type"] == "application/problem+json"
        assert token not in answer.text
    assert burning.web.post(f"/api/answer/{token}/seen").status_code in (status, 429)
    page = burning.web.get(f"/answer/{token}")
    assert page.status_code in (status, 429)
    assert page.headers["content-type"].startswith("text/html")
    assert token not in page.text
    if page.status_code == status:
        assert said in page.text.replace("&#x27;", "'")
    assert 'href="/"' in page.text, "to sign in"
    assert burning.alarm("detector_contact")["annunciation"] == "unacknowledged"


def test_an_alarm_that_is_forgotten_is_said_to_be(burning: Shed) -> None:
    token = Answers(burning.data).make(Purpose.ALARM, "north-bench-999", "cox", datetime.now(UTC))
    assert burning.web.get(f"/api/answer/{token}").status_code == 404
    page = burning.web.get(f"/answer/{token}")
    assert page.status_code == 404
    assert "not known here any more" in page.text
    assert burning.web.post(f"/api/answer/{token}/quiet", json={"minutes": 3}).status_code == 409


def test_guessing_is_slowed_down_and_keeps_nobody_from_an_alarm(burning: Shed) -> None:
    answers = [burning.web.get(f"/api/answer/guess-{n}.aaaa") for n in range(12)]
    assert answers[-1].status_code == 429
    assert int(answers[-1].headers["retry-after"]) >= 1
    assert burning.web.get("/answer/guess.aaaa").status_code == 429
    assert burning.web.get(api(burning.link(COX, "detector"))).status_code == 200
    told = [item for item in burning.ask("/api/audit")["items"] if "link refused" in item["what"]]
    assert told
    assert all("guess" not in str(item) for item in told)


def test_seen_by_a_link_is_seen_by_its_person_once_and_twice(burning: Shed) -> None:
    link = burning.link(COX, "detector")
    alarm = burning.alarm("detector_contact")
    for _ in range(2):
        answer = burning.web.post(f"{api(link)}/seen")
        assert answer.json() == {"done": True, "stored": True}
        alarm = burning.alarm("detector_contact")
        assert alarm["annunciation"] == "acknowledged"
        assert alarm["acknowledged_by"] == "cox, by message"
    shown = burning.web.get(api(link)).json()
    assert (shown["can_see"], shown["can_quiet"]) == (False, False)
    other = burning.link(CAPTAIN, "detector")
    assert burning.web.post(f"{api(other)}/seen").status_code == 200
    assert burning.alarm("detector_contact")["acknowledged_by"] == "cox, by message", "the first"
    acts = [
        (item["subject"], item["by"])
        for item in burning.ask("/api/audit")["items"]
        if item["what"] == "alarm acknowledged"
    ]
    assert (alarm["id"], "cox, by message") in acts
    assert (alarm["id"], "bench captain, by message") in acts


def test_no_token_is_written_down_anywhere(burning: Shed) -> None:
    tokens = {burning.link(who, "detector").rpartition("/")[2] for who in (COX, CAPTAIN)}
    assert len(tokens) == 2
    files = [path for path in burning.data.rglob("*") if path.is_file()]
    assert burning.service.log in files
    assert burning.data / FILE_NAME in files
    for path in files:
        content = path.read_bytes()
        for token in tokens:
            assert token.encode() not in content, path
            assert token.rpartition(".")[2].encode() not in content, path


def ended(running: Shed, link: str) -> dict[str, Any] | None:
    """What the link's page shows, once its alarm is over."""
    shown: dict[str, Any] = running.web.get(api(link)).json()
    return None if shown["alarm"]["condition"] else shown


def test_a_door_is_made_quiet_for_a_time_by_its_link(tmp_path: Path) -> None:
    mail = MailServer()
    mail.start()
    try:
        with shed(tmp_path, mail, speed=15, camera="") as running:
            running.order("open_door", for_s=240.0)
            link = running.link(COX, "door is open")
            shown = running.web.get(api(link)).json()
            assert (shown["can_see"], shown["can_quiet"], shown["danger"]) == (True, True, False)
            for minutes, status in ((0, 422), (61, 422), (1e9, 422), ("3", 422)):
                asked = running.web.post(f"{api(link)}/quiet", json={"minutes": minutes})
                assert asked.status_code == status, minutes
            minutes = shown["quiet_minutes"]
            quiet = running.web.post(f"{api(link)}/quiet", json={"minutes": minutes})
            assert quiet.status_code == 200
            alarm = running.alarm("door_open")
            assert alarm["suppression"] == "shelved"
            assert alarm["shelved_reason"] == "cox, by message"
            shown = running.web.get(api(link)).json()
            assert (shown["can_see"], shown["can_quiet"]) == (False, False)
            # Until it is over, which the link then says.
            over = wait_until(lambda: ended(running, link), within_s=90.0)
            assert over["alarm"]["annunciation"] == "normal"
            assert (over["can_see"], over["can_quiet"]) == (False, False)
            assert running.web.post(f"{api(link)}/seen").json()["done"] is True
            said = wait_until(
                lambda: [text for text in running.mails(COX) if "The door was open" in text],
                within_s=60,
            )
            assert "/answer/" not in said[-1], "what is over asks for no answer"
    finally:
        mail.stop()


def test_a_link_outlasts_a_restart_and_ends_with_its_key(tmp_path: Path) -> None:
    mail = MailServer()
    mail.start()
    try:
        with shed(tmp_path, mail) as running:
            running.order("contact_on", contact="smoke detector", for_s=36_000.0)
            link = running.link(COX, "detector")
            running.service.stop()
            running.service.start()
            assert running.web.get(api(link)).json()["alarm"]["kind"] == "detector_contact"
            running.service.stop()
            done = warm_run(stillair("renew-links", "--data-dir", str(running.data)))
            assert done.returncode == 0, done.stderr
            assert "worthless" in done.stdout
            running.service.start()
            assert running.web.get(api(link)).status_code == 404
    finally:
        mail.stop()


@pytest.mark.parametrize(
    ("words", "page", "base"),
    [
        pytest.param(("--host", "0.0.0.0"), "", "http://{name}:{port}", id="open to the network"),
        pytest.param(
            (),
            '[page]\naddress = "https://shed.example.org"',
            "https://shed.example.org",
            id="as the chamber file says",
        ),
        pytest.param(
            ("--behind-proxy", "oars.example.org"), "", "https://oars.example.org", id="a proxy"
        ),
    ],
)
def test_a_link_leads_to_where_telephones_open_the_page(
    tmp_path: Path, mail_server: MailServer, words: tuple[str, ...], page: str, base: str
) -> None:
    with shed(tmp_path, mail_server, *words, page=page) as running:
        running.order("contact_on", contact="smoke detector", for_s=36_000.0)
        link = running.link(COX, "detector")
        name = network.own_names()[-1]
        assert running.base == base.format(name=name, port=running.service.port)
        # By that name it is known, whoever resolves it.
        host = running.base.partition("//")[2]
        assert running.web.get(api(link), headers={"host": host}).status_code == 200
        elsewhere = running.web.get(api(link), headers={"host": "evil.example"})
        assert elsewhere.status_code == 421
        found = {thing["thing"]: thing for thing in running.ask("/api/setting-up")["items"]}
        assert running.base in found["links in messages"]["told"]


def test_links_of_before_answer_nothing_once_alarms_are_counted_anew(
    tmp_path: Path, mail_server: MailServer
) -> None:
    with shed(tmp_path, mail_server) as running:
        running.order("contact_on", contact="smoke detector", for_s=36_000.0)
        token = running.link(COX, "detector").rpartition("/")[2]
        backup.make(running.data, tmp_path / "mine.tar", datetime.now(UTC))
    assert isinstance(Answers(running.data).read(token, datetime.now(UTC)), Answer)
    backup.restore(tmp_path / "mine.tar", tmp_path / "card", datetime.now(UTC))
    assert not (tmp_path / "card" / FILE_NAME).exists(), "alarms since then are counted once more"
    for file in running.data.glob("journal.db*"):
        file.unlink()
    with shed(tmp_path, mail_server) as running:
        refused = running.web.get(api(f"/answer/{token}"))
        assert (refused.status_code, "withdrawn" in refused.text) == (404, True)


def test_without_a_way_in_for_telephones_mail_has_no_link(
    tmp_path: Path, mail_server: MailServer
) -> None:
    from burning import burning as stage

    with stage(tmp_path, mail_server) as running:
        running.light()
        running.fire_is_announced()
        bodies = [mail.get_body(("plain",)) for mail in running.mailed()]
        assert bodies
        for body in bodies:
            assert body is not None
            assert "/answer/" not in body.get_content()


def test_renewing_links_where_there_is_no_service_says_so(tmp_path: Path) -> None:
    done = warm_run(stillair("renew-links", "--data-dir", str(tmp_path / "nothing")))
    assert done.returncode == 1
    assert "name another --data-dir" in done.stderr
    assert not (tmp_path / "nothing").exists()


def test_httpx_is_no_browser() -> None:
    """What these tests ask with sends neither cookies nor an origin of its own."""
    with httpx.Client() as client:
        assert {"cookie", "origin", "referer"}.isdisjoint(client.headers)
