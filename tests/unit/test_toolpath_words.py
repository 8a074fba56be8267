"""What a line of a toolpath may look like, and what is refused with which line."""

from __future__ import annotations

import gzip
import io
import zipfile
from collections.abc import Iterator
from itertools import repeat

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillair.errors import ToolpathError
from stillair.jobs.toolpath import Bounds, Toolpath
from stillair.jobs.toolpath.analysis import analyse
from stillair.jobs.toolpath.lines import pieces
from stillair.jobs.toolpath.words import words_of

PLAIN = "G1 X10 Y20.5 E.3 F3000"


def words(text: str) -> list[tuple[int, str, float | None]]:
    (piece,) = pieces([text.encode()], Bounds())
    found = words_of(piece)
    columns = (found.line.tolist(), found.letter.tolist(), found.value.tolist())
    return [(n, chr(c), v if v == v else None) for n, c, v in zip(*columns, strict=True)]


@pytest.mark.parametrize(
    "line",
    [
        pytest.param(PLAIN, id="plain"),
        pytest.param("g1 x10 y20.5 e.3 f3000", id="small letters"),
        pytest.param("G1X10Y20.5E.3F3000", id="no blanks"),
        pytest.param("G 1 X 10 Y  20.5 E .3 F 3000", id="blanks inside"),
        pytest.param("\tG1\tX10\tY20.5\tE.3\tF3000", id="tabs"),
        pytest.param("G01 X+10. Y020.50 E.300 F3000.0", id="other ways to write a number"),
        pytest.param("G1 X10 Y20.5 E.3 F3000 ; wall (X99", id="a remark behind"),
        pytest.param("G1 X10 (to the left; X99) Y20.5 E.3 F3000", id="a remark between"),
        pytest.param("(a)(b)G1 X10 Y20.5 E.3 F3000", id="remarks before"),
        pytest.param("G1 X10 Y20.5 E.3 F3000*71", id="a checksum"),
        pytest.param("G1 X10 Y20.5 E.3 F3000 * 71", id="a checksum apart"),
        pytest.param("/G1 X10 Y20.5 E.3 F3000", id="a line that might be left out"),
        pytest.param("G1 X10 Y20.5 E.3 F3000\r", id="the end of another system's line"),
        pytest.param("(fin box (2) (old (worse)))G1 X10 Y20.5 E.3 F3000", id="remarks in remarks"),
        pytest.param("G1 X1.0e+01 Y2.05E1 E3e-1 F3e3", id="exponents, kept apart by blanks"),
        pytest.param("G1X1.0e+01Y2.05e+01E3.0e-01F3.0e+03", id="exponents without blanks"),
        pytest.param("G1 X10 Y20.5 E.3 F3000 ; vrška Übergang 層", id="a remark in any language"),
    ],
)
def test_a_line_is_read(line: str) -> None:
    expected = [(0, "G", 1.0), (0, "X", 10.0), (0, "Y", 20.5), (0, "E", 0.3), (0, "F", 3000.0)]
    assert words(line) == expected


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        pytest.param("G1X5E-10", [("X", 5.0), ("E", -10.0)], id="drawn back on the way"),
        pytest.param("G1E-10", [("E", -10.0)], id="drawn back"),
        pytest.param(
            "G1X10Y20E5F90", [("X", 10.0), ("Y", 20.0), ("E", 5.0), ("F", 90.0)], id="no blank"
        ),
        pytest.param("G1 X10Y20E5", [("X", 10.0), ("Y", 20.0), ("E", 5.0)], id="one blank"),
        pytest.param("G1 X5E5", [("X", 5.0), ("E", 5.0)], id="nothing else says that blanks count"),
        pytest.param("G1 Y3 X-1.5e-07", [("Y", 3.0), ("X", 0.0)], id="nearly 0"),
        pytest.param("G1 X2.5e-10 Y3 E1", [("X", 0.0), ("Y", 3.0), ("E", 1.0)], id="E as well"),
    ],
)
def test_an_e_behind_a_number_is_the_filament_or_an_exponent(
    line: str, expected: list[tuple[str, float]]
) -> None:
    found = words(f"{line}\n{PLAIN}\n")
    assert [letter for n, letter, _ in found if n == 0] == ["G", *(name for name, _ in expected)]
    values = [value for n, _, value in found if n == 0][1:]
    assert values == pytest.approx([value for _, value in expected], abs=1e-6)
    assert [n for n, _, _ in found].count(1) == 5


