"""The code for the first owner, narrow tokens, passwords and sessions, and the record of acts."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from hand_clocks import Clocks
from stillair.access import trail
from stillair.access.first_code import GOOD_FOR_S, LETTERS, MOST_TRIES, FirstCode
from stillair.access.people import FILE_NAME, Access, TooManyTriesError
from stillair.access.roles import Principal, Role, Scope
from stillair.access.trail import Act, Trail
from stillair.errors import AccessError, NotKnownError, UnfitError

WORDS, OTHERS = "oars in the rain", "a coat for the weir"


@pytest.fixture
def clocks() -> Clocks:
    return Clocks()


@pytest.fixture
def access(tmp_path: Path, clocks: Clocks) -> Iterator[Access]:
    opened = Access(tmp_path / FILE_NAME, wall=clocks.wall, monotonic_s=clocks.monotonic_s)
    with opened:
        yield opened


@pytest.fixture
def first(clocks: Clocks) -> FirstCode:
    return FirstCode(clocks.monotonic_s)


def test_a_code_fits_however_it_is_typed_and_for_half_an_hour(
    first: FirstCode, clocks: Clocks
) -> None:
    assert not first.fits("")
    code = first.make()
    assert set(code) <= {*LETTERS, "-"}
    assert all(map(first.fits, (code, code.lower(), code.replace("-", " "), f" {code} ")))
    assert not first.fits(code[:-1])
    clocks.now_s = GOOD_FOR_S
    assert not first.fits(code)


def test_a_code_fits_no_more_once_a_new_one_is_made_it_is_used_or_guessed_at(
    first: FirstCode,
) -> None:
    old, code = first.make(), first.make()
    assert not first.fits(old)
    first.use_up()
    assert not first.fits(code)
    code = first.make()
    for _ in range(MOST_TRIES):
        first.fits("AAAA-AAAA")
    assert not first.fits(code)


def test_the_code_makes_one_owner(access: Access, first: FirstCode) -> None:
    code = first.make()
    with pytest.raises(UnfitError):
        access.first_owner("captain", "short", code, first)
    with pytest.raises(NotKnownError):
        access.first_owner("captain", WORDS, "AAAA-AAAA", first, address="127.0.0.1")
    assert not access.has_owner()
    access.first_owner("captain", WORDS, code, first, address="127.0.0.1")
    assert access.people() == [Principal("captain", Role.OWNER)]
    with pytest.raises(NotKnownError):
        access.first_owner("cox", WORDS, code, first)
    told = [(entry.what, entry.by) for entry in access.audit()]
    assert ("wrong code for the first owner (1)", "") in told
    assert ("owner made", "code from the console") in told


def test_guessing_the_code_is_slowed_down(access: Access, first: FirstCode) -> None:
    code = first.make()
    for _ in range(5):
        with pytest.raises(NotKnownError):
            access.first_owner("captain", WORDS, "AAAA-AAAA", first, address="127.0.0.1")
    with pytest.raises(TooManyTriesError):
        access.first_owner("captain", WORDS, code, first, address="127.0.0.1")
    assert not access.has_owner()


def test_an_owner_who_was_made_otherwise_leaves_the_code_worthless(
    access: Access, first: FirstCode
) -> None:
    code = first.make()
    access.owner_add("captain", WORDS)
    with pytest.raises(AccessError, match="owner already"):
        access.first_owner("cox", WORDS, code, first)
    assert [person.name for person in access.people()] == ["captain"]


@pytest.mark.parametrize(
    ("role", "scopes", "chamber", "asked", "may"),
    [
        pytest.param(Role.OPERATOR, (), None, None, True, id="whole role"),
        pytest.param(Role.OPERATOR, ("progress",), None, "progress", True, id="in scope"),
        pytest.param(Role.OPERATOR, ("progress",), None, "pause", False, id="another scope"),
        pytest.param(Role.OPERATOR, ("progress",), None, None, False, id="needs a whole role"),
        pytest.param(Role.OPERATOR, ("pause",), "bench", "pause", True, id="its chamber"),
        pytest.param(Role.OPERATOR, ("pause",), "jetty", "pause", False, id="another chamber"),
        pytest.param(Role.VIEWER, ("read",), None, "progress", False, id="a viewer only sees"),
    ],
)
def test_a_token_may_what_it_is_for(
    access: Access,
    role: Role,
    scopes: tuple[str, ...],
    chamber: str | None,
    asked: str | None,
    may: bool,
) -> None:
    made = access.token_add("machine", role, scopes=[Scope(s) for s in scopes], chamber=chamber)
    bearer = access.bearer(made)
    assert bearer is not None
    assert bearer.may(Role.OPERATOR, Scope(asked) if asked else None, "bench") is may


@pytest.mark.parametrize(
    ("role", "scopes", "chamber"),
    [
        pytest.param(Role.OPERATOR, (), "bench", id="a whole role in one chamber"),
        pytest.param(Role.VIEWER, (Scope.READ,), "bench", id="reading one chamber"),
        pytest.param(Role.VIEWER, (Scope.PAUSE,), None, id="a viewer that acts"),
    ],
)
def test_a_token_that_would_mislead_is_refused(
    access: Access, role: Role, scopes: tuple[Scope, ...], chamber: str | None
) -> None:
    with pytest.raises(UnfitError):
        access.token_add("machine", role, scopes=scopes, chamber=chamber)


def test_a_scope_of_a_later_version_opens_nothing(access: Access, tmp_path: Path) -> None:
    made = access.token_add("machine", Role.OPERATOR, scopes=[Scope.PAUSE])
    with sqlite3.connect(tmp_path / FILE_NAME) as connection:
        connection.execute("UPDATE token SET scopes = 'sing'")
    connection.close()
    bearer = access.bearer(made)
    assert bearer is not None
    assert not any(bearer.may(Role.VIEWER, scope) for scope in (*Scope, None))


def test_a_new_password_ends_the_other_sessions(access: Access) -> None:
    access.owner_add("captain", WORDS)
    here, there = access.sign_in("captain", WORDS), access.sign_in("captain", WORDS)
    with pytest.raises(NotKnownError):
        access.password_change("captain", "not this one", OTHERS, keep=here)
    with pytest.raises(UnfitError):
        access.password_change("captain", WORDS, "short", keep=here)
    access.password_change("captain", WORDS, OTHERS, keep=here)
    assert access.session(here) is not None
    assert access.session(there) is None
    assert access.sign_in("captain", OTHERS)


def test_guessing_a_password_from_an_open_page_is_slowed_down(access: Access) -> None:
    access.owner_add("captain", WORDS)
    for number in range(5):
        with pytest.raises(NotKnownError):
            access.password_change("captain", f"guess number {number}", OTHERS)
    with pytest.raises(TooManyTriesError):
        access.password_change("captain", WORDS, OTHERS)


def test_sessions_are_listed_and_ended_one_by_one(access: Access, clocks: Clocks) -> None:
    access.owner_add("captain", WORDS)
    access.person_add("cox", Role.VIEWER, OTHERS, by="captain")
    there = access.sign_in("captain", WORDS, address="192.0.2.7")
    clocks.at += timedelta(minutes=1)
    here = access.sign_in("captain", WORDS, address="192.0.2.8")
    found = access.sessions("captain", this=here)
    assert [(each.address, each.is_this) for each in found] == [
        ("192.0.2.7", False),
        ("192.0.2.8", True),
    ]
    assert [(kept.person.name, kept.sessions) for kept in access.kept_people()] == [
        ("captain", 2),
        ("cox", 0),
    ]
    access.session_end("cox", found[0].id)
    assert access.session(there) is not None, "another's session is not one's own"
    access.session_end("captain", found[0].id)
    assert access.session(there) is None
    assert access.session(here) is not None


def test_a_role_that_is_taken_away_is_gone_at_once(access: Access) -> None:
    access.owner_add("captain", WORDS)
    access.person_add("cox", Role.OPERATOR, OTHERS, by="captain")
    with pytest.raises(AccessError, match="already"):
        access.person_add("Cox", Role.OWNER, OTHERS, by="captain")
    session = access.sign_in("cox", OTHERS)
    access.person_role("cox", Role.VIEWER, by="captain", address="192.0.2.7")
    assert access.session(session) == Principal("cox", Role.VIEWER)
    with pytest.raises(AccessError, match="last owner"):
        access.person_role("captain", Role.VIEWER, by="cox")
    entry = access.audit()[-1]
    assert (entry.what, entry.subject, entry.by, entry.address) == (
        "role changed to viewer",
        "cox",
        "captain",
        "192.0.2.7",
    )


def test_acts_come_to_the_record_in_their_order(access: Access) -> None:
    for number in range(50):
        access.act("job paused", f"bench-{number}", by="cox", address="192.0.2.7")
    found = access.audit()
    assert [entry.subject for entry in found] == [f"bench-{n}" for n in range(50)]
    assert [entry.subject for entry in access.audit(2, after=found[9].seq)] == [
        "bench-10",
        "bench-11",
    ]


def test_acts_wait_for_a_disk_and_tell_how_many_were_too_many(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(trail, "MOST_WAITING", 3)
    kept: list[Act] = []
    works = False

    def write(acts: list[Act]) -> bool:
        if works:
            kept.extend(acts)
        return works

    waiting = Trail(write, again_s=0.01)
    for number in range(5):
        waiting.take(Act(number, f"act {number}", "", "", ""))
    assert not waiting.flush(0.0)
    works = True
    assert waiting.flush(10.0)
    assert [act.what for act in kept] == ["2 acts could not be kept", "act 2", "act 3", "act 4"]


def test_neighbours_lock_nobody_out_of_a_browser_that_is_known(
    access: Access, clocks: Clocks
) -> None:
    ours = "2001:db8:1:2::7"
    access.owner_add("captain", WORDS)
    access.person_add("cox", Role.VIEWER, OTHERS, by="captain")
    mark, foreign = access.new_mark("captain"), access.new_mark("cox")
    for n in range(60):  # somebody in the same house guesses, again and again
        clocks.now_s += 301.0 if n > 30 else 0.0
        with pytest.raises((NotKnownError, TooManyTriesError)):
            access.sign_in("captain", f"guess {n} at it", address="2001:db8:1:2::bad")
    for unknown in ("", foreign, f"{mark[:-1]}x", "x" * 500, "\ud800.\ud800"):
        with pytest.raises(TooManyTriesError):
            access.sign_in("captain", WORDS, address=ours, mark=unknown)
    assert access.sign_in("captain", WORDS, address=ours, mark=mark)
    assert access.sign_in("captain", WORDS, address="::1"), "at the machine itself"

    for n in range(5):
        with pytest.raises(NotKnownError):
            access.sign_in("captain", f"guess {n} at it", address=ours, mark=mark)
    with pytest.raises(TooManyTriesError):  # whoever has the browser guesses no faster
        access.sign_in("captain", WORDS, address=ours, mark=mark)

    access.owner_add("captain", OTHERS)
    with pytest.raises(TooManyTriesError):  # a new password voids it
        access.sign_in("captain", OTHERS, address=ours, mark=mark)
    assert access.new_mark("nobody") == ""
