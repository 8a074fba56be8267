"""Where the nozzle is after each line, whatever the file has said before."""

from __future__ import annotations

from math import inf, nan, pi

import numpy as np
import pytest

from stillair.errors import StillairError
from stillair.jobs.toolpath import Bounds, MotionLimits
from stillair.jobs.toolpath.analysis import analyse
from stillair.jobs.toolpath.lines import pieces
from stillair.jobs.toolpath.machine import Machine
from stillair.jobs.toolpath.moves import HALT, WAIT, Moves
from stillair.jobs.toolpath.words import words_of


def moves(text: str) -> Moves:
    machine = Machine(MotionLimits())
    # Line by line, each a piece of its own: what is in force has to be carried over.
    found = [
        machine.moves(words_of(piece))
        for line in text.splitlines()
        for piece in pieces([line.encode()], Bounds())
    ]
    by_line = Moves.together(found)
    machine = Machine(MotionLimits())
    (piece,) = pieces([text.encode()], Bounds())
    at_once = machine.moves(words_of(piece))
    assert np.allclose(at_once.end, by_line.end)
    assert np.allclose(at_once.filament, by_line.filament)
    assert np.allclose(at_once.volume, by_line.volume)
    assert np.allclose(at_once.feed, by_line.feed)
    assert at_once.kind.tolist() == by_line.kind.tolist()
    assert at_once.fan.tolist() == by_line.fan.tolist()
    return at_once


Ends = list[tuple[float, float, float]]


@pytest.mark.parametrize(
    ("text", "ends"),
    [
        pytest.param("G1 X1 Y2 Z3", [(1, 2, 3)], id="absolute at first"),
        pytest.param("G91\nG1 X1\nG1 X1 Y-2", [(1, 0, 0), (2, -2, 0)], id="relative"),
        pytest.param("G1 X5\nG91\nG1 X1\nG90\nG1 X1", [(5, 0, 0), (6, 0, 0), (1, 0, 0)], id="both"),
        pytest.param("G91 G1 X1\nX1", [(1, 0, 0), (2, 0, 0)], id="a mode on the same line"),
        pytest.param("X1\nY2", [(1, 0, 0), (1, 2, 0)], id="no G at all"),
        pytest.param("G1 F600\nX1\nF900\nY1", [(1, 0, 0), (1, 1, 0)], id="a feed alone"),
        pytest.param("G20\nG1 X1\nG21\nG1 Y1", [(25.4, 0, 0), (25.4, 1, 0)], id="inches"),
        pytest.param("G1 X5\nG92 X0\nG1 X1", [(5, 0, 0), (6, 0, 0)], id="named anew"),
        pytest.param("G1 X5\nG92 X0 Y3\nG1 X1 Y4", [(5, 0, 0), (6, 1, 0)], id="two named anew"),
        pytest.param("G1 X5 Y2\nG92\nG1 X1", [(5, 2, 0), (6, 2, 0)], id="all named 0"),
        pytest.param("G1 Z5\nG92 Z5.1\nG1 Z6", [(0, 0, 5), (0, 0, 5.9)], id="a height named anew"),
        pytest.param("G1 X5\nG92 X0\nG28\nG1 X1", [(5, 0, 0), (1, 0, 0)], id="home forgets names"),
        pytest.param("G1 X5 Y5\nG28 X\nG1 Y6", [(5, 5, 0), (0, 6, 0)], id="home of one axis"),
        pytest.param("G91\nG1 X5\nG92 X0\nG1 X1", [(5, 0, 0), (6, 0, 0)], id="named, relative"),
        pytest.param("G1 X5\nG29 X99\nG1 Y1", [(5, 0, 0), (5, 1, 0)], id="words of another order"),
        pytest.param("G1 X5\nM201 X99\nG1 Y1", [(5, 0, 0), (5, 1, 0)], id="words of an M"),
        pytest.param("G1 X5\nG1 X5\nG1 Y1", [(5, 0, 0), (5, 1, 0)], id="no way, no move"),
        pytest.param("G0 X1 X3", [(3, 0, 0)], id="said twice on a line"),
        pytest.param(
            "G2 X2 Y0 I1\nG1 Y1\nX0", [(2, 0, 0), (2, 1, 0), (0, 1, 0)], id="after an arc"
        ),
        pytest.param(
            "G2 X2 I1\nE1\nZ1", [(2, 0, 0), (2, 0, 0), (2, 0, 1)], id="no arc without one"
        ),
        pytest.param("G5 X3 Y3 I1 J1 P1 Q1", [(3, 3, 0)], id="a curve as a line"),
    ],
)
def test_the_nozzle_is_at(text: str, ends: Ends) -> None:
    assert np.allclose(moves(text).end, np.array(ends, np.float64))


