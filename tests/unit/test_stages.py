"""What stage a job was in when, and when its camera was paused."""

from __future__ import annotations

import pytest

from stillair.jobs.stages import CourseTimes, stages, unseen

W, S, B, P, C, U = "warming", "soaking", "building", "paused", "cooling", "unknown"


@pytest.mark.parametrize(
    ("times", "found"),
    [
        pytest.param(
            CourseTimes(0, 900, 1200, steady_s=100, laid_s=300),
            [(W, 0, 100), (S, 100, 300), (B, 300, 900), (C, 900, 1200)],
            id="all is known",
        ),
        pytest.param(
            CourseTimes(0, 900, 1200, steady_s=0, laid_s=300),
            [(S, 0, 300), (B, 300, 900), (C, 900, 1200)],
            id="warm before it began",
        ),
        pytest.param(
            CourseTimes(0, 900, 1200, steady_s=500, laid_s=300),
            [(W, 0, 300), (B, 300, 900), (C, 900, 1200)],
            id="begun before it was warm",
        ),
        pytest.param(
            CourseTimes(0, 900, 1200, laid_s=300),
            [(U, 0, 300), (B, 300, 900), (C, 900, 1200)],
            id="nobody told that it was warm",
        ),
        pytest.param(
            CourseTimes(0, 900, 1200, steady_s=100),
            [(U, 0, 900), (C, 900, 1200)],
            id="no height was ever told",
        ),
        pytest.param(
            CourseTimes(0, 900, 1200, steady_s=100, laid_by_s=400),
            [(U, 0, 400), (B, 400, 900), (C, 900, 1200)],
            id="the first layer was before the first height",
        ),
        pytest.param(
            CourseTimes(0, None, None, steady_s=100, laid_s=300),
            [(W, 0, 100), (S, 100, 300), (B, 300, None)],
            id="it goes on",
        ),
        pytest.param(
            CourseTimes(0, 900, 1200, laid_s=0, pauses=((400, 500), (600, 650))),
            [
                (B, 0, 400),
                (P, 400, 500),
                (B, 500, 600),
                (P, 600, 650),
                (B, 650, 900),
                (C, 900, 1200),
            ],
            id="two pauses",
        ),
        pytest.param(
            CourseTimes(0, None, None, laid_s=0, pauses=((400, 1e11),)),
            [(B, 0, 400), (P, 400, 1e11), (B, 1e11, None)],
            id="a pause with an end far away",
        ),
        pytest.param(
            CourseTimes(0, None, None, laid_s=0, pauses=((400, float("inf")),)),
            [(B, 0, 400), (P, 400, None)],
            id="it stands paused",
        ),
        pytest.param(
            CourseTimes(0, 900, 1200, steady_s=100, laid_s=300, pauses=((50, 400),)),
            [(W, 0, 50), (P, 50, 400), (B, 400, 900), (C, 900, 1200)],
            id="a pause over three stages",
        ),
        pytest.param(
            CourseTimes(0, 900, 1200, laid_s=0, pauses=((850, 1000),)),
            [(B, 0, 850), (P, 850, 900), (C, 900, 1200)],
            id="ended while paused",
        ),
        pytest.param(CourseTimes(0, 0, 60, laid_s=0), [(C, 0, 60)], id="done at once"),
        pytest.param(
            CourseTimes(0, 200, 300, steady_s=100, laid_s=250),
            [(W, 0, 100), (S, 100, 200), (C, 200, 300)],
            id="given up while it soaked",
        ),
    ],
)
def test_stages(times: CourseTimes, found: list[tuple[str, float, float | None]]) -> None:
    told = stages(times)
    assert [(stage.kind.value, stage.from_s, stage.to_s) for stage in told] == found


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        pytest.param([], [], id="never told of"),
        pytest.param([(10, True, False), (40, True, True)], [(10, 40)], id="paused, then over"),
        pytest.param([(10, True, False)], [(10, None)], id="paused still"),
        pytest.param(
            [(10, True, False), (20, True, False), (30, False, False), (90, False, True)],
            [(10, 30)],
            id="paused, then lost",
        ),
        pytest.param(
            [(10, False, False), (30, True, False), (50, True, True), (70, True, False)],
            [(30, 50), (70, None)],
            id="dark, then paused, and again",
        ),
        pytest.param([(10, False, False), (90, False, True)], [], id="only dark"),
        pytest.param([(10, True, True)], [], id="its end alone"),
    ],
)
def test_when_nobody_looked(
    changes: list[tuple[float, bool, bool]], found: list[tuple[float, float | None]]
) -> None:
    assert list(unseen(changes)) == found
