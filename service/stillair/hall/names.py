"""How chambers of many boards are called in a hall: pure.

A chamber is `BOARD.CHAMBER` there, and ids of its jobs and alarms, which begin with the
chamber's key, get the same `BOARD.` before them: so two boards with a chamber of one name are
two, and an id still begins with the name of its chamber.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from stillair.storage.kept_lines import KeptLine

MOST_CHAMBERS: Final = 10_000  # of a hall: all its parts take as many
MOST_OF_BOARD: Final = 64  # so that the password of one board fills no hall

BOARD: Final = re.compile(r"[0-9a-f]{12}")
KEY: Final = re.compile(r"[a-z0-9][a-z0-9-]{0,119}")
# Fields that say which chamber, job or alarm; `id` only where the thing itself is meant.
NAMING: Final = ("chamber", "job", "alarm", "cause_alarm")


def in_hall(board: str, name: str) -> str:
    """What a board calls `name`, a chamber, a job or an alarm, as the hall calls it."""
    return f"{board}.{name}"


def at_board(name: str) -> tuple[str, str]:
    """The board's mark and what that board calls it. Raises `ValueError` for no name of a hall."""
    board, dot, own = name.partition(".")
    if not (dot and own and BOARD.fullmatch(board)):
        raise ValueError(f"{name[:60]!r} is no name of a hall")
    return board, own


def chamber_of(name: str) -> tuple[str, str]:
    """Board and key of a chamber of a hall. Raises `ValueError` for no chamber's name."""
    board, key = at_board(name)
    if not KEY.fullmatch(key):
        raise ValueError(f"{name[:60]!r} is no chamber of a hall")
    return board, key


def plain(text: str) -> str:
    """Without what can't be seen or turns the direction of what stands beside it."""
    return text if text.isprintable() else "".join(c if c.isprintable() else " " for c in text)


def renamed(board: str, fields: Mapping[str, Any], *, own_id: bool) -> dict[str, Any]:
    """A record of a board with the names of the hall; `own_id`: its `id` is a name as well."""
    chosen = (*NAMING, "id") if own_id else NAMING
    found = dict(fields)
    for name in chosen:
        if isinstance(value := found.get(name), str) and value:
            found[name] = in_hall(board, value)
    return found


def line_in_hall(board: str, line: KeptLine) -> KeptLine:
    """A row of a board's ledger as the hall keeps it."""
    own_id = line.topic in ("job", "alarm")
    return replace(
        line,
        chamber=in_hall(board, line.chamber),
        body=renamed(board, line.body, own_id=own_id),
    )
