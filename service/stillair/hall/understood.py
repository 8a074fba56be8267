"""What a board's message says to a hall's store, or why nobody understands it: pure."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, Final

from pydantic import ValidationError

from stillair.hall.messages import (
    LARGEST_BYTES,
    LARGEST_ENTRY_BYTES,
    MOST_ENTRIES,
    Column,
    Entry,
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
_FAULTS: Final = (ValueError, RecursionError, OverflowError)


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


def read(of: Whose, kind: str, payload: bytes) -> tuple[list[Came], str]:
    """What a message says, and what is wrong with it, "" for nothing.

    Of an entry that can't be read only its number counts: the board would send it for ever. One
    of another version isn't touched: a newer hall may understand it.
    """
    try:
        return list(_entries(of, payload)) if kind == "entries" else [_readings(of, payload)], ""
    except _FAULTS as error:
        return list(_readable(of, payload)) if kind == "entries" else [], _why(error)


def _entries(of: Whose, payload: bytes) -> Iterator[EntryCame]:
    if len(payload) > LARGEST_ENTRY_BYTES:
        raise ValueError(f"it has {len(payload)} bytes, more than {LARGEST_ENTRY_BYTES}")
    said = EntryMessage.model_validate_json(payload)
    _check_names(of, said.board, said.chamber)
    after = said.after
    for each in (said, *said.more):
        if each is not said and each.seq <= (after or 0):
            raise ValueError("its rows don't follow each other")
        yield _entry(of, each, after)
        after = each.seq


def _entry(of: Whose, said: Entry, after: int | None) -> EntryCame:
    if not 0 < said.seq < LARGEST_SEQ:
        raise ValueError("it has no number")
    line = KeptLine(
        topic=said.topic,
        chamber=of.key,
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
    return EntryCame(of, said.seq, said.parcel, line_in_hall(of.board, line), after)


def _readable(of: Whose, payload: bytes) -> Iterator[EntryCame]:
    """Of a message that is not as it should be all up to what has no number."""
    try:
        said: Any = json.loads(payload)
    except (ValueError, RecursionError):
        return
    if not isinstance(said, dict) or said.get("v", 1) != 1:
        return
    if (said.get("board"), said.get("chamber")) != (of.board, of.key):
        return
    more = said.get("more")
    rows: list[Any] = [said]
    if isinstance(more, list) and len(more) < MOST_ENTRIES:
        rows += more
    after = said.get("after")
    if type(after) is not int or not 0 <= after < LARGEST_SEQ:
        after = None
    for each in rows:
        seq = each.get("seq") if isinstance(each, dict) else None
        if type(seq) is not int or not 0 < seq < LARGEST_SEQ:
            return
        if each is not said and seq <= (after or 0):
            return
        try:
            if len(payload) > LARGEST_ENTRY_BYTES:
                raise ValueError("it is too long")
            yield _entry(of, Entry.model_validate(each), after)
        except _FAULTS:
            yield EntryCame(of, seq, _parcel(each.get("parcel")), None, after)
        after = seq


def _parcel(said: Any) -> str:
    is_one = isinstance(said, str) and len(said) <= LONGEST_NAME and said.isprintable()
    return said if is_one else ""


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
    if times_ms and times_ms[-1] >= LAST_MS:
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
