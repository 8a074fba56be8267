"""Layers from the heights at which road is laid, whatever else a file does."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from math import cos, pi, sin, tau

import numpy as np
import pytest

from stillair.jobs.toolpath import Toolpath
from stillair.jobs.toolpath.analysis import analyse
from stillair.simulation.toolpaths import (
    BUSHING,
    FIN_BOX,
    SHED_PARTS,
    SPACER,
    Build,
    ShedPart,
    toolpath_lines,
)

LOW = replace(BUSHING, height_mm=3.0)


def built(build: Build) -> Toolpath:
    return analyse(line.encode() for line in toolpath_lines(build))


def square(z: float, x: float = 50.0, y: float = 50.0, side: float = 20.0) -> list[str]:
    """One ring of road at a height, come to by travel."""
    corners = [(x + side, y), (x + side, y + side), (x, y + side), (x, y)]
    push = side * 0.45 * 0.2 / (pi * 1.75**2 / 4)
    roads = [f"G1 X{a} Y{b} E{push:.4f} F1800" for a, b in corners]
    return [f"G0 X{x} Y{y} F9000", f"G0 Z{z:.4f}", *roads]


def read(parts: Iterable[list[str]]) -> Toolpath:
    lines = ["G90", "M83", *(line for part in parts for line in part), ""]
    return analyse(["\n".join(lines).encode()])


UP = [round(0.2 * n, 1) for n in range(1, 11)]
EVERY = [0.2 * n for n in range(1, 11)]


def tower(z: float) -> list[str]:
    return square(z, 100.0, 100.0, 8.0)


def strip(z: float) -> list[str]:
    """Two long roads side by side along the plate's edge, longer than a small part's layer."""
    return ["G0 X5 Y3 F9000", f"G0 Z{z}", "G1 X195 E9 F1800", "G1 Y3.4 E.02", "G1 X5 E9"]


@pytest.mark.parametrize(
    ("parts", "heights", "pieces"),
    [
        pytest.param(
            [strip(0.3), *(square(z) for z in UP)], UP, [0] * 10, id="a long line before, higher"
        ),
        pytest.param(
            [strip(0.2), *(square(z + 0.1) for z in UP)],
            [z + 0.1 for z in UP],
            [0] * 10,
            id="a long line before, lower",
        ),
        pytest.param(
            [strip(0.3), *(square(z, x) for x in (20.0, 90.0) for z in UP)],
            UP + UP,
            [0] * 10 + [1] * 10,
            id="a long line before pieces in turn",
        ),
        pytest.param([square(z) for z in UP], UP, [0] * 10, id="one above the other"),
        pytest.param(
            [s for z in UP for s in (square(z), square(z, 90.0))], UP, [0] * 10, id="two on a plate"
        ),
        pytest.param(
            [square(z, x) for x in (20.0, 90.0) for z in UP],
            UP + UP,
            [0] * 10 + [1] * 10,
            id="one after the other",
        ),
        pytest.param(
            [square(z, x) for x, top in ((20.0, 5), (60.0, 10), (100.0, 2)) for z in UP[:top]],
            UP[:5] + UP + UP[:2],
            [0] * 5 + [1] * 10 + [2] * 2,
            id="one after the other, of unlike height",
        ),
        pytest.param(
            [square(z) for z in (0.3, 0.5, 0.6, 0.65, 0.7, 1.0)],
            [0.3, 0.5, 0.6, 0.65, 0.7, 1.0],
            [0] * 6,
            id="layers of unlike thickness",
        ),
        pytest.param(
            [s for z in UP for s in (["G0 Z9"], square(z), ["G1 E-1 F2000", "G0 Z12", "G1 E1"])],
            UP,
            [0] * 10,
            id="travel far above",
        ),
        pytest.param(
            [square(0.3, 5.0, 5.0, 9.0), *(square(z, side=30.0) for z in UP)],
            UP,
            [0] * 10,
            id="a line before, higher than the first layer",
        ),
        pytest.param(
            [square(5.0, 5.0, 5.0, 9.0), *(square(z, side=30.0) for z in UP)],
            UP,
            [0] * 10,
            id="filament laid in the air before",
        ),
        pytest.param(
            [*(square(z) for z in UP[:5]), square(0.3, 5.0, 5.0), *(square(z) for z in UP[5:])],
            UP,
            [0] * 10,
            id="a line on the bed between two layers",
        ),
        pytest.param(
            [*(square(z) for z in UP[:5]), square(30.0, 5.0, 5.0), *(square(z) for z in UP[5:])],
            UP,
            [0] * 10,
            id="a line high above between two layers",
        ),
        pytest.param(
            [*(square(z) for z in UP[:5]), square(0.3, 5.0, 5.0), *(square(z) for z in UP[4:])],
            UP,
            [0] * 10,
            id="a line on the bed within a layer",
        ),
        pytest.param(
            [s for n, z in enumerate(UP) for s in (square(z), tower(UP[max(0, n - 1)]))],
            UP,
            [0] * 10,
            id="a tower beside the part, one layer behind",
        ),
        pytest.param(
            [*(square(z) for z in UP[:7]), tower(0.2), tower(0.4), *(square(z) for z in UP[7:])],
            UP,
            [0] * 10,
            id="two lines on each other beside the part",
        ),
        pytest.param(
            [square(0.3, side=45.0), *(tower(z) for z in UP)],
            [0.3, *UP],
            [0] + [1] * 10,
            id="a wide plate, then a tower",
        ),
        pytest.param([square(0.2)], [0.2], [0], id="one layer"),
        pytest.param(
            [square(z) for z in (12.3, 12.5, 12.7)], [12.3, 12.5, 12.7], [0] * 3, id="begun high up"
        ),
    ],
)
def test_layers_are_found(parts: list[list[str]], heights: list[float], pieces: list[int]) -> None:
    found = read(parts)
    assert found.layers.height_mm.tolist() == pytest.approx(heights)
    assert found.layers.piece.tolist() == pieces
    assert found.whole.pieces == pieces[-1] + 1
    assert not found.whole.spiral


@pytest.mark.parametrize("name", sorted(SHED_PARTS))
@pytest.mark.parametrize(
    "one_by_one", [pytest.param(False, id="together"), pytest.param(True, id="one by one")]
)
@pytest.mark.parametrize("arcs", [pytest.param(False, id="chords"), pytest.param(True, id="arcs")])
def test_parts_of_the_shed_have_their_layers(name: str, one_by_one: bool, arcs: bool) -> None:
    part = replace(SHED_PARTS[name], height_mm=4.0)
    places = ((100.0, 60.0), (100.0, 110.0))
    build = Build(part, places=places, one_by_one=one_by_one, arcs=arcs, layer_mm=0.25)
    found = built(build)
    times = 2 if one_by_one else 1
    expected = [0.25 * n for n in range(1, 17)] * times
    assert found.layers.height_mm.tolist() == pytest.approx(expected)
    assert found.layers.thickness_mm.tolist() == pytest.approx([0.25] * 16 * times)
    assert found.layers.width_mm.tolist() == pytest.approx([0.45] * 16 * times, rel=1e-3)
    assert found.layers.piece.tolist() == [n for n in range(times) for _ in range(16)]
    x, y = part.half_x_mm - 0.225, part.half_y_mm - 0.225
    assert found.whole.footprint_mm == pytest.approx((100 - x, 60 - y, 100 + x, 110 + y), abs=0.1)


def spiral(loops: int, chords: int, thickness: float = 0.2) -> list[str]:
    """A wall of 20 mm that rises all the time, on a layer that doesn't."""
    first = [f"G1 X{120 if n % 2 else 80} Y{85 + n} E1 F1800" for n in range(30)]
    lines = ["G0 X80 Y85", "G0 Z0.2", *first, "G0 X120 Y100"]
    for n in range(1, loops * chords + 1):
        angle = tau * n / chords
        z = 0.2 + thickness * n / chords
        push = 0.45 * thickness * tau * 20 / chords / (pi * 1.75**2 / 4)
        x, y = 100 + 20 * cos(angle), 100 + 20 * sin(angle)
        lines.append(f"G1 X{x:.4f} Y{y:.4f} Z{z:.4f} E{push:.5f}")
    return lines


