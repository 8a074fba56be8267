"""Cut whole JPEG pictures out of a byte stream, whatever else is in it.

Theory of operation: a JPEG file (ITU-T T.81, annex B) is a chain of segments
that tell their own length, then entropy-coded data in which a byte 0xFF is
always followed by 0x00 or by a restart marker, then the end marker. So a
picture is walked segment by segment, which skips thumbnails inside it, and
its coded data is searched for the next marker. Whatever doesn't fit the chain
is no picture; the search for the next one goes on from the byte that didn't
fit. Every byte is looked at a bounded number of times.

Lengths that a server tells beside the pictures are not needed, and a server
that tells wrong ones does no harm. Its boundary line is used for one thing:
a picture that breaks off inside a segment is known by it.

The same bytes give the same pictures, however they are split into chunks.
"""

from __future__ import annotations

import re
from enum import Enum, auto

MAX_FRAME_BYTES = 8 * 2**20
MAX_FRAME_PIXELS = 2**24  # 4096 x 4096; a few kilobytes can claim 65535 x 65535
LEAST_BOUNDARY_BYTES = 8  # a shorter one may stand in a picture's own comment

_SLICE_BYTES = 2**16
_START = b"\xff\xd8\xff"
_FILL = re.compile(rb"\xff+")  # B.1.1.2: any marker may follow any number of 0xFF
_NEXT_MARKER = re.compile(rb"\xff[\x01-\xcf\xd8-\xfe]")  # in coded data: no stuffing, no restart

_SOI, _EOI, _SOS, _DHT, _DAC = 0xD8, 0xD9, 0xDA, 0xC4, 0xCC
_FRAME_HEADERS = frozenset(range(0xC0, 0xD0)) - {_DHT, 0xC8, _DAC}
_SEGMENTS = (
    _FRAME_HEADERS
    | {_DHT, _DAC, _SOS, 0xDB, 0xDC, 0xDD, 0xFE}  # DQT, DNL, DRI, COM
    | set(range(0xE0, 0xF0))  # APP0 to APP15
)


class _Step(Enum):
    ON = auto()  # the chain holds so far
    MORE = auto()  # the next byte decides
    WHOLE = auto()  # a picture ends at the place reached
    BROKEN = auto()  # no picture; go on looking at the place reached


