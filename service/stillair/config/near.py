"""How a value or a key looks in a fault, and what may have been meant by it."""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterable

SHOWN_CHARACTERS = 60
TYPED_CHARACTERS = 60  # nobody mistypes a longer name; comparing one would take long
HUGE = 10**30


def printable(text: str, most: int = SHOWN_CHARACTERS) -> str:
    """Text without anything that could move a terminal's cursor or break a log line."""
    cut = text if len(text) <= most else text[:most] + "…"
    return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in cut)


def shown(value: object) -> str:
    """A value about as it stands in the chamber file, on one line and cut short."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return printable(json.dumps(value[: SHOWN_CHARACTERS + 1], ensure_ascii=False))
        case int():
            return str(value) if -HUGE < value < HUGE else "a huge number"
        case float():
            return str(value)
        case dict():
            return "a table"
        case list():
            numbers = _numbers(value)
            return "a list" if numbers is None else printable(numbers)
        case _:
            return printable(str(value))


def _numbers(value: object, depth: int = 2) -> str | None:
    """A list of nothing but numbers, or of such lists, as it stands in the file; else None.

    Texts may be secret, and are shown only where their key is known.
    """
    if not isinstance(value, list) or not depth:
        number = isinstance(value, int | float) and not isinstance(value, bool)
        return shown(value) if number else None
    parts = [_numbers(each, depth - 1) for each in value[:SHOWN_CHARACTERS]]
    known = [part for part in parts if part is not None]
    return f"[{', '.join(known)}]" if len(known) == len(parts) else None


def shown_key(key: str) -> str:
    """A key as it stands in the chamber file, in quotation marks unless it is a bare one."""
    return key if re.fullmatch(r"[A-Za-z0-9_-]{1,60}", key) else shown(key)


def did_you_mean(written: object, known: Iterable[str]) -> str:
    """A clause that names the nearest of the known words, or nothing."""
    if not isinstance(written, str) or len(written) > TYPED_CHARACTERS:
        return ""
    lower = {word.lower(): word for word in known}
    near = difflib.get_close_matches(written.lower(), lower, n=1, cutoff=0.7)
    return f' (did you mean "{lower[near[0]]}"?)' if near else ""


def listed(words: Iterable[str]) -> str:
    """Words in quotation marks with commas between."""
    return ", ".join(f'"{word}"' for word in words)
