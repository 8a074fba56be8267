"""What a message or a file from outside says: a number, or a value in a JSON document.

Anything may come: every fault is a `ValueError` whose text is one plain
clause, and no input takes more than its own length in time or memory.

References
----------
RFC 8259 (JSON), RFC 6901 (JSON pointer).
"""

from __future__ import annotations

import json
import math
import re
from typing import Never

from stillair.model import JsonValue

LARGEST_PAYLOAD_BYTES = 64 * 1024

# JSON's own form, and a plus sign, which small devices like to send.
_NUMBER = re.compile(r"[+-]?\d{1,30}(\.\d{1,30})?([eE][+-]?\d{1,3})?", re.ASCII)
_ESCAPE = re.compile(r"~(?![01])")
_INDEX = re.compile(r"0|[1-9]\d{0,8}", re.ASCII)


def check_pointer(pointer: str) -> str:
    """Give a well-formed JSON pointer back. Raises `ValueError` for another."""
    if pointer and not pointer.startswith("/"):
        raise ValueError(f"a JSON pointer begins with /, and {pointer!r} doesn't")
    if _ESCAPE.search(pointer):
        raise ValueError(f"in the JSON pointer {pointer!r} a ~ is followed by neither 0 nor 1")
    return pointer


def number_in(payload: bytes, pointer: str = "") -> float:
    """The finite number that a payload is, or holds at `pointer`. Raises `ValueError`.

    A number may also stand in a JSON string, as many devices send it.
    """
    value: JsonValue = value_in(payload, pointer) if pointer else _text(payload).strip()
    if isinstance(value, str):
        text = value.strip()
        if _NUMBER.fullmatch(text) is None:
            raise ValueError(f"{_shown(text)} is no number")
        number = float(text)
    elif isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{_named(value)} is no number")
    else:
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
    if not math.isfinite(number):
        raise ValueError("the number is not finite")
    return number


def word_in(payload: bytes, pointer: str = "") -> str:
    """The text that a payload is, or holds at `pointer`: true, 1 and "open" as JSON writes them.

    Raises `ValueError`, also for an object or an array.
    """
    if not pointer:
        return _text(payload).strip()
    value = value_in(payload, pointer)
    if isinstance(value, str):
        return value.strip()
    if isinstance(value, dict | list):
        raise ValueError(f"{_named(value)} is no single word")
    return json.dumps(value)


def value_in(payload: bytes, pointer: str) -> JsonValue:
    """The value at a JSON pointer (RFC 6901, section 4). Raises `ValueError`."""
    try:
        value: JsonValue = json.loads(_text(payload), parse_constant=_no_constant)
    except RecursionError:
        raise ValueError("the JSON is nested too deeply") from None
    except json.JSONDecodeError as error:
        raise ValueError(f"it is no JSON: {error.msg.lower()} at {error.pos}") from None
    except ValueError:
        raise ValueError("it holds a number of too many digits") from None
    for token in pointer.split("/")[1:]:
        key = token.replace("~1", "/").replace("~0", "~")
        if isinstance(value, dict) and key in value:
            value = value[key]
        elif isinstance(value, list) and _INDEX.fullmatch(key) and int(key) < len(value):
            value = value[int(key)]
        else:
            raise ValueError(f"there is nothing at {_shown(pointer)}")
    return value


def _text(payload: bytes) -> str:
    if len(payload) > LARGEST_PAYLOAD_BYTES:
        raise ValueError(
            f"{len(payload)} bytes are more than the {LARGEST_PAYLOAD_BYTES} that are read"
        )
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        raise ValueError("it is no UTF-8 text") from None
    if not text.strip():
        raise ValueError("it is empty")
    return text


def _no_constant(name: str) -> Never:
    raise json.JSONDecodeError(f"{name} is no number of JSON", name, 0)


def _named(value: JsonValue) -> str:
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "an array"
    return json.dumps(value)


def _shown(text: str) -> str:
    """A text as a person may see it in one line."""
    return repr(text if len(text) <= 40 else text[:37] + "...")
