"""The mail that a message becomes: readable, marked as a machine's, and never broken open."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from email import message_from_bytes, policy
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.alerts.mail import MailSettings, compose
from stillair.alerts.routes import Message

SENDER = "stillair@shed.example"
COX = "cox@shed.example"
DOOR = Message(
    key="north-bench-3:raised:0:7892d57c23b1",
    route=f"mailto:{COX}",
    title="north bench: Door open",
    text="The door is open. It is 46.2 °C.\n\nChamber: north bench\n",
    created_at=datetime(2026, 5, 2, 3, 12, tzinfo=UTC),
    alarm="north-bench-3",
    priority="medium",
)


def test_a_mail_as_it_arrives() -> None:
    mail = message_from_bytes(
        compose(DOOR, sender=SENDER, recipient=COX).as_bytes(), policy=policy.default
    )
    assert mail["From"] == "Stillair <stillair@shed.example>"
    assert mail["To"] == COX
    assert mail["Subject"] == "north bench: Door open"
    assert mail["Date"].datetime == DOOR.created_at
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Importance"] is None
    assert mail.get_content_type() == "text/plain"
    assert mail.get_content().replace("\r\n", "\n") == DOOR.text
    assert mail.as_bytes().isascii(), "any server can carry it"


def test_the_same_message_has_the_same_id_and_its_alarm_is_one_thread() -> None:
    first = compose(DOOR, sender=SENDER, recipient=COX)
    again = compose(replace(DOOR, title="late", tries=7), sender=SENDER, recipient=COX)
    other = compose(replace(DOOR, key="north-bench-3:over:9:x"), sender=SENDER, recipient=COX)
    assert first["Message-ID"] == again["Message-ID"] != other["Message-ID"]
    assert first["Message-ID"].endswith("@shed.example>")
    assert first["References"] == other["References"]
    assert compose(replace(DOOR, alarm=None), sender=SENDER, recipient=COX)["References"] is None


@pytest.mark.parametrize(
    ("priority", "importance"),
    [("critical", "high"), ("high", "high"), ("medium", None), ("low", None)],
)
def test_what_is_urgent_is_marked(priority: str, importance: str | None) -> None:
    mail = compose(replace(DOOR, priority=priority), sender=SENDER, recipient=COX)
    assert mail["Importance"] == importance


def test_a_domain_of_other_letters_is_carried_as_ascii() -> None:
    mail = compose(DOOR, sender=SENDER, recipient="cox@bücher.example")
    assert mail["To"] == "cox@xn--bcher-kva.example"


@pytest.mark.parametrize(
    "recipient",
    ["", "nobody", "a@b@c", "a b@shed.example", "a@shed.example\r\nBcc: all@shed.example", "@x"],
)
def test_an_address_that_is_none_is_refused(recipient: str) -> None:
    with pytest.raises(ValueError, match="is no e-mail address"):
        compose(DOOR, sender=SENDER, recipient=recipient)


@given(title=st.text(max_size=300), text=st.text(max_size=500), key=st.text(max_size=50))
def test_no_text_adds_a_header_or_breaks_the_mail(title: str, text: str, key: str) -> None:
    hostile = replace(DOOR, title=title, text=text, key=key)
    mail = compose(hostile, sender=SENDER, recipient=COX)
    arrived = message_from_bytes(mail.as_bytes(), policy=policy.default)
    assert sorted(arrived.keys()) == sorted(
        [
            *("From", "To", "Subject", "Date", "Message-ID", "References", "Auto-Submitted"),
            *("Content-Type", "Content-Transfer-Encoding", "MIME-Version"),
        ]
    )
    assert arrived["To"] == COX
    assert not arrived.defects
    assert len(str(arrived["Subject"])) <= 200


def test_the_password_is_not_shown() -> None:
    settings = MailSettings("127.0.0.1", 25, username="cox", password="oar lock")
    assert "oar lock" not in repr(settings)


@pytest.mark.parametrize(
    ("zone", "offset"), [("Europe/Berlin", "+0200"), ("UTC", "+0000"), ("Asia/Kolkata", "+0530")]
)
def test_the_time_stands_in_the_chambers_zone(zone: str, offset: str) -> None:
    in_may = replace(DOOR, created_at=datetime(2026, 5, 2, 9, 0, tzinfo=UTC))
    mail = compose(in_may, sender=SENDER, recipient=COX, zone=ZoneInfo(zone))
    assert str(mail["Date"]).endswith(offset)
    assert mail["Date"].datetime == in_may.created_at


@pytest.mark.parametrize(
    ("ends_at", "picture", "said"),
    [
        pytest.param(
            datetime(2026, 5, 2, 15, 20, tzinfo=UTC), None, " (until 17:20 on Saturday)", id="ends"
        ),
        pytest.param(
            datetime(2026, 5, 2, 23, 0, tzinfo=UTC), b"x", " (until 01:00 on Sunday)", id="picture"
        ),
        pytest.param(None, None, "", id="nobody knows when"),
    ],
)
def test_the_link_that_answers_stands_last_and_alone_on_its_line(
    ends_at: datetime | None, picture: bytes | None, said: str
) -> None:
    link = "https://shed.local:8420/answer/" + "WyJhbGFybSIsIm5vcnRoLWJlbmNoLTMi" * 5 + ".x-y_z"
    mail = message_from_bytes(
        compose(
            replace(DOOR, link=link),
            sender=SENDER,
            recipient=COX,
            zone=ZoneInfo("Europe/Berlin"),
            picture=picture,
            link_ends_at=ends_at,
        ).as_bytes(),
        policy=policy.default,
    )
    body = mail.get_body()
    assert body is not None
    lines = body.get_content().replace("\r\n", "\n").rstrip().split("\n")
    assert lines[-2:] == [f"Answer it here, without signing in{said}:", link]
    assert lines[0] == "The door is open. It is 46.2 °C."


def test_without_a_link_nothing_is_said_of_one() -> None:
    ends_at = datetime(2026, 5, 2, 15, 20, tzinfo=UTC)
    mail = compose(DOOR, sender=SENDER, recipient=COX, link_ends_at=ends_at)
    assert "nswer it here" not in mail.get_content()


def test_a_link_is_in_no_description_of_its_message() -> None:
    assert "secret" not in repr(replace(DOOR, link="https://shed.local/answer/secret"))