@pytest.mark.parametrize(
    ("end", "cut"),
    [
        pytest.param(b"\r", 4096, id="CR alone"),
        pytest.param(b"\r\n", 4096, id="CR and LF"),
        pytest.param(b"\r\n", 1, id="cut between CR and LF"),
        pytest.param(b"\r", 1, id="CR alone, cut everywhere"),
        pytest.param(b"\n", 7, id="LF"),
    ],
)
def test_lines_may_end_in_any_way(end: bytes, cut: int) -> None:
    text = end.join([PLAIN.encode()] * 9 + [b"", b"G1 X--2"])
    with pytest.raises(ToolpathError) as refused:
        analyse(text[n : n + cut] for n in range(0, len(text), cut))
    assert refused.value.line == 11


@pytest.mark.parametrize(
    ("line", "told"),
    [
        pytest.param("M98 P100", 3, id="another program"),
        pytest.param("N7 m098 P100", 3, id="the same with its line's number"),
        pytest.param("G65 P9", 3, id="a macro"),
        pytest.param("WHILE [#1 LT 5] DO1", 3, id="repeated"),
        pytest.param("{if layer == 3}", 3, id="chosen"),
        pytest.param("O100 sub", 3, id="a program within"),
        pytest.param("o100 call [3]", 3, id="one that is called"),
        pytest.param("O1234", 0, id="a number of its own"),
        pytest.param("M980", 0, id="another number"),
        pytest.param("FORWARD_FAN S=1", 0, id="a command of letters"),
        pytest.param("M117 if you read this", 0, id="text"),
    ],
)
def test_a_file_that_jumps_is_told_with_the_line(line: str, told: int) -> None:
    text = f"{PLAIN}\nG1 X20 E1\n{line}\nG1 X30 E2\nM98 P5 ; once is enough\n"
    (warning,) = analyse([text.encode()]).whole.warnings
    assert warning.startswith(f"Line {told or 5} calls another program")


@pytest.mark.parametrize(
    ("lines", "line", "reason"),
    [
        pytest.param("G1 X900 F1e-3\nG1 X0 F0.001", 1, "more than 90 days", id="a feed near 0"),
        pytest.param("G2 X10.01 Y0 J9999999", 1, "an arc of 6.28e+07 mm", id="an endless arc"),
        pytest.param("G1 X1 Y2 E3 E4", 1, "E stands there twice", id="filament twice"),
    ],
)
def test_what_no_machine_does_is_refused(lines: str, line: int, reason: str) -> None:
    with pytest.raises(ToolpathError) as refused:
        analyse([f"G1 X10 F600\n{lines}\n".encode()])
    assert refused.value.line == line + 1
    assert reason in refused.value.reason


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        pytest.param("%", [], id="a tape's end"),
        pytest.param("%O1234 (bushing)", [], id="a tape's head"),
        pytest.param("; only a remark: G1 X99", [], id="a remark"),
        pytest.param("   ", [], id="blanks"),
        pytest.param("M117 bow side, 3rd of 8 = ok?", [], id="text for a display"),
        pytest.param("N12 M117 X1Y2 ;", [], id="text with a number of its line"),
        pytest.param("M23 boat.gco", [], id="a file's name"),
        pytest.param('M98 P"rest/home_all"', [], id="a name in quotes"),
        pytest.param("M204S800", [("M", 204.0), ("S", 800.0)], id="limits of motion"),
        pytest.param("M106", [("M", 106.0)], id="a fan without a figure"),
        pytest.param("M600 change to grey", [("M", 600.0)], id="a halt with its reason"),
        pytest.param("HEAT_BOX TARGET=60", [], id="a command of letters"),
        pytest.param("_AFTER_LAYER", [], id="one with a line below"),
        pytest.param("G28 X Y", [("G", 28.0), ("X", None), ("Y", None)], id="letters alone"),
        pytest.param("T1", [("T", 1.0)], id="a tool"),
        pytest.param("G90.1", [("G", 90.1)], id="a digit behind the point"),
        pytest.param("N7 G4 P3", [("N", 7.0), ("G", 4.0), ("P", 3.0)], id="a line's number"),
        pytest.param("{if hot}", [], id="what a program should have filled in"),
    ],
)
def test_what_is_no_motion_is_passed_over(line: str, expected: list[tuple[str, float]]) -> None:
    around = f"{PLAIN}\n{line}\n{PLAIN}\n"
    found = words(around)
    assert [(letter, value) for n, letter, value in found if n == 1] == expected
    assert [n for n, _, _ in found].count(0) == [n for n, _, _ in found].count(2) == 5


