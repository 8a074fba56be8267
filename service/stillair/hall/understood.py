"""What a board's message says to a hall's store, or why nobody understands it: pure."""

from __future__ import annotations

import json
from typing import Any, Final

from pydantic import ValidationError

from stillair.hall.messages import (
    LARGEST_BYTES,
    LARGEST_ENTRY_BYTES,
    Column,
    EntryMessage,
    ReadingsMessage,
)
from stillair.hall.names import (
    BOARD,
    KEY,
    MOST_CHAMBERS,
    MOST_OF_BOARD,
    in_hall,
    line_in_hall,
)
from stillair.storage.hall_batches import Came, EntryCame, ReadingsCame, Whose
from stillair.storage.kept_lines import KeptLine, check
from stillair.storage.packing import to_units

LONGEST_NAME: Final = 200
MOST_SENSORS: Final = 100
MOST_LANES: Final = 2**31
LAST_MS: Final = 10**14
LARGEST_SEQ: Final = 2**53
LARGEST_EVENT: Final = 2**31


def whose(topic: str, prefix: str) -> tuple[Whose, str] | None:
    """Whose message that is, and of which kind; None for a topic of somebody else."""
    levels = topic.removeprefix(f"{prefix}/").split("/")
    if len(levels) != 3 or not BOARD.fullmatch(levels[0]) or not KEY.fullmatch(levels[1]):
        return None
    board, key, kind = levels
    return Whose(in_hall(board, key), board, key), kind


def no_room(board: str, of_board: int, of_hall: int) -> str:
    """Why one more chamber of a board finds no room; "" where it does."""
    if of_hall >= MOST_CHAMBERS:
        return f"there are more than {MOST_CHAMBERS} chambers"
    if of_board >= MOST_OF_BOARD:
        return f"board {board} has more than {MOST_OF_BOARD} chambers"
    return ""


def read(of: Whose, kind: str, payload: bytes) -> tuple[Came | None, str]:
    """What a message says, and what is wrong with it, "" for nothing.

    Of an entry that can't be read only its number counts: the board would send it for ever. One
    of another version isn't touched: a newer hall may understand it.
    """
    try:
        return (_entry if kind == "entries" else _readings)(of, payload), ""
    except (ValueError, RecursionError, OverflowError) as error:
        return (_skipped(of, payload) if kind == "entries" else None), _why(error)


def _entry(of: Whose, payload: bytes) -> EntryCame:
    if len(payload) > LARGEST_ENTRY_BYTES:
        raise ValueError(f"it has {len(payload)} bytes, more than {LARGEST_ENTRY_BYTES}")
    said = EntryMessage.model_validate_json(payload)
    _check_names(of, said.board, said.chamber)
    if not 0 < said.seq < LARGEST_SEQ:
        raise ValueError("it has no number")
    line = KeptLine(
        topic=said.topic,
        chamber=said.chamber,
        parcel=said.parcel,
        part=said.part,
        boot=said.boot_id,
        mono_s=said.mono_s,
        at_us=said.at_us,
        made_with=said.made_with,
        body=said.body,
    )
    check(line)
    if line.event is not None and not 0 <= line.event < LARGEST_EVENT:
        raise ValueError("it is of no event")
    return EntryCame(of, said.seq, said.parcel, line_in_hall(of.board, line), said.after)


def _skipped(of: Whose, payload: bytes) -> EntryCame | None:
    """The number of an entry of which nothing else can be used."""
    try:
        said: Any = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    if not isinstance(said, dict) or said.get("v", 1) != 1:
        return None
    seq, parcel = said.get("seq"), said.get("parcel")
    is_own = said.get("board") == of.board and said.get("chamber") == of.key
    if not is_own or type(seq) is not int or not 0 < seq < LARGEST_SEQ:
        return None
    if not isinstance(parcel, str) or len(parcel) > LONGEST_NAME or not parcel.isprintable():
        parcel = ""
    after = said.get("after")
    is_number = type(after) is int and 0 <= after < LARGEST_SEQ
    return EntryCame(of, seq, parcel, None, after if is_number else None)


def _readings(of: Whose, payload: bytes) -> ReadingsCame:
    if len(payload) > LARGEST_BYTES:
        raise ValueError(f"it has {len(payload)} bytes, more than {LARGEST_BYTES}")
    said = ReadingsMessage.model_validate_json(payload)
    _check_names(of, said.board, said.chamber)
    if said.lane >= MOST_LANES or len(said.sensors) > MOST_SENSORS:
        raise ValueError("it has more lanes or sensors than there can be")
    sensors = {name: _column(name, column) for name, column in said.sensors.items()}
    return ReadingsCame(of, said.lane, sensors, said.after_ms)


def _column(name: str, column: Column) -> tuple[list[int], list[int]]:
    times_ms, values = column.at_ms, column.temperature_c
    if not 0 < len(name) <= LONGEST_NAME or not name.isprintable():
        raise ValueError("a sensor has no name")
    if len(times_ms) != len(values):
        raise ValueError(f"{name} has not as many instants as temperatures")
    if times_ms and not (sorted(set(times_ms)) == times_ms and times_ms[0] > -LAST_MS):
        raise ValueError(f"the instants of {name} don't grow")
    if times_ms and times_ms[-1] > LAST_MS:
        raise ValueError(f"the instants of {name} are none")
    return times_ms, [to_units(value) for value in values]


def _check_names(of: Whose, board: str, chamber: str) -> None:
    if (board, chamber) != (of.board, of.key):
        raise ValueError("it speaks of another board or chamber than its topic")


def _why(error: Exception) -> str:
    if isinstance(error, ValidationError):
        first = error.errors(include_url=False, include_input=False)[0]
        if first["loc"] == ("v",):
            return "it is of a version that this hall doesn't know"
        where = ".".join(str(part) for part in first["loc"])
        return f"{where}: {first['msg']}"[:200] if where else str(first["msg"])[:200]
    return (str(error) or type(error).__name__)[:200]