@pytest.mark.parametrize("chords", [pytest.param(n, id=f"{n} chords") for n in (4, 12, 90, 3000)])
def test_a_wall_that_rises_all_the_time_has_a_layer_each_turn(chords: int) -> None:
    loops = 25 if chords < 1000 else 12
    found = read([spiral(loops, chords)])
    assert found.whole.spiral
    assert abs(found.whole.layers - (loops + 1)) <= 1
    steps = np.diff(found.layers.height_mm)[1:-1]
    assert steps == pytest.approx(0.2, abs=0.02)
    assert found.whole.height_mm == pytest.approx(0.2 + 0.2 * loops, abs=0.21)
    times_s = found.layers.end_s - found.layers.start_s
    assert times_s[2:-1] == pytest.approx(times_s[2], rel=0.1)


def test_a_square_spiral_with_a_notch_turns_once_a_round() -> None:
    # The notch turns to the right twice: what it takes back isn't counted again.
    ring = [(20, 0), (20, 20), (12, 20), (12, 12), (8, 12), (8, 20), (0, 20), (0, 0)]
    lines = ["G0 X0 Y0 Z0.2", "G1 X1 E0.05 F1800"]
    way = 0.0
    for _ in range(20):
        for x, y in ring:
            way += 1 / len(ring)
            lines.append(f"G1 X{x} Y{y} Z{0.2 + 0.3 * way:.4f} E0.3")
    found = read([lines])
    assert abs(found.whole.layers - 20) <= 1
    assert np.diff(found.layers.height_mm)[1:-1] == pytest.approx(0.3, abs=0.03)


