"""Read payloads of version 1, which archives of older boards are full of; nothing writes them.

payload: deflate( version | base | step | times | missing | values )
column:  order of its differences | bytes a number | count | byte planes
"""

from __future__ import annotations

import struct
import zlib

import numpy as np
from numpy.typing import NDArray

VERSION = 1
HEAD = struct.Struct("<Bqq")
COLUMN = struct.Struct("<BBI")

Ints = NDArray[np.int64]


def unpack(payload: bytes, count: int) -> tuple[Ints, NDArray[np.bool_], Ints]:
    """Milliseconds from the first, which readings are known, and the units of these.

    Raises `ValueError` if the payload is damaged.
    """
    try:
        inflate = zlib.decompressobj()
        content = inflate.decompress(payload, 1024 + 20 * count)
        if not inflate.eof:
            # Only at its end does the stream check itself.
            raise ValueError("damaged readings: the stream doesn't end")
        version, base, step = HEAD.unpack_from(content)
        if version != VERSION:
            raise ValueError(f"damaged readings: unknown version {version}")
        since_ms, offset = _column(content, HEAD.size)
        (length,) = struct.unpack_from("<I", content, offset)
        bits = np.frombuffer(content[offset + 4 : offset + 4 + length], np.uint8)
        values, offset = _column(content, offset + 4 + length)
    except (zlib.error, struct.error, TypeError) as error:
        raise ValueError(f"damaged readings: {error}") from error
    known = np.ones(count, np.bool_)
    if len(bits):
        known = ~np.unpackbits(bits)[:count].astype(np.bool_)
    if len(since_ms) != count or len(known) != count or len(values) != known.sum():
        raise ValueError("damaged readings: their number is not what it should be")
    return since_ms, known, values * step + base


def _column(content: bytes, offset: int) -> tuple[Ints, int]:
    order, width, count = COLUMN.unpack_from(content, offset)
    if order not in (1, 2) or width not in (1, 2, 4, 8):
        raise ValueError("damaged readings: a column of an unknown kind")
    begin, end = offset + COLUMN.size, offset + COLUMN.size + width * count
    if end > len(content):
        raise ValueError("damaged readings: a column is cut off")
    planes = np.frombuffer(content[begin:end], np.uint8).reshape(width, count)
    numbers = np.ascontiguousarray(planes.T).view(f"<i{width}").reshape(count).astype(np.int64)
    for _ in range(order):
        numbers = np.cumsum(numbers)
    return numbers, end
