"""Links answer what they were made for, for whom, until they run out, and with this key alone."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from itsdangerous import URLSafeSerializer

from hand_clocks import Clocks
from stillair.access import passwords
from stillair.access.answers import FILE_NAME, LASTS, Answer, Answers, Purpose, Refused
from stillair.access.throttle import FREE_TRIES
from stillair.errors import AccessError, UnfitError

MADE_AT = datetime(2026, 11, 28, 22, 14, 7, tzinfo=UTC)
ALARM = (Purpose.ALARM, "north-bench-12", "cox")


@pytest.fixture
def answers(tmp_path: Path) -> Answers:
    return Answers(tmp_path)


@pytest.mark.parametrize("purpose", Purpose, ids=str)
@pytest.mark.parametrize("person", ["cox", "Bugmann Jörn", "艇" * 40, 'a"\\b, by message'])
def test_a_link_says_what_it_was_made_for(answers: Answers, purpose: Purpose, person: str) -> None:
    token = answers.make(purpose, "north-bench-12", person, MADE_AT)
    assert answers.read(token, MADE_AT + timedelta(hours=1)) == Answer(
        purpose, "north-bench-12", person, MADE_AT, MADE_AT + LASTS
    )
    assert len(token) < 400
    assert set(token) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_."), (
        "a telephone takes all of it for one address"
    )


def test_who_answers_by_message_is_recorded_so_and_nobody_may_be_called_so(
    answers: Answers,
) -> None:
    answer = answers.read(answers.make(*ALARM, MADE_AT), MADE_AT)
    assert isinstance(answer, Answer)
    assert answer.by == "cox, by message"
    with pytest.raises(UnfitError):
        passwords.clean_name("Cox, By Message")


@pytest.mark.parametrize(
    ("after", "found"),
    [
        pytest.param(timedelta(0), True, id="at once"),
        pytest.param(LASTS - timedelta(seconds=1), True, id="in the last second"),
        pytest.param(LASTS, False, id="run out"),
        pytest.param(timedelta(days=400), False, id="a year later"),
        pytest.param(timedelta(hours=-1), True, id="the clock was set back by an hour"),
        pytest.param(-LASTS, True, id="set back by as long as it lasts"),
        pytest.param(-LASTS - timedelta(seconds=1), False, id="by more"),
    ],
)
def test_a_link_runs_out(answers: Answers, after: timedelta, found: bool) -> None:
    answer = answers.read(answers.make(*ALARM, MADE_AT), MADE_AT + after)
    assert isinstance(answer, Answer) is found
    assert found or answer is Refused.EXPIRED


def test_every_altered_letter_is_noticed(answers: Answers) -> None:
    token = answers.make(*ALARM, MADE_AT)
    taken = [
        at
        for at, letter in enumerate(token[:-1])  # the last holds bits that base64 doesn't use
        if answers.read(token[:at] + ("A" if letter != "A" else "B") + token[at + 1 :], MADE_AT)
        is not Refused.UNKNOWN
    ]
    assert taken == []


@pytest.mark.parametrize(
    "token",
    [
        "",
        ".",
        "a.b",
        "…",
        "\0",
        "\ud800",
        "x" * 2_000,
        ".eJ" + "A" * 900,
        "../../etc/passwd",
        "W10.",  # an empty list without a signature
    ],
)
def test_what_is_no_link_is_none(answers: Answers, token: str) -> None:
    assert answers.read(token, MADE_AT) is Refused.UNKNOWN


@given(st.text(max_size=200))
def test_whatever_is_sent_is_no_link(token: str) -> None:
    answers = Answers(Path("/proc/nowhere"))  # its key is in memory alone
    assert answers.read(token, MADE_AT) is Refused.UNKNOWN


@pytest.mark.parametrize(
    "told",
    [
        pytest.param(["reset", "north-bench-12", "cox", 1.8e9], id="another purpose"),
        pytest.param(["alarm", "north-bench-12", "cox"], id="no time"),
        pytest.param(["alarm", "north-bench-12", "cox", "now"], id="no number"),
        pytest.param(["alarm", "north-bench-12", "cox", 1e30], id="a time that is none"),
        pytest.param({"a": 1}, id="something else"),
    ],
)
def test_what_is_signed_and_no_link_is_none(answers: Answers, told: object, tmp_path: Path) -> None:
    answers.look()
    signer = URLSafeSerializer(
        (tmp_path / FILE_NAME).read_bytes(),
        salt=b"stillair answer",
        signer_kwargs={"key_derivation": "hmac", "digest_method": hashlib.sha256},
    )
    assert answers.read(signer.dumps(told), MADE_AT) is Refused.UNKNOWN
    whole = ["alarm", "north-bench-12", "cox", round(MADE_AT.timestamp())]
    assert isinstance(answers.read(signer.dumps(whole), MADE_AT), Answer), "so it is the signer"


def test_another_board_s_link_is_none(tmp_path: Path) -> None:
    ours, theirs = Answers(tmp_path / "ours"), Answers(tmp_path / "theirs")
    assert ours.read(theirs.make(*ALARM, MADE_AT), MADE_AT) is Refused.UNKNOWN


def test_the_key_outlasts_the_process_and_nobody_else_reads_it(
    answers: Answers, tmp_path: Path
) -> None:
    token = answers.make(*ALARM, MADE_AT)
    file = tmp_path / FILE_NAME
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert isinstance(Answers(tmp_path).read(token, MADE_AT), Answer)
    assert [path.name for path in tmp_path.iterdir()] == [FILE_NAME]


def lost(file: Path) -> None:
    file.unlink()


def cut_off(file: Path) -> None:
    file.write_bytes(file.read_bytes()[:-1])


def emptied(file: Path) -> None:
    file.write_bytes(b"")


def shown_to_others(file: Path) -> None:
    file.chmod(0o644)


def a_link(file: Path) -> None:
    other = file.with_name("elsewhere")
    file.rename(other)
    file.symlink_to(other)


@pytest.mark.parametrize("happened", [lost, cut_off, emptied, shown_to_others, a_link])
def test_a_key_that_is_lost_damaged_or_known_to_others_is_replaced(
    tmp_path: Path, happened: object
) -> None:
    answers = Answers(tmp_path)
    old = answers.make(*ALARM, MADE_AT)
    happened(tmp_path / FILE_NAME)  # type: ignore[operator]  # a table of functions
    answers.look()
    assert answers.read(old, MADE_AT) is Refused.UNKNOWN
    new = answers.make(*ALARM, MADE_AT)
    assert isinstance(Answers(tmp_path).read(new, MADE_AT), Answer)
    file = tmp_path / FILE_NAME
    assert not file.is_symlink()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_a_new_key_makes_earlier_links_worthless_also_for_a_service_that_runs(
    tmp_path: Path,
) -> None:
    running = Answers(tmp_path)
    old = running.make(*ALARM, MADE_AT)
    Answers(tmp_path).renew()
    running.look()
    assert running.read(old, MADE_AT) is Refused.UNKNOWN
    assert isinstance(running.read(running.make(*ALARM, MADE_AT), MADE_AT), Answer)


def test_looking_changes_nothing_while_the_file_is_well(answers: Answers, tmp_path: Path) -> None:
    token = answers.make(*ALARM, MADE_AT)
    before = (tmp_path / FILE_NAME).stat()
    for _ in range(3):
        answers.look()
    assert (tmp_path / FILE_NAME).stat() == before
    assert isinstance(answers.read(token, MADE_AT), Answer)


def test_where_no_key_can_be_kept_links_are_good_until_the_end_of_the_process(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    folder = tmp_path / "a file"
    folder.write_text("in the way")
    answers = Answers(folder)
    token = answers.make(*ALARM, MADE_AT)
    answers.look()
    assert isinstance(answers.read(token, MADE_AT), Answer)
    assert "can't be kept" in caplog.text
    with pytest.raises(AccessError, match="can't be written"):
        answers.renew()
    assert isinstance(answers.read(token, MADE_AT), Answer), "the old one stays"
    assert token not in caplog.text


def test_a_key_that_can_t_be_read_just_now_stays(
    answers: Answers, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    token = answers.make(*ALARM, MADE_AT)

    def fails(*_: object) -> int:
        raise OSError(errno.EIO, "Input/output error")

    with monkeypatch.context() as disk:
        disk.setattr(os, "open", fails)
        answers.look()
    assert isinstance(answers.read(token, MADE_AT), Answer)
    assert isinstance(Answers(tmp_path).read(token, MADE_AT), Answer), "nor was it replaced"


def test_who_tries_tokens_waits_longer_and_longer(tmp_path: Path) -> None:
    clocks = Clocks()
    answers = Answers(tmp_path, monotonic_s=clocks.monotonic_s)
    pauses = [answers.guessed("203.0.113.9") for _ in range(FREE_TRIES + 3)]
    assert [pause_s for pause_s, _ in pauses] == [0.0] * FREE_TRIES + [1.0, 2.0, 4.0]
    assert [times for _, times in pauses] == list(range(1, FREE_TRIES + 4))
    assert answers.guessed("203.0.113.10") == (0.0, 1), "from elsewhere it begins afresh"
