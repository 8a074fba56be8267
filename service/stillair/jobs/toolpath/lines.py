"""A stream of bytes as pieces of whole lines, with what is no text refused at once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from stillair.errors import ToolpathError
from stillair.jobs.toolpath.limits import Bounds

PIECE_LINES = 50_000
PIECE_BYTES = 1 << 20  # small enough that a piece's columns stay in the processor's cache

COMPRESSED = {
    b"PK\x03\x04": "zip",
    b"PK\x05\x06": "zip",
    b"\x1f\x8b": "gzip",
    b"BZh": "bzip2",
    b"\xfd7zXZ\x00": "xz",
    b"\x28\xb5\x2f\xfd": "zstandard",
    b"7z\xbc\xaf\x27\x1c": "7z",
    b"Rar!": "rar",
    b"\x04\x22\x4d\x18": "lz4",
    b"\x78\x9c": "zlib",
    b"\x78\xda": "zlib",
}
BYTE_ORDER_MARK = b"\xef\xbb\xbf"
# No text has these; a line's end, a tab, a page and the end mark of old tapes are harmless.
_CONTROL = bytes(sorted(set(range(32)) - set(b"\t\n\r\f\x1a")))
_NO_TEXT = bytes(sorted(set(range(256)) - set(_CONTROL)))


@dataclass(frozen=True, slots=True)
class Piece:
    """Whole lines, each with its end; `first_line` counts from 1."""

    text: bytes
    first_line: int

    def before(self, line: int) -> Piece:
        """Its lines before the one with that number."""
        end = 0
        for _ in range(line - self.first_line):
            end = self.text.index(b"\n", end) + 1
        return Piece(self.text[:end], self.first_line)


def pieces(blocks: Iterable[bytes], bounds: Bounds) -> Iterator[Piece]:
    """The stream in pieces of about a megabyte, and never more than a line beyond it.

    Raises `ToolpathError` for what is compressed or no text, for a line that is too
    long and for a stream that is.
    """
    held = bytearray()
    read = 0
    line = 1
    begun = False
    for block in _ended_alike(blocks):
        for start in range(0, len(block), PIECE_BYTES):
            part = block[start : start + PIECE_BYTES]
            read += len(part)
            held += part
            if not begun and len(held) >= 8:
                begun = True
                _refuse_compressed(bytes(held[:8]))
                if held.startswith(BYTE_ORDER_MARK):
                    del held[: len(BYTE_ORDER_MARK)]
            end = held.rfind(b"\n") + 1
            if len(held) - end > bounds.line_bytes:
                yield from _checked(Piece(bytes(held) + b"\n", line), bounds)
            if read > bounds.bytes:
                yield from _checked(Piece(bytes(held[:end]), line), bounds)
                line += held.count(b"\n")
                raise ToolpathError(
                    line, f"more than {bounds.bytes / 1e6:g} MB; a toolpath of a job is smaller"
                )
            if len(held) >= PIECE_BYTES:
                text = bytes(held[:end])
                del held[:end]
                yield from _checked(Piece(text, line), bounds)
                line += text.count(b"\n")
    _refuse_compressed(bytes(held[:8]))
    if held:
        # Behind the last end there is no further line, by whose number anything could be told.
        text = bytes(held) if held.endswith(b"\n") else bytes(held) + b"\n"
        yield from _checked(Piece(text, line), bounds)


def _ended_alike(blocks: Iterable[bytes]) -> Iterator[bytes]:
    """The stream with one kind of line's end: machines take a CR for one too, also alone."""
    ended = False  # by a CR as the last byte of the block before
    for block in blocks:
        text = block[1:] if ended and block.startswith(b"\n") else block
        if block:
            ended = block.endswith(b"\r")
        if b"\r" in text:
            text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        yield text


def _too_long(bounds: Bounds) -> str:
    return f"longer than {bounds.line_bytes // 1024} KiB; that is no line of a toolpath"


def _checked(piece: Piece, bounds: Bounds) -> Iterator[Piece]:
    """The piece, or what comes before its first line that is none."""
    try:
        _refuse_control(piece.text, piece.first_line)
        _refuse_long(piece, bounds)
    except ToolpathError as error:
        if error.line > piece.first_line:
            yield from _checked(piece.before(error.line), bounds)
        raise
    yield from _short(piece)


def _short(piece: Piece) -> Iterator[Piece]:
    """The piece in parts of so many lines at most: each line takes room in every column."""
    text, line = piece.text, piece.first_line
    if not text:
        return
    ends = np.flatnonzero(np.frombuffer(text, np.uint8) == ord("\n")) + 1
    start = 0
    for end in [*ends[PIECE_LINES - 1 : -1 : PIECE_LINES].tolist(), len(text)]:
        yield Piece(text[start:end], line)
        start, line = end, line + PIECE_LINES


def _refuse_long(piece: Piece, bounds: Bounds) -> None:
    text, start = piece.text, 0
    # From the last line's end within reach to the next: only long lines are looked for.
    while len(text) - start > bounds.line_bytes:
        end = text.rfind(b"\n", start, start + bounds.line_bytes + 1)
        if end < 0:
            raise ToolpathError(piece.first_line + text.count(b"\n", 0, start), _too_long(bounds))
        start = end + 1


def _refuse_compressed(head: bytes) -> None:
    for mark, name in COMPRESSED.items():
        if head.startswith(mark):
            raise ToolpathError(
                1, f"this file is compressed ({name}); unpack it first and give the toolpath itself"
            )


def _refuse_control(text: bytes, line: int) -> None:
    found = text.translate(None, _NO_TEXT)
    if found:
        at = text.index(found[:1])
        raise ToolpathError(
            line + text.count(b"\n", 0, at),
            f"a byte that is no text (0x{found[0]:02x}); this is a binary file,"
            " save the toolpath as plain text",
        )
