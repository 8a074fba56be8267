"""Which messages get a link, where it leads, and that its token is written down nowhere."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from hand_clocks import Clocks
from stillair.access.answers import LASTS, Answer, Answers, Purpose, Refused
from stillair.alerts.routes import Message
from stillair.api.problems import told_path
from stillair.api.reach import base_address
from stillair.config.reading import chamber_from_text
from stillair.runtime import network
from stillair.runtime.answering import Answering
from stillair.runtime.chamber import Chamber
from stillair.runtime.found import State
from stillair.storage.items import Item
from stillair.storage.journal import Journal

BASE = "https://shed.local:8420"
DOOR = Message(
    key="north-bench-3:raised:0:7892d57c23b1",
    route="mailto:cox@shed.example",
    title="north bench: Door open",
    text="The door is open.",
    created_at=datetime(2026, 5, 2, 3, 12, tzinfo=UTC),
    alarm="north-bench-3",
    chamber="north-bench",
    kind="door_open",
    stage="raised",
    person="cox",
)


class NoAlarms:
    def alarm(self, alarm_id: str) -> Item | None:
        return None


def answering(folder: Path, clocks: Clocks, base: str | None = BASE) -> Answering:
    made = Answering(Answers(folder), chambers=tuple, kept=NoAlarms(), wall=clocks.wall)
    made.base = base
    return made


def test_a_link_is_for_the_alarm_and_the_person_of_its_message(tmp_path: Path) -> None:
    clocks = Clocks()
    links = answering(tmp_path, clocks)
    link = links.link_for(DOOR)
    assert link is not None
    base, _, token = link.rpartition("/answer/")
    assert base == BASE
    answer = links.answers.read(token, clocks.at + timedelta(hours=3))
    assert answer == Answer(Purpose.ALARM, DOOR.alarm or "", "cox", clocks.at, clocks.at + LASTS)
    assert links.link_for(replace(DOOR, person="bench captain")) != link


@pytest.mark.parametrize(
    ("change", "base"),
    [
        pytest.param({}, None, id="nobody else can open the page"),
        pytest.param({"alarm": None}, BASE, id="what somebody waited for"),
        pytest.param({"stage": "over"}, BASE, id="it is over"),
        pytest.param({"person": ""}, BASE, id="a message of an earlier version"),
    ],
)
def test_a_message_that_needs_no_answer_has_no_link(
    tmp_path: Path, change: dict[str, str | None], base: str | None
) -> None:
    links = answering(tmp_path, Clocks(), base)
    assert links.link_for(replace(DOOR, **change)) is None  # type: ignore[arg-type]  # a table


def test_a_link_of_an_alarm_test_is_for_that_one_message(tmp_path: Path) -> None:
    clocks = Clocks()
    links = answering(tmp_path, clocks)
    key = "test:north-bench-0a1b:7892d57c23b1"
    test = replace(DOOR, key=key, alarm=None, kind="fire", stage="test")
    token = (links.link_for(test) or "").rpartition("/answer/")[2]
    assert links.answers.read(token, clocks.at) == Answer(
        Purpose.TEST, "north-bench-0a1b:7892d57c23b1", "cox", clocks.at, clocks.at + LASTS
    )
    for stage in ("test over", "reminder"):
        assert links.link_for(replace(test, stage=stage)) is None


@pytest.mark.parametrize("stage", ["raised", "changed", "still", ""])
def test_all_other_messages_of_an_alarm_have_one(tmp_path: Path, stage: str) -> None:
    assert answering(tmp_path, Clocks()).link_for(replace(DOOR, stage=stage)) is not None


def test_who_sets_it_up_is_told_where_links_lead(tmp_path: Path) -> None:
    nowhere = answering(tmp_path, Clocks(), None).found()
    assert (nowhere.state, "this computer alone" in nowhere.told) == (State.NONE, True)
    somewhere = answering(tmp_path, Clocks()).found()
    assert somewhere.state is State.NOT_TRIED
    assert BASE in somewhere.told


BENCH = """
[chamber]
name = "{name}"

[[sensor]]
name = "top"
driver = "onewire"
address = "28-0000075c2f11"

[[person]]
name = "{person}"
routes = ["mailto:somebody@shed.example"]

