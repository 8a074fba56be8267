"""Who may come in, tried on a real file."""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from hand_clocks import Clocks
from stillair.access import people, store
from stillair.access.people import FILE_NAME, Access, TooManyTriesError
from stillair.access.roles import Principal, Role
from stillair.errors import AccessError, StoreError

WORDS = "oars in the rain"


@pytest.fixture
def clocks() -> Clocks:
    return Clocks()


@pytest.fixture
def access(tmp_path: Path, clocks: Clocks) -> Iterator[Access]:
    opened = Access(tmp_path / FILE_NAME, wall=clocks.wall, monotonic_s=clocks.monotonic_s)
    with opened:
        yield opened


@pytest.fixture
def owned(access: Access) -> Access:
    access.owner_add("Bench captain", WORDS)
    return access


def test_the_first_owner_closes_the_door(access: Access) -> None:
    assert not access.has_owner()
    access.owner_add("Bench captain", WORDS)
    assert access.has_owner()
    assert access.people() == [Principal("Bench captain", Role.OWNER)]


def test_an_owner_made_by_another_process_counts_at_once(access: Access, tmp_path: Path) -> None:
    assert not access.has_owner()
    with Access.open(tmp_path) as other:
        other.owner_add("Bench captain", WORDS)
    assert access.has_owner()


def test_a_session_lasts_until_it_is_ended(owned: Access) -> None:
    token = owned.sign_in("bench CAPTAIN", WORDS, address="10.0.0.1")
    assert owned.session(token) == Principal("Bench captain", Role.OWNER)
    owned.sign_out(token)
    owned.sign_out(token)
    assert owned.session(token) is None


def test_wrong_name_and_wrong_password_sound_the_same(owned: Access) -> None:
    messages = set()
    for name, password in (("bench captain", "wrong words"), ("nobody", WORDS), ("", "")):
        with pytest.raises(AccessError) as told:
            owned.sign_in(name, password)
        messages.add(str(told.value))
    assert messages == {"name or password is wrong"}


def test_guessing_is_slowed_but_the_owner_gets_in_from_elsewhere(
    owned: Access, clocks: Clocks
) -> None:
    for _ in range(5):
        with pytest.raises(AccessError):
            owned.sign_in("bench captain", "wrong words", address="203.0.113.9")
    with pytest.raises(TooManyTriesError, match="wait 1 s"):
        owned.sign_in("bench captain", WORDS, address="203.0.113.9")
    assert owned.sign_in("bench captain", WORDS, address="10.0.0.1")
    clocks.now_s += 1.0
    assert owned.sign_in("bench captain", WORDS, address="203.0.113.9")


