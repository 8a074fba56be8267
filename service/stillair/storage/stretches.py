"""Cut a sensor's readings into the rows in which the archive keeps them.

A row has as many readings as fill one page of the file: its other columns and
the index then cost little beside the readings, and a page is never half empty.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from stillair.storage.packing import Ints, pack, summarize
from stillair.storage.tail import Series

PAGE_ROOM_BYTES = 4061  # of a row that SQLite keeps whole in a page of 4096
ROW_REST_BYTES = 56  # its columns beside names and payload, at most
ROW_READINGS = 10_800  # 3 hours at one reading a second; more would take long to read
ROW_SPAN_MS = 8 * 3_600_000  # never more, so a question knows how far back to look
FULL = 0.97  # of the room: what is left to the page's end is not worth another look
TRIES = 6


def room_bytes(chamber: str, sensor: str) -> int:
    """How long a payload may be so that its row fills a page."""
    names = len(chamber.encode()) + len(sensor.encode())
    return max(PAGE_ROOM_BYTES - ROW_REST_BYTES - names, PAGE_ROOM_BYTES // 2)


def fitting(times_ms: Ints, units: Ints, room: int) -> tuple[int, bytes]:
    """How many of the first readings have room, at least one, and their payload."""
    count, payload = len(times_ms), pack(times_ms, units)
    if len(payload) <= room:
        return count, payload
    best = (1, pack(times_ms[:1], units[:1]))
    least, most = 1, count
    for _ in range(TRIES):
        # As many as the last ones cost, a little below, within what is known to fit and not to.
        count = round(count * room / len(payload) * 0.995)
        if not least < count < most:
            count = (least + most) // 2
        payload = pack(times_ms[:count], units[:count])
        if len(payload) > room:
            most = count
            continue
        best, least = (count, payload), count
        if len(payload) >= FULL * room or most - least < 2:
            break
    return best


def rows_of(
    chamber: str, sensor: str, times_ms: Ints, units: Ints, most: int = ROW_READINGS
) -> Iterator[dict[str, Any]]:
    """Readings of a sensor, whose instants never decrease, as rows."""
    room = room_bytes(chamber, sensor)
    begin = 0
    while begin < len(times_ms):
        end = min(begin + most, len(times_ms))
        last_ms = times_ms[begin] + ROW_SPAN_MS
        end = begin + int(np.searchsorted(times_ms[begin:end], last_ms, "right"))
        count, payload = fitting(times_ms[begin:end], units[begin:end], room)
        end = begin + count
        yield _row(chamber, sensor, times_ms[begin:end], units[begin:end], payload)
        begin = end


def packed_rows(series: Series, most: int = ROW_READINGS) -> list[dict[str, Any]]:
    """A series as the rows in which it is kept."""
    times_ms, units = np.array(series.times_ms, np.int64), np.array(series.units, np.int64)
    return list(rows_of(series.chamber, series.sensor, times_ms, units, most))


def _row(chamber: str, sensor: str, times_ms: Ints, units: Ints, payload: bytes) -> dict[str, Any]:
    summary = summarize(units)
    return {
        "chamber": chamber,
        "sensor": sensor,
        "start_ms": int(times_ms[0]),
        "end_ms": int(times_ms[-1]),
        "count": len(times_ms),
        "low_c": summary.low_c,
        "high_c": summary.high_c,
        "mean_c": summary.mean_c,
        "payload": payload,
    }