REFUSED = [
    pytest.param("G1 X10 Y-", "a number without its letter, or one that is none", id="no digits"),
    pytest.param("G1 X1-2", "a number without its letter, or one that is none", id="two in one"),
    pytest.param("G1 X1.2.3", "a number without its letter, or one that is none", id="two points"),
    pytest.param("G1 10", "a number without its letter, or one that is none", id="no letter"),
    pytest.param("10 20", "a number without its letter, or one that is none", id="numbers alone"),
    pytest.param("G1 X--2", "a number without its letter, or one that is none", id="two signs"),
    pytest.param("G1 X10 Y", "Y without its number", id="an axis without a number"),
    pytest.param("G1 Xnan Y1", "X without its number", id="nan"),
    pytest.param("G X10", "a G without its number", id="G without a number"),
    pytest.param("G1 X[#1+2]", "'[' is no part of a toolpath's line", id="a calculation"),
    pytest.param("G1 X10 \u2212Y1", "a byte that is no part", id="a sign that is none"),
    pytest.param("G1 (X10 Y1", "a bracket that is not closed", id="half a remark"),
    pytest.param("G1 X1e308 Y1", "X100000000000... is out of any machine's", id="exponent"),
    pytest.param("G1 X99999999", "X99999999 is out of any machine's reach", id="too large"),
    pytest.param(
        "G1 X" + "9" * 400, "X999999999999... is out of any machine's", id="far too large"
    ),
    pytest.param("G1 X20000", "X at 20000 mm is out of any machine's reach", id="too far"),
    pytest.param("G2 X20 Y30", "an arc needs I, J or R", id="an arc without a centre"),
    pytest.param("G2 X30 Y20.5 R3", "an arc of R3 can't reach 20 mm far", id="an arc too small"),
    pytest.param("G2 X30 Y20.5 I5 J0", "an arc whose end lies 10 mm beside", id="no circle"),
    pytest.param("G3 X10 Y20.5 R5", "an arc with R that ends where it begins", id="R all round"),
    pytest.param("G1 X1 ;" + "x" * 70_000, "longer than 64 KiB", id="a very long line"),
    pytest.param("G1 X1 \0", "a byte that is no text (0x00)", id="a zero byte"),
]


@pytest.mark.parametrize(("line", "reason"), REFUSED)
@pytest.mark.parametrize("before", [pytest.param(1, id="early"), pytest.param(50_000, id="late")])
def test_a_line_is_refused_by_its_number(line: str, reason: str, before: int) -> None:
    text = "\n".join([*repeat(PLAIN, before), line, *repeat(PLAIN, 50), "G1 X--1", ""])
    with pytest.raises(ToolpathError) as refused:
        analyse([text.encode()])
    assert refused.value.line == before + 1
    assert reason in refused.value.reason
    assert str(refused.value).startswith(f"line {before + 1}: ")
    assert len(str(refused.value)) < 200


def _zip(text: bytes) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("part", text)
    return file.getvalue()


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        pytest.param(_zip(b"0" * 10_000_000), "compressed (zip); unpack it first", id="zip"),
        pytest.param(gzip.compress(b"0" * 10_000_000), "compressed (gzip)", id="gzip"),
        pytest.param(b"BZh91AY&SY", "compressed (bzip2)", id="bzip2"),
        pytest.param(b"PK\x03", "no text", id="the beginning of a zip"),
        pytest.param(bytes(range(256)) * 9, "a byte that is no text (0x00)", id="any bytes"),
        pytest.param(
            "G1 X1 E1\n".encode("utf-16"), "a byte that is no text", id="two-byte letters"
        ),
        pytest.param(b"", "no road is laid", id="nothing"),
        pytest.param(b"\n\n\n", "no road is laid", id="empty lines"),
        pytest.param(b"Dear bench captain,\nthe part cracked.\n", "", id="a letter"),
        pytest.param(b"G1 X10 F600\nG1 E5\nG1 Z3\n", "no road is laid", id="no road"),
        pytest.param(
            b"M83\nG1 Z9 E3\nG1 X2 E-1\n", "no road is laid", id="a pillar, and drawn back"
        ),
        pytest.param(b"M83\nG1 X1 Z9 E3\n", "no road is laid", id="a pillar that leans"),
    ],
)
def test_what_is_no_toolpath_is_refused(content: bytes, reason: str) -> None:
    with pytest.raises(ToolpathError, match=r"^line \d+: ") as refused:
        analyse([content])
    assert reason in refused.value.reason


