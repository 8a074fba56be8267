"""Files and pictures in which anything stands: a value, or the product's own error in one line.

What lies closer to the parts has its tests beside theirs: chamber files (test_config_hostile),
tables (test_table), streams of pictures (test_mjpeg), scratchpads, chips and frames of sensors
(test_sensing_*), messages (test_sensing_payloads); and over a wire test_hostile_peers. For new
examples: pytest --hypothesis-profile=explore.
"""

from __future__ import annotations

import json
import math
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from stillair.config.reading import chamber_from_text
from stillair.errors import InputError, SettingsError
from stillair.fire.vision import Vision
from stillair.media.ring import RING_BYTES, FrameRing
from stillair.runtime.recorded import replay_files
from stillair.sensing.mjpeg import picture_size
from stillair.sensing.pictures import (
    SMALL_HEIGHT,
    SMALL_WIDTH,
    WORKING_HEIGHT,
    WORKING_WIDTH,
    encoded,
    narrower,
    small_gray,
    working_picture,
)
from stillair.sensing.protocols import Frame
from stillair.simulation.scenario import list_scenarios, parse
from unit.test_config import WHOLE

# --- tables, watched to their end ------------------------------------------------

FIELDS = st.sampled_from(
    ["", "20", "45.0", "45.1", "60.5", "85.0", "127.94", "-273.15", "3000", "0", "-0", "1e-300"]
)
ODD_FIELDS = FIELDS | st.sampled_from(["nan", "inf", "1_0", "٣", " 45 ", '"45"', "x", '"', "1e400"])
STEPS_S = st.sampled_from([1.0, 1.0, 1.0, 0.5, 1e-6, 10.0, 29.0, 31.0, 300.0])
STARTS_S = st.sampled_from([0.0, -60.0, 0.5, -1e10, 1e9, 99_999_990_000.0])
COLUMNS = st.lists(
    st.sampled_from(["top", "low", "room", "ambient", "bed", "é", "a b"]),
    min_size=1,
    max_size=4,
    unique=True,
)
INSTANTS = st.one_of(
    st.datetimes().map(lambda at: at.isoformat()),
    st.datetimes(timezones=st.timezones()).map(lambda at: at.isoformat()),
    st.sampled_from(
        ["0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59", "2026-W01", "24:00"]
    ),
)


@st.composite
def tables(draw: st.DrawFn) -> str:
    columns = draw(COLUMNS)
    fields = draw(st.sampled_from([FIELDS, FIELDS, ODD_FIELDS]))
    usual = draw(fields)
    t_s, lines = draw(STARTS_S), [",".join(["time_s", *columns])]
    for _ in range(draw(st.integers(0, 40))):
        t_s += draw(STEPS_S)
        row = [usual if draw(st.booleans()) else draw(fields) for _ in columns]
        lines.append(",".join([repr(t_s), *row]))
    return draw(st.sampled_from(["\n", "\r\n"])).join(lines)


def watched(path: Path, text: str) -> list[str]:
    """What is told of a table; nothing where it is refused, in one line."""
    path.write_text(text, newline="")
    try:
        return list(replay_files(path))
    except InputError as error:
        assert "\n" not in str(error)
        return []


@settings(max_examples=60, deadline=None)
@given(table=tables())
def test_any_table_is_watched_or_refused(
    tmp_path_factory: pytest.TempPathFactory, table: str
) -> None:
    path = tmp_path_factory.getbasetemp() / "any.csv"
    for line in watched(path, table):
        told = json.loads(line, parse_constant=float)
        assert math.isfinite(told["at_s"])
        assert "NaN" not in line and "Infinity" not in line


@settings(max_examples=60, deadline=None)
@given(instants=st.lists(INSTANTS, max_size=5), in_order=st.booleans())
def test_any_instants_are_times_or_refused(
    tmp_path_factory: pytest.TempPathFactory, instants: list[str], in_order: bool
) -> None:
    path = tmp_path_factory.getbasetemp() / "instants.csv"
    rows = sorted(instants) if in_order else instants
    watched(path, "\n".join(["time,top", *(f"{at},45" for at in rows)]))


# --- files of settings: right ones in which something has been changed ------------

CHANGES = st.lists(
    st.tuples(
        st.floats(0, 1),
        st.integers(0, 12),
        st.sampled_from(
            ["", "\0", "\n", '"', "'''", "]", "[[", "=", "{", "#", "é", "\ud7ff", "1e999", "nan"]
        )
        | st.sampled_from(["-", "0x", "1979-05-27T07:32:00Z", "9" * 400, "a.b", "true", "\\u0000"]),
    ),
    min_size=1,
    max_size=4,
)


