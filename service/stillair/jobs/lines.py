"""Lines of text that people write: names, notes; trimmed, and without what deceives a reader."""

from __future__ import annotations

import unicodedata

from stillair.errors import CommandRefused, Refusal

NAME_LENGTH = 120
NOTE_LENGTH = 2000


def checked_line(text: str, what: str, *, longest: int = NAME_LENGTH) -> str:
    """One line for a name, trimmed. Raises `CommandRefused` if it is no such thing."""
    return _checked(text, what, longest, allowed="")


def checked_text(text: str, what: str, *, longest: int = NOTE_LENGTH) -> str:
    """A few lines of free text, trimmed. Raises `CommandRefused` if it is no such thing."""
    return _checked(text, what, longest, allowed="\n\t")


def _checked(text: str, what: str, longest: int, *, allowed: str) -> str:
    text = text.replace("\r\n", "\n").strip()
    if len(text) > longest:
        raise CommandRefused(Refusal.FORBIDDEN, f"the {what} is longer than {longest} characters")
    # Control and surrogate characters, and the marks that turn the direction of
    # a line: they deceive a reader or break a table further on.
    if any(unicodedata.category(c) in {"Cc", "Cs"} and c not in allowed for c in text) or any(
        unicodedata.bidirectional(c) in {"LRE", "RLE", "LRO", "RLO", "PDF"} for c in text
    ):
        raise CommandRefused(Refusal.FORBIDDEN, f"the {what} contains a control character")
    return text
