"""How long moves take: known answers, and a reference that steps along the way."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from math import acos, atan2, cos, hypot, inf, pi, sin, sqrt, tau

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillair.jobs.toolpath import MotionLimits
from stillair.jobs.toolpath.analysis import analyse
from stillair.simulation.toolpaths import BUSHING, SHED_PARTS, SPACER, Build, toolpath_lines

EVEN = MotionLimits(
    speed_mm_s=(1000.0, 1000.0, 1000.0, 1000.0),
    acceleration_mm_s2=(1e5, 1e5, 1e5, 1e5),
    road_mm_s2=1000.0,
    travel_mm_s2=1000.0,
    filament_mm_s2=1000.0,
    corner_deviation_mm=0.01,
)


def duration_s(text: str, limits: MotionLimits = EVEN) -> float:
    return analyse([text.encode()], limits).whole.duration_s


@pytest.mark.parametrize(
    ("text", "expected_s"),
    [
        # 100 mm at 100 mm/s, 0.1 s to get there and 0.1 s to stand, in which half is driven.
        pytest.param("G1 X100 E1 F6000", 1.1, id="a trapezoid"),
        # 2.5 mm up, 2.5 mm down: sqrt(2 * 2.5 / 1000) each.
        pytest.param("G1 X5 E1 F60000", 2 * sqrt(2 * 2.5 / 1000), id="a triangle"),
        pytest.param("G1 X50 E1 F6000\nG1 X100 E1", 1.1, id="straight on without a stop"),
        pytest.param("G1 X50 E1 F6000\nG1 X0 E1", 1.2, id="straight back stands in between"),
        pytest.param("G1 X50 E1 F6000\nG4 P500\nG1 X100 E1", 1.7, id="a wait in milliseconds"),
        pytest.param("G1 X50 E1 F6000\nG4 S2\nG1 X100 E1", 3.2, id="a wait in seconds"),
        pytest.param("G4 S9\nG1 X100 E1 F6000", 1.1, id="the clock begins with the first motion"),
        # 50 mm at 100, then slowing down to 50 at the corner itself, where the next begins.
        pytest.param(
            "G1 X50 E1 F6000\nG1 X100 F3000 E1",
            0.1 + (50 - 5 - 3.75) / 100 + 0.05 + (50 - 1.25) / 50 + 0.05,
            id="braked for a slower move",
        ),
        # The filament alone: 2 mm at 20 mm/s; both moves beside it stand there.
        pytest.param(
            "G1 X50 E1 F6000\nG1 E-2 F1200\nG1 X100 E1 F6000", 1.2 + 0.12, id="drawn back"
        ),
        pytest.param("M83\nG1 X100 E1 F6000\nG10\nG11\nG1 X200 E1", 2.2 + 0.1, id="G10 and G11"),
        pytest.param("M220 S50\nG1 X100 E1 F6000", 2.05, id="half the speed of all feeds"),
        pytest.param("M204 S500\nG1 X100 E1 F6000", 1.2, id="an acceleration that the file names"),
        pytest.param("M204 P500 T100\nG1 X100 E1 F6000", 1.2, id="that of roads"),
        pytest.param("M203 X50\nG1 X100 E1 F6000", 2.05, id="an axis that can't go so fast"),
        pytest.param("M203 X3000 Y3000\nG1 X100 E1 F6000", 2.05, id="the same, by the minute"),
        pytest.param("M201 X500\nG1 X100 E1 F6000", 1.2, id="an axis that can't get up so fast"),
        pytest.param("G20\nG1 X1 E1 F60", 25.4 / 25.4 + 0.0254, id="inches"),
        # A quarter of a circle of 10 mm: v2 <= a r allows 100 mm/s.
        pytest.param(
            "G1 X100 F6000 E1\nG3 X110 Y10 I0 J10 E1\nG1 Y110 E1",
            0.1 + (200 + 5 * pi - 10) / 100 + 0.1,
            id="an arc that is met along its way isn't braked for",
        ),
    ],
)
def test_a_known_path_takes(text: str, expected_s: float) -> None:
    assert duration_s(f"M83\n{text}\n") == pytest.approx(expected_s, rel=1e-6)


@pytest.mark.parametrize(
    ("limits", "speed_mm_s"),
    [
        # sin(45 degrees) = 0.7071: v2 = 1000 * 0.01 * 0.7071 / 0.2929
        pytest.param(EVEN, sqrt(1000 * 0.01 * sqrt(0.5) / (1 - sqrt(0.5))), id="deviation"),
        pytest.param(replace(EVEN, corner_change_mm_s=8.0), 8.0, id="step of an axis' speed"),
    ],
)
def test_a_right_angle_is_taken_at(limits: MotionLimits, speed_mm_s: float) -> None:
    # Each side: up to 100 and down to the corner's speed.
    v, a = speed_mm_s, 1000.0
    changing_s, changing_mm = (100 - v) / a, (100**2 - v**2) / (2 * a)
    expected_s = 2 * (0.1 + changing_s + (100 - 5 - changing_mm) / 100)
    text = "M83\nG1 X100 E1 F6000\nG1 Y100 E1\n"
    assert duration_s(text, limits) == pytest.approx(expected_s, rel=1e-6)


# --- the reference ---------------------------------------------------------------------

Path = list[tuple[float, float, float]]  # X, Y, and the feed to get there


def reference_s(path: Path, limits: MotionLimits, steps_per_mm: float = 200.0) -> float:
    """The time along straight lines from 0, 0, by small steps: as fast as it goes.

    In each step the speed is bounded by the line's feed, at a corner by what that
    allows, by braking for all that comes (found by going the steps backwards) and by
    what the step before could reach. Nothing of the code under test is used.
    """
    a = limits.road_mm_s2
    allowed = [0.0]
    lengths: list[float] = []
    x0 = y0 = 0.0
    heading = feed_before = 0.0
    for x, y, feed in path:
        length = hypot(x - x0, y - y0)
        turned = atan2(y - y0, x - x0) - heading
        heading += turned
        between = pi - abs((turned + pi) % tau - pi)
        share = sin(between / 2)
        corner = inf if share > 1 - 1e-12 else a * limits.corner_deviation_mm * share / (1 - share)
        if lengths:
            allowed[-1] = min(sqrt(corner), feed, feed_before)
        count = max(50, round(length * steps_per_mm))
        allowed += [feed] * count
        lengths += [length / count] * count
        x0, y0, feed_before = x, y, feed
    allowed[-1] = 0.0
    for number in range(len(lengths) - 1, -1, -1):
        braked = sqrt(allowed[number + 1] ** 2 + 2 * a * lengths[number])
        allowed[number] = min(allowed[number], braked)
    for number, length in enumerate(lengths):
        reached = sqrt(allowed[number] ** 2 + 2 * a * length)
        allowed[number + 1] = min(allowed[number + 1], reached)
    return sum(
        2 * length / (before + after)
        for length, before, after in zip(lengths, allowed, allowed[1:], strict=False)
    )


def written(path: Path) -> str:
    lines = [f"G1 X{x:.6f} Y{y:.6f} E0.1 F{feed * 60:.6f}" for x, y, feed in path]
    return "\n".join(["G90", "M83", *lines, ""])


ENDS = st.tuples(
    st.integers(-400, 400).map(lambda n: n / 8),
    st.integers(-400, 400).map(lambda n: n / 8),
    st.sampled_from([5.0, 20.0, 60.0, 150.0, 400.0]),
)


@settings(max_examples=40)
@given(
    st.lists(ENDS, min_size=1, max_size=12, unique_by=lambda end: end[:2]),
    st.sampled_from([EVEN, replace(EVEN, road_mm_s2=4000.0, corner_deviation_mm=0.05)]),
)
def test_any_path_takes_what_the_reference_says(path: Path, limits: MotionLimits) -> None:
    path = [end for end in path if end[:2] != (0.0, 0.0)]
    if path:
        told_s = duration_s(written(path), limits)
        assert told_s == pytest.approx(reference_s(path, limits), rel=0.01)


@pytest.mark.parametrize(
    "path",
    [
        pytest.param(
            [(20 * cos(n / 10), 20 * sin(n / 10), 80.0) for n in range(200)], id="rings of chords"
        ),
        pytest.param(
            [(n * 0.02, 0.3 * sin(n / 9), 200.0) for n in range(1, 900)], id="very short moves"
        ),
        pytest.param(
            [(30.0 * (n % 2), 0.5 * (n // 2), 120.0) for n in range(1, 80)], id="to and fro"
        ),
        pytest.param(
            [
                ((n * 7919) % 83 / 2, (n * 104729) % 71 / 2, 10.0 + n * 37 % 200)
                for n in range(1, 90)
            ],
            id="across and about",
        ),
    ],
)
def test_a_long_path_takes_what_the_reference_says(path: Path) -> None:
    assert duration_s(written(path)) == pytest.approx(reference_s(path, EVEN), rel=0.005)


def test_where_a_file_is_cut_changes_no_time() -> None:
    # More than one piece, so that moves are held over the border between two.
    build = Build(SPACER, places=tuple((30.0 + 45 * n, 40.0) for n in range(4)), relative=False)
    text = "".join(toolpath_lines(replace(build, layer_mm=0.1))).encode()
    assert len(text) > 2_200_000
    whole = analyse([text]).whole
    pieces = analyse(text[n : n + 4093] for n in range(0, len(text), 4093)).whole
    assert replace(pieces, duration_s=0.0) == replace(whole, duration_s=0.0)
    assert pieces.duration_s == pytest.approx(whole.duration_s, rel=1e-9)


def test_moves_far_shorter_than_braking_are_held_until_it_is_known() -> None:
    # 38,000 moves of 0.002 mm, in two pieces: no corner between them ever decides.
    path: Path = [(n * 0.002, 0.0, 400.0) for n in range(1, 38_001)]
    text = written(path).replace("E0.1", "E0.0001")
    assert len(text) > 1 << 20
    assert duration_s(text) == pytest.approx(reference_s([(76.0, 0.0, 400.0)], EVEN), rel=0.001)


def test_an_arc_is_as_fast_as_its_radius_allows() -> None:
    # A ring of 1 mm: v2 <= 1000 * 1, 31.6 mm/s, and up and down in 0.0316 s each.
    speed = sqrt(1000.0)
    expected_s = (tau - speed**2 / 1000) / speed + 2 * speed / 1000
    told_s = duration_s("M83\nG2 I1 J0 E1 F6000\n")
    assert told_s == pytest.approx(expected_s, rel=1e-6)


def test_arcs_take_as_long_as_their_chords() -> None:
    by_arcs = analyse(line.encode() for line in toolpath_lines(Build(BUSHING, arcs=True)))
    by_chords = analyse(line.encode() for line in toolpath_lines(Build(BUSHING)))
    assert by_arcs.whole.duration_s == pytest.approx(by_chords.whole.duration_s, rel=0.01)
    assert by_arcs.whole.height_mm == by_chords.whole.height_mm
    assert by_arcs.whole.filament_mm == pytest.approx(by_chords.whole.filament_mm, rel=0.001)


# --- whole parts, with all that a program does between roads --------------------------


def whole_reference_s(lines: Iterable[str], limits: MotionLimits, steps: int = 60) -> float:
    """The time of a program of straight lines, from its first motion, by small steps.

    Reads G1 and G0 with E relative, as this file's parts are written, and steps through
    each move `steps` times; lifted travel and filament drawn back are in it.
    """
    at, feed = [0.0, 0.0, 0.0], limits.feed_mm_s
    allowed, lengths, accelerations = [0.0], list[float](), list[float]()
    before: tuple[list[float], float, float] | None = None  # direction, speed, acceleration
    for line in lines:
        words = {word[0]: float(word[1:]) for word in line.split(";")[0].split() if word[1:]}
        if line[:2] not in ("G0", "G1"):
            continue
        feed = words["F"] / 60 if "F" in words else feed
        way = [words.get(axis, here) - here for axis, here in zip("XYZ", at, strict=True)]
        at = [here + step for here, step in zip(at, way, strict=True)]
        pushed = words.get("E", 0.0)
        length = sqrt(sum(step * step for step in way))
        run = length or abs(pushed)
        if run < 1e-9 or (before is None and length == 0):
            continue
        shares = [abs(step) / run for step in (*way, pushed)]
        kind = limits.filament_mm_s2 if not length else limits.travel_mm_s2
        kind = limits.road_mm_s2 if length and pushed > 0 else kind
        pairs = list(zip(shares, limits.speed_mm_s, limits.acceleration_mm_s2, strict=True))
        speed = min([feed, *(v / share for share, v, _ in pairs if share > 0)])
        a = min([kind, *(most / share for share, _, most in pairs if share > 0)])
        direction = [step / length for step in way] if length else []
        if before is not None:
            corner = 0.0
            if direction and before[0]:
                along = sum(p * q for p, q in zip(direction, before[0], strict=True))
                share = sin((pi - acos(max(-1.0, min(1.0, along)))) / 2)
                corner = inf
                if share < 1 - 1e-12:
                    weakest = min(a, before[2])
                    corner = sqrt(weakest * limits.corner_deviation_mm * share / (1 - share))
            allowed[-1] = min(corner, speed, before[1])
        before = (direction, speed, a)
        allowed += [speed] * steps
        lengths += [run / steps] * steps
        accelerations += [a] * steps
    allowed[-1] = 0.0
    for number in range(len(lengths) - 1, -1, -1):
        gained = 2 * accelerations[number] * lengths[number]
        allowed[number] = min(allowed[number], sqrt(allowed[number + 1] ** 2 + gained))
    for number, length in enumerate(lengths):
        gained = 2 * accelerations[number] * length
        allowed[number + 1] = min(allowed[number + 1], sqrt(allowed[number] ** 2 + gained))
    return sum(
        2 * length / (begin + end)
        for length, begin, end in zip(lengths, allowed, allowed[1:], strict=False)
    )


@pytest.mark.parametrize("name", sorted(SHED_PARTS))
@pytest.mark.parametrize(
    "limits",
    [
        pytest.param(MotionLimits(), id="usual"),
        pytest.param(MotionLimits(road_mm_s2=500, travel_mm_s2=800), id="slow"),
        pytest.param(
            MotionLimits(
                road_mm_s2=8000,
                travel_mm_s2=8000,
                acceleration_mm_s2=(8000, 6000, 500, 9000),
                corner_deviation_mm=0.005,
            ),
            id="fast",
        ),
    ],
)
def test_a_whole_part_takes_what_the_reference_says(name: str, limits: MotionLimits) -> None:
    part = replace(SHED_PARTS[name], height_mm=0.6)
    build = Build(part, places=((60.0, 60.0), (110.0, 100.0)))
    lines = list(toolpath_lines(build))
    told_s = analyse((line.encode() for line in lines), limits).whole.duration_s
    assert told_s == pytest.approx(whole_reference_s(lines, limits), rel=0.03)