def changed(text: str, changes: list[tuple[float, int, str]]) -> str:
    for share, removed, put in changes:
        at = int(share * len(text))
        text = text[:at] + put + text[at + removed :]
    return text


@settings(max_examples=200, deadline=None)
@given(CHANGES)
def test_a_spoilt_chamber_file_is_told(changes: list[tuple[float, int, str]]) -> None:
    try:
        chamber_from_text(changed(WHOLE, changes), "shed.toml")
    except SettingsError as error:
        assert error.faults
        assert all(fault.isprintable() for fault in error.faults)


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(list_scenarios()), CHANGES)
def test_a_spoilt_scenario_is_told(name: str, changes: list[tuple[float, int, str]]) -> None:
    try:
        parse(changed(scenario_text(name), changes).encode(), source="spoilt.toml")
    except SettingsError as error:
        assert error.faults


@cache
def scenario_text(name: str) -> str:
    import stillair.simulation

    folder = Path(stillair.simulation.__file__).parent / "scenarios"
    return (folder / f"{name}.toml").read_text("utf-8")


# --- pictures of any size, whole and damaged, one after the other -----------------

SIZES = st.sampled_from(
    [(1, 1), (1, 320), (240, 1), (2, 2), (3, 320), (240, 5), (16, 16), (39, 52), (240, 320)]
)
KINDS = st.sampled_from(["noise", "black", "white", "flame", "slope"])
DAMAGE = st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), max_size=6)


@cache
def drawn(kind: str, height: int, width: int) -> NDArray[np.uint8]:
    """A picture of that size, BGR."""
    picture = np.zeros((height, width, 3), np.uint8)
    match kind:
        case "noise":
            picture[:] = np.random.default_rng(3).integers(0, 256, picture.shape, np.uint8)
        case "white":
            picture[:] = 255
        case "flame":
            picture[height // 2 :] = (40, 140, 255)
        case "slope":
            picture[:] = np.linspace(0, 255, width).astype(np.uint8)[None, :, None]
    return picture


@cache
def packed(kind: str, height: int, width: int) -> bytes:
    done, data = cv2.imencode(".jpg", drawn(kind, height, width))
    assert done
    return data.tobytes()


def damaged(jpeg: bytes, damage: list[tuple[float, int]], kept: float) -> bytes:
    spoilt = bytearray(jpeg)
    for share, value in damage:
        spoilt[2 + int(share * (len(spoilt) - 3))] = value
    return bytes(spoilt[: max(4, int(kept * len(spoilt)))])


SHOTS = st.tuples(
    KINDS,
    SIZES,
    st.sampled_from([0.0, 0.1, 0.5, 1.0, 5.0, 100.0]),
    DAMAGE,
    st.sampled_from([1.0, 1.0, 0.9, 0.5, 0.01]),
)


@settings(max_examples=50, deadline=None)
@given(st.lists(SHOTS, min_size=1, max_size=15))
def test_any_pictures_are_looked_at_or_left_out(
    shots: list[tuple[str, tuple[int, int], float, list[tuple[float, int]], float]],
) -> None:
    vision, ring, t_s = Vision(), FrameRing(), 0.0
    for number, (kind, size, step_s, damage, kept) in enumerate(shots):
        t_s += step_s
        frame = Frame(t_s, number, jpeg=damaged(packed(kind, *size), damage, kept))
        small, picture = small_gray(frame), working_picture(frame)
        assert small is None or (small.shape[0] <= SMALL_HEIGHT and small.shape[1] <= SMALL_WIDTH)
        assert encoded(frame) == frame.jpeg
        assert frame.jpeg is not None
        narrow = narrower(frame.jpeg, 320)
        if narrow is not None:
            of = picture_size(narrow)
            assert of is not None and (0 < of[0] <= 320 or narrow == frame.jpeg)
        ring.take(t_s, jpeg=frame.jpeg)
        assert ring.held_bytes <= RING_BYTES
        if picture is not None:
            height, width, depth = picture.shape
            assert 0 < height <= WORKING_HEIGHT and 0 < width <= WORKING_WIDTH and depth == 3
            for sign in vision.update(t_s, picture).signs:
                assert 0.0 <= sign.strength <= 1.0
