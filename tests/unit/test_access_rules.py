"""Names, passwords and the pauses between tries."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.access.passwords import (
    MARK,
    check_password,
    clean_name,
    hash_password,
    is_outdated,
    is_password,
    name_key,
    new_token,
    token_hash,
)
from stillair.access.throttle import (
    FREE_TRIES,
    FREE_TRIES_OF_ADDRESS,
    LONGEST_PAUSE_S,
    MOST_REMEMBERED,
    Throttle,
    neighbourhood,
)
from stillair.errors import AccessError


@pytest.mark.parametrize(
    "name",
    [
        *("", "   ", "x" * 41, "bell\x07", "left\u202eright"),
        *("command line", "This  computer", "Code from the console"),  # of the record
    ],
)
def test_a_name_that_cannot_be_shown_or_misleads_is_refused(name: str) -> None:
    with pytest.raises(AccessError):
        clean_name(name)


@pytest.mark.parametrize(
    ("name", "cleaned"),
    [
        ("  Bench   captain ", "Bench captain"),
        ("Ｃox", "Cox"),
        ("line\u2028break", "line break"),
        ("zero\0", "zero"),
        ("Jörg", "Jörg"),
    ],
)
def test_a_name_is_kept_in_one_form(name: str, cleaned: str) -> None:
    assert clean_name(name) == cleaned
    assert name_key(name) == cleaned.casefold()


@pytest.mark.parametrize(
    "password",
    [
        pytest.param("a short one", id="11 characters"),
        pytest.param("a  short   one", id="11 characters and blanks"),
        pytest.param("oars in the rain" * 8 + "!", id="129 characters"),
        pytest.param("aaaaaaaaaaaa", id="one letter"),
        pytest.param("abababababab", id="two letters"),
        pytest.param("oars1oars1oars1oa", id="a piece again and again"),
        pytest.param("Password1234", id="everybody's"),
        pytest.param("1Qaz2wsx3edc", id="a walk over the keyboard"),
        pytest.param("Sonnenschein", id="a word that many take"),
        pytest.param("1234567890ab", id="counting"),
        pytest.param("Bench Captain", id="the name"),
        pytest.param("bench captain123", id="the name and a number"),
        pytest.param("zero\0zero12345", id="a zero byte"),
    ],
)
def test_a_password_that_would_be_guessed_is_refused(password: str) -> None:
    with pytest.raises(AccessError):
        check_password("bench captain", password)


@pytest.mark.parametrize(
    "password",
    [
        pytest.param("oars in the rain", id="a few words"),
        pytest.param("oarsintherai", id="12 characters of one kind"),
        pytest.param(
            "\u0420\u0435\u043a\u0430 \u0438 \u0432\u0435\u0442\u0435\u0440 \U0001f6a3",
            id="letters of another script and a picture",
        ),
        pytest.param("oars in the rain" * 8, id="128 characters"),
    ],
)
def test_a_few_words_make_a_password(password: str) -> None:
    check_password("bench captain", password)
    check_password("", password)


def test_nothing_of_a_long_password_is_cut_off() -> None:
    kept = hash_password("oars in the rain" * 8)
    assert is_password(kept, "oars in the rain" * 8)
    assert not is_password(kept, "oars in the rain" * 8 + "!")


def test_a_password_is_known_again_however_its_letters_are_composed() -> None:
    kept = hash_password("Jo\u0308rg rows at dawn")
    assert kept.startswith("$argon2id$v=19$m=19456,t=2,p=1$")
    assert is_password(kept, "J\u00f6rg rows at dawn")
    assert not is_password(kept, "Jorg rows at dawn")
    assert not is_outdated(kept)


@pytest.mark.parametrize("kept", [None, "", "no hash at all", "$argon2id$v=19$broken"])
def test_nothing_is_the_password_of_a_missing_or_broken_hash(kept: str | None) -> None:
    assert not is_password(kept, "oars in the rain")


@given(st.text(max_size=300))
def test_any_token_can_be_looked_up(token: str) -> None:
    assert len(token_hash(token)) == 64


def test_a_token_is_long_and_marked() -> None:
    token = new_token(MARK)
    assert token.startswith("stillair_")
    assert len(token) >= len(MARK) + 43
    assert new_token() != new_token()


class Seconds:
    """A clock moved by hand."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def test_pauses_double_and_end() -> None:
    clock = Seconds()
    throttle = Throttle(clock)
    pauses_s = []
    for _ in range(FREE_TRIES + 12):
        throttle.failed("cox", "10.0.0.1")
        pauses_s.append(throttle.pause_s("cox", "10.0.0.1"))
        clock.now_s += pauses_s[-1]
    doubling = [min(2.0**n, LONGEST_PAUSE_S) for n in range(13)]
    assert pauses_s == [0.0] * (FREE_TRIES - 1) + doubling


def test_a_stranger_elsewhere_locks_nobody_out() -> None:
    throttle = Throttle(Seconds())
    for _ in range(1000):
        throttle.failed("cox", "203.0.113.9")
    assert throttle.pause_s("cox", "203.0.113.9") == LONGEST_PAUSE_S
    assert throttle.pause_s("cox", "10.0.0.1") == 0.0


def test_one_address_cannot_try_many_names() -> None:
    throttle = Throttle(Seconds())
    for number in range(FREE_TRIES_OF_ADDRESS):
        throttle.failed(f"name {number}", "203.0.113.9")
    assert throttle.pause_s("somebody else", "203.0.113.9") > 0


def test_the_right_password_ends_the_pauses_and_so_does_an_hour() -> None:
    clock = Seconds()
    throttle = Throttle(clock)
    for name in ("cox", "stroke"):
        for _ in range(FREE_TRIES):
            throttle.failed(name, "10.0.0.1")
    throttle.succeeded("cox", "10.0.0.1")
    assert throttle.pause_s("cox", "10.0.0.1") == 0.0
    assert throttle.pause_s("stroke", "10.0.0.1") > 0
    clock.now_s = 3_601.0
    assert throttle.failed("stroke", "10.0.0.1") == 1


def test_made_up_names_take_no_memory() -> None:
    throttle = Throttle(Seconds())
    for number in range(3 * MOST_REMEMBERED):
        throttle.failed(f"name {number}", f"10.0.{number // 250}.{number % 250}")
    assert len(throttle._failures) == MOST_REMEMBERED


@pytest.mark.parametrize(
    ("address", "expected"),
    [
        ("10.0.0.1", "10.0.0.1"),
        ("::ffff:10.0.0.1", "10.0.0.1"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("", ""),
        ("not an address", "not an address"),
    ],
)
def test_what_one_person_has_of_addresses(address: str, expected: str) -> None:
    assert neighbourhood(address) == expected