class FrameCutter:
    """Take a stream in chunks of any size; give each whole picture as it ends.

    It keeps at most `max_frame_bytes` and one slice of 64 KiB. A picture that
    is longer, has more than `max_frame_pixels` or none, or breaks off is dropped.

    Parameters
    ----------
    boundary : bytes
        The line between the parts of a multipart stream, with its leading
        "--"; empty where there is none.
    """

    def __init__(
        self,
        boundary: bytes = b"",
        *,
        max_frame_bytes: int = MAX_FRAME_BYTES,
        max_frame_pixels: int = MAX_FRAME_PIXELS,
    ) -> None:
        self._boundary = boundary if len(boundary) >= LEAST_BOUNDARY_BYTES else b""
        self._max_bytes = max_frame_bytes
        self._max_pixels = max_frame_pixels
        self._buffer = bytearray()  # begins with a picture, unless `_reached` is 0
        self._reached = 0  # the picture is known to be sound up to here
        self._coded = False  # in entropy-coded data
        self._sized = False  # a frame header was seen
        self._scanned = False  # coded data was seen
        self._searched = 0  # no boundary begins before here

    @property
    def held_bytes(self) -> int:
        """How much of the stream is kept at this moment."""
        return len(self._buffer)

    def feed(self, data: bytes) -> list[bytes]:
        """Take the next bytes of the stream; return the pictures that end in them."""
        frames: list[bytes] = []
        for start in range(0, len(data), _SLICE_BYTES):
            self._buffer += data[start : start + _SLICE_BYTES]
            while self._reached or self._seek():
                step = self._walk_coded() if self._coded else self._walk_segment()
                if step is _Step.MORE:
                    if len(self._buffer) < self._max_bytes:
                        break
                    self._drop(self._max_bytes)
                elif step is _Step.WHOLE:
                    with memoryview(self._buffer) as view:
                        frames.append(bytes(view[: self._reached]))
                    self._drop(self._reached)
                elif step is _Step.BROKEN:
                    self._drop(self._reached)
        return frames

    def _seek(self) -> bool:
        start = self._buffer.find(_START)
        if start < 0:
            del self._buffer[: -len(_START) + 1]
            return False
        del self._buffer[:start]
        self._reached = 2
        self._coded = self._sized = self._scanned = False
        self._searched = 0
        return True

    def _drop(self, count: int) -> None:
        del self._buffer[:count]
        self._reached = 0

    def _walk_coded(self) -> _Step:
        found = _NEXT_MARKER.search(self._buffer, self._reached, self._max_bytes)
        if found is None:
            end = min(len(self._buffer), self._max_bytes)
            # a 0xFF at the end may begin a marker, unless it still belongs to the segment before
            half = end > self._reached and self._buffer[end - 1] == 0xFF
            self._reached = end - 1 if half else end
            return _Step.MORE
        marker = self._buffer[found.start() + 1]
        if marker == _EOI:
            self._reached = found.end()
            return _Step.WHOLE
        self._reached = found.start()
        self._coded = False
        return _Step.ON

    def _walk_segment(self) -> _Step:
        buffer, start = self._buffer, self._reached
        if start >= len(buffer):
            return _Step.MORE
        fill = _FILL.match(buffer, start)
        if fill is None:
            return _Step.BROKEN
        at = fill.end()  # of the marker's code
        if at + 3 > self._max_bytes:
            return self._broken_at(self._max_bytes)
        if at >= len(buffer):
            return _Step.MORE
        code = buffer[at]
        if code == _EOI and self._scanned:
            self._reached = at + 1
            return _Step.WHOLE
        if code not in _SEGMENTS:
            # the start of another picture is where the search goes on
            return self._broken_at(at - 1 if code == _SOI else at)
        if at + 3 > len(buffer):
            return _Step.MORE
        end = at + 1 + int.from_bytes(buffer[at + 1 : at + 3])
        if end < at + 3 or end > self._max_bytes:
            return self._broken_at(at)
        if self._boundary:
            cut = buffer.find(self._boundary, max(at + 1, self._searched), end)
            if cut > 0:
                return self._broken_at(cut)
            self._searched = min(len(buffer), end) - len(self._boundary) + 1
        if end > len(buffer):
            return _Step.MORE
        if code in _FRAME_HEADERS:
            width, height = _size(buffer[at + 3 : end])
            if not 0 < width * height <= self._max_pixels:
                return self._broken_at(end)
            self._sized = True
        elif code == _SOS:
            if not self._sized:
                return self._broken_at(end)
            self._coded = self._scanned = True
        self._reached = end
        return _Step.ON

    def _broken_at(self, place: int) -> _Step:
        self._reached = place
        return _Step.BROKEN


def picture_size(jpeg: bytes) -> tuple[int, int] | None:
    """The width and height of a picture in pixels, or None where they are not told."""
    at = 2
    while (fill := _FILL.match(jpeg, at)) is not None and fill.end() + 3 <= len(jpeg):
        at = fill.end()
        if jpeg[at] not in _SEGMENTS:
            return None
        end = at + 1 + int.from_bytes(jpeg[at + 1 : at + 3])
        if jpeg[at] in _FRAME_HEADERS:
            return _size(jpeg[at + 3 : end])
        at = end
    return None


def _size(frame_header: bytes | bytearray) -> tuple[int, int]:
    """Width and height out of a frame header (B.2.2) after its length; 0 if it is too short."""
    return int.from_bytes(frame_header[3:5]), int.from_bytes(frame_header[1:3])
