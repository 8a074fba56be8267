"""What messages from outside say, whatever they hold."""

from __future__ import annotations

import json
import math
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.model import JsonValue
from stillair.sensing.payloads import (
    LARGEST_PAYLOAD_BYTES,
    check_pointer,
    number_in,
    value_in,
    word_in,
)

# RFC 6901, section 5: the document and every pointer into it
RFC_6901 = {
    "foo": ["bar", "baz"],
    "": 0,
    "a/b": 1,
    "c%d": 2,
    "e^f": 3,
    "g|h": 4,
    "i\\j": 5,
    'k"l': 6,
    " ": 7,
    "m~n": 8,
}


@pytest.mark.parametrize(
    ("pointer", "expected"),
    [
        ("", RFC_6901),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_the_pointers_of_the_standard(pointer: str, expected: JsonValue) -> None:
    assert value_in(json.dumps(RFC_6901).encode(), check_pointer(pointer)) == expected


def test_escapes_are_undone_in_the_order_of_the_standard() -> None:
    assert value_in(b'{"~1": 1}', "/~01") == 1  # section 4: ~01 is ~1, not /


@pytest.mark.parametrize("pointer", ["foo", "/a~2", "/a~", "0"])
def test_a_malformed_pointer_is_refused(pointer: str) -> None:
    with pytest.raises(ValueError, match="JSON pointer"):
        check_pointer(pointer)


@pytest.mark.parametrize(
    ("payload", "pointer", "expected"),
    [
        pytest.param(b"45.5", "", 45.5, id="plain"),
        pytest.param(b" 45.5\r\n", "", 45.5, id="line end"),
        pytest.param(b"-3", "", -3.0, id="negative"),
        pytest.param(b"+4.55e1", "", 45.5, id="exponent"),
        pytest.param(b'{"air": {"c": 45.5}}', "/air/c", 45.5, id="nested"),
        pytest.param(b'[1, {"c": "45.5"}]', "/1/c", 45.5, id="in a string"),
    ],
)
def test_a_number_is_found(payload: bytes, pointer: str, expected: float) -> None:
    assert number_in(payload, pointer) == expected


@pytest.mark.parametrize(
    ("payload", "pointer", "words"),
    [
        pytest.param(b"", "", "empty", id="empty"),
        pytest.param(b"  ", "", "empty", id="blank"),
        pytest.param(b"nan", "", "no number", id="nan"),
        pytest.param(b"inf", "", "no number", id="inf"),
        pytest.param(b"-Infinity", "", "no number", id="minus infinity"),
        pytest.param(b"1e999", "", "not finite", id="overflow"),
        pytest.param(b"true", "", "no number", id="plain bool"),
        pytest.param(b"0x2d", "", "no number", id="hexadecimal"),
        pytest.param(b"4_5", "", "no number", id="underscore"),
        pytest.param("４５".encode(), "", "no number", id="other digits"),
        pytest.param(b"45,5", "", "no number", id="decimal comma"),
        pytest.param(b"45.5 C", "", "no number", id="unit"),
        pytest.param(b"\xff\xfe\x00", "", "no UTF-8", id="binary"),
        pytest.param(b"9" * 70_000, "", "70000 bytes", id="too long"),
        pytest.param(b'{"c": NaN}', "/c", "no JSON", id="NaN in JSON"),
        pytest.param(b'{"c": Infinity}', "/c", "no JSON", id="Infinity in JSON"),
        pytest.param(b'{"c": 1e999}', "/c", "not finite", id="overflow in JSON"),
        pytest.param(b'{"c": ' + b"9" * 400 + b"}", "/c", "not finite", id="400 digits"),
        pytest.param(b'{"c": ' + b"9" * 9000 + b"}", "/c", "too many digits", id="9000 digits"),
        pytest.param(b'{"c": true}', "/c", "true is no number", id="bool"),
        pytest.param(b'{"c": null}', "/c", "null is no number", id="null"),
        pytest.param(b'{"c": {"d": 1}}', "/c", "an object is no number", id="object"),
        pytest.param(b'{"c": [1]}', "/c", "an array is no number", id="array"),
        pytest.param(b'{"c": "warm"}', "/c", "'warm' is no number", id="word"),
        pytest.param(b'{"c": 1', "/c", "no JSON", id="cut off"),
        pytest.param(b'{"c": 1}', "/d", "nothing at '/d'", id="nothing there"),
        pytest.param(b"[1, 2]", "/2", "nothing at", id="past the end"),
        pytest.param(b"[1, 2]", "/-", "nothing at", id="the element after the last"),
        pytest.param(b"[1, 2]", "/01", "nothing at", id="leading zero"),
        pytest.param(b"[1, 2]", "/-1", "nothing at", id="negative index"),
        pytest.param(b"1", "/c", "nothing at", id="pointer into a number"),
        pytest.param(b"[" * 60_000, "/c", "JSON", id="nested 60,000 deep"),
        pytest.param(b'{"a":' * 10_000 + b"1" + b"}" * 10_000, "/c", "JSON", id="deep, whole"),
    ],
)
def test_what_is_no_number_is_refused(payload: bytes, pointer: str, words: str) -> None:
    with pytest.raises(ValueError, match=words) as caught:
        number_in(payload, pointer)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 120


@pytest.mark.parametrize(
    ("payload", "pointer", "expected"),
    [
        pytest.param(b"open\n", "", "open", id="plain"),
        pytest.param(b'{"door": "open"}', "/door", "open", id="string"),
        pytest.param(b'{"door": true}', "/door", "true", id="bool"),
        pytest.param(b'{"door": 1}', "/door", "1", id="number"),
        pytest.param(b'{"door": null}', "/door", "null", id="null"),
    ],
)
def test_a_word_is_found(payload: bytes, pointer: str, expected: str) -> None:
    assert word_in(payload, pointer) == expected


def test_a_word_is_no_structure() -> None:
    with pytest.raises(ValueError, match="an object is no single word"):
        word_in(b'{"door": {}}', "/door")


@given(st.binary(max_size=300), st.sampled_from(["", "/c", "/0", "/c/0/d"]))
def test_any_bytes_are_a_finite_number_or_refused(payload: bytes, pointer: str) -> None:
    with suppress(ValueError):
        assert math.isfinite(number_in(payload, pointer))


documents = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=12,
)


@given(documents, st.text(alphabet="/c01~-", max_size=6))
def test_any_document_and_pointer_is_a_finite_number_or_refused(
    document: JsonValue, pointer: str
) -> None:
    payload = json.dumps(document).encode()[: LARGEST_PAYLOAD_BYTES + 1]
    with suppress(ValueError):
        assert math.isfinite(number_in(payload, check_pointer(pointer)))


@given(st.floats(-1e6, 1e6))
def test_every_number_comes_back(value: float) -> None:
    assert number_in(repr(value).encode()) == value
    assert number_in(json.dumps({"c": value}).encode(), "/c") == value
