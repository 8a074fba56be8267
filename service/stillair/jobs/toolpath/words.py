"""Lines of text as words, a letter and its number each, thousands of lines at once.

    b"G1 X10.5 E.02 ; wall"  ->  line 0: G 1, X 10.5, E 0.02

ISO 6983 and RS274 as machines in this trade read them: blanks mean nothing, nor
does the case; remarks in brackets or after a semicolon, numbers of lines, their
checksums and marks of a tape's end are passed over. So is a line that begins with
a command of letters, or with an M that says nothing about motion, heat or fan:
what follows there may be any text. Where a line calls another program, or repeats or
chooses lines, that is noted: all are read once, from top to bottom.

Some programs write a number near 0 with an exponent, X1.2e-05, though E names the
filament. It is one where it is spelled as only such a number is, or where blanks keep
the line's words apart and there is none before the E.

What can't be a line is looked for only where a piece as a whole doesn't come out
right; `first_fault` then goes through it line by line and names the first.
"""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stillair.errors import ToolpathError
from stillair.jobs.toolpath.lines import Piece

Floats = NDArray[np.float64]
Lines = NDArray[np.int64]

LARGEST: Final = 1e7  # of any number: 10 km of filament, in mm

USED_M: Final = frozenset(
    (82, 83, 104, 106, 107, 109, 140, 141, 190, 191, 200, 201, 203, 204, 205, 220, 221)
)
HALTS_M: Final = frozenset((0, 1, 25, 226, 600, 601))
"""The machine waits for a person: a stop, a pause, another filament. Text may follow."""

_UPPER = bytes.maketrans(
    bytes(range(97, 123)) + b"\t\r\f\v\x1a\xa0", bytes(range(65, 91)) + b"      "
)
_NUMBERS_ALONE = bytes.maketrans(bytes(range(65, 91)) + b"\n", b" " * 27)
_FIT = bytes(range(65, 91)) + b"0123456789+-. \n"
_REMARK = re.compile(rb"\([^()\n]*\)|;[^\n]*")
_BRACKETS: Final = 8  # that a remark may have within each other
# No filament is written with a 0 before its digits: E-05.
_SMALL = re.compile(rb"(?:(?<=[XYZIJKREF])|(?<=[XYZIJKREF][+-]))(\d(?:\.\d++)?+E[+-]0\d)(?![\d.])")
_APART = re.compile(
    rb"(?<![^ \n])([XYZIJKREF][+-]?+)((?:\d++\.?+\d*+|\.\d++)E[+-]?+\d++)(?![^ \n])"
)
_OTHER = re.compile(rb"(?:^| )[XYZIJKREF][+-]?+[\d.]")
_CHECKSUM = re.compile(rb"\*[^\n]*")
_SKIPPED = re.compile(rb"^ */", re.MULTILINE)
_HEAD = re.compile(
    rb" *+(?:N *+\d++ *+)?+(?:M *+(\d++)(\.\d)?|([A-Z_]{2}|O *+\d++ *+[A-Z]{2}|[%$@#<\[{'\"=]))"
)
_JUMP = re.compile(
    rb" *+(?:N *+\d++ *+)?+(?:M *+0*+9[78](?!\d)|O *+\d++ *+[A-Z]{2}|"
    rb"[{\[ ]*+(?:IF|ELSE|ELIF|ELSEIF|WHILE|FOR|REPEAT|DO|GOTO|CALL)(?![A-Z_]))"
)
_WORD = re.compile(rb"([A-Z]) *+([+-]?+(?:\d++\.?\d*+|\.\d++))?+ *+")

_NEWLINE, _M, _N, _O, _E = 10, ord("M"), ord("N"), ord("O"), ord("E")


@dataclass(frozen=True, slots=True, eq=False)
class Words:
    """The words of some lines in their order; a word without a number has nan.

    `line` counts from 0 within the piece, `first_line` is that line's number in the file.
    `jump` is the number of the first line that calls another program, repeats lines or
    chooses among them; 0: there is none.
    """

    lines: int
    first_line: int
    line: Lines
    letter: NDArray[np.uint8]
    value: Floats
    jump: int = 0

    def of(self, letter: str) -> tuple[Lines, Floats]:
        """Lines and values of the words with this letter, in their order."""
        found = np.flatnonzero(self.letter == ord(letter))
        return self.line[found], self.value[found]

    def column(self, letter: str) -> Floats:
        """One value a line, nan where there is none; the last of several."""
        column = np.full(self.lines, np.nan)
        lines, values = self.of(letter)
        column[lines] = values
        return column


def words_of(piece: Piece) -> Words:
    """The words of a piece. Raises `ToolpathError` for the first line that is none."""
    text, jump = _plain(piece)
    if text.translate(None, _FIT):
        raise first_fault(piece)
    letters = np.frombuffer(text, np.uint8)
    marks = np.flatnonzero((letters >= 65) | (letters == _NEWLINE))
    codes = letters[marks]
    ends = codes == _NEWLINE
    is_word = ~ends
    at = marks[is_word]
    line = np.cumsum(ends)[is_word]
    numeric = (letters >= 43) & (letters <= 57)
    starts = np.flatnonzero(numeric[1:] & ~numeric[:-1]) + 1
    if numeric[0]:
        raise first_fault(piece)
    value = _numbers(text.translate(_NUMBERS_ALONE), starts.size)
    if value is None or not bool((np.abs(value) <= LARGEST).all()):
        raise first_fault(piece)
    if starts.size != at.size or not bool((starts - at == 1).all()):
        value = _owned(marks, is_word, starts, value)
        if value is None:
            raise first_fault(piece)
    return Words(int(ends.sum()), piece.first_line, line, codes[is_word], value, jump)