@pytest.mark.parametrize(
    ("text", "pushed"),
    [
        pytest.param("G1 X1 E1\nG1 X2 E3", [1, 2], id="absolute at first"),
        pytest.param("M83\nG1 X1 E1\nG1 X2 E3", [1, 3], id="relative"),
        pytest.param("G91\nG1 X1 E1\nG1 X1 E3", [1, 3], id="G91 counts for the filament"),
        pytest.param("G91\nM82\nG1 X1 E1\nG1 X1 E3", [1, 2], id="M82 behind it"),
        pytest.param("M83\nG1 E5\nM82\nG1 X1 E6", [5, 1], id="from relative to absolute"),
        pytest.param("G1 X1 E9\nG92 E0\nG1 X2 E1", [9, 1], id="named anew"),
        pytest.param("G1 X1 E9\nG92 E5 X0\nG1 X1 E4", [9, -1], id="named anew with an axis"),
        pytest.param("G1 X1 E1\nG1 X2\nG1 X3 E2", [1, 0, 1], id="travel between"),
        pytest.param("G20\nM83\nG1 X1 E1", [25.4], id="inches"),
        pytest.param("G1 X1 E1\nG1 E0 F99\nG1 E1", [1, -1, 1], id="drawn back and forth"),
    ],
)
def test_the_filament_is_pushed(text: str, pushed: list[float]) -> None:
    found = moves(text)
    assert found.filament.tolist() == pytest.approx(pushed)
    assert found.volume.tolist() == pytest.approx([e * pi * 1.75**2 / 4 for e in pushed])


ROADS = [0.5, 0.4, 0.7, 0.1, 0.9, 0.3] * 10
UPWARD = [0.5 * n for n in range(1, 61)]


@pytest.mark.parametrize(
    ("orders", "figures", "relative"),
    [
        pytest.param("M83\nG90", ROADS, True, id="G90 behind M83, figures of each road"),
        pytest.param("M83\nG90", [0.8] * 30, True, id="G90 behind M83, roads all alike"),
        pytest.param("M83\nG90", UPWARD, False, id="G90 behind M83, figures that only rise"),
        pytest.param("G90\nM83", UPWARD, True, id="M83 is the last word"),
        pytest.param("M83\nG91\nG90\nM82", UPWARD, False, id="M82 is the last word"),
        pytest.param("M83\nG90", ROADS[:12], False, id="too few to judge by"),
    ],
)
def test_figures_tell_whether_g90_counts_for_the_filament(
    orders: str, figures: list[float], relative: bool
) -> None:
    lines = [f"G1 X{n} E{e:g}" for n, e in enumerate(figures, start=1)]
    (piece,) = pieces(["\n".join([orders, *lines]).encode()], Bounds())
    found = Machine(MotionLimits()).moves(words_of(piece))
    expected = figures if relative else np.diff(figures, prepend=0.0).tolist()
    assert found.filament.tolist() == pytest.approx(expected)


