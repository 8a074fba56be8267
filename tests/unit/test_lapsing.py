"""A job's time-lapse: few pictures however long it takes, through restarts and pauses."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pytest

from stillair.config.settings import ClipsTable
from stillair.media.clips import FEWEST
from stillair.media.cutting import FIRST_EVERY_S, MOST_PICTURES
from stillair.media.films import FilmFiles
from stillair.media.ring import FrameRing, Shot
from stillair.media.spool import Spool, shots
from stillair.model import Job, JobPhase, Timeline
from stillair.runtime.lapsing import HELD_S, Eye, Lapse
from stillair.storage.clips import Clip

HOUR_S = 3600.0
STEP_S = 5.0


def job(number: int, height_mm: float | None = None) -> Job:
    return Job(
        f"north-{number}", "north", "", "", "", "", JobPhase.RUNNING, 0.0, height_mm=height_mm
    )


@dataclass
class Shed:
    """One chamber through its boots, each with a second 0 of its own; `at_s` is the wall's."""

    folder: Path
    at_s: float = 0.0
    boot: int = 0
    zero_s: float = 0.0
    rows: dict[str, Clip] = field(default_factory=dict)
    made: list[Clip] = field(default_factory=list)

    def start(self) -> None:
        self.boot += 1
        self.zero_s = self.at_s
        self.ring = FrameRing()
        files = FilmFiles(self.folder, free_bytes=lambda _: 10**12)
        eye = Eye(
            key="north",
            origin="real",
            zone=None,
            ring=self.ring,
            wanted=ClipsTable(),
            now=self.now,
            is_paused=lambda: False,
            job=lambda: (True, None),
        )
        self.lapse = Lapse(eye, files, self._keep, lambda clip: self.rows.pop(clip.id, None))
        for row in list(self.rows.values()):
            if row not in self.made:
                self.lapse.take_up(row)

    def _keep(self, clip: Clip) -> None:
        self.rows[clip.id] = clip

    def now(self) -> tuple[float, Timeline]:
        return self.at_s - self.zero_s, Timeline(f"boot {self.boot}", self.zero_s)

    def goes_on(self, for_s: float, of: Job | None, *, pictures: bool = True) -> None:
        for _ in range(round(for_s / STEP_S)):
            self.at_s += STEP_S
            now_s, timeline = self.now()
            if pictures:
                self.ring.take(now_s, jpeg=b"picture")
            self.made += self.lapse.go_on(of, now_s, timeline, paused=not pictures)

    def times(self, clip: Clip) -> list[float]:
        """When its pictures were taken, by the wall."""
        with (self.folder / f"{clip.id}.frames").open("rb") as file:
            return [clip.timeline.epoch_s(shot.t_s) for shot in shots(file)]


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    shed = Shed(tmp_path)
    shed.start()
    return shed


def apart(times: Sequence[float]) -> list[float]:
    return [b - a for a, b in pairwise(times)]


@pytest.mark.parametrize(
    "stretches_s",
    [
        pytest.param([0.3 * HOUR_S], id="short"),
        pytest.param([5 * HOUR_S], id="an afternoon"),
        pytest.param([2 * HOUR_S, 3 * HOUR_S, 5 * HOUR_S], id="with two restarts"),
    ],
)
def test_a_job_of_any_length_has_enough_pictures_and_not_too_many(
    shed: Shed, stretches_s: list[float]
) -> None:
    for number, stretch_s in enumerate(stretches_s):
        if number:
            shed.start()
        shed.goes_on(stretch_s, job(1))
    shed.goes_on(STEP_S, None)
    (clip,) = shed.made
    times = shed.times(clip)
    whole_s = sum(stretches_s)
    assert len(times) >= min(MOST_PICTURES, whole_s / FIRST_EVERY_S - 1)
    longest_s = FIRST_EVERY_S * MOST_PICTURES  # from then on they come more rarely
    assert len(times) <= MOST_PICTURES * (1.0 + max(0.0, math.log(whole_s / longest_s)))
    assert times[-1] - times[0] >= 0.97 * whole_s
    assert max(apart(times)) <= max(2.0 * FIRST_EVERY_S, whole_s / MOST_PICTURES + HELD_S)
    assert clip.job == "north-1"