@pytest.mark.parametrize(
    "amplitude_mm", [pytest.param(a, id=f"{a} mm") for a in (0.01, 0.03, 0.05, 0.08)]
)
@pytest.mark.parametrize("step", [pytest.param(n, id=f"{n} roads a side") for n in (1, 30)])
def test_heights_that_follow_an_uneven_bed_are_one_layer(amplitude_mm: float, step: int) -> None:
    lines: list[str] = []
    for layer in range(1, 16):
        for x0, y0 in ((50.0, 50.0), (110.0, 80.0)):
            x, y = x0, y0
            lines.append(f"G0 X{x} Y{y} Z{layer * 0.2 + amplitude_mm * sin(x / 9 + y / 13):.4f}")
            for dx, dy in ((1, 0), (0, 1), (-1, 0), (0, -1)):
                for _ in range(step):
                    x, y = x + dx * 30 / step, y + dy * 30 / step
                    z = layer * 0.2 + amplitude_mm * sin(x / 9 + y / 13)
                    lines.append(f"G1 X{x:.3f} Y{y:.3f} Z{z:.4f} E{30 / step * 0.037:.4f} F1800")
    found = read([lines])
    assert found.whole.layers == 15
    assert found.layers.height_mm.tolist() == pytest.approx(
        [0.2 * n for n in range(1, 16)], abs=0.06
    )


def test_times_are_of_the_program_and_in_order() -> None:
    found = built(Build(LOW, stop_at_layers=(5,)))
    layers = found.layers
    assert (layers.start_s[1:] >= layers.end_s[:-1]).all()
    assert found.whole.duration_s > layers.end_s[-1]
    # It waits for a person before layer 5, and the clock stands.
    assert len(found.whole.stops_s) == 1
    assert layers.end_s[3] <= found.whole.stops_s[0] <= layers.start_s[4]


def test_a_spot_is_covered_after_a_layer_or_after_all_copies_of_it() -> None:
    one, three = ((100.0, 100.0),), ((60.0, 100.0), (100.0, 100.0), (140.0, 100.0))
    both = [built(Build(LOW, places=places)).layers for places in (one, three)]
    for layers in both:
        times_s = layers.start_s[1:] - layers.start_s[:-1]
        # The same way round on each: a spot waits as long as a layer takes.
        assert layers.least_time_s[2:-1] == pytest.approx(times_s[2:], rel=0.05)
    one_by_one = built(Build(LOW, places=((60.0, 100.0), (140.0, 100.0)), one_by_one=True)).layers
    assert one_by_one.least_time_s[2] < both[1].least_time_s[2] / 2


def test_lines_to_and_fro_leave_a_spot_less_time_than_the_layer_takes() -> None:
    layers = built(Build(replace(SPACER, height_mm=2.0))).layers
    times_s = layers.start_s[1:] - layers.start_s[:-1]
    assert (layers.least_time_s[2:-1] < times_s[2:] * 0.95).all()
    assert (layers.least_time_s > 0).all()


def test_the_longest_straight_run_may_be_made_of_many_moves() -> None:
    divided = [f"G1 X{50 + n * 0.5} Y50 E0.02 F1800" for n in range(1, 161)]
    found = read([["G0 X50 Y50 Z0.2", *divided, "G1 Y60 E0.3"]])
    assert found.whole.longest_run_mm == pytest.approx(80.0)
    assert built(Build(replace(FIN_BOX, height_mm=1.0))).whole.longest_run_mm == pytest.approx(
        180 - 0.45, abs=0.01
    )


def test_a_ring_of_very_short_moves_is_no_straight_run() -> None:
    ring = [
        f"G1 X{100 + 10 * cos(tau * n / 600):.4f} Y{100 + 10 * sin(tau * n / 600):.4f} E0.004 F1800"
        for n in range(1, 601)
    ]
    found = read([["G0 X110 Y100 Z0.2", *ring]])
    assert found.whole.longest_run_mm <= 20.0  # as far as its spots can be apart