def test_what_m83_said_long_before_counts_as_well() -> None:
    machine = Machine(MotionLimits())
    lines = [f"G1 X{n} E{e:g}" for n, e in enumerate(ROADS, start=1)]
    texts = ("M83", "G91", "\n".join(["G90", *lines]))
    found = [
        machine.moves(words_of(each))
        for text in texts
        for each in pieces([text.encode()], Bounds())
    ]
    assert found[-1].filament.tolist() == pytest.approx(ROADS)


def test_only_another_tool_takes_its_time() -> None:
    text = "T0\nG1 X1\nT1\nG1 X2\nT1\nG1 X3\nT\nT0\nT999"
    machine = Machine(MotionLimits(tool_change_s=7.0))
    (piece,) = pieces([text.encode()], Bounds())
    found = machine.moves(words_of(piece))
    assert found.line[found.kind == WAIT].tolist() == [3, 8]
    assert found.feed[found.kind == WAIT].tolist() == [7.0, 7.0]


def test_volumes_and_flow() -> None:
    found = moves("M83\nM200 D1.75\nG1 X1 E3\nM221 S50\nG1 X2 E3\nM200 D0\nG1 X3 E1")
    area = pi * 1.75**2 / 4
    assert found.volume.tolist() == pytest.approx([3, 1.5, area / 2])
    assert found.filament.tolist() == pytest.approx([3 / area, 3 / area, 1])


Spot = tuple[float, float]


@pytest.mark.parametrize(
    ("text", "length", "centre", "into"),
    [
        pytest.param("G3 X10 Y10 I0 J10", 5 * pi, (0, 10), (1, 0, 0), id="a quarter to the left"),
        pytest.param("G2 X10 Y10 I10 J0", 5 * pi, (10, 0), (0, 1, 0), id="a quarter to the right"),
        pytest.param("G3 X10 Y10 R10", 5 * pi, (0, 10), (1, 0, 0), id="by radius"),
        pytest.param("G3 X10 Y10 R-10", 15 * pi, (10, 0), (0, -1, 0), id="the longer way"),
        pytest.param("G2 X10 Y10 R10", 5 * pi, (10, 0), (0, 1, 0), id="by radius, to the right"),
        pytest.param("G2 I5", 10 * pi, (5, 0), (0, 1, 0), id="all round"),
        pytest.param("G3 X0 Y0 I5 J0", 10 * pi, (5, 0), (0, -1, 0), id="all round, its end named"),
        pytest.param("G90.1\nG3 X10 Y10 I0 J10", 5 * pi, (0, 10), (1, 0, 0), id="centre absolute"),
        pytest.param("G91\nG3 X10 Y10 J10", 5 * pi, (0, 10), (1, 0, 0), id="relative"),
        pytest.param(
            "G3 X10 Y10 Z12 J10", np.hypot(5 * pi, 12), (0, 10), (0.7947, 0, 0.607), id="a helix"
        ),
        pytest.param("G18\nG2 X10 Z10 K10", 5 * pi, (0, 0), (1, 0, 0), id="upright, X Z"),
        pytest.param("G19\nG2 Y10 Z10 J10", 5 * pi, (0, 0), (0, 0, 1), id="upright, Y Z"),
        pytest.param("G20\nG3 X1 Y1 I0 J1", 12.7 * pi, (0, 25.4), (1, 0, 0), id="inches"),
        pytest.param("G20\nG3 X1 Y1 R1", 12.7 * pi, (0, 25.4), (1, 0, 0), id="a radius in inches"),
    ],
)
def test_an_arc_is(text: str, length: float, centre: Spot, into: tuple[float, ...]) -> None:
    found = moves(text)
    assert found.length.tolist() == pytest.approx([length])
    assert np.allclose(found.centre, [centre])
    assert np.allclose(found.into, [into], atol=1e-3)
    assert np.allclose(np.linalg.norm(found.out, axis=1), 1.0)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        pytest.param("G4 P1500\nG1 X1", [1.5], id="milliseconds"),
        pytest.param("G4 S2 P9\nG1 X1", [2.0], id="seconds"),
        pytest.param("G4\nG1 X1", [0.0], id="only until it stands"),
        pytest.param("G10\nG11", [0.05, 0.05], id="drawn back by the control"),
        pytest.param("G10 P1 S240\nG10 L2 X3", [], id="G10 of tools and places"),
    ],
)
def test_the_machine_stands_for(text: str, expected: list[float]) -> None:
    found = moves(text)
    assert found.feed[found.kind == WAIT].tolist() == expected


