"""Pictures cut out of a byte stream: which, and at what cost."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillair.sensing.mjpeg import MAX_FRAME_BYTES, FrameCutter, picture_size

SLICE_BYTES = 2**16
BOUNDARY = b"--oar-and-rigger"


def segment(code: int, payload: bytes) -> bytes:
    return bytes([0xFF, code]) + (len(payload) + 2).to_bytes(2) + payload


def frame_header(width: int = 8, height: int = 8, code: int = 0xC0) -> bytes:
    size = bytes([8]) + height.to_bytes(2) + width.to_bytes(2)
    return segment(code, size + bytes([1, 1, 0x11, 0]))


SCAN = segment(0xDA, bytes([1, 1, 0, 0, 63, 0]))
TABLES = segment(0xDB, bytes(65)) + segment(0xC4, bytes(30))


def jpeg(
    coded: bytes = b"coded data", *, before: bytes = b"", width: int = 8, height: int = 8
) -> bytes:
    """A picture as far as its segments go; `before` stands between the start and the tables."""
    return b"\xff\xd8" + before + TABLES + frame_header(width, height) + SCAN + coded + b"\xff\xd9"


def part(picture: bytes) -> bytes:
    head = b"\r\nContent-Type: image/jpeg\r\nContent-Length: %d\r\n\r\n" % len(picture)
    return BOUNDARY + head + picture + b"\r\n"


A, B, C = jpeg(b"a" * 300), jpeg(b"b" * 200), jpeg(b"c" * 100)
THUMBNAIL = segment(0xE1, b"Exif" + jpeg(b"small"))
PROGRESSIVE = (
    b"\xff\xd8"
    + TABLES
    + frame_header(code=0xC2)
    + SCAN
    + b"first"
    + segment(0xC4, bytes(30))
    + SCAN
    + b"second\xff\xd9"
)


@pytest.mark.parametrize(
    ("stream", "pictures"),
    [
        pytest.param(A + B + C, [A, B, C], id="one after the other"),
        pytest.param(part(A) + part(B), [A, B], id="multipart"),
        pytest.param(b"noise" + A + b"\x00" * 50 + B, [A, B], id="noise and padding between"),
        pytest.param(jpeg(before=THUMBNAIL), [jpeg(before=THUMBNAIL)], id="thumbnail inside"),
        pytest.param(PROGRESSIVE + A, [PROGRESSIVE, A], id="several scans"),
        pytest.param(
            jpeg(b"x\xff\x00y\xff\xd0z\xff\xd7"),
            [jpeg(b"x\xff\x00y\xff\xd0z\xff\xd7")],
            id="stuffed bytes and restart markers",
        ),
        pytest.param(
            jpeg(b"x\xff\xff"), [jpeg(b"x\xff\xff")], id="fill bytes before the end marker"
        ),
        pytest.param(
            jpeg(before=b"\xff\xff\xff\xe0\x00\x04AB"),
            [jpeg(before=b"\xff\xff\xff\xe0\x00\x04AB")],
            id="fill bytes before a segment",
        ),
        pytest.param(part(A[:-40]) + part(B), [B], id="half in the coded data"),
        pytest.param(part(A[:30]) + part(B) + part(C), [B, C], id="half in a segment"),
        pytest.param(part(A[:4]) + part(B), [B], id="half in a segment's length"),
        pytest.param(part(A[:3]) + part(B), [B], id="half in the first marker"),
        pytest.param(A[:-1] + B, [B], id="half, cut in the end marker"),
        pytest.param(A[:-40] + b"\xff" + part(B), [B], id="half, cut behind 0xFF"),
        pytest.param(b"\xff\xd8\xff\xd8" + A, [A], id="start twice"),
        pytest.param(b"\xff\xd8" + TABLES + SCAN + b"x\xff\xd9" + A, [A], id="without a size"),
        pytest.param(b"\xff\xd8" + TABLES + b"\xff\xd9" + A, [A], id="without a scan"),
        pytest.param(jpeg(width=0) + A, [A], id="no pixels"),
        pytest.param(jpeg(width=65535, height=65535) + A, [A], id="claims 4 gigapixels"),
        pytest.param(b"\xff\xd8\xff\xe0\x00\x01" + A, [A], id="segment shorter than its length"),
        pytest.param(b"\xff\xd8\xff\xbf\x00\x04AB" + A, [A], id="reserved marker"),
        pytest.param(A[:-2] + b"\xff\x02" + B, [B], id="reserved marker in coded data"),
        pytest.param(
            # what looks like an end marker is the header's last byte and coded data
            b"\xff\xd8" + frame_header() + SCAN[:-1] + b"\xff" + b"\xd9x\xff\xd9",
            [b"\xff\xd8" + frame_header() + SCAN[:-1] + b"\xff" + b"\xd9x\xff\xd9"],
            id="0xFF at the end of a header",
        ),
        pytest.param(b"", [], id="nothing"),
        pytest.param(b"\xff" * 1000, [], id="only 0xFF"),
        pytest.param(b"\xff\xd8" * 1000, [], id="only starts"),
    ],
)
def test_pictures_cut_from(stream: bytes, pictures: list[bytes]) -> None:
    assert FrameCutter(BOUNDARY).feed(stream) == pictures
    cutter = FrameCutter(BOUNDARY)
    assert [p for byte in stream for p in cutter.feed(bytes([byte]))] == pictures


def test_a_picture_comes_with_its_last_byte() -> None:
    cutter = FrameCutter()
    assert cutter.feed(A[:-1]) == []
    assert cutter.feed(A[-1:]) == [A]
    assert cutter.held_bytes == 0


def test_a_short_boundary_is_not_looked_for_in_pictures() -> None:
    picture = jpeg(before=segment(0xFE, b"a --x of a comment"))
    assert FrameCutter(b"--x").feed(picture) == [picture]


@pytest.mark.parametrize("length", [999, 1000, 1001])
def test_the_longest_picture(length: int) -> None:
    picture = jpeg(b"x" * (length - len(jpeg(b""))))
    assert len(picture) == length
    cutter = FrameCutter(max_frame_bytes=1000)
    assert cutter.feed(picture + A) == ([picture, A] if length <= 1000 else [A])


PIECES = st.one_of(
    st.sampled_from(
        [A, B, PROGRESSIVE, jpeg(before=THUMBNAIL), part(A), part(C), b"\xff", b"\xff\xd8\xff"]
    ),
    st.tuples(st.sampled_from([A, B, PROGRESSIVE]), st.integers(0, 300)).map(
        lambda cut: cut[0][: cut[1]]
    ),
    st.binary(max_size=20),
    st.lists(st.sampled_from([0xFF, 0xD8, 0xD9, 0xDA, 0xE0, 0x00, 0x04]), max_size=12).map(bytes),
)


@given(
    stream=st.lists(PIECES, max_size=12).map(b"".join),
    cuts=st.lists(st.integers(0, 4000), max_size=30),
    most=st.sampled_from([250, 400, MAX_FRAME_BYTES]),
)
@settings(max_examples=300)
def test_any_split_gives_the_same_pictures(stream: bytes, cuts: list[int], most: int) -> None:
    at_once = FrameCutter(BOUNDARY, max_frame_bytes=most).feed(stream)
    cutter = FrameCutter(BOUNDARY, max_frame_bytes=most)
    places = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    split = [
        picture for start, end in pairwise(places) for picture in cutter.feed(stream[start:end])
    ]
    one_by_one = FrameCutter(BOUNDARY, max_frame_bytes=most)
    assert split == at_once
    assert [p for byte in stream for p in one_by_one.feed(bytes([byte]))] == at_once


@given(st.lists(st.tuples(st.sampled_from([A, B, C]), st.integers(0, 450)), max_size=10))
def test_whole_parts_survive_half_ones(parts: list[tuple[bytes, int]]) -> None:
    """Each half frame of a multipart stream costs itself and no other."""
    stream = b"".join(part(picture[:length]) for picture, length in parts) + part(A)
    whole = [picture for picture, length in parts if length >= len(picture)]
    assert FrameCutter(BOUNDARY).feed(stream) == [*whole, A]


@pytest.mark.parametrize(
    "pattern",
    [
        pytest.param(random.Random(1).randbytes(2**20), id="random"),
        pytest.param(b"\xff", id="only 0xFF"),
        pytest.param(b"\xff\xd8\xff\xe0\xff\xff", id="starts of long segments"),
        pytest.param(segment(0xE0, b"\xff\xd8\xff\xe0" * 50), id="starts within segments"),
        pytest.param(A[:-2] + b"\x55" * 100, id="starts only"),
        pytest.param(b"\x00", id="nothing"),
    ],
)
def test_50_mb_of_garbage_are_not_kept(pattern: bytes) -> None:
    chunk = (pattern * (2**18 // len(pattern) + 1))[: 2**18]
    cutter = FrameCutter()
    cutter.feed(A[:-2])  # a picture that never ends
    most_held = 0
    for _ in range(200):
        assert cutter.feed(chunk) == []
        most_held = max(most_held, cutter.held_bytes)
    assert most_held <= MAX_FRAME_BYTES + SLICE_BYTES


@pytest.mark.parametrize(
    ("picture", "size"),
    [
        pytest.param(jpeg(width=640, height=480), (640, 480), id="plain"),
        pytest.param(jpeg(before=THUMBNAIL, width=640, height=480), (640, 480), id="thumbnail"),
        pytest.param(PROGRESSIVE, (8, 8), id="progressive"),
        pytest.param(b"\xff\xd8\xff", None, id="cut short"),
        pytest.param(b"\xff\xd8" + SCAN, None, id="not told"),
        pytest.param(b"\xff\xd8\xff\x01\x00\x02", None, id="no segment"),
    ],
)
def test_size_of(picture: bytes, size: tuple[int, int] | None) -> None:
    assert picture_size(picture) == size