@pytest.mark.parametrize(("flushed", "lost_s"), [(False, 60.0), (True, FIRST_EVERY_S)])
def test_a_kill_costs_the_last_minute_and_a_stop_nothing(
    shed: Shed, flushed: bool, lost_s: float
) -> None:
    for for_s in (290.0, 310.0, 330.0):
        shed.goes_on(for_s, job(1))
        at_s = shed.at_s
        if flushed:
            shed.lapse.flush()
        (clip,) = shed.rows.values()
        assert at_s - shed.times(clip)[-1] < lost_s
        shed.start()


def test_the_disk_is_written_once_a_minute_at_most(
    shed: Shed, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept_s: list[float] = []
    append = Spool.append

    def noted(spool: Spool, taken: Sequence[Shot]) -> None:
        kept_s.append(shed.at_s)
        append(spool, taken)

    monkeypatch.setattr(Spool, "append", noted)
    shed.goes_on(HOUR_S / 2, job(1))
    assert 29 <= len(kept_s) <= 37
    assert min(apart(kept_s)) >= 45.0


def test_one_job_s_pictures_are_not_the_next_one_s(shed: Shed) -> None:
    shed.goes_on(200.0, job(1))
    shed.goes_on(300.0, job(2))
    shed.goes_on(STEP_S, None)
    one, two = shed.made
    assert (one.job, two.job) == ("north-1", "north-2")
    assert max(shed.times(one)) < min(shed.times(two))


def test_a_job_that_was_over_while_nobody_watched_has_its_film_all_the_same(shed: Shed) -> None:
    shed.goes_on(200.0, job(1))
    shed.start()
    shed.goes_on(STEP_S, job(2))
    (clip,) = shed.made
    assert clip.job == "north-1"


@pytest.mark.parametrize(("pictures", "kept"), [(FEWEST - 1, False), (FEWEST, True)])
def test_of_too_few_pictures_none_is_kept(shed: Shed, pictures: int, kept: bool) -> None:
    shed.goes_on(pictures * FIRST_EVERY_S, job(1))
    shed.goes_on(STEP_S, None)
    assert len(shed.made) == kept
    assert bool(shed.rows) is kept
    assert bool(list(shed.folder.iterdir())) is kept


def test_a_pause_is_known_after_a_restart_within_it_and_ends_when_it_looks_again(
    shed: Shed,
) -> None:
    shed.goes_on(100.0, job(1))
    shed.lapse.paused(shed.now()[0])
    shed.goes_on(100.0, job(1), pictures=False)
    shed.start()
    shed.goes_on(100.0, job(1), pictures=False)
    (row,) = shed.rows.values()
    assert row.paused == ((100.0, None),)
    shed.lapse.pause_over(shed.now()[0])
    shed.goes_on(100.0, job(1))
    shed.goes_on(STEP_S, None)
    (clip,) = shed.made
    assert clip.paused == ((100.0, 300.0),), "in the seconds of the boot in which it was begun"
    assert not [at_s for at_s in shed.times(clip) if 101.0 < at_s < 300.0]


def test_an_erased_one_is_begun_anew(shed: Shed) -> None:
    shed.goes_on(100.0, job(1))
    erased = shed.lapse.id
    shed.lapse.forget()
    shed.goes_on(100.0, job(1))
    assert shed.lapse.id != erased


@pytest.mark.parametrize(
    ("noted", "then"),
    [
        pytest.param(False, ((105.0, None),), id="killed before it was noted"),
        pytest.param(True, ((50.0, 55.0), (105.0, None)), id="a second time"),
    ],
)
def test_a_pause_that_begins_with_a_restart_shows(
    shed: Shed, noted: bool, then: tuple[tuple[float, float | None], ...]
) -> None:
    shed.goes_on(50.0, job(1))
    if noted:
        shed.lapse.paused(50.0)
        shed.lapse.pause_over(55.0)
    shed.goes_on(50.0, job(1))
    shed.start()
    shed.goes_on(STEP_S, job(1), pictures=False)
    (row,) = shed.rows.values()
    assert row.paused == then