@pytest.mark.parametrize(
    "content", [b"G1 X1\nG1 X2\n", b"G1 X1\nG1 X2", b"G1 X1\r\nG1 X2\r\n", b"\n\n"]
)
def test_the_last_line_of_a_file_is_the_last_that_is_named(content: bytes) -> None:
    with pytest.raises(ToolpathError) as refused:
        analyse([content])
    assert refused.value.line == 2


def endless(block: bytes) -> Iterator[bytes]:
    while True:
        yield block


@pytest.mark.parametrize(
    ("block", "reason"),
    [
        pytest.param(b"G1 X1 E1\nG1 X2 E1\n" * 100, "more than 4 MB", id="moves"),
        pytest.param(b"G1 X1", "longer than 64 KiB", id="one line"),
        pytest.param(b"\n" * 999, "more than 4 MB", id="empty lines"),
        pytest.param(b";" + b"x" * 999 + b"\n", "more than 4 MB", id="remarks"),
    ],
)
def test_a_stream_without_an_end_is_refused(block: bytes, reason: str) -> None:
    with pytest.raises(ToolpathError) as refused:
        analyse(endless(block), bounds=Bounds(bytes=4_000_000))
    assert reason in refused.value.reason


def test_too_many_layers_are_refused_by_the_line_of_the_first() -> None:
    lines = [f"G1 Z{n * 0.1 + 0.1:.1f}\nG1 X{n % 2 + 1} E1" for n in range(40)]
    with pytest.raises(ToolpathError) as refused:
        analyse(["\n".join(["M83", *lines]).encode()], bounds=Bounds(layers=30))
    assert refused.value.line == 63  # one line before, two lines a layer, the 31st's road
    assert "more than 30 layers" in refused.value.reason


def test_a_height_that_jumps_to_and_fro_is_refused() -> None:
    lines = [f"G1 Z{n * 7919 % 89 + 1}\nG1 X{n % 2 + 1} E1" for n in range(400)]
    with pytest.raises(ToolpathError, match="changed its height more than 20 times"):
        analyse(["\n".join(["M83", *lines]).encode()], bounds=Bounds(layers=10))


@settings(max_examples=300)
@given(st.binary(max_size=400), st.integers(1, 64))
def test_any_bytes_are_read_or_refused(content: bytes, block: int) -> None:
    try:
        analyse(content[n : n + block] for n in range(0, len(content), block))
    except ToolpathError as error:
        assert error.line >= 1


NUMBERS = """
0 1 2 3 4 10 11 17 18 19 20 21 28 82 83 90 91 92 90.1 104 106 109 200 201 203 204 205 220 600
-5 .5 -.25 1.5 +7 0.0001 9999
"""
WORDS = st.tuples(
    st.sampled_from("GXYZEFIJKRSPTMNL"),
    st.sampled_from([*NUMBERS.split(), ""]),
).map("".join)
LINES = st.lists(st.lists(WORDS, min_size=1, max_size=6).map(" ".join), min_size=1, max_size=30)


@settings(max_examples=300)
@given(LINES, st.integers(1, 200))
def test_any_words_are_read_or_refused(lines: list[str], block: int) -> None:
    text = "\n".join(["M83", "G1 X1 Y1 Z.2 E1 F600", *lines]).encode()
    outcomes = []
    for size in (block, len(text)):
        try:
            found = analyse(text[n : n + size] for n in range(0, len(text), size))
            check(found)
            outcomes.append(str(found.whole))
        except ToolpathError as error:
            outcomes.append(str(error))
    assert outcomes[0] == outcomes[1]


def check(found: Toolpath) -> None:
    """What holds for every toolpath."""
    layers = found.layers
    assert len(layers) == found.whole.layers >= 1
    assert (layers.end_s >= layers.start_s).all()
    assert (layers.start_s[1:] >= layers.end_s[:-1] - 1e-9).all()
    assert (layers.length_mm > 0).all() and (layers.least_time_s >= 0).all()
    assert ((layers.fan_share >= 0) & (layers.fan_share <= 1)).all()
    assert found.whole.duration_s >= layers.end_s[-1] - 1e-9
    # A first layer may be a line alone, far from all that stands above.
    assert all(found.outlines.layer(n).any() for n in range(1, len(layers)))
