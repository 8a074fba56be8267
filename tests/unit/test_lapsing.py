"""A time-lapse taken up after a restart, beside a camera that looks away or doesn't."""

from __future__ import annotations

from pathlib import Path

import pytest

from kept_things import BOOT, CHAMBER, job
from stillair.config.settings import ClipsTable
from stillair.media.films import FilmFiles
from stillair.media.ring import FrameRing
from stillair.model import Timeline
from stillair.runtime.lapsing import Eye, Lapse
from stillair.storage.clips import MAKING, TIME_LAPSE, Clip

LATER = Timeline("boot-2", BOOT.wall_at_zero_s + 500.0)  # its second 20 is the other's 520
NOW_S = 20.0


@pytest.mark.parametrize(
    ("pauses", "paused", "then"),
    [
        pytest.param((), False, (), id="it looks, as before"),
        pytest.param((), True, ((520.0, None),), id="killed before the pause was noted"),
        pytest.param(((400.0, None),), True, ((400.0, None),), id="paused all the while"),
        pytest.param(((400.0, None),), False, ((400.0, 520.0),), id="it looks again"),
        pytest.param(
            ((400.0, 450.0),), True, ((400.0, 450.0), (520.0, None)), id="paused a second time"
        ),
    ],
)
def test_a_pause_shows_through_a_restart(
    pauses: tuple[tuple[float, float | None], ...],
    paused: bool,
    then: tuple[tuple[float, float | None], ...],
    tmp_path: Path,
) -> None:
    kept: list[Clip] = []
    eye = Eye(
        key=CHAMBER,
        origin="real",
        zone=None,
        ring=FrameRing(),
        wanted=ClipsTable(),
        now=lambda: (NOW_S, LATER),
        is_paused=lambda: paused,
        job=lambda: (True, job()),
    )
    lapse = Lapse(eye, FilmFiles(tmp_path), kept.append, kept.remove)
    clip = Clip(
        id="a" * 32,
        chamber=CHAMBER,
        part=TIME_LAPSE,
        state=MAKING,
        timeline=BOOT,
        start_s=100.0,
        end_s=100.0,
        origin="real",
        job=job().id,
        paused=pauses,
    )
    lapse.take_up(clip)
    assert lapse.go_on(job(), NOW_S, LATER, paused=paused) == []
    assert lapse.id == clip.id
    assert (kept[-1].paused if kept else pauses) == then