def test_outlines_show_what_is_where() -> None:
    part = ShedPart("ring", 15.0, 15.0, 1.0, hole_mm=9.0, walls=3)
    found = built(Build(part, places=((100.0, 100.0),), purge=False))
    outlines = found.outlines
    assert max(outlines.width, outlines.height) <= 48
    picture = outlines.layer(2)
    for x, y, laid in ((100, 100, False), (100 + 14.5, 100, True), (100, 100 - 9.5, True)):
        column = int((x - outlines.x_mm) / outlines.cell_mm)
        row = int((y - outlines.y_mm) / outlines.cell_mm)
        assert picture[row, column] == laid
    filled = picture.sum() * outlines.cell_mm**2
    road = pi * (15**2 - 13.65**2) + pi * (10.35**2 - 9**2)
    assert road * 0.8 < filled < road * 3


def test_outlines_stay_where_they_are_when_the_part_grows_wider() -> None:
    sizes = [10.0, 10.0, 25.0, 60.0, 140.0, 280.0, 280.0]
    found = read([square(0.2 * n + 0.2, 20.0, 20.0, side) for n, side in enumerate(sizes)])
    outlines = found.outlines
    assert outlines.cell_mm == 8.0
    for number, side in enumerate(sizes):
        rows, columns = np.nonzero(outlines.layer(number))
        for low, high in ((rows.min(), rows.max()), (columns.min(), columns.max())):
            assert outlines.x_mm + low * 8 <= 20 <= outlines.x_mm + (low + 1) * 8
            assert outlines.x_mm + high * 8 <= 20 + side <= outlines.x_mm + (high + 1) * 8


def test_a_line_on_the_first_layer_is_no_part_of_the_footprint() -> None:
    line = ["G0 X0 Y5", "G0 Z0.2", "G1 X180 Y5 E9 F1800"]
    brim = square(0.2, 92.0, 92.0, 36.0)
    found = read([line, brim, *(square(z, 100.0, 100.0) for z in UP)])
    # The brim where it ends, the line 12 mm from what stands above it.
    assert found.whole.footprint_mm == (88.0, 88.0, 132.0, 128.0)
    assert max(found.outlines.width, found.outlines.height) * found.outlines.cell_mm < 60
    assert found.outlines.layer(0).any() and found.outlines.layer(9).any()


def test_the_whole_is_told() -> None:
    build = Build(SPACER, fan_share=0.3, fan_from_layer=3, nozzle_c=(255.0, 240.0), bed_c=95.0)
    whole = built(build).whole
    assert whole.nozzle_c == (255.0, 240.0)
    assert whole.bed_c == (95.0, 95.0)
    assert whole.fan_first_share == pytest.approx(0.3, abs=0.01)
    layers = built(build).layers
    laying = layers.end_s - layers.start_s
    assert whole.fan_share == pytest.approx(np.average(layers.fan_share, weights=laying), abs=0.01)
    assert whole.shortest_layer_s == pytest.approx(layers.least_time_s[:-1].min())
    assert whole.units == "mm"
    assert whole.tools == (0,)
    assert whole.base_area_mm2 == pytest.approx(40 * 30, rel=0.05)


def test_a_single_layer_has_nothing_above_it() -> None:
    assert read([square(0.2)]).whole.shortest_layer_s is None


def test_tools_that_lay_road_are_told() -> None:
    found = read([square(0.2), ["T3"], square(0.4), ["T5"], ["G0 X1"], ["T1"], square(0.6)])
    assert found.whole.tools == (0, 1, 3)


UNEVEN = [
    f"G1 X{x + n % 2 * 20} Y{y} Z{z + 0.02 * sin(n):.4f} E0.7 F1800"
    for z in UP
    for n, (x, y) in enumerate([(50, 50), (50, 51), (50, 52), (50, 53)] * 12)
]


@pytest.mark.parametrize(
    "lines",
    [
        pytest.param(
            list(toolpath_lines(Build(LOW, places=((60.0, 60.0), (90.0, 60.0)), arcs=True))),
            id="arcs",
        ),
        pytest.param(
            list(toolpath_lines(Build(LOW, places=((60.0, 60.0), (90.0, 60.0)), one_by_one=True))),
            id="one by one",
        ),
        pytest.param(["M83", *spiral(9, 200)], id="a spiral"),
        pytest.param(["M83", *UNEVEN], id="an uneven bed"),
    ],
)
def test_layers_are_the_same_however_small_the_pieces(
    lines: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    text = "\n".join(line.strip() for line in lines).encode()
    whole = analyse([text])
    monkeypatch.setattr("stillair.jobs.toolpath.lines.PIECE_BYTES", 3000)
    parts = analyse([text])
    assert parts.whole.layers == whole.whole.layers
    assert parts.outlines.bits == whole.outlines.bits
    for name in ("height_mm", "start_s", "end_s", "length_mm", "width_mm", "least_time_s"):
        ours, theirs = getattr(parts.layers, name), getattr(whole.layers, name)
        assert ours == pytest.approx(theirs, rel=1e-9, abs=1e-6), name