def test_of_many_tries_at_once_no_more_are_looked_at(
    owned: Access, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked_at: list[str] = []
    together = threading.Barrier(20, timeout=10.0)
    others = threading.Event()

    def slowly(_hash: str | None, password: str) -> bool:
        looked_at.append(password)
        others.wait(10.0)
        return False

    monkeypatch.setattr("stillair.access.passwords.is_password", slowly)
    refused: list[AccessError] = []

    def guess(number: int) -> None:
        together.wait()
        try:
            owned.sign_in("bench captain", f"wrong {number}", address="203.0.113.9")
        except AccessError as error:
            refused.append(error)
            if len(refused) == 15:
                others.set()

    guessing = [threading.Thread(target=guess, args=(number,)) for number in range(20)]
    for each in guessing:
        each.start()
    for each in guessing:
        each.join(30.0)
    assert len(looked_at) == 5
    assert sum(isinstance(error, TooManyTriesError) for error in refused) == 15


def test_signing_in_often_is_no_guessing(owned: Access) -> None:
    for _ in range(30):
        assert owned.sign_in("bench captain", WORDS, address="10.0.0.1")


def test_with_a_clock_set_back_a_session_that_is_used_writes_once(
    owned: Access, clocks: Clocks, monkeypatch: pytest.MonkeyPatch
) -> None:
    token = owned.sign_in("bench captain", WORDS)
    clocks.at -= timedelta(days=3)
    assert owned.session(token) == Principal("Bench captain", Role.OWNER)
    clocks.at += timedelta(minutes=10)
    monkeypatch.setattr(owned, "_writing", lambda: pytest.fail("the card wears out"))
    assert owned.session(token) == Principal("Bench captain", Role.OWNER)


@pytest.mark.parametrize(
    ("step_days", "steps", "lasts"),
    [
        pytest.param(29, 1, True, id="29 days unused"),
        pytest.param(31, 1, False, id="31 days unused"),
        pytest.param(20, 4, True, id="80 days of use"),
        pytest.param(20, 5, False, id="100 days of use"),
        pytest.param(-1, 1, True, id="the clock was set back"),
    ],
)
def test_a_session_runs_out(
    owned: Access, clocks: Clocks, step_days: int, steps: int, lasts: bool
) -> None:
    token = owned.sign_in("bench captain", WORDS)
    known = None
    for _ in range(steps):
        clocks.at += timedelta(days=step_days)
        known = owned.session(token)
    assert (known is not None) is lasts


@pytest.mark.parametrize(
    ("ahead_days", "steps", "lasts"),
    [
        pytest.param(20, 4, True, id="a clock that was ahead"),
        pytest.param(20, 5, False, id="from then on 90 days"),
        pytest.param(1000, 1, False, id="a clock that was far ahead"),
    ],
)
def test_a_session_of_a_clock_that_was_ahead_lasts_no_longer(
    owned: Access, clocks: Clocks, ahead_days: int, steps: int, lasts: bool
) -> None:
    right_at = clocks.at
    clocks.at += timedelta(days=ahead_days)
    token = owned.sign_in("bench captain", WORDS)
    clocks.at = right_at
    known = owned.session(token)
    for _ in range(steps):
        clocks.at += timedelta(days=20)
        known = owned.session(token)
    assert (known is not None) is lasts


def test_a_clock_that_is_behind_for_a_time_ends_no_session(owned: Access, clocks: Clocks) -> None:
    token = owned.sign_in("bench captain", WORDS)
    clocks.at -= timedelta(days=1000)
    assert owned.session(token) is None
    clocks.at += timedelta(days=1010)
    assert owned.session(token) is not None


def test_a_new_password_ends_all_sessions(owned: Access) -> None:
    token = owned.sign_in("bench captain", WORDS)
    owned.owner_add("bench captain", "other words entirely")
    assert owned.session(token) is None
    with pytest.raises(AccessError):
        owned.sign_in("bench captain", WORDS)
    assert owned.sign_in("bench captain", "other words entirely")


def test_signing_out_everywhere_ends_all_sessions(owned: Access) -> None:
    tokens = [owned.sign_in("bench captain", WORDS) for _ in range(3)]
    assert owned.sign_out_everywhere("bench captain", by="Bench captain") == 3
    assert [owned.session(token) for token in tokens] == [None] * 3


def test_the_oldest_of_too_many_sessions_ends(owned: Access, clocks: Clocks) -> None:
    tokens = []
    for _ in range(people.MOST_SESSIONS + 1):
        clocks.at += timedelta(minutes=1)
        tokens.append(owned.sign_in("bench captain", WORDS))
    assert owned.session(tokens[0]) is None
    assert all(owned.session(token) for token in tokens[1:])


def test_the_last_owner_stays(owned: Access) -> None:
    with pytest.raises(AccessError, match="last owner"):
        owned.person_remove("bench captain", by="x")
    with pytest.raises(AccessError, match="last owner"):
        owned.person_set("bench captain", Role.VIEWER, WORDS, by="x")
    owned.owner_add("Cox", WORDS)
    owned.person_remove("bench captain", by="Cox")
    assert owned.people() == [Principal("Cox", Role.OWNER)]
    with pytest.raises(AccessError, match="nobody named"):
        owned.person_remove("bench captain", by="Cox")


def test_whoever_is_removed_is_out_at_once(owned: Access) -> None:
    owned.person_set("Stroke", Role.OPERATOR, WORDS, by="Bench captain")
    token = owned.sign_in("stroke", WORDS)
    owned.person_remove("stroke", by="Bench captain")
    assert owned.session(token) is None


@pytest.mark.parametrize(
    ("has", "needs", "may"),
    [
        (Role.VIEWER, Role.VIEWER, True),
        (Role.VIEWER, Role.OPERATOR, False),
        (Role.OPERATOR, Role.VIEWER, True),
        (Role.OPERATOR, Role.OWNER, False),
        (Role.OWNER, Role.OPERATOR, True),
    ],
)
def test_each_role_includes_those_below(has: Role, needs: Role, may: bool) -> None:
    assert Principal("somebody", has).may(needs) is may


def test_a_token_is_known_until_it_is_removed(access: Access) -> None:
    token = access.token_add("left machine", Role.OPERATOR)
    assert access.bearer(token) == Principal("left machine", Role.OPERATOR)
    assert access.tokens() == [Principal("left machine", Role.OPERATOR)]
    with pytest.raises(AccessError, match="already"):
        access.token_add("left machine", Role.VIEWER)
    access.token_remove("left machine")
    assert access.bearer(token) is None
    with pytest.raises(AccessError, match="no token"):
        access.token_remove("left machine")


@pytest.mark.parametrize(
    "hostile", ["", "x", "\0", "\ud800", "'; DROP TABLE person; --", "x" * 10**6]
)
def test_a_hostile_token_is_nobody(owned: Access, hostile: str) -> None:
    assert owned.session(hostile) is None
    assert owned.bearer(hostile) is None
    with pytest.raises(AccessError):
        owned.sign_in(hostile, hostile, address=hostile)


def test_neither_password_nor_token_stands_in_the_file(owned: Access, tmp_path: Path) -> None:
    session = owned.sign_in("bench captain", WORDS)
    token = owned.token_add("left machine", Role.VIEWER)
    owned.close()
    content = b"".join(file.read_bytes() for file in tmp_path.iterdir())
    assert b"argon2id" in content
    for secret in (session, token, WORDS):
        assert secret.encode() not in content


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give files away")
def test_an_owner_whom_root_makes_does_not_lock_the_service_out(
    access: Access, tmp_path: Path
) -> None:
    os.chown(tmp_path, 1234, 1235)
    access.owner_add("Bench captain", WORDS)
    made = list(tmp_path.glob(f"{FILE_NAME}*"))
    assert len(made) == 3
    assert {(path.stat().st_uid, path.stat().st_gid) for path in made} == {(1234, 1235)}


def test_what_was_done_is_on_record(owned: Access) -> None:
    owned.sign_in("bench captain", WORDS, address="10.0.0.1")
    with pytest.raises(AccessError):
        owned.sign_in("bench captain", "wrong words", address="203.0.113.9")
    told = [(entry.what, entry.subject, entry.address) for entry in owned.audit()]
    assert told == [
        ("owner made", "Bench captain", ""),
        ("signed in", "Bench captain", "10.0.0.1"),
        ("sign-in failed (1)", "bench captain", "203.0.113.9"),
    ]


def test_the_record_stays_small(owned: Access, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store, "MOST_AUDIT", 5)
    for number in range(8):
        owned.token_add(f"machine {number}", Role.VIEWER)
    assert [entry.subject for entry in owned.audit()] == [f"machine {n}" for n in range(3, 8)]


def test_a_damaged_file_lets_nobody_in_until_an_owner_is_made_anew(
    owned: Access, tmp_path: Path
) -> None:
    owned.close()
    path = tmp_path / FILE_NAME
    path.write_bytes(b"these are no people " * 1000)
    for _ in range(2):
        closed = Access(path)
        assert closed.has_owner()
        for ask in (closed.session, closed.bearer):
            with pytest.raises(StoreError, match="not a database"):
                ask("anything")
        with pytest.raises(StoreError):
            closed.sign_in("bench captain", WORDS)
        closed.close()
    with Access.open(tmp_path, mend=True) as mended:
        mended.owner_add("Bench captain", WORDS)
        assert mended.sign_in("bench captain", WORDS)
    assert len(list(tmp_path.glob(f"{FILE_NAME}.damaged-*"))) == 1


def test_a_disk_on_which_no_file_can_be_made_has_no_owner(tmp_path: Path) -> None:
    (tmp_path / "in the way").touch()
    with Access.open(tmp_path / "in the way") as access:
        assert access.has_owner()  # it can't even be told whether there is a file
    with Access.open(tmp_path / "new") as access:
        (tmp_path / "new").mkdir(mode=0o700)
        (tmp_path / "new" / FILE_NAME).touch()
        holder = sqlite3.connect(tmp_path / "new" / FILE_NAME, isolation_level=None)
        holder.execute("BEGIN EXCLUSIVE")
        assert not access.has_owner()
        holder.close()


def test_a_session_is_known_while_nothing_can_be_written(
    owned: Access, clocks: Clocks, tmp_path: Path
) -> None:
    token = owned.sign_in("bench captain", WORDS)
    clocks.at += timedelta(days=1)
    holder = sqlite3.connect(tmp_path / FILE_NAME, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    try:
        assert owned.session(token) is not None
    finally:
        holder.close()


def test_many_may_ask_at_once(owned: Access) -> None:
    token = owned.sign_in("bench captain", WORDS)
    found: list[Principal | None] = []
    threads = [
        threading.Thread(target=lambda: found.extend(owned.session(token) for _ in range(20)))
        for _ in range(6)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert found == [Principal("Bench captain", Role.OWNER)] * 120