def test_a_halt_is_one() -> None:
    found = moves("G1 X1\nM600 grey, please\nG1 X2\nM0\nM84 X Y E")
    assert found.line[found.kind == HALT].tolist() == [2, 4]


FIRST = "M83\nG1 Z0.2\nG1 X9 E1 F900\n"


@pytest.mark.parametrize(
    ("orders", "fan_share", "nozzle_c", "bed_c", "chamber_c"),
    [
        pytest.param("M106 S255", 1.0, None, None, None, id="the fan"),
        pytest.param("M106 S51", 0.2, None, None, None, id="a fifth of the fan"),
        pytest.param("M106 S0.4", 0.4, None, None, None, id="the fan as a share"),
        pytest.param("M106", 1.0, None, None, None, id="the fan and no figure"),
        pytest.param("M106 S99\nM107", 0.0, None, None, None, id="no fan any more"),
        pytest.param("M106 P0 S255", 1.0, None, None, None, id="the fan by its number"),
        pytest.param("M106 P2 S255", 0.0, None, None, None, id="another fan"),
        pytest.param("M104 S250", 0.0, 250.0, None, None, id="the nozzle"),
        pytest.param("M109 R240", 0.0, 240.0, None, None, id="the nozzle, cooling down too"),
        pytest.param("M104 T1 S99", 0.0, None, None, None, id="a nozzle not in use"),
        pytest.param("M104 T1 S255\nT1", 0.0, 255.0, None, None, id="a tool heated before"),
        pytest.param("T1\nM104 S255", 0.0, 255.0, None, None, id="a tool heated after"),
        pytest.param("G10 P0 S231 R150", 0.0, 231.0, None, None, id="a tool's temperature by G10"),
        pytest.param("M140 S110", 0.0, None, 110.0, None, id="the bed"),
        pytest.param("M190 R105", 0.0, None, 105.0, None, id="the bed waited for"),
        pytest.param("M141 S70\nM191 S60", 0.0, None, None, 70.0, id="the chamber"),
        pytest.param("M104 S-5\nM140 S9999", 0.0, None, None, None, id="what can't be"),
    ],
)
def test_heat_and_fan(
    orders: str,
    fan_share: float,
    nozzle_c: float | None,
    bed_c: float | None,
    chamber_c: float | None,
) -> None:
    whole = analyse([f"{orders}\n{FIRST}".encode()]).whole
    assert whole.fan_first_share == pytest.approx(fan_share)
    assert (whole.nozzle_c[0], whole.bed_c[0], whole.chamber_c) == (nozzle_c, bed_c, chamber_c)


def test_what_can_not_be_followed_is_said() -> None:
    text = "M83\nG93\nG1 X9 E1\nG5 X10 Y10 I1 J1 P1 Q1 E1\n"
    said = " ".join(analyse([text.encode()]).whole.warnings)
    assert "G93" in said and "G5" in said and "25 mm/s" in said


@pytest.mark.parametrize(
    "values",
    [
        pytest.param({"road_mm_s2": 0.0}, id="no acceleration"),
        pytest.param({"corner_deviation_mm": nan}, id="nan"),
        pytest.param({"speed_mm_s": (1.0, 1.0, inf, 1.0)}, id="infinite"),
        pytest.param({"corner_change_mm_s": -1.0}, id="below 0"),
        pytest.param({"retraction_s": -1.0}, id="time below 0"),
    ],
)
def test_limits_that_can_not_be_are_refused(values: dict[str, object]) -> None:
    with pytest.raises(StillairError):
        MotionLimits(**values)  # type: ignore[arg-type]