[mail]
host = "127.0.0.1"
security = "none"
"""


def bench(name: str, person: str) -> Chamber:
    """As much of a running chamber as who is told of it."""
    settings = chamber_from_text(BENCH.format(name=name, person=person), name)
    return cast("Chamber", SimpleNamespace(key=settings.key, settings=settings))


@pytest.mark.parametrize(
    ("purpose", "subject", "person", "known"),
    [
        (Purpose.ALARM, "north-bench-3", "cox", True),
        (Purpose.ALARM, "north-bench-3", "stroke", False),
        (Purpose.ALARM, "south-bench-3", "cox", False),
        (Purpose.ALARM, "jetty-3", "cox", False),
        (Purpose.ALARM, "", "cox", False),
        (Purpose.PRESENCE, "north-bench", "cox", True),
        (Purpose.PRESENCE, "south-bench", "cox", False),
        (Purpose.TEST, "north-bench-0a1b:7892d57c23b1", "cox", True),
        (Purpose.TEST, "north-bench-0a1b:7892d57c23b1", "stroke", False),
        (Purpose.TEST, "south-bench-0a1b:7892d57c23b1", "stroke", True),
        (Purpose.TEST, "jetty-0a1b:7892d57c23b1", "cox", False),
    ],
)
def test_only_who_is_told_of_a_chamber_answers_for_it(
    tmp_path: Path, purpose: Purpose, subject: str, person: str, known: bool
) -> None:
    links = Answering(
        Answers(tmp_path),
        chambers=lambda: (bench("north bench", "cox"), bench("south bench", "stroke")),
        kept=NoAlarms(),
        wall=Clocks().wall,
    )
    links.base = BASE
    token = str(links.address(purpose, subject, person)).rpartition("/")[2]
    found = links.asked(token)
    assert isinstance(found, Answer) is known
    assert known or found is Refused.UNKNOWN


@pytest.mark.parametrize(
    ("wanted", "host", "proxied_as", "base"),
    [
        pytest.param(None, "127.0.0.1", (), None, id="this computer alone"),
        pytest.param(None, "::1", (), None, id="the same over IPv6"),
        pytest.param(None, "localhost", (), None, id="by name"),
        pytest.param(None, "0.0.0.0", (), "http://shed.local:8420", id="anywhere"),
        pytest.param(None, "::", (), "http://shed.local:8420", id="anywhere over IPv6"),
        pytest.param(None, "192.168.7.20", (), "http://192.168.7.20:8420", id="one address"),
        pytest.param(None, "fd00::7", (), "http://[fd00::7]:8420", id="one of IPv6"),
        pytest.param(
            None, "127.0.0.1", ("shed.example.org", "b"), "https://shed.example.org", id="a proxy"
        ),
        pytest.param(BASE, "127.0.0.1", (), BASE, id="as the chamber file says"),
        pytest.param(BASE, "0.0.0.0", ("shed.example.org",), BASE, id="whatever else there is"),
    ],
)
def test_where_telephones_open_the_page(
    monkeypatch: pytest.MonkeyPatch,
    wanted: str | None,
    host: str,
    proxied_as: tuple[str, ...],
    base: str | None,
) -> None:
    monkeypatch.setattr(network, "own_names", lambda: ("shed.example", "shed.local"))
    assert base_address(wanted, host, 8420, "http", proxied_as) == base
    over_tls = base_address(wanted, host, 8420, "https", proxied_as)
    assert over_tls == (base and base.replace("http://", "https://"))


@pytest.mark.parametrize(
    ("path", "told"),
    [
        ("/answer/SECRET", "/answer/..."),
        ("/api/answer/SECRET", "/api/answer/..."),
        ("/api/answer/SECRET/picture", "/api/answer/.../picture"),
        ("//answer/SECRET", "//answer/..."),
        ("/answer/", "/answer/..."),
        ("/api/jobs/boat-shed-1/note", "/api/jobs/boat-shed-1/note"),
        ("/", "/"),
        ("", ""),
    ],
)
def test_a_token_is_left_out_of_what_the_log_says(path: str, told: str) -> None:
    assert told_path(path) == told


def test_a_journal_that_begins_anew_makes_earlier_links_worthless(tmp_path: Path) -> None:
    clocks = Clocks()
    links = answering(tmp_path, clocks)
    journal = Journal(tmp_path / "journal.db")

    def token() -> str:
        links.look(journal)
        return (links.link_for(DOOR) or "").rpartition("/answer/")[2]

    first = token()
    assert isinstance(links.answers.read(first, clocks.at), Answer)
    token()
    again = answering(tmp_path, clocks)  # a restart
    again.look(journal)
    assert isinstance(again.answers.read(first, clocks.at), Answer), "the same journal"
    Answers(tmp_path).renew()
    second = token()
    assert links.answers.read(first, clocks.at) is Refused.UNKNOWN, "as somebody wanted"
    token()
    assert isinstance(links.answers.read(second, clocks.at), Answer)
    journal.close()
    for file in tmp_path.glob("journal.db*"):
        file.unlink()
    token()
    assert links.answers.read(second, clocks.at) is Refused.UNKNOWN, "alarms are counted anew"


def test_links_are_made_though_the_journal_cant_be_read(tmp_path: Path) -> None:
    (tmp_path / "journal.db").mkdir()
    clocks = Clocks()
    links = answering(tmp_path, clocks)
    links.look(Journal(tmp_path / "journal.db"))
    token = (links.link_for(DOOR) or "").rpartition("/answer/")[2]
    links.look(Journal(tmp_path / "journal.db"))
    assert isinstance(links.answers.read(token, clocks.at), Answer)