def _plain(piece: Piece) -> tuple[bytes, int]:
    """A piece without all that a machine passes over; every line keeps its end.

    And the number of the first line that jumps, else 0.
    """
    text = piece.text.translate(_UPPER)
    if b";" in text or b"(" in text:
        text = _REMARK.sub(b"", text)
        for _ in range(_BRACKETS):
            if b"(" not in text:
                break
            text = _REMARK.sub(b"", text)
    if b"*" in text:
        text = _CHECKSUM.sub(b"", text)
    if b"/" in text:
        text = _SKIPPED.sub(b"", text)
    letters = np.frombuffer(text, np.uint8)
    starts = np.flatnonzero(letters == _NEWLINE)[:-1] + 1
    starts = np.concatenate((np.zeros(1, starts.dtype), starts))
    first = letters[starts]
    second = letters[np.minimum(starts + 1, letters.size - 1)]
    # Most lines begin with a letter and a number, and are no M: only the others are looked at.
    odd = (first != _NEWLINE) & (
        (first < 65) | (first > 90) | (first == _M) | (first == _N) | (first == _O) | (second >= 65)
    )
    parts: list[bytes] = []
    done = jump = 0
    for start in starts[odd].tolist():
        head = _HEAD.match(text, start)
        if head is None:
            continue
        number = head[1]
        if number is not None and int(number[:9]) in USED_M:
            continue
        if not jump and _JUMP.match(text, start):
            jump = piece.first_line + text.count(b"\n", 0, start)
        parts.append(text[done:start])
        if number is not None and int(number[:9]) in HALTS_M:
            parts.append(b"M" + number[:9])
        done = text.index(b"\n", start)
    if parts:
        parts.append(text[done:])
        text = b"".join(parts)
    return _written_out(text), jump


def _written_out(text: bytes) -> bytes:
    """The same with exponents written out."""
    letters = np.frombuffer(text, np.uint8)
    at = np.flatnonzero(letters[1:-1] == _E) + 1
    before, after = letters[at - 1], letters[at + 1]
    between = (before >= 46) & (before <= 57) & (after >= 43) & (after <= 57) & (after != 46)
    if not bool(between.any()):
        return text
    text = _SMALL.sub(lambda found: _decimal(found[1]), text)
    return _APART.sub(_decimal_if_apart, text)


def _decimal_if_apart(found: re.Match[bytes]) -> bytes:
    text = found.string
    line = text[text.rfind(b"\n", 0, found.start()) + 1 : found.start()]
    rest = text[found.end() : text.index(b"\n", found.end())]
    # E twice is no filament; else other words have to show that blanks keep them apart.
    if found[1][:1] == b"E" or _OTHER.search(line) or _OTHER.search(rest):
        return found[1] + _decimal(found[2])
    return found[0]


def _decimal(number: bytes) -> bytes:
    return b"%.12f" % min(float(number), 1e300)


def _numbers(text: bytes, count: int) -> Floats | None:
    """All numbers of a text of numbers and blanks; None unless there are so many."""
    if count == 0:
        return np.empty(0)
    with warnings.catch_warnings():
        # numpy tells of what it can't read by a warning, and reads what stands before it.
        warnings.simplefilter("error", DeprecationWarning)
        try:
            values: Floats = np.fromstring(text, sep=" ")
        except (DeprecationWarning, ValueError):
            return None
    return values if values.size == count else None


def _owned(marks: Lines, is_word: NDArray[np.bool_], starts: Lines, value: Floats) -> Floats | None:
    """One value a word where some have none or stand apart; None if a number has no letter."""
    owner = np.searchsorted(marks, starts) - 1
    if owner.size and (owner[0] < 0 or not bool(is_word[owner].all())):
        return None
    if bool((owner[1:] == owner[:-1]).any()):
        return None
    of_mark = np.full(marks.size, np.nan)
    of_mark[owner] = value
    return of_mark[is_word]


def first_fault(piece: Piece) -> ToolpathError:
    """What is wrong with the first line of a piece that isn't as it should be."""
    for number, line in enumerate(_plain(piece)[0].split(b"\n"), piece.first_line):
        if reason := _fault(line):
            return ToolpathError(number, reason)
    raise AssertionError("a piece was refused, and each of its lines is right")


def _fault(line: bytes) -> str:
    shown = "" if len(line) > 200 else f" in {line.decode('ascii', 'replace').strip()[:60]!r}"
    at = len(line) - len(line.lstrip(b" "))
    while at < len(line):
        word = _WORD.match(line, at)
        if word is None:
            return _oddity(line[at:], shown)
        if word[2] and not abs(float(word[2])) <= LARGEST:
            number = word[2].decode()
            told = number if len(number) <= 20 else f"{number[:12]}..."
            return f"{word[1].decode()}{told} is out of any machine's reach"
        at = word.end()
    return ""


def _oddity(rest: bytes, shown: str) -> str:
    found = rest[:1]
    if found == b"(":
        return f"a bracket that is not closed{shown}"
    if found in b"0123456789+-.":
        return f"a number without its letter, or one that is none{shown}"
    if 32 < found[0] < 127:
        return f"{found.decode()!r} is no part of a toolpath's line{shown}"
    return f"a byte that is no part of a toolpath's line (0x{found[0]:02x})"
